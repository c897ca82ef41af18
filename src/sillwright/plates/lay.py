"""The layers of one run as pieces: joints by the splice plans, ends cut as they end there; no holes yet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sillwright.errors import JobError
from sillwright.job_plates import LayoutTable
from sillwright.judge.rules import RuleSet
from sillwright.judge.steps import own_u95_mm
from sillwright.lengths import format_feet_inches
from sillwright.plates.cover import Covered
from sillwright.plates.holes import Drilling
from sillwright.plates.inputs import PLATE_THICKNESS_MM, PlanInputs
from sillwright.plates.piece import PlatePiece
from sillwright.plates.record import LayerEnd, RunEnd
from sillwright.plates.run_ends import SHARP_CORNER_DO
from sillwright.plates.second_layer import plan_second_layer
from sillwright.plates.splice import MM_PER_FOOT, SplicePlan, SpliceRun, plan_splices
from sillwright.plates.splice_rule import AnchorRule, RunBolt
from sillwright.survey import RunRecord

# Half of the longest step a rule set has (NBC 2.4 m): two bolts that far apart share the print scale over twice it.
_SCALE_OVER_MM = 1200.0
# A cut whose long point reaches farther, 76 degrees off square, is doubted before the stock is (common practice, no
# source); longer stock than this is none to be had.
_LONGEST_REACH_WIDTHS = 4.0
_LONGEST_STOCK_FEET = 40


@dataclass(frozen=True)
class LaidRun:
    """One splice plan and one row of pieces a layer, and the bolts no joint was planned round, with their marks."""

    splices: tuple[SplicePlan, ...]
    pieces: tuple[tuple[PlatePiece, ...], ...]
    left_out: tuple[str, ...]


def lay_run(
    run: RunRecord,
    ends: tuple[RunEnd, RunEnd],
    under: Sequence[Sequence[Covered]],
    work: dict[str, Drilling],
    inputs: PlanInputs,
) -> LaidRun:
    """Plan every layer of a run whose two ends are known; ``under`` are the bolts under each layer.

    Raises JobError, naming the key, where the stock allows no plan.
    """
    rule, layout = anchor_rule(inputs.rules, inputs.job.bolts.bolt.diameter_mm), inputs.job.layout
    layers: list[SpliceRun] = []
    left_out: list[str] = []
    for index, covered in enumerate(under):
        bolts = tuple(_run_bolt(one, run, rule, work) for one in covered)
        left_out += [one.bolt.mark for one, bolt in zip(covered, bolts, strict=True) if bolt is None and index == 0]
        low, high = ends[0].layers[index], ends[1].layers[index]
        layers.append(
            SpliceRun(
                run.name,
                low.station_mm,
                high.station_mm,
                tuple(bolt for bolt in bolts if bolt is not None),
                _allowance_mm(low, run.plate_width_mm),
                _allowance_mm(high, run.plate_width_mm),
                _far_edge_out_mm(low, run.plate_width_mm) / 2.0,
                _far_edge_out_mm(high, run.plate_width_mm) / 2.0,
            )
        )
    try:
        splices = _splices(layers, rule, layout, layout.stock_mm)
    except JobError as fault:
        past = _past_stock(run, ends, rule, max(layout.stock_mm))
        raise JobError(past or f"job.toml: {fault}{_would_do(layers, rule, layout)}") from fault
    pieces = tuple(_pieces(run, layer, plan, ends) for layer, plan in enumerate(splices, start=1))
    return LaidRun(tuple(splices), pieces, tuple(left_out))


def _splices(
    layers: Sequence[SpliceRun], rule: AnchorRule, layout: LayoutTable, stock_mm: tuple[float, ...]
) -> list[SplicePlan]:
    """The plan of each layer. Raises JobError, naming the key, where this stock allows none."""
    plans: list[SplicePlan] = []
    for layer in layers:
        try:
            if not plans:
                plans.append(plan_splices(layer, rule, stock_mm, layout.mark_mm))
            else:
                joints_mm = tuple(joint.station_mm for joint in plans[-1].joints)
                end_mm = max(rule.end_least_mm, 0.0)
                plans.append(plan_second_layer(layer, joints_mm, layout.stagger_mm, end_mm, stock_mm, layout.mark_mm))
        except JobError as fault:
            key = "[layout], stock" if not plans else "[layout], stock or stagger"
            raise JobError(f"{key}: run {fault}") from fault
    return plans


def _would_do(layers: Sequence[SpliceRun], rule: AnchorRule, layout: LayoutTable) -> str:
    """The shortest stock, in whole feet, that beside what is on hand would give the run a plan; empty without one."""
    for feet in range(math.floor(max(layout.stock_mm) / MM_PER_FOOT) + 1, _LONGEST_STOCK_FEET + 1):
        try:
            _splices(layers, rule, layout, (*layout.stock_mm, feet * MM_PER_FOOT))
        except JobError:
            continue
        return f" Stock of {feet} ft would do."
    return ""


def _past_stock(run: RunRecord, ends: tuple[RunEnd, RunEnd], rule: AnchorRule, longest_mm: float) -> str | None:
    """Where no stock holds an end because of its cut, and not because the stock is short: the cut is none to make."""
    for end in ends:
        for layer in end.layers:
            reach_mm = _allowance_mm(layer, run.plate_width_mm)
            past = rule.shortest_piece_mm <= longest_mm < rule.shortest_piece_mm + reach_mm
            if past and reach_mm > _LONGEST_REACH_WIDTHS * run.plate_width_mm:
                return (
                    f'job.toml: [[corner]] {run.name} and {end.other}: run "{run.name}" would be cut '
                    f"{layer.saw_deg:.2f} degrees off square there, its long point {format_feet_inches(reach_mm)} past "
                    f"the chalk-line edge, and no stock on hand holds that. {SHARP_CORNER_DO}"
                )
    return None


def anchor_rule(rules: RuleSet, diameter_mm: float) -> AnchorRule:
    """The figures of a rule set that joints are planned by."""
    return AnchorRule(
        end_least_mm=rules.end_least_mm(diameter_mm) or 0.0,
        end_most_mm=None if rules.end_largest is None else rules.end_largest.value_mm,
        bolts_a_piece=0 if rules.bolts_least is None else rules.bolts_least.count,
        spacing_most_mm=None if rules.spacing_largest is None else rules.spacing_largest.value_mm,
    )


def _run_bolt(covered: Covered, run: RunRecord, rule: AnchorRule, work: dict[str, Drilling]) -> RunBolt | None:
    """The bolt as joints are planned round it; None where it gets no hole or its place is too poorly known.

    Its half-width holds the print scale over the steps that rules are about, not from station 0: steps share it.
    """
    bolt = covered.bolt
    own_mm = own_u95_mm(bolt, run.scale_u95_ratio)
    if not work[bolt.mark].drilled or own_mm is None or bolt.station_mm is None or bolt.u95.station_mm is None:
        return None
    u95_mm = min(math.hypot(own_mm, run.scale_u95_ratio * _SCALE_OVER_MM), bolt.u95.station_mm)
    if u95_mm > rule.shortest_piece_mm / 2.0:
        return None
    return RunBolt(bolt.mark, bolt.station_mm, u95_mm)


def _allowance_mm(end: LayerEnd, width_mm: float) -> float:
    """How far the long point lies beyond the chalk-line edge."""
    return max(0.0, _far_edge_out_mm(end, width_mm))


def _far_edge_out_mm(end: LayerEnd, width_mm: float) -> float:
    """How far the other edge reaches beyond the chalk-line edge; negative where it is the shorter one."""
    return width_mm * math.tan(math.radians(end.cut_deg))


def _pieces(run: RunRecord, layer: int, plan: SplicePlan, ends: tuple[RunEnd, RunEnd]) -> tuple[PlatePiece, ...]:
    low, high = (end.layers[layer - 1] for end in ends)
    last = len(plan.pieces) - 1
    return tuple(
        PlatePiece(
            name=f"{run.name} {layer}.{index + 1}",
            run=run.name,
            layer=layer,
            low_mm=piece.low_mm,
            high_mm=piece.high_mm,
            width_mm=run.plate_width_mm,
            thickness_mm=PLATE_THICKNESS_MM,
            low_cut_deg=low.cut_deg if index == 0 else 0.0,
            high_cut_deg=high.cut_deg if index == last else 0.0,
        )
        for index, piece in enumerate(plan.pieces)
    )
