"""The rows of the two lists, as text: what every table and sheet prints, worked out in one place.

A bolt that must be shot again has no number here, so none can reach any paper. Every ± is rounded in ``outward``: up,
and holding the 95 % interval *and* the rounding of the number before it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sillwright.judge.straighten import (
    FIELD_BEND_CEILING_DEG,
    NUT_BEARS_FLAT_DEG,
    Straightening,
    Verdict,
    straightening,
)
from sillwright.lengths import MM_PER_INCH, format_feet_inches, format_inches, to_sixteenths
from sillwright.survey import BoltRecord, Finding, RunRecord, Status, Survey, left_handed
from sillwright.tell.frames import zero_card
from sillwright.tell.reasons import Subject, explain, title, worst_first

STATUS_WORDS: dict[Status, str] = {"ok": "ok", "check": "CHECK", "reshoot": "RE-SHOOT"}
VERDICT_WORDS: dict[Verdict, str] = {
    "straighten": "straighten",
    "leave": "leave",
    "cannot tell": "cannot tell",
    "engineer": "ask the engineer",
}
_MM_PER_SIXTEENTH = MM_PER_INCH / 16
_MM_PER_THIRTY_SECOND = MM_PER_INCH / 32  # the finest mark on a carpenter's tape
NOT_KNOWN = "± not known"
_A_LITTLE = 0.5
_ARROWS = "→↗↑↖←↙↓↘"  # by eighths of a turn, counterclockwise from stations rising to the right


@dataclass(frozen=True)
class Shown:
    """One length as it is printed: ``2 3/4"`` with ``± 1/32"``, and the same in millimetres, ``69.8 ± 0.5 mm``."""

    inches: str
    plus_minus: str
    metric: str


@dataclass(frozen=True)
class HoleRow:
    """One line of the hole-marking list. Numbers are None where there is none to drill from."""

    mark: str
    along: Shown | None
    from_previous: Shown | None
    setback: Shown | None
    status: Status
    why: tuple[str, ...]
    explained: tuple[str, ...]


@dataclass(frozen=True)
class LeanRow:
    """One line of the bolt-straightening list; ``arrow_deg`` is counterclockwise, with stations rising to the right."""

    mark: str
    lean: str | None
    verdict: str
    tip_move: Shown | None
    way: str
    arrow_deg: float | None
    why: tuple[str, ...]

    @property
    def arrow(self) -> str:
        """The nearest of eight arrows, or nothing where the way is not known."""
        return "" if self.arrow_deg is None else _ARROWS[round(self.arrow_deg / 45.0) % 8]


def shown(mm: float, u95_mm: float | None, *, behind: str = "") -> Shown:
    """A length with its interval. A negative one is written without its sign, with ``behind`` after it."""
    size_mm = abs(mm)
    tail = f" {behind}" if behind and mm < 0 and to_sixteenths(size_mm) != 0 else ""
    sign = "-" if mm < 0 and round(size_mm, 1) > 0 else ""
    if u95_mm is None:
        return Shown(format_feet_inches(size_mm) + tail, NOT_KNOWN, f"{sign}{size_mm:.1f} mm, {NOT_KNOWN}")
    off_mm = size_mm - to_sixteenths(size_mm) * _MM_PER_SIXTEENTH
    return Shown(
        format_feet_inches(size_mm) + tail,
        f"± {width_inches(u95_mm, off_mm)}",
        f"{sign}{with_width(size_mm, u95_mm, 1)} mm",
    )


def place_along(station_mm: float, parts: int = 16) -> str:
    """A place along the run to that part of an inch; before the zero mark it is so far "back"."""
    back = " back" if station_mm < -MM_PER_INCH / (2.0 * parts) else ""
    return f"{format_feet_inches(abs(station_mm), parts)}{back}"


def width_inches(u95_mm: float, off_mm: float = 0.0) -> str:
    """A half-width in 32nds of an inch; ``off_mm`` is how far the number before it was rounded."""
    return format_inches(outward(u95_mm, off_mm, _MM_PER_THIRTY_SECOND) * _MM_PER_THIRTY_SECOND, 32)


def with_width(value: float, u95: float, decimals: int) -> str:
    """A number with its half-width, ``97.00 ± 0.05``."""
    printed = f"{value:.{decimals}f}"
    steps = outward(u95, value - float(printed), 10.0**-decimals)
    return f"{printed} ± {steps / 10**decimals:.{decimals}f}"


def outward(u95: float, off: float, step: float) -> int:
    """The fewest whole ``step``, one at least, that hold a 95 % interval about a number printed ``off`` beside it."""
    return max(math.ceil((u95 + abs(off)) / step - 1e-6), 1)


def spacing_u95_mm(first: BoltRecord, second: BoltRecord, scale_u95_ratio: float) -> float | None:
    """Half-width for the distance between two bolts of one run.

    The scale's share is common to both stations, so it counts only over the distance between them. The rest is added
    as it stands, which holds however the two are correlated.
    """
    rests = []
    for bolt in (first, second):
        if bolt.station_mm is None or bolt.u95.station_mm is None:
            return None
        shared_mm = scale_u95_ratio * abs(bolt.station_mm)
        u95_mm = bolt.u95.station_mm
        rests.append(math.sqrt(u95_mm**2 - shared_mm**2) if shared_mm < u95_mm else u95_mm)
    assert first.station_mm is not None
    assert second.station_mm is not None
    return math.hypot(scale_u95_ratio * (second.station_mm - first.station_mm), sum(rests))


def shown_status(run: RunRecord, bolt: BoltRecord) -> Status:
    """A bolt's status; no bolt is ``ok`` on a run that itself must be shot again."""
    return "check" if bolt.status == "ok" and _run_spoils(run) else bolt.status


