"""Outlines that close or do not, corners that are square or do not, and readings that cannot all be right."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sillwright.errors import JobError
from sillwright.lengths import MM_PER_INCH, format_feet_inches
from sillwright.plates.square import (
    OUT_OF_SQUARE_MM,
    check_diagonals,
    closure,
    corner_angle,
    diagonals,
    squareness,
)
from sillwright.plates.traverse import TAPE_SIGMA_MM, CornerAngle, Outline, Taped, adjust
from sillwright.survey import CornerRecord

FT = 12.0 * MM_PER_INCH
NAMES = ("A", "B", "C", "D")


def ring(*lengths_mm: float, sigma_mm: float = TAPE_SIGMA_MM) -> tuple[Taped, ...]:
    corners = [*NAMES[: len(lengths_mm)], "A"]
    return tuple(Taped(a, b, mm, sigma_mm) for (a, b), mm in zip(pairwise(corners), lengths_mm, strict=True))


def rectangle(a_mm: float, b_mm: float, *more: Taped, angles: tuple[CornerAngle, ...] = ()) -> Outline:
    return Outline(NAMES, (*ring(a_mm, b_mm, a_mm, b_mm), *more), angles)


def all_square(u95_deg: float = 0.05) -> tuple[CornerAngle, ...]:
    return tuple(CornerAngle(name, 90.0, u95_deg) for name in NAMES)


# --- what a diagonal should be ---


@pytest.mark.parametrize(
    ("a_in", "b_in", "written"),
    [
        (196.0, 163.0, "21' 2 15/16\""),  # 16'-4 by 13'-7, a published how-to on squaring walls
        (24 * 12.0, 32 * 12.0, "40' 0\""),  # a contractors' forum
        (72.0, 96.0, "10' 0\""),  # 6-8-10
        (144.0, 192.0, "20' 0\""),  # 12-16-20
        (24 * 12.0, 28 * 12.0, "36' 10 9/16\""),
        (26 * 12.0, 40 * 12.0, "47' 8 1/2\""),
        (28 * 12.0, 36 * 12.0 + 6.0, "46' 0 1/16\""),
        (151.5, 243.25, "23' 10 9/16\""),
        (28 * 12.0, 28 * 12.0, "39' 7 3/16\""),  # a home-building forum
    ],
)
def test_diagonals_of_a_square_cornered_outline(a_in: float, b_in: float, written: str) -> None:
    found = diagonals(rectangle(a_in * MM_PER_INCH, b_in * MM_PER_INCH))
    assert [(one.from_corner, one.to_corner) for one in found] == [("A", "C"), ("B", "D")]
    assert [format_feet_inches(one.should_mm) for one in found] == [written, written]
    assert found[0].read_mm is None


def test_a_diagonal_that_was_read_stands_beside_what_it_should_be() -> None:
    read = Taped("C", "A", 3000.0, 2.0), Taped("A", "C", 3002.0, 2.0)
    found = diagonals(rectangle(1800.0, 2400.0, *read))[0]
    assert (found.should_mm, found.read_mm) == pytest.approx((3000.0, 3001.0), abs=1e-3)
    assert found.read_u95_mm == pytest.approx(1.96 * 2.0 / math.sqrt(2.0))
    # each wall pair's mean has sigma / sqrt 2, and counts by its share of the diagonal
    assert found.should_u95_mm == pytest.approx(1.96 * TAPE_SIGMA_MM / math.sqrt(2.0), rel=1e-3)


def test_a_diagonal_of_an_l_needs_the_drawing_s_angles() -> None:
    """An L of 4 by 4 m with a 2 by 2 m notch: the notch's corner lies 2 sqrt 2 m from the corner behind it."""
    names = ("A", "B", "C", "D", "E", "F")
    lengths = (4000.0, 2000.0, 2000.0, 2000.0, 2000.0, 4000.0)
    walls = tuple(Taped(a, b, mm) for (a, b), mm in zip(pairwise([*names, "A"]), lengths, strict=True))
    outline = Outline(names, walls)
    with pytest.raises(JobError, match="drawing's angle at each"):
        diagonals(outline)
    with pytest.raises(JobError, match="add up to 720"):
        diagonals(outline, [90.0] * 6)
    found = {(one.from_corner, one.to_corner): one.should_mm for one in diagonals(outline, [90, 90, 90, 270, 90, 90])}
    assert len(found) == 9
    assert found["A", "D"] == pytest.approx(2000.0 * math.sqrt(2.0))


