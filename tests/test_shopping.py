"""The shopping list holds what the plates, bolts, holes and shims ask for, with the waste it says."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sillwright.errors import JobError
from sillwright.judge.rules import PlateWasherFigure, rule_set
from sillwright.lengths import MM_PER_INCH
from sillwright.plates.levels import LevelPoint, Shim, ShimPlace, levels_of, shims
from sillwright.plates.piece import Hole, PlatePiece
from sillwright.plates.shopping import (
    RULES,
    ShoppingLine,
    ShoppingRules,
    StockCount,
    shopping_list,
)
from sillwright.survey import BoltRecord, BoltU95, RunRecord, Status
from sillwright.tell.plate_words import item_words

FT = 12.0 * MM_PER_INCH
WIDE_MM, THICK_MM = 139.7, 38.1
NO_WASTE = ShoppingRules(sealer_waste=0.0, nut_waste=0.0, washer_waste=0.0, shim_waste=0.0)


def bolt(diameter_mm: float = 12.7, status: Status = "ok") -> BoltRecord:
    return BoltRecord("N1", 0.0, 70.0, 0.0, 0.0, 0.0, 80.0, "photos", diameter_mm, BoltU95(), (), status)


def run_of(name: str, *bolts: BoltRecord, color: str | None = "blue") -> RunRecord:
    return RunRecord(name, "ok", (), bolts, (), line_color=color)


def piece(
    layer: int, length_mm: float, *drills_mm: float, width_mm: float = WIDE_MM, cut_deg: float = 0.0
) -> PlatePiece:
    holes = tuple(Hole(f"N{i}", 100.0 * i, 70.0, mm) for i, mm in enumerate(drills_mm, start=1))
    return PlatePiece("", "north", layer, 0.0, length_mm, width_mm, THICK_MM, cut_deg, 0.0, holes)


def sticks(count: int, length_ft: float, *, treated: bool, width_mm: float = WIDE_MM) -> StockCount:
    return StockCount(length_ft * FT, width_mm, THICK_MM, treated, count)


def of(lines: tuple[ShoppingLine, ...], item: str) -> list[ShoppingLine]:
    return [line for line in lines if line.item == item]


def test_lumber_is_told_by_treatment_and_length() -> None:
    stock = [
        sticks(2, 16, treated=True),
        sticks(1, 12, treated=True),
        sticks(1, 16, treated=True),
        sticks(3, 14, treated=False),
        sticks(0, 20, treated=False),
    ]
    lines = shopping_list([], [piece(1, 16 * FT), piece(2, 14 * FT)], stock)
    told = [(one.item, round((one.length_mm or 0.0) / FT), one.quantity) for one in lines if "lumber" in one.item]
    assert told == [("treated-lumber", 12, 1), ("treated-lumber", 16, 3), ("lumber", 14, 3)]
    assert {one.waste_share for one in lines if "lumber" in one.item} == {0.0}


def test_sealer_lies_under_the_first_layer_from_long_point_to_long_point() -> None:
    pieces = [piece(1, 3000.0, cut_deg=45.0), piece(1, 2000.0), piece(2, 5000.0), piece(1, 1000.0, width_mm=88.9)]
    stock = [sticks(2, 12, treated=True), sticks(1, 8, treated=True, width_mm=88.9), sticks(2, 12, treated=False)]
    narrow, wide = of(shopping_list([], pieces, stock), "sill-sealer")
    assert (narrow.needed, wide.needed) == pytest.approx((1000.0, 5000.0 + WIDE_MM))
    assert (wide.unit, wide.waste_share) == ("mm", 0.10)
    assert wide.quantity == pytest.approx(1.1 * wide.needed)
    assert (narrow.width_mm, wide.width_mm) == pytest.approx((88.9, WIDE_MM))


SLOTTED = rule_set("irc-2021", seismic=True).plate_washer
assert SLOTTED is not None


@pytest.mark.parametrize(
    ("washer", "kinds"),
    [
        (None, ["nut", "washer"]),
        (replace(SLOTTED, slot_length_mm=0.0), ["nut", "plate-washer"]),
        (SLOTTED, ["nut", "washer", "plate-washer"]),  # IRC R602.11.1: a cut washer over a slot
    ],
)
def test_every_bolt_gets_a_nut_and_what_washers_the_rules_want(
    washer: PlateWasherFigure | None, kinds: list[str]
) -> None:
    """Those to be photographed again stand in the wall all the same."""
    runs = [run_of("north", bolt(), bolt(status="reshoot")), run_of("east", bolt(), bolt(15.875))]
    lines = shopping_list(runs, [], [], rules=replace(NO_WASTE, plate_washer=washer))
    hardware = [one for one in lines if one.size]
    assert [(one.item, one.size, one.quantity) for one in hardware] == [
        (kind, size, count) for kind in kinds for size, count in (("1/2-13 UNC", 3), ("5/8-11 UNC", 1))
    ]


def test_plate_washers_are_bought_by_side_thickness_and_slot() -> None:
    """0.229 by 3 by 3 in, slot 11/16 by 1 3/4 in for a 1/2 in bolt, 13/16 for 5/8 (IRC R602.11.1)."""
    runs = [run_of("north", bolt(), bolt(15.875))]
    small, large = of(shopping_list(runs, [], [], rules=replace(NO_WASTE, plate_washer=SLOTTED)), "plate-washer")
    for line, slot_in in ((small, 11 / 16), (large, 13 / 16)):
        lengths_mm = (line.width_mm, line.thickness_mm, line.slot_width_mm, line.slot_length_mm)
        assert [mm / MM_PER_INCH for mm in lengths_mm if mm is not None] == pytest.approx([3.0, 0.229, slot_in, 1.75])
    assert item_words(small) == (
        'Plate washers 3" x 3", 0.229" thick for 1/2-13 UNC, slotted toward the corners, 11/16" wide and 1 3/4" long '
        "at most"
    )


def test_shims_are_counted_by_height_where_shims_are_to_be_set() -> None:
    heights_in = (0.0, 1 / 8, 1 / 8, 1 / 16, 1 / 2, 1.0)
    levels = levels_of([LevelPoint("", k * FT, -h * MM_PER_INCH) for k, h in enumerate(heights_in)])
    found: tuple[Shim, ...] = shims(levels, "", [ShimPlace(k * FT) for k in range(7)])
    lines = of(shopping_list([], [], [], found, NO_WASTE), "shim")
    assert [(one.sixteenths, one.quantity) for one in lines] == [(1, 1), (2, 2)]


def test_bits_are_one_of_each_size() -> None:
    pieces = [piece(1, 3000.0, 14.2875, 14.2875, 17.4625), piece(2, 3000.0, 14.2875)]
    stock = [sticks(1, 10, treated=True), sticks(1, 10, treated=False)]
    lines = of(shopping_list([], pieces, stock), "drill-bit")
    assert [(one.diameter_mm, one.quantity) for one in lines] == [(pytest.approx(14.2875), 1),
                                                                  (pytest.approx(17.4625), 1)]  # fmt: skip


def test_chalk_is_told_by_run_as_its_line_was_seen() -> None:
    lines = of(
        shopping_list([run_of("north"), run_of("east", color="red"), run_of("west", color=None)], [], []), "chalk"
    )
    assert [(one.run, one.color, one.quantity) for one in lines] == [
        ("north", "blue", 1),
        ("east", "red", 1),
        ("west", None, 1),
    ]


@given(st.integers(1, 400), st.integers(0, 40))
def test_counted_things_are_whole_and_never_fewer_than_needed_with_waste(count: int, waste_percent: int) -> None:
    """Against whole-number arithmetic: count (100 + waste) / 100, rounded up."""
    rules = replace(NO_WASTE, nut_waste=waste_percent / 100)
    (line,) = of(shopping_list([run_of("north", *[bolt()] * count)], [], [], rules=rules), "nut")
    assert line.quantity == -(-count * (100 + waste_percent) // 100)
    assert (line.needed, line.waste_share) == (count, waste_percent / 100)


def test_the_default_waste_stands_on_each_line() -> None:
    lines = shopping_list([run_of("north", *[bolt()] * 20)], [], [])
    assert [(one.item, one.needed, one.quantity, one.waste_share) for one in lines] == [
        ("nut", 20, 21, RULES.nut_waste),
        ("washer", 20, 21, RULES.washer_waste),
        ("chalk", 1, 1, RULES.chalk_waste),
    ]


@pytest.mark.parametrize("share", [-0.01, math.nan, math.inf])
def test_a_waste_that_is_no_share_is_refused(share: float) -> None:
    with pytest.raises(JobError, match="sealer_waste"):
        ShoppingRules(sealer_waste=share)


@pytest.mark.parametrize(
    ("stock", "says"),
    [
        ([sticks(1, 16, treated=False)], "stock of treated lumber 140 mm wide"),
        ([sticks(1, 16, treated=True, width_mm=88.9)], "stock of treated lumber 140 mm wide"),
        ([sticks(1, 9.99, treated=True)], "shorter than the pieces"),
        ([sticks(-1, 10, treated=True)], "count of zero or more"),
    ],
)
def test_stock_that_cannot_hold_the_pieces_is_refused(stock: list[StockCount], says: str) -> None:
    with pytest.raises(JobError, match=says):
        shopping_list([], [piece(1, 10 * FT)], stock)


def test_stock_as_long_as_the_pieces_is_enough() -> None:
    assert shopping_list([], [piece(1, 10 * FT)], [sticks(1, 10, treated=True)])


def test_mitred_pieces_may_be_cut_out_of_each_other() -> None:
    """Two pieces mitred 45 degrees at one end take 2 x 5 ft by their middles, more by their long points."""
    pieces = [piece(1, 5 * FT - WIDE_MM / 2.0, cut_deg=45.0)] * 2
    assert shopping_list([], pieces, [sticks(1, 10, treated=True)])
    with pytest.raises(JobError, match="shorter"):
        shopping_list([], pieces, [sticks(1, 9.999, treated=True)])


def test_layers_of_treated_wood_are_the_crew_s_to_say() -> None:
    rules = replace(RULES, treated_layers=(1, 2))
    with pytest.raises(JobError, match="treated"):
        shopping_list([], [piece(2, 10 * FT)], [sticks(1, 10, treated=False)], rules=rules)


def test_a_bolt_of_no_known_size_is_refused() -> None:
    with pytest.raises(JobError, match="not a size"):
        shopping_list([run_of("north", bolt(22.0))], [], [])
