"""The plan's verdicts in words: what was found, where, and what to do, with the rule's source where there is one.

Findings have their own sentences in ``plate_findings``; here are those of checks, passes, shims, added anchors, joints
and what is bought.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from sillwright.judge.passes import PassCode
from sillwright.judge.rules import Source, Sure
from sillwright.judge.verdicts import Check, Verdict
from sillwright.lengths import MM_PER_INCH, format_feet_inches, format_inches
from sillwright.plates.levels import Shim
from sillwright.plates.record import LayerEnd, Lumber, PlanStatus
from sillwright.plates.shopping import ShoppingLine
from sillwright.plates.splice_anchors import AddedAnchor
from sillwright.plates.square import Squareness
from sillwright.tell.plate_word_table import (
    CHECK_DO,
    CHECK_SAYS,
    ITEM_WORDS,
    JOINT_WORDS,
    PASS_WORDS,
    SHIM_HEIGHTS,
    SQUARE_VERDICTS,
    SURE_WORDS,
    WASHER_HANGS,
)
from sillwright.tell.rows import angle_text, place_along, shown

VERDICTS: dict[Verdict, str] = {"meets": "meets", "does not": "DOES NOT MEET", "cannot tell": "CANNOT TELL"}
STATES: dict[PlanStatus, str] = {
    "ok": "nothing left to decide",
    "check": "CHECK: read the list below before cutting or drilling",
    "not planned": "NOT PLANNED: nothing here to cut or drill",
}
_EPS = 1e-6
_SAME_MM = 0.02  # a drill this near a mark of the inch rule is sold by the inch


def mark_parts(lumber: Lumber) -> int:
    """Into how many parts of an inch the job's lengths are marked."""
    return 32 if lumber.mark_mm < MM_PER_INCH / 24.0 else 16


def drill_inches(drill_mm: float) -> str | None:
    """A drill by the inch; None where no size of the inch rule is it."""
    if abs(drill_mm - round(drill_mm / MM_PER_INCH * 32) * MM_PER_INCH / 32) < _SAME_MM:
        return format_inches(drill_mm, 32)
    return None


def drill_words(drill_mm: float) -> str:
    """A drill by the inch where it is one, else in millimetres."""
    return drill_inches(drill_mm) or f"{drill_mm:.1f} mm"


def play_words(play_mm: float) -> str:
    """What a hole leaves its bolt each way, rounded down: it is room; ``no room`` where there is none."""
    down_mm = math.floor(play_mm * 10.0 + _EPS) / 10.0
    return f"{down_mm:.1f} mm" if down_mm > 0.0 else "no room"


def shift_words(low_mm: float, high_mm: float) -> str:
    """How far over another chalk line runs, positive toward the plate's side, at the run's low end and high end."""
    low, high = _over(low_mm), _over(high_mm)
    return f"{low} all along" if low == high else f"{low} at the low end, {high} at the high end"


def _over(shift_mm: float) -> str:
    if abs(shift_mm) < MM_PER_INCH / 64.0:
        return "where it is"
    way = "toward the plate" if shift_mm > 0 else "away from the plate"
    return f"{format_inches(abs(shift_mm), 32)} {way}"