# --- closing error ---


def test_a_true_outline_closes() -> None:
    found = closure(rectangle(24 * FT, 28 * FT, angles=all_square()))
    assert (found.angle_deg, found.error_mm) == pytest.approx((0.0, 0.0), abs=1e-6)
    assert found.one_in is None
    assert found.perimeter_mm == pytest.approx(104 * FT)


def test_a_wall_too_long_is_the_closing_error() -> None:
    """The first wall 1 in over: the walk ends 1 in past where it began, 1 part in 1249 of the perimeter."""
    walls = ring(24 * FT + MM_PER_INCH, 28 * FT, 24 * FT, 28 * FT)
    found = closure(Outline(NAMES, walls, all_square()))
    assert (found.dx_mm, found.dy_mm, found.error_mm) == pytest.approx((25.4, 0.0, 25.4), abs=1e-6)
    assert found.one_in == pytest.approx(104.0 * 12.0 + 1.0)


def test_angles_that_do_not_add_up_are_told_and_shared_out_by_their_variances() -> None:
    angles = (*all_square(0.01)[:3], CornerAngle("D", 90.4, 0.4))
    found = closure(rectangle(24 * FT, 28 * FT, angles=angles))
    assert found.angle_deg == pytest.approx(0.4)
    assert found.error_mm < 0.5  # nearly all of it taken off the poorly known corner
    alike = tuple(CornerAngle(name, 90.1, 0.05) for name in NAMES)
    assert closure(rectangle(24 * FT, 28 * FT, angles=alike)).error_mm == pytest.approx(0.0, abs=1e-6)


def test_what_a_closing_error_lacks_is_named() -> None:
    with pytest.raises(JobError, match="corner D: its angle is missing"):
        closure(rectangle(24 * FT, 28 * FT, angles=all_square()[:3]))
    with pytest.raises(JobError, match="from corner D to corner A was not taped"):
        closure(Outline(NAMES, ring(1.0, 1.0, 1.0, 1.0)[:3], all_square()))


# --- adjustment ---

POINTS = st.tuples(*[st.floats(-600.0, 600.0)] * 8)


def quadrilateral(shifts: tuple[float, ...]) -> np.ndarray:
    return np.array([[0, 0], [9000, 0], [9000, 7000], [0, 7000]]) + np.array(shifts).reshape(4, 2)


def length_mm(places: np.ndarray, i: int, j: int) -> float:
    return float(np.hypot(*(places[i] - places[j])))


def inside_deg(places: np.ndarray, k: int) -> float:
    back, on = places[k - 1] - places[k], places[(k + 1) % len(places)] - places[k]
    return math.degrees(math.acos(float(back @ on) / float(np.hypot(*back) * np.hypot(*on))))


def taped(places: np.ndarray, errors: tuple[float, ...] = (0.0,) * 6) -> tuple[Taped, ...]:
    pairs = [(0, 1), (1, 2), (2, 3), (3, 0), (0, 2), (1, 3)]
    return tuple(
        Taped(NAMES[i], NAMES[j], length_mm(places, i, j) + e) for (i, j), e in zip(pairs, errors, strict=True)
    )


@given(POINTS, st.integers(0, 6))
def test_true_readings_give_the_true_outline(shifts: tuple[float, ...], left_out: int) -> None:
    """Six lengths, or any five of them that still fix the shape with one angle."""
    places = quadrilateral(shifts)
    lengths = taped(places)
    if left_out in (4, 5):
        lengths = tuple(one for i, one in enumerate(lengths) if i != left_out)
    found = adjust(Outline(NAMES, lengths))
    assert found.redundancy == len(lengths) - 5
    assert found.misfit == pytest.approx(0.0, abs=1e-9)
    for k, name in enumerate(NAMES):
        assert found.angle_deg(name)[0] == pytest.approx(inside_deg(places, k), abs=1e-6)
    assert found.distance_mm("B", "D")[0] == pytest.approx(length_mm(places, 1, 3), abs=1e-5)


