"""What a plan says where something is missing, doubtful or out of the ordinary."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import Any

import pytest

from plate_jobs import (
    EAST_BOLTS_MM,
    EAST_CROSSING_MM,
    NORTH_BOLTS_MM,
    THICK_MM,
    WIDE_MM,
    a_photo,
    a_survey,
    a_table,
    bolt_of,
    bolts,
    found,
    layout,
    leaning,
    some_inputs,
)
from sillwright.errors import JobError
from sillwright.judge.rules import RULE_SETS
from sillwright.plates.levels import LevelPoint
from sillwright.plates.plan import plan_job
from sillwright.plates.record import PlatesPlan
from sillwright.survey import BoltRecord, Finding
from sillwright.tell.plate_before import before_drilling
from sillwright.tell.plate_findings import explain_plan
from sillwright.tell.plate_hole_rows import hole_rows
from sillwright.tell.plate_job_rows import job_rows
from sillwright.tell.plate_run_rows import run_rows


def with_bolt(index: int, bolt: BoltRecord) -> list[BoltRecord]:
    north = bolts("N", NORTH_BOLTS_MM)
    north[index] = bolt
    return north


def test_an_end_nobody_speaks_of_is_not_invented_and_the_other_run_is_planned() -> None:
    table = a_table()
    del table["run"][0]["begins"]
    plan = plan_job(a_survey(), some_inputs(table))
    (finding,) = found(plan, "end-not-said")
    assert (finding.run, finding.key, finding.station_mm) == ("north", "[run.begins]", NORTH_BOLTS_MM[0])
    assert [run.status == "not planned" for run in plan.runs] == [True, False]
    assert plan.runs[0].begins.kind == "not said"
    assert not plan.runs[0].pieces
    assert plan.runs[0].bolts[0].passing.verdict == "as it stands"


def test_a_corner_that_was_not_measured_leaves_both_runs_unplanned_with_its_reason() -> None:
    plan = plan_job(a_survey(status="reshoot"), some_inputs())
    (finding,) = found(plan, "corner-not-usable")
    assert finding.corner == ("north", "east")
    assert "Photograph it again" in finding.told
    assert plan.status == "not planned"
    assert not plan.pieces


def test_a_corner_the_record_does_not_have_is_told_and_leaves_its_runs_unplanned() -> None:
    """A record from before the corner was written into the job file, which has no fingerprints either."""
    table = a_table()
    table["run"][0]["ends"] = {"corner": "east"}
    table["run"][1]["begins"] = {"corner": "north"}
    plan = plan_job(replace(a_survey(), corners=()), some_inputs(table))
    assert {finding.run for finding in found(plan, "corner-not-usable")} == {"north", "east"}
    assert not plan.pieces


def test_a_corner_whose_turn_no_photo_shows_is_not_guessed() -> None:
    survey = replace(a_survey(), photos=(replace(a_photo(97.0), views=()),))
    plan = plan_job(survey, some_inputs())
    assert "which way the building turns is not known" in found(plan, "corner-not-usable")[0].told


def test_a_mitre_is_cut_to_half_of_what_the_corner_lacks_of_straight_and_nothing_laps() -> None:
    """45 degree bays cut each plate 22.5 (several how-tos); here 97 degrees between the walls: (180 - 97) / 2."""
    table = a_table()
    table["corner"][0]["joint"] = "mitre"
    plan = plan_job(a_survey(), some_inputs(table))
    for end in (plan.runs[0].ends, plan.runs[1].begins):
        assert [layer.saw_deg for layer in end.layers] == pytest.approx([41.5, 41.5])
        assert {layer.joint for layer in end.layers} == {"mitre"}
    assert [finding.weight for finding in found(plan, "mitre-not-lapped")] == ["note"]


def test_through_names_the_run_whose_first_plate_runs_through() -> None:
    table = a_table()
    table["corner"][0]["through"] = "east"
    plan = plan_job(a_survey(), some_inputs(table))
    assert [layer.joint for layer in plan.runs[1].begins.layers] == ["through", "butt"]


@pytest.mark.parametrize(
    ("change", "code"),
    [({"setback_mm": 4.0}, "off-plate"), ({"reasons": (Finding("bent"),), "status": "check"}, "bent")],
)
def test_the_engineers_bolts_have_no_hole_and_are_not_counted_on_for_joints(change: dict[str, Any], code: str) -> None:
    north = bolts("N", NORTH_BOLTS_MM)
    plan = plan_job(a_survey(with_bolt(2, replace(north[2], **change))), some_inputs())
    bolt = bolt_of(plan, "N3")
    assert (bolt.passing.verdict, bolt.holes) == ("engineer", ())
    (finding,) = found(plan, "bolt-engineer")
    assert (finding.marks, code in finding.facts) == (("N3",), True)
    assert found(plan, "bolt-left-out")[0].marks == ("N3",)


def test_the_crews_limit_sends_a_bolt_that_leans_past_it_to_the_engineer() -> None:
    bolt = leaning(bolts("N", NORTH_BOLTS_MM)[2], 30.0, 0.0)  # 15.8 degrees
    straightened = plan_job(a_survey(with_bolt(2, bolt)), some_inputs())
    assert bolt_of(straightened, "N3").straighten_first
    limited = plan_job(a_survey(with_bolt(2, bolt)), some_inputs(layout(lean_limit=10.0)))
    assert bolt_of(limited, "N3").passing.verdict == "engineer"
    assert not bolt_of(limited, "N3").holes


def test_a_bolt_without_a_lean_is_drilled_for_over_its_foot_and_says_so() -> None:
    north = bolts("N", NORTH_BOLTS_MM)
    unknown = replace(north[2], lean_along_mm=None, lean_across_mm=None, lean_deg=None, stickup_mm=None)
    plan = plan_job(a_survey(with_bolt(2, unknown)), some_inputs())
    assert bolt_of(plan, "N3").doubts == ("no-lean",)
    assert found(plan, "bolt-cannot-tell")[0].marks == ("N3",)


def test_seismic_rules_put_a_plate_washer_under_every_nut_and_into_what_a_bolt_must_reach() -> None:
    """IRC R602.11.1: 0.229 in thick; the cut washer stays over its slot."""
    plain, seismic = (plan_job(a_survey(), some_inputs(layout(seismic=on))) for on in (False, True))
    by_name = replace(some_inputs(layout(seismic=True)), rules=replace(RULE_SETS["irc-2021"], seismic=True))
    seismic = plan_job(a_survey(), by_name)
    limits = []
    for plan in (plain, seismic):
        (check,) = [check for check in bolt_of(plan, "N1").checks if check.key == "stick-up"]
        limits.append(check.limit_mm)
    assert limits[1] - limits[0] == pytest.approx(0.229 * 25.4)
    assert {line.item for line in seismic.shopping} - {line.item for line in plain.shopping} == {"plate-washer"}


def test_a_bolt_reaches_through_the_shim_beside_it_as_well() -> None:
    levels = [LevelPoint("north", -250.0, -4.0), LevelPoint("north", 5300.0, 0.0), LevelPoint("east", 0.0, 0.0)]
    flat, shimmed = (plan_job(a_survey(), some_inputs(None, held)) for held in ([], levels))
    limits = []
    for plan in (flat, shimmed):
        (check,) = [check for check in bolt_of(plan, "N1").checks if check.key == "stick-up"]
        limits.append(check.limit_mm)
    highest = max(shim.sixteenths or 0 for shim in shimmed.runs[0].shims if "N1" in shim.place.bolts)
    assert highest >= 1
    assert limits[1] - limits[0] == pytest.approx(highest * 25.4 / 16)


def test_the_canadian_set_has_no_hole_so_that_the_drill_goes_by_nds() -> None:
    plan = plan_job(a_survey(), some_inputs(rules="nbc-2020"))
    assert plan.lumber.drill_mm == pytest.approx(12.7 + 25.4 / 16)
    told = {figure.key for figure in plan.rules.figures}
    assert told == {"bolt_diameter_least", "spacing_largest", "plate_edge_least"}


def test_larger_holes_than_the_rules_have_are_noted() -> None:
    plan = plan_job(a_survey(), some_inputs(layout(hole_over="1/4 in")))
    (finding,) = found(plan, "holes-larger-than-rule")
    assert (finding.weight, finding.value_mm) == ("note", pytest.approx(6.35))
    assert {round(hole.drill_mm, 6) for piece in plan.pieces for hole in piece.holes} == {19.05}


@pytest.mark.parametrize(
    ("over_mm", "told"),
    [
        (25.4 / 16 + 0.01, {"holes-larger-than-rule"}),
        (25.4 / 16, set()),
        (25.4 / 16 - 0.01, set()),
        (25.4 / 32 + 0.01, set()),
        (25.4 / 32, set()),
        (25.4 / 32 - 0.01, {"holes-smaller-than-rule"}),
    ],
)
def test_holes_are_held_to_both_limits_of_how_much_larger_they_are(over_mm: float, told: set[str]) -> None:
    """NDS 2015 to 2024, 12.1.3.2: bolt holes are 1/32 to 1/16 in larger than the bolt."""
    plan = plan_job(a_survey(), some_inputs(layout(hole_over=f"{over_mm!r} mm")))
    assert {one.code for one in plan.findings if one.code.startswith("holes-")} == told
    rows = {row.rule: row for row in job_rows(plan).rule_rows}
    for code, side in (("holes-larger-than-rule", "at most"), ("holes-smaller-than-rule", "at least")):
        (row,) = [row for rule, row in rows.items() if f"a hole is {side}" in rule]
        assert bool(row.fails) is (code in told)


def test_a_bolt_3_1_4_in_from_the_wall_face_is_marked_2_3_4_in_from_a_line_held_back_half_an_inch() -> None:
    """The offset X of NAVEDTRA 14044, p. 1-2 (sheathing 1/2 in thick), as worked out in the middle of a 2x4 or 2x6."""
    held_back_mm, from_face_mm = 0.5 * 25.4, 3.25 * 25.4
    survey = a_survey(north=bolts("N", NORTH_BOLTS_MM, setback_mm=from_face_mm - held_back_mm))
    plan = plan_job(survey, some_inputs())
    marked = {hole.from_line_mm for bolt in plan.runs[0].bolts for hole in bolt.holes if hole.run == "north"}
    assert sorted(marked) == [pytest.approx(2.75 * 25.4)]


def test_a_print_that_nobody_taped_leaves_the_length_to_a_corner_open() -> None:
    survey = a_survey()
    runs = tuple(replace(run, scale_u95_ratio=0.003) for run in survey.runs)
    plan = plan_job(replace(survey, runs=runs), some_inputs())
    north = found(plan, "length-unsure")[0]
    length_mm = plan.runs[0].ends.layers[0].station_mm - plan.runs[0].begins.layers[0].station_mm
    assert (north.run, north.value_mm) == ("north", pytest.approx(0.003 * length_mm))


def test_a_hole_counts_the_prints_scale_from_its_pieces_own_end() -> None:
    """A bolt 1 ft from its piece's low end is sure, however far from station 0 it is known to 15 mm only."""
    survey, ratio = a_survey(), 0.003
    bolt = survey.runs[0].bolts[-1]
    station_mm = bolt.station_mm or 0.0
    far = replace(bolt, u95=replace(bolt.u95, station_mm=math.hypot(0.2, ratio * station_mm)))
    runs = (replace(survey.runs[0], bolts=(*survey.runs[0].bolts[:-1], far), scale_u95_ratio=ratio), survey.runs[1])
    plan = plan_job(replace(survey, runs=runs), some_inputs(layout(stock=["12 ft"])))
    hole = next(h for piece in plan.pieces if piece.layer == 1 for h in piece.holes if h.mark == far.mark)
    exact_mm = station_mm - next(p.low_mm for p in plan.pieces if p.layer == 1 and hole in p.holes)
    most_mm = math.hypot(0.2, ratio * exact_mm) + 0.2 * THICK_MM / 110.0 * 1.01 + 25.4 / 32.0
    assert hole.u95_along_mm is not None
    assert 0.5 * ratio * exact_mm < hole.u95_along_mm <= most_mm < ratio * station_mm


