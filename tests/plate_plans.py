"""An example plan for tests: one run of two layers with a splice and a mitred end, and a run that is not planned."""

from dataclasses import replace
from itertools import pairwise

from judge_runs import INCH, a_bolt, a_run
from plate_pieces import MITRE_DEG, WIDE_MM, hole
from sillwright.judge.checks import check_run
from sillwright.judge.line_shift import line_shift
from sillwright.judge.passes import passing
from sillwright.judge.rules import Source, rule_set
from sillwright.plates.corners import PlateEnd
from sillwright.plates.findings import PlanFinding
from sillwright.plates.levels import LevelPoint, ShimPlace, levels_of, shims
from sillwright.plates.piece import PlatePiece
from sillwright.plates.record import (
    SCHEMA,
    BoltPlan,
    CornerPlan,
    CutPlan,
    HolePlan,
    LayerEnd,
    LevelFacts,
    Lumber,
    Photos,
    PlannedPiece,
    PlatesPlan,
    RuleFigure,
    RulesUsed,
    RunEnd,
    RunPlan,
)  # fmt: skip
from sillwright.plates.shopping import StockCount, shopping_list
from sillwright.plates.splice import SpliceJoint, SplicePiece, SplicePlan
from sillwright.plates.stock import CutPiece, StockLength, cut_list

FOOT = 12 * INCH
LENGTH_MM = 22 * FOOT
RULES = rule_set("irc-2021")
AT_IN = (9.0, 75.0, 110.0, 128.0, 190.0, 255.0)


def example_plan() -> PlatesPlan:
    """22 ft of 2x6, two layers, jointed at 10 ft and at 14 ft, mitred at its high end; NO3 leans, NO5 is ``check``."""
    bolts = tuple(a_bolt(f"NO{i}", at * INCH, u95_mm=0.4) for i, at in enumerate(AT_IN, 1))
    leaning = replace(bolts[2], lean_along_mm=8.2, lean_across_mm=-3.0, lean_deg=6.1)
    bolts = (*bolts[:2], leaning, bolts[3], replace(bolts[4], status="check"), bolts[5])
    run = replace(a_run(bolts), name="north", status="check", line_color="blue")
    pieces = tuple(
        PlannedPiece(plate, plate.line_edge_mm, plate.far_edge_mm, plate.longest_mm, 14 * FOOT)
        for plate in (*layer(1, (0.0, 10 * FOOT, LENGTH_MM)), *layer(2, (0.0, 14 * FOOT, LENGTH_MM)))
    )
    checks = check_run(run, RULES)
    levels = levels_of([LevelPoint("north", 0.0, 0.0), LevelPoint("north", LENGTH_MM, -5.0)])
    shimmed = shims(levels, "north", (ShimPlace(9.0 * INCH, bolts=("NO1",)), ShimPlace(20 * FOOT, joist=True)))
    planned = RunPlan(
        "north", "check", "check", (), False, 1, "outside", "blue",
        RunEnd("low", "wall end", "job file", layers=(square(1), square(2))),
        RunEnd("high", "corner", "survey", "east", (mitred(1), mitred(2))),
        tuple(bolt_plan(bolt, checks, pieces) for bolt in bolts),
        pieces, (splices("north", 10 * FOOT), splices("north", 14 * FOOT)),
        tuple(check for check in checks if check.key in ("overhang", "bearing")),
        line_shift(run, RULES), shimmed,
    )  # fmt: skip
    cuts = cut_list(
        tuple(CutPiece(p.plate.name, p.longest_mm) for p in pieces if p.plate.layer == 1),
        tuple(StockLength(feet * FOOT) for feet in (8, 10, 12, 14, 16)),
    )
    stock = [StockCount(14 * FOOT, WIDE_MM, 38.1, treated, 2) for treated in (True, False)]
    return PlatesPlan(
        SCHEMA, "Lot 7", "2026-11-26", "sillwright 0", "check",
        RulesUsed("irc-2021", False, (RuleFigure("spacing_largest", Source("IRC", "2021", "R403.1.6", "read"), 1829),)),
        Photos(6, 6, "ab" * 32),
        Lumber(WIDE_MM, 38.1, 2, 3.175, 3.175, INCH / 16, 9 / 16 * INCH, "1/2-13 UNC", 12.7, (12 * FOOT,), 2 * FOOT),
        (planned, not_planned()),
        (CornerPlan(("north", "east"), 97.0, 0.05, "ok", (), "mitre", None, "outside"),),
        (CutPlan(True, cuts, cuts.bought_mm, cuts.waste_mm),),
        shopping_list((run,), [p.plate for p in pieces], stock, shimmed),
        LevelFacts(levels.points, levels.high, levels.low, 5.0, 2.2, 3.175), None,
        (
            PlanFinding("bolt-straighten", run="north", marks=("NO3",)),
            PlanFinding("bolt-check", run="north", marks=("NO5",)),
            PlanFinding("end-not-said", run="east", key="[run.ends]", station_mm=3200.0),
        ),
    )  # fmt: skip


