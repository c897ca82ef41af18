"""The plate washers of a job, each on the piece of top plate that its bolt comes out of."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from sillwright.fasteners import BoltSize
from sillwright.judge.passes import HolePlace, Passing, hole_place
from sillwright.judge.plate_washer import BoltAtNut, WasherFit, washer_fit
from sillwright.judge.rules import RuleSet, Source
from sillwright.judge.steps import End, Piece, from_end_mm, own_u95_mm
from sillwright.judge.verdicts import Check, verdict_of
from sillwright.judge.washer_apart import washers_apart
from sillwright.plates.cover import Cover
from sillwright.plates.drill import Drilled
from sillwright.plates.findings import PlanCode, PlanFinding
from sillwright.plates.holes import Drilling
from sillwright.plates.inputs import PlanInputs
from sillwright.survey import BoltRecord, RunRecord

ASME_WASHER = Source("ASME B18.21.1, Type A", "", "", "read")
ISO_WASHER = Source("ISO 7089", "", "", "memory")


@dataclass(frozen=True)
class Washered:
    """One bolt's plate washer and the checks it was judged by."""

    fit: WasherFit
    checks: tuple[Check, ...]


@dataclass(frozen=True)
class AtNut:
    """One bolt of a run's top plate, where it comes out of it.

    bolt : in the frame of the run whose plate it is
    lean_left_deg : after straightening; None where it is left as it leans
    """

    run: str
    piece: Piece
    width_mm: float
    bolt: BoltRecord
    lean_left_deg: float | None
    place: BoltAtNut


def bolts_at_nut(
    records: Mapping[str, RunRecord],
    drilled: Drilled,
    cover: Cover,
    passes: Mapping[str, Passing],
    work: Mapping[str, Drilling],
    inputs: PlanInputs,
) -> tuple[AtNut, ...]:
    """Every bolt that has a hole in a top plate, by run and in the order of its pieces and holes."""
    found = []
    for name, rows in drilled.pieces.items():
        under = {one.bolt.mark: one.bolt for one in cover.under.get((name, len(rows)), ())}
        for plate in rows[-1] if rows else ():
            piece = Piece(plate.name, plate.low_mm, plate.high_mm, plate.low_cut_deg, plate.high_cut_deg)
            for hole in plate.holes:
                bolt = under[hole.mark]
                left_deg = passes[bolt.mark].lean_left_deg if work[bolt.mark].straighten_first else None
                place = _place(bolt, piece, records[name].scale_u95_ratio, left_deg, _out_of_plate_mm(inputs))
                found.append(AtNut(name, piece, plate.width_mm, bolt, left_deg, place))
    return tuple(found)


def fit_washers(nuts: Iterable[AtNut], rules: RuleSet) -> dict[str, Washered]:
    """By mark, each bolt's plate washer where the rules ask for one; else none."""
    washer, edge = rules.plate_washer_asked, rules.plate_washer_edge
    if washer is None:
        return {}
    return {
        one.bolt.mark: Washered(*washer_fit(one.place, one.run, one.piece, one.width_mm, washer, edge)) for one in nuts
    }


def cut_washers(nuts: Iterable[AtNut], rules: RuleSet, size: BoltSize) -> dict[str, Check]:
    """By mark, each bolt's cut washer against the edges of the top plate, where the rules ask for no plate washer.

    A washer not smaller than a standard cut one goes under the nut (NDS 2015 to 2024, 12.1.3.3, second-hand); half the
    outside of one, ASME B18.21.1 Type A or ISO 7089 (``fasteners``), is to be wood. That all of it lies on wood is
    common practice, no source. A larger one of the crew's own is not known here.
    """
    if rules.plate_washer_asked is not None:
        return {}
    return {one.bolt.mark: _cut_washer(one, size) for one in nuts}


