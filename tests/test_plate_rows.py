"""What stands on the plates' sheets, as text before it is drawn: the record's numbers, each doubt with what to do."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from plate_jobs import a_survey, a_table, bolts, some_inputs
from plate_sheet_plans import PLANS, all_rows
from sillwright.lengths import MM_PER_INCH, parse_length_mm
from sillwright.plates.findings import PlanFinding
from sillwright.plates.plan import plan_job
from sillwright.plates.told_once import ASKS_FOR_ANCHORS
from sillwright.tell.plate_before import before_drilling
from sillwright.tell.plate_findings import explain_plan
from sillwright.tell.plate_hole_rows import ENGINEER, RESHOOT, STRAIGHTEN, TAPE, _within
from sillwright.tell.plate_job_rows import job_rows
from sillwright.tell.plate_run_rows import CHECK_ANGLE, TAPE_WALL, run_rows
from sillwright.tell.plate_view import hole_doubts

NAMES = list(PLANS)


@pytest.mark.parametrize("name", NAMES)
def test_each_hole_of_the_record_stands_once_with_its_own_figures(name: str) -> None:
    plan = PLANS[name]
    want = {
        (hole.mark, piece.name): (hole.from_low_end_mm, hole.from_line_mm)
        for piece in plan.pieces
        for hole in piece.holes
    }
    have = {}
    for _, row in all_rows(plan):
        for cell in row.cells:
            have[row.mark, cell.piece] = (
                parse_length_mm(cell.along.replace('0"', "0 in")),
                parse_length_mm(row.across),
            )
            assert cell.metric == f"{want[row.mark, cell.piece][0]:.1f} mm"
    assert set(have) == set(want)
    for key, numbers in want.items():
        assert have[key] == pytest.approx(numbers, abs=1e-6), key


@pytest.mark.parametrize("name", NAMES)
def test_each_bolt_has_one_line_on_its_own_runs_sheet(name: str) -> None:
    plan = PLANS[name]
    for run in plan.runs:
        marks = [row.mark for row in run_rows(plan, run).holes]
        assert len(marks) == len(set(marks))
        assert {bolt.mark for bolt in run.bolts} <= set(marks)


@pytest.mark.parametrize("name", NAMES)
def test_a_hole_is_doubtful_exactly_where_something_speaks_against_it(name: str) -> None:
    plan = PLANS[name]
    bolts_mm = {bolt.mark: bolt.diameter_mm for run in plan.runs for bolt in run.bolts}
    for run in plan.runs:
        own = [piece.plate for piece in run.pieces]
        against = {hole.mark for piece in own for hole in piece.holes if hole_doubts(piece, hole, bolts_mm)}
        rows = run_rows(plan, run).holes
        assert {row.mark for row in rows if row.doubtful} == against
        for row in rows:
            assert bool(row.tag) == (row.doubtful or not row.cells)


def test_doubts_are_told_by_tags_and_what_to_do() -> None:
    tags = {row.mark: row.tag for _, row in all_rows(PLANS["doubtful"])}
    assert (tags["N2"], tags["N3"], tags["N5"], tags["E2"], tags["E3"]) == (STRAIGHTEN, TAPE, ENGINEER, RESHOOT, TAPE)
    assert tags["E4"] == ""


@pytest.mark.parametrize("name", NAMES)
def test_every_decision_stands_on_its_runs_sheet(name: str) -> None:
    """Under its bolts, among the shims, the anchors, or as its own sentence; and all of them on the job's sheet."""
    plan = PLANS[name]
    job = " ".join(job_rows(plan).decide)
    for run in plan.runs:
        rows = run_rows(plan, run)
        before = before_drilling(plan, run, rows.holes)
        said = " ".join([*before.engineer, *before.tape, *before.reshoot, *before.anchors, *before.decide])
        said += " ".join(row.mark for row in before.straighten) + " ".join(rows.shim_lines)
        for finding in plan.findings:
            if finding.weight != "decide":
                continue
            assert explain_plan(finding) in job
            if finding.run != run.name and run.name not in finding.corner:
                continue
            if explain_plan(finding) in said:
                continue
            if finding.code.startswith("shim"):
                assert rows.shim_lines
            elif finding.code in ASKS_FOR_ANCHORS and before.anchors:
                continue
            elif finding.marks:
                assert all(mark in said for mark in finding.marks), finding
            else:
                assert before.anchors, finding


def test_a_finding_about_a_bolt_that_has_no_line_is_not_swallowed() -> None:
    plan = PLANS["sure"]
    run = plan.runs[0]
    told = replace(plan, findings=(PlanFinding("bolt-check", run=run.name, marks=("N1", "GONE")),))
    before = before_drilling(told, run, run_rows(told, run).holes)
    assert any("GONE" in line for line in before.decide)


def test_a_sure_plan_has_open_boxes_no_brackets_and_how_far_a_mark_may_be_off() -> None:
    plan = PLANS["sure"]
    for _, row in all_rows(plan):
        assert (row.tag, row.doubtful) == ("", False)
        (note,) = row.notes
        within = re.fullmatch(r"Drill within (.+) of the mark\.", note)
        assert within
        bolt = next(bolt for run in plan.runs for bolt in run.bolts if bolt.mark == row.mark)
        assert bolt.mark_within_mm is not None
        assert 0.0 <= bolt.mark_within_mm - parse_length_mm(within[1]) < MM_PER_INCH / 64.0


