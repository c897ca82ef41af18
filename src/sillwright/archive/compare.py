"""Two surveys of a run, or a survey against a design: what of each bolt differs by more than both intervals allow.

The two are taken for independent measurements: the half-width of a difference is the root of the sum of both squares
(JCGM 100:2008, 5.1.2). One run has many numbers, and of twenty true "same" one would come out as different at 95 %; so
the half-widths are widened for the number of comparisons in the run (Bonferroni), and of twenty *runs* in which nothing
changed one may say that something did.

Stations are counted from a card, which may lie elsewhere the second time. Then only the spacing can be compared, and
whether the whole run moved along cannot be told: a shift along is taken off where it is asked for, or where three bolts
or more agree in it, and then the comparison still says that something cannot be told. Against a design nothing is taken
off unless asked. Where the bolts fit better counted from the other end, they are compared so, which is told in the same
way. Setbacks are never shifted: where all of them differ by more than bolts are paired over, that only serves to tell
which bolt is which. Of two lines that mark two edges of one plate, its width leads from one to the other.
Lengths are mm, angles degrees; a difference is the second less the first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist, median
from typing import Literal

import numpy as np
from scipy.optimize import linear_sum_assignment

from sillwright.archive.align import (
    PAIRED_WITHIN_MM,
    Edges,
    Shift,
    across_shift,
    along_shift,
    edges_of,
    from_first_edge,
    from_other_end,
    same_width,
)
from sillwright.survey import BoltRecord, RunRecord

Place = Literal["same", "moved", "cannot tell"]
Lean = Literal["same", "straightened", "leans more", "leans another way", "cannot tell"]
Align = Literal["agreed", "along", "none"]
Order = Literal["same", "turned", "cannot tell"]

NUMBERS_A_BOLT = 4  # station, setback, and the two parts of the lean
_FEWEST_FOR_ALL = 3  # bolts, before something is told of all of them as one
_TURNED_BY = 2  # places and leans more that must agree from the other end; one more is within what chance does


@dataclass(frozen=True)
class Difference:
    """One number's difference; ``allowance_mm`` is what it must be over to count, with all comparisons of its run."""

    mm: float
    u95_mm: float
    allowance_mm: float

    @property
    def shows(self) -> bool:
        """Whether it is more than chance."""
        return abs(self.mm) > self.allowance_mm


@dataclass(frozen=True)
class Pair:
    """One bolt in both. Differences are None where a number is missing in one of them, and are not relied on where
    ``doubtful``: one of the two is ``check`` in its record.

    first, second : as the records have them
    station, setback, lean_along, lean_across : after the run's shift along is taken off, both from the first one's end
        and from the edge of the plate that its line marks
    lean_first_deg, lean_second_deg : as the records have them
    """

    first: BoltRecord
    second: BoltRecord
    station: Difference | None
    setback: Difference | None
    lean_along: Difference | None
    lean_across: Difference | None
    place: Place
    lean: Lean
    doubtful: bool


@dataclass(frozen=True)
class RunComparison:
    """One run in both.

    align : what the caller asked to be taken off
    along_shift_mm : what was taken off the second one's stations; after their sign was turned, where ``turned``
    along_seen_mm : what would bring most bolts together, taken off or not
    along_agreeing, along_within_reach : how many bolts agree in that, of how many that have one near them then
    ambiguous : another shift brings as many bolts together, so that each may be taken for its neighbour
    order : ``turned`` where the second one's stations are counted from the other end
    edges : ``converted`` where the second one's setbacks were counted from the plate's other edge
    line_marks, plate_width_mm : of the first and of the second
    common_setback_mm : how far all setbacks differ together, where that shows; None where it does not
    across_paired_mm : how far all setbacks differ where the bolts could only be paired by taking that off; it is taken
        off for the pairing alone, and is 0 elsewhere
    widened_by : what the half-widths of the differences are multiplied by, for the number of comparisons
    new, gone : bolts of the second, and of the first, that have no partner
    """

    run: str
    pairs: tuple[Pair, ...]
    new: tuple[BoltRecord, ...]
    gone: tuple[BoltRecord, ...]
    align: Align
    along_shift_mm: float
    along_seen_mm: float
    along_agreeing: int
    along_within_reach: int
    ambiguous: bool
    order: Order
    edges: Edges
    line_marks: tuple[str, str]
    plate_width_mm: tuple[float, float]
    one_width: bool
    common_setback_mm: float | None
    across_paired_mm: float
    widened_by: float

    @property
    def bolts_differ(self) -> bool:
        """Whether something shows of a bolt, or cannot be told of it."""
        return bool(self.new or self.gone) or any(pair.place != "same" or pair.lean != "same" for pair in self.pairs)

    @property
    def differs(self) -> bool:
        """Whether anything shows, or cannot be told: a shift of all, too, that nobody asked to be taken off."""
        shifted = (self.along_shift_mm != 0.0 and self.align != "along") or self.across_paired_mm != 0.0
        return self.bolts_differ or shifted or self.ambiguous or self.order != "same" or not self.one_width


