"""Bolts found on two runs: where plates overlap at a corner, one bolt stands on both walls."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sillwright.camera import Array
from sillwright.measure.runs import RunResult
from sillwright.survey import BoltRecord, CornerRecord, RunRecord

SAME_BOLT_MM = 12.0  # two runs' poses of one photo agree to a few millimetres near the corner; bolts stand inches apart


def once_each(results: Sequence[RunResult], corners: Sequence[CornerRecord]) -> list[RunRecord]:
    """The runs' records with each bolt on one run only: of a corner's two, the first.

    Photos that stand in both runs carry a place from one to the other; no angle or side is asked for.
    """
    kept = {result.record.name: result for result in results}
    for corner in corners:
        first, second = (kept[name] for name in corner.runs)
        taken = [place for bolt in first.record.bolts if (place := _place(bolt)) is not None]
        bolts = tuple(bolt for bolt in second.record.bolts if not _stands_at(_carried(bolt, second, first), taken))
        kept[corner.runs[1]] = replace(second, record=replace(second.record, bolts=bolts))
    return [result.record for result in kept.values()]


def _place(bolt: BoltRecord) -> Array | None:
    """Station and setback (2,); None where either is not known."""
    if bolt.station_mm is None or bolt.setback_mm is None:
        return None
    return np.array([bolt.station_mm, bolt.setback_mm])


def _carried(bolt: BoltRecord, own: RunResult, other: RunResult) -> Array | None:
    """Where a bolt of one run stands in the frame of another, (2,), in the middle of what photos of both say."""
    place = _place(bolt)
    photos = [path for path in own.poses if path in other.poses]
    if place is None or not photos:
        return None
    foot = np.array([[place[0], own.y_sign * place[1], 0.0]])
    poses = [(own.poses[path][1], other.poses[path][1]) for path in photos]
    carried = [(mine.to_camera(foot)[0] - theirs.translation_mm) @ theirs.rotation for mine, theirs in poses]
    return np.asarray(np.median(carried, axis=0)[:2] * [1.0, other.y_sign])


def _stands_at(place: Array | None, taken: Sequence[Array]) -> bool:
    return place is not None and any(np.linalg.norm(place - other) < SAME_BOLT_MM for other in taken)
