"""Where two runs meet: both chalk lines in the same photos, adjusted together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sillwright.camera import Array, Camera, Pose, meet_plane, project
from sillwright.job import CornerJob, Job
from sillwright.measure.block import Block, join, with_lines
from sillwright.measure.lenses import LensOfPhoto
from sillwright.measure.line import observe
from sillwright.measure.work import CardsSeen
from sillwright.see.chalk import LineTrace
from sillwright.survey import CornerRecord, Finding, RunRecord

# What is said of a run and holds for every bolt and corner on it, so that none of them is ``ok``.
OF_ALL_ON_A_RUN = (
    "two-chalk-lines",
    "line-by-hand",
    "not-settled",
    "misfit",
    "lens-mismatch",
    "cards-raised",
    "cards-low",
    "no-plane",
    "height-unverified",
)
LARGEST_U95_DEG = 0.2
LINE_UNSEEN_DEG = 0.02  # powder on rough concrete over the metre or two a corner photo shows of each line
ALONG_MM = np.arange(-6000.0, 6001.0, 40.0)
BORDER_PX = 20.0


@dataclass(frozen=True)
class RunPlace:
    """What a corner needs of a run already solved.

    cards : station of the zero mark of each of its cards; poses : camera and pose of its photos, right-handed, with X
    along the run's chalk line and the line at Y = 0; traces : what its photos show of that line
    """

    name: str
    cards: Mapping[int, float]
    poses: Mapping[Path, tuple[Camera, Pose]]
    traces: Mapping[Path, LineTrace]


def measure_corner(
    corner: CornerJob,
    seen: Sequence[CardsSeen],
    runs: Mapping[str, RunPlace],
    job: Job,
    lenses: Mapping[Path, LensOfPhoto],
    names: Mapping[Path, str],
) -> CornerRecord:
    """The angle between two runs and the stations of their crossing."""
    files = tuple(names[path] for path in corner.photos)
    unknown = CornerRecord(corner.runs, None, None, {}, "reshoot", (Finding("no-crossing", files),))
    if not all(name in runs for name in corner.runs):
        return unknown
    first, second = (runs[name] for name in corner.runs)
    photos = [one for one in seen if one.path in corner.photos]
    both = [p for p in photos if set(p.cards) & set(first.cards) and set(p.cards) & set(second.cards)]
    block = join(both, sorted(first.cards), lenses, job, (), names) if both else None
    if block is None:
        return unknown
    lines = [_line_of(block, run) for run in (first, second)]
    if lines[0] is None or lines[1] is None:
        return unknown
    pair = (lines[0], lines[1])
    line_seen = [
        one for k, run in enumerate((first, second)) for one in observe([run.traces.get(p) for p in block.photos], k)
    ]
    if {one.line for one in line_seen} != {0, 1}:
        return unknown
    laid = with_lines(block, pair, line_seen)
    return _record(laid, first, second, files)


def doubted(corner: CornerRecord, runs: Sequence[RunRecord]) -> CornerRecord:
    """The corner, not to be cut from where its runs have what forbids ``ok`` of all that is on them."""
    reasons = tuple(dict.fromkeys(f for run in runs for f in run.reasons if f.code in OF_ALL_ON_A_RUN))
    if not reasons or corner.status == "reshoot":
        return corner
    return replace(corner, status="check", reasons=(*corner.reasons, *reasons))


def _line_of(block: Block, run: RunPlace) -> tuple[float, float] | None:
    """A run's chalk line, known in the run's own frame, as (angle, offset) in the frame of the corner's photos."""
    points = []
    for i, path in enumerate(block.photos):
        if path in run.poses:
            camera, pose = run.poses[path]
            px = project(camera, pose, np.column_stack([ALONG_MM, np.zeros(len(ALONG_MM)), np.zeros(len(ALONG_MM))]))
            size = np.array([camera.width_px, camera.height_px])
            inside = np.isfinite(px).all(axis=1) & (px > BORDER_PX).all(axis=1) & (px < size - BORDER_PX).all(axis=1)
            if int(inside.sum()) > 2:
                points.append(meet_plane(block.camera(i), block.pose(i), px[inside])[:, :2])
    if not points:
        return None
    every = np.concatenate(points)
    middle = every.mean(axis=0)
    along = np.linalg.svd(every - middle)[2][0]
    if (points[0][-1] - points[0][0]) @ along < 0:
        along = -along
    return float(np.arctan2(along[1], along[0])), float(middle @ [-along[1], along[0]])


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
    poor = u95 > LARGEST_U95_DEG or not solution.converged
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
