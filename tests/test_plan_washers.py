"""Plate washers through the whole plan: each bolt on its top plate, what is to be decided, and the sheets."""

from __future__ import annotations

from dataclasses import replace

import pytest

from plate_jobs import (
    EAST_BOLTS_MM,
    EAST_ENDS_MM,
    NORTH_BOLTS_MM,
    a_survey,
    a_table,
    bolt_of,
    bolts,
    leaning,
    some_inputs,
)
from plate_sheet_plans import PLANS
from sillwright.judge.own_rules import rule_set_from_toml
from sillwright.judge.plate_washer import WasherFit
from sillwright.judge.washer_apart import washers_apart
from sillwright.plates.plan import plan_job
from sillwright.plates.record import PlatesPlan
from sillwright.survey import BoltRecord
from sillwright.tell.plate_findings import explain_plan
from sillwright.tell.plate_job_rows import job_rows
from sillwright.tell.plate_run_rows import run_rows

INCH = 25.4


def fits(plan: PlatesPlan) -> dict[str, WasherFit | None]:
    return {bolt.mark: bolt.washer for run in plan.runs for bolt in run.bolts}


def seismic(north: list[BoltRecord], **layout: object) -> PlatesPlan:
    table = a_table(layout={"hole_over": "1/4 in", **layout})
    return plan_job(a_survey(north), some_inputs(table, seismic=True))


def told(plan: PlatesPlan, code: str) -> dict[str, tuple[str, ...]]:
    return {one.run: one.marks for one in plan.findings if one.code == code}


def test_no_washer_is_judged_where_none_is_asked_for() -> None:
    plan = PLANS["sure"]
    assert set(fits(plan).values()) == {None}
    assert plan.rules.plate_washer is None
    assert not any(run_rows(plan, run).washers or run_rows(plan, run).washer_lines for run in plan.runs)


def test_every_bolt_with_a_hole_in_a_top_plate_has_its_washer_on_the_piece_that_holds_it() -> None:
    plan = PLANS["seismic"]
    for mark, fit in fits(plan).items():
        tops = {hole.piece for run in plan.runs for bolt in run.bolts if bolt.mark == mark for hole in bolt.holes
                if hole.layer == plan.lumber.layers}  # fmt: skip
        assert {fit.piece} == tops if fit is not None else not tops


def test_what_hangs_over_cannot_be_told_or_rests_on_the_sheathed_side_is_to_be_decided() -> None:
    plan = PLANS["seismic"]
    assert told(plan, "washer-hangs-over") == {"north": ("N2",), "east": ("E4",)}
    assert told(plan, "washer-unsure") == {"north": ("N5",)}
    assert told(plan, "washer-one-side") == {"north": ("N3", "N4")}
    assert told(plan, "washer-far-from-edge") == {"north": ("N1", "N6"), "east": ("E1", "E2", "E3")}
    codes = [one for one in plan.findings if one.code.startswith("washer")]
    assert all(one.weight == "decide" for one in codes)


def test_the_sheet_says_how_each_washer_lies_and_by_how_much_it_hangs_over_which_edge() -> None:
    north, east = (run_rows(PLANS["seismic"], run) for run in PLANS["seismic"].runs)
    rows = {row.mark: row for row in (*north.washers, *east.washers)}
    assert rows["N1"].lies == "on the wood, centred"
    assert rows["N1"].near == "NEITHER EDGE"
    assert rows["N2"].lies.startswith('HANGS OVER the far edge by 1/4" ±')
    assert rows["N3"].lies == 'on the wood, slotted: move it 5/16" toward the far edge'
    assert rows["N4"].near == "chalk-line edge"
    assert rows["N5"].lies.startswith("CANNOT TELL")
    assert rows["E4"].lies.startswith("HANGS OVER the high end of east 2.1 by")
    assert {mark for mark, row in rows.items() if row.doubtful} == {"N2", "N5", "E4"}
    assert any('3" x 3", 0.229" thick' in line for line in north.washer_lines)
    assert any('11/16" wide and 1 3/4" long at most' in line for line in north.washer_lines)


def test_a_bolt_is_judged_where_it_comes_out_of_the_top_plate() -> None:
    """1/8 in of sealer and two plates of 1 1/2 in: a slope of 4 in 110 takes it 4 / 110 of 3 1/8 in across."""
    north = bolts("N", NORTH_BOLTS_MM)
    north[1] = leaning(north[1], 0.0, 4.0, 110.0)
    plumb, slanted = (seismic(held) for held in (bolts("N", NORTH_BOLTS_MM), north))
    before, after = (fits(plan)["N2"] for plan in (plumb, slanted))
    assert before is not None
    assert after is not None
    slope = 4.0 / (110.0**2 - 4.0**2) ** 0.5
    assert after.line_side.centred_mm - before.line_side.centred_mm == pytest.approx(slope * 3.125 * INCH)


def test_a_bolt_without_a_lean_is_told_of_as_not_to_be_told() -> None:
    north = bolts("N", NORTH_BOLTS_MM)
    north[2] = replace(north[2], lean_along_mm=None, lean_across_mm=None, lean_deg=None, stickup_mm=None)
    fit = fits(seismic(north))["N3"]
    assert fit is not None
    assert (fit.on_wood, fit.u95_across_mm) == ("cannot tell", None)


