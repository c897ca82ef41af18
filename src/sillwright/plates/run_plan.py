"""One run of the plan put together: its bolts and pieces, what the rules say of them, and what is to be decided."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from sillwright.judge.checks import check_run
from sillwright.judge.line_shift import line_shift
from sillwright.judge.passes import Passing, straightened_to
from sillwright.judge.stack import stack_over, stick_up
from sillwright.judge.steps import Piece
from sillwright.judge.verdicts import Check
from sillwright.plates.cover import Cover, Covered
from sillwright.plates.drill import Drilled, places
from sillwright.plates.findings import PlanCode, PlanFinding
from sillwright.plates.holes import Drilling, mark_within_mm, surely_passes
from sillwright.plates.inputs import PlanInputs
from sillwright.plates.lay import LaidRun, anchor_rule
from sillwright.plates.length import length_u95_mm, of_length
from sillwright.plates.level_plan import run_shims, shim_beside_mm
from sillwright.plates.levels import Levels, Shim
from sillwright.plates.piece import PlatePiece
from sillwright.plates.record import BoltPlan, PlannedPiece, RunEnd, RunPlan
from sillwright.plates.rule_findings import of_checks, of_line_shift, of_shims, of_splices
from sillwright.plates.splice import SplicePlan
from sillwright.plates.told_once import asked_for_already, closed_by, hanging_on, place_unknown, splices_once, waits_for
from sillwright.plates.washers import AtNut, Washered, decided_by_side, of_washers
from sillwright.survey import BoltRecord, RunRecord, Survey, left_handed

_NO_PLACE = {"no-setback"}


@dataclass(frozen=True)
class RunWork:
    """What was worked out of a run before it is put together; ``laid`` is None where it was not planned."""

    record: RunRecord
    ends: tuple[RunEnd, RunEnd]
    laid: LaidRun | None


@dataclass(frozen=True)
class JobWork:
    """The same of the whole job."""

    survey: Survey
    inputs: PlanInputs
    passing: Mapping[str, Passing]
    work: Mapping[str, Drilling]
    cover: Cover
    drilled: Drilled
    nuts: tuple[AtNut, ...]
    washers: Mapping[str, Washered]
    cut_washers: Mapping[str, Check]
    levels: Levels | None


@dataclass(frozen=True)
class Judged:
    """What the first plate of a run asks for: the rules held against all bolts under it, and its shims.

    findings : what is to be said of the shims' readings
    """

    checks: tuple[Check, ...]
    shims: tuple[Shim, ...]
    findings: tuple[PlanFinding, ...]


def judge_run(record: RunRecord, job: JobWork) -> Judged:
    """Rules and shims of one run, a neighbour's bolts among those under its plate."""
    rows = job.drilled.pieces.get(record.name, ())
    first = rows[0] if rows else ()
    shims, findings = run_shims(job.levels, record.name, first, job.inputs)
    return Judged(_checks(record, first, job), shims, tuple(findings))