def test_one_plate_on_a_wall_that_falls_is_told_that_there_is_nothing_to_shim_between() -> None:
    levels = [LevelPoint("north", -200.0, 0.0), LevelPoint("north", 5300.0, -5.0)]
    plan = plan_job(a_survey(), some_inputs(a_table(plate={"layers": 1}), levels))
    (finding,) = found(plan, "not-level-one-plate")
    assert (finding.run, finding.value_mm) == ("north", pytest.approx(5.0))
    assert not plan.runs[0].shims


def test_a_run_without_readings_beside_runs_with_some_is_told() -> None:
    levels = [LevelPoint("north", -300.0, 0.0), LevelPoint("north", 5300.0, -5.0)]
    plan = plan_job(a_survey(), some_inputs(None, levels))
    assert [finding.run for finding in found(plan, "levels-missing")] == ["east"]


def test_a_second_plate_that_cannot_keep_the_stagger_names_the_key() -> None:
    with pytest.raises(JobError, match=r"\[layout\], stock or stagger: run north: no second plate"):
        plan_job(a_survey(), some_inputs(layout(stock=["10 ft"], stagger="9 ft")))


def test_short_stock_is_told_of_as_that_and_how_long_would_do() -> None:
    """A corner a little off square is not to blame: joints leave 2 ft, and the butt's long point asks for some more."""
    with pytest.raises(JobError) as fault:
        plan_job(a_survey(), some_inputs(layout(stock=["2 ft"])))
    assert str(fault.value).startswith("job.toml: [layout], stock")
    assert "[[corner]]" not in str(fault.value)
    feet = int(re.search(r"Stock of (\d+) ft would do\.$", str(fault.value))[1])  # type: ignore[index]
    assert feet > 2
    plan_job(a_survey(), some_inputs(layout(stock=["2 ft", "20 ft"])))


