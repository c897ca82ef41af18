"""The cut list of the whole job: which pieces come out of which stock; lengths in millimetres.

This is the one-dimensional cutting stock problem with several stock lengths. Every way to cut one stock (a pattern) is
listed, as far as no piece more would fit, and an integer programme says how many of each to cut (Gilmore and Gomory
1961, Operations Research 9, 849; from memory): first the least length bought, then the fewest stocks. Patterns with
room for more are not needed: a plan that cuts one cuts the fuller one as well, and the piece too many is left uncut.
Solved with HiGHS through scipy, to no gap. Where pieces are so many and so short that the patterns are too many to
list, only those that could help are made (column generation, same source); ``CutList.proven`` then says whether the
length bought is known to be the least.
"""

from __future__ import annotations

import math
import time
from collections import Counter, defaultdict
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, linprog, milp

from sillwright.errors import JobError

KERF_MM = 25.4 / 8.0  # common practice, no source; thin blades take less
# Lumber mostly comes some way over its length (grading practice, from memory), which is what squaring its ends takes.
TRIM_MM = 0.0
PATTERNS_MOST = 20_000
SECONDS_MOST = 10.0  # for each of the three steps that could take long; what is found by then is used

EPS_MM = 1e-6
UNIT_MM = 1e-4  # lengths that differ by less are one length; a sixteenth of an inch is a whole number of these

Pattern = tuple[int, ...]


@dataclass(frozen=True)
class StockLength:
    """One length of stock, and how many there are; None where as many as wanted can be had."""

    length_mm: float
    on_hand: int | None = None


@dataclass(frozen=True)
class CutPiece:
    """One piece to be cut, by its name and its length from long point to long point."""

    name: str
    length_mm: float


@dataclass(frozen=True)
class CutStock:
    """One stock, the pieces cut from it in this order, and the length left of it after the last cut."""

    length_mm: float
    pieces: tuple[CutPiece, ...]
    left_mm: float


@dataclass(frozen=True)
class CutList:
    """All stocks, longest first.

    proven : whether it is sure that no cut list buys less length. Where all patterns could be listed it is then sure
    too that none that buys as little takes fewer stocks.
    """

    stocks: tuple[CutStock, ...]
    proven: bool

    @property
    def bought_mm(self) -> float:
        """The length of all stocks together."""
        return math.fsum(stock.length_mm for stock in self.stocks)

    @property
    def waste_mm(self) -> float:
        """What of it does not become pieces: offcuts, trims and saw cuts."""
        left_mm = self.bought_mm - math.fsum(piece.length_mm for stock in self.stocks for piece in stock.pieces)
        return max(0.0, left_mm)  # sums of floats: sticks used whole leave a hair less than nothing


def cut_list(
    pieces: tuple[CutPiece, ...],
    stock: tuple[StockLength, ...],
    kerf_mm: float = KERF_MM,
    trim_mm: float = TRIM_MM,
    patterns_most: int = PATTERNS_MOST,
) -> CutList:
    """Cut all pieces from the least length of stock, and of as little from the fewest stocks.

    kerf_mm : what the saw takes between two pieces
    trim_mm : what squaring takes off each end of a stock, its saw cut included

    Raises JobError where a piece fits no stock, what is on hand is not enough, or a figure makes no sense.
    """
    _check(pieces, stock, kerf_mm, trim_mm)
    if not pieces:
        return CutList((), True)
    task = _task(pieces, stock, kerf_mm, trim_mm)
    listed = _all_fullest(task, patterns_most)
    cuts, least_mm = (listed, None) if listed is not None else _useful(task)
    counts, solved = _whole_numbers(task, cuts)
    bought_mm = sum(count * task.stock[cut.stock].length_mm for cut, count in zip(cuts, counts, strict=True))
    proven = solved and (least_mm is None or bought_mm <= least_mm + UNIT_MM)
    return CutList(_stocks(task, cuts, counts, pieces, kerf_mm, trim_mm), proven)