def in_wall_order(run: RunRecord) -> list[BoltRecord]:
    """The bolts by station; those without one last, by mark."""
    return sorted(run.bolts, key=lambda b: (b.station_mm is None, b.station_mm or 0.0, b.mark))


def hole_rows(run: RunRecord) -> tuple[HoleRow, ...]:
    """The hole-marking list of a run, in the order of the wall."""
    rows = []
    previous: BoltRecord | None = None
    for bolt in in_wall_order(run):
        status = shown_status(run, bolt)
        reasons = _reasons(run, bolt)
        numbered = status != "reshoot"
        u95 = bolt.u95
        rows.append(
            HoleRow(
                mark=bolt.mark,
                along=shown(bolt.station_mm, u95.station_mm, behind="back")
                if numbered and bolt.station_mm is not None
                else None,
                from_previous=_spacing(run, previous, bolt) if numbered else None,
                setback=shown(bolt.setback_mm, u95.setback_mm, behind="beyond the line")
                if numbered and bolt.setback_mm is not None
                else None,
                status=status,
                why=_titles(reasons, status),
                explained=(*_sentences(reasons), *_photos_alone(bolt)),
            )
        )
        previous = bolt
    return tuple(rows)


def lean_rows(survey: Survey, run: RunRecord, limit_deg: float = NUT_BEARS_FLAT_DEG) -> tuple[LeanRow, ...]:
    """The bolt-straightening list of a run, in the order of the wall; a bolt without a lean says so."""
    handed = left_handed(survey, run.name)
    rows = []
    for bolt in in_wall_order(run):
        why = _titles(_reasons(run, bolt), shown_status(run, bolt))
        found = straightening(bolt, limit_deg)
        if found is None:
            words = "RE-SHOOT" if bolt.status == "reshoot" else "not measured"
            rows.append(LeanRow(bolt.mark, None, words, None, "", None, why))
            continue
        moves = found.verdict == "straighten"
        rows.append(
            LeanRow(
                mark=bolt.mark,
                lean=angle_text(found.lean_deg, found.lean_u95_deg, 1),
                verdict=VERDICT_WORDS[found.verdict],
                tip_move=shown(found.tip_move_mm, found.tip_move_u95_mm) if moves else None,
                way=way_words(found) if moves else "",
                arrow_deg=page_turn_deg(found, handed) if moves else None,
                why=(*_why_of_verdict(found), *why),
            )
        )
    return tuple(rows)


def _why_of_verdict(found: Straightening) -> tuple[str, ...]:
    """What the lean has to do with the limit, in a few words; nothing where the bolt may stay as it is."""
    limit = f"{found.limit_deg:.1f}°"
    if found.verdict == "straighten":
        return (f"Leans more than {limit}",)
    if found.verdict == "engineer":
        return (f"Leans more than {FIELD_BEND_CEILING_DEG:.0f}°, too far to bend back",)
    if found.verdict == "cannot tell" and found.lean_u95_deg is not None:
        near = abs(found.lean_deg - found.limit_deg) <= found.lean_u95_deg
        return (f"Too near {limit} to tell",) if near else ()
    return ("Its ± is not known",) if found.verdict == "cannot tell" else ()


def straightening_tag(bolt: BoltRecord) -> list[str]:
    """What a picture says of a bolt's lean: how far the tip must come only where it must; nothing where it may stay."""
    found = straightening(bolt)
    if found is None or found.verdict == "leave":
        return []
    if found.verdict == "straighten":
        move = shown(found.tip_move_mm, found.tip_move_u95_mm)
        return [f"straighten: tip {move.inches} {move.plus_minus}"]
    why = "; ".join(_why_of_verdict(found)) or "bent along its length"
    head = "lean" if found.verdict == "cannot tell" else VERDICT_WORDS[found.verdict]
    return [f"{head}: {why[0].lower()}{why[1:]}"]


