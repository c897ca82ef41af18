"""The cut list: the least length bought, against all ways to cut, and a published problem."""

from __future__ import annotations

import itertools
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sillwright.errors import JobError
from sillwright.plates.stock import CutList, CutPiece, StockLength, cut_list

IN = 25.4
FT = 304.8
KERF = IN / 8.0


def pieces(*lengths_mm: float) -> tuple[CutPiece, ...]:
    return tuple(CutPiece(f"P{index}", length) for index, length in enumerate(lengths_mm, 1))


def holds(found: CutList, wanted: tuple[CutPiece, ...], kerf_mm: float, trim_mm: float) -> None:
    """Every piece is cut once, and each stock is long enough for its pieces, the saw between them, and its trims."""
    assert sorted(piece.name for stock in found.stocks for piece in stock.pieces) == sorted(p.name for p in wanted)
    for stock in found.stocks:
        lengths = [piece.length_mm for piece in stock.pieces]
        assert lengths == sorted(lengths, reverse=True)
        used = sum(lengths) + kerf_mm * (len(lengths) - 1) + 2 * trim_mm
        assert used <= stock.length_mm + 1e-5
        assert stock.left_mm == pytest.approx(max(0.0, stock.length_mm - used - kerf_mm))


def best_of_all(
    wanted: tuple[CutPiece, ...], stock: tuple[StockLength, ...], kerf_mm: float, trim_mm: float
) -> tuple[float, int] | None:
    """Least length bought, then fewest stocks, over every way to part the pieces into groups, one stock a group."""
    best: tuple[float, int] | None = None

    def price(groups: list[float]) -> tuple[float, int] | None:
        least: tuple[float, int] | None = None
        for choice in itertools.product(range(len(stock)), repeat=len(groups)):
            fits = all(
                group <= stock[s].length_mm - 2 * trim_mm + 1e-6 for group, s in zip(groups, choice, strict=True)
            )
            if not fits or any(
                entry.on_hand is not None and choice.count(index) > entry.on_hand for index, entry in enumerate(stock)
            ):
                continue
            bought = round(sum(stock[s].length_mm for s in choice), 3), len(groups)
            least = bought if least is None else min(least, bought)
        return least

    def part(index: int, groups: list[float]) -> None:
        nonlocal best
        if index == len(wanted):
            cost = price(groups)
            if cost is not None:
                best = cost if best is None else min(best, cost)
            return
        length = wanted[index].length_mm
        for at, group in enumerate(groups):
            part(index + 1, [*groups[:at], group + kerf_mm + length, *groups[at + 1 :]])
        part(index + 1, [*groups, length])

    part(0, [])
    return best


def drawn(seed: int) -> tuple[tuple[CutPiece, ...], tuple[StockLength, ...], float, float]:
    draw = random.Random(seed)
    wanted = pieces(*(draw.choice([16, 30, 47.9375, 48, 64, 72, 96]) * IN for _ in range(draw.randint(1, 6))))
    lengths = draw.sample([6, 8, 10, 12, 14], draw.randint(1, 3))
    stock = tuple(StockLength(foot * FT, draw.choice([None, None, 0, 1, 2, 4])) for foot in lengths)
    return wanted, stock, draw.choice([0.0, KERF]), draw.choice([0.0, 0.0, 0.25 * IN])


@pytest.mark.parametrize("block", range(4))
@pytest.mark.parametrize("patterns_most", [20_000, 0])
def test_no_way_to_cut_buys_less(block: int, patterns_most: int) -> None:
    """Every way to part up to six pieces over up to three stock lengths: 120 drawn jobs, by both ways of solving.

    With no pattern listed beforehand the least length is not promised: it must be said where it is not reached.
    """
    for seed in range(block * 30, block * 30 + 30):
        wanted, stock, kerf, trim = drawn(seed)
        best = best_of_all(wanted, stock, kerf, trim)
        if best is None:
            with pytest.raises(JobError, match="cut list"):
                cut_list(wanted, stock, kerf, trim, patterns_most)
            continue
        try:
            found = cut_list(wanted, stock, kerf, trim, patterns_most)
        except JobError:
            assert patterns_most == 0, seed
            continue
        holds(found, wanted, kerf, trim)
        if patterns_most:
            assert (pytest.approx(best[0], abs=0.01), best[1]) == (found.bought_mm, len(found.stocks)), seed
            assert found.proven
        else:
            assert found.bought_mm >= best[0] - 0.01
            assert not found.proven or found.bought_mm == pytest.approx(best[0], abs=0.01)


PAPER_MM = (1380, 1520, 1560, 1710, 1820, 1880, 1930, 2000, 2050, 2100, 2140, 2150, 2200)
PAPER_ROLLS = (22, 25, 12, 14, 18, 18, 20, 10, 12, 14, 16, 18, 20)