@dataclass(frozen=True)
class _Task:
    """Distinct lengths, longest first, how many of each, what each takes of a stock, and what each stock has to give.

    A piece takes its length and one saw cut; a stock has one saw cut more to give than it is long between its trims,
    since the last piece needs none.
    """

    lengths: tuple[int, ...]
    wanted: tuple[int, ...]
    takes_mm: tuple[float, ...]
    stock: tuple[StockLength, ...]
    gives_mm: tuple[float, ...]


@dataclass(frozen=True)
class _Cut:
    """A stock, by index, and how many pieces of each length come out of it."""

    stock: int
    pattern: Pattern


def _units(length_mm: float) -> int:
    return math.ceil((length_mm - EPS_MM) / UNIT_MM)


def _task(pieces: tuple[CutPiece, ...], stock: tuple[StockLength, ...], kerf_mm: float, trim_mm: float) -> _Task:
    wanted = Counter(_units(piece.length_mm) for piece in pieces)
    lengths = sorted(wanted, reverse=True)
    on_hand: dict[float, int | None] = {}
    for entry in stock:
        known = on_hand.get(entry.length_mm, 0)
        on_hand[entry.length_mm] = None if known is None or entry.on_hand is None else known + entry.on_hand
    merged = tuple(StockLength(length, count) for length, count in sorted(on_hand.items()) if count != 0)
    return _Task(
        tuple(lengths),
        tuple(wanted[length] for length in lengths),
        tuple(length * UNIT_MM + kerf_mm for length in lengths),
        merged,
        tuple(entry.length_mm - 2.0 * trim_mm + kerf_mm for entry in merged),
    )


def _all_fullest(task: _Task, most: int) -> list[_Cut] | None:
    """Every way to cut each stock to which no wanted piece could be added; None where they are more than ``most``."""
    cuts: list[_Cut] = []
    visited = 0

    def fill(stock: int, taken: list[int], left_mm: float) -> bool:
        nonlocal visited
        visited += 1
        if len(cuts) > most or visited > 20 * most:
            return False
        index = len(taken)
        if index == len(task.takes_mm):
            spare = [
                take for take, used, wanted in zip(task.takes_mm, taken, task.wanted, strict=True) if used < wanted
            ]
            if any(taken) and min(spare, default=math.inf) > left_mm + EPS_MM:
                cuts.append(_Cut(stock, tuple(taken)))
            return True
        fits = min(task.wanted[index], int((left_mm + EPS_MM) / task.takes_mm[index]))
        return all(
            fill(stock, [*taken, count], left_mm - count * task.takes_mm[index]) for count in range(fits, -1, -1)
        )

    done = all(fill(stock, [], gives_mm) for stock, gives_mm in enumerate(task.gives_mm))
    return cuts if done else None


