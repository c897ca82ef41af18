"""One cause, one line: what hangs on a bolt to be shot again, a missing anchor, and a hole that is not marked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from plate_jobs import EAST_BOLTS_MM, NORTH_BOLTS_MM, a_survey, a_table, bolts, some_inputs
from sillwright.plates.findings import PlanFinding
from sillwright.plates.plan import plan_job
from sillwright.plates.record import PlatesPlan
from sillwright.survey import BoltRecord, EdgeRecord, Finding
from sillwright.tell.plate_before import before_drilling
from sillwright.tell.plate_findings import explain_plan
from sillwright.tell.plate_hole_rows import hole_rows
from sillwright.tell.plate_job_rows import job_rows


def planned(north: Sequence[BoltRecord], **layout: object) -> PlatesPlan:
    return plan_job(a_survey(list(north)), some_inputs(a_table(layout={"hole_over": "1/4 in", **layout})))


def of_north(plan: PlatesPlan) -> list[PlanFinding]:
    return [one for one in plan.findings if one.run == "north" and one.weight == "decide"]


def again(bolt: BoltRecord, **changes: object) -> BoltRecord:
    return replace(bolt, status="reshoot", reasons=(Finding("weak-evidence"),), **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize("place", [1, 3])
@pytest.mark.parametrize("known", [True, False])
def test_a_bolt_to_be_shot_again_is_one_line_that_names_what_hangs_on_it(place: int, known: bool) -> None:
    north = bolts("N", NORTH_BOLTS_MM)
    north[place] = again(north[place], **({} if known else {"station_mm": None, "setback_mm": None}))
    found = of_north(planned(north))
    (one,) = [finding for finding in found if finding.marks == (north[place].mark,)]
    assert one.code == "bolt-reshoot"
    assert {"across", "stick-up"} <= set(one.hangs)
    # With a place of its own it is one of a pair of neighbours, and a bolt that joints were not planned round.
    assert ("spacing" in one.hangs) == (known or place == 1)
    # Without N2 a gap is too wide, which no anchor is asked for before N2 was shot again.
    assert ("joints" in one.hangs) == (known or place == 1)
    assert [other.code for other in found if other != one] == []
    told = explain_plan(one)
    assert "the middle part of the plate's width" in told
    assert told.endswith("cannot be told without it: shoot it again, or tape it.")


def test_what_is_in_doubt_without_that_bolt_too_keeps_its_own_line() -> None:
    north = bolts("N", NORTH_BOLTS_MM)
    north[3] = again(north[3])
    north[1] = replace(north[1], setback_mm=139.7 / 3, u95=replace(north[1].u95, setback_mm=0.4))
    (unsure,) = [one for one in of_north(planned(north)) if one.code == "bolt-rule-unsure"]
    assert (unsure.rule, unsure.marks) == ("across", ("N2",))


def test_the_runs_sheet_names_what_hangs_on_it() -> None:
    north = bolts("N", NORTH_BOLTS_MM)
    north[3] = again(north[3])
    plan = planned(north)
    before = before_drilling(plan, plan.runs[0], hole_rows(plan, plan.runs[0]))
    assert before.decide == ()
    assert [line.split(":")[0] for line in before.reshoot] == [
        "N4 was not measured (hardly visible)",
        "What hangs on N4, and cannot be told before",
    ]


def test_an_end_without_a_bolt_is_told_once() -> None:
    (one,) = of_north(planned(bolts("N", NORTH_BOLTS_MM[1:])))
    assert one.code == "end-needs-anchor"
    assert "have it approved first" in explain_plan(one)


def test_a_gap_is_told_once_from_bolt_to_bolt() -> None:
    """6 ft at most between bolts: IRC R403.1.6. N2 and N3 stand 2700 mm apart."""
    (one,) = of_north(planned(bolts("N", (-50.0, 1200.0, 3900.0, 5020.0))))
    assert (one.code, one.marks, one.station_mm, one.to_station_mm) == (
        "spacing-too-wide",
        ("N2", "N3"),
        1200.0,
        3900.0,
    )
    assert explain_plan(one) == (
        "No bolt that can be counted on stands from station 3' 11 1/4\" to station 12' 9 9/16\" (N2 and N3), which is "
        "too far: have 1 anchor between them approved first; the run's sheet says where."
    )


def test_a_rule_that_no_anchor_would_meet_is_still_told() -> None:
    """Bolts on the one edge of the plate: the middle third (IRC R403.1.6) has nothing to do with the missing anchor."""
    north = [replace(bolt, setback_mm=40.0) for bolt in bolts("N", NORTH_BOLTS_MM[1:])]
    assert {one.code for one in of_north(planned(north))} == {"end-needs-anchor", "bolt-fails-rule"}


def test_a_hole_that_is_not_marked_is_not_to_be_taped_as_well() -> None:
    north = bolts("N", NORTH_BOLTS_MM)
    north[0] = replace(north[0], station_mm=-195.0, status="check", reasons=(Finding("wide-interval"),))
    plan = planned(north)
    about = [one for one in plan.findings if "N1" in one.marks]
    assert [one.code for one in about if one.code.startswith(("bolt-near", "bolt-check", "hole"))] == ["hole-off-piece"]
    told = " ".join(explain_plan(one) for one in about)
    assert "tape" not in told
    assert "watch" not in told


def test_a_bolt_too_near_an_end_by_the_rule_is_not_told_of_its_wood_as_well() -> None:
    """Seven diameters, 3 1/2 in: IRC R403.1.6."""
    east = bolts("E", (*EAST_BOLTS_MM[:-1], 3300.0 - 40.0))
    plan = plan_job(a_survey(east=east), some_inputs(a_table(layout={"hole_over": "1/4 in"})))
    codes = [one.code for one in plan.findings if "E4" in one.marks]
    assert codes == ["piece-fails-rule"]


@pytest.mark.parametrize("stated", [True, False])
def test_a_limit_of_overhang_is_asked_for_only_where_none_is_written(stated: bool) -> None:
    survey = a_survey()
    north = replace(survey.runs[0], edges=(EdgeRecord(2.0, 0.0), EdgeRecord(200.0, 0.0)))
    survey = replace(
        survey, runs=(north, replace(survey.runs[1], edges=(EdgeRecord(-40.0, 0.0), EdgeRecord(200.0, 0.0))))
    )
    inputs = some_inputs(a_table(layout={"overhang": "1/8 in"} if stated else {}))
    if stated:
        limit = replace(inputs.rules.spacing_largest, value_mm=3.175)
        inputs = replace(inputs, rules=replace(inputs.rules, overhang_largest=limit))
    plan = plan_job(survey, inputs)
    said = [explain_plan(one) for one in plan.findings if one.code.startswith("overhang")]
    lines = [line for line in job_rows(plan).rule_lines if "overhang" in line and "north" in line]
    assert said
    assert lines
    for told in said:
        assert ("write the limit" in told) == (not stated)
    for told in lines:
        assert ("ask what overhang" in told) == (not stated)


@pytest.mark.parametrize("lacks", ["setback_mm", "station_mm"])
def test_a_bolt_whose_place_is_not_known_is_one_line_that_names_what_hangs_on_it(lacks: str) -> None:
    """Without N2 the next two stand 2350 mm apart, over 6 ft (IRC R403.1.6), and with it no gap is too wide."""
    north = bolts("N", NORTH_BOLTS_MM)
    north[1] = replace(north[1], u95=replace(north[1].u95, **{lacks: None}))
    found = [one for one in of_north(planned(north)) if one.code != "hole-tolerance"]
    (one,) = found
    assert (one.code, one.marks) == ("bolt-left-out", ("N2",))
    assert {"joints", "spacing"} <= set(one.hangs)
    told = explain_plan(one)
    assert "the largest spacing of bolts" in told
    assert "cannot be told without it" in told
    assert ("its place is not known" in told) == (lacks == "setback_mm")


def test_a_gap_that_is_too_wide_with_that_bolt_too_keeps_its_own_line() -> None:
    """N2 stands 300 mm from N1, and 2600 mm before the next."""
    north = bolts("N", (-50.0, 250.0, 2850.0, 3900.0, 5020.0))
    north[1] = replace(north[1], u95=replace(north[1].u95, setback_mm=None))
    codes = [one.code for one in of_north(planned(north))]
    assert sorted(codes) == ["bolt-left-out", "spacing-too-wide"]


def test_a_bolt_surely_too_near_the_first_plates_end_is_not_said_to_be_perhaps() -> None:
    """Seven diameters, 88.9 mm (IRC R403.1.6): N6 stands 70 mm from the end, N5 serves the end in its place."""
    north = bolts("N", (*NORTH_BOLTS_MM[:-2], 4960.0, 5060.8 - 70.0), 0.1)
    table = a_table(north={"ends": {"station": "5060.8 mm"}}, layout={"hole_over": "1/4 in"}, corner=[])
    survey = a_survey(north)
    plan = plan_job(replace(survey, corners=()), some_inputs(table))
    about = [one for one in plan.findings if one.marks == ("N6",)]
    first = [one for one in about if one.layer == 1]
    assert [one.code for one in first] == ["bolt-too-near-end"]
    assert "may stand" not in explain_plan(first[0])
    assert "tape" not in explain_plan(first[0])


@pytest.mark.parametrize("place", [0, 1, 5])
def test_no_anchor_is_asked_for_in_place_of_a_bolt_that_is_to_be_shot_again(place: int) -> None:
    north = bolts("N", NORTH_BOLTS_MM, 0.1)
    north[place] = again(north[place])
    plan = plan_job(a_survey(north), some_inputs(a_table(layout={"hole_over": "1/4 in"})))
    run = plan.runs[0]
    asks = ("spacing-too-wide", "end-needs-anchor", "joint-needs-anchor", "too-few-bolts", "anchors-to-approve")
    assert not [one for one in plan.findings if one.code in asks and one.run == "north"]
    assert before_drilling(plan, run, hole_rows(plan, run)).anchors == ()
    (one,) = [one for one in plan.findings if one.code == "bolt-reshoot"]
    assert "joints" in one.hangs


def test_a_gap_that_the_bolt_shot_again_does_not_close_still_asks_for_an_anchor() -> None:
    north = bolts("N", (-50.0, 400.0, 4000.0, 4500.0, 5020.0), 0.1)
    north[1] = again(north[1])
    plan = plan_job(a_survey(north), some_inputs(a_table(layout={"hole_over": "1/4 in"})))
    assert [one.code for one in plan.findings if one.code == "spacing-too-wide"]


def test_a_gap_within_its_width_of_the_limit_is_told_once() -> None:
    """6 ft, 1828.8 mm: IRC R403.1.6."""
    north = bolts("N", (-50.0, 1200.0, 3028.8, 3900.0, 5020.0), 0.3)
    plan = plan_job(a_survey(north), some_inputs(a_table(layout={"hole_over": "1/4 in"})))
    told = [one.code for one in plan.findings if set(one.marks) == {"N2", "N3"}]
    assert told == ["spacing-cannot-tell"]
