"""What checks, passes and splices of a run say, gathered as findings of the plan."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from sillwright.judge.line_shift import ShiftAdvice
from sillwright.judge.overhang import NO_FIGURE
from sillwright.judge.rules import RuleSet
from sillwright.judge.verdicts import TOUCHES_MM, Check
from sillwright.plates.findings import PlanCode, PlanFinding, Weight
from sillwright.plates.levels import Shim
from sillwright.plates.splice import SplicePlan
from sillwright.plates.splice_findings import NEAR

_FAILS: dict[str, tuple[PlanCode, PlanCode]] = {
    "bolt": ("bolt-fails-rule", "bolt-rule-unsure"),
    "piece": ("piece-fails-rule", "piece-rule-unsure"),
    "overhang": ("overhang-fails-rule", "overhang-unsure"),
    "washer-on-wood": ("washer-hangs-over", "washer-unsure"),
    "washer-edge": ("washer-far-from-edge", "washer-edge-unsure"),
    "cut-washer": ("cut-washer-hangs-over", "cut-washer-unsure"),
}


def of_checks(checks: Iterable[Check], run: str) -> list[PlanFinding]:
    """One finding for each rule and piece that something fails or cannot be told of, with all marks it is about.

    An overhang that no figure stands for asks for a decision only where there surely is one.
    """
    marks: dict[tuple[PlanCode, Weight, str, str, float | None], dict[str, None]] = {}
    for check in checks:
        if check.verdict == "meets":
            continue
        code = _FAILS[_kind(check)][0 if check.verdict == "does not" else 1]
        weight: Weight = "decide"
        if check.source == NO_FIGURE:
            code = "overhang-no-limit"
            weight = "note" if (check.measured_mm or 0.0) - (check.u95_mm or 0.0) <= 0.0 else "decide"
        value_mm = check.limit_mm if check.key == "washer-edge" else None
        about = marks.setdefault((code, weight, check.key, check.piece, value_mm), {})
        if check.subject not in (check.piece, run):
            about[check.subject] = None
            if check.key == "spacing":
                about[check.other] = None
    return [
        PlanFinding(code, weight, run=run, marks=tuple(about), piece=piece, rule=key, value_mm=value_mm)
        for (code, weight, key, piece, value_mm), about in marks.items()
    ]


def _kind(check: Check) -> str:
    if check.key in _FAILS:
        return check.key
    return "overhang" if check.key == "bearing" else "piece" if check.piece else "bolt"


def of_rules(rules: RuleSet) -> list[PlanFinding]:
    """What a rule set asks for, or has no figure for, where it is seismic: neither shows in any check."""
    if not rules.seismic:
        return []
    found = []
    if rules.plate_washer is None:
        found.append(PlanFinding("seismic-no-figure", told=rules.name, key="plate_washer_side"))
    tall, spacing = rules.spacing_tall_seismic, rules.spacing_largest
    if tall is not None and spacing is not None and spacing.value_mm > tall.value_mm + TOUCHES_MM:
        found.append(PlanFinding("seismic-tall-house", "note", value_mm=tall.value_mm, rule="spacing"))
    return found


def of_splices(splices: Sequence[SplicePlan], run: str) -> list[PlanFinding]:
    """What the splice plans say; bolts beyond a layer are told of by their own code, once for all layers.

    A bolt near an end of a layer above the first, which no rule speaks of, is only noted. A plate without bolts is none
    where nothing was found: they may lie beyond it, or be the engineer's.
    """
    found = []
    for layer, plan in enumerate(splices, start=1):
        for one in plan.findings:
            if one.code == "bolt-off-plate":
                continue
            weight: Weight = "note" if layer > 1 and one.code in NEAR else "decide"
            found.append(
                PlanFinding(
                    "no-bolt-under-plate" if one.code == "no-bolts" else one.code,
                    weight,
                    run=run,
                    marks=one.marks,
                    layer=layer,
                    station_mm=one.station_mm,
                    count=one.count,
                    to_station_mm=one.to_station_mm,
                )
            )
    return found


def of_line_shift(advice: ShiftAdvice | None, run: str) -> list[PlanFinding]:
    """Another chalk line that brings in bolts: advice, since the bolts that need it are told of by themselves."""
    if advice is None or advice.gained <= 0:
        return []
    lines = [line for line in (advice.parallel, advice.turned) if line is not None]
    best = max(lines, key=lambda line: (len(line.meets), -line.change_mm))
    return [
        PlanFinding(
            "line-shift-helps",
            "note",
            run=run,
            marks=best.meets,
            value_mm=best.shift_low_mm,
            to_value_mm=best.shift_high_mm,
            count=advice.gained,
        )
    ]


def of_shims(shims: Sequence[Shim], run: str) -> list[PlanFinding]:
    """Gaps past what shims carry, places beyond the readings, and gaps that are near a limit."""
    codes: tuple[tuple[PlanCode, str], ...] = (
        ("shim-engineer", "engineer"),
        ("shim-grout", "grout"),
        ("shim-not-read", "not read"),
    )
    found = []
    for code, verdict in codes:
        there = [shim for shim in shims if shim.verdict == verdict]
        if there:
            deepest_mm = max((shim.gap_mm for shim in there if shim.gap_mm is not None), default=None)
            at_mm = there[0].place.station_mm
            found.append(PlanFinding(code, run=run, station_mm=at_mm, value_mm=deepest_mm, count=len(there)))
    unsure = [shim for shim in shims if shim.doubtful and shim.verdict != "not read"]
    if unsure:
        found.append(PlanFinding("shim-unsure", run=run, station_mm=unsure[0].place.station_mm, count=len(unsure)))
    return found
