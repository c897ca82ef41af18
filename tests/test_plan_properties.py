"""What holds of every plan, whatever the bolts, the corner and the stock."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from plate_jobs import (
    EAST_CROSSING_MM,
    NORTH_CROSSING_MM,
    a_survey,
    a_table,
    bolts,
    in_plane,
    leaning,
    some_inputs,
)
from sillwright.errors import JobError
from sillwright.plates.plan import plan_job
from sillwright.plates.record import PlatesPlan, RunPlan
from sillwright.plates.record_file import to_bytes
from sillwright.survey import BoltRecord, Survey
from sillwright.tell.plate_findings import explain_plan

# One bolt in five is out of the ordinary in some way.
STATUSES = ("ok",) * 8 + ("check", "reshoot")
SETBACKS_MM = st.one_of(*[st.floats(50.0, 90.0)] * 4, st.floats(-20.0, 160.0))
LEANS_MM = (0.0, 0.5, 0.5, 1.0, 1.0, 6.0, 25.0, 85.0)


@st.composite
def held(draw: Any, letter: str, stations_mm: list[float], corner_mm: tuple[float, float]) -> list[BoltRecord]:
    """Bolts somewhere near where they ought to be, often with one in the square where plates lap."""
    kept = [at + draw(st.floats(-40.0, 40.0)) for at in stations_mm if draw(st.integers(0, 9))]
    if draw(st.booleans()):
        kept.append(draw(st.floats(*corner_mm)))
    found = []
    for bolt in bolts(letter, sorted(kept), draw(st.sampled_from([0.0, 0.3, 2.0]))):
        placed = replace(bolt, setback_mm=draw(SETBACKS_MM), status=draw(st.sampled_from(STATUSES)))
        angle, lean_mm = draw(st.floats(0.0, 2.0 * math.pi)), draw(st.sampled_from(LEANS_MM))
        found.append(leaning(placed, lean_mm * math.cos(angle), lean_mm * math.sin(angle)))
    return found


@st.composite
def jobs(draw: Any) -> tuple[Survey, dict[str, Any]]:
    angle_deg, side = draw(st.sampled_from([90.0, 97.0, 45.0, 135.0, 171.0])), draw(st.sampled_from([1.0, -1.0]))
    north = draw(
        held("N", [-50.0, 1200.0, 2300.0, 2600.0, 3900.0], (NORTH_CROSSING_MM - 160.0, NORTH_CROSSING_MM + 150.0))
    )
    east = draw(held("E", [0.0, 1100.0, 2200.0, 3150.0], (EAST_CROSSING_MM - 150.0, EAST_CROSSING_MM + 160.0)))
    survey = a_survey(north, east, angle_deg, side, status=draw(st.sampled_from(["ok", "check"])))
    table = a_table(
        plate={"size": "2x6", "layers": draw(st.sampled_from([1, 2, 3]))},
        layout={
            "stock": draw(st.sampled_from([["12 ft"], ["8 ft", "16 ft"], ["20 ft"]])),
            "hole_over": draw(st.sampled_from(["1/16 in", "1/4 in"])),
            "marks": draw(st.sampled_from(["1/16 in", "1/32 in"])),
        },
    )
    table["corner"][0]["joint"] = draw(st.sampled_from(["mitre", "butt"]))
    return survey, table


def planned(job: tuple[Survey, dict[str, Any]]) -> PlatesPlan | None:
    """None where the stock allows no plan; any other fault is one of ours."""
    try:
        return plan_job(job[0], some_inputs(job[1]))
    except JobError as fault:
        if "stock" in str(fault):
            return None
        raise


@given(jobs())
@settings(max_examples=40, deadline=None)
def test_every_plan_keeps_what_every_plan_keeps(job: tuple[Survey, dict[str, Any]]) -> None:
    plan = planned(job)
    if plan is None:
        return
    for run in plan.runs:
        pieces_tile_the_run(plan, run)
    side = 1.0 if job[0].runs[0].line_marks == "outside" else -1.0
    holes_lie_on_their_piece_and_repeat_above(plan, job[0].corners[0].angle_deg or 0.0, side)
    nothing_doubtful_is_silent(plan)
    assert to_bytes(plan) == to_bytes(plan_job(job[0], some_inputs(job[1])))
    assert all(explain_plan(finding) for finding in plan.findings)


def pieces_tile_the_run(plan: PlatesPlan, run: RunPlan) -> None:
    """One piece begins where the last ended; together, with no saw cut between them, they are the edge's length."""
    for layer in range(1, plan.lumber.layers + 1):
        row = [piece.plate for piece in run.pieces if piece.plate.layer == layer]
        if not row:
            assert not run.pieces
            continue
        low, high = run.begins.layers[layer - 1], run.ends.layers[layer - 1]
        assert row[0].low_mm == pytest.approx(low.station_mm, abs=1e-6)
        assert row[-1].high_mm == pytest.approx(high.station_mm, abs=1e-6)
        assert all(below.high_mm == above.low_mm for below, above in pairwise(row))
        assert sum(piece.line_edge_mm for piece in row) == pytest.approx(high.station_mm - low.station_mm, abs=1e-6)
        assert row[0].low_cut_deg == low.cut_deg
        assert row[-1].high_cut_deg == high.cut_deg
    for cut in plan.cut_lists:
        for stock in cut.cuts.stocks:
            taken_mm = sum(piece.length_mm for piece in stock.pieces)
            saw_mm = plan.lumber.kerf_mm * max(len(stock.pieces) - 1, 0)
            assert taken_mm + saw_mm <= stock.length_mm + 1e-6


