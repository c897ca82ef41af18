"""A run's bolts as cards for hands that are full: mark, in from the line, along, and which way to push.

Numbers and words are those of the sheets (``tell.rows``); what is added is how a length sounds when it is read aloud.
A bolt that must be shot again has no number here either.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sillwright.decisions import Decision
from sillwright.lengths import to_sixteenths
from sillwright.page.marked import BY_HAND
from sillwright.page.words import Words
from sillwright.survey import BoltRecord, RunRecord, Status, Survey
from sillwright.tell.rows import HoleRow, LeanRow, Shown, hole_rows, in_wall_order, lean_rows, shown


@dataclass(frozen=True)
class BoltCard:
    """One bolt. ``hole`` and ``lean`` are its rows of the two lists; ``turn_deg`` turns an arrow that points right,
    clockwise; ``aloud`` is what the page reads out.

    by_hand : a person placed it; alone : then what the photos alone said, its setback and its place along; None where
    they showed no bolt there
    sent_back : the foreman's word, where the bolt was sent back
    """

    hole: HoleRow
    lean: LeanRow
    turn_deg: float | None
    aloud: str
    by_hand: bool = False
    alone: tuple[Shown, Shown] | None = None
    sent_back: Decision | None = None

    @property
    def mark(self) -> str:
        """The bolt's mark."""
        return self.hole.mark

    @property
    def status(self) -> Status:
        """The bolt's status, as it is shown."""
        return self.hole.status

    @property
    def push(self) -> Shown | None:
        """How far its tip must come, where it must."""
        return self.lean.tip_move if self.status != "reshoot" else None


def bolt_cards(
    survey: Survey, run: RunRecord, words: Words, sent_back: Mapping[str, Decision] | None = None
) -> tuple[BoltCard, ...]:
    """A card for each bolt, in the order of the wall; ``sent_back``: what was said of those that were, by mark."""
    sent_back = sent_back or {}
    rows = zip(in_wall_order(run), hole_rows(run), lean_rows(survey, run), strict=True)
    return tuple(
        BoltCard(
            hole,
            lean,
            None if lean.arrow_deg is None else -lean.arrow_deg,
            _aloud(bolt, hole, lean, words, bolt.mark in sent_back),
            any(reason.code == BY_HAND for reason in bolt.reasons),
            _alone(bolt),
            sent_back.get(bolt.mark),
        )
        for bolt, hole, lean in rows
    )


def _alone(bolt: BoltRecord) -> tuple[Shown, Shown] | None:
    said = bolt.photos_alone
    if said is None or said.setback_mm is None or said.station_mm is None:
        return None
    setback = shown(said.setback_mm, said.u95.setback_mm, behind="beyond the line")
    return setback, shown(said.station_mm, said.u95.station_mm, behind="back")


def spoken_length(mm: float, words: Words) -> str:
    """A length as it is said, to the sixteenth: ``5 feet 2 and 11 sixteenths inches``. Without its sign."""
    sixteenths = to_sixteenths(abs(mm))
    feet, rest = divmod(sixteenths, 12 * 16)
    inches, over = divmod(rest, 16)
    parts = [words("aloud.feet" if feet != 1 else "aloud.foot", count=feet)] if feet else []
    if over:
        size = 16
        while over % 2 == 0:
            over, size = over // 2, size // 2
        fraction = words(f"aloud.of_{size}" if over > 1 else f"aloud.one_of_{size}", count=over)
        parts.append(words("aloud.inches_and" if inches else "aloud.part_inch", inches=inches, fraction=fraction))
    elif inches or not feet:
        parts.append(words("aloud.inches" if inches != 1 else "aloud.inch", inches=inches))
    return " ".join(parts)


def _aloud(bolt: BoltRecord, hole: HoleRow, lean: LeanRow, words: Words, is_sent_back: bool) -> str:
    """The card in a few sentences; a doubt is said before any number."""
    said = [words("aloud.bolt", mark=" ".join(hole.mark))]
    said.append(words("aloud.sent_back" if is_sent_back else f"aloud.{hole.status}"))
    if hole.status == "reshoot":
        return " ".join(said)
    if hole.status == "check":
        said += [f"{words.phrase(why)}." for why in hole.why]
    if bolt.setback_mm is not None and hole.setback is not None:
        beyond = bolt.setback_mm < 0 and to_sixteenths(abs(bolt.setback_mm)) != 0
        key = "aloud.beyond" if beyond else "aloud.setback"
        said.append(words(key, length=spoken_length(bolt.setback_mm, words)))
    if bolt.station_mm is not None and hole.along is not None:
        back = bolt.station_mm < 0 and to_sixteenths(abs(bolt.station_mm)) != 0
        said.append(words("aloud.back" if back else "aloud.along", length=spoken_length(bolt.station_mm, words)))
    if lean.tip_move is not None and bolt.lean_along_mm is not None and bolt.lean_across_mm is not None:
        move_mm = (bolt.lean_along_mm**2 + bolt.lean_across_mm**2) ** 0.5
        said.append(words("aloud.push", length=spoken_length(move_mm, words), way=words.phrase(lean.way)))
    return " ".join(said)
