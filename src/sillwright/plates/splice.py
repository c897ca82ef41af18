"""Where to joint the first plate of a run so that every piece is held; stations and lengths in millimetres.

A joint is legal without an added anchor only where a bolt stands in the window on each of its sides (see
``splice_rule``); how the best plan is chosen, and why it is the best, stands in ``splice_search``. At an end cut off
square distances run from the cut on the plate's middle line: a bolt off that line is nearer or farther by its own share
of the cut, which ``judge.ends`` counts bolt by bolt.

Nothing here approves an anchor. What is to be added, and where, is advice to take to the engineer or the building
official; how near to bolts that stand it may be set is theirs to say too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from sillwright.errors import JobError
from sillwright.plates.splice_anchors import AddedAnchor, anchors_to_add
from sillwright.plates.splice_findings import SpliceFinding, splice_findings
from sillwright.plates.splice_rule import (
    EPS_MM,
    AnchorRule,
    Floats,
    RunBolt,
    fill_first,
    judge_ends,
    judge_gaps,
)
from sillwright.plates.splice_search import Layer, best_joints

MM_PER_FOOT = 304.8
# Usual stock, sold in steps of 2 ft at its actual length (PS 20; common practice, no source for the range).
STOCK_MM: tuple[float, ...] = tuple(feet * MM_PER_FOOT for feet in (8, 10, 12, 14, 16, 18, 20))
MARK_MM = 25.4 / 16.0


@dataclass(frozen=True)
class SpliceRun:
    """The first plate of one run.

    low_mm, high_mm : stations of its ends on the chalk-line edge
    low_allowance_mm, high_allowance_mm : how far the long point of the end's cut lies beyond the chalk-line edge
    low_out_mm, high_out_mm : how far the cut lies beyond it on the plate's middle line; negative where short of it
    """

    name: str
    low_mm: float
    high_mm: float
    bolts: tuple[RunBolt, ...]
    low_allowance_mm: float = 0.0
    high_allowance_mm: float = 0.0
    low_out_mm: float = 0.0
    high_out_mm: float = 0.0

    @property
    def out_mm(self) -> tuple[float, float]:
        """Both."""
        return self.low_out_mm, self.high_out_mm

    @property
    def wood_mm(self) -> tuple[float, float]:
        """Where its ends lie on the plate's middle line."""
        return self.low_mm - self.low_out_mm, self.high_mm + self.high_out_mm


@dataclass(frozen=True)
class SplicePiece:
    """One piece: its ends, what it needs of stock from long point to long point, and the shortest stock that serves."""

    low_mm: float
    high_mm: float
    needs_mm: float
    stock_mm: float

    @property
    def waste_mm(self) -> float:
        """What is left of the stock."""
        return self.stock_mm - self.needs_mm


@dataclass(frozen=True)
class SpliceJoint:
    """One joint, and how far along it may be off before it breaks the rule (below zero where that cannot be told)."""

    station_mm: float
    margin_mm: float


@dataclass(frozen=True)
class SplicePlan:
    """The best plan: pieces and joints in order of station, anchors to add, and all that is to be said of it.

    doubts : windows, gaps and clearances that hold only perhaps; 0 where the plan is sure
    """

    run: str
    pieces: tuple[SplicePiece, ...]
    joints: tuple[SpliceJoint, ...]
    added: tuple[AddedAnchor, ...]
    doubts: int
    findings: tuple[SpliceFinding, ...]

    @property
    def waste_mm(self) -> float:
        """Left over of all stock."""
        return math.fsum(piece.waste_mm for piece in self.pieces)


def plan_splices(
    run: SpliceRun,
    rule: AnchorRule | None = None,
    stock_mm: tuple[float, ...] = STOCK_MM,
    mark_mm: float = MARK_MM,
) -> SplicePlan:
    """The best splices of a run's first plate, with joints at whole ``mark_mm`` from its low end.

    Raises JobError where the run has no length, a figure makes no sense, or no stock is long enough.
    """
    rule = AnchorRule() if rule is None else rule
    check_run(run, rule, stock_mm, mark_mm)
    bolts, off = bolts_on(run)
    filled = fill_first(*run.wood_mm, bolts, rule)
    posts = tuple(sorted((*bolts, *filled), key=lambda bolt: bolt.station_mm))
    ends = judge_ends(stations(run, mark_mm), posts, rule, run.out_mm)
    everywhere = np.ones(len(ends.station_mm), dtype=bool)
    layer = Layer(run.name, ends, everywhere, judge_gaps(posts, rule), rule, mark_mm, rule.shortest_piece_mm, stock_mm)
    cuts, plan = lay(run, layer)
    added = [anchor for low, high in pairwise(cuts) for anchor in anchors_to_add(ends, low, high, posts, rule)]
    findings = splice_findings(ends, cuts, bolts, posts, tuple(added), off, rule)
    return replace(plan, added=tuple(added), findings=findings)