def holes_lie_on_their_piece_and_repeat_above(plan: PlatesPlan, angle_deg: float, side: float) -> None:
    at: dict[tuple[str, int], tuple[float, float]] = {}
    told = {
        (mark, finding.layer)
        for finding in plan.findings
        if finding.code in ("hole-off-piece", "bolt-beyond-plate")
        for mark in finding.marks
    }
    for piece in plan.pieces:
        tan = (math.tan(math.radians(cut)) for cut in (piece.low_cut_deg, piece.high_cut_deg))
        low_mm, high_mm = (piece.width_mm * slope for slope in tan)
        length_mm, width_mm = piece.line_edge_mm, piece.width_mm
        wood = shapely.Polygon([(0, 0), (length_mm, 0), (length_mm + high_mm, width_mm), (-low_mm, width_mm)])
        for hole in piece.holes:
            middle = shapely.Point(hole.from_low_end_mm, hole.from_line_mm)
            assert wood.contains(middle)
            assert wood.exterior.distance(middle) >= hole.drill_mm / 2.0 - 1e-5
            assert (hole.mark, piece.layer) not in at  # never two holes for one bolt in one layer
            station_mm = piece.low_mm + hole.from_low_end_mm
            at[hole.mark, piece.layer] = in_plane(angle_deg, piece.run, station_mm, hole.from_line_mm, side)
    for (mark, layer), place in at.items():
        for other in range(1, plan.lumber.layers + 1):
            assert (mark, other) in at or (mark, other) in told
            if (mark, other) in at:
                # On one run the same mark; from one run to the other, each is on its own run's nearest marks.
                apart_mm = math.dist(place, at[mark, other])
                assert apart_mm <= math.sqrt(2.0) * plan.lumber.mark_mm + 0.2 * (layer != other) + 1e-6


def nothing_doubtful_is_silent(plan: PlatesPlan) -> None:
    deciding = [finding for finding in plan.findings if finding.weight == "decide"]
    for run in plan.runs:
        drilled = {hole.mark for piece in run.pieces for hole in piece.plate.holes}
        about = [f for f in deciding if f.run == run.name or run.name in f.corner or drilled & set(f.marks)]
        if run.pieces:
            assert run.status == ("check" if about else "ok")
        assert (run.status == "not planned") == (not run.pieces)
        for bolt in run.bolts:
            speaking = [f for f in plan.findings if f.weight == "decide" and bolt.mark in f.marks]
            if bolt.status == "reshoot" or bolt.passing.verdict == "engineer":
                assert not bolt.holes
                assert speaking
            if bolt.status == "check" or bolt.straighten_first or bolt.passing.verdict == "cannot tell":
                assert speaking
            if bolt.holes and bolt.status == "check":
                assert "record-check" in bolt.doubts
            for piece in run.pieces:
                for hole in piece.plate.holes:
                    if hole.mark == bolt.mark:
                        assert set(hole.doubts) <= set(bolt.doubts)
            if speaking:
                assert plan.status != "ok"
                assert run.status != "ok"
        if run.pieces and run.status == "ok":
            assert all(bolt.mark in drilled or bolt.under_run != run.name for bolt in run.bolts)