def plan_run(run: RunWork, job: JobWork, judged: Mapping[str, Judged]) -> tuple[RunPlan, list[PlanFinding]]:
    """The run as it stands in the plan, and all that is to be said of it but its ends.

    judged : by name, every run of the job; at a corner a bolt is judged in the neighbour's plate
    """
    record, rows = run.record, job.drilled.pieces.get(run.record.name, ())
    first = rows[0] if rows else ()
    own = judged[record.name]
    checks, shims, findings = own.checks, own.shims, list(own.findings)
    all_shims = tuple(shim for one in judged.values() for shim in one.shims)
    stick_ups = {bolt.mark: _stick_up(bolt, all_shims, job.inputs) for bolt in record.bolts}
    bolts = tuple(_bolt(bolt, record, judged, stick_ups[bolt.mark], job) for bolt in record.bolts)
    ends_mm = (first[0].low_mm, first[-1].high_mm) if first else None
    shift = line_shift(record, job.inputs.rules, ends_mm)
    splices = run.laid.splices if run.laid else ()
    of_splice = of_splices(splices, record.name)
    every = _told_as_rules(checks, stick_ups, bolts, job)
    told = [check for check in every if not asked_for_already(check, first, of_splice)]
    hanging = _hanging(record, first, job, told, {bolt.mark for bolt in record.bolts if bolt.status == "reshoot"})
    unknown = {bolt.mark: bolt.station_mm for bolt in record.bolts if run.laid and place_unknown(bolt)}
    unknown = {mark: at_mm for mark, at_mm in unknown.items() if run.laid and mark in run.laid.left_out}
    on_unknown = _hanging(record, first, job, [one for one in told if one not in hanging], set(unknown))
    reshot = [bolt for bolt in record.bolts if bolt.status == "reshoot"]
    rule = anchor_rule(job.inputs.rules, job.inputs.job.bolts.bolt.diameter_mm)
    waiting = [one for one in of_splice if waits_for(one, reshot, rule)]
    of_joints = splices_once(of_splice, _no_hole(job), _too_near(told))
    findings += [
        *_of_record(record),
        *_of_bolts(record, bolts, run, job, hanging, waiting=bool(waiting)),
        *_of_left_out(bolts, run, set(unknown), on_unknown),
        *of_checks((one for one in told if one not in (*hanging, *on_unknown)), record.name),
        *of_washers((job.washers[bolt.mark] for bolt in record.bolts if bolt.mark in job.washers), record.name),
        *(
            one
            for one in of_joints
            if one not in waiting and not closed_by(one, _known(unknown.values()), rule.spacing_most_mm)
        ),
        *of_line_shift(shift, record.name),
        *of_shims(shims, record.name),
        *of_length(record, run.ends, planned=run.laid is not None),
    ]
    plan = RunPlan(
        name=record.name,
        status="not planned" if run.laid is None else "ok",
        survey_status=record.status,
        survey_reasons=_codes(record),
        left_handed=left_handed(job.survey, record.name),
        zero_card=min((card.number for card in record.cards), default=None),
        line_marks=record.line_marks,
        line_color=record.line_color,
        begins=run.ends[0],
        ends=run.ends[1],
        bolts=bolts,
        pieces=tuple(_pieces(rows, splices, checks)),
        splices=splices,
        overhang=tuple(check for check in checks if check.key in ("overhang", "bearing")),
        line_shift=shift,
        shims=shims,
        length_u95_mm=length_u95_mm(record, run.ends) if run.laid else None,
    )
    return plan, findings


def _checks(
    record: RunRecord, first: Sequence[PlatePiece], job: JobWork, without: Collection[str] = ()
) -> tuple[Check, ...]:
    """Every rule held against the bolts under the first plate, the neighbour's at a corner among them.

    without : marks of bolts that are taken as not there
    """
    if not first:
        kept = tuple(bolt for bolt in record.bolts if bolt.mark not in without)
        return check_run(replace(record, bolts=kept), job.inputs.rules)
    under = job.cover.under.get((record.name, 1), ())
    unplaced = [bolt for bolt in record.bolts if bolt.station_mm is None or bolt.setback_mm is None]
    bolts = (*(covered.bolt for covered in under), *unplaced)
    pieces = [Piece(p.name, p.low_mm, p.high_mm, p.low_cut_deg, p.high_cut_deg) for p in first]
    holes = places(job.cover, record.name, job.work, job.inputs)
    kept = tuple(bolt for bolt in bolts if bolt.mark not in without)
    return check_run(replace(record, bolts=kept), job.inputs.rules, pieces, holes=holes)


def _stick_up(bolt: BoltRecord, shims: tuple[Shim, ...], inputs: PlanInputs) -> Check:
    """Against plates, sealer, washers and nut, and the shims that stand beside this bolt."""
    plates_mm = inputs.stack_mm + shim_beside_mm(shims, bolt.mark)
    stack = stack_over(inputs.job.bolts.bolt, plates_mm, inputs.rules, sealer_mm=inputs.job.layout.sealer_mm)
    return stick_up(bolt, stack)


def _bolt(
    bolt: BoltRecord, record: RunRecord, judged: Mapping[str, Judged], stands_up: Check, job: JobWork
) -> BoltPlan:
    holes, washered = job.drilled.holes.get(bolt.mark, ()), job.washers.get(bolt.mark)
    work = job.work[bolt.mark]
    left_deg = [hole.lean_left_deg for _, hole in holes if hole.lean_left_deg is not None]
    within_mm = [mark_within_mm(hole, bolt.diameter_mm) for _, hole in holes]
    over = next((name for (name, layer), under in job.cover.under.items() if layer == 1 and _has(under, bolt)), "")
    return BoltPlan(
        mark=bolt.mark,
        status=bolt.status,
        reasons=_codes(bolt),
        station_mm=bolt.station_mm,
        setback_mm=bolt.setback_mm,
        station_u95_mm=bolt.u95.station_mm,
        setback_u95_mm=bolt.u95.setback_mm,
        diameter_mm=bolt.diameter_mm,
        under_run=over,
        passing=straightened_to(replace(job.passing[bolt.mark], hole=None), bolt, min(left_deg, default=math.inf)),
        checks=(
            *(check for check in judged[over or record.name].checks if check.subject == bolt.mark),
            stands_up,
            *(washered.checks if washered else ()),
            *([job.cut_washers[bolt.mark]] if bolt.mark in job.cut_washers else ()),
        ),
        straighten_first=work.straighten_first,
        holes=tuple(sorted((told for told, _ in holes), key=lambda hole: hole.layer)),
        doubts=tuple(dict.fromkeys(doubt for _, hole in holes for doubt in hole.doubts)),
        u95_along_mm=_widest([hole.u95_along_mm for _, hole in holes]),
        u95_across_mm=_widest([hole.u95_across_mm for _, hole in holes]),
        mark_within_mm=_least(within_mm),
        washer=None if washered is None else washered.fit,
    )


