"""What comes before cutting and drilling a run, in words and in the order of the work: the engineer's first, then what
to straighten, to tape, to shoot again, to add, and where the line might be snapped.

Every finding of the run that asks for a decision stands here: under the bolts it is about, or as its own sentence.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from sillwright.judge.straighten import Straightening
from sillwright.lengths import MM_PER_INCH
from sillwright.plates.findings import PlanFinding
from sillwright.plates.record import BoltPlan, PlatesPlan, RunPlan
from sillwright.plates.splice_anchors import AddedAnchor
from sillwright.plates.told_once import ASKS_FOR_ANCHORS
from sillwright.survey import Finding
from sillwright.tell.plate_findings import explain_plan, hangs_words
from sillwright.tell.plate_hole_rows import HoleRow
from sillwright.tell.plate_view import HOLE_DOUBTS
from sillwright.tell.plate_word_table import WANTED_WORDS
from sillwright.tell.plate_words import listed, mark_parts, pass_sentence, shift_words, stretch_words
from sillwright.tell.reasons import title
from sillwright.tell.rows import Shown, page_turn_deg, shown, way_words

LAYERS = ("first", "second", "third")
_MM_PER_SIXTEENTH = MM_PER_INCH / 16.0
_TO_ENGINEER = ("bent", "damaged", "off-plate", "past-cold-bend", "near-cold-bend")
# Told bolt by bolt; in a group of their own, or among the shims.
_TOLD_BY_BOLT = ("bolt-engineer", "bolt-straighten", "bolt-reshoot", "bolt-check", "bolt-cannot-tell", "hole-tolerance")
_TOLD_APART = ("anchors-to-approve", "line-shift-helps", "shim-engineer", "shim-grout", "shim-not-read", "shim-unsure")


@dataclass(frozen=True)
class StraightenRow:
    """One bolt to straighten: how far its tip must come at least, how far to plumb, which way.

    arrow_deg : counterclockwise on a page seen from above with stations rising to the right; None where not known
    """

    mark: str
    move: str
    plumb: str
    way: str
    arrow_deg: float | None


@dataclass(frozen=True)
class Before:
    """The groups, each empty where there is nothing in it."""

    engineer: tuple[str, ...]
    straighten: tuple[StraightenRow, ...]
    tape: tuple[str, ...]
    reshoot: tuple[str, ...]
    anchors: tuple[str, ...]
    line: tuple[str, ...]
    decide: tuple[str, ...]
    notes: tuple[str, ...]


def before_drilling(plan: PlatesPlan, run: RunPlan, holes: Iterable[HoleRow]) -> Before:
    """All of it for one run; ``holes`` are its rows."""
    rows, bolts = list(holes), {bolt.mark: bolt for each in plan.runs for bolt in each.bolts}
    own = [bolts[row.mark] for row in rows if row.mark in bolts]
    engineer = [line for bolt in own for line in _engineer(bolt)]
    homes = {bolt.mark: each.name for each in plan.runs for bolt in each.bolts}
    straighten = [_straighten_row(bolt, run, homes[bolt.mark]) for bolt in own if bolt.straighten_first]
    reshoot = [_reshoot(bolt) for bolt in own if bolt.status == "reshoot"]
    reshoot += [
        f"What hangs on {listed(one.marks)}, and cannot be told before: {hangs_words(one)}."
        for one in _of_run(plan, run)
        if one.code == "bolt-reshoot" and one.hangs
    ]
    tape = _tape_lines(rows, bolts)
    told = {bolt.mark for bolt in own if bolt.straighten_first or bolt.status == "reshoot" or list(_engineer(bolt))}
    told |= {row.mark for row in rows if row.doubtful}
    anchors = tuple(_anchors(plan, run))
    apart = (*_TOLD_APART, *(ASKS_FOR_ANCHORS if anchors else ()))
    decide = [
        explain_plan(one)
        for one in _of_run(plan, run)
        if one.weight == "decide" and one.code not in apart and not _told(one, told)
    ]
    notes = [explain_plan(one) for one in _of_run(plan, run) if one.weight == "note" and one.code not in _TOLD_APART]
    return Before(
        tuple(engineer),
        tuple(straighten),
        tuple(tape),
        tuple(reshoot),
        anchors,
        tuple(_line(run)),
        tuple(decide),
        tuple(notes),
    )


def _of_run(plan: PlatesPlan, run: RunPlan) -> list[PlanFinding]:
    return [one for one in plan.findings if one.run == run.name or run.name in one.corner]


def _told(finding: PlanFinding, marks: set[str]) -> bool:
    """Whether a finding stands under its bolts already; it does not where a single one of them is missing there."""
    return finding.code in _TOLD_BY_BOLT and bool(finding.marks) and set(finding.marks) <= marks


def _engineer(bolt: BoltPlan) -> Iterator[str]:
    """Why a bolt is the engineer's; whatever else is wrong with it waits for that."""
    if bolt.status == "reshoot":
        return
    codes = [code for code in bolt.passing.codes if code in _TO_ENGINEER]
    if codes:
        why = " ".join(pass_sentence(code) for code in codes)
        yield f"{bolt.mark} goes to the engineer. {why} No hole is marked."


def _straighten_row(bolt: BoltPlan, run: RunPlan, home: str) -> StraightenRow:
    """A neighbour's bolt was measured along the neighbour's line: the way is told along that, and no arrow drawn."""
    move = bolt.passing.straightening
    if move is None:
        return StraightenRow(bolt.mark, "not known", "", "which way is not known: hold a square to it", None)
    least_mm = bolt.passing.least_move_mm
    plumb = shown(move.tip_move_mm, move.tip_move_u95_mm)
    least = None if least_mm is None else _at_least(least_mm, move, plumb)
    return StraightenRow(
        bolt.mark,
        "not known" if least is None else f"{least.inches} {least.plus_minus}",
        f"{plumb.inches} {plumb.plus_minus}",
        way_words(move) if home == run.name else f"by run {home}'s line: {way_words(move)}",
        page_turn_deg(move, run.left_handed) if home == run.name else None,
    )