@given(
    st.floats(40.0, 140.0),
    st.sampled_from([1.0, -1.0]),
    st.floats(25.0, 115.0),
    st.floats(25.0, 115.0),
    st.sampled_from(["north", "east"]),
    st.sampled_from(["north", "east"]),
)
@settings(max_examples=40, deadline=None)
def test_a_bolt_where_plates_lap_is_drilled_for_in_both_whichever_run_told_of_it(
    angle_deg: float, side: float, from_north_mm: float, from_east_mm: float, told_by: str, through: str
) -> None:
    """Placed by its distances from both chalk lines: from the crossing it lies (b + a cos t) / sin t along a line."""
    t = math.radians(angle_deg)
    along = {
        "north": (from_east_mm + from_north_mm * math.cos(t)) / math.sin(t),
        "east": (from_north_mm + from_east_mm * math.cos(t)) / math.sin(t),
    }
    crossing = {"north": NORTH_CROSSING_MM, "east": EAST_CROSSING_MM}
    away, setback = {"north": -1.0, "east": 1.0}, {"north": from_north_mm, "east": from_east_mm}
    station_mm = crossing[told_by] + side * away[told_by] * along[told_by]
    (bolt,) = bolts("X", [station_mm], 0.1, setback[told_by])
    north, east = bolts("N", [-50.0, 1200.0, 3900.0]), bolts("E", [1100.0, 2200.0, 3150.0])
    (north if told_by == "north" else east).append(bolt)
    table = a_table()
    table["corner"][0]["through"] = through
    plan = plan_job(a_survey(north, east, angle_deg, side), some_inputs(table))
    (planned_bolt,) = [one for run in plan.runs for one in run.bolts if one.mark == bolt.mark]
    other = "east" if through == "north" else "north"
    assert [(hole.run, hole.layer) for hole in planned_bolt.holes] == [(through, 1), (other, 2)]
    x_mm, y_mm = in_plane(angle_deg, told_by, station_mm, setback[told_by], side)
    for hole in planned_bolt.holes:
        place = in_plane(angle_deg, hole.run, hole.station_mm, hole.setback_mm, side)
        assert math.dist(place, (x_mm, y_mm)) <= math.sqrt(0.5) * plan.lumber.mark_mm + 1e-6
    assert planned_bolt.under_run == through


def test_a_plain_job_whose_bolts_are_all_sure_is_ok() -> None:
    """Without this the properties above could hold of a plan that is never ok."""
    table = a_table(layout={"hole_over": "1/4 in", "marks": "1/32 in"}, plate={"size": "2x6", "layers": 1})
    found = plan_job(a_survey(), some_inputs(table))
    assert [finding for finding in found.findings if finding.weight == "decide"] == []
    assert found.status == "ok"
    assert [run.status for run in found.runs] == ["ok", "ok"]


@pytest.mark.parametrize("status", ["check", "reshoot"])
def test_one_doubtful_bolt_takes_the_ok_away(status: str) -> None:
    north = bolts("N", (-50.0, 1200.0, 2300.0, 2600.0, 3900.0, 5020.0))
    north[3] = replace(north[3], status=status)
    table = a_table(layout={"hole_over": "1/4 in", "marks": "1/32 in"}, plate={"size": "2x6", "layers": 1})
    found = plan_job(a_survey(north), some_inputs(table))
    assert found.status == "check"
    assert [run.status for run in found.runs] == ["check", "ok"]