@dataclass(frozen=True)
class Comparison:
    """All runs that both have, in the order of the first; and the names that only one has."""

    runs: tuple[RunComparison, ...]
    only_first: tuple[str, ...]
    only_second: tuple[str, ...]

    @property
    def differs(self) -> bool:
        """Whether anything of any run shows, or cannot be told."""
        return bool(self.only_first or self.only_second) or any(run.differs for run in self.runs)


def compare(first: Sequence[RunRecord], second: Sequence[RunRecord], align: Align = "agreed") -> Comparison:
    """Compare the runs that have one name in both; ``align`` as in ``compare_run``."""
    others = {run.name: run for run in second}
    names = {run.name for run in first}
    return Comparison(
        tuple(compare_run(run, others[run.name], align) for run in first if run.name in others),
        tuple(run.name for run in first if run.name not in others),
        tuple(run.name for run in second if run.name not in names),
    )


def compare_run(first: RunRecord, second: RunRecord, align: Align = "agreed") -> RunComparison:
    """Pair the bolts of two surveys of a run and compare each pair.

    align : which shift along is taken off: ``along`` the one that brings most bolts together, ``agreed`` the same where
        three bolts or more agree in it, ``none`` none
    """
    seen = from_first_edge(first, second)
    laid, other_way = (_best(first, second, some) for some in (seen, from_other_end(seen)))
    order = _order(laid, other_way, align)
    if order == "turned":
        laid = other_way
    elif align == "none" or (align == "agreed" and not laid.seen.is_of_all):
        laid = _lay(first, second, seen, laid.seen, 0.0)
    ones, others = {one for one, _ in laid.chosen}, {other for _, other in laid.chosen}
    return RunComparison(
        run=first.name,
        pairs=laid.pairs,
        new=tuple(bolt for place, bolt in enumerate(second.bolts) if place not in others),
        gone=tuple(bolt for place, bolt in enumerate(first.bolts) if place not in ones),
        align=align,
        along_shift_mm=laid.shift_mm,
        along_seen_mm=laid.seen.mm,
        along_agreeing=laid.seen.agreeing,
        along_within_reach=laid.seen.within_reach,
        ambiguous=align != "none" and laid.seen.ambiguous,
        order=order,
        edges=edges_of(first, second),
        line_marks=(first.line_marks, second.line_marks),
        plate_width_mm=(first.plate_width_mm, second.plate_width_mm),
        one_width=same_width(first, second),
        common_setback_mm=_common_setback(laid.pairs),
        across_paired_mm=laid.across_mm,
        widened_by=laid.widened_by,
    )


@dataclass(frozen=True)
class _Laid:
    """The two laid on each other in one way: the shift taken off, and which bolt is which by their places.

    across_mm : what was taken off setbacks for that, and for that alone
    """

    seen: Shift
    shift_mm: float
    across_mm: float
    widened_by: float
    chosen: tuple[tuple[int, int], ...]
    pairs: tuple[Pair, ...]

    @property
    def fit(self) -> tuple[int, int]:
        """How many places agree, but for what all setbacks differ by; and with the leans that agree."""
        known = [pair for pair in self.pairs if pair.station is not None and pair.setback is not None]
        middle_mm = median(pair.setback.mm for pair in known if pair.setback) if known else 0.0
        places = sum(
            not pair.station.shows and abs(pair.setback.mm - middle_mm) <= pair.setback.allowance_mm
            for pair in known
            if pair.station and pair.setback
        )
        return places, places + sum(pair.lean == "same" for pair in self.pairs)


def _best(first: RunRecord, second: RunRecord, seen: Sequence[BoltRecord]) -> _Laid:
    shift = along_shift(first.bolts, seen)
    return _lay(first, second, seen, shift, shift.mm)


def _lay(first: RunRecord, second: RunRecord, seen: Sequence[BoltRecord], shift: Shift, shift_mm: float) -> _Laid:
    """Pair the first one's bolts with the second one's as ``seen`` from the first one's end and edge."""
    across_mm = across_shift(first.bolts, seen, shift_mm)
    chosen = _paired(first.bolts, seen, shift_mm, across_mm)
    widen = _widening(len(chosen) * NUMBERS_A_BOLT)
    pairs = (_pair(first.bolts[one], second.bolts[other], seen[other], shift_mm, widen) for one, other in chosen)
    return _Laid(shift, shift_mm, across_mm, widen, tuple(chosen), tuple(pairs))


def _order(same: _Laid, turned: _Laid, align: Align) -> Order:
    """Whether the bolts fit better from the other end, and so much that they are compared so, where that may be."""
    places, all_told = turned.fit
    better_by = all_told - same.fit[1]
    if places < _FEWEST_FOR_ALL or better_by <= 0:
        return "same"
    return "turned" if better_by >= _TURNED_BY and align != "none" else "cannot tell"