def test_an_interval_is_what_repeated_taping_scatters_by() -> None:
    """250 outlines taped with noise of the stated sigma: each corner's u95 holds the truth 95 times in 100."""
    random = np.random.default_rng(7)
    places = quadrilateral((0.0, 0.0, 150.0, -80.0, -40.0, 200.0, 60.0, 20.0))
    inside, sound = [], 0
    for _ in range(250):
        errors = tuple(float(e) for e in random.normal(0.0, TAPE_SIGMA_MM, 6))
        found = adjust(Outline(NAMES, taped(places, errors)))
        sound += bool(found.consistent)
        if found.misfit <= 1.0:  # the interval is opened where readings disagree by more; those are not asked here
            for k, name in enumerate(NAMES):
                angle, u95 = found.angle_deg(name)
                inside.append(abs(angle - inside_deg(places, k)) <= u95)
    assert sound / 250 == pytest.approx(0.95, abs=0.04)
    assert np.mean(inside) == pytest.approx(0.95, abs=0.03)


@pytest.mark.parametrize("error_mm", [1.0, 4.0, 40.0])
def test_intervals_open_by_how_much_the_readings_disagree(error_mm: float) -> None:
    """By the root of the mean squared misfit, and never below what the stated sigmas give."""
    places = quadrilateral((0.0,) * 8)
    u95 = [
        adjust(Outline(NAMES, taped(places, (0.0,) * 5 + (error,)))).distance_mm("A", "C")[1]
        for error in (0.0, error_mm)
    ]
    misfit = adjust(Outline(NAMES, taped(places, (0.0,) * 5 + (error_mm,)))).misfit
    assert u95[1] / u95[0] == pytest.approx(max(1.0, math.sqrt(misfit)), rel=0.01)


def test_one_reading_over_cannot_tell_which_of_six_is_wrong() -> None:
    found = adjust(Outline(NAMES, taped(quadrilateral((0.0,) * 8), (0.0, 0.0, 0.0, 0.0, 40.0, 0.0))))
    assert found.consistent is False
    assert len(found.suspects) == 6


def test_angles_as_well_point_at_the_reading_that_is_wrong() -> None:
    places = quadrilateral((0.0,) * 8)
    for wrong in range(6):
        errors = tuple(40.0 if i == wrong else 0.0 for i in range(6))
        lengths = taped(places, errors)
        found = adjust(Outline(NAMES, lengths, all_square()))
        assert found.redundancy == 5
        assert found.consistent is False
        assert found.suspects == (lengths[wrong],)
        assert found.residuals[wrong].residual < 0.0
        assert abs(found.residuals[wrong].normalised or 0.0) > 10.0


def test_the_wrong_reading_is_among_the_suspects_however_small_its_error() -> None:
    """Noise of the stated sigma, and one wall or diagonal 8 mm out: it is not let off, where any reading is blamed."""
    random = np.random.default_rng(11)
    places = quadrilateral((0.0,) * 8)
    blamed, held = 0, 0
    for k in range(120):
        noise = random.normal(0.0, TAPE_SIGMA_MM, 6)
        noise[k % 6] += 8.0
        lengths = taped(places, tuple(float(e) for e in noise))
        found = adjust(Outline(NAMES, lengths, all_square()))
        blamed += bool(found.suspects)
        held += bool(found.suspects) and lengths[k % 6] in found.suspects
    assert blamed > 40
    assert held / blamed > 0.9


def test_a_reading_nothing_checks_is_not_said_to_fit() -> None:
    found = adjust(rectangle(24 * FT, 28 * FT, Taped("A", "C", 440.0 * MM_PER_INCH)))
    assert (found.redundancy, found.consistent, found.limit) == (0, None, None)
    assert all(one.normalised is None for one in found.residuals)


def test_an_outline_left_open_is_refused_with_what_would_close_it() -> None:
    with pytest.raises(JobError, match="Tape a diagonal, or measure the angle of corner A, B, C, D"):
        adjust(rectangle(24 * FT, 28 * FT))
    with pytest.raises(JobError, match="shape open"):  # as many readings as numbers, but none of them holds the angles
        adjust(rectangle(24 * FT, 28 * FT, Taped("A", "B", 24 * FT)))


