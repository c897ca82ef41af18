"""How surely the place is known where two chalk lines cross, and with it how long a plate cut to a corner is."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from judge_runs import a_bolt, a_run
from plate_jobs import EAST_BOLTS_MM, NORTH_BOLTS_MM, a_photo, a_survey, a_table, bolts, found, some_inputs
from sillwright.errors import JobError
from sillwright.plates.corners import crossing_u95_mm
from sillwright.plates.length import LENGTH_UNSURE_MM
from sillwright.plates.plan import plan_job
from sillwright.plates.record import PlatesPlan
from sillwright.survey import CornerRecord
from sillwright.tell.plate_findings import explain_plan
from sillwright.tell.plate_run_rows import TAPE_WALL, run_rows


def test_the_crossings_half_width_is_the_scales_and_what_moves_either_line() -> None:
    """Plane geometry: lines off by d each move the crossing by d / sin and d / tan of the angle; at 90 degrees by d."""
    held = replace(a_run([a_bolt(u95_mm=0.5, station_mm=0.0)]), scale_u95_ratio=0.001)
    slanted_mm = 0.5 * (math.sqrt(2.0) + 1.0)
    for angle_deg, lines_mm in ((90.0, 0.5), (45.0, slanted_mm), (135.0, slanted_mm)):
        corner = CornerRecord(("north", "east"), angle_deg, 0.05, {"north": -3000.0, "east": 0.0})
        assert crossing_u95_mm(corner, held) == pytest.approx(math.hypot(lines_mm, 3.0))
    assert crossing_u95_mm(CornerRecord(("north", "east"), 90.0, 0.05, {"north": 0.0}), a_run([])) is None


def at(
    angle_deg: float, joint: str = "mitre", bolt_u95_mm: float = 0.2, scale: float = 0.0, u95_deg: float | None = 0.05
) -> PlatesPlan:
    held = (bolts("N", NORTH_BOLTS_MM, bolt_u95_mm), bolts("E", EAST_BOLTS_MM, bolt_u95_mm))
    survey = a_survey(*held, angle_deg, u95_deg=u95_deg)
    runs = tuple(replace(run, scale_u95_ratio=scale) for run in survey.runs)
    table = a_table(layout={"hole_over": "1/4 in"})
    table["corner"][0]["joint"] = joint
    return plan_job(replace(survey, runs=runs), some_inputs(table))


def test_where_two_lines_run_nearly_on_in_one_the_length_is_told_as_unsure() -> None:
    """At 179 degrees a line off by 0.2 mm moves the crossing by 0.2 (1 + cos) / sin: by hand 22.9 mm."""
    plan = at(179.0)
    by_hand_mm = 0.2 * (1.0 + math.cos(math.radians(1.0))) / math.sin(math.radians(1.0))
    assert by_hand_mm == pytest.approx(22.9, abs=0.05)
    assert plan.status == "check"
    for run in plan.runs:
        assert run.status == "check"
        assert run.length_u95_mm == pytest.approx(by_hand_mm, abs=0.01)
        (end,) = (one for one in (run.begins, run.ends) if one.kind == "corner")
        assert all(layer.u95_mm == pytest.approx(by_hand_mm, abs=0.01) for layer in end.layers)
        (told,) = [one for one in found(plan, "crossing-unsure") if one.run == run.name]
        assert "22.9 mm" in explain_plan(told)
        rows = run_rows(plan, run)
        assert any('may lie off by up to 29/32"' in line for line in rows.ends)
        assert any('length is known to ± 29/32"' in line for line in rows.ends)
        assert all(TAPE_WALL in piece.tag for piece in rows.pieces)


@settings(max_examples=20, deadline=None)
@given(st.floats(30.0, 178.5), st.floats(0.01, 2.0), st.sampled_from(["mitre", "butt"]))
def test_a_length_to_a_corner_is_told_of_just_where_it_is_not_known_to_what_layout_is_held_to(
    angle_deg: float, bolt_u95_mm: float, joint: str
) -> None:
    """No layer's end is known better than its lines cross, and what is not told of is known to 1/8 in."""
    plan = at(angle_deg, joint, bolt_u95_mm)
    angle = math.radians(angle_deg)
    crossing_mm = bolt_u95_mm * (1.0 + abs(math.cos(angle))) / math.sin(angle)
    for run in plan.runs:
        assert run.length_u95_mm is not None
        assert run.length_u95_mm >= crossing_mm - 1e-6
        told = [one for one in found(plan, "crossing-unsure") if one.run == run.name]
        assert bool(told) == (run.length_u95_mm > LENGTH_UNSURE_MM)


def test_the_print_scale_counts_once_over_the_length_and_has_its_own_finding() -> None:
    """5400 mm at 1 in 1000 are 5.4 mm, for which a tape between two cards helps: that is what is told."""
    plan = at(90.0, scale=0.001)
    north = plan.runs[0]
    length_mm = north.ends.layers[0].station_mm - north.begins.layers[0].station_mm
    assert north.length_u95_mm == pytest.approx(math.hypot(0.001 * length_mm, 0.2), abs=0.02)
    assert [one.code for one in plan.findings if one.run == "north" and one.weight == "decide"] == ["length-unsure"]


def test_an_angle_without_an_interval_leaves_the_length_open() -> None:
    plan = at(90.0, u95_deg=None)
    assert [one.value_mm for one in found(plan, "crossing-unsure")] == [None, None]
    assert all(run.length_u95_mm is None for run in plan.runs)


# What is wrong is named, and not what comes of it


def photos_at(*angles_deg: float, angle_deg: float) -> None:
    survey = replace(a_survey(angle_deg=angle_deg), photos=tuple(a_photo(one) for one in angles_deg))
    plan_job(survey, some_inputs())


def test_two_lines_that_run_on_in_one_are_told_by_their_angle_whichever_way_each_photo_turns() -> None:
    with pytest.raises(JobError, match=r"179.97 degrees \(± 0.05\) is not told from 180"):
        photos_at(179.9, 180.02, angle_deg=179.97)


def test_photos_that_turn_two_ways_do_not_blame_the_line_marks() -> None:
    survey = replace(a_survey(angle_deg=179.9), photos=(a_photo(179.9), a_photo(180.02)))
    (told,) = found(plan_job(survey, some_inputs()), "corner-not-usable")
    assert "by others the other way" in told.told
    assert "line_marks" not in told.told


@pytest.mark.parametrize(("angle_deg", "joint"), [(1.0, "mitre"), (1.0, "butt"), (2.0, "mitre")])
def test_a_cut_that_no_stock_holds_is_told_as_the_corners_and_not_the_stocks(angle_deg: float, joint: str) -> None:
    table = a_table()
    table["corner"][0]["joint"] = joint
    with pytest.raises(JobError, match=r"\[\[corner\]\] north and east.*off square.*If that angle is wrong") as told:
        plan_job(a_survey(angle_deg=angle_deg, side=-1.0), some_inputs(table))
    assert "[layout]" not in str(told.value)
