"""Which of the lines seen in the photos is the chalk line of the run: the one that most of the run agrees on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sillwright.camera import Array, meet_plane
from sillwright.corrections import HandLine
from sillwright.measure.block import Block, covered, with_lines
from sillwright.measure.work import Crew, ViewTask, follow_line, look_for_lines
from sillwright.median import median
from sillwright.photo import PHOTOS_KEPT
from sillwright.see.chalk import LineCandidate, LineStrip, LineTrace, second_line_mm, trace_line
from sillwright.solve.hand import HAND_SIGMA_PX
from sillwright.solve.state import (
    LineObservation,
)

SAME_LINE_MM = 12.0
MARKED_LINE_MM = 15.0
LEAST_ACROSS = 0.5  # sine: no card is laid 30 degrees askew along its own wall
PAST_TURN_MM = 150.0  # a plate's width past the cards round the corner
SECOND_LINE_SHARE = 0.45  # of the chosen line's strength: half as strong all along, or as strong along half


@dataclass(frozen=True)
class ChosenLine:
    """The run's line in the block's frame, and what was seen of it.

    colors : name of its colour; photos : indices of the photos that show it
    rival_mm : how far from it a second line of like strength runs, None where there is none
    by_hand : the files in which a person marked it; none where the photos alone showed which it is
    """

    angle_rad: float
    offset_mm: float
    color: str
    photos: tuple[int, ...]
    rival_mm: float | None
    by_hand: tuple[Path, ...] = ()


@dataclass(frozen=True)
class LaidLine:
    """A block adjusted on its chalk line, the line, and what each photo (by file) shows of it."""

    block: Block
    line: ChosenLine
    traces: Mapping[Path, LineTrace]


def view_tasks(block: Block) -> list[ViewTask]:
    """Every photo of a block as a task for the workers."""
    outlines = covered(block)
    few = len(block.photos) <= PHOTOS_KEPT
    mine = [o for o, number in zip(outlines, block.numbers, strict=True) if number in block.own]
    y = [float(v) for o in mine for v in o[:, 1]]
    within_mm = _between_turns(block, outlines)
    return [
        ViewTask(path, block.camera(i), block.pose(i), outlines, within_mm, (min(y), max(y)), few)
        for i, path in enumerate(block.photos)
    ]


def _between_turns(block: Block, outlines: Sequence[Array]) -> tuple[float, float]:
    """From where to where along X the wall may run: not past cards of another run that lie across this one.

    There the wall turns, and what is seen beyond is the ground.
    """
    cards = list(zip(block.numbers, block.solution.state.cards, outlines, strict=True))
    own = np.concatenate([outline[:, 0] for number, _, outline in cards if number in block.own])
    low, high = -np.inf, np.inf
    for number, card, outline in cards:
        if number not in block.own and abs(float(card.rotation[1, 0])) > LEAST_ACROSS:
            if outline[:, 0].max() < own.min():
                low = max(low, float(outline[:, 0].min()) - PAST_TURN_MM)
            elif outline[:, 0].min() > own.max():
                high = min(high, float(outline[:, 0].max()) + PAST_TURN_MM)
    return low, high


def choose_line(block: Block, found: Sequence[Sequence[LineCandidate]]) -> ChosenLine | None:
    """The line most photos agree on, weighed by its strength in each and by how near it runs there."""
    scored = [
        (*_agreement(block, found, candidate, own), candidate)
        for own, candidates in enumerate(found)
        for candidate in candidates
    ]
    if not scored:
        return None
    _, agreeing, best = max(scored, key=lambda item: item[0])
    angle, offset = best.angle_and_offset
    centres_mm = [float(block.pose(i).centre_mm[0]) for i in range(len(block.photos))]
    return ChosenLine(angle, offset, best.color, agreeing, _rival_mm(best, found, agreeing, centres_mm))


def _agreement(
    block: Block, found: Sequence[Sequence[LineCandidate]], candidate: LineCandidate, own: int
) -> tuple[float, tuple[int, ...]]:
    """How strongly the photos show a candidate of one photo (index), and which of them do."""
    centres = [block.pose(i).centre_mm for i in range(len(block.photos))]
    total, photos = 0.0, []
    for i, others in enumerate(found):
        # A short view fixes a line's turn to a few milliradians: allow for that with the distance.
        slack = SAME_LINE_MM + 0.006 * abs(float(centres[i][0] - centres[own][0]))
        off = [_apart_mm(candidate, o, float(centres[i][0])) / slack for o in others]
        # Held to its own place: what runs between two lines must not be taken for both.
        here = [o.strength * np.exp(-2.0 * share**2) for o, share in zip(others, off, strict=True) if share < 1.0]
        if here:
            total += float(max(here))
            photos.append(i)
    return total, tuple(photos)


def line_marked(block: Block, found: Sequence[Sequence[LineCandidate]], marks: Sequence[HandLine]) -> ChosenLine | None:
    """The candidate that a person marked as the chalk line; None where none runs within 15 mm of the points."""
    near: list[tuple[float, int, LineCandidate]] = []
    for photo, points_mm in _marked_mm(block, marks):
        for candidate in found[photo]:
            off_mm = np.abs(points_mm[:, 1] - candidate.offset_mm - candidate.slope * points_mm[:, 0])
            if off_mm.max() <= MARKED_LINE_MM:
                near.append((float(off_mm.max()), photo, candidate))
    if not near:
        return None
    _, own, best = min(near, key=lambda one: one[0])
    _, agreeing = _agreement(block, found, best, own)
    angle, offset = best.angle_and_offset
    return ChosenLine(angle, offset, best.color, agreeing, None, tuple(mark.photo for mark in marks))


def _marked_mm(block: Block, marks: Sequence[HandLine]) -> list[tuple[int, Array]]:
    """Of each mark whose photo stands in the block, that photo (index) and its two points on the wall, (2, 2)."""
    placed = [(block.photos.index(mark.photo), mark) for mark in marks if mark.photo in block.photos]
    return [(i, meet_plane(block.camera(i), block.pose(i), np.array(mark.points_px))[:, :2]) for i, mark in placed]


def _laid_by_points(block: Block, marks: Sequence[HandLine]) -> LaidLine | None:
    """The block on the line through the points a person marked, where no photo shows one there."""
    traces: list[LineTrace | None] = [None] * len(block.photos)
    for mark in marks:
        if mark.photo not in block.photos:
            continue
        photo = block.photos.index(mark.photo)
        before = traces[photo]
        px = np.array(mark.points_px) if before is None else np.vstack([before.px, mark.points_px])
        traces[photo] = LineTrace(px, np.full(len(px), HAND_SIGMA_PX), 0.0)
    line = refit(block, traces)
    if line is None:
        return None
    chosen = ChosenLine(*line, "", (), None, tuple(mark.photo for mark in marks))
    return _laid(block, traces, line, chosen)


def _rival_mm(
    best: LineCandidate, found: Sequence[Sequence[LineCandidate]], agreeing: Sequence[int], centres_mm: Sequence[float]
) -> float | None:
    """How far from the chosen line another of like strength runs, None where none does.

    Measured inside each photo, from the line that photo shows: there it matters little how photos were placed.
    """
    main = 0.0
    beside: list[tuple[float, float]] = []
    for i in agreeing:
        x_mm = centres_mm[i]
        own = min(found[i], key=lambda one: _apart_mm(one, best, x_mm))
        main += own.strength
        for other in found[i]:
            if other is not own:
                off_mm = (other.offset_mm - own.offset_mm) + (other.slope - own.slope) * x_mm
                beside.append((off_mm, other.strength))
    shown = [
        (sum(strength for other_mm, strength in beside if abs(other_mm - off_mm) < SAME_LINE_MM), off_mm)
        for off_mm, _ in beside
    ]
    strength, off_mm = max(shown, default=(0.0, 0.0))
    return off_mm if strength > SECOND_LINE_SHARE * main else None


def _apart_mm(one: LineCandidate, other: LineCandidate, x_mm: float) -> float:
    return abs((one.offset_mm - other.offset_mm) + (one.slope - other.slope) * x_mm)


def observe(traces: Sequence[LineTrace | None], line: int) -> list[LineObservation]:
    """Traces, one a photo, as observations of a line."""
    return [
        LineObservation(photo, line, trace.px, trace.sigma_px)
        for photo, trace in enumerate(traces)
        if trace is not None
    ]


def refit(block: Block, traces: Sequence[LineTrace | None]) -> tuple[float, float] | None:
    """A straight line (angle, offset) through all traced points on the wall, robustly."""
    points = [
        meet_plane(block.camera(i), block.pose(i), trace.px)[:, :2]
        for i, trace in enumerate(traces)
        if trace is not None
    ]
    if not points:
        return None
    every = np.concatenate(points)
    weight = np.ones(len(every))
    slope, level = 0.0, 0.0
    for _ in range(10):
        slope, level = np.polyfit(every[:, 0], every[:, 1], 1, w=np.sqrt(weight))
        off = np.abs(every[:, 1] - slope * every[:, 0] - level)
        weight = 1.0 / (1.0 + (off / max(2.0 * median(off), 0.2)) ** 2)
    angle = float(np.arctan(slope))
    return angle, float(level * np.cos(angle))


def lay_line(block: Block, crew: Crew, marks: Sequence[HandLine] = ()) -> LaidLine | None:
    """Find the run's chalk line and adjust the block on it; None where there is none.

    ``marks`` are where a person said it runs: then it is the candidate there, or the marks themselves.
    """
    tasks = view_tasks(block)
    found = crew.share_out(look_for_lines, tasks)
    candidates = [[candidate for candidate, _ in here] for here in found]
    chosen = line_marked(block, candidates, marks) if marks else choose_line(block, candidates)
    if chosen is None:
        return _laid_by_points(block, marks)
    own = _strips_along(chosen, tasks, found, crew)
    # The first pass follows each photo's own line, since cards chained over many photos run in a curve before a
    # straight line holds them; the second follows the joint line where that is near enough.
    traces = [trace_line(strip, (strip.angle_rad, strip.offset_mm)) if strip is not None else None for strip in own]
    line = refit(block, traces)
    if line is None:
        return None
    joint = [trace_line(strip, line) if strip is not None else None for strip in own]
    traces = [one if one is not None else before for one, before in zip(joint, traces, strict=True)]
    line = refit(block, traces) or line
    if chosen.rival_mm is None and not chosen.by_hand:
        chosen = replace(chosen, rival_mm=_near_rival_mm([strip for strip in own if strip is not None], line))
    return _laid(block, traces, line, chosen)


def _near_rival_mm(strips: Sequence[LineStrip], line: tuple[float, float]) -> float | None:
    """How far from the line a second one runs that is too near to be found apart, where most photos show it."""
    beside = [off_mm for strip in strips if (off_mm := second_line_mm(strip, line)) is not None]
    return float(np.median(beside)) if 2 * len(beside) > len(strips) else None


def lay_again(block: Block, before: LaidLine) -> LaidLine | None:
    """The same photos joined a little otherwise, on the line as it was followed in them."""
    traces = [before.traces.get(path) for path in block.photos]
    line = refit(block, traces)
    return None if line is None else _laid(block, traces, line, before.line)


def _laid(block: Block, traces: Sequence[LineTrace | None], line: tuple[float, float], chosen: ChosenLine) -> LaidLine:
    seen = observe(traces, 0)
    photos = tuple(observation.photo for observation in seen)
    by_file = {block.photos[i]: trace for i, trace in enumerate(traces) if trace is not None}
    laid = replace(chosen, angle_rad=line[0], offset_mm=line[1], photos=photos)
    return LaidLine(with_lines(block, [line], seen), laid, by_file)


def _strips_along(
    chosen: ChosenLine,
    tasks: Sequence[ViewTask],
    found: Sequence[Sequence[tuple[LineCandidate, LineStrip | None]]],
    crew: Crew,
) -> list[LineStrip | None]:
    """The strip of each photo along the run's line: the one cut for a line of its own there, else cut now."""
    line = (chosen.angle_rad, chosen.offset_mm)
    strips: list[LineStrip | None] = []
    for i, (task, here) in enumerate(zip(tasks, found, strict=True)):
        x_mm = float(task.pose.centre_mm[0])
        level_mm = (line[1] + x_mm * np.sin(line[0])) / np.cos(line[0])
        off_mm = [abs(c.offset_mm + c.slope * x_mm - level_mm) if s is not None else np.inf for c, s in here]
        agrees = i in chosen.photos and bool(off_mm) and np.isfinite(min(off_mm))
        strips.append(here[int(np.argmin(off_mm))][1] if agrees else None)
    without = [i for i, strip in enumerate(strips) if strip is None]
    for i, strip in zip(without, crew.share_out(follow_line, [(tasks[i], line) for i in without]), strict=True):
        strips[i] = strip
    return strips
