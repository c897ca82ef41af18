"""Bolt sizes against the formulas of ASME B1.1 and ISO 965 and the tables of ASME B18.2.2 and ISO 4032."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sillwright.errors import JobError
from sillwright.fasteners import BOLT_SIZES, SIZE_TOLERANCE_MM, BoltSize, bolt_size

UNIFIED = [size for size in BOLT_SIZES if "UNC" in size.name]
METRIC = [size for size in BOLT_SIZES if size.name.startswith("M")]


@pytest.mark.parametrize("size", UNIFIED, ids=lambda size: size.name)
def test_unified_threads_agree_with_the_formula_of_asme_b1_1(size: BoltSize) -> None:
    """ASME B1.1 class 2A: Td = 0.060 P^(2/3); es = 0.3 (0.0015 D^(1/3) + 0.0015 D^(1/2) + 0.015 P^(2/3)), inches."""
    d, p = size.diameter_mm / 25.4, size.pitch_mm / 25.4
    allowance = 0.3 * (0.0015 * d ** (1 / 3) + 0.0015 * d**0.5 + 0.015 * p ** (2 / 3))
    tolerance = 0.060 * p ** (2 / 3)
    assert size.thread_major_max_mm / 25.4 == pytest.approx(d - allowance, abs=1.01e-4)
    assert size.thread_major_min_mm / 25.4 == pytest.approx(d - allowance - tolerance, abs=1.01e-4)


@pytest.mark.parametrize("size", METRIC, ids=lambda size: size.name)
def test_metric_threads_agree_with_the_formulas_of_iso_965(size: BoltSize) -> None:
    """ISO 965-1, 6g: es = 15 + 11 P and Td = 180 P^(2/3) - 3.15 P^(-1/2), micrometres, then rounded to preferred."""
    p = size.pitch_mm
    allowance_um, tolerance_um = 15 + 11 * p, 180 * p ** (2 / 3) - 3.15 / math.sqrt(p)
    assert (size.diameter_mm - size.thread_major_max_mm) * 1000 == pytest.approx(allowance_um, abs=1.5)
    assert (size.thread_major_max_mm - size.thread_major_min_mm) * 1000 == pytest.approx(tolerance_um, rel=0.03)


@pytest.mark.parametrize(("name", "corners_in"), [("1/2", 0.866), ("5/8", 1.083), ("3/4", 1.299)])
def test_nut_corners_agree_with_the_table_of_asme_b18_2_2(name: str, corners_in: float) -> None:
    size = bolt_size(f"{name} in")
    assert size.nut_across_corners_mm / 25.4 == pytest.approx(corners_in, abs=6e-4)


@pytest.mark.parametrize(("name", "least_mm"), [("M12", 20.03), ("M16", 26.75)])
def test_nut_corners_are_no_less_than_iso_4032_asks(name: str, least_mm: float) -> None:
    assert least_mm < bolt_size(name).nut_across_corners_mm < least_mm * 1.05


@pytest.mark.parametrize(
    ("given_size", "name"),
    [
        ("1/2 in", "1/2-13 UNC"),
        ('1/2"', "1/2-13 UNC"),
        ("12.7 mm", "1/2-13 UNC"),
        ("0.5 in", "1/2-13 UNC"),
        ("5/8 in", "5/8-11 UNC"),
        ("3/4 in", "3/4-10 UNC"),
        ("12 mm", "M12x1.75"),
        ("M12", "M12x1.75"),
        ("m16", "M16x2"),
        ("16 mm", "M16x2"),
        (12.7, "1/2-13 UNC"),
        (16, "M16x2"),
        (19.05, "3/4-10 UNC"),
    ],
)
def test_a_stated_size_finds_its_bolt(given_size: str | float, name: str) -> None:
    assert bolt_size(given_size).name == name


@pytest.mark.parametrize("size", BOLT_SIZES, ids=lambda size: size.name)
def test_a_size_is_found_by_its_own_name(size: BoltSize) -> None:
    assert bolt_size(size.name) is size


@pytest.mark.parametrize("bad", ["1 in", "3/8 in", "1/2", "half inch", "M20", "", 0.0, 10.0, math.nan])
def test_an_unknown_size_lists_the_known_ones(bad: str | float) -> None:
    with pytest.raises(JobError, match="3/4 in"):
        bolt_size(bad)


@given(st.floats(0, 40))
def test_the_nearest_size_is_within_tolerance_or_refused(diameter_mm: float) -> None:
    distances = [abs(size.diameter_mm - diameter_mm) for size in BOLT_SIZES]
    try:
        found = bolt_size(diameter_mm)
    except JobError:
        assert min(distances) > SIZE_TOLERANCE_MM
    else:
        assert abs(found.diameter_mm - diameter_mm) == min(distances)
