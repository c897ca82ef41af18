"""Two surveys of a run, or a survey against a design: what of each bolt differs by more than both intervals allow.

The two are taken for independent measurements: the half-width of a difference is the root of the sum of both squares
(JCGM 100:2008, 5.1.2). One run has many numbers, and of twenty true "same" one would come out as different at 95 %; so
the half-widths are widened for the number of comparisons in the run (Bonferroni), and of twenty *runs* in which nothing
changed one may say that something did.

Stations are counted from a card, which may lie elsewhere the second time: the shift along that brings most bolts
together is taken off, and told. Setbacks are compared as they are: a line snapped elsewhere shows as a shift of all.
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

from sillwright.survey import BoltRecord, RunRecord

Place = Literal["same", "moved", "cannot tell"]
Lean = Literal["same", "straightened", "leans more", "leans another way", "cannot tell"]

PAIRED_WITHIN_MM = 101.6  # 4 in: bolts stand farther apart than twice this; common practice, no source
_NUMBERS_A_BOLT = 4  # station, setback, and the two parts of the lean
_FEWEST_FOR_SHIFT = 3  # bolts, before a shift of all of them is told as one


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

    station : after the run's shift along is taken off
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

    along_shift_mm : what was taken off the second one's stations
    ambiguous : another shift brings as many bolts together, so that each may be taken for its neighbour
    common_setback_mm : how far all setbacks moved together, where that shows; None where it does not
    new, gone : bolts of the second, and of the first, that have no partner
    """

    run: str
    pairs: tuple[Pair, ...]
    new: tuple[BoltRecord, ...]
    gone: tuple[BoltRecord, ...]
    along_shift_mm: float
    ambiguous: bool
    common_setback_mm: float | None

    @property
    def differs(self) -> bool:
        """Whether anything shows, or cannot be told."""
        changed = any(pair.place != "same" or pair.lean != "same" for pair in self.pairs)
        return changed or bool(self.new or self.gone)


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


def compare(first: Sequence[RunRecord], second: Sequence[RunRecord]) -> Comparison:
    """Compare the runs that have one name in both."""
    others = {run.name: run for run in second}
    names = {run.name for run in first}
    return Comparison(
        tuple(compare_run(run, others[run.name]) for run in first if run.name in others),
        tuple(run.name for run in first if run.name not in others),
        tuple(run.name for run in second if run.name not in names),
    )


def compare_run(first: RunRecord, second: RunRecord) -> RunComparison:
    """Pair the bolts of two surveys of a run and compare each pair."""
    shift_mm, ambiguous = along_shift(first.bolts, second.bolts)
    chosen = _paired(first.bolts, second.bolts, shift_mm)
    widen = _widening(len(chosen) * _NUMBERS_A_BOLT)
    pairs = tuple(_pair(first.bolts[one], second.bolts[other], shift_mm, widen) for one, other in chosen)
    ones, others = {one for one, _ in chosen}, {other for _, other in chosen}
    return RunComparison(
        first.name,
        pairs,
        tuple(bolt for place, bolt in enumerate(second.bolts) if place not in others),
        tuple(bolt for place, bolt in enumerate(first.bolts) if place not in ones),
        shift_mm,
        ambiguous,
        _common_setback(pairs),
    )


