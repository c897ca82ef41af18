"""Which bolts lean too far, and which way the tip must come."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sillwright.judge.straighten import NUT_BEARS_FLAT_DEG, straightening
from sillwright.survey import BoltRecord, BoltU95, Finding

PLAIN = BoltRecord(
    "N1", 400.0, 70.0, 5.0, 0.0, 3.5, 82.0, "photos", 12.7, BoltU95(0.5, 0.5, 0.8, 0.8, 0.6, 1.0), ("a.jpg",), "ok"
)


def leaning(along_mm: float, across_mm: float, **changes: object) -> BoltRecord:
    lean_deg = math.degrees(math.asin(min(math.hypot(along_mm, across_mm) / 82.0, 1.0)))
    changes = {"lean_deg": lean_deg, **changes}
    return replace(PLAIN, lean_along_mm=along_mm, lean_across_mm=across_mm, **changes)  # type: ignore[arg-type]


def test_the_limit_is_one_in_twenty() -> None:
    """RCSC by way of AISC FAQ 6.10.1: 1:20, which is 2.86 degrees."""
    assert pytest.approx(2.86, abs=0.005) == NUT_BEARS_FLAT_DEG


@pytest.mark.parametrize(
    ("along_mm", "across_mm", "way_along", "way_across", "turn_deg"),
    [
        (6.0, 0.0, "toward lower stations", None, 180.0),
        (-6.0, 0.0, "toward higher stations", None, 0.0),
        (0.0, 6.0, None, "toward the chalk line", -90.0),
        (0.0, -6.0, None, "away from the chalk line", 90.0),
        (5.0, 5.0, "toward lower stations", "toward the chalk line", -135.0),
        (-5.0, -5.0, "toward higher stations", "away from the chalk line", 45.0),
    ],
)
def test_the_tip_must_come_back_the_way_it_leans(
    along_mm: float, across_mm: float, way_along: str | None, way_across: str | None, turn_deg: float
) -> None:
    found = straightening(leaning(along_mm, across_mm))
    assert found is not None
    assert (found.way_along, found.way_across) == (way_along, way_across)
    assert math.cos(math.radians(found.turn_deg - turn_deg)) == pytest.approx(1.0)
    assert found.tip_move_mm == pytest.approx(math.hypot(along_mm, across_mm))


def test_beyond_the_line_away_and_toward_change_places() -> None:
    """A bolt that stands on the far side of the chalk line moves toward the line when its setback rises."""
    found = straightening(leaning(0.0, -6.0, setback_mm=-20.0))
    assert found is not None
    assert found.way_across == "toward the chalk line"


@pytest.mark.parametrize(
    ("lean_deg", "u95_deg", "verdict"),
    [
        (4.0, 0.6, "straighten"),
        (3.4, 0.6, "cannot tell"),
        (2.5, 0.6, "cannot tell"),
        (2.0, 0.6, "leave"),
        (4.0, 3.0, "cannot tell"),
        (46.0, 0.6, "engineer"),
        (44.0, 0.6, "straighten"),
        (4.0, None, "cannot tell"),
    ],
)
def test_a_verdict_needs_the_whole_interval_on_one_side(lean_deg: float, u95_deg: float | None, verdict: str) -> None:
    bolt = replace(PLAIN, lean_deg=lean_deg, u95=replace(PLAIN.u95, lean_deg=u95_deg))
    found = straightening(bolt)
    assert found is not None
    assert found.verdict == verdict


def test_a_stated_limit_is_used() -> None:
    found = straightening(leaning(3.0, 0.0), limit_deg=1.0)
    assert found is not None
    assert (found.verdict, found.limit_deg) == ("straighten", 1.0)


def test_a_bent_bolt_is_never_left_as_plumb() -> None:
    found = straightening(leaning(0.5, 0.0, reasons=(Finding("bent"),)))
    assert found is not None
    assert found.verdict == "cannot tell"


@pytest.mark.parametrize("changes", [{"status": "reshoot"}, {"lean_deg": None}, {"lean_along_mm": None}])
def test_without_a_lean_to_rely_on_there_is_no_advice(changes: dict[str, object]) -> None:
    assert straightening(replace(PLAIN, **changes)) is None  # type: ignore[arg-type]


def test_a_direction_within_its_interval_is_not_named() -> None:
    found = straightening(leaning(0.7, -6.0))
    assert found is not None
    assert found.way_along is None
    assert found.way_across == "away from the chalk line"


@given(st.floats(-60, 60), st.floats(-60, 60), st.floats(0.01, 5), st.floats(0.01, 5), st.floats(-1, 1))
def test_the_width_for_the_move_holds_for_any_correlation(
    along_mm: float, across_mm: float, u_along_mm: float, u_across_mm: float, correlation: float
) -> None:
    """First-order propagation of hypot(a, b) with any correlation never exceeds the width given."""
    found = straightening(
        leaning(along_mm, across_mm, u95=BoltU95(lean_along_mm=u_along_mm, lean_across_mm=u_across_mm, lean_deg=1.0))
    )
    assert found is not None
    assert found.tip_move_u95_mm is not None
    length_mm = math.hypot(along_mm, across_mm)
    if length_mm < 1e-6:
        return
    a, b = along_mm / length_mm * u_along_mm, across_mm / length_mm * u_across_mm
    variance = max(a * a + b * b + 2 * correlation * a * b, 0.0)
    assert found.tip_move_u95_mm >= math.sqrt(variance) - 1e-9
