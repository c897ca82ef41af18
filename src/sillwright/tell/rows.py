"""The rows of the two lists, as text: what every table and sheet prints, worked out in one place.

A bolt that must be shot again has no number here, so none can reach any paper. The ± after inches holds the 95 %
interval *and* the rounding of the number before it to a sixteenth; the ± after millimetres is the interval alone.
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
from sillwright.lengths import MM_PER_INCH, format_feet_inches, to_sixteenths
from sillwright.survey import BoltRecord, Finding, RunRecord, Status, Survey
from sillwright.tell.frames import left_handed, zero_card
from sillwright.tell.reasons import Subject, explain, title

STATUS_WORDS: dict[Status, str] = {"ok": "ok", "check": "CHECK", "reshoot": "RE-SHOOT"}
VERDICT_WORDS: dict[Verdict, str] = {
    "straighten": "straighten",
    "leave": "leave",
    "cannot tell": "cannot tell",
    "engineer": "ask the engineer",
}
_MM_PER_SIXTEENTH = MM_PER_INCH / 16
_A_LITTLE = 0.5
_ARROWS = "→↗↑↖←↙↓↘"  # by eighths of a turn, counterclockwise from stations rising to the right


@dataclass(frozen=True)
class Shown:
    """One length as it is printed: ``2 3/4"`` with ``± 0.04"``, and the same in millimetres, ``69.8 ± 0.5 mm``."""

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
        return Shown(format_feet_inches(size_mm) + tail, "± not known", f"{sign}{size_mm:.1f} mm, ± not known")
    return Shown(
        format_feet_inches(size_mm) + tail,
        f'± {plus_minus_inches(size_mm, u95_mm):.2f}"',
        f"{sign}{size_mm:.1f} ± {up(u95_mm, 1):.1f} mm",
    )


def plus_minus_inches(mm: float, u95_mm: float) -> float:
    """The half-width, in hundredths of an inch rounded up, that holds the interval about the rounded number."""
    rounding_mm = abs(abs(mm) - to_sixteenths(abs(mm)) * _MM_PER_SIXTEENTH)
    return up((u95_mm + rounding_mm) / MM_PER_INCH, 2)


def up(value: float, decimals: int) -> float:
    """Rounded up, never down: a ± figure must not shrink on paper."""
    step = 10**decimals
    return math.ceil(value * step - 1e-6) / step


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
                explained=_sentences(reasons),
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
        moves = found.verdict != "leave"
        rows.append(
            LeanRow(
                mark=bolt.mark,
                lean=lean_text(found.lean_deg, found.lean_u95_deg),
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
    return ()


def bolt_tag(run: RunRecord, bolt: BoltRecord) -> list[str]:
    """A bolt's mark, and its setback with ± unless it must be shot again."""
    status = shown_status(run, bolt)
    mark = bolt.mark if status == "ok" else f"{bolt.mark}  {STATUS_WORDS[status]}"
    if status == "reshoot" or bolt.setback_mm is None:
        return [mark]
    setback = shown(bolt.setback_mm, bolt.u95.setback_mm, behind="beyond the line")
    return [mark, f"in {setback.inches} {setback.plus_minus}"]


def lean_text(lean_deg: float, u95_deg: float | None) -> str:
    """``4.1 ± 0.6°``."""
    return f"{lean_deg:.1f}°, ± not known" if u95_deg is None else f"{lean_deg:.1f} ± {up(u95_deg, 1):.1f}°"


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


def _spacing(run: RunRecord, previous: BoltRecord | None, bolt: BoltRecord) -> Shown | None:
    """From the bolt before on the wall; None where either has no number, so that no gap is measured across a third."""
    if previous is None or previous.status == "reshoot" or previous.station_mm is None or bolt.station_mm is None:
        return None
    return shown(bolt.station_mm - previous.station_mm, spacing_u95_mm(previous, bolt, run.scale_u95_ratio))


def _run_spoils(run: RunRecord) -> bool:
    return run.status == "reshoot" and bool(run.reasons)


def _reasons(run: RunRecord, bolt: BoltRecord) -> list[tuple[Finding, Subject]]:
    reasons: list[tuple[Finding, Subject]] = [(reason, "bolt") for reason in bolt.reasons]
    if bolt.status == "ok" and _run_spoils(run):
        reasons += [(reason, "run") for reason in run.reasons]
    return reasons


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