def must_come_mm(bolt: BoltRecord) -> tuple[float, float] | None:
    """How far the tip must come, along and across; None for every bolt that is not to be straightened, and where no
    part of the way is sure."""
    found = straightening(bolt)
    if found is None or found.verdict != "straighten" or (found.way_along is None and found.way_across is None):
        return None
    return found.move_along_mm, found.move_across_mm


def bolt_tag(run: RunRecord, bolt: BoltRecord) -> list[str]:
    """A bolt's mark, whether a person placed it, and its setback with ± unless it must be shot again."""
    status = shown_status(run, bolt)
    by_hand = ", by hand" if any(reason.code == "corrected-by-hand" for reason in bolt.reasons) else ""
    mark = bolt.mark if status == "ok" else f"{bolt.mark}  {STATUS_WORDS[status]}{by_hand}"
    if status == "reshoot" or bolt.setback_mm is None:
        return [mark]
    setback = shown(bolt.setback_mm, bolt.u95.setback_mm, behind="beyond the line")
    return [mark, f"in {setback.inches} {setback.plus_minus}"]


def angle_text(deg: float, u95_deg: float | None, decimals: int) -> str:
    """An angle with its ±, ``4.1 ± 0.6°``; told when that is not known."""
    return f"{deg:.{decimals}f}°, {NOT_KNOWN}" if u95_deg is None else f"{with_width(deg, u95_deg, decimals)}°"


def page_turn_deg(found: Straightening, handed: bool | None) -> float | None:
    """The way the tip must come on a page seen from above; None where it, or the handedness, is not known."""
    if handed is None or (found.way_along is None and found.way_across is None):
        return None
    return -found.turn_deg if handed else found.turn_deg


def way_words(found: Straightening) -> str:
    """The two parts of the move in words, largest first; parts within their own interval are left out."""
    parts = [(abs(found.move_across_mm), found.way_across), (abs(found.move_along_mm), found.way_along)]
    known = [(size_mm, way) for size_mm, way in sorted(parts, key=lambda part: -part[0]) if way]
    if not known:
        return "which way is not sure"
    if len(known) == 1:
        return str(known[0][1])
    (most_mm, most_way), (less_mm, less_way) = known
    little = "a little " if less_mm < _A_LITTLE * most_mm else ""
    return f"{most_way} and {little}{less_way}"


def _photos_alone(bolt: BoltRecord) -> tuple[str, ...]:
    """Where the photos alone had a bolt that was corrected by hand, as a sentence; nothing for others."""
    alone = bolt.photos_alone
    if alone is None or alone.station_mm is None or alone.setback_mm is None:
        return ()
    setback = shown(alone.setback_mm, alone.u95.setback_mm, behind="beyond the line")
    along = place_along(alone.station_mm)
    return (f"The photos alone had it {along} along and {setback.inches} {setback.plus_minus} in from the line.",)


def _spacing(run: RunRecord, previous: BoltRecord | None, bolt: BoltRecord) -> Shown | None:
    """From the bolt before on the wall; None where either has no number, so that no gap is measured across a third."""
    if previous is None or previous.status == "reshoot" or previous.station_mm is None or bolt.station_mm is None:
        return None
    return shown(bolt.station_mm - previous.station_mm, spacing_u95_mm(previous, bolt, run.scale_u95_ratio))


def _run_spoils(run: RunRecord) -> bool:
    return run.status == "reshoot" and bool(run.reasons)


def _reasons(run: RunRecord, bolt: BoltRecord) -> list[tuple[Finding, Subject]]:
    """Why a bolt has its status, what decided it first."""
    own: list[tuple[Finding, Subject]] = [(reason, "bolt") for reason in worst_first(bolt.reasons)]
    if bolt.status == "ok" and _run_spoils(run):
        return [*((reason, "run") for reason in run.reasons), *own]
    return own


def _titles(reasons: list[tuple[Finding, Subject]], status: Status) -> tuple[str, ...]:
    titles = tuple(dict.fromkeys(title(reason, subject) for reason, subject in reasons))
    return titles or (() if status == "ok" else ("No reason recorded",))


def _sentences(reasons: list[tuple[Finding, Subject]]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(explain(reason, subject) for reason, subject in reasons))


def along_title(run: RunRecord) -> str:
    """The heading over stations."""
    number = zero_card(run)
    return "Along the wall" if number is None else f"Along from card {number}"


def zero_words(run: RunRecord) -> str:
    """Where stations are counted from, and which way they rise."""
    numbers = sorted(card.number for card in run.cards)
    if not numbers:
        return "Stations count from the zero mark of the run's lowest-numbered card."
    rising = f" and rise toward card {numbers[-1]}" if len(numbers) > 1 else ""
    return f"Stations count from the zero mark of card {zero_card(run)}{rising}; “back” is the other way."
