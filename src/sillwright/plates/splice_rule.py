"""What the bolts as cast allow at every station where a piece of first plate could end; stations in millimetres.

The rule is IRC R403.1.6 in plain numbers (2015 to 2024 editions, read in excerpts): at least two bolts a plate section,
one of them not less than 7 bolt diameters and not more than 12 in from each end of it, and 6 ft at most between bolts.
IBC 2308 has 4 in for the first. Every figure is given by whoever calls.

A bolt serves an end *surely* where its whole 95 % interval lies in the end's window, and *perhaps* where part of it
does. Bolts nearer to an end than the window never count, neither to spacing nor to the number a piece wants: an anchor
stands in the window behind them in any case.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

EPS_MM = 1e-6
# A 3 in plate washer (IRC R602.11.1) shall not lie over a joint: common practice, no source.
HALF_PLATE_WASHER_MM = 1.5 * 25.4
# Where no end distance is stated: shorter pieces are not planned (common practice, no source).
SHORTEST_PIECE_MM = 24 * 25.4
MARGIN_CAP_MM = 12 * 25.4  # where no window bounds it: a joint farther than this from any bolt is as good

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class RunBolt:
    """One bolt as cast: its station, and the half-width of that station's 95 % interval; or an anchor still planned."""

    mark: str
    station_mm: float
    u95_mm: float
    planned: Literal["end", "spacing"] | None = None


@dataclass(frozen=True)
class AnchorRule:
    """The figures a first plate is judged by; None where the code has no such figure.

    end_least_mm, end_most_mm : from each end of a piece to a bolt, along the chalk-line edge
    bolts_a_piece : at least so many bolts in each piece
    spacing_most_mm : between neighbouring bolts
    """

    end_least_mm: float = 3.5 * 25.4
    end_most_mm: float | None = 12 * 25.4
    bolts_a_piece: int = 2
    spacing_most_mm: float | None = 72 * 25.4

    @property
    def clear_mm(self) -> float:
        """How far a joint keeps from any bolt: the end distance, and at least half a plate washer."""
        return max(self.end_least_mm, HALF_PLATE_WASHER_MM)

    @property
    def shortest_piece_mm(self) -> float:
        """The shortest piece a joint may leave: the windows of its two ends shall not overlap.

        With 12 in that is 24 in, up to where IRC R403.1.6 (exception, from memory) has rules of its own for a wall.
        """
        return SHORTEST_PIECE_MM if self.end_most_mm is None else 2.0 * self.end_most_mm

    @property
    def margin_cap_mm(self) -> float:
        """The best margin a joint can have: a bolt in the middle of each window."""
        return MARGIN_CAP_MM if self.end_most_mm is None else (self.end_most_mm - self.end_least_mm) / 2.0

    @property
    def spacing_first(self) -> bool:
        """Whether wide gaps are filled before joints are sought.

        Where two windows back to back are no wider than the largest spacing, no gap across a joint can be too wide, and
        each piece stands by itself. Else the gaps of the run are filled evenly first, and what joints want comes on
        top: another filling of the same gaps might have served a joint as well.
        """
        return self.spacing_most_mm is not None and (
            self.end_most_mm is None or 2.0 * self.end_most_mm > self.spacing_most_mm + EPS_MM
        )

    def between(self, distance_mm: Any) -> Ints:
        """Anchors wanted between two anchors so far apart."""
        if self.spacing_most_mm is None:
            return np.zeros(np.shape(distance_mm), dtype=np.int64)
        gaps = np.ceil((np.asarray(distance_mm, dtype=float) - EPS_MM) / self.spacing_most_mm)
        return np.maximum(gaps.astype(np.int64) - 1, 0)

    def in_bare_piece(self, length_mm: Any) -> Ints:
        """Anchors wanted in a piece so long that holds no bolt; one serves both ends where the windows overlap."""
        length = np.asarray(length_mm, dtype=float)
        if self.end_most_mm is None:
            return np.full(length.shape, self.bolts_a_piece, dtype=np.int64)
        inner = length - 2.0 * self.end_most_mm
        return np.maximum(np.where(inner < -EPS_MM, 1, 2 + self.between(inner)), self.bolts_a_piece)