def _told_as_rules(
    checks: Sequence[Check], stick_ups: Mapping[str, Check], bolts: Sequence[BoltPlan], job: JobWork
) -> Iterator[Check]:
    """Of the run's plate and of its own bolts; what the sheathed side decides has a finding of its own."""
    yield from checks
    yield from stick_ups.values()
    for bolt in bolts:
        held = job.washers.get(bolt.mark)
        yield from (check for check in (held.checks if held else ()) if not decided_by_side(check, job.washers))
        if bolt.mark in job.cut_washers:
            yield job.cut_washers[bolt.mark]


def _known(numbers: Iterable[float | None]) -> list[float]:
    return [number for number in numbers if number is not None]


def _hanging(
    record: RunRecord, first: Sequence[PlatePiece], job: JobWork, checks: Sequence[Check], again: set[str]
) -> tuple[Check, ...]:
    """What cannot be told because these bolts of this run are to be shot again, or their place is not known; a
    neighbour's are told of by its own run."""
    return hanging_on(checks, _checks(record, first, job, again), again) if again else ()


def _no_hole(job: JobWork) -> set[tuple[str, int]]:
    """Marks and layers whose hole would run off its piece."""
    off = [one for one in job.drilled.findings if one.code == "hole-off-piece"]
    every = range(1, job.inputs.job.plate.layers + 1)
    return {(one.marks[0], layer) for one in off for layer in (every if one.layer is None else (one.layer,))}


def _too_near(checks: Iterable[Check]) -> set[str]:
    """Marks that the rule for a piece's ends is not met by, or cannot be told of."""
    return {check.subject for check in checks if check.key == "end-least" and check.verdict != "meets"}


def _has(under: Iterable[Covered], bolt: BoltRecord) -> bool:
    return any(covered.bolt.mark == bolt.mark for covered in under)


def _widest(widths_mm: Sequence[float | None]) -> float | None:
    known = [width for width in widths_mm if width is not None]
    return max(known) if known and len(known) == len(widths_mm) else None


def _least(lengths_mm: Sequence[float | None]) -> float | None:
    known = [length for length in lengths_mm if length is not None]
    return min(known) if known and len(known) == len(lengths_mm) else None


def _codes(record: BoltRecord | RunRecord) -> tuple[str, ...]:
    return tuple(dict.fromkeys(finding.code for finding in record.reasons))


def _pieces(
    rows: Sequence[Sequence[PlatePiece]], splices: Sequence[SplicePlan], checks: Sequence[Check]
) -> Iterator[PlannedPiece]:
    for row, splice in zip(rows, splices, strict=True):
        for plate, piece in zip(row, splice.pieces, strict=True):
            own = tuple(check for check in checks if check.piece == plate.name)
            yield PlannedPiece(plate, plate.line_edge_mm, plate.far_edge_mm, plate.longest_mm, piece.stock_mm, own)


def _of_record(record: RunRecord) -> Iterator[PlanFinding]:
    if record.status == "reshoot":
        yield PlanFinding("run-reshoot", run=record.name, facts=_codes(record))
    elif record.status == "check" and (record.reasons or all(bolt.status == "ok" for bolt in record.bolts)):
        yield PlanFinding("run-check", run=record.name, facts=_codes(record))
    if not record.bolts and record.status != "reshoot":
        yield PlanFinding("no-bolts", run=record.name, key=f'[[run]] "{record.name}"')


