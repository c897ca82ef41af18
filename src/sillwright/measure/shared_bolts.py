"""Bolts found on two runs: where plates overlap at a corner, one bolt stands on both walls."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sillwright.camera import Array
from sillwright.corrections import place_words
from sillwright.corrections_file import CORRECTIONS
from sillwright.errors import JobError
from sillwright.measure.by_hand import BY_HAND
from sillwright.measure.runs import RunResult
from sillwright.survey import BoltRecord, CornerRecord, RunRecord

SAME_BOLT_MM = 12.0  # two runs' poses of one photo agree to a few millimetres near the corner; bolts stand inches apart


def once_each(results: Sequence[RunResult], corners: Sequence[CornerRecord]) -> list[RunRecord]:
    """The runs' records with each bolt on one run only: of a corner's two, the first.

    Photos that stand in both runs carry a place from one to the other; no angle or side is asked for. A bolt that was
    moved or struck out by hand on one run is the same bolt where the photos alone had it on the other.

    Raises JobError where what was corrected by hand is written down on the other run.
    """
    kept = {result.record.name: result for result in results}
    faults = []
    for corner in corners:
        first, second = (kept[name] for name in corner.runs)
        taken = [place for bolt in first.record.bolts for place in _places(bolt)]
        struck = [np.array(place) for place in first.struck_mm]
        doubles = [
            bolt
            for bolt in second.record.bolts
            if any(_stands_at(_carried(place, second, first), [*taken, *struck]) for place in _places(bolt))
        ]
        lost = [place for bolt in doubles if _is_by_hand(bolt) for place in _places(bolt)[:1]]
        lost += [at for at in map(np.array, second.struck_mm) if _stands_at(_carried(at, second, first), taken)]
        faults += [_other_run_fault(place, *corner.runs) for place in lost]
        bolts = tuple(bolt for bolt in second.record.bolts if bolt not in doubles)
        kept[corner.runs[1]] = replace(second, record=replace(second.record, bolts=bolts))
    if faults:
        raise JobError("\n".join(faults))
    return [result.record for result in kept.values()]


def _other_run_fault(place: Array, first: str, second: str) -> str:
    where = place_words(float(place[0]), float(place[1]))
    return (
        f'{CORRECTIONS}: what is corrected on run "{second}" at {where} stands on run "{first}" too, and is written '
        f'down there. Correct it on run "{first}", with the station and setback it has there.'
    )


def _is_by_hand(bolt: BoltRecord) -> bool:
    return any(reason.code == BY_HAND for reason in bolt.reasons)


def _places(bolt: BoltRecord) -> list[Array]:
    """Station and setback of a bolt, (2,), and where the photos alone had it; those that are known."""
    alone = bolt.photos_alone
    both = [(bolt.station_mm, bolt.setback_mm), (None, None) if alone is None else (alone.station_mm, alone.setback_mm)]
    return [np.array([x, y]) for x, y in both if x is not None and y is not None]


def _carried(place: Array, own: RunResult, other: RunResult) -> Array | None:
    """A place of one run (2,) in the frame of another, (2,), in the middle of what photos of both say."""
    photos = [path for path in own.poses if path in other.poses]
    if not photos:
        return None
    foot = np.array([[place[0], own.y_sign * place[1], 0.0]])
    poses = [(own.poses[path][1], other.poses[path][1]) for path in photos]
    carried = [(mine.to_camera(foot)[0] - theirs.translation_mm) @ theirs.rotation for mine, theirs in poses]
    return np.asarray(np.median(carried, axis=0)[:2] * [1.0, other.y_sign])


def _stands_at(place: Array | None, taken: Sequence[Array]) -> bool:
    return place is not None and any(np.linalg.norm(place - other) < SAME_BOLT_MM for other in taken)