@dataclass(frozen=True)
class Ends:
    """What an end at each station asks for; *low* where a piece begins there, *high* where one ends there.

    first, last : index of the first bolt that counts for a piece beginning, the last for one ending there
    low_added, high_added : anchors to add between this end and that bolt, the end's own included
    low_perhaps, high_perhaps : 1 where the window is served only perhaps
    near : bolts that are not surely clear of the end, on either side
    wood_mm : where the end lies on the plate's middle line, from which bolts are counted; station_mm where it is square
    margin_mm : how far a joint there may be off before it breaks the rule, u95 taken off; at most the rule's cap
    """

    station_mm: Floats
    wood_mm: Floats
    first: Ints
    last: Ints
    low_added: Ints
    high_added: Ints
    low_perhaps: Ints
    high_perhaps: Ints
    near: Ints
    margin_mm: Floats


def judge_ends(
    station_mm: Floats, bolts: tuple[RunBolt, ...], rule: AnchorRule, out_mm: tuple[float, float] = (0.0, 0.0)
) -> Ends:
    """Judge every station as an end of a piece; ``bolts`` rise in station.

    out_mm : how far the first and the last of the ends lie farther out on the plate's middle line
    """
    wood_mm = station_mm.copy()
    wood_mm[0] -= out_mm[0]
    wood_mm[-1] += out_mm[1]
    at, u95 = (np.array([getattr(bolt, name) for bolt in bolts], dtype=float) for name in ("station_mm", "u95_mm"))
    away = at[None, :] - wood_mm[:, None]
    low = _side(away, u95, rule)
    high = _side(-away[:, ::-1], u95[::-1], rule)
    clear = np.abs(away) - u95 - rule.clear_mm
    margin = np.minimum(low.margin_mm, high.margin_mm)
    if bolts:
        margin = np.minimum(margin, clear.min(axis=1))
    cap = rule.margin_cap_mm
    return Ends(
        station_mm,
        wood_mm,
        low.nearest,
        len(bolts) - 1 - high.nearest,
        low.added,
        high.added,
        low.perhaps,
        high.perhaps,
        (clear < -EPS_MM).sum(axis=1).astype(np.int64),
        np.clip(margin, -cap, cap),
    )


@dataclass(frozen=True)
class _Side:
    nearest: Ints
    added: Ints
    perhaps: Ints
    margin_mm: Floats


def _side(away: Floats, u95: Floats, rule: AnchorRule) -> _Side:
    """One side of each station: distances rise along the second axis, positive into the piece."""
    stations, bolts = away.shape
    counts = (away > 0.0) & (away + u95 >= rule.end_least_mm - EPS_MM)
    none = np.zeros(stations, dtype=np.int64)
    nearest = np.where(counts.any(axis=1), counts.argmax(axis=1), bolts) if bolts else none
    if rule.end_most_mm is None:
        return _Side(nearest, none, none, np.full(stations, rule.margin_cap_mm))
    inside = np.where(away > 0.0, np.minimum(away - rule.end_least_mm, rule.end_most_mm - away), -np.inf)
    surely = (inside - u95 >= -EPS_MM).any(axis=1)
    perhaps = (inside + u95 >= -EPS_MM).any(axis=1)
    # An anchor in the window stands best at its inner end, where it is nearest to the next bolt.
    padded = np.concatenate([away + u95, np.zeros((stations, 1))], axis=1)
    beyond = padded[np.arange(stations), nearest] - rule.end_most_mm
    added = np.where(perhaps, none, rule.between(beyond) + 1).astype(np.int64)
    best = np.max(inside - u95, axis=1, initial=-np.inf)
    return _Side(nearest, added, np.where(perhaps & ~surely, 1, none), np.where(perhaps, best, rule.margin_cap_mm))