@pytest.mark.parametrize(
    ("parts", "told"), [(0.4, "drill right on the mark"), (1.9, "drill right on the mark"), (2.0, "Drill within 1/32")]
)
def test_no_figure_is_given_that_a_wood_bit_cannot_hold(parts: float, told: str) -> None:
    assert told in _within(parts * MM_PER_INCH / 64.0)


def test_a_better_chalk_line_is_told_with_its_way_and_that_this_sheet_is_not_for_it() -> None:
    plan = PLANS["shifted"]
    run = plan.runs[0]
    told = before_drilling(plan, run, run_rows(plan, run).holes).line
    assert told[0] == (
        'Snap the line 3/16" toward the plate all along: N1, N2, N3, N4, N5 and N6 then stand where the rule asks.'
    )
    assert "plan again before drilling" in told[1]
    (job_page,) = [line for line in job_rows(plan).notes if "another chalk line" in line.lower()]
    assert 'Another chalk line, 3/16" toward the plate all along, would bring in' in job_page
    no_line = PLANS["doubtful"].runs[0]
    (nothing,) = before_drilling(PLANS["doubtful"], no_line, run_rows(PLANS["doubtful"], no_line).holes).line
    assert nothing.startswith("N4 does not surely meet")


def test_what_may_not_be_bent_and_what_no_plate_covers_goes_to_the_engineer() -> None:
    plan = PLANS["engineer"]
    run = plan.runs[0]
    past, off = before_drilling(plan, run, run_rows(plan, run).holes).engineer
    assert past.startswith("N3 goes to the engineer. It leans past what may be bent back cold: do not bend it")
    assert off.startswith("N4 goes to the engineer. It stands where no plate covers it")
    tags = {row.name: row.tag for row in run_rows(plan, run).pieces}
    assert set(tags.values()) == {f"{CHECK_ANGLE}, {TAPE_WALL}"}
    assert any("± not known" in line and CHECK_ANGLE in line for line in run_rows(plan, run).ends)


def test_a_taped_outline_is_told_with_what_does_not_agree_and_what_each_diagonal_should_be() -> None:
    lines = job_rows(PLANS["outline"]).outline
    facts = PLANS["outline"].outline
    assert facts is not None
    assert any("DO NOT AGREE" in line for line in lines)
    assert sum(line.startswith("Diagonal") for line in lines) == len(facts.diagonals) == 2
    assert sum(line.startswith("Corner") for line in lines) == len(facts.squareness)
    assert "20' 9\"" in next(line for line in lines if line.startswith("Diagonal 1 to 3"))


def test_lengths_of_pieces_are_the_records_to_the_jobs_own_marks() -> None:
    for name in ("doubtful", "fine marks"):
        plan = PLANS[name]
        for run in plan.runs:
            for row, piece in zip(run_rows(plan, run).pieces, run.pieces, strict=True):
                assert row.name == piece.plate.name
                assert parse_length_mm(row.line_edge) == pytest.approx(piece.line_edge_mm, abs=1e-6)
                assert abs(parse_length_mm(row.far_edge) - piece.far_edge_mm) <= plan.lumber.mark_mm / 2 + 1e-6


def test_the_rules_count_every_check_once_under_its_verdict() -> None:
    plan = PLANS["doubtful"]
    rows = {row.rule: row for row in job_rows(plan).rule_rows}
    across = rows["the middle part of the plate's width"]
    assert (across.meets, across.fails, across.unsure) == ("8", "N4", "E2")
    assert rows["how much larger than the bolt a hole is at most"].meets == "the drill"
    assert any('N4 stands 4 15/16"' in line and "DOES NOT MEET" in line for line in job_rows(plan).rule_lines)


def test_what_takes_a_whole_stick_is_marked_and_factory_ends_are_spoken_of_once() -> None:
    """Stock may not arrive square (NAVEDTRA 14044, p. 1-2)."""
    plan = PLANS["example"]
    ends = {"begins": {"station": "0 in"}, "ends": {"station": "10 ft"}}
    table = a_table(plate={"size": "2x6", "layers": 1}, layout={"stock": ["10 ft"]})
    table = {**table, "run": [{"name": "north", "photos": ["n*.jpg"], **ends}], "corner": []}
    survey = a_survey(bolts("N", (200.0, 1500.0, 2800.0)))
    survey = replace(survey, runs=survey.runs[:1], corners=())
    whole = job_rows(plan_job(survey, some_inputs(table)))
    assert [row.left for row in whole.sticks] == ['0": WHOLE STICK']
    assert "-0.0" not in whole.stock_line
    for told in (whole, job_rows(plan)):
        assert told.stock_line.count("put a square on each end and a tape on each stick") == 1
    for row in job_rows(plan).sticks:
        left_mm = parse_length_mm(row.left.split(":")[0])
        assert ("WHOLE STICK" in row.left) == (left_mm < 12.7)
