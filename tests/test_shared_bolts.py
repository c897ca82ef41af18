"""A bolt where two plates overlap is written down once, and two bolts that stand alike on two walls are two."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scenes import PHONE, overhead
from sillwright.camera import Pose
from sillwright.errors import JobError
from sillwright.measure.runs import RunResult
from sillwright.measure.shared_bolts import once_each
from sillwright.survey import BoltRecord, BoltU95, CornerRecord, Finding, PhotosAlone, RunRecord

CROSSING = {"north": 4760.0, "east": -430.0}
CORNER = CornerRecord(("north", "east"), 97.0, 0.05, CROSSING)
PHOTOS = tuple(Path(f"{k}.jpg") for k in range(3))


def bolt(station_mm: float | None, setback_mm: float | None) -> BoltRecord:
    return BoltRecord(
        mark="", station_mm=station_mm, setback_mm=setback_mm, lean_along_mm=None, lean_across_mm=None, lean_deg=None,
        stickup_mm=None, stickup_from=None, diameter_mm=12.7, u95=BoltU95(), photos=(), status="ok",
    )  # fmt: skip


def to_east(north_mm: np.ndarray, angle_deg: float, north_sign: float, east_sign: float) -> np.ndarray:
    """A place of north's record in east's, by plane geometry: east leaves the crossing at the angle, to the left."""
    away = np.array([north_mm[0] - CROSSING["north"], north_sign * north_mm[1]])
    turn = np.radians(180.0 - angle_deg)
    along, left = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    return np.array([CROSSING["east"] + away @ along, east_sign * (away @ left)])


def two_runs(
    north: list[BoltRecord], east: list[BoltRecord], angle_deg: float, signs: tuple[float, float], off_mm: float = 0.0
) -> list[RunResult]:
    """Both runs with three photos that stand in both; east's poses are off by a little along the wall."""
    turn = np.radians(180.0 - angle_deg)
    rotation = np.array([[np.cos(turn), -np.sin(turn), 0.0], [np.sin(turn), np.cos(turn), 0.0], [0.0, 0.0, 1.0]])
    # Wall frames: P_north = rotation (P_east - crossing_east) + crossing_north.
    shift = np.array([CROSSING["north"], 0.0, 0.0]) - rotation @ [CROSSING["east"] + off_mm, 0.0, 0.0]
    in_north = [overhead(CROSSING["north"] - 300.0 + 250.0 * k, 60.0, 1300.0, lean_deg=(3.0, 2.0)) for k in range(3)]
    in_east = [Pose(p.rotation @ rotation, p.rotation @ shift + p.translation_mm) for p in in_north]
    results = []
    for name, bolts, poses, sign in (("north", north, in_north, signs[0]), ("east", east, in_east, signs[1])):
        record = RunRecord(name, "ok", (), tuple(bolts), (), "inside")
        results.append(RunResult(record, {path: (PHONE, p) for path, p in zip(PHOTOS, poses, strict=True)}, sign, {}))
    return results


def stations(results: list[RunResult]) -> list[list[float | None]]:
    return [[one.station_mm for one in run.bolts] for run in once_each(results, [CORNER])]


SIGNS = st.tuples(st.sampled_from([1.0, -1.0]), st.sampled_from([1.0, -1.0]))


@given(st.floats(40.0, 140.0), SIGNS, st.floats(-150.0, 150.0), st.floats(20.0, 140.0), st.floats(-5.0, 5.0))
def test_one_bolt_found_on_both_runs_stays_on_the_first(
    angle_deg: float, signs: tuple[float, float], along_mm: float, setback_mm: float, off_mm: float
) -> None:
    there = to_east(np.array([CROSSING["north"] + along_mm, setback_mm]), angle_deg, *signs)
    north, east = bolt(CROSSING["north"] + along_mm, setback_mm), bolt(float(there[0]), float(there[1]))
    far = bolt(900.0, 60.0)
    assert stations(two_runs([north], [east, far], angle_deg, signs, off_mm)) == [[north.station_mm], [900.0]]


@given(st.floats(80.0, 140.0), st.floats(160.0, 300.0), st.floats(40.0, 90.0))
def test_two_bolts_as_far_from_the_corner_on_two_walls_are_two(
    angle_deg: float, along_mm: float, setback_mm: float
) -> None:
    """As crews set them: a foot from the corner on each wall, in the middle of the plate."""
    north, east = bolt(CROSSING["north"] - along_mm, setback_mm), bolt(CROSSING["east"] + along_mm, setback_mm)
    found = stations(two_runs([north], [east], angle_deg, (1.0, 1.0)))
    assert found == [[north.station_mm], [east.station_mm]]


def test_bolts_are_kept_where_nothing_carries_them_over() -> None:
    north, east = bolt(CROSSING["north"], 70.0), bolt(None, None)
    assert stations(two_runs([north], [east], 97.0, (1.0, 1.0))) == [[north.station_mm], [None]]
    apart = two_runs([north], [bolt(CROSSING["east"] + 70.0, 10.0)], 90.0, (1.0, 1.0))
    apart[1] = replace(apart[1], poses={})
    assert stations(apart)[1] == [pytest.approx(CROSSING["east"] + 70.0)]


def by_hand(one: BoltRecord, alone: BoltRecord | None) -> BoltRecord:
    """A bolt as corrected by hand; ``alone`` is where the photos alone had it."""
    numbers = alone and PhotosAlone(alone.station_mm, alone.setback_mm, None, None, None, None, BoltU95())
    return replace(one, reasons=(Finding("corrected-by-hand"),), photos_alone=numbers)


def doubles(signs: tuple[float, float] = (1.0, -1.0)) -> tuple[BoltRecord, BoltRecord]:
    """One bolt as two runs have it."""
    north = bolt(4700.0, 60.0)
    return north, bolt(*to_east(np.array([4700.0, 60.0]), 97.0, *signs))


def test_a_bolt_moved_by_hand_is_not_written_down_again_where_the_photos_alone_had_it() -> None:
    north, east = doubles()
    moved = by_hand(bolt(4730.0, 75.0), north)
    results = two_runs([moved], [east], 97.0, (1.0, -1.0))
    assert stations(results) == [[4730.0], []]


def test_a_bolt_struck_out_by_hand_does_not_come_back_on_the_other_run() -> None:
    north, east = doubles()
    first, second = two_runs([], [east], 97.0, (1.0, -1.0))
    struck = replace(first, struck_mm=((north.station_mm, north.setback_mm),))
    assert stations([struck, second]) == [[], []]


@pytest.mark.parametrize("off_mm", [0.0, 40.0])
def test_a_correction_on_the_run_that_does_not_have_the_bolt_in_the_record_is_told(off_mm: float) -> None:
    north, east = doubles()
    moved = by_hand(replace(east, station_mm=east.station_mm + off_mm), east)
    with pytest.raises(JobError, match='Correct it on run "north"'):
        stations(two_runs([north], [moved], 97.0, (1.0, -1.0)))
    first, second = two_runs([north], [], 97.0, (1.0, -1.0))
    with pytest.raises(JobError, match='is corrected on run "east"'):
        stations([first, replace(second, struck_mm=((east.station_mm, east.setback_mm),))])