@pytest.mark.parametrize("over_mm", [0.0, 5.0])
def test_a_diagonal_longer_than_its_walls_is_refused(over_mm: float) -> None:
    with pytest.raises(JobError, match="corner B and the diagonal across it make no triangle"):
        adjust(rectangle(3000.0, 4000.0, Taped("A", "C", 7000.0 + over_mm)))


# --- both diagonals against four walls ---


def with_diagonals(a_in: float, b_in: float, first_in: float, second_in: float) -> Outline:
    return rectangle(
        a_in * MM_PER_INCH,
        b_in * MM_PER_INCH,
        Taped("A", "C", first_in * MM_PER_INCH),
        Taped("B", "D", second_in * MM_PER_INCH),
    )


def test_28_ft_square_with_diagonals_39_6_and_40_0_is_to_be_measured_again() -> None:
    """A home-building forum's case: d1^2 + d2^2 = 455076 where four walls of 28 ft have 451584 in^2."""
    outline = with_diagonals(336.0, 336.0, 474.0, 480.0)
    found = check_diagonals(outline)
    assert found.squares_mm2 / MM_PER_INCH**2 == pytest.approx(451584.0 - 455076.0)
    assert not found.consistent
    assert found.expected_mm / MM_PER_INCH == pytest.approx(2.0 * math.sqrt(336.0**2 - 237.0**2))
    adjusted = adjust(outline)
    assert adjusted.consistent is False
    assert {one.verdict for one in squareness(outline, adjusted)} == {"cannot tell"}
    # the walls would have to be 28'-1.3" for both diagonals to be right
    side_in = math.sqrt(455076.0 / 4.0)
    assert side_in == pytest.approx(28 * 12 + 1.3, abs=0.05)
    assert check_diagonals(with_diagonals(side_in, side_in, 474.0, 480.0)).over_mm == pytest.approx(0.0, abs=1e-6)


@given(POINTS)
def test_six_lengths_of_any_real_quadrilateral_agree(shifts: tuple[float, ...]) -> None:
    """And Euler: squares of walls less squares of diagonals are 4 m^2, m between the diagonals' middles."""
    places = quadrilateral(shifts)
    found = check_diagonals(Outline(NAMES, taped(places)))
    assert found.over_mm == pytest.approx(0.0, abs=1e-6)
    assert found.consistent
    between = (places[0] + places[2] - places[1] - places[3]) / 2.0
    assert found.squares_mm2 == pytest.approx(4.0 * float(between @ between), abs=1.0)
    assert found.squares_mm2 >= -1.0


@pytest.mark.parametrize(("share", "consistent"), [(0.999, True), (1.001, False)])
@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_diagonals_disagree_just_past_their_interval(share: float, consistent: bool, sign: float) -> None:
    places = quadrilateral((0.0,) * 8)
    u95_mm = check_diagonals(Outline(NAMES, taped(places))).over_u95_mm
    errors = (0.0, 0.0, 0.0, 0.0, 0.0, sign * share * u95_mm)
    found = check_diagonals(Outline(NAMES, taped(places, errors)))
    assert found.consistent is consistent
    assert adjust(Outline(NAMES, taped(places, errors))).consistent is consistent


def test_what_cannot_be_laid_out_is_named() -> None:
    with pytest.raises(JobError, match="corner B and the diagonal from A to C make no triangle"):
        check_diagonals(with_diagonals(100.0, 100.0, 200.0, 150.0))
    with pytest.raises(JobError, match="corner B to corner D was not taped"):
        check_diagonals(rectangle(1000.0, 1000.0, Taped("A", "C", 1400.0)))
    with pytest.raises(JobError, match="four corners"):
        check_diagonals(Outline(NAMES[:3], ring(3.0, 4.0, 5.0)))


# --- which corner is out, and by how much ---


