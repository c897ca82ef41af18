"""The plate washers of a job, each on the piece of top plate that its bolt comes out of."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from sillwright.judge.passes import HolePlace, Passing, hole_place
from sillwright.judge.plate_washer import BoltAtNut, WasherFit, washer_fit
from sillwright.judge.steps import End, Piece, from_end_mm
from sillwright.judge.verdicts import Check
from sillwright.plates.cover import Cover
from sillwright.plates.drill import Drilled
from sillwright.plates.findings import PlanFinding
from sillwright.plates.holes import Drilling
from sillwright.plates.inputs import PlanInputs
from sillwright.survey import BoltRecord, RunRecord


@dataclass(frozen=True)
class Washered:
    """One bolt's plate washer and the checks it was judged by."""

    fit: WasherFit
    checks: tuple[Check, ...]


def fit_washers(
    records: Mapping[str, RunRecord],
    drilled: Drilled,
    cover: Cover,
    passes: Mapping[str, Passing],
    work: Mapping[str, Drilling],
    inputs: PlanInputs,
) -> dict[str, Washered]:
    """By mark, every bolt that has a hole in a top plate, where the rules ask for plate washers; else none."""
    washer = inputs.rules.plate_washer_asked
    if washer is None:
        return {}
    found = {}
    for name, rows in drilled.pieces.items():
        under = {one.bolt.mark: one.bolt for one in cover.under.get((name, len(rows)), ())}
        for plate in rows[-1] if rows else ():
            piece = Piece(plate.name, plate.low_mm, plate.high_mm, plate.low_cut_deg, plate.high_cut_deg)
            for hole in plate.holes:
                bolt = under[hole.mark]
                at_nut = _at_nut(bolt, piece, records[name], passes[bolt.mark], work[bolt.mark], inputs)
                edge = inputs.rules.plate_washer_edge
                found[bolt.mark] = Washered(*washer_fit(at_nut, name, piece, plate.width_mm, washer, edge))
    return found


def _at_nut(
    bolt: BoltRecord, piece: Piece, run: RunRecord, passing: Passing, work: Drilling, inputs: PlanInputs
) -> BoltAtNut:
    """Where the bolt comes out of the top plate: as it leans, or as it will after straightening. Where its lean is not
    known it is taken over its foot, and no half-width is claimed."""
    # ``hole_place`` gives the axis at half the height it is given.
    twice_mm = 2.0 * (inputs.job.layout.sealer_mm + inputs.stack_mm)
    lean_left_deg = passing.lean_left_deg if work.straighten_first else None

    def seen_from(end: End) -> HolePlace | None:
        away = from_end_mm(bolt, piece, end, run.scale_u95_ratio)
        from_end = replace(bolt, u95=replace(bolt.u95, station_mm=None if away is None else away[1]))
        return hole_place(from_end, twice_mm, lean_left_deg)

    low, high = seen_from("low end"), seen_from("high end")
    assert bolt.station_mm is not None
    assert bolt.setback_mm is not None
    return BoltAtNut(
        bolt.mark,
        bolt.diameter_mm,
        bolt.station_mm if low is None else low.station_mm,
        bolt.setback_mm if low is None else low.setback_mm,
        None if low is None else low.u95_along_mm,
        None if high is None else high.u95_along_mm,
        None if low is None else low.u95_across_mm,
        doubtful=bolt.status != "ok",
    )


def of_washers(washered: Iterable[Washered], run: str) -> Iterator[PlanFinding]:
    """Bolts whose washer comes near enough to one edge of the plate only: which side is sheathed decides."""
    held = [one for one in washered if len(one.fit.near_enough) == 1]
    if held:
        limit_mm = next(check.limit_mm for check in held[0].checks if check.key == "washer-edge")
        marks = tuple(one.fit.mark for one in held)
        yield PlanFinding("washer-one-side", run=run, marks=marks, rule="washer-edge", value_mm=limit_mm)


def decided_by_side(check: Check, washered: Mapping[str, Washered]) -> bool:
    """Whether such a finding stands in the place of what this check would say."""
    held = washered.get(check.subject)
    return check.key == "washer-edge" and held is not None and len(held.fit.near_enough) == 1