def test_a_corner_too_sharp_for_any_saw_is_told_of_as_that() -> None:
    sharp = a_table(corner=[{"runs": ["north", "east"], "photos": ["c*.jpg"], "joint": "mitre"}])
    with pytest.raises(JobError, match=r"^job.toml: \[\[corner\]\] north and east: .*long point"):
        plan_job(a_survey(angle_deg=8.0, side=-1.0), some_inputs({**sharp, "layout": {"stock": ["3 ft"]}}))


SIDE = "28 ft"


def outline(*diagonals: tuple[int, int, str], angle_deg: float = 90.0) -> PlatesPlan:
    runs = ["north", "east", "south", "west"]
    ends = {"begins": {"station": "0 in"}, "ends": {"station": "20 ft"}}
    table = a_table()
    table["run"] += [{"name": name, "photos": ["*.jpg"], **ends} for name in runs[2:]]
    table["outline"] = {
        "wall": [{"run": name, "length": SIDE} for name in runs],
        "diagonal": [{"from_corner": a, "to_corner": b, "length": length} for a, b, length in diagonals],
    }
    survey = a_survey(angle_deg=angle_deg)
    more = tuple(replace(survey.runs[0], name=name, bolts=tuple(bolts(name[0], EAST_BOLTS_MM))) for name in runs[2:])
    return plan_job(replace(survey, runs=(*survey.runs, *more)), some_inputs(table))