def only_triangle(a_in: float, b_in: float, across_in: float) -> tuple[Outline, tuple[float, float]]:
    outline = Outline(NAMES[:3], ring(a_in * MM_PER_INCH, b_in * MM_PER_INCH, across_in * MM_PER_INCH))
    return outline, adjust(outline).angle_deg("B")


@pytest.mark.parametrize(
    ("a_in", "b_in", "across_in", "deg"),
    [
        (144.0, 192.0, 240.5, 90.249),
        (144.0, 192.0, 239.5, 89.752),
        (72.0, 96.0, 120.25, 90.249),
        (72.0, 96.0, 120.125, 90.124),
        (36.0, 48.0, 60.5, 90.999),
        (36.0, 48.0, 59.75, 89.504),
    ],
)
def test_a_corner_by_its_two_marks_and_the_diagonal(a_in: float, b_in: float, across_in: float, deg: float) -> None:
    """Law of cosines, worked to thousandths of a degree."""
    assert only_triangle(a_in, b_in, across_in)[1][0] == pytest.approx(deg, abs=6e-4)


@pytest.mark.parametrize(("leg_in", "shift_in"), [(144.0, 0.626), (192.0, 0.834)])
def test_how_far_a_leg_of_12_16_20_swings_for_half_an_inch(leg_in: float, shift_in: float) -> None:
    """A remodelers' standard allows the diagonal 1/2 in: the legs' ends then stand out by 0.626 and 0.834 in."""
    outline, _ = only_triangle(144.0, 192.0, 240.5)
    drawn = [math.degrees(math.atan(192.0 / 144.0)), 90.0, math.degrees(math.atan(144.0 / 192.0))]
    found = squareness(outline, adjust(outline), drawn, over_mm=leg_in * MM_PER_INCH)[1]
    assert found.off_mm / MM_PER_INCH == pytest.approx(shift_in, abs=1e-3)


def parallelogram(a_in: float, b_in: float, differ_in: float) -> Outline:
    """Walls a and b with diagonals that differ; the rule: the end of a shifts (d1^2 - d2^2) / (4 b)."""
    squares = 2.0 * (a_in**2 + b_in**2)
    long_in = (differ_in + math.sqrt(2.0 * squares - differ_in**2)) / 2.0
    return with_diagonals(a_in, b_in, long_in, long_in - differ_in)


@pytest.mark.parametrize(
    ("differ_in", "off_deg", "ends_in"), [(1.5, 0.197, (0.988, 1.152)), (3.816, 0.5, (2.513, None))]
)
def test_24_by_28_with_diagonals_that_differ(
    differ_in: float, off_deg: float, ends_in: tuple[float, float | None]
) -> None:
    outline = parallelogram(288.0, 336.0, differ_in)
    adjusted = adjust(outline)
    assert adjusted.consistent
    for length_in, end_in in zip((288.0, 336.0), ends_in, strict=True):
        found = squareness(outline, adjusted, over_mm=length_in * MM_PER_INCH)
        assert [one.off_deg for one in found] == pytest.approx([-off_deg, off_deg] * 2, abs=6e-4) or [
            one.off_deg for one in found
        ] == pytest.approx([off_deg, -off_deg] * 2, abs=6e-4)
        if end_in is not None:
            assert abs(found[0].off_mm) / MM_PER_INCH == pytest.approx(end_in, abs=1e-3)


def test_a_small_angle_shifts_a_wall_s_end_as_the_rule_says() -> None:
    """(d1^2 - d2^2) / (4 b) for the end of a."""
    outline = parallelogram(288.0, 336.0, 0.25)
    d1_mm, d2_mm = (one.length_mm for one in outline.taped[4:])
    found = squareness(outline, adjust(outline), over_mm=288.0 * MM_PER_INCH)
    assert abs(found[0].off_mm) == pytest.approx((d1_mm**2 - d2_mm**2) / (4.0 * 336.0 * MM_PER_INCH), rel=1e-4)


