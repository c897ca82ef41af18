"""A bolt of one run is the same bolt in the frame of the run it meets: same place in the plane, same way it leans."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plate_jobs import a_survey, bolts, in_plane, leaning
from sillwright.plates.corners import corner_turn, strip_of
from sillwright.plates.lap import JointedCorner
from sillwright.survey import BoltRecord, Survey

ANGLES = st.floats(20.0, 160.0)


def jointed(angle_deg: float, side: float = 1.0, **corner: Any) -> tuple[Survey, JointedCorner]:
    survey = a_survey(angle_deg=angle_deg, side=side, **corner)
    (record,) = survey.corners
    runs, turn = {run.name: run for run in survey.runs}, corner_turn(survey, record)
    first, second = (strip_of(record, name, runs, turn) for name in record.runs)
    return survey, JointedCorner(record, turn, "butt", (first, second))


def a_leaning(station_mm: float, setback_mm: float, u95_mm: float = 0.3) -> BoltRecord:
    return leaning(bolts("N", [station_mm], u95_mm, setback_mm)[0], 3.0, -7.0)


@given(ANGLES, st.sampled_from([1.0, -1.0]), st.floats(4800.0, 5300.0), st.floats(0.0, 139.7))
def test_it_stays_where_it_is_in_the_plane(angle_deg: float, side: float, station_mm: float, setback_mm: float) -> None:
    survey, corner = jointed(angle_deg, side)
    bolt = a_leaning(station_mm, setback_mm)
    carried = corner.carry(bolt, survey.runs[0], survey.runs[1])
    place = in_plane(angle_deg, "east", carried.station_mm or 0.0, carried.setback_mm or 0.0, side)
    assert place == pytest.approx(in_plane(angle_deg, "north", station_mm, setback_mm, side), abs=1e-6)
    tips = []
    for run, one in (("north", bolt), ("east", carried)):
        at = (one.station_mm + one.lean_along_mm, one.setback_mm + one.lean_across_mm)
        tips.append(in_plane(angle_deg, run, *at, side))
    assert tips[0] == pytest.approx(tips[1], abs=1e-6)


@given(ANGLES, st.floats(4800.0, 5300.0), st.floats(0.0, 139.7))
def test_there_and_back_it_has_its_numbers_again_and_no_less_doubt(
    angle_deg: float, station_mm: float, setback_mm: float
) -> None:
    survey, corner = jointed(angle_deg)
    north, east = survey.runs
    bolt = a_leaning(station_mm, setback_mm)
    there = corner.carry(bolt, north, east)
    back = corner.carry(there, east, north)
    assert (back.station_mm, back.setback_mm) == pytest.approx((station_mm, setback_mm), abs=1e-6)
    assert (back.lean_along_mm, back.lean_across_mm) == pytest.approx((3.0, -7.0), abs=1e-6)
    # Turned by any angle an interval of 0.3 mm each way reaches at least so far again.
    assert there.u95.station_mm >= 0.3 - 1e-9
    assert there.u95.setback_mm >= 0.3 - 1e-9
    assert back.u95.station_mm >= there.u95.station_mm * max(abs(math.cos(math.radians(angle_deg))), 0.0) - 1e-9


def test_an_angle_that_is_off_moves_a_place_by_no_more_than_is_told() -> None:
    survey, corner = jointed(97.0, u95_deg=0.5)
    bolt = a_leaning(4900.0, 60.0, u95_mm=0.0)
    carried = corner.carry(bolt, *survey.runs)
    for off_deg in (-0.5, 0.5):
        _, turned = jointed(97.0 + off_deg)
        moved = turned.carry(bolt, *survey.runs)
        assert abs(moved.station_mm - carried.station_mm) <= carried.u95.station_mm + 0.02
        assert abs(moved.setback_mm - carried.setback_mm) <= carried.u95.setback_mm + 0.02
        # It lies about 300 mm off east's line, straight out from the crossing.
        assert carried.u95.station_mm == pytest.approx(300.0 * math.radians(0.5), rel=0.1)
