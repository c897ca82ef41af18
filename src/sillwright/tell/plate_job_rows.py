"""The job's sheet as text: what to decide, what to buy, how to cut it, the outline, and each rule with its verdict."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from sillwright.judge.verdicts import Check
from sillwright.lengths import MM_PER_INCH, format_feet_inches, format_inches
from sillwright.plates.record import BoltPlan, CutPlan, PlatesPlan, RuleFigure, RulesUsed, RunPlan
from sillwright.tell.plate_findings import about, explain_plan, notes, to_decide
from sillwright.tell.plate_sentences import RULE_WORDS
from sillwright.tell.plate_words import (
    STATES,
    VERDICTS,
    check_sentence,
    item_words,
    limit_words,
    listed,
    mark_parts,
    quantity_words,
    source_words,
    square_sentence,
    washer_size_words,
)
from sillwright.tell.rows import NOT_KNOWN, angle_text, shown, width_inches

# A figure of the rule set that checks of another name are made by.
_CHECKED_BY = {
    "bolt_diameter_least": "bolt-diameter",
    "spacing_largest": "spacing",
    "bolts_least": "bolts-a-piece",
    "plate_edge_least": "plate-edge",
    "concrete_edge_least": "concrete-edge",
    "plate_washer_edge": "washer-edge",
    "overhang_largest": "overhang",
    "bearing_least": "bearing",
}
_UNCHECKED: dict[str, str] = {
    "hole_over_least": "how much larger than the bolt a hole is at least",
    "hole_over_largest": "how much larger than the bolt a hole is at most",
    "plate_washer": "square plate washer under the nut",
    "spacing_tall_seismic": "the largest spacing of bolts in a house of more than two storeys, SDC D0 to D2",
    "short_wall_one_bolt": "a wall this short needs one bolt only",
    "short_wall_no_bolt": "a wall this short needs no bolt",
}
LOOK = "look on site"
WHOLE_STICK = "WHOLE STICK"
# Common practice, no source: a stick is squared at its end before anything is measured from it.
FACTORY_ENDS = (
    "Nothing is counted for squaring the ends of a stick. Factory ends may be out of square, and sticks a little long "
    f"or short: put a square on each end and a tape on each stick first. What is marked {WHOLE_STICK} leaves nothing "
    "to square: where that stick is short, or its ends are not square, take a longer one."
)
_WHOLE_STICK_MM = MM_PER_INCH / 2.0  # common practice, no source: 1/4 in to square at either end
_MOST_NAMED = 6


@dataclass(frozen=True)
class StickRow:
    """One stick of stock: the pieces cut from it in this order, and what is left."""

    stick: str
    kind: str
    pieces: str
    left: str


@dataclass(frozen=True)
class RuleRow:
    """One rule: what it asks, where that comes from, and how many meet it; the others by name."""

    rule: str
    asks: str
    meets: str
    fails: str
    unsure: str
    source: str


@dataclass(frozen=True)
class JobRows:
    """What stands on the job's sheet."""

    name: str
    date: str
    rules: str
    photos: str
    fingerprint: str
    state: str
    decide: tuple[str, ...]
    notes: tuple[str, ...]
    sticks: tuple[StickRow, ...]
    stock_line: str
    shopping: tuple[tuple[str, str], ...]
    outline: tuple[str, ...]
    corners: tuple[str, ...]
    rule_rows: tuple[RuleRow, ...]
    rule_lines: tuple[str, ...]
    software: str


def job_rows(plan: PlatesPlan) -> JobRows:
    """The rows of the job's sheet."""
    photos = plan.photos
    checks = checks_of(plan)
    return JobRows(
        name=plan.job,
        date=plan.date,
        rules=_rule_set_words(plan.rules),
        photos=f"{photos.used} of {photos.count} used",
        fingerprint=short_fingerprint(plan),
        state=STATES[plan.status],
        decide=tuple(f"{about(one)}. {explain_plan(one)}" for one in to_decide(plan.findings)),
        notes=tuple(f"{about(one)}. {explain_plan(one)}" for one in notes(plan.findings)),
        sticks=tuple(row for cut in plan.cut_lists for row in _stick_rows(cut, mark_parts(plan.lumber))),
        stock_line=" ".join(_stock_lines(plan)),
        shopping=tuple((quantity_words(line), item_words(line)) for line in plan.shopping),
        outline=tuple(_outline(plan)),
        corners=tuple(_corners(plan)),
        rule_rows=tuple(_rule_rows(plan, checks)),
        rule_lines=tuple(_rule_lines(checks)),
        software=plan.software,
    )


def _rule_set_words(rules: RulesUsed) -> str:
    if not rules.seismic:
        return rules.name
    return f"{rules.name}, {'seismic' if rules.plate_washer else 'NOT seismic'}"