@pytest.mark.parametrize(
    ("off_mm", "verdict"),
    [
        (OUT_OF_SQUARE_MM - 0.11, "as drawn"),
        (OUT_OF_SQUARE_MM - 0.09, "cannot tell"),
        (OUT_OF_SQUARE_MM + 0.09, "cannot tell"),
        (OUT_OF_SQUARE_MM + 0.11, "out"),
        (-OUT_OF_SQUARE_MM - 0.11, "out"),
    ],
)
def test_a_corner_is_out_only_with_its_whole_interval(off_mm: float, verdict: str) -> None:
    """One angle, known to 0.1 mm over 20 ft, in an outline otherwise fixed by its walls."""
    over_mm = 20 * FT
    angle = CornerAngle("A", 90.0 + math.degrees(math.asin(off_mm / over_mm)), math.degrees(0.1 / over_mm))
    outline = rectangle(24 * FT, 28 * FT, angles=(angle,))
    found = squareness(outline, adjust(outline))[0]
    assert (found.off_mm, found.off_u95_mm) == pytest.approx((off_mm, 0.1), abs=1e-4)
    assert found.verdict == verdict


def test_no_corner_is_blamed_where_readings_disagree() -> None:
    """A rectangle some 6 degrees out of square, and one diagonal 2 in wrong: all else equal it would be called out."""
    places = quadrilateral((0.0, 0.0, 0.0, 0.0, 800.0, 0.0, 800.0, 0.0))
    wrong = Outline(NAMES, taped(places, (0.0,) * 5 + (50.8,)))
    for outline, verdicts in ((Outline(NAMES, taped(places)), {"out"}), (wrong, {"cannot tell"})):
        found = squareness(outline, adjust(outline))
        assert all(abs(one.off_mm) - one.off_u95_mm > OUT_OF_SQUARE_MM for one in found)
        assert {one.verdict for one in found} == verdicts


def test_the_corner_that_is_out_is_the_one_named() -> None:
    """One corner of a rectangle moved 2 in along its wall: it and its neighbour are off, the two others are square."""
    places = quadrilateral((0.0, 0.0, 0.0, 0.0, 50.8, 0.0, 0.0, 0.0))
    outline = Outline(NAMES, tuple(Taped(t.from_corner, t.to_corner, t.length_mm, 0.5) for t in taped(places)))
    assert [one.verdict for one in squareness(outline, adjust(outline))] == ["as drawn", "out", "out", "as drawn"]


# --- from the record, and what is refused ---


def test_a_measured_corner_becomes_an_inside_angle() -> None:
    seen = CornerRecord(("north", "east"), 97.0, 0.05)
    assert corner_angle("A", seen, "outside") == CornerAngle("A", 97.0, 0.05)
    assert corner_angle("A", seen, "inside") == CornerAngle("A", 263.0, 0.05)
    with pytest.raises(JobError, match="corner A: it was not measured"):
        corner_angle("A", CornerRecord(("north", "east"), None, None), "outside")


@pytest.mark.parametrize(
    ("corners", "one", "angle", "says"),
    [
        (("A", "B", "B"), Taped("A", "B", 1.0), CornerAngle("A", 90.0, 0.1), "its own name"),
        (("A", "B"), Taped("A", "B", 1.0), CornerAngle("A", 90.0, 0.1), "three corners"),
        (NAMES, Taped("A", "E", 1.0), CornerAngle("A", 90.0, 0.1), 'corner "E" is not one of the outline'),
        (NAMES, Taped("A", "A", 1.0), CornerAngle("A", 90.0, 0.1), "corner A to corner A"),
        (NAMES, Taped("A", "B", 0.0), CornerAngle("A", 90.0, 0.1), "above zero"),
        (NAMES, Taped("A", "B", math.nan), CornerAngle("A", 90.0, 0.1), "above zero"),
        (NAMES, Taped("A", "B", 1.0, 0.0), CornerAngle("A", 90.0, 0.1), "above zero"),
        (NAMES, Taped("A", "B", 1.0), CornerAngle("A", 360.0, 0.1), "corner A: its angle"),
        (NAMES, Taped("A", "B", 1.0), CornerAngle("A", 90.0, 0.0), "corner A: its angle"),
    ],
)
def test_what_cannot_be_an_outline_is_refused(
    corners: tuple[str, ...], one: Taped, angle: CornerAngle, says: str
) -> None:
    with pytest.raises(JobError, match=says):
        Outline(corners, (one,), (angle,))