def along_shift(first: Sequence[BoltRecord], second: Sequence[BoltRecord]) -> tuple[float, bool]:
    """How much farther along the second counts its stations, and whether another answer is as good.

    Of all shifts that bring one bolt onto another the one that brings most pairs within reach, then the one that
    leaves least between them; 0 where nothing comes together.
    """
    ones, others = (_stations(bolts) for bolts in (first, second))
    if not ones.size or not others.size:
        return 0.0, False
    tried = [(*_together(ones, others, shift_mm), float(shift_mm)) for shift_mm in (others[:, None] - ones).ravel()]
    most = max(count for count, _, _ in tried)
    as_many = [(left_mm, shift_mm) for count, left_mm, shift_mm in tried if count == most]
    least_mm, best_mm = min(as_many, key=lambda one: (round(one[0], 6), abs(one[1])))
    as_good_mm = least_mm + _least_shift_mm(first, second)
    ambiguous = any(abs(by_mm - best_mm) > PAIRED_WITHIN_MM and left_mm <= as_good_mm for left_mm, by_mm in as_many)
    steps = _steps(ones, others, best_mm)
    shift_mm = best_mm + (median(steps) if steps else 0.0)
    return shift_mm if abs(shift_mm) > _least_shift_mm(first, second) else 0.0, ambiguous


def _least_shift_mm(first: Sequence[BoltRecord], second: Sequence[BoltRecord]) -> float:
    """What the bolts' own intervals explain of a shift: cards that were left lying give no more."""
    widths_mm = [bolt.u95.station_mm for bolt in (*first, *second) if bolt.u95.station_mm is not None]
    return math.sqrt(2.0) * max(widths_mm, default=0.0)


def _stations(bolts: Sequence[BoltRecord]) -> np.ndarray:
    return np.array([bolt.station_mm for bolt in bolts if bolt.station_mm is not None], dtype=float)


def _together(ones: np.ndarray, others: np.ndarray, shift_mm: float) -> tuple[int, float]:
    """How many bolts have one of the other survey within reach, and how far apart these are in the mean."""
    steps = _steps(ones, others, shift_mm)
    return len(steps), sum(map(abs, steps)) / max(len(steps), 1)


def _steps(ones: np.ndarray, others: np.ndarray, shift_mm: float) -> list[float]:
    apart = others - shift_mm - ones[:, None]
    nearest = apart[np.arange(len(ones)), np.abs(apart).argmin(axis=1)]
    return [float(step) for step in nearest if abs(step) <= PAIRED_WITHIN_MM]


def _paired(first: Sequence[BoltRecord], second: Sequence[BoltRecord], shift_mm: float) -> list[tuple[int, int]]:
    """Which bolt is which, one to one, with the least distance in all, and no two farther apart than is paired."""
    if not first or not second:
        return []
    far_mm = 1e6
    apart_mm = np.array([[_apart(one, other, shift_mm) for other in second] for one in first])
    rows, columns = linear_sum_assignment(np.minimum(apart_mm, far_mm))
    return [(int(one), int(other)) for one, other in zip(rows, columns, strict=True) if apart_mm[one, other] < far_mm]


def _apart(one: BoltRecord, other: BoltRecord, shift_mm: float) -> float:
    """How far a bolt is from one of the other survey; of one to shoot again the setback is not relied on."""
    if one.station_mm is None or other.station_mm is None:
        return math.inf
    along_mm = other.station_mm - shift_mm - one.station_mm
    across_mm = 0.0
    told = "reshoot" not in (one.status, other.status)
    if told and one.setback_mm is not None and other.setback_mm is not None:
        across_mm = other.setback_mm - one.setback_mm
    apart_mm = math.hypot(along_mm, across_mm)
    return apart_mm if apart_mm <= PAIRED_WITHIN_MM else math.inf


def _widening(comparisons: int) -> float:
    """By what half-widths of 95 % grow so that 95 in 100 runs with no change show none (Bonferroni)."""
    normal = NormalDist()
    return normal.inv_cdf(1.0 - 0.025 / max(comparisons, 1)) / normal.inv_cdf(0.975)


def _pair(one: BoltRecord, other: BoltRecord, shift_mm: float, widen: float) -> Pair:
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
        other,
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
    if len(known) < _FEWEST_FOR_SHIFT:
        return None
    middle_mm = median(one.mm for one in known)
    along_with = sum(one.shows and one.mm * middle_mm > 0.0 for one in known)
    return middle_mm if along_with * 3 >= len(known) * 2 else None