def _rows(task: _Task, cuts: list[_Cut]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Pieces of each length by cut; stocks of each limited length by cut; their limits; the length each cut takes."""
    pieces = np.array([cut.pattern for cut in cuts], dtype=float).T
    limited = _limited(task)
    stocks = np.array([[float(cut.stock == index) for cut in cuts] for index in limited]).reshape(-1, len(cuts))
    limits = np.array([task.stock[index].on_hand for index in limited], dtype=float)
    return pieces, stocks, limits, np.array([task.stock[cut.stock].length_mm for cut in cuts])


def _whole_numbers(task: _Task, cuts: list[_Cut]) -> tuple[list[int], bool]:
    """How often to make each cut, and whether the solver proved both counts the least."""
    pieces, stocks, limits, lengths_mm = _rows(task, cuts)
    rows = [LinearConstraint(pieces, lb=np.array(task.wanted, dtype=float))]
    if limits.size:
        rows.append(LinearConstraint(stocks, ub=limits))
    steps = np.rint(lengths_mm / _step_mm(task))  # small whole numbers keep the solver's rounding harmless
    shortest = _solve(steps, rows)
    if shortest.x is None:
        raise JobError(_no_way(task))
    counts = np.rint(shortest.x)
    rows.append(LinearConstraint(steps[None], ub=float(steps @ counts)))
    fewest = _solve(np.ones(len(cuts)), rows)
    if fewest.x is not None:
        counts = np.rint(fewest.x)
    return [int(count) for count in counts], bool(shortest.status == 0 and fewest.status == 0)


def _solve(cost: np.ndarray, rows: list[LinearConstraint]) -> OptimizeResult:
    return milp(
        cost,
        constraints=rows,
        integrality=np.ones(len(cost), dtype=np.int64),
        bounds=Bounds(lb=0),
        options={"mip_rel_gap": 0.0, "time_limit": SECONDS_MOST},
    )


def _useful(task: _Task) -> tuple[list[_Cut], float]:
    """The cuts a plan in fractions of stocks could use, and a length that no plan in whole stocks can go below.

    The bound is that of the dual, shrunk until no cut is worth more than its stock (Farley 1990, Operations Research
    38, 922; from memory), so it holds however early the search for cuts ends; rounded up to what stocks can add up to.
    """
    cuts = {
        _Cut(stock, tuple(fits * (other == index) for other in range(len(task.wanted)))): None
        for stock, gives_mm in enumerate(task.gives_mm)
        for index, take_mm in enumerate(task.takes_mm)
        if (fits := min(task.wanted[index], int((gives_mm + EPS_MM) / take_mm)))
    }
    wanted = np.array(task.wanted, dtype=float)
    step_mm, lengths = _step_mm(task), np.array([entry.length_mm for entry in task.stock])
    least_mm, until = 0.0, time.monotonic() + SECONDS_MOST
    while time.monotonic() < until:
        fraction, worth, scarce, limits = _in_fractions(task, list(cuts))
        patterns = [_worthiest(task, stock, worth) for stock in range(len(lengths))]
        price = lengths.copy()
        price[_limited(task)] -= scarce
        worths = np.array([worth @ pattern for pattern in patterns])
        shrink = float(np.min(price / np.maximum(worths, price)))
        least_mm = max(least_mm, float(shrink * (worth @ wanted) + scarce @ limits))
        new = {_Cut(stock, pattern): None for stock, pattern in enumerate(patterns) if worths[stock] > price[stock]}
        if not new.keys() - cuts.keys() or _steps(least_mm, step_mm) >= _steps(fraction, step_mm):
            break
        cuts |= new
    return list(cuts), _steps(least_mm, step_mm) * step_mm


def _in_fractions(task: _Task, cuts: list[_Cut]) -> tuple[float, np.ndarray, np.ndarray, np.ndarray]:
    """The least length if stocks could be cut in parts; what a piece of each length is worth in it; what one stock more
    of each limited length would save, below 0; and those limits. Pieces may be left out, at more than any stock costs.
    """
    pieces, stocks, limits, lengths_mm = _rows(task, cuts)
    left_out = np.eye(len(task.wanted))
    rows = np.block([[-pieces, -left_out], [stocks, np.zeros((len(limits), len(left_out)))]])
    cost = np.concatenate([lengths_mm, np.full(len(left_out), 10.0 * len(left_out) * lengths_mm.max())])
    plan = linprog(cost, A_ub=rows, b_ub=np.concatenate([-np.array(task.wanted, dtype=float), limits]))
    assert plan.fun is not None  # leaving pieces out is always a plan
    dual = plan.ineqlin.marginals
    return float(plan.fun), -dual[: len(left_out)], dual[len(left_out) :], limits


def _step_mm(task: _Task) -> float:
    """The length of which all stocks are whole multiples."""
    return math.gcd(*(round(entry.length_mm / UNIT_MM) for entry in task.stock)) * UNIT_MM


def _steps(length_mm: float, step_mm: float) -> int:
    return math.ceil(length_mm / step_mm - 1e-4)


def _limited(task: _Task) -> list[int]:
    return [index for index, entry in enumerate(task.stock) if entry.on_hand is not None]


def _worthiest(task: _Task, stock: int, worth: np.ndarray) -> Pattern:
    """The cut of a stock whose pieces are worth most together."""
    rows = [LinearConstraint(np.array(task.takes_mm)[None] / task.gives_mm[stock], ub=1.0)]
    found = milp(
        -worth / max(worth.max(), EPS_MM),
        constraints=rows,
        integrality=np.ones(len(worth), dtype=np.int64),
        bounds=Bounds(lb=0, ub=np.array(task.wanted, dtype=float)),
        options={"mip_rel_gap": 0.0},
    )
    assert found.x is not None  # nothing at all always fits
    return tuple(int(count) for count in np.rint(found.x))


def _stocks(
    task: _Task,
    cuts: list[_Cut],
    counts: list[int],
    pieces: tuple[CutPiece, ...],
    kerf_mm: float,
    trim_mm: float,
) -> tuple[CutStock, ...]:
    """The cuts as stocks with pieces by name; pieces of one length go out in the order they were given."""
    waiting: defaultdict[int, list[CutPiece]] = defaultdict(list)
    for piece in reversed(pieces):
        waiting[_units(piece.length_mm)].append(piece)
    order = sorted(zip(cuts, counts, strict=True), key=lambda entry: (entry[0].stock, entry[0].pattern), reverse=True)
    stocks = []
    for cut, count in order:
        for _ in range(count):
            own = [
                waiting[length].pop()
                for length, number in zip(task.lengths, cut.pattern, strict=True)
                for _ in range(min(number, len(waiting[length])))
            ]
            length_mm = task.stock[cut.stock].length_mm
            rest_mm = length_mm - 2.0 * trim_mm - math.fsum(piece.length_mm + kerf_mm for piece in own)
            stocks.append(CutStock(length_mm, tuple(own), max(0.0, rest_mm)))
    return tuple(stocks)


def _no_way(task: _Task) -> str:
    needed_mm = sum(length * UNIT_MM * wanted for length, wanted in zip(task.lengths, task.wanted, strict=True))
    counts = ("any number" if entry.on_hand is None else str(entry.on_hand) for entry in task.stock)
    on_hand = ", ".join(f"{count} of {entry.length_mm:.0f} mm" for count, entry in zip(counts, task.stock, strict=True))
    return (
        f"cut list: no way was found to cut {sum(task.wanted)} pieces of {needed_mm:.0f} mm together from the stock on "
        f"hand ({on_hand}). Add stock, or a length that can be bought."
    )


def _check(pieces: tuple[CutPiece, ...], stock: tuple[StockLength, ...], kerf_mm: float, trim_mm: float) -> None:
    if not (math.isfinite(kerf_mm) and kerf_mm >= 0.0 and math.isfinite(trim_mm) and trim_mm >= 0.0):
        raise JobError(f"cut list: a saw cut of {kerf_mm:g} mm or a trim of {trim_mm:g} mm. Give 0 or more.")
    lengths = [entry.length_mm for entry in stock if entry.on_hand is None or entry.on_hand > 0]
    if not lengths or not all(math.isfinite(length) and length > 0.0 for length in lengths):
        raise JobError("cut list: name at least one stock length above 0 that is on hand or can be bought.")
    if any(entry.on_hand is not None and entry.on_hand < 0 for entry in stock):
        raise JobError("cut list: there cannot be fewer than 0 of a stock on hand.")
    for piece in pieces:
        if not (math.isfinite(piece.length_mm) and piece.length_mm > 0.0):
            raise JobError(f"cut list: piece {piece.name} is {piece.length_mm:g} mm long, which is no length.")
        if piece.length_mm > max(lengths) - 2.0 * trim_mm + EPS_MM:
            raise JobError(
                f"cut list: piece {piece.name} is {piece.length_mm:.1f} mm long; the longest stock, {max(lengths):.1f} "
                f"mm, gives {max(lengths) - 2.0 * trim_mm:.1f} mm after its ends are trimmed. Name longer stock, or "
                "splice the piece."
            )
