"""Every place that was considered for a bolt, put into the frame of its run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from sillwright.camera import Array, Camera, Pose
from sillwright.candidates import HARDLY_SEEN, Candidate, Dropped, Why
from sillwright.measure.record import in_run
from sillwright.measure.starts import APART_MM, ends_of
from sillwright.measure.work import shows
from sillwright.survey import RunRecord


def candidates_of(
    run: str,
    poses: Mapping[Path, tuple[Camera, Pose]],
    names: Mapping[Path, str],
    kept: Sequence[tuple[Array, tuple[str, ...]]],
    dropped: Sequence[Dropped],
    y_sign: float,
) -> tuple[Candidate, ...]:
    """The places (7,) of bolts with their doubts, and those that are none, each once.

    Of places hardly seen only the first is told of, and none so near another that it may be of the same thing.
    """
    places: list[tuple[Array, tuple[str, ...], Why | None]] = [(place, doubts, None) for place, doubts in kept]
    for one in sorted(dropped, key=lambda one: one.why in HARDLY_SEEN):
        alone = all(np.hypot(*(one.place[:2] - other[:2])) > APART_MM for other, _, _ in places)
        if alone or one.why not in HARDLY_SEEN:
            places.append((one.place, (), one.why))
    return tuple(_candidate(run, poses, names, *place, y_sign) for place in places)


def _candidate(
    run: str,
    poses: Mapping[Path, tuple[Camera, Pose]],
    names: Mapping[Path, str],
    place: Array,
    doubts: tuple[str, ...],
    why: Why | None,
    y_sign: float,
) -> Candidate:
    ends = ends_of(place)
    photos = tuple(names[path] for path, (camera, pose) in poses.items() if shows(camera, pose, ends[None])[0])
    base, tip = in_run(ends, y_sign).tolist()
    return Candidate(run, tuple(base), tuple(tip), float(place[5]), photos, "", doubts, why)


def with_marks(candidates: Sequence[Candidate], runs: Sequence[RunRecord]) -> tuple[Candidate, ...]:
    """Candidates that became bolts with the marks of those, as the record has them."""
    by_name = {run.name: run for run in runs}
    out = []
    for one in candidates:
        if one.why is None:
            at = one.base_mm[0]
            mark = next((b.mark for b in by_name[one.run].bolts if b.station_mm is not None and b.station_mm == at), "")
            one = replace(one, mark=mark) if mark else replace(one, doubts=(), why="other-run")
        out.append(one)
    return tuple(out)