def _at_least(least_mm: float, move: Straightening, plumb: Shown) -> Shown:
    """Rounded up, as less does not do, and never past what brings the tip to plumb."""
    up_mm = math.ceil(least_mm / _MM_PER_SIXTEENTH - 1e-6) * _MM_PER_SIXTEENTH
    return plumb if up_mm >= move.tip_move_mm else shown(up_mm, move.tip_move_u95_mm)


def _reshoot(bolt: BoltPlan) -> str:
    why = _reasons(bolt)
    return f"{bolt.mark} was not measured{f' ({why})' if why else ''}: shoot it again, or tape it on the wall."


def _tape_lines(rows: Iterable[HoleRow], bolts: Mapping[str, BoltPlan]) -> list[str]:
    """What speaks against each doubtful hole; bolts of which the same is said stand in one line."""
    marks: dict[str, list[str]] = {}
    for row in rows:
        if row.doubtful:
            for told in _tape(row, bolts.get(row.mark)):
                marks.setdefault(told, []).append(row.mark)
    several = "each of these bolts"
    return [
        f"{listed(held)}. {told if len(held) == 1 else told.replace('this bolt', several)}"
        for told, held in marks.items()
    ]


def _tape(row: HoleRow, bolt: BoltPlan | None) -> Iterator[str]:
    """Why not to drill yet, and why the record doubts it; what is only to be straightened has its own list."""
    notes = [note for note in row.notes if note != HOLE_DOUBTS["straighten-first"]]
    if not notes:
        return
    why = "" if bolt is None else _reasons(bolt)
    codes = () if bolt is None else bolt.passing.codes
    passing = [pass_sentence(code) for code in codes if code in ("no-hole-size", "hole-under-bolt")]
    reason = f" On the measuring sheet: {why}." if why and bolt is not None and bolt.status == "check" else ""
    yield f"{' '.join([*notes, *passing])}{reason}"


def _reasons(bolt: BoltPlan) -> str:
    """The record's reasons, in short."""
    titles = [title(Finding(code), "bolt") for code in bolt.reasons]
    return ", ".join(one[0].lower() + one[1:] for one in titles)


def _anchors(plan: PlatesPlan, run: RunPlan) -> Iterator[str]:
    """The stretches that want an anchor each, gathered by layer and by what asks for them."""
    asked = [one for one in plan.findings if one.run == run.name]
    for layer, (name, splice) in enumerate(zip(LAYERS, run.splices, strict=False), start=1):
        stretches: dict[str, list[str]] = {}
        for anchor in splice.added:
            if not _is_asked_for(anchor, asked, layer):
                continue
            stretches.setdefault(WANTED_WORDS[anchor.wanted_by], []).append(
                stretch_words(anchor, run.first_low_mm, mark_parts(plan.lumber))
            )
        for why, found in stretches.items():
            where = "anywhere in this stretch" if len(found) == 1 else "anywhere in each of these stretches"
            yield f"{name.capitalize()} plate, {why}: one {where}, from the first plate's low end: {'; '.join(found)}."


def _is_asked_for(anchor: AddedAnchor, findings: Iterable[PlanFinding], layer: int) -> bool:
    """Whether the plan asks for an anchor now: not before bolts that may serve in its place were shot again."""
    codes = {"joint": ASKS_FOR_ANCHORS[0], "end": ASKS_FOR_ANCHORS[1], "spacing": ASKS_FOR_ANCHORS[2]}
    code, middle_mm = codes.get(anchor.wanted_by, ASKS_FOR_ANCHORS[3]), (anchor.low_mm + anchor.high_mm) / 2.0
    return any(
        one.code == code
        and one.layer == layer
        and (one.station_mm is None or one.to_station_mm is None or one.station_mm < middle_mm < one.to_station_mm)
        for one in findings
    )


def _line(run: RunPlan) -> Iterator[str]:
    """Where another chalk line would bring in more bolts, or that none does."""
    advice = run.line_shift
    if advice is None:
        return
    if advice.nothing_does:
        missing = [mark for mark in advice.judged if mark not in advice.meet_now]
        yield (
            f"{listed(missing)} {'does' if len(missing) == 1 else 'do'} not surely meet the rule across the plate, and "
            "no other chalk line brings in one more."
        )
        return
    if advice.gained <= 0:
        return
    lines = [line for line in (advice.parallel, advice.turned) if line is not None]
    best = max(lines, key=lambda line: (len(line.meets), -line.change_mm))
    more = [mark for mark in best.meets if mark not in advice.meet_now]
    where = shift_words(best.shift_low_mm, best.shift_high_mm)
    yield f"Snap the line {where}: {listed(more)} then {'stands' if len(more) == 1 else 'stand'} where the rule asks."
    yield (
        "Every figure from the chalk line on this sheet is for the line as it is. With a new line, shoot the run again "
        "and plan again before drilling. Ask what else hangs on the line: corners, the other walls, the size of the "
        "house."
    )
    if advice.faces_unseen:
        yield f"The concrete's edge was not seen on the {listed(advice.faces_unseen)}: tape the overhang there first."
    if advice.doubtful:
        yield f"Of the bolts counted here, tape first those in doubt: {listed(advice.doubtful)}."
