"""Which bolts pass a plate as they stand, how far a tip must come, and where the hole goes."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from judge_runs import CENTRED_MM, INCH, a_bolt
from sillwright.judge.passes import (
    BendLimits,
    PassCode,
    Passing,
    PassVerdict,
    hole_needed_mm,
    hole_place,
    lean_that_passes_deg,
    passing,
)
from sillwright.judge.rules import rule_set
from sillwright.judge.straighten import NUT_BEARS_FLAT_DEG
from sillwright.survey import BoltRecord, BoltU95, Finding

IRC = rule_set("irc-2021")
WIDTH_MM, PLATE_MM, STICKUP_MM = 139.7, 38.1, 90.0
SURE = BoltU95(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def leaning(lean_deg: float, u95_deg: float | None = 0.0, toward_deg: float = 0.0, **changes: object) -> BoltRecord:
    """A bolt 90 mm along its axis, leaning toward higher stations or ``toward_deg`` from there to the plate's side."""
    level_mm = STICKUP_MM * math.sin(math.radians(lean_deg))
    turn = math.radians(toward_deg)
    bolt = replace(
        a_bolt(lean_mm=(level_mm * math.cos(turn), level_mm * math.sin(turn))),
        lean_deg=lean_deg,
        stickup_mm=STICKUP_MM,
        u95=replace(SURE, lean_deg=u95_deg),
    )
    return replace(bolt, **changes)  # type: ignore[arg-type]


