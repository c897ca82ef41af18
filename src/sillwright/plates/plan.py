"""``plan_job``: from the record of a job and what its crew knows to every piece, cut, hole and shim, as data.

What could not be worked out is never guessed: it stands among the findings, with what to do, and what rests on it is
left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from sillwright import __version__
from sillwright.crew_file import nearest
from sillwright.environment import library_versions
from sillwright.errors import JobError
from sillwright.judge.overhang import unseen_sides
from sillwright.judge.passes import passing
from sillwright.judge.rules import (
    AcrossFigure,
    CountFigure,
    DiametersFigure,
    LengthFigure,
    PlateWasherFigure,
    RuleSet,
)
from sillwright.plates.cover import cover
from sillwright.plates.drill import bare_findings, drill_pieces
from sillwright.plates.findings import PlanFinding
from sillwright.plates.holes import drilling
from sillwright.plates.inputs import PLATE_THICKNESS_MM, PlanInputs
from sillwright.plates.lay import LaidRun, lay_run
from sillwright.plates.level_plan import level_facts
from sillwright.plates.levels import Levels
from sillwright.plates.outline_plan import outline_facts
from sillwright.plates.record import (
    RULE_KEYS,
    SCHEMA,
    CutPlan,
    Lumber,
    Photos,
    PlanStatus,
    PlatesPlan,
    RuleFigure,
    RulesUsed,
    RunPlan,
)
from sillwright.plates.rule_findings import of_rules
from sillwright.plates.run_ends import JobEnds, find_ends
from sillwright.plates.run_plan import JobWork, RunWork, judge_run, plan_run
from sillwright.plates.shopping import ShoppingLine, ShoppingRules, StockCount, shopping_list
from sillwright.plates.stock import CutPiece, StockLength, cut_list
from sillwright.plates.washers import bolts_at_nut, cut_washers, fit_washers, of_neighbours
from sillwright.survey import RunRecord, Survey


def plan_job(survey: Survey, inputs: PlanInputs) -> PlatesPlan:
    """The whole plan; the same each time from the same record, job file and day, with the same libraries.

    Raises JobError, naming the key, where job file and record cannot both be right, a corner is none, or the stock
    allows no plan of a run at all.
    """
    _check_damaged(survey, inputs)
    ends = find_ends(survey, inputs)
    levels, facts, findings = level_facts(inputs)
    job, laid = _worked_out(survey, inputs, ends, levels)
    findings = [*ends.findings, *findings, *job.drilled.findings]
    findings += of_neighbours(job.nuts, {run.name: run for run in survey.runs}, inputs, job.drilled.findings)
    findings += bare_findings(job.cover, {bolt.mark: run.name for run in survey.runs for bolt in run.bolts})
    judged = {record.name: judge_run(record, job) for record in survey.runs}
    runs = []
    for record in survey.runs:
        run, of_run = plan_run(RunWork(record, ends.by_run[record.name], laid.get(record.name)), job, judged)
        runs.append(run)
        findings += of_run
    outline, of_outline = outline_facts(ends, inputs)
    cuts = _cut_lists(runs, inputs)
    findings += [*of_outline, *of_rules(inputs.rules), *_of_faces(survey, laid, inputs.rules), *_of_job(inputs, cuts)]
    status: PlanStatus = "check" if any(finding.weight == "decide" for finding in findings) else "ok"
    return PlatesPlan(
        schema=SCHEMA,
        job=survey.name,
        date=inputs.date,
        software=f"sillwright {__version__}",
        status=status if laid else "not planned",
        rules=_rules_used(inputs),
        photos=Photos.of(survey),
        lumber=_lumber(inputs),
        runs=tuple(_with_status(run, findings) for run in runs),
        corners=ends.corners,
        cut_lists=cuts,
        shopping=_shopping(survey, runs, cuts, inputs),
        levels=facts,
        outline=outline,
        findings=tuple(findings),
        libraries=library_versions(),
    )


def _worked_out(
    survey: Survey, inputs: PlanInputs, ends: JobEnds, levels: Levels | None
) -> tuple[JobWork, dict[str, LaidRun]]:
    """Every bolt judged, every planned run laid in pieces, every hole in its piece."""
    passes = {
        bolt.mark: passing(
            bolt,
            inputs.rules,
            inputs.stack_mm,
            run.plate_width_mm,
            inputs.bend_limits,
            hole_mm=inputs.drill_mm,
            damaged=bolt.mark in inputs.job.layout.damaged,
        )
        for run in survey.runs
        for bolt in run.bolts
    }
    work = {bolt.mark: drilling(bolt, passes[bolt.mark]) for run in survey.runs for bolt in run.bolts}
    records = {run.name: run for run in survey.runs}
    planned = [run.name for run in survey.runs if _can_be_planned(run, ends)]
    layers = inputs.job.plate.layers
    covered = cover(survey.runs, planned, ends, layers)
    laid = {
        name: lay_run(
            records[name],
            ends.by_run[name],
            [covered.under.get((name, layer), ()) for layer in range(1, layers + 1)],
            work,
            inputs,
        )
        for name in planned
    }
    drilled = drill_pieces(laid, records, covered, work, inputs)
    nuts = bolts_at_nut(records, drilled, covered, passes, work, inputs)
    washers = fit_washers(nuts, inputs.rules)
    cut = cut_washers(nuts, inputs.rules, inputs.job.bolts.bolt)
    return JobWork(survey, inputs, passes, work, covered, drilled, nuts, washers, cut, levels), laid


def _check_damaged(survey: Survey, inputs: PlanInputs) -> None:
    """Raises JobError where a bolt is called damaged that is not in the record: the one meant would be drilled for."""
    marks = [bolt.mark for run in survey.runs for bolt in run.bolts]
    for mark in inputs.job.layout.damaged:
        if mark not in marks:
            raise JobError(
                f'job.toml: [layout], damaged: there is no bolt "{mark}".{nearest(mark, marks)} Write the marks as '
                "they stand on the measuring sheet."
            )


def _can_be_planned(run: RunRecord, ends: JobEnds) -> bool:
    """Whether both ends of a run are known, and its bolts may be relied on."""
    low, high = ends.by_run[run.name]
    return run.status != "reshoot" and bool(run.bolts) and bool(low.layers) and bool(high.layers)


def _with_status(run: RunPlan, findings: Iterable[PlanFinding]) -> RunPlan:
    """``check`` where anything of it, of a corner it meets, or of a neighbour's bolt in it asks for a decision."""
    if run.status == "not planned":
        return run
    drilled = {hole.mark for piece in run.pieces for hole in piece.plate.holes}
    asks = any(
        one.weight == "decide" and (one.run == run.name or run.name in one.corner or drilled & set(one.marks))
        for one in findings
    )
    return replace(run, status="check" if asks else "ok")