def test_four_walls_of_28_ft_have_no_diagonals_of_39_6_and_40() -> None:
    """doityourself.com, "Squaring a foundation": both diagonals cannot be right; expected 39 ft 7 3/16 in."""
    plan = outline((1, 3, "39 ft 6 in"), (2, 4, "40 ft"))
    assert plan.outline is not None
    assert plan.outline.diagonal_check is not None
    assert not plan.outline.diagonal_check.consistent
    assert found(plan, "outline-inconsistent")
    assert plan.outline.diagonals[0].should_mm == pytest.approx((39 * 12 + 7 + 3 / 16) * 25.4, abs=0.9)


def test_a_measured_corner_out_of_square_is_told_over_20_ft() -> None:
    plan = outline((1, 3, "39 ft 7 3/16 in"), angle_deg=91.0)
    corners = {one.corner: one.verdict for one in plan.outline.squareness} if plan.outline else {}
    assert set(corners) == {"1", "2", "3", "4"}
    told = found(plan, "corner-out-of-square") + found(plan, "outline-inconsistent")
    assert told


def test_an_outline_left_open_says_what_to_tape() -> None:
    table = a_table()
    ends = {"begins": {"station": "0 in"}, "ends": {"station": "20 ft"}}
    table["run"].append({"name": "south", "photos": ["*.jpg"], **ends})
    del table["corner"]
    table["run"][0] |= ends
    table["run"][1] |= ends
    table["run"].append({"name": "west", "photos": ["*.jpg"], **ends})
    table["outline"] = {"wall": [{"run": name, "length": SIDE} for name in ("north", "east", "south", "west")]}
    survey = a_survey()
    more = tuple(replace(survey.runs[0], name=name, bolts=()) for name in ("south", "west"))
    plan = plan_job(replace(survey, runs=(*survey.runs, *more), corners=()), some_inputs(table))
    (finding,) = found(plan, "outline-not-worked-out")
    assert "Tape a diagonal" in finding.told
    assert plan.outline is None
    assert plan.lumber.width_mm == WIDE_MM


def test_a_plate_that_lies_beyond_all_bolts_is_not_told_as_a_run_without_bolts() -> None:
    table = a_table()
    table["run"][1]["ends"] = {"station": "30 ft"}
    east = bolts("E", (EAST_CROSSING_MM - 900.0, EAST_CROSSING_MM - 700.0))
    plan = plan_job(a_survey(east=east), some_inputs(table))
    assert plan.runs[1].pieces
    assert not found(plan, "no-bolts")
    assert [(one.run, one.layer) for one in found(plan, "no-bolt-under-plate")] == [("east", 1)]
    assert {mark for one in found(plan, "bolt-beyond-plate") for mark in one.marks} == {"E1", "E2"}