def _cut_washer(one: AtNut, size: BoltSize) -> Check:
    at_mm, u95_mm, half_mm = one.place.setback_mm, one.place.u95_across_mm, size.washer_outside_mm / 2.0
    away_mm = min(at_mm, one.width_mm - at_mm)
    return Check(
        "cut-washer",
        one.bolt.mark,
        verdict_of(away_mm, u95_mm, half_mm, "at least"),
        away_mm,
        u95_mm,
        half_mm,
        ISO_WASHER if size.name.startswith("M") else ASME_WASHER,
        other="chalk-line side" if at_mm <= one.width_mm / 2.0 else "far side",
        doubtful=one.place.doubtful,
    )


def _out_of_plate_mm(inputs: PlanInputs) -> float:
    """How far over the concrete a bolt comes out of the top plate."""
    return inputs.job.layout.sealer_mm + inputs.stack_mm


def _upright(bolt: BoltRecord, u95_along_mm: float | None, left_deg: float | None, up_mm: float) -> HolePlace | None:
    """Where a bolt is so far up, as it leans or as it will after straightening; its foot known so well along."""
    # ``hole_place`` gives the axis at half the height it is given.
    return hole_place(replace(bolt, u95=replace(bolt.u95, station_mm=u95_along_mm)), 2.0 * up_mm, left_deg)


def _place(bolt: BoltRecord, piece: Piece, scale_u95_ratio: float, left_deg: float | None, up_mm: float) -> BoltAtNut:
    """Where its lean is not known a bolt is taken over its foot, and no half-width is claimed."""

    def seen_from(end: End) -> HolePlace | None:
        away = from_end_mm(bolt, piece, end, scale_u95_ratio)
        return _upright(bolt, None if away is None else away[1], left_deg, up_mm)

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


def of_neighbours(
    nuts: Sequence[AtNut], records: Mapping[str, RunRecord], inputs: PlanInputs, told: Iterable[PlanFinding]
) -> Iterator[PlanFinding]:
    """Every two bolts of a run's top plates whose washers lie, or may lie, over each other where both are centred.

    told : what is said of the holes; a pair whose holes are too near each other has its line already
    """
    too_near = {frozenset(one.marks) for one in told if one.code == "holes-too-near"}
    washer, size = inputs.rules.plate_washer_asked, inputs.job.bolts.bolt
    for first, second in combinations(nuts, 2):
        marks = (first.bolt.mark, second.bolt.mark)
        if first.run != second.run or frozenset(marks) in too_near:
            continue
        step_mm = (
            second.place.station_mm - first.place.station_mm,
            second.place.setback_mm - first.place.setback_mm,
        )
        u95_mm = _step_u95_mm(first, second, records[first.run].scale_u95_ratio, _out_of_plate_mm(inputs))
        if washer is None:
            gap_mm, verdict = washers_apart(step_mm, u95_mm, size.washer_outside_mm, "round")
        else:
            gap_mm, verdict = washers_apart(step_mm, u95_mm, washer.side_mm, "square")
        if verdict != "meets":
            code: PlanCode = "washers-overlap" if washer is None else "plate-washers-overlap"
            yield PlanFinding(code, run=first.run, marks=marks, value_mm=-gap_mm if verdict == "does not" else None)


def _step_u95_mm(
    first: AtNut, second: AtNut, scale_u95_ratio: float, up_mm: float
) -> tuple[float | None, float | None]:
    """Along and across, from bolt to bolt: both own parts summed, and the print's scale over the step alone."""
    step = Piece("", first.bolt.station_mm or 0.0, second.bolt.station_mm or 0.0)
    away = from_end_mm(second.bolt, step, "low end", scale_u95_ratio)
    one = _upright(first.bolt, own_u95_mm(first.bolt, scale_u95_ratio), first.lean_left_deg, up_mm)
    other = _upright(second.bolt, None if away is None else away[1], second.lean_left_deg, up_mm)
    if one is None or other is None:
        return None, None
    return _sum(one.u95_along_mm, other.u95_along_mm), _sum(one.u95_across_mm, other.u95_across_mm)


def _sum(one_mm: float | None, other_mm: float | None) -> float | None:
    return None if one_mm is None or other_mm is None else one_mm + other_mm


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