def _paired(
    first: Sequence[BoltRecord], second: Sequence[BoltRecord], shift_mm: float, across_mm: float
) -> list[tuple[int, int]]:
    """Which bolt is which, one to one, with the least distance in all, and no two farther apart than is paired."""
    if not first or not second:
        return []
    far_mm = 1e6
    apart_mm = np.array([[_apart(one, other, shift_mm, across_mm) for other in second] for one in first])
    rows, columns = linear_sum_assignment(np.minimum(apart_mm, far_mm))
    return [(int(one), int(other)) for one, other in zip(rows, columns, strict=True) if apart_mm[one, other] < far_mm]


def _apart(one: BoltRecord, other: BoltRecord, shift_mm: float, common_mm: float) -> float:
    """How far a bolt is from one of the other survey; of one to shoot again the setback is not relied on."""
    if one.station_mm is None or other.station_mm is None:
        return math.inf
    along_mm = other.station_mm - shift_mm - one.station_mm
    across_mm = 0.0
    told = "reshoot" not in (one.status, other.status)
    if told and one.setback_mm is not None and other.setback_mm is not None:
        across_mm = other.setback_mm - common_mm - one.setback_mm
    apart_mm = math.hypot(along_mm, across_mm)
    return apart_mm if apart_mm <= PAIRED_WITHIN_MM else math.inf


def _widening(comparisons: int) -> float:
    """By what half-widths of 95 % grow so that 95 in 100 runs with no change show none (Bonferroni)."""
    normal = NormalDist()
    return normal.inv_cdf(1.0 - 0.025 / max(comparisons, 1)) / normal.inv_cdf(0.975)


def _pair(one: BoltRecord, record: BoltRecord, other: BoltRecord, shift_mm: float, widen: float) -> Pair:
    """The second one's bolt as its ``record`` has it, and as it is seen from the first one's end and edge."""
    told = "reshoot" not in (one.status, other.status)
    station, setback, along, across = (
        _difference(*numbers, widen) if told else None
        for numbers in (
            (one.station_mm, other.station_mm, one.u95.station_mm, other.u95.station_mm, shift_mm),
            (one.setback_mm, other.setback_mm, one.u95.setback_mm, other.u95.setback_mm, 0.0),
            (one.lean_along_mm, other.lean_along_mm, one.u95.lean_along_mm, other.u95.lean_along_mm, 0.0),
            (one.lean_across_mm, other.lean_across_mm, one.u95.lean_across_mm, other.u95.lean_across_mm, 0.0),
        )
    )
    doubtful = "check" in (one.status, other.status)
    return Pair(
        one,
        record,
        station,
        setback,
        along,
        across,
        _place(station, setback),
        _lean(one, other, along, across),
        doubtful,
    )


def _difference(
    one_mm: float | None,
    other_mm: float | None,
    one_u95_mm: float | None,
    other_u95_mm: float | None,
    shift_mm: float,
    widen: float,
) -> Difference | None:
    if one_mm is None or other_mm is None or one_u95_mm is None or other_u95_mm is None:
        return None
    u95_mm = math.hypot(one_u95_mm, other_u95_mm)
    return Difference(other_mm - shift_mm - one_mm, u95_mm, u95_mm * widen)


def _place(station: Difference | None, setback: Difference | None) -> Place:
    known = [one for one in (station, setback) if one is not None]
    if any(one.shows for one in known):
        return "moved"
    return "same" if len(known) == 2 else "cannot tell"


def _lean(one: BoltRecord, other: BoltRecord, along: Difference | None, across: Difference | None) -> Lean:
    """By the tip's way, and then by whether it came nearer to plumb or went farther from it than chance explains."""
    if along is None or across is None:
        return "cannot tell"
    if not along.shows and not across.shows:
        return "same"
    before_mm, after_mm = (math.hypot(bolt.lean_along_mm or 0.0, bolt.lean_across_mm or 0.0) for bolt in (one, other))
    allowance_mm = math.hypot(along.allowance_mm, across.allowance_mm) / math.sqrt(2.0)
    if after_mm < before_mm - allowance_mm:
        return "straightened"
    return "leans more" if after_mm > before_mm + allowance_mm else "leans another way"


def _common_setback(pairs: Sequence[Pair]) -> float | None:
    """The median of all setback differences, where there are three or more, and most of them show, one way."""
    known = [pair.setback for pair in pairs if pair.setback is not None]
    if len(known) < _FEWEST_FOR_ALL:
        return None
    middle_mm = median(one.mm for one in known)
    along_with = sum(one.shows and one.mm * middle_mm > 0.0 for one in known)
    return middle_mm if along_with * 3 >= len(known) * 2 else None
