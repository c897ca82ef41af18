"""A run's sheet where runs meet and pieces share sticks: from where, by which line and out of what figures count."""

from __future__ import annotations

import math

import pytest

from plate_jobs import a_survey, a_table, bolts, some_inputs
from plate_sheet_plans import corner_plan
from sillwright.lengths import MM_PER_INCH, parse_length_mm
from sillwright.plates.levels import LevelPoint
from sillwright.plates.plan import plan_job
from sillwright.tell.plate_before import before_drilling
from sillwright.tell.plate_run_rows import run_rows
from sillwright.tell.plate_tables import plan_lines


def test_which_way_to_straighten_a_neighbours_bolt_is_told_by_the_neighbours_own_line() -> None:
    """Toward lower stations of one run is away from the chalk line of the run it meets."""
    rows = {}
    plan = corner_plan(leaning_mm=9.0)
    for run in plan.runs:
        before = before_drilling(plan, run, run_rows(plan, run).holes)
        (rows[run.name],) = [row for row in before.straighten if row.mark == "N6"]
    assert (rows["north"].way, abs(rows["north"].arrow_deg or 0.0)) == ("toward lower stations", 180.0)
    assert (rows["east"].way, rows["east"].arrow_deg) == ("by run north's line: toward lower stations", None)


def test_a_piece_is_told_to_come_from_the_stick_that_the_cut_list_cuts_it_from() -> None:
    """Short pieces share a stick that is longer than either needs alone."""
    table = a_table(plate={"size": "2x6", "layers": 1}, layout={"stock": ["12 ft", "8 ft", "20 ft"]})
    table["run"][0]["begins"], table["run"][1]["ends"] = {"station": "3200 mm"}, {"station": "1500 mm"}
    plan = plan_job(a_survey(), some_inputs(table))
    cut = {piece.name: stick for stick in plan.cut_lists[0].cuts.stocks for piece in stick.pieces}
    longer = [one for run in plan.runs for one in run.pieces if cut[one.plate.name].length_mm > one.stock_mm]
    assert longer
    for run in plan.runs:
        for row in run_rows(plan, run).pieces:
            assert parse_length_mm(row.stock) == pytest.approx(cut[row.name].length_mm)


def test_shims_and_anchors_are_counted_from_the_low_end_of_the_first_plate_which_the_second_may_lap_past() -> None:
    """East's first plate butts against north's, 5 1/2 in and more inside the corner; its second one laps over that."""
    table = a_table(layout={"level_within": "1/32 in"})
    levels = [LevelPoint("north", -300.0, 0.0), LevelPoint("north", 5400.0, -3.0)]
    levels += [LevelPoint("east", -300.0, -4.0), LevelPoint("east", 3400.0, -4.0)]
    east = bolts("E", (600.0, 1900.0, 3150.0))
    plan = plan_job(a_survey(east=east), some_inputs(table, levels))
    run = plan.runs[1]
    first, second = (next(p.plate for p in run.pieces if p.plate.layer == layer) for layer in (1, 2))
    assert second.low_mm < first.low_mm - 100.0
    rows = run_rows(plan, run)
    (beside, _) = [parse_length_mm(row.at) for row in rows.shims if row.place == "beside E1"]
    assert beside == pytest.approx(600.0 - 2 * MM_PER_INCH - first.low_mm, abs=2.0)
    assert "first plate's low end" in rows.shim_lines[0]
    (anchor,) = [one for one in run.splices[0].added if one.low_mm < 0.0]
    (line,) = [line for line in before_drilling(plan, run, rows.holes).anchors if "plate's end" in line]
    cut_mm = 139.7 / 2.0 * math.tan(math.radians(7.0))  # on the plate's middle the cut lies so far before its low end
    assert anchor.low_mm - first.low_mm == pytest.approx(3.5 * MM_PER_INCH - cut_mm, abs=0.1)
    assert '3 3/16" to 11 5/8"' in line  # 80.3 and 296.2 mm, rounded inward
    assert any("from the first plate's low end" in told for told in plan_lines(plan))
