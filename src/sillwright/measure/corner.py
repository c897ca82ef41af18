"""Where two runs meet: both chalk lines in the same photos, adjusted together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sillwright.camera import Array, Pose, rotation_from_vector
from sillwright.job import CornerJob, Job
from sillwright.measure.block import Block, LensOfPhoto, join, with_lines
from sillwright.measure.line import choose_line, lay_line, observe, refit, view_tasks
from sillwright.measure.work import CardsSeen, Crew, ViewTask, follow_lines, look_for_lines
from sillwright.solve.adjust import LineState
from sillwright.survey import CornerRecord, Finding

LARGEST_U95_DEG = 0.2
LINE_UNSEEN_DEG = 0.02  # powder on rough concrete over the metre or two a corner photo shows of each line


@dataclass(frozen=True)
class RunPlace:
    """What a corner needs of a run already solved: its cards' numbers and stations, and the side of its plate."""

    name: str
    cards: Mapping[int, float]


def measure_corner(
    corner: CornerJob,
    seen: Sequence[CardsSeen],
    runs: Mapping[str, RunPlace],
    job: Job,
    lenses: Mapping[Path, LensOfPhoto],
    names: Mapping[Path, str],
    crew: Crew,
) -> CornerRecord:
    """The angle between two runs and the stations of their crossing."""
    files = tuple(names[path] for path in corner.photos)
    unknown = CornerRecord(corner.runs, None, None, {}, "reshoot", (Finding("no-crossing", files),))
    if not all(name in runs for name in corner.runs):
        return unknown
    first, second = (runs[name] for name in corner.runs)
    photos = [one for one in seen if one.path in corner.photos]
    both = [p for p in photos if set(p.cards) & set(first.cards) and set(p.cards) & set(second.cards)]
    if not both:
        return unknown
    block = join(both, sorted(first.cards), lenses, job, (), names)
    if block is None:
        return unknown
    block, chosen = lay_line(block, crew)
    if chosen is None:
        return unknown
    return _cross(block, first, second, files, crew) or unknown


def _cross(block: Block, first: RunPlace, second: RunPlace, files: tuple[str, ...], crew: Crew) -> CornerRecord | None:
    other = [n for n in block.numbers if n in second.cards]
    if not other:
        return None
    turn = _direction(block, other)
    found = crew.share_out(look_for_lines, _turned_tasks(block, turn, other))
    chosen = choose_line(_turned_block(block, turn), found)
    if chosen is None:
        return None
    angle = turn + chosen.angle_rad
    offset = chosen.offset_mm
    for _ in range(2):
        tasks = [(task, ((0.0, 0.0), (angle, offset))) for task in view_tasks(block)]
        traces = crew.share_out(follow_lines, tasks)
        straight = refit(_turned_block(block, angle), [trace[1] for trace in traces])
        if straight is None:
            return None
        angle, offset = angle + straight[0], straight[1]
    line_seen = observe([t[0] for t in traces], 0) + observe([t[1] for t in traces], 1)
    laid = with_lines(block, (LineState(0.0, 0.0), LineState(angle, offset)), line_seen, 0.0, 0.0)
    return _record(laid, first, second, files)


def _direction(block: Block, numbers: Sequence[int]) -> float:
    """The other run's direction, from lower to higher cards, as an angle in this block's frame."""
    cards = [block.solution.state.cards[block.numbers.index(n)] for n in numbers]
    axes = np.array([card.rotation[:2, 0] for card in cards])
    twice = np.array([axes[:, 0] ** 2 - axes[:, 1] ** 2, 2 * axes[:, 0] * axes[:, 1]]).sum(axis=1)
    angle = 0.5 * float(np.arctan2(twice[1], twice[0]))
    forward = cards[-1].origin_mm[:2] - cards[0].origin_mm[:2] if len(cards) > 1 else cards[0].rotation[:2, 0]
    return angle if forward @ [np.cos(angle), np.sin(angle)] > 0 else angle + np.pi


def _turned(pose: Pose, angle: float) -> Pose:
    return Pose(pose.rotation @ rotation_from_vector(np.array([0.0, 0.0, angle])), pose.translation_mm)


def _turned_block(block: Block, angle: float) -> Block:
    state = block.solution.state
    poses = tuple(_turned(pose, angle) for pose in state.poses)
    return replace(block, solution=replace(block.solution, state=replace(state, poses=poses)))


def _turned_tasks(block: Block, angle: float, numbers: Sequence[int]) -> list[ViewTask]:
    """Views with X along the other run, looking about its cards."""
    back = rotation_from_vector(np.array([0.0, 0.0, -angle]))[:2, :2]
    tasks = []
    for task in view_tasks(block):
        outlines = tuple(outline @ back.T for outline in task.covered_mm)
        mine = [o for o, n in zip(outlines, block.numbers, strict=True) if n in numbers]
        y = np.concatenate([o[:, 1] for o in mine])
        x = np.concatenate([o[:, 0] for o in mine])
        tasks.append(
            ViewTask(
                task.path,
                task.camera,
                _turned(task.pose, angle),
                outlines,
                (float(x.min()), float(x.max())),
                (float(y.min()), float(y.max())),
            )
        )
    return tasks


def _record(block: Block, first: RunPlace, second: RunPlace, files: tuple[str, ...]) -> CornerRecord:
    solution = block.solution
    line = solution.state.lines[1]
    direction, base = line.direction[:2], line.offset_mm * line.normal[:2]
    if abs(direction[1]) < 0.05:
        return CornerRecord((first.name, second.name), None, None, {}, "reshoot", (Finding("no-crossing", files),))
    crossing = base - direction * (base[1] / direction[1])
    stations = {
        first.name: _station(block, first, crossing, np.array([1.0, 0.0])),
        second.name: _station(block, second, crossing, direction),
    }
    toward = [_toward(block, run, crossing) for run in (first, second)]
    one = np.array([np.sign(toward[0] @ [1.0, 0.0]), 0.0])
    two = direction * np.sign(toward[1] @ direction)
    angle = float(np.degrees(np.arccos(np.clip(one @ two, -1.0, 1.0))))
    where = solution.layout.line(1)
    inflation = max(1.0, solution.variance_factor)
    spread = float(np.sqrt(solution.covariance[where, where][0, 0] * inflation))
    u95 = 1.96 * float(np.hypot(np.degrees(spread), LINE_UNSEEN_DEG))
    poor = u95 > LARGEST_U95_DEG
    reasons = (Finding("corner-poor", files),) if poor else ()
    return CornerRecord((first.name, second.name), angle, u95, stations, "check" if poor else "ok", reasons)


def _station(block: Block, run: RunPlace, crossing: Array, direction: Array) -> float:
    """Station of the crossing on a run, by the run's cards in the photos of the corner."""
    ahead = []
    for number, card in zip(block.numbers, block.solution.state.cards, strict=True):
        if number in run.cards:
            ahead.append(run.cards[number] + float((crossing - card.origin_mm[:2]) @ direction))
    return float(np.mean(ahead))


def _toward(block: Block, run: RunPlace, crossing: Array) -> Array:
    cards = [c for n, c in zip(block.numbers, block.solution.state.cards, strict=True) if n in run.cards]
    return np.mean([(c.origin_mm + c.rotation @ np.array([120.0, 45.0, 0.0]))[:2] for c in cards], axis=0) - crossing