@pytest.mark.parametrize("patterns_most", [20_000, 0])
def test_a_published_cutting_stock_problem(patterns_most: int) -> None:
    """Master rolls of 5600 mm, 13 widths, 219 rolls: 73 masters, 0.401 % waste.

    The example of the encyclopedia article "Cutting stock problem" (from memory). Its answer is no matter of memory:
    the widths together are 407 160 mm, which 72 masters do not hold.
    """
    widths = [width for width, count in zip(PAPER_MM, PAPER_ROLLS, strict=True) for _ in range(count)]
    assert sum(widths) > 72 * 5600
    found = cut_list(pieces(*widths), (StockLength(5600.0),), kerf_mm=0.0, patterns_most=patterns_most)
    assert len(found.stocks) == 73
    assert found.waste_mm / found.bought_mm == pytest.approx(0.00401, abs=0.000005)
    assert found.proven


@settings(deadline=None, max_examples=30)
@given(st.lists(st.sampled_from([40.0, 58.5, 71.25, 96.0, 120.0, 143.9375, 190.0, 240.0]), min_size=1, max_size=24))
def test_every_piece_is_cut_and_fits(lengths_in: list[float]) -> None:
    wanted = pieces(*(length * IN for length in lengths_in))
    stock = tuple(StockLength(foot * FT) for foot in (8, 10, 12, 14, 16, 18, 20))
    found = cut_list(wanted, stock)
    holds(found, wanted, KERF, 0.0)
    assert found.proven
    assert found.bought_mm <= sum(min(s.length_mm for s in stock if s.length_mm >= p.length_mm) for p in wanted) + 1e-6


@pytest.mark.parametrize(("spare_mm", "stocks"), [(0.01, 1), (0.0, 1), (-0.01, 2)])
def test_the_saw_takes_its_kerf_between_two_pieces(spare_mm: float, stocks: int) -> None:
    """Two pieces and one saw cut fill 8 ft exactly; the offcut's own cut is not asked for."""
    half_mm = (8 * FT - KERF) / 2.0
    found = cut_list(pieces(half_mm, half_mm - spare_mm), (StockLength(8 * FT),))
    assert len(found.stocks) == stocks


@pytest.mark.parametrize(("trim_mm", "fits"), [(0.0, True), (5.0, True), (5.01, False)])
def test_trims_come_off_both_ends(trim_mm: float, fits: bool) -> None:
    wanted = pieces(8 * FT - 10.0)
    if fits:
        assert cut_list(wanted, (StockLength(8 * FT),), trim_mm=trim_mm).stocks[0].length_mm == 8 * FT
        return
    with pytest.raises(JobError, match="P1"):
        cut_list(wanted, (StockLength(8 * FT),), trim_mm=trim_mm)


def test_fewer_stocks_are_taken_of_two_lists_that_buy_as_much() -> None:
    """Two pieces of 7 ft: 8 + 8 ft or one of 16 ft, 16 ft either way."""
    found = cut_list(pieces(7 * FT, 7 * FT), (StockLength(8 * FT), StockLength(16 * FT)))
    assert [stock.length_mm for stock in found.stocks] == [pytest.approx(16 * FT)]


def test_stock_on_hand_is_not_overdrawn() -> None:
    wanted = pieces(*[7 * FT] * 3)
    found = cut_list(wanted, (StockLength(8 * FT, 1), StockLength(10 * FT, 1), StockLength(12 * FT)))
    assert sorted(stock.length_mm / FT for stock in found.stocks) == pytest.approx([8, 10, 12])
    with pytest.raises(JobError, match="no way was found"):
        cut_list(wanted, (StockLength(8 * FT, 1), StockLength(10 * FT, 1)))


def test_pieces_as_long_as_the_stock_to_the_last_bit_are_cut() -> None:
    """Stations added and taken away leave a length a hair over 20 ft."""
    found = cut_list(pieces(0.1 + 0.2 + 20 * FT - 0.3, 20 * FT), (StockLength(20 * FT),))
    assert [len(stock.pieces) for stock in found.stocks] == [1, 1]


def test_nothing_to_cut_is_no_stock() -> None:
    assert cut_list((), (StockLength(8 * FT),)).stocks == ()


@pytest.mark.parametrize(
    ("lengths", "stock", "kerf", "words"),
    [
        ((0.0,), (StockLength(100.0),), 0.0, "no length"),
        ((50.0,), (), 0.0, "at least one stock"),
        ((50.0,), (StockLength(100.0, 0),), 0.0, "at least one stock"),
        ((50.0,), (StockLength(100.0),), -1.0, "saw cut"),
        ((50.0,), (StockLength(100.0), StockLength(90.0, -1)), 0.0, "fewer than 0"),
    ],
)
def test_nonsense_is_refused(
    lengths: tuple[float, ...], stock: tuple[StockLength, ...], kerf: float, words: str
) -> None:
    with pytest.raises(JobError, match=words):
        cut_list(pieces(*lengths), stock, kerf_mm=kerf)


def test_sticks_that_are_used_whole_leave_nothing_and_not_less() -> None:
    """0.1 + 0.2 in floats: sums that differ by a hair must not come out as less than nothing."""
    pieces = tuple(
        CutPiece(f"P{count}", length_mm) for count, length_mm in enumerate((3048.0000000001, 2438.4000000001))
    )
    cuts = cut_list(pieces, (StockLength(3048.0), StockLength(2438.4)))
    assert cuts.waste_mm >= 0.0
    assert f"{cuts.waste_mm:.1f}" == "0.0"
