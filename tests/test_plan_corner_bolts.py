"""Bolts at a corner, which the neighbour's plate goes over in one layer: judged, drilled and told of in that plate."""

from __future__ import annotations

from dataclasses import replace

import pytest

from plate_jobs import (
    EAST_BOLTS_MM,
    EAST_CROSSING_MM,
    MARK_MM,
    NORTH_BOLTS_MM,
    NORTH_CROSSING_MM,
    WIDE_MM,
    a_survey,
    a_table,
    bolt_of,
    bolts,
    found,
    some_inputs,
)
from sillwright.plates.levels import LevelPoint
from sillwright.plates.plan import plan_job
from sillwright.plates.record import PlatesPlan
from sillwright.tell.plate_job_rows import checks_of

DRILL_MM = 12.7 + 25.4 / 16.0


def corner_bolt_plan(levels: list[LevelPoint] | None = None) -> PlatesPlan:
    """East's first bolt stands 2 1/2 in from north's chalk line, where north's first plate runs through."""
    east = bolts("E", (-185.0, *EAST_BOLTS_MM[1:]), setback_mm=100.0)
    return plan_job(a_survey(east=east, angle_deg=90.0), some_inputs(None, levels or []))


def test_a_bolt_under_the_neighbours_plate_keeps_every_verdict_of_that_plate() -> None:
    plan = corner_bolt_plan()
    bolt = bolt_of(plan, "E1")
    assert bolt.under_run == "north"
    keys = {check.key for check in bolt.checks}
    assert {"bolt-diameter", "across", "end-largest", "end-least", "stick-up"} <= keys
    (across,) = [check for check in bolt.checks if check.key == "across"]
    assert across.measured_mm == pytest.approx(-185.0 - EAST_CROSSING_MM)  # how far it stands from north's line
    (end,) = [check for check in bolt.checks if check.key == "end-least"]
    north_ends_mm = plan.runs[0].ends.layers[0].station_mm
    assert end.measured_mm == pytest.approx(north_ends_mm - (NORTH_CROSSING_MM - 100.0))
    assert (end.piece.split()[0], end.other) == ("north", "high end")


def test_the_sheets_name_the_run_whose_plate_a_corner_bolt_is_judged_in() -> None:
    judged = {(run, check.key) for run, check in checks_of(corner_bolt_plan()) if check.subject == "E1"}
    assert ("north", "across") in judged
    assert {run for run, _ in judged} == {"north"}


def test_a_bolt_under_the_neighbours_plate_reaches_through_the_neighbours_shims() -> None:
    levels = [LevelPoint("north", -250.0, 0.0), LevelPoint("north", 5300.0, -4.0), LevelPoint("east", 0.0, 0.0)]
    limits = []
    for held in ([], levels):
        (check,) = [check for check in bolt_of(corner_bolt_plan(held), "E1").checks if check.key == "stick-up"]
        limits.append(check.limit_mm)
    shims = corner_bolt_plan(levels).runs[0].shims
    highest = max(shim.sixteenths or 0 for shim in shims if "E1" in shim.place.bolts)
    assert highest >= 1
    assert limits[1] - limits[0] == pytest.approx(highest * 25.4 / 16)


@pytest.mark.parametrize(("apart_mm", "told"), [(6.0, True), (2 * DRILL_MM - 2.0, True), (2 * DRILL_MM + 2.0, False)])
def test_corner_bolts_whose_holes_leave_too_little_wood_in_one_piece_are_told(apart_mm: float, told: bool) -> None:
    """One bolt of either run under north's first plate, at the same distance from north's chalk line."""
    north = bolts("N", (*NORTH_BOLTS_MM[:-1], NORTH_CROSSING_MM - 100.0 - apart_mm))
    east = bolts("E", (EAST_CROSSING_MM + 70.0, *EAST_BOLTS_MM[1:]), setback_mm=100.0)
    plan = plan_job(a_survey(north, east, angle_deg=90.0), some_inputs())
    findings = [one for one in found(plan, "holes-too-near") if one.layer == 1]
    assert [one.marks for one in findings] == ([("N6", "E1")] if told else [])
    for one in findings:
        assert (one.weight, one.run, one.piece) == ("decide", "north", "north 1.1")
        wood_mm = apart_mm - DRILL_MM
        assert one.value_mm == (None if wood_mm < 0 else pytest.approx(wood_mm, abs=MARK_MM))


def test_a_run_that_takes_a_neighbours_doubtful_bolt_is_not_ok() -> None:
    """North's last bolt is in doubt; east's second plate has a hole for it."""
    table = a_table(layout={"hole_over": "1/4 in", "marks": "1/32 in"})
    states = []
    for status in ("ok", "check"):
        north = bolts("N", (*NORTH_BOLTS_MM[:-1], NORTH_CROSSING_MM - 100.0))
        north[-1] = replace(north[-1], status=status)
        plan = plan_job(a_survey(north), some_inputs(table))
        assert {hole.run for hole in bolt_of(plan, "N6").holes} == {"north", "east"}
        states.append(plan.runs[1].status)
    assert states == ["ok", "check"]


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize("away_mm", [250.0, 290.0, 320.0, 360.0])
def test_at_a_mitre_the_anchors_asked_for_are_those_the_rule_on_the_piece_asks_for(side: float, away_mm: float) -> None:
    """A bolt in the middle of the plate, ``away_mm`` from the mitre on its own line; IRC R403.1.6 has 304.8 at most."""
    table = a_table(plate={"size": "2x6", "layers": 1})
    table["corner"][0]["joint"] = "mitre"
    cut_mm = -side * WIDE_MM / 2.0  # at 90 degrees the mitre's middle lies half a width along both lines
    last_mm = NORTH_CROSSING_MM + cut_mm - away_mm
    north = bolts("N", (*NORTH_BOLTS_MM[:-1], last_mm), 0.0, WIDE_MM / 2.0)
    plan = plan_job(a_survey(north, angle_deg=90.0, side=side), some_inputs(table))
    (check,) = [
        one
        for piece in plan.runs[0].pieces
        for one in piece.checks
        if one.key == "end-largest" and one.other == "high end" and piece.plate.high_cut_deg
    ]
    assert check.measured_mm == pytest.approx(away_mm, abs=MARK_MM)
    asked = [anchor for anchor in plan.runs[0].splices[0].added if anchor.wanted_by == "end"]
    assert (check.verdict == "does not") == bool(asked) == (away_mm > 305.0)


@pytest.mark.parametrize(("from_edge_mm", "doubted"), [(7.6, True), (9.0, False)])
def test_a_bolt_perhaps_too_near_the_edge_of_the_neighbours_plate_is_told(from_edge_mm: float, doubted: bool) -> None:
    """The Canadian set has no rule across the plate; the hole's radius is 7.1 mm, and the bolt is known to 1 mm."""
    east = bolts("E", (EAST_CROSSING_MM + from_edge_mm, *EAST_BOLTS_MM[1:]), setback_mm=100.0)
    east[0] = replace(east[0], u95=replace(east[0].u95, station_mm=1.0))
    table = a_table(plate={"size": "2x6", "layers": 1}, layout={"hole_over": "1/16 in"})
    plan = plan_job(a_survey(east=east, angle_deg=90.0), some_inputs(table, rules="nbc-2020"))
    bolt = bolt_of(plan, "E1")
    assert [hole.run for hole in bolt.holes] == ["north"]
    assert ("near-plate-edge" in bolt.doubts) == doubted
    told = [one for one in found(plan, "bolt-cannot-tell") if "E1" in one.marks]
    assert [("near-plate-edge" in one.facts) for one in told] == ([True] if doubted else [])