def listed(names: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def station_words(station_mm: float) -> str:
    """A station; before the zero mark it is so far "back", as on the measuring sheet."""
    return f"station {place_along(station_mm)}"


def source_words(source: Source) -> str:
    """Standard, edition, section, and how sure the figure is where it was not read in the standard's own words."""
    if source.sure == "crew":
        return SURE_WORDS["crew"]
    named = " ".join(part for part in (source.standard, source.edition, source.section) if part)
    sure: Sure = source.sure
    return named if sure == "read" or not source.section else f"{named} ({SURE_WORDS[sure]})"


def check_sentence(*checks: Check) -> str:
    """Checks of one rule and one verdict: what was found beside what the rule asks, the verdict, and what to do."""
    first = checks[0]
    limits = list(dict.fromkeys(limit_words(check) for check in checks))
    each = [_says(check) if len(limits) == 1 else f"{_says(check)} ({limit_words(check)})" for check in checks]
    says = "; ".join(dict.fromkeys(each)) + (f" ({limits[0]})" if len(limits) == 1 else "")
    doubtful = any(check.doubtful for check in checks) and first.verdict != "cannot tell"
    doubt = " A bolt or run that this rests on is in doubt." if doubtful else ""
    fails, unsure = CHECK_DO[first.key]
    if first.key == "overhang" and first.limit_mm is None:
        unsure += ", and ask what overhang the inspector holds to"
    do = {"meets": "", "does not": f" {fails}.", "cannot tell": f" {unsure}."}[first.verdict]
    return f"{says}. {VERDICTS[first.verdict]}.{do}{doubt}"


def limit_words(check: Check) -> str:
    """What the rule asks, as ``at most 6' 0"``."""
    if check.count_least is not None:
        return f"{check.count_least} at least"
    if check.limit_mm is None:
        return "no limit set"
    if check.key == "washer-on-wood":
        return "none of it over the wood"
    return f"{check.bound} {format_feet_inches(check.limit_mm)}"


def _says(check: Check) -> str:
    measured = "not measured"
    if check.count is not None:
        measured = str(check.count)
    elif check.measured_mm is not None:
        length = shown(check.measured_mm, check.u95_mm)
        sign = "-" if check.measured_mm < 0 and not length.inches.startswith("0") else ""
        exact = check.u95_mm == 0.0
        measured = f"{sign}{length.inches}" if exact else f"{sign}{length.inches} {length.plus_minus}"
    says = CHECK_SAYS[check.key]
    if check.key == "washer-on-wood" and (check.measured_mm or 0.0) < 0.0:
        says, measured = WASHER_HANGS, measured.removeprefix("-")
    if check.key == "end-largest" and check.subject == check.piece:
        return f"No bolt stands near the {check.other} of {check.piece}"
    where = {"of": f" of {check.piece}" if check.piece else "", "side": f", {check.other}" if check.other else ""}
    return says.format(subject=check.subject, other=check.other, piece=check.piece, measured=measured, **where)


def pass_sentence(code: PassCode) -> str:
    """Why a plate does not simply go down over a bolt, and what to do."""
    words = PASS_WORDS[code]
    return f"{words.says}: {words.do}."


def shim_height_words(shim: Shim) -> str:
    """The height of a shim, in brackets where it is not to be set before the level was read again."""
    words = SHIM_HEIGHTS[shim.verdict]
    if shim.verdict == "shim":
        words = format_inches((shim.sixteenths or 0) * MM_PER_INCH / 16.0)
    return f"({words})" if shim.doubtful and shim.verdict != "not read" else words


def shim_place_words(shim: Shim) -> str:
    """What a shim stands under or beside."""
    place = shim.place
    beside = [f"beside {listed(place.bolts)}"] if place.bolts else []
    return ", ".join([*beside, *(["joist or stud"] if place.joist else []), *(["plate's end"] if place.end else [])])


def stretch_words(anchor: AddedAnchor, low_mm: float, parts: int = 16) -> str:
    """Where an anchor may be added, counted from station ``low_mm``; the stretch is never made longer by rounding."""
    step_mm = MM_PER_INCH / parts
    near_mm = math.ceil((anchor.low_mm - low_mm) / step_mm - _EPS) * step_mm
    far_mm = math.floor((anchor.high_mm - low_mm) / step_mm + _EPS) * step_mm
    if far_mm <= near_mm:
        return f"at {format_feet_inches((anchor.low_mm + anchor.high_mm) / 2.0 - low_mm, parts)}"
    return f"{format_feet_inches(near_mm, parts)} to {format_feet_inches(far_mm, parts)}"


def joint_words(end: LayerEnd, other: str) -> str:
    """How one layer of a run ends; ``other`` is the run it meets there."""
    return JOINT_WORDS[end.joint].format(other=other or "the other run")


def square_sentence(one: Squareness) -> str:
    """One corner of the outline against the drawing."""
    off = shown(one.off_mm, one.off_u95_mm)
    angle = angle_text(one.angle_deg, one.u95_deg, 2)
    over = f"{off.inches} {off.plus_minus} over 20 ft"
    return f"Corner {one.corner}: {angle}, off by {over}. {SQUARE_VERDICTS[one.verdict]}."


def washer_size_words(side_mm: float, thickness_mm: float) -> str:
    """A plate washer by its sides and thickness, the thickness as the standards write it where no mark is it."""
    parts = thickness_mm / MM_PER_INCH * 32
    marked = abs(parts - round(parts)) < 0.01
    thick = format_inches(thickness_mm, 32) if marked else f'{thickness_mm / MM_PER_INCH:.3f}"'
    return f"{format_inches(side_mm)} x {format_inches(side_mm)}, {thick} thick"


def item_words(line: ShoppingLine) -> str:
    """One thing to buy."""
    words = ITEM_WORDS[line.item].format(
        length="" if line.length_mm is None else format_feet_inches(line.length_mm),
        width="" if line.width_mm is None else format_inches(line.width_mm),
        thickness="" if line.thickness_mm is None else format_inches(line.thickness_mm),
        size=line.size or "",
        height="" if line.sixteenths is None else format_inches(line.sixteenths * MM_PER_INCH / 16.0),
        drill="" if line.diameter_mm is None else drill_words(line.diameter_mm),
        run=line.run or "",
        color=line.color or "any colour",
        plate=""
        if line.width_mm is None or line.thickness_mm is None
        else washer_size_words(line.width_mm, line.thickness_mm),
        slot=_slot_words(line),
    )
    return words[0].upper() + words[1:]


def _slot_words(line: ShoppingLine) -> str:
    if line.slot_width_mm is None or line.slot_length_mm is None:
        return ""
    wide, long = format_inches(line.slot_width_mm), format_inches(line.slot_length_mm)
    return f", slotted toward the corners, {wide} wide and {long} long at most"


def quantity_words(line: ShoppingLine) -> str:
    """How much to buy, with what is needed and the waste share beside it."""
    if line.unit == "mm":
        amount, needed = (f"{-(-mm // (12 * MM_PER_INCH)):.0f} ft" for mm in (line.quantity, line.needed))
    else:
        amount, needed = f"{line.quantity:.0f}", f"{line.needed:.0f}"
    return amount if not line.waste_share else f"{amount} ({needed} and {line.waste_share:.0%} more)"