def layer(number: int, cuts_mm: tuple[float, ...]) -> tuple[PlatePiece, ...]:
    pieces = []
    for place, (low, high) in enumerate(pairwise(cuts_mm), 1):
        on_it = [(f"NO{i}", at) for i, at in enumerate(AT_IN, 1) if low < at * INCH < high]
        holes = tuple(replace(hole(mark, at, 2.75, low), doubts=DOUBTS.get(mark, ())) for mark, at in on_it)
        cut = MITRE_DEG if high == LENGTH_MM else 0.0
        pieces.append(PlatePiece(f"north {number}.{place}", "north", number, low, high, WIDE_MM, 38.1, 0.0, cut, holes))
    return tuple(pieces)


DOUBTS = {"NO3": ("straighten-first",), "NO5": ("record-check",)}


def square(number: int) -> LayerEnd:
    return LayerEnd.of(PlateEnd("north", number, "low", "square", 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, None, None))


def mitred(number: int) -> LayerEnd:
    far_mm = layer(1, (0.0, LENGTH_MM))[0].far_edge_mm
    return LayerEnd.of(
        PlateEnd("north", number, "high", "mitre", LENGTH_MM, far_mm, MITRE_DEG, 0.03, 0.1, 0.1, None, None)
    )


def bolt_plan(bolt, checks, pieces) -> BoltPlan:
    holes = tuple(
        HolePlan(
            p.plate.name, "north", p.plate.layer, p.plate.low_mm + h.from_low_end_mm, h.from_line_mm, h.from_low_end_mm,
            h.from_line_mm,
        )
        for p in pieces for h in p.plate.holes if h.mark == bolt.mark
    )  # fmt: skip
    own = tuple(check for check in checks if check.subject == bolt.mark)
    return BoltPlan(
        bolt.mark, bolt.status, (), bolt.station_mm, bolt.setback_mm, 0.4, 0.4, 12.7, "north",
        passing(bolt, RULES, 76.2, WIDE_MM), own, bolt.mark == "NO3", holes, DOUBTS.get(bolt.mark, ()), 0.5, 0.5, 0.29,
    )  # fmt: skip


def splices(run: str, joint_mm: float) -> SplicePlan:
    pieces = (
        SplicePiece(0.0, joint_mm, joint_mm, 10 * FOOT),
        SplicePiece(joint_mm, LENGTH_MM, LENGTH_MM - joint_mm, 12 * FOOT),
    )  # fmt: skip
    return SplicePlan(run, pieces, (SpliceJoint(joint_mm, 40.0),), (), 0, ())


def not_planned() -> RunPlan:
    return RunPlan(
        "east", "not planned", "ok", (), True, 6, "outside", None,
        RunEnd("low", "corner", "survey", "north"), RunEnd("high", "not said", ""), (), (), (), (), None, (),
    )  # fmt: skip