def lay(run: SpliceRun, layer: Layer) -> tuple[tuple[int, ...], SplicePlan]:
    """The best plan of a layer without added anchors and findings, and its cuts as indices into ``layer.ends``."""
    layer = replace(layer, low_allowance_mm=run.low_allowance_mm, high_allowance_mm=run.high_allowance_mm)
    at = layer.ends.station_mm
    cuts = (0, *best_joints(layer), len(at) - 1)
    pieces, doubts = [], 0
    for low, high in pairwise(cuts):
        ends = np.array(low), np.array(high)
        needs_mm = float(layer.needs_mm(*ends))
        serves_mm = min(stock for stock in layer.stock_mm if stock >= needs_mm - EPS_MM)
        pieces.append(SplicePiece(float(at[low]), float(at[high]), needs_mm, serves_mm))
        doubts += int(layer.doubts(*ends))
    joints = tuple(SpliceJoint(float(at[cut]), float(layer.ends.margin_mm[cut])) for cut in cuts[1:-1])
    return cuts, SplicePlan(run.name, tuple(pieces), joints, (), doubts, ())


def stations(run: SpliceRun, mark_mm: float) -> Floats:
    """The low end, every mark between counted from it, and the high end."""
    marks = np.arange(1, math.ceil((run.high_mm - run.low_mm - EPS_MM) / mark_mm))
    return np.concatenate([[run.low_mm], run.low_mm + marks * mark_mm, [run.high_mm]])


def bolts_on(run: SpliceRun) -> tuple[tuple[RunBolt, ...], tuple[str, ...]]:
    """The bolts between the run's ends, in order of station, and the marks of those beyond them."""
    rising = sorted(run.bolts, key=lambda bolt: (bolt.station_mm, bolt.mark))
    low_mm, high_mm = run.wood_mm
    bolts = tuple(bolt for bolt in rising if low_mm <= bolt.station_mm <= high_mm)
    return bolts, tuple(bolt.mark for bolt in rising if bolt not in bolts)


def check_run(run: SpliceRun, rule: AnchorRule, stock_mm: tuple[float, ...], mark_mm: float) -> None:
    """Refuse a layer that cannot be planned at all: JobError with a sentence."""
    name, allowances_mm = run.name, (run.low_allowance_mm, run.high_allowance_mm)
    numbers = (run.low_mm, run.high_mm, *run.wood_mm, *allowances_mm, mark_mm, *stock_mm)
    if not all(math.isfinite(number) for number in numbers):
        raise JobError(f"{name}: a length of the plate, its ends or its stock is not a number.")
    if min(run.high_mm - run.low_mm, run.wood_mm[1] - run.wood_mm[0]) <= EPS_MM:
        raise JobError(
            f"{name}: the plate runs from station {run.low_mm:.1f} mm to {run.high_mm:.1f} mm, which is no length. "
            "Its high end must lie above its low end."
        )
    if min(allowances_mm) < 0.0:
        raise JobError(f"{name}: a cut cannot take less stock than the chalk-line edge is long. Give 0 or more.")
    if mark_mm <= 0.0:
        raise JobError(f"{name}: joints are to fall on marks {mark_mm:g} mm apart. Give more than 0.")
    if not stock_mm or min(stock_mm) <= 0.0:
        raise JobError(f"{name}: no stock length above 0 is given. Name the lengths of plate stock on hand.")
    _check_rule(run, rule)


def _check_rule(run: SpliceRun, rule: AnchorRule) -> None:
    figures = (rule.end_least_mm, rule.end_most_mm or 0.0, rule.spacing_most_mm or 0.0, float(rule.bolts_a_piece))
    if not all(math.isfinite(figure) and figure >= 0.0 for figure in figures):
        raise JobError(f"{run.name}: a figure of the anchor rule is below 0 or not a number.")
    if rule.end_most_mm is not None and rule.end_most_mm <= rule.clear_mm:
        raise JobError(
            f"{run.name}: end bolts may be {rule.end_most_mm:.1f} mm from a plate's end at most and "
            f"{rule.clear_mm:.1f} mm at least (half a plate washer or the rule's own figure): no anchor fits between."
        )
    if rule.spacing_most_mm is not None and rule.spacing_most_mm <= 0.0:
        raise JobError(f"{run.name}: bolts 0 apart at most cannot be kept. Give the largest spacing, or none.")
    for bolt in run.bolts:
        widest_mm = rule.shortest_piece_mm / 2.0
        if not (math.isfinite(bolt.station_mm) and 0.0 <= bolt.u95_mm <= widest_mm):
            raise JobError(
                f"{run.name}: bolt {bolt.mark} stands at {bolt.station_mm:.1f} mm, known to {bolt.u95_mm:.1f} mm. "
                f"Joints are planned only round bolts known to {widest_mm:.0f} mm or better: measure it again, "
                "or leave it out."
            )