def test_at_a_corner_the_washer_lies_on_the_neighbours_plate_where_that_is_the_upper_one() -> None:
    north = bolts("N", (*NORTH_BOLTS_MM[:-1], 5150.0))
    plan = seismic(north)
    fit = fits(plan)["N6"]
    assert fit is not None
    assert fit.run == "east"
    east = next(run for run in plan.runs if run.name == "east")
    assert "N6" in {row.mark for row in run_rows(plan, east).washers}
    north_run = next(run for run in plan.runs if run.name == "north")
    assert "N6" not in {row.mark for row in run_rows(plan, north_run).washers}


def test_a_crew_sets_every_figure_of_it_and_takes_the_edge_away() -> None:
    text = (
        'seismic = true\nhole_over_largest = "1/4 in"\nplate_washer_side = "4 3/4 in"\n'
        'plate_washer_slot_length = "none"\n'
    )
    inputs = some_inputs(a_table(layout={"hole_over": "1/4 in"}))
    wide, gone = (
        plan_job(a_survey(), replace(inputs, rules=rule_set_from_toml(text + more, "ours")))
        for more in ("", 'plate_washer_edge = "none"\n')
    )
    # 4 3/4 in on 5 1/2 leave 3/8 in on either side of a bolt in the middle: near enough to both.
    lying = [fit for fit in fits(wide).values() if fit is not None and fit.on_wood == "meets"]
    assert {fit.near_enough for fit in lying} == {("chalk-line side", "far side")}
    assert not told(wide, "washer-far-from-edge")
    assert not told(wide, "washer-one-side")
    assert not any(row.near for run in gone.runs for row in run_rows(gone, run).washers)
    assert {line.item for line in wide.shopping} >= {"plate-washer"}
    assert "washer" not in {line.item for line in wide.shopping}


def test_a_washer_that_hangs_over_an_end_is_not_said_to_come_near_an_edge_as_well() -> None:
    """E4 stands on the middle of the plate, 20 mm from its end, in reach of no edge however it is moved."""
    fit = fits(PLANS["seismic"])["E4"]
    assert fit is not None
    assert (fit.on_wood, fit.near_enough) == ("does not", ())
    codes = {one.code for one in PLANS["seismic"].findings if "E4" in one.marks and one.code.startswith("washer")}
    assert codes == {"washer-hangs-over"}


def test_a_washer_moved_off_an_end_is_told_which_way_along_and_not_called_centred() -> None:
    """A foot 1 1/4 in from the end of a plate: 3 in across, it must go 1/4 in along, and 1/4 in either way across."""
    east = bolts("E", EAST_BOLTS_MM)
    east[3] = replace(east[3], station_mm=EAST_ENDS_MM - 1.25 * INCH)
    table = a_table(layout={"seismic": True, "hole_over": "1/4 in"})
    plan = plan_job(a_survey(east=east), some_inputs(table, seismic=True))
    rows = {row.mark: row for run in plan.runs for row in run_rows(plan, run).washers}
    assert rows["E4"].lies == 'on the wood, slotted: move it 5/16" toward the low end'


def close(step_mm: float, **seismic: bool) -> PlatesPlan:
    """N3 and N4 so far apart along the wall."""
    north = bolts("N", (*NORTH_BOLTS_MM[:3], NORTH_BOLTS_MM[2] + step_mm, *NORTH_BOLTS_MM[4:]))
    return plan_job(a_survey(north), some_inputs(a_table(layout={"hole_over": "1/16 in"}), **seismic))


@pytest.mark.parametrize(
    ("washer_mm", "code", "asked"),
    [
        (3.0 * INCH, "plate-washers-overlap", True),  # IRC R602.11.1
        (1.375 * INCH, "washers-overlap", False),  # ASME B18.21.1 Type A wide, 1/2 in
    ],
)
def test_neighbours_whose_washers_lie_over_each_other_are_named_both(washer_mm: float, code: str, asked: bool) -> None:
    """At, just inside and just outside the washer's size; each foot is known to 0.2 mm along."""
    (one,) = [one for one in close(washer_mm - 5.0, seismic=asked).findings if one.code == code]
    assert (one.run, one.marks, one.weight) == ("north", ("N3", "N4"), "decide")
    assert one.value_mm == pytest.approx(5.0)
    assert "N3 and N4 lie 5.0 mm" in explain_plan(one)
    plan = close(washer_mm - 5.0, seismic=asked)
    rows = {row.mark: row for run in plan.runs for row in run_rows(plan, run).washers}
    assert {mark for mark, row in rows.items() if "MEETS THAT OF" in row.lies} == ({"N3", "N4"} if asked else set())
    (perhaps,) = [one for one in close(washer_mm + 0.1, seismic=asked).findings if one.code == code]
    assert perhaps.value_mm is None
    assert "may lie over each other" in explain_plan(perhaps)
    assert not told(close(washer_mm + 1.0, seismic=asked), code)


