"""Which run's plate goes over each bolt, layer by layer: its own, or at a corner that of the run it meets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sillwright.plates.lap import JointedCorner
from sillwright.plates.record import LayerEnd
from sillwright.plates.run_ends import JobEnds
from sillwright.survey import BoltRecord, RunRecord


@dataclass(frozen=True)
class Covered:
    """A bolt under one layer of a run.

    bolt : in the frame of that run, which is ``home``'s own where no corner is given
    """

    bolt: BoltRecord
    home: str
    corner: JointedCorner | None = None


@dataclass(frozen=True)
class Cover:
    """By run and layer the bolts under it; and by mark the layers that leave a bolt bare."""

    under: Mapping[tuple[str, int], tuple[Covered, ...]]
    bare: Mapping[str, tuple[int, ...]]


def cover(runs: Sequence[RunRecord], planned: Sequence[str], ends: JobEnds, layers: int) -> Cover:
    """Share out the bolts that have a place; only ``planned`` runs have plates."""
    records = {run.name: run for run in runs}
    under: dict[tuple[str, int], list[Covered]] = {}
    bare: dict[str, list[int]] = {}
    for run in runs:
        for bolt in run.bolts:
            if bolt.station_mm is None or bolt.setback_mm is None or run.name not in planned:
                continue
            for layer in range(1, layers + 1):
                found = _over(bolt, run, records, planned, ends, layer)
                if found is None:
                    bare.setdefault(bolt.mark, []).append(layer)
                else:
                    under.setdefault((found[0], layer), []).append(found[1])
    return Cover(
        {key: tuple(covered) for key, covered in under.items()},
        {mark: tuple(layers) for mark, layers in bare.items()},
    )


def _over(
    bolt: BoltRecord,
    run: RunRecord,
    records: Mapping[str, RunRecord],
    planned: Sequence[str],
    ends: JobEnds,
    layer: int,
) -> tuple[str, Covered] | None:
    if _reaches(ends, run.name, layer, bolt, run.plate_width_mm):
        return run.name, Covered(bolt, run.name)
    for corner in ends.jointed:
        if run.name not in corner.record.runs:
            continue
        other = corner.other(run.name)
        if other not in planned:
            continue
        carried, width_mm = corner.carry(bolt, run, records[other]), records[other].plate_width_mm
        assert carried.setback_mm is not None
        if 0.0 <= carried.setback_mm <= width_mm and _reaches(ends, other, layer, carried, width_mm):
            return other, Covered(carried, run.name, corner)
    return None


def _reaches(ends: JobEnds, run: str, layer: int, bolt: BoltRecord, width_mm: float) -> bool:
    """Whether a layer of a run lies from end to end past a bolt's foot, on the bolt's own line across the plate."""
    assert bolt.station_mm is not None
    assert bolt.setback_mm is not None
    low, high = (end.layers[layer - 1] for end in ends.by_run[run])
    return end_at_mm(low, bolt.setback_mm, width_mm) <= bolt.station_mm <= end_at_mm(high, bolt.setback_mm, width_mm)


def end_at_mm(end: LayerEnd, setback_mm: float, width_mm: float) -> float:
    """The station of an end on a line parallel to the chalk line."""
    share = min(max(setback_mm / width_mm, 0.0), 1.0)
    return end.station_mm + share * (end.far_station_mm - end.station_mm)
