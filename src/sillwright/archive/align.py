"""How two surveys of a run lie on each other: the shift along between their stations, their order, the line's edge.

Stations are counted from the lowest-numbered card, which may lie elsewhere the second time, and rise with the cards'
numbers, which may run the other way. Setbacks are counted from the edge of the plate that the chalk line marks, which
each record names. Lengths are mm.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Literal

import numpy as np

from sillwright.survey import BoltRecord, RunRecord

Edges = Literal["alike", "converted", "cannot tell"]

PAIRED_WITHIN_MM = 101.6  # 4 in: bolts stand farther apart than twice this; common practice, no source
SAME_WIDTH_MM = 0.8  # 1/32 in: one width of plate, written in inches and in mm; common practice, no source
_FEWEST = 3  # bolts: of two nobody can say which one moved; common practice, no source


@dataclass(frozen=True)
class Shift:
    """The shift along that brings most bolts of the two together.

    mm : how much farther along the second counts its stations; 0 where the bolts' own intervals explain it
    agreeing, within_reach : bolts of the first with one of the second at their station, by the intervals, and near it
    ambiguous : another shift brings as many bolts together, so that each may be taken for its neighbour
    """

    mm: float
    agreeing: int
    within_reach: int
    ambiguous: bool

    @property
    def is_of_all(self) -> bool:
        """Whether enough bolts agree in it to say that it is one of the whole run, and no bolt's own."""
        return self.agreeing >= _FEWEST and 2 * self.agreeing > self.within_reach


def along_shift(first: Sequence[BoltRecord], second: Sequence[BoltRecord]) -> Shift:
    """Of all shifts that bring one bolt onto another the one that brings most pairs within reach, then the one that
    leaves least between them; none where nothing comes together.
    """
    ones, others = (_stations(bolts) for bolts in (first, second))
    if not ones.size or not others.size:
        return Shift(0.0, 0, 0, ambiguous=False)
    tried = [(*_together(ones, others, shift_mm), float(shift_mm)) for shift_mm in (others[:, None] - ones).ravel()]
    most = max(count for count, _, _ in tried)
    as_many = [(left_mm, shift_mm) for count, left_mm, shift_mm in tried if count == most]
    least_mm, best_mm = min(as_many, key=lambda one: (round(one[0], 6), abs(one[1])))
    explained_mm = _explained_mm(first, second)
    ambiguous = any(
        abs(by_mm - best_mm) > PAIRED_WITHIN_MM and left_mm <= least_mm + explained_mm for left_mm, by_mm in as_many
    )
    # A bolt that moved must not drag the others along: the middle is of those that agree. Twice, as each of two
    # differences has its own error.
    agreeing = [step for step in _steps(ones, others, best_mm) if abs(step) <= 2.0 * explained_mm + 1e-6]
    shift_mm = best_mm + median(agreeing)
    return Shift(shift_mm if abs(shift_mm) > explained_mm else 0.0, len(agreeing), most, ambiguous)


def across_shift(first: Sequence[BoltRecord], second: Sequence[BoltRecord], shift_mm: float) -> float:
    """How much farther in the second's setbacks read in common, where bolts can only be told apart by taking it off.

    The middle of the steps between bolts that have one of the other survey at their station after the shift along; 0
    where as many bolts are within reach of each other without it, or fewer than three are with it.
    """
    steps = np.array([other_mm - one_mm for one_mm, other_mm in _at_one_station(first, second, shift_mm)])
    if not steps.size:
        return 0.0
    middle_mm = float(np.median(steps))
    without, with_it = (int(np.sum(np.abs(steps - off) <= PAIRED_WITHIN_MM)) for off in (0.0, middle_mm))
    return middle_mm if with_it >= _FEWEST and with_it > without else 0.0


def from_other_end(bolts: Sequence[BoltRecord]) -> list[BoltRecord]:
    """Bolts as they would read with the cards numbered from the other end, but for a shift along.

    The side that setbacks are counted to is the plate's, whichever way stations run.
    """
    return [
        replace(bolt, station_mm=_negative(bolt.station_mm), lean_along_mm=_negative(bolt.lean_along_mm))
        for bolt in bolts
    ]


def edges_of(first: RunRecord, second: RunRecord) -> Edges:
    """Whether both lines mark one edge of the plate, and if not, whether its width leads from one to the other."""
    if first.line_marks == second.line_marks:
        return "alike"
    return "converted" if same_width(first, second) else "cannot tell"


def same_width(first: RunRecord, second: RunRecord) -> bool:
    """Whether both are of a plate of one width."""
    return abs(first.plate_width_mm - second.plate_width_mm) <= SAME_WIDTH_MM


def from_first_edge(first: RunRecord, second: RunRecord) -> list[BoltRecord]:
    """The second one's bolts with setbacks from the edge that the first one's line marks; None where that is not told.

    The plate's width is taken as written. How far apart the two lines really were snapped shows as a shift of all.
    """
    if first.line_marks == second.line_marks:
        return list(second.bolts)
    known = same_width(first, second)
    return [
        replace(
            bolt,
            setback_mm=second.plate_width_mm - bolt.setback_mm if known and bolt.setback_mm is not None else None,
            lean_across_mm=_negative(bolt.lean_across_mm),
        )
        for bolt in second.bolts
    ]


def _negative(mm: float | None) -> float | None:
    return None if mm is None else -mm


def _explained_mm(first: Sequence[BoltRecord], second: Sequence[BoltRecord]) -> float:
    """What the bolts' own intervals explain of a shift: cards that were left lying give no more."""
    widths_mm = [bolt.u95.station_mm for bolt in (*first, *second) if bolt.u95.station_mm is not None]
    return math.sqrt(2.0) * max(widths_mm, default=0.0)


def _stations(bolts: Sequence[BoltRecord]) -> np.ndarray:
    return np.array([bolt.station_mm for bolt in bolts if bolt.station_mm is not None], dtype=float)


def _together(ones: np.ndarray, others: np.ndarray, shift_mm: float) -> tuple[int, float]:
    """How many bolts have one of the other survey within reach, and how far apart these are in the mean."""
    steps = _steps(ones, others, shift_mm)
    return len(steps), sum(map(abs, steps)) / max(len(steps), 1)


def _at_one_station(
    first: Sequence[BoltRecord], second: Sequence[BoltRecord], shift_mm: float
) -> Iterator[tuple[float, float]]:
    """Both setbacks of each bolt of the first and the one of the second that is nearest to it along, within reach."""
    ones, others = (
        [
            (bolt.station_mm, bolt.setback_mm)
            for bolt in bolts
            if bolt.status != "reshoot" and bolt.station_mm is not None and bolt.setback_mm is not None
        ]
        for bolts in (first, second)
    )
    for station_mm, setback_mm in ones:
        near = [(abs(at_mm - shift_mm - station_mm), other_mm) for at_mm, other_mm in others]
        apart_mm, other_mm = min(near, default=(math.inf, 0.0))
        if apart_mm <= PAIRED_WITHIN_MM:
            yield setback_mm, other_mm


def _steps(ones: np.ndarray, others: np.ndarray, shift_mm: float) -> list[float]:
    apart = others - shift_mm - ones[:, None]
    nearest = apart[np.arange(len(ones)), np.abs(apart).argmin(axis=1)]
    return [float(step) for step in nearest if abs(step) <= PAIRED_WITHIN_MM]