def _cut_lists(runs: Sequence[RunPlan], inputs: PlanInputs) -> tuple[CutPlan, ...]:
    """The first layer out of treated stock, all above it out of untreated (IRC R317.1: what lies on concrete)."""
    stock = tuple(StockLength(length_mm) for length_mm in inputs.job.layout.stock_mm)
    lists = []
    for treated in (True, False):
        pieces = tuple(
            CutPiece(piece.plate.name, piece.longest_mm)
            for run in runs
            for piece in run.pieces
            if (piece.plate.layer == 1) == treated
        )
        if pieces:
            cuts = cut_list(pieces, stock, inputs.job.layout.kerf_mm)
            lists.append(CutPlan(treated, cuts, cuts.bought_mm, cuts.waste_mm))
    return tuple(lists)


def _shopping(
    survey: Survey, runs: Sequence[RunPlan], cuts: Sequence[CutPlan], inputs: PlanInputs
) -> tuple[ShoppingLine, ...]:
    """With the crew's one share of waste on all that is counted or rolled out; lumber has its own in the cut lists."""
    waste = inputs.job.layout.waste_percent / 100.0
    rules = ShoppingRules(
        plate_washer=inputs.rules.plate_washer_asked,
        sealer_waste=waste,
        nut_waste=waste,
        washer_waste=waste,
        shim_waste=waste,
    )
    pieces = [piece.plate for run in runs for piece in run.pieces]
    stock = [
        StockCount(one.length_mm, inputs.job.plate.actual_width_mm, PLATE_THICKNESS_MM, cut.treated, 1)
        for cut in cuts
        for one in cut.cuts.stocks
    ]
    return shopping_list(survey.runs, pieces, stock, [shim for run in runs for shim in run.shims], rules)


