"""Lengths as written, to millimetres and back.

Outside checks: NIST SP 811 App. B.8 (1 in = 25.4 mm exactly), US Navy NAVEDTRA 14045 App. I (12.65 ft), and worked
diagonals of published or derived squareness examples.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sillwright.errors import LengthError
from sillwright.lengths import (
    format_feet_inches,
    format_inches,
    parse_length_mm,
    to_sixteenths,
)


@pytest.mark.parametrize(
    ("text", "expected_mm"),
    [
        ("1 in", 25.4),  # NIST SP 811
        ("1 ft", 304.8),  # NIST SP 811
        ("5 1/2 in", 139.7),
        ('5-1/2"', 139.7),
        ("5 - 1/2 inches", 139.7),
        ("5½ in", 139.7),
        ("5 ½ in", 139.7),
        ("½ in", 12.7),
        ("⅝″", 15.875),
        ("5 1⁄2 in", 139.7),
        ("3.5 in", 88.9),
        (".5 in", 12.7),
        ("9 7/16 in.", 9.4375 * 25.4),
        ("22 ft 3 1/4 in", 267.25 * 25.4),
        ("22' 3-1/4\"", 267.25 * 25.4),
        ("22'-3 1/4\"", 267.25 * 25.4),
        ("22’ 3 1/4”", 267.25 * 25.4),
        ("22ft3in", 267.0 * 25.4),
        ("22' 3''", 267.0 * 25.4),
        ("12' 0 1/2\"", 144.5 * 25.4),
        ("12.65 ft", 12.65 * 304.8),
        ("140 mm", 140.0),
        ("140MM", 140.0),
        ("14 cm", 140.0),
        ("2.4 m", 2400.0),
        ("2.4\u00a0m", 2400.0),
        ("0 mm", 0.0),
    ],
)
def test_a_length_as_the_crew_writes_it_is_read(text: str, expected_mm: float) -> None:
    assert parse_length_mm(text) == pytest.approx(expected_mm, abs=1e-9)


@pytest.mark.parametrize("text", ["5", "5.5", "5 1/2", "½", "0"])
def test_a_bare_number_asks_for_its_unit(text: str) -> None:
    with pytest.raises(LengthError, match="Add the unit"):
        parse_length_mm(text)


def test_a_bare_number_after_feet_asks_for_its_unit() -> None:
    with pytest.raises(LengthError, match="after the feet"):
        parse_length_mm("12' 7")


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "in",
        "abc",
        "5 in in",
        "5 mm 3 in",
        "5 1/0 in",
        "5 4/3 in",
        "5.5 1/2 in",
        "5 1/2 3 in",
        "12.5 ft 3 in",
        "5 ft 12 in",
        "2,4 m",
        "1e3 mm",
        "nan mm",
        "inf in",
        "٥ mm",
        "--5 mm",
        "5 in - 2 in",
        "9" * 500 + " mm",
        "5 yd",
        "5/ in",
        "1/2/3 in",
    ],
)
def test_what_is_not_a_length_is_refused(text: str) -> None:
    with pytest.raises(LengthError):
        parse_length_mm(text)


def test_a_negative_length_needs_leave() -> None:
    with pytest.raises(LengthError, match="negative"):
        parse_length_mm("-3 mm")
    assert parse_length_mm("-3 mm", allow_negative=True) == -3.0
    assert parse_length_mm("−1' 3\"", allow_negative=True) == pytest.approx(-381.0)
    with pytest.raises(LengthError):
        parse_length_mm("--3 mm", allow_negative=True)


@pytest.mark.parametrize(
    ("mm", "expected"),
    [
        (12.65 * 304.8, "12' 7 13/16\""),  # NAVEDTRA 14045 App. I
        (254.92159 * 25.4, "21' 2 15/16\""),  # 16'-4" by 13'-7", published forum example
        (442.538 * 25.4, "36' 10 9/16\""),  # derived: diagonal of 24 by 28 ft
        (572.489 * 25.4, "47' 8 1/2\""),  # derived: 26 by 40 ft
        (552.033 * 25.4, "46' 0 1/16\""),  # derived: 28' by 36'-6"
        (286.571 * 25.4, "23' 10 9/16\""),  # derived: 12'-7 1/2" by 20'-3 1/4"
        (math.hypot(24, 32) * 304.8, "40' 0\""),  # 3-4-5
        (0.0, '0"'),
        (-0.01, '0"'),
        (2.75 * 25.4, '2 3/4"'),
        (0.5 * 25.4, '1/2"'),
        (-2.75 * 25.4, '-2 3/4"'),
        (-15 * 25.4, "-1' 3\""),
        (11.99 * 25.4, "1' 0\""),
        (23.98 * 25.4, "2' 0\""),
        (144.5 * 25.4, "12' 0 1/2\""),
    ],
)
def test_feet_and_inches_as_a_carpenter_writes_them(mm: float, expected: str) -> None:
    assert format_feet_inches(mm) == expected


def test_a_worked_diagonal_from_written_sides() -> None:
    """Derived: 12'-7 1/2" by 20'-3 1/4" has a diagonal of 23'-10 9/16"."""
    diagonal_mm = math.hypot(parse_length_mm("12'-7 1/2\""), parse_length_mm("20'-3 1/4\""))
    assert format_feet_inches(diagonal_mm) == "23' 10 9/16\""


@pytest.mark.parametrize(
    ("mm", "expected"), [(27.75 * 25.4, '27 3/4"'), (0.0, '0"'), (-1.0, '-1/16"'), (11.99 * 25.4, '12"')]
)
def test_inches_only_never_turn_into_feet(mm: float, expected: str) -> None:
    assert format_inches(mm) == expected


def test_other_denominators_are_reduced() -> None:
    assert format_inches(27.75 * 25.4, denominator=64) == '27 3/4"'
    assert format_inches(27.8 * 25.4, denominator=8) == '27 3/4"'
    assert format_inches(27.8 * 25.4, denominator=1) == '28"'


def test_a_half_sixteenth_goes_away_from_zero() -> None:
    for odd in range(1, 4001, 2):
        half_mm = odd / 32 * 25.4
        assert to_sixteenths(half_mm) == (odd + 1) // 2
        assert to_sixteenths(-half_mm) == -(odd + 1) // 2


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_no_number_is_never_written_as_one(bad: float) -> None:
    for write in (format_feet_inches, format_inches, to_sixteenths):
        with pytest.raises(LengthError):
            write(bad)


@given(sixteenths=st.integers(-200_000, 200_000))
def test_sixteenths_survive_writing_and_reading(sixteenths: int) -> None:
    exact_mm = sixteenths * 25.4 / 16
    for write in (format_feet_inches, format_inches):
        assert parse_length_mm(write(exact_mm), allow_negative=True) == pytest.approx(exact_mm, abs=1e-9)
    assert to_sixteenths(exact_mm) == sixteenths


@given(mm=st.floats(-50_000, 50_000), denominator=st.sampled_from([2, 4, 8, 16, 32, 64]))
def test_what_is_written_is_within_half_a_part(mm: float, denominator: int) -> None:
    for write in (format_feet_inches, format_inches):
        back_mm = parse_length_mm(write(mm, denominator), allow_negative=True)
        assert abs(back_mm - mm) <= 25.4 / denominator / 2 + 1e-6


@given(st.text(max_size=80))
def test_any_text_is_a_length_or_a_length_error(text: str) -> None:
    try:
        value = parse_length_mm(text)
    except LengthError:
        return
    assert math.isfinite(value)
    assert value >= 0.0


@given(st.text(alphabet="0123456789 /-.'\"infmtc½", max_size=14))
def test_text_like_a_length_is_a_length_or_a_length_error(text: str) -> None:
    try:
        assert math.isfinite(parse_length_mm(text, allow_negative=True))
    except LengthError:
        return


def test_what_to_write_for_a_number_without_a_unit_keeps_its_sign() -> None:
    """Whoever copies the example out of the sentence must not move an end by twice its station."""
    with pytest.raises(LengthError, match=r"Add the unit: -1 in, -1 mm or"):
        parse_length_mm("-1", allow_negative=True)
    with pytest.raises(LengthError, match=r"Add the unit: 1 in, 1 mm or"):
        parse_length_mm("1", allow_negative=True)


def test_a_length_that_may_not_be_negative_is_not_said_to_be_good_at_zero() -> None:
    """Zero is no length for a stick of stock either."""
    with pytest.raises(LengthError, match="negative") as fault:
        parse_length_mm("-8 ft")
    assert "zero" not in str(fault.value)
    assert "without the minus" in str(fault.value)