def short_fingerprint(plan: PlatesPlan) -> str:
    """The first twelve figures of the photos' fingerprint, in groups of four."""
    first = plan.photos.fingerprint_sha256[:12]
    return " ".join(first[at : at + 4] for at in range(0, len(first), 4))


def checks_of(plan: PlatesPlan) -> tuple[tuple[str, Check], ...]:
    """Every check of the plan once, with the run whose plate it is about: bolts, pieces, then the run.

    What was read of a bolt that must be shot again is left out: no number of it may reach a sheet.
    """
    again = {bolt.mark for run in plan.runs for bolt in run.bolts if bolt.status == "reshoot"}
    found: dict[tuple[str, Check], None] = {}
    for run in plan.runs:
        of_bolts = ((_plate_of(check, bolt, run), check) for bolt in run.bolts for check in bolt.checks)
        of_run = (check for part in (*(piece.checks for piece in run.pieces), run.overhang) for check in part)
        for name, check in (*of_bolts, *((run.name, check) for check in of_run)):
            if again & {check.subject, check.other}:
                check = replace(check, measured_mm=None, u95_mm=None)
            found[name, check] = None
    return tuple(found)


def _plate_of(check: Check, bolt: BoltPlan, run: RunPlan) -> str:
    """The run whose plate a bolt's check is about: a washer lies on the top one."""
    if check.key.startswith("washer") and bolt.washer is not None:
        return bolt.washer.run
    return bolt.under_run or run.name


def _stick_rows(cut: CutPlan, parts: int) -> Iterator[StickRow]:
    kind = "treated" if cut.treated else "untreated"
    for stock in cut.cuts.stocks:
        pieces = "; ".join(f"{piece.name}, {format_feet_inches(piece.length_mm, parts)}" for piece in stock.pieces)
        left = format_feet_inches(stock.left_mm, parts)
        if stock.left_mm < _WHOLE_STICK_MM:
            left = f"{left}: {WHOLE_STICK}"
        yield StickRow(format_feet_inches(stock.length_mm), kind, pieces, left)


def _stock_lines(plan: PlatesPlan) -> Iterator[str]:
    if not plan.cut_lists:
        return
    yield (
        f"Lengths here are from long point to long point. Between two pieces a saw cut of "
        f"{format_inches(plan.lumber.kerf_mm, 32)} is counted."
    )
    yield FACTORY_ENDS
    for cut in plan.cut_lists:
        bought, waste = (f"{mm / MM_PER_INCH / 12:.1f} ft" for mm in (cut.bought_mm, cut.waste_mm))
        yield f"{'Treated' if cut.treated else 'Untreated'}: {bought} bought, {waste} left over and sawdust."


def _outline(plan: PlatesPlan) -> Iterator[str]:
    """Does the outline close, do the readings agree, what should each diagonal be, which corner is out?"""
    facts = plan.outline
    if facts is None:
        yield "Not checked: no taped outline was worked out. Tape walls and diagonals, and write [outline] in job.toml."
        return
    yield f"Walls in order: {listed(facts.walls)}. Corner 1 is where the first begins."
    if facts.closure is None:
        yield "Whether the outline closes is not known: not every corner's angle was measured."
    else:
        one_in = "" if facts.closure.one_in is None else f", 1 part in {int(facts.closure.one_in)}"
        yield (
            f"The walk round it misses its beginning by {format_inches(facts.closure.error_mm, 32)}{one_in} of "
            f"{format_feet_inches(facts.closure.perimeter_mm, 1)}; the angles sum up to "
            f"{abs(facts.closure.angle_deg):.2f}° too {'much' if facts.closure.angle_deg > 0 else 'little'}."
        )
    agree = {True: "The readings agree with each other.", None: "Nothing checks the readings: tape both diagonals."}
    look = f" Look first at {listed(facts.suspects)}." if facts.suspects else ""
    yield agree.get(facts.consistent, f"The readings DO NOT AGREE: tape again before anything is cut.{look}")
    for diagonal in facts.diagonals:
        should = shown(diagonal.should_mm, diagonal.should_u95_mm)
        read = "not taped"
        if diagonal.read_mm is not None:
            u95 = NOT_KNOWN if diagonal.read_u95_mm is None else f"± {width_inches(diagonal.read_u95_mm)}"
            read = f"taped {format_feet_inches(diagonal.read_mm)} {u95}"
        yield (
            f"Diagonal {diagonal.from_corner} to {diagonal.to_corner}: should be {should.inches} {should.plus_minus} "
            f"if every corner is as drawn; {read}."
        )
    yield from (square_sentence(one) for one in facts.squareness)