def test_washers_are_not_told_of_beside_holes_that_are_too_near_each_other() -> None:
    plan = close(20.0, seismic=True)
    assert told(plan, "holes-too-near") == {"north": ("N3", "N4")}
    assert not told(plan, "plate-washers-overlap")


def test_two_plate_washers_side_by_side_across_the_plate_are_clear() -> None:
    """3 in apart across on a wide plate, at one station: a square washer has its whole side to spare either way."""
    assert washers_apart((0.0, 3.0 * INCH + 0.5), (0.2, 0.2), 3.0 * INCH, "square")[1] == "meets"
    assert washers_apart((2.9 * INCH, 2.9 * INCH), (0.2, 0.2), 3.0 * INCH, "square")[1] == "does not"
    assert washers_apart((2.9 * INCH, 2.9 * INCH), (0.2, 0.2), 3.0 * INCH, "round")[1] == "meets"


def test_where_a_half_width_is_not_known_nothing_is_claimed_of_two_washers() -> None:
    assert washers_apart((2.0 * INCH, 0.0), (None, 0.1), 3.0 * INCH, "square")[1] == "cannot tell"


@pytest.mark.parametrize("rules", ["nbc-2020", "ours"])
def test_a_seismic_job_whose_rules_have_no_plate_washer_is_told_so_and_is_not_ok(rules: str) -> None:
    inputs = some_inputs(a_table(layout={"hole_over": "1/4 in", "rules": "nbc-2020"}), rules="nbc-2020", seismic=True)
    if rules == "ours":
        inputs = replace(inputs, rules=rule_set_from_toml('based_on = "nbc-2020"\nseismic = true\n', "ours"))
    plan = plan_job(a_survey(), inputs)
    (one,) = [one for one in plan.findings if one.code == "seismic-no-figure"]
    assert one.weight == "decide"
    assert plan.status == "check"
    assert f"rule set {rules} has no plate washer" in explain_plan(one)
    assert "plate_washer_side" in explain_plan(one)
    assert job_rows(plan).rules == f"{rules}, NOT seismic"


def test_a_rule_set_with_a_plate_washer_of_the_crews_own_has_its_figure() -> None:
    text = 'based_on = "nbc-2020"\nseismic = true\nplate_washer_side = "3 in"\nplate_washer_thickness = "0.229 in"\n'
    inputs = replace(some_inputs(a_table()), rules=rule_set_from_toml(text, "ours"))
    plan = plan_job(a_survey(), inputs)
    assert not told(plan, "seismic-no-figure")
    assert job_rows(plan).rules == "ours, seismic"


def test_a_seismic_sheet_says_that_a_tall_house_wants_bolts_4_ft_apart() -> None:
    """IRC R403.1.6.1, SDC D0 to D2, over two storeys (from memory)."""
    (line,) = [note for note in job_rows(PLANS["seismic"]).notes if "two storeys" in note]
    assert "4' 0\" apart at most (IRC R403.1.6.1, from memory)" in line
    assert not any("two storeys" in note for note in job_rows(PLANS["sure"]).notes)
    own = rule_set_from_toml('seismic = true\nspacing_largest = "4 ft"\n', "ours")
    plan = plan_job(a_survey(), replace(some_inputs(a_table()), rules=own))
    assert not told(plan, "seismic-tall-house")


@pytest.mark.parametrize("rules", ["nbc-2020", "ibc-2308"])
def test_a_bolt_near_the_plates_edge_is_told_on_the_sheet_and_beside_its_hole(rules: str) -> None:
    """NDS Table 12.5.1C: 19.05 mm; ASME B18.21.1 Type A: half of 1 3/8 in. The bolt stands 11 mm in."""
    north = bolts("N", NORTH_BOLTS_MM)
    north[2] = replace(north[2], setback_mm=11.0)
    plan = plan_job(a_survey(north), some_inputs(a_table(layout={"hole_over": "1/4 in"}), rules=rules))
    bolt = bolt_of(plan, "N3")
    checks = {check.key: (check.verdict, check.limit_mm) for check in bolt.checks}
    assert checks["plate-edge"] == ("does not", pytest.approx(19.05))
    assert checks["cut-washer"] == ("does not", pytest.approx(1.375 * INCH / 2.0))
    assert told(plan, "bolt-fails-rule") == {"north": ("N3",)}
    assert told(plan, "cut-washer-hangs-over") == {"north": ("N3",)}
    assert plan.runs[0].status == "check"
    row = next(row for row in run_rows(plan, plan.runs[0]).holes if row.mark == "N3")
    assert row.doubtful
    assert "near the plate's edge" in row.notes[0]


def test_a_cut_washer_is_judged_where_no_plate_washer_is_asked_for() -> None:
    north = bolts("N", NORTH_BOLTS_MM, 0.2)
    north[2] = replace(north[2], setback_mm=1.375 * INCH / 2.0)
    loose = plan_job(a_survey(north), some_inputs())
    assert told(loose, "cut-washer-unsure") == {"north": ("N3",)}
    assert not any(check.key == "cut-washer" for check in bolt_of(seismic(north), "N3").checks)