def test_where_only_the_nut_is_in_doubt_the_hole_is_not() -> None:
    """A nut bears flat to 1 in 20, 2.86 degrees (RCSC by way of AISC FAQ 6.10.1); 3 in of plates with a hole 1/4 over
    pass 4.73 degrees."""
    north = bolts("N", NORTH_BOLTS_MM)
    north[2] = leaning(north[2], 5.49, 0.0, 110.0)
    north[2] = replace(north[2], u95=replace(north[2].u95, lean_along_mm=0.3, lean_across_mm=0.3))
    plan = plan_job(a_survey(north), some_inputs(layout(hole_over="1/4 in")))
    bolt = bolt_of(plan, "N3")
    assert (bolt.passing.verdict, bolt.passing.codes, bolt.doubts) == ("as it stands", ("nut-near-limit",), ())
    assert not found(plan, "bolt-cannot-tell")
    (one,) = found(plan, "nut-unsure")
    assert one.marks == ("N3",)
    assert one.weight == "decide"
    told = explain_plan(one)
    assert "its hole is" not in told
    assert "the hole is right as it stands" in told
    assert "tapered washer" in told
    assert "try the plate" not in told


@pytest.mark.parametrize(
    ("angle_deg", "joint", "fix"),
    [
        (0.03, "mitre", "Check which line the photos of each [[run]] show"),
        (1.0, "mitre", "take this [[corner]] out, and write station under [run.begins] or [run.ends]"),
        (1.0, "butt", "take this [[corner]] out, and write station under [run.begins] or [run.ends]"),
        (179.0, "butt", 'Write joint = "mitre" there'),
        (179.97, "butt", "Take this [[corner]] out, write both as one [[run]]"),
    ],
)
def test_a_corner_that_is_hardly_one_names_its_key_and_what_to_write(angle_deg: float, joint: str, fix: str) -> None:
    table = a_table()
    table["corner"][0]["joint"] = joint
    with pytest.raises(JobError) as fault:
        plan_job(a_survey(angle_deg=angle_deg), some_inputs(table))
    told = str(fault.value)
    assert told.startswith("job.toml: [[corner]] north and east: ")
    assert fix in told


@pytest.mark.parametrize(
    ("angle_deg", "joint", "off", "instead"),
    [
        (45.0, "mitre", "67.5°", ", or butt the corner, 45.0° off square"),
        (40.0, "butt", "50.0°", ""),
        (150.0, "butt", "60.0°", ", or mitre the corner, 15.0° off square"),
        (90.0, "mitre", None, None),
        (97.0, "mitre", None, None),
    ],
)
def test_a_cut_past_what_saws_are_set_to_says_what_to_do(
    angle_deg: float, joint: str, off: str | None, instead: str | None
) -> None:
    """A mitre is half of what the angle lacks of 180; a butt is what it lacks of 90 (plane geometry)."""
    table = a_table()
    table["corner"][0]["joint"] = joint
    plan = plan_job(a_survey(angle_deg=angle_deg), some_inputs(table))
    told = run_rows(plan, plan.runs[0]).ends[1]
    assert told.count("Many saws") == (off is not None)
    if off is not None:
        assert f"This cut is at {off}: stand the piece on edge or make a jig{instead} (common practice" in told


def test_a_bolt_the_crew_calls_damaged_goes_to_the_engineer_and_has_no_hole() -> None:
    plan = plan_job(a_survey(), some_inputs(layout(hole_over="1/4 in", damaged=["N3"])))
    bolt = bolt_of(plan, "N3")
    assert bolt.holes == ()
    (one,) = [one for one in plan.findings if one.code == "bolt-engineer"]
    assert one.marks == ("N3",)
    assert "damaged" in explain_plan(one)
    run = plan.runs[0]
    (told,) = before_drilling(plan, run, hole_rows(plan, run)).engineer
    assert told.startswith("N3 goes to the engineer. It is damaged")
    assert all(hole.mark != "N3" for each in plan.runs for piece in each.pieces for hole in piece.plate.holes)


def test_a_damaged_bolt_that_is_not_there_is_named() -> None:
    with pytest.raises(JobError, match=r'\[layout\], damaged: there is no bolt "N33"'):
        plan_job(a_survey(), some_inputs(layout(damaged=["N33"])))