def judged(bolt: BoltRecord, hole_over_in: float = 1 / 16, **changes: object) -> Passing:
    hole_mm = bolt.diameter_mm + hole_over_in * INCH
    return passing(bolt, IRC, PLATE_MM, WIDTH_MM, **{"hole_mm": hole_mm, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("over_in", "diameter_in", "thickness_in", "lean_deg"),
    [
        (over, diameter, thickness, lean)
        for over, leans in (
            (1 / 32, (1.19, 0.60, 1.19, 1.19)),
            (1 / 16, (2.37, 1.19, 2.37, 2.36)),
            (1 / 8, (4.70, 2.38, 4.68, 4.67)),
            (3 / 16, (6.98, 3.56, 6.95, 6.92)),
            (1 / 4, (9.22, 4.73, 9.16, 9.11)),
        )
        for (diameter, thickness), lean in zip(((0.5, 1.5), (0.5, 3.0), (0.625, 1.5), (0.75, 1.5)), leans, strict=True)
    ],
)
def test_the_lean_that_still_passes_a_straight_hole(
    over_in: float, diameter_in: float, thickness_in: float, lean_deg: float
) -> None:
    """d / cos + t tan against the hole, solved elsewhere to two places."""
    found = lean_that_passes_deg(diameter_in * INCH, (diameter_in + over_in) * INCH, thickness_in * INCH)
    assert found == pytest.approx(lean_deg, abs=0.011)


@given(st.floats(5, 30), st.floats(0, 20), st.floats(1, 150))
def test_the_lean_that_passes_needs_just_that_hole(diameter_mm: float, over_mm: float, thickness_mm: float) -> None:
    lean_deg = lean_that_passes_deg(diameter_mm, diameter_mm + over_mm, thickness_mm)
    assert lean_deg is not None
    assert hole_needed_mm(diameter_mm, lean_deg, thickness_mm) == pytest.approx(diameter_mm + over_mm, rel=1e-6)


@given(st.floats(5, 30), st.floats(0.0, 40.0), st.floats(1, 150))
def test_the_hole_needed_clears_every_point_of_the_bolt(diameter_mm: float, lean_deg: float, thick_mm: float) -> None:
    """A rectangle turned by the lean, cut at both faces of the stack: its corners span the hole."""
    lean = math.radians(lean_deg)
    across = diameter_mm / math.cos(lean)  # level width of the leaning bolt
    ends = [level + height * math.tan(lean) for height in (0.0, thick_mm) for level in (-across / 2, across / 2)]
    assert hole_needed_mm(diameter_mm, lean_deg, thick_mm) == pytest.approx(max(ends) - min(ends))


def test_a_hole_under_the_bolt_passes_nothing() -> None:
    assert lean_that_passes_deg(12.7, 12.6, 38.1) is None
    assert lean_that_passes_deg(12.7, 12.7, 38.1) == pytest.approx(0.0, abs=1e-5)
    found = judged(leaning(0.0), hole_mm=12.0)
    assert (found.verdict, found.codes) == ("cannot tell", ("hole-under-bolt",))


@pytest.mark.parametrize(
    ("lean_deg", "u95_deg", "over_in", "verdict", "codes"),
    [
        (2.36, 0.0, 1 / 16, "as it stands", ()),
        (2.39, 0.0, 1 / 16, "straighten", ("will-not-pass",)),
        (2.0, 0.3, 1 / 16, "as it stands", ()),
        (2.0, 0.4, 1 / 16, "cannot tell", ("near-limit",)),
        (2.8, 0.3, 1 / 16, "straighten", ("will-not-pass", "nut-near-limit")),
        (2.86, 0.3, 1 / 4, "as it stands", ("nut-near-limit",)),
        (9.2, 0.1, 1 / 4, "straighten", ("nut-not-flat", "near-limit")),
        (2.86, 0.0, 1 / 4, "as it stands", ()),
        (2.87, 0.0, 1 / 4, "straighten", ("nut-not-flat",)),
        (3.5, 0.5, 1 / 16, "straighten", ("will-not-pass", "nut-not-flat")),
        (9.3, 0.0, 1 / 4, "straighten", ("will-not-pass", "nut-not-flat")),
        (44.9, 0.0, 1 / 4, "straighten", ("will-not-pass", "nut-not-flat")),
        (44.9, 0.2, 1 / 4, "cannot tell", ("near-cold-bend", "will-not-pass", "nut-not-flat")),
        (45.1, 0.0, 1 / 4, "engineer", ("past-cold-bend", "will-not-pass", "nut-not-flat")),
        (2.0, None, 1 / 16, "cannot tell", ("no-lean",)),
    ],
)
def test_a_bolt_stands_as_it_is_only_where_it_surely_passes_its_hole(
    lean_deg: float, u95_deg: float | None, over_in: float, verdict: PassVerdict, codes: tuple[PassCode, ...]
) -> None:
    """2.37 degrees pass 1/16 over, 9.22 pass 1/4; a nut bears flat to 1 in 20 (RCSC by way of AISC FAQ 6.10.1)."""
    found = judged(leaning(lean_deg, u95_deg), over_in)
    assert (found.verdict, found.codes) == (verdict, codes)


def test_the_hole_is_the_rule_sets_where_none_is_given() -> None:
    """NDS 12.1.3.2 by the IRC sets: 1/16 over. Canada's set names none."""
    assert passing(leaning(1.0), IRC, PLATE_MM, WIDTH_MM).hole_allowed_mm == pytest.approx(9 / 16 * INCH)
    found = passing(leaning(1.0), rule_set("nbc-2020"), PLATE_MM, WIDTH_MM)
    assert (found.verdict, found.codes) == ("cannot tell", ("no-hole-size",))


def test_the_crews_limits_are_used() -> None:
    limits = BendLimits(nut_flat_deg=1.0, cold_bend_deg=8.0)
    assert judged(leaning(1.5), limits=limits).codes == ("nut-not-flat",)
    assert judged(leaning(8.5), limits=limits).verdict == "engineer"
    assert judged(leaning(7.5), limits=limits).verdict == "straighten"


def test_a_bolt_that_need_not_be_bent_is_not_held_to_the_limit_for_bending() -> None:
    assert judged(leaning(2.0), limits=BendLimits(cold_bend_deg=1.0)).verdict == "as it stands"


@pytest.mark.parametrize(
    ("bolt", "damaged", "code"),
    [
        (leaning(0.0, reasons=(Finding("bent"),)), False, "bent"),
        (leaning(0.0), True, "damaged"),
        (leaning(0.0, setback_mm=-20.0), False, "off-plate"),
        (leaning(0.0, setback_mm=160.0), False, "off-plate"),
        (leaning(30.0, setback_mm=160.0), False, "off-plate"),
        (leaning(0.0, status="reshoot", reasons=(Finding("bent"),)), False, "bent"),
    ],
)
def test_bent_damaged_and_uncovered_bolts_go_to_the_engineer(bolt: BoltRecord, damaged: bool, code: PassCode) -> None:
    found = judged(bolt, damaged=damaged)
    assert found.verdict == "engineer"
    assert code in found.codes
    assert found.hole is None


@pytest.mark.parametrize(
    ("inside_mm", "verdict"),
    [(0.6, "as it stands"), (0.4, "cannot tell"), (-0.4, "cannot tell"), (-0.6, "engineer")],
)
def test_a_plate_covers_a_bolt_whose_whole_hole_lies_in_it(inside_mm: float, verdict: PassVerdict) -> None:
    """A setback sure to 0.5 mm, at either edge."""
    half_hole_mm = 9 / 32 * INCH
    for setback_mm in (half_hole_mm + inside_mm, WIDTH_MM - half_hole_mm - inside_mm):
        bolt = leaning(0.0, setback_mm=setback_mm, u95=replace(SURE, setback_mm=0.5))
        assert judged(bolt).verdict == verdict


def test_without_numbers_to_rely_on_nothing_is_said() -> None:
    for bolt in (leaning(0.0, status="reshoot"), leaning(0.0, setback_mm=None), replace(leaning(0.0), lean_deg=None)):
        found = judged(bolt)
        assert found.verdict == "cannot tell"
        assert set(found.codes) <= {"no-setback", "no-lean"}
        assert found.hole is None


def test_the_hole_needed_comes_with_the_interval_of_the_lean() -> None:
    found = judged(leaning(2.0, 0.5))
    low, high = (hole_needed_mm(12.7, lean_deg, PLATE_MM) for lean_deg in (1.5, 2.5))
    assert (found.hole_needed_low_mm, found.hole_needed_high_mm) == pytest.approx((low, high))
    assert judged(leaning(0.3, 0.5)).hole_needed_low_mm == pytest.approx(12.7)
    assert judged(leaning(80.0, 15.0)).hole_needed_high_mm == math.inf


# The least move


@given(st.floats(0.0, 44.0), st.sampled_from([1 / 32, 1 / 16, 1 / 8, 1 / 4]), st.floats(-180, 180))
def test_a_tip_moved_by_the_least_move_passes_and_by_less_does_not(
    lean_deg: float, over_in: float, toward_deg: float
) -> None:
    """The tip swings about the foot at its stick-up, straight back the way it leans. The hole of a bolt that is to be
    straightened goes over its foot, where all of the stack leans out of it: twice the height of a centred one's."""
    found = judged(leaning(lean_deg, toward_deg=toward_deg), over_in)
    assert found.least_move_mm is not None
    assert found.passes_up_to_deg is not None
    assert found.lean_left_deg is not None
    left_mm = STICKUP_MM * math.sin(math.radians(lean_deg)) - found.least_move_mm
    left_deg = math.degrees(math.asin(max(left_mm, 0.0) / STICKUP_MM))
    over_foot_deg = lean_that_passes_deg(12.7, 12.7 + over_in * INCH, 2.0 * PLATE_MM)
    assert over_foot_deg is not None
    limit_deg = min(over_foot_deg if found.verdict == "straighten" else found.passes_up_to_deg, NUT_BEARS_FLAT_DEG)
    assert left_deg <= limit_deg + 1e-6
    assert left_deg == pytest.approx(found.lean_left_deg, abs=1e-6)
    if found.least_move_mm > 0.0:
        assert left_deg == pytest.approx(limit_deg, abs=1e-6)


def test_the_tip_goes_back_the_way_it_leans() -> None:
    found = judged(leaning(6.0, toward_deg=90.0))
    assert found.straightening is not None
    assert found.straightening.way_across == "toward the chalk line"
    assert found.straightening.turn_deg == pytest.approx(-90.0)


# Where the hole goes


@pytest.mark.parametrize(
    ("lean_deg", "stack_in", "shift_in"),
    [
        (1.0, 5.0, 0.044),
        (2.0, 5.0, 0.087),
        (5.0, 5.0, 0.219),
        (10.0, 5.0, 0.441),
        (5.0, 3.0, 0.131),
        (10.0, 3.0, 0.264),
    ],
)
def test_a_bolt_left_leaning_gets_its_hole_at_half_the_stack(lean_deg: float, stack_in: float, shift_in: float) -> None:
    """Side shift h tan(lean): 2.5 and 1.5 in up, to a thousandth."""
    hole = hole_place(leaning(lean_deg), stack_in * INCH)
    assert hole is not None
    assert (hole.station_mm - 400.0) / INCH == pytest.approx(shift_in, abs=0.0011)
    assert hole.setback_mm == pytest.approx(CENTRED_MM)


@given(st.floats(0.5, 30.0), st.floats(0.0, 3.0), st.floats(-180, 180), st.floats(10, 120))
def test_a_bolt_that_was_straightened_gets_its_hole_over_its_foot_and_the_lean_that_is_left(
    lean_deg: float, left_deg: float, toward_deg: float, stack_mm: float
) -> None:
    assume(abs(lean_deg - left_deg) > 1e-6)
    hole = hole_place(leaning(lean_deg, toward_deg=toward_deg), stack_mm, left_deg)
    assert hole is not None
    away_mm = math.tan(math.radians(min(left_deg, lean_deg))) * stack_mm / 2.0
    turn = math.radians(toward_deg)
    assert hole.station_mm == pytest.approx(400.0 + away_mm * math.cos(turn), abs=1e-6)
    assert hole.setback_mm == pytest.approx(CENTRED_MM + away_mm * math.sin(turn), abs=1e-6)


def test_plumb_again_the_hole_is_over_the_foot_with_the_foots_own_width() -> None:
    bolt = leaning(6.0, 0.5, u95=BoltU95(0.6, 0.5, 0.8, 0.8, 0.5, 1.0))
    hole = hole_place(bolt, PLATE_MM, 0.0)
    assert hole is not None
    assert (hole.station_mm, hole.setback_mm) == (400.0, CENTRED_MM)
    assert (hole.u95_along_mm, hole.u95_across_mm) == (0.6, 0.5)


def test_the_hole_holds_wherever_between_plumb_and_twice_the_plan_a_bar_leaves_the_bolt() -> None:
    bolt = leaning(6.0)
    hole, plumb = hole_place(bolt, PLATE_MM, 2.0), hole_place(bolt, PLATE_MM, 0.0)
    assert hole is not None
    assert plumb is not None
    assert hole.u95_along_mm == pytest.approx(hole.station_mm - plumb.station_mm)


@given(st.floats(0, 20), st.floats(-180, 180), st.floats(-1, 1), st.floats(-1, 1), st.floats(-1, 1))
def test_the_holes_width_covers_every_bolt_within_its_own_widths(
    lean_deg: float, toward_deg: float, foot: float, tip: float, height: float
) -> None:
    """Foot, lean and stick-up each anywhere in their intervals, to first order."""
    u95 = BoltU95(0.1, 0.1, 0.2, 0.2, 0.5, 8.0)
    bolt = leaning(lean_deg, toward_deg=toward_deg, u95=u95)
    assert bolt.lean_along_mm is not None
    hole = hole_place(bolt, PLATE_MM)
    other = hole_place(
        replace(
            bolt,
            station_mm=400.0 + 0.1 * foot,
            lean_along_mm=bolt.lean_along_mm + 0.2 * tip,
            stickup_mm=STICKUP_MM + 8.0 * height,
        ),
        PLATE_MM,
    )
    assert hole is not None
    assert other is not None
    assert hole.u95_along_mm is not None
    assert abs(other.station_mm - hole.station_mm) <= hole.u95_along_mm * 1.25 + 0.01


def test_the_hole_of_each_verdict_is_the_one_that_is_meant() -> None:
    stays, moves = judged(leaning(2.0)), judged(leaning(8.0))
    assert stays.hole == hole_place(leaning(2.0), PLATE_MM)
    assert moves.hole == hole_place(leaning(8.0), PLATE_MM, 0.0)
    assert moves.hole is not None
    assert (moves.hole.station_mm, moves.hole.setback_mm) == (400.0, CENTRED_MM)
    assert judged(leaning(2.3, 0.5)).hole is None