def _of_bolts(
    record: RunRecord,
    bolts: Sequence[BoltPlan],
    run: RunWork,
    job: JobWork,
    hanging: Sequence[Check],
    *,
    waiting: bool,
) -> Iterator[PlanFinding]:
    """What somebody has to do or decide about bolts, a finding a code with all marks it is about.

    hanging : the checks that cannot be told before bolts were shot again
    waiting : whether anchors are not asked for before
    """
    left_out = () if run.laid is None else run.laid.left_out
    again = {bolt.mark for bolt in bolts if bolt.status == "reshoot"}
    hangs = [*(["joints"] if waiting or again & set(left_out) else []), *(check.key for check in hanging)]
    half_mm = {bolt.mark: (job.inputs.drill_mm - bolt.diameter_mm) / 2.0 for bolt in bolts}
    kinds: list[tuple[PlanCode, list[BoltPlan]]] = [
        ("bolt-reshoot", [bolt for bolt in bolts if bolt.status == "reshoot"]),
        ("bolt-check", [bolt for bolt in bolts if bolt.status == "check" and (bolt.holes or run.laid is None)]),
        ("bolt-engineer", [bolt for bolt in bolts if _to_engineer(bolt)]),
        ("bolt-straighten", [bolt for bolt in bolts if bolt.straighten_first]),
        ("bolt-cannot-tell", [bolt for bolt in bolts if _cannot_tell(bolt) and not _left_out_only(bolt, left_out)]),
        ("nut-unsure", [bolt for bolt in bolts if _nut_unsure(bolt)]),
        ("hole-tolerance", [bolt for bolt in bolts if _may_bind(bolt, job)]),
    ]
    for code, about in kinds:
        if about:
            facts = dict.fromkeys(fact for bolt in about for fact in _facts(code, bolt))
            value_mm = max(half_mm[bolt.mark] for bolt in about) if code == "hole-tolerance" else None
            yield PlanFinding(
                code,
                run=record.name,
                marks=tuple(bolt.mark for bolt in about),
                value_mm=value_mm,
                facts=tuple(facts),
                hangs=tuple(dict.fromkeys(hangs)) if code == "bolt-reshoot" else (),
            )


def _of_left_out(
    bolts: Sequence[BoltPlan], run: RunWork, unknown: Collection[str], hanging: Sequence[Check]
) -> Iterator[PlanFinding]:
    """Bolts that joints were planned without, but those to be shot again.

    unknown : those of which the place is not known; what cannot be told for it (``hanging``) is told with them
    """
    again = {bolt.mark for bolt in bolts if bolt.status == "reshoot"}
    left_out = [mark for mark in (run.laid.left_out if run.laid else ()) if mark not in again]
    hangs = tuple(dict.fromkeys(["joints", *(check.key for check in hanging)]))
    facts = {code: None for bolt in bolts if bolt.mark in unknown for code in bolt.passing.codes if code in _NO_PLACE}
    for marks, what, why in (
        (tuple(mark for mark in left_out if mark in unknown), hangs, tuple(facts)),
        (tuple(mark for mark in left_out if mark not in unknown), (), ()),
    ):
        if marks:
            yield PlanFinding("bolt-left-out", run=run.record.name, marks=marks, hangs=what, facts=why)


def _left_out_only(bolt: BoltPlan, left_out: Collection[str]) -> bool:
    """Whether nothing but its unknown place stands behind a doubt, which the line of bolts left out tells."""
    return bolt.mark in left_out and set(bolt.passing.codes) <= _NO_PLACE and not bolt.doubts


def _to_engineer(bolt: BoltPlan) -> bool:
    """Whether no hole is marked before the engineer was asked."""
    asks = bolt.passing.verdict == "engineer" or "near-cold-bend" in bolt.passing.codes
    return asks and bolt.status != "reshoot"


def _cannot_tell(bolt: BoltPlan) -> bool:
    """Whether it passes, or whether a neighbour's plate has wood all round it."""
    if bolt.status == "reshoot" or _to_engineer(bolt):
        return False
    return bolt.passing.verdict == "cannot tell" or "near-plate-edge" in bolt.doubts


def _nut_unsure(bolt: BoltPlan) -> bool:
    """Whether how its nut will bear is in doubt, and no move that it is given before settles that."""
    return "nut-near-limit" in bolt.passing.codes and bool(bolt.holes) and not bolt.straighten_first


def _may_bind(bolt: BoltPlan, job: JobWork) -> bool:
    """Whether lean, half-widths and rounding may take more than some hole of it leaves."""
    return any(not surely_passes(hole, bolt.diameter_mm) for _, hole in job.drilled.holes.get(bolt.mark, ()))


def _facts(code: PlanCode, bolt: BoltPlan) -> tuple[str, ...]:
    if code in ("bolt-reshoot", "bolt-check"):
        return bolt.reasons
    near = tuple(doubt for doubt in bolt.doubts if doubt == "near-plate-edge")
    return (*bolt.passing.codes, *near) if code in ("bolt-engineer", "bolt-cannot-tell") else ()