@dataclass(frozen=True)
class Gaps:
    """Between neighbouring bolts, summed from the first bolt on: anchors to add, and gaps that are perhaps too wide."""

    added: Ints
    perhaps: Ints


def judge_gaps(bolts: tuple[RunBolt, ...], rule: AnchorRule) -> Gaps:
    """Judge the spacing of neighbouring bolts with both their intervals."""
    added, perhaps = [0], [0]
    for low, high in pairwise(bolts):
        verdict = gap_verdict(low, high, rule)
        added.append(added[-1] + verdict[0])
        perhaps.append(perhaps[-1] + verdict[1])
    return Gaps(np.array(added, dtype=np.int64), np.array(perhaps, dtype=np.int64))


def gap_verdict(low: RunBolt, high: RunBolt, rule: AnchorRule) -> tuple[int, int]:
    """Anchors to add between two neighbours, and 1 where their gap is only perhaps too wide.

    Anchors are called for where the gap is too wide on the whole interval, and then enough for the widest it may be.
    """
    gap_mm, u95_mm = high.station_mm - low.station_mm, low.u95_mm + high.u95_mm
    if rule.spacing_most_mm is None or gap_mm + u95_mm <= rule.spacing_most_mm + EPS_MM:
        return 0, 0
    if gap_mm - u95_mm <= rule.spacing_most_mm + EPS_MM:
        return 0, 1
    return int(rule.between(gap_mm + u95_mm)), 0


def fill_first(low_mm: float, high_mm: float, bolts: tuple[RunBolt, ...], rule: AnchorRule) -> tuple[RunBolt, ...]:
    """The anchors that fill too wide gaps of the run evenly (``AnchorRule.spacing_first``), its ends included.

    An end whose window is empty gets an anchor in the window's middle. No code read says how far from the run's end the
    first bolt may be where it gives no end distance: the largest spacing is used there. A run without bolts gets
    ceil((length - 2 end distances) / spacing) + 1 anchors in equal fields.
    """
    if not rule.spacing_first or rule.spacing_most_mm is None:
        return ()
    if not bolts:
        inner_mm = max(high_mm - low_mm - 2.0 * rule.end_least_mm, 0.0)
        count = max(math.ceil((inner_mm - EPS_MM) / rule.spacing_most_mm) + 1, rule.bolts_a_piece)
        field_mm = (high_mm - low_mm) / count
        return tuple(RunBolt("", low_mm + (index + 0.5) * field_mm, 0.0, "spacing") for index in range(count))
    if rule.end_most_mm is None:
        edges: tuple[RunBolt, ...] = (RunBolt("", low_mm, 0.0), *bolts, RunBolt("", high_mm, 0.0))
        filled: list[RunBolt] = []
    else:
        filled = _in_empty_windows(low_mm, high_mm, bolts, rule)
        edges = tuple(sorted((*bolts, *filled), key=lambda bolt: bolt.station_mm))
    for below, above in pairwise(edges):
        count, _ = gap_verdict(below, above, rule)
        start_mm, stop_mm = below.station_mm - below.u95_mm, above.station_mm + above.u95_mm
        step_mm = (stop_mm - start_mm) / (count + 1)
        filled += [RunBolt("", start_mm + (index + 1) * step_mm, 0.0, "spacing") for index in range(count)]
    return tuple(filled)


def _in_empty_windows(low_mm: float, high_mm: float, bolts: tuple[RunBolt, ...], rule: AnchorRule) -> list[RunBolt]:
    """An anchor for each end of the run that no bolt serves even perhaps."""
    ends = judge_ends(np.array([low_mm, high_mm]), bolts, rule)
    assert rule.end_most_mm is not None
    middle_mm = (rule.clear_mm + rule.end_most_mm) / 2.0
    low = [RunBolt("", low_mm + middle_mm, 0.0, "end")] if ends.low_added[0] else []
    high = [RunBolt("", high_mm - middle_mm, 0.0, "end")] if ends.high_added[1] else []
    return low + high