def _corners(plan: PlatesPlan) -> Iterator[str]:
    for corner in plan.corners:
        name = f"Corner of {corner.runs[0]} and {corner.runs[1]}"
        if corner.angle_deg is None:
            yield f"{name}: NOT MEASURED. Shoot it again."
            continue
        angle = angle_text(corner.angle_deg, corner.u95_deg, 2)
        through = f", {corner.through} runs through in the first layer" if corner.through else ""
        joint = "mitred" if corner.joint == "mitre" else f"butted{through}"
        doubt = "" if corner.status == "ok" else " CHECK the angle before cutting."
        turn = "" if corner.turn is None else f", {corner.turn} corner"
        yield f"{name}: {angle}{turn}, {joint}.{doubt}"


def _rule_rows(plan: PlatesPlan, checks: tuple[tuple[str, Check], ...]) -> Iterator[RuleRow]:
    """One row a rule that was judged by, and one for each figure that needs eyes on site."""
    by_key: dict[str, list[Check]] = {}
    for _, check in checks:
        by_key.setdefault(check.key, []).append(check)
    for figure in plan.rules.figures:
        if _check_key(figure.key) not in by_key:
            yield _unchecked(plan, figure)
    for found in by_key.values():
        names = {verdict: list(_named(one for one in found if one.verdict == verdict)) for verdict in VERDICTS}
        limits = dict.fromkeys(limit_words(one) for one in sorted(found, key=lambda one: one.limit_mm or 0.0))
        asks = next(iter(limits)) if len(limits) < 3 else f"{next(iter(limits))} and up, by bolt"
        if len(limits) == 2:
            asks = ", ".join(limits)
        yield RuleRow(
            RULE_WORDS[found[0].key],
            asks,
            str(sum(one.verdict == "meets" for one in found)),
            _few(names["does not"]),
            _few(names["cannot tell"]),
            source_words(found[0].source),
        )


def _few(names: list[str]) -> str:
    """Names, or their number where a table has no room for them: the lines under it have them all."""
    return ", ".join(names) if len(names) <= _MOST_NAMED else f"{len(names)}, see below"


def _rule_lines(checks: tuple[tuple[str, Check], ...]) -> Iterator[str]:
    """What is not met and what cannot be told, each rule of each run once."""
    groups: dict[tuple[str, str, str], list[Check]] = {}
    for run, check in checks:
        if check.verdict != "meets":
            groups.setdefault((run, check.key, check.verdict), []).append(check)
    for (run, _, _), found in groups.items():
        rule = RULE_WORDS[found[0].key]
        yield f"Run {run}, {rule}: {check_sentence(*found)} Source: {source_words(found[0].source)}."


def _named(checks: Iterator[Check]) -> Iterator[str]:
    seen: dict[str, None] = {}
    for check in checks:
        spans = check.key == "spacing" and check.other
        seen[f"{check.subject} to {check.other}" if spans else check.subject] = None
    yield from seen


def rule_words(key: str) -> str:
    """A figure of the rule set by what it limits. Raises KeyError for one that is none."""
    return _UNCHECKED[key] if key in _UNCHECKED else RULE_WORDS[_check_key(key)]  # type: ignore[index]


def _check_key(key: str) -> str:
    return _CHECKED_BY.get(key, key.replace("_", "-"))


def _unchecked(plan: PlatesPlan, figure: RuleFigure) -> RuleRow:
    """A figure that no bolt or piece is checked by: the drill is compared, a washer or short wall wants eyes."""
    asks = ""
    if figure.value_mm is not None:
        asks = format_inches(figure.value_mm, 32) if figure.value_mm < 305 else format_feet_inches(figure.value_mm)
    elif figure.count is not None:
        asks = str(figure.count)
    elif figure.share is not None:
        asks = f"the middle {figure.share:.0%} of the width"
    meets = fails = unsure = ""
    if figure.key in ("hole_over_least", "hole_over_largest") and figure.value_mm is not None:
        over_mm = plan.lumber.drill_mm - plan.lumber.bolt_diameter_mm
        sign = 1.0 if figure.key == "hole_over_least" else -1.0
        holds = sign * (over_mm - figure.value_mm) >= -1e-6
        meets, fails = ("the drill", "") if holds else ("", "the drill")
    elif figure.key in ("plate_washer", "plate_washer_edge", "spacing_tall_seismic") and not plan.rules.seismic:
        asks = f"{asks}{' square' if figure.key == 'plate_washer' else ''}, only with seismic = true"
    elif plan.rules.plate_washer is not None and figure.key == "plate_washer":
        washer, unsure = plan.rules.plate_washer, LOOK
        asks = f"at least {washer_size_words(washer.side_mm, washer.thickness_mm)}"
    elif figure.key == "spacing_tall_seismic":
        asks, unsure = f"at most {asks}", LOOK
    elif figure.key.startswith("short_wall"):
        asks = f"up to {asks}, not used here"
    else:
        unsure = LOOK
    return RuleRow(rule_words(figure.key), asks, meets, fails, unsure, source_words(figure.source))
