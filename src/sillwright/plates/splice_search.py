"""The best places for the joints of one layer of plate, searched exactly; lengths in millimetres.

The best plan, one count after the other: fewest anchors to add; fewest doubts (a window served only perhaps, a gap
perhaps too wide, a bolt not surely clear of a joint); fewest pieces; least stock (all pieces together are as long as
the run, so least waste); the largest smallest margin of its joints; the largest sum of their margins. Of plans alike
in all that it takes the one whose last joint has the lowest station, and so on. Stock and margins count in tenths of a
millimetre.

Exactness. A joint may lie on every mark, so nothing rests on a choice of candidates. A plan is a path from the low end
over its joints to the high end. Pieces of ``shortest_mm`` or more are judged each by itself, so the first, second and
fourth count are sums over pieces and joints, and the third is the number of layers of the dynamic programme. One
integer a mark holds the counts as digits, the first the highest. The smallest margin may ride as the lowest digit: a
start of the path that is worse in the sums can never be part of the best path, and of two alike in them the one with
the larger smallest margin never ends with the smaller. For the sum of margins that holds only once the smallest is
known, so the search is done twice: the second time with joints of that margin or better, and sums in its place.

Speed. What a piece asks depends on its two ends alone and on their bolts' sums, but for the number a piece wants at
least and for pieces without bolts; so the best start for all marks is a range minimum over sums at the start, taken
from a table of powers of two (Bender and Farach-Colton 2000, "The LCA problem revisited", from memory). Starts that
cannot be on the best path are dropped on the way, and a longer stock is asked only where it reaches farther back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sillwright.errors import JobError
from sillwright.lengths import format_feet_inches
from sillwright.plates.splice_rule import EPS_MM, AnchorRule, Ends, Gaps, Ints

NEVER = 1 << 61
TENTHS = 10


@dataclass(frozen=True)
class Layer:
    """One layer of one run to be split.

    ends : judged at the low end, every mark between, and the high end, in this order
    allowed : for the same stations, whether a joint may lie there
    low_allowance_mm, high_allowance_mm : what the cut of the run's ends adds to the stock of the first and last piece
    """

    name: str
    ends: Ends
    allowed: np.ndarray
    gaps: Gaps
    rule: AnchorRule
    mark_mm: float
    shortest_mm: float
    stock_mm: tuple[float, ...]
    low_allowance_mm: float = 0.0
    high_allowance_mm: float = 0.0

    def added(self, start: Ints, stop: Ints) -> Ints:
        """Anchors to add in pieces from one station to another, by index."""
        ends, rule = self.ends, self.rule
        length = ends.wood_mm[stop] - ends.wood_mm[start]
        first, last = ends.first[start], ends.last[stop]
        bolts = np.maximum(last - first + 1, 0)
        within = np.where(bolts > 0, self.gaps.added[last] - self.gaps.added[_index(first, self.gaps)], 0)
        filled = ends.low_added[start] + ends.high_added[stop] + within
        if rule.end_most_mm is not None:  # one anchor serves both ends of a run so short
            both = (ends.low_added[start] > 0) & (ends.high_added[stop] > 0)
            filled = filled - (both & (length < 2.0 * rule.end_most_mm - EPS_MM))
        return np.where(bolts > 0, np.maximum(filled, rule.bolts_a_piece - bolts), rule.in_bare_piece(length))

    def doubts(self, start: Ints, stop: Ints) -> Ints:
        """Doubts of pieces by index; those of the joint itself go with the piece below it."""
        ends = self.ends
        first, last = ends.first[start], ends.last[stop]
        within = self.gaps.perhaps[last] - self.gaps.perhaps[_index(first, self.gaps)]
        near = ends.near[stop] + np.where(start == 0, ends.near[0], 0)
        return ends.low_perhaps[start] + ends.high_perhaps[stop] + near + np.where(last >= first, within, 0)

    def needs_mm(self, start: Ints, stop: Ints) -> np.ndarray:
        """How long the stock must be at least."""
        length = self.ends.station_mm[stop] - self.ends.station_mm[start]
        last = len(self.ends.station_mm) - 1
        return length + self.low_allowance_mm * (start == 0) + self.high_allowance_mm * (stop == last)


def _index(bolt: Ints, gaps: Gaps) -> Ints:
    return np.minimum(bolt, len(gaps.added) - 1)


@dataclass(frozen=True)
class _Digits:
    """How the counts stand in one integer: added, doubts, stock, margin missing, from the highest digit down."""

    doubts: int
    stock: int
    missing: int

    @property
    def doubt(self) -> int:
        return self.stock * self.missing

    @property
    def anchor(self) -> int:
        return self.doubts * self.doubt


def best_joints(layer: Layer) -> tuple[int, ...]:
    """The stations of the best joints, as indices into ``layer.ends``.

    Raises JobError where no stock reaches, or the run has too many marks for the arithmetic.
    """
    search = _Search(layer, layer.allowed, pieces_most=None)
    pieces, best = search.best
    if best >= NEVER:
        raise JobError(
            f"{layer.name}: no plan of plate fits: the longest stock is {format_feet_inches(max(layer.stock_mm))}, and "
            f"joints must leave pieces of {format_feet_inches(layer.shortest_mm)} at least. Name longer stock."
        )
    if pieces == 1:
        return ()
    missing = best % search.digits.missing
    again = _Search(layer, layer.allowed & (search.missing <= missing), pieces_most=pieces)
    return again.path(pieces)


class _Search:
    """One pass: by smallest margin where the number of pieces is open, by sum of margins where it is given."""

    def __init__(self, layer: Layer, allowed: np.ndarray, pieces_most: int | None) -> None:
        self.layer, self.ends = layer, layer.ends
        self.summed = pieces_most is not None
        self.marks = np.arange(len(layer.ends.station_mm))
        self.high = len(self.marks) - 1
        cap_mm = layer.rule.margin_cap_mm
        self.missing = np.rint((cap_mm - layer.ends.margin_mm) * TENTHS).astype(np.int64)
        length_mm = float(layer.ends.station_mm[-1] - layer.ends.station_mm[0])
        most = pieces_most or max(1, int((length_mm + EPS_MM) / layer.shortest_mm))
        self.digits = self._digits(most, cap_mm)
        self.joint = np.where(allowed, 0, NEVER)
        self.joint[[0, self.high]] = NEVER
        self.stock = np.array(sorted(layer.stock_mm))
        self.tenths = np.rint(self.stock * TENTHS).astype(np.int64)
        self.starts = [self._starts(bolts) for bolts in range(max(layer.rule.bolts_a_piece, 1))]
        self.layers: list[Ints] = []
        self.best = self._run(most)

    def _digits(self, pieces: int, cap_mm: float) -> _Digits:
        layer = self.layer
        doubts = pieces * (int(self.ends.near.max()) + 2) + int(self.ends.near[0]) + int(layer.gaps.perhaps[-1]) + 1
        stock = pieces * round(max(layer.stock_mm) * TENTHS) + 1
        missing = int(2 * cap_mm * TENTHS + 1) * (pieces if self.summed else 1) + 1
        bare = layer.rule.in_bare_piece(self.ends.wood_mm[-1] - self.ends.wood_mm[0])
        anchors = pieces * (layer.rule.bolts_a_piece + 2) + int(layer.gaps.added[-1]) + int(bare) + 1
        if 2 * anchors * doubts * stock * missing >= NEVER:
            raise JobError(f"{layer.name}: the run is too long to plan in one go. Split it into two runs.")
        return _Digits(doubts, stock, missing)

    def _run(self, most: int) -> tuple[int, int]:
        """Lay piece after piece; the best number of pieces, and its sums."""
        everywhere, low, high = self.marks, np.array(0), np.array(self.high)
        last_piece = self.piece(everywhere, high)
        best = (1, int(last_piece[0]))
        reached = self._meet(self.piece(low, everywhere), everywhere)
        for pieces in range(2, most + 1):
            self.layers.append(reached)
            if reached.min() >= NEVER or (
                not self.summed and reached.min() // self.digits.doubt >= best[1] // self.digits.doubt
            ):
                break  # nothing to go on from, or more pieces can only have as many anchors and doubts
            total = int(np.minimum(reached + last_piece, NEVER).min())
            # More pieces are better only for fewer anchors or doubts.
            if self.summed or total // self.digits.doubt < best[1] // self.digits.doubt:
                best = (pieces, total)
            if pieces < most:
                reached = self._extend(self._hopeful(reached, most - pieces + 1, best[1]))
        return best

    def _hopeful(self, reached: Ints, left: int, best: int) -> Ints:
        """Without the starts that ``left`` more pieces cannot bring to the high end, or that are no better by now."""
        station_mm = self.ends.station_mm
        hopeless = station_mm + left * self.stock[-1] < station_mm[-1] - EPS_MM
        if not self.summed:
            hopeless |= reached // self.digits.doubt >= best // self.digits.doubt
        return np.where(hopeless, NEVER, reached)

    def piece(self, start: Ints, stop: Ints) -> Ints:
        """Sums of single pieces by index; NEVER where no stock reaches or a joint leaves too little."""
        layer, digits = self.layer, self.digits
        start, stop = np.broadcast_arrays(start, stop)
        whole = (start == 0) & (stop == self.high)
        length = self.ends.station_mm[stop] - self.ends.station_mm[start]
        needs = layer.needs_mm(start, stop)
        which = np.searchsorted(self.stock, needs - EPS_MM)
        possible = (which < len(self.stock)) & (whole | (length >= layer.shortest_mm - EPS_MM))
        stock = self.tenths[np.minimum(which, len(self.stock) - 1)]
        sums = (
            digits.anchor * layer.added(start, stop) + digits.doubt * layer.doubts(start, stop) + digits.missing * stock
        )
        return np.where(possible, sums, NEVER)

    def _meet(self, sums: Ints, at: Ints) -> Ints:
        """A joint at the end of each path."""
        missing = self.missing[at]
        if self.summed:
            sums = sums + missing
        else:
            carried = sums % self.digits.missing
            sums = sums - carried + np.maximum(carried, missing)
        return np.minimum(sums + self.joint[at], NEVER)

    def _extend(self, reached: Ints) -> Ints:
        """Every path one piece longer, to every joint: the best start of all, with many bolts, few or none."""
        layer, ends, digits, wanted = self.layer, self.ends, self.digits, self.layer.rule.bolts_a_piece
        last, gaps, starts = ends.last, layer.gaps, self.starts
        nearest = self.marks - int(np.ceil((layer.shortest_mm - EPS_MM) / layer.mark_mm))
        from_mark = reached + digits.doubt * ends.low_perhaps
        to_mark = digits.doubt * (ends.high_perhaps + ends.near)

        bare = from_mark[None], starts[0], nearest, to_mark
        found = self._over(*bare, self._bare_reaches())

        first = _index(ends.first, gaps)
        from_bolt = from_mark - digits.doubt * gaps.perhaps[first]
        to_bolt = to_mark + digits.doubt * gaps.perhaps[last] + digits.anchor * ends.high_added
        many = from_bolt + digits.anchor * (ends.low_added - gaps.added[first])
        upto = np.minimum(nearest, starts[max(wanted, 1) - 1] - 1)
        to_many = to_bolt + digits.anchor * gaps.added[last]
        found = np.minimum(found, self._over(many[None], np.ones_like(last), upto, to_many, self._reaches()))

        # With fewer bolts than a piece wants, what its start asks may be asked by that number already.
        floors = np.stack(
            [from_bolt + digits.anchor * np.maximum(ends.low_added, floor) for floor in range(wanted + 1)]
        )
        for bolts in range(1, wanted):
            within = ends.high_added + gaps.added[last] - gaps.added[np.maximum(last - bolts + 1, 0)]
            floor = np.clip(wanted - bolts - within, 0, wanted)
            to_few = to_bolt + digits.anchor * (within - ends.high_added)
            upto = np.minimum(nearest, starts[bolts - 1] - 1)
            found = np.minimum(found, self._over(floors, starts[bolts], upto, to_few, self._reaches(), floor))
        return self._meet(found, self.marks)

    def _starts(self, bolts: int) -> Ints:
        """For each mark, the first joint from which no more than so many bolts count for the piece up to the mark."""
        return 1 + np.searchsorted(self.ends.first[1:-1], self.ends.last - bolts + 1, side="left")

    def _reaches(self) -> list[tuple[int, int]]:
        """How many marks each stock reaches, and what it costs."""
        marks = np.floor((self.stock + EPS_MM) / self.layer.mark_mm).astype(np.int64)
        return [(int(m), self.digits.missing * int(t)) for m, t in zip(marks, self.tenths, strict=True)]

    def _bare_reaches(self) -> list[tuple[int, int]]:
        """The same for pieces without bolts, parted where longer ones want more anchors."""
        rule, reaches = self.layer.rule, []
        lengths = list(self.stock)
        if rule.end_most_mm is not None and rule.spacing_most_mm is not None:
            steps = range(int(self.stock[-1] / rule.spacing_most_mm) + 1)
            lengths += [2.0 * rule.end_most_mm + step * rule.spacing_most_mm for step in steps]
        for length in sorted(length for length in lengths if length <= self.stock[-1]):
            stock = int(self.tenths[np.searchsorted(self.stock, length - EPS_MM)])
            cost = self.digits.missing * stock + self.digits.anchor * int(rule.in_bare_piece(length))
            reaches.append((int((length + EPS_MM) / self.layer.mark_mm), cost))
        return reaches

    def _over(
        self, sums: Ints, low: Ints, high: Ints, end: Ints, reaches: list[tuple[int, int]], row: Ints | None = None
    ) -> Ints:
        """The least sum at a start from ``low`` to ``high`` within a reach of each mark, with the cost of its end."""
        found = np.full(len(self.marks), NEVER)
        live = np.flatnonzero(sums.min(axis=0) < NEVER)
        if not live.size:
            return found
        first, last = int(live[0]), int(live[-1])
        low, high = np.maximum(low, first), np.minimum(high, last)
        table = _RangeMinimum(np.minimum(sums[:, first : last + 1], NEVER))
        where = np.flatnonzero((low <= high) & (self.joint < NEVER))
        for reach, cost in reaches:
            start = np.maximum(low[where], where - reach)
            within = start <= high[where]
            at = where[within]
            rows = 0 if row is None else row[at]
            least = table.least(rows, start[within] - first, high[at] - first) + cost
            found[at] = np.minimum(found[at], least)
            where = where[low[where] < where - reach]  # from the others no longer stock reaches more starts
        return np.minimum(found + end, NEVER)

    def path(self, pieces: int) -> tuple[int, ...]:
        """The joints of the best path, found backwards."""
        joints: list[int] = []
        stop, sums = self.high, self.best[1] if self.best[0] == pieces else NEVER
        for reached in reversed(self.layers[: pieces - 1]):
            own = 0 if stop == self.high else int(self.missing[stop])
            live = np.flatnonzero(reached < NEVER)
            start = int(live[np.argmax(reached[live] + self.piece(live, np.array(stop)) + own == sums)])
            joints.append(start)
            stop, sums = start, int(reached[start])
        return tuple(reversed(joints))


class _RangeMinimum:
    """The least of any stretch of a row that is no empty one, from the least of all stretches as long as a power of
    two."""

    def __init__(self, rows: Ints) -> None:
        tables = [rows]
        while 2 ** len(tables) <= rows.shape[1]:
            half = 2 ** (len(tables) - 1)
            longer = tables[-1].copy()
            longer[:, :-half] = np.minimum(tables[-1][:, :-half], tables[-1][:, half:])
            tables.append(longer)
        self.table = np.stack(tables)

    def least(self, row: Ints | int, low: Ints, high: Ints) -> Ints:
        """From ``low`` to ``high``, both included."""
        power = np.frexp(high - low + 1)[1] - 1
        return np.minimum(self.table[power, row, low], self.table[power, row, high - 2**power + 1])