def _of_faces(survey: Survey, laid: Iterable[str], rules: RuleSet) -> list[PlanFinding]:
    """Once for the job, the planned runs along which an edge of the concrete was not seen. With a limit set each run
    has checks of its own for it."""
    if rules.overhang_largest is not None or rules.bearing_least is not None:
        return []
    planned = set(laid)
    unseen = tuple(run.name for run in survey.runs if run.name in planned and unseen_sides(run))
    return [PlanFinding("overhang-not-seen", "note", facts=unseen)] if unseen else []


def _of_job(inputs: PlanInputs, cuts: Sequence[CutPlan]) -> list[PlanFinding]:
    over_mm = inputs.drill_mm - inputs.job.bolts.bolt.diameter_mm
    rules, found = inputs.rules, []
    if rules.hole_over_largest is not None and over_mm > rules.hole_over_largest.value_mm + 1e-6:
        found.append(
            PlanFinding(
                "holes-larger-than-rule", "note", value_mm=over_mm, rule="hole_over_largest", key="[layout] hole_over"
            )
        )
    if rules.hole_over_least is not None and over_mm < rules.hole_over_least.value_mm - 1e-6:
        found.append(
            PlanFinding("holes-smaller-than-rule", value_mm=over_mm, rule="hole_over_least", key="[layout] hole_over")
        )
    if any(not cut.cuts.proven for cut in cuts):
        found.append(PlanFinding("cut-list-not-proven", "note"))
    return found


def _lumber(inputs: PlanInputs) -> Lumber:
    plate, layout, bolt = inputs.job.plate, inputs.job.layout, inputs.job.bolts.bolt
    return Lumber(
        width_mm=plate.actual_width_mm,
        thickness_mm=PLATE_THICKNESS_MM,
        layers=plate.layers,
        sealer_mm=layout.sealer_mm,
        kerf_mm=layout.kerf_mm,
        mark_mm=layout.mark_mm,
        drill_mm=inputs.drill_mm,
        bolt=bolt.name,
        bolt_diameter_mm=bolt.diameter_mm,
        stock_mm=layout.stock_mm,
        stagger_mm=layout.stagger_mm,
    )


def _rules_used(inputs: PlanInputs) -> RulesUsed:
    figures = [_figure(key, inputs.rules, inputs.job.bolts.bolt.diameter_mm) for key in RULE_KEYS]
    used, asked = inputs.rules, inputs.rules.plate_washer_asked
    return RulesUsed(used.name, used.seismic, tuple(one for one in figures if one is not None), asked)


def _figure(key: str, rules: RuleSet, diameter_mm: float) -> RuleFigure | None:
    figure = rules.plate_edge_asked if key == "plate_edge_least" else getattr(rules, key)
    if isinstance(figure, LengthFigure):
        return RuleFigure(key, figure.source, value_mm=figure.value_mm)
    if isinstance(figure, DiametersFigure):
        return RuleFigure(key, figure.source, value_mm=figure.diameters * diameter_mm)
    if isinstance(figure, CountFigure):
        return RuleFigure(key, figure.source, count=figure.count)
    if isinstance(figure, AcrossFigure):
        return RuleFigure(key, figure.source, share=figure.share)
    if isinstance(figure, PlateWasherFigure):
        return RuleFigure(key, figure.source, value_mm=figure.side_mm)
    return None
