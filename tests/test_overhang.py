"""The plate against the faces of the wall: overhang and bearing, and faces that were not seen."""

from __future__ import annotations

from dataclasses import replace

import pytest

from judge_runs import a_bolt, a_run
from plate_jobs import a_survey, layout, some_inputs
from sillwright.judge.overhang import NO_FIGURE, faces, overhang_checks, unseen_sides
from sillwright.judge.own_rules import rule_set_from_toml
from sillwright.judge.rules import RuleSet, rule_set
from sillwright.judge.verdicts import Check, Verdict
from sillwright.plates.plan import plan_job
from sillwright.survey import EdgeRecord
from sillwright.tell.plate_job_rows import job_rows

IRC = rule_set("irc-2021")
WALL = (EdgeRecord(-30.0, 0.0), EdgeRecord(170.0, 0.0))


def verdicts(checks: tuple[Check, ...], key: str) -> list[Verdict]:
    return [check.verdict for check in checks if check.key == key]


def crew(text: str) -> RuleSet:
    return rule_set_from_toml(text, "ours")


@pytest.mark.parametrize(
    ("edge_mm", "verdict"), [(12.7, "meets"), (12.71, "does not"), (12.69, "meets"), (-30.0, "meets")]
)
def test_overhang_is_held_to_the_crews_limit(edge_mm: float, verdict: Verdict) -> None:
    """No figure was found in the IRC: the limit is the crew's own (common practice, no source)."""
    rules = crew('overhang_largest = "1/2 in"')
    near_side = a_run((a_bolt(),), (EdgeRecord(edge_mm, 0.0), EdgeRecord(200.0, 0.0)))
    far_side = a_run((a_bolt(),), (EdgeRecord(-40.0, 0.0), EdgeRecord(139.7 - edge_mm, 0.0)))
    assert verdicts(overhang_checks(near_side, rules, (0.0,), 0.0), "overhang") == [verdict, "meets"]
    assert verdicts(overhang_checks(far_side, rules, (0.0,), 0.0), "overhang") == ["meets", verdict]


def test_overhang_is_judged_where_it_is_worst() -> None:
    run = a_run((a_bolt(),), (EdgeRecord(-10.0, 0.01), EdgeRecord(200.0, 0.0)))
    near, _ = overhang_checks(run, crew('overhang_largest = "10 mm"'), (0.0, 3000.0), 0.0)
    assert (near.measured_mm, near.verdict) == (pytest.approx(20.0), "does not")


def test_without_a_limit_an_overhang_is_told_and_not_judged() -> None:
    """No figure was found in the IRC."""
    over = a_run((a_bolt(),), (EdgeRecord(10.0, 0.0), EdgeRecord(200.0, 0.0)))
    (check,) = overhang_checks(over, IRC, (0.0,))
    assert (check.verdict, check.limit_mm, check.source) == ("cannot tell", None, NO_FIGURE)
    assert overhang_checks(a_run((a_bolt(),), WALL), IRC, (0.0,)) == ()
    perhaps = a_run((a_bolt(),), (EdgeRecord(-4.9, 0.0), EdgeRecord(200.0, 0.0)))
    assert [check.other for check in overhang_checks(perhaps, IRC, (0.0,), 5.0)] == ["chalk-line side"]


def test_what_is_said_of_a_run_to_check_is_marked() -> None:
    run = a_run((a_bolt(),), WALL)
    rules = crew('overhang_largest = "1/2 in"')
    assert not any(check.doubtful for check in overhang_checks(run, rules, (0.0,)))
    assert all(check.doubtful for check in overhang_checks(replace(run, status="check"), rules, (0.0,)))


def test_a_limit_for_a_side_that_was_not_seen_is_not_passed_over() -> None:
    checks = overhang_checks(a_run((a_bolt(),), WALL[:1]), crew('overhang_largest = "1/2 in"'), (0.0,))
    assert [(check.other, check.verdict) for check in checks] == [
        ("chalk-line side", "meets"),
        ("far side", "cannot tell"),
    ]


@pytest.mark.parametrize(("least", "verdict"), [("119.7 mm", "meets"), ("119.8 mm", "does not")])
def test_bearing_is_what_both_overhangs_leave(least: str, verdict: Verdict) -> None:
    run = a_run((a_bolt(),), (EdgeRecord(5.0, 0.0), EdgeRecord(124.7, 0.0)))
    checks = overhang_checks(run, crew(f'bearing_least = "{least}"'), (0.0,), 0.0)
    assert verdicts(checks, "bearing") == [verdict]


def test_faces_are_told_apart_by_the_bolts_between_them() -> None:
    """An edge on the plate's side of the line is still the line's edge where all bolts stand beyond it."""
    run = a_run((a_bolt(),), (EdgeRecord(30.0, 0.0), EdgeRecord(200.0, 0.0)))
    found = faces(run)
    assert (found.line_side, found.far_side) == run.edges
    assert faces(a_run((a_bolt(),), WALL[1:])).line_side is None
    strayed = a_bolt(setback_mm=-5000.0, status="reshoot")
    assert faces(a_run((a_bolt(), strayed), WALL)).line_side == WALL[0]


def test_the_sides_whose_edge_was_not_seen_are_named() -> None:
    assert unseen_sides(a_run((a_bolt(),), WALL)) == ()
    assert unseen_sides(a_run((a_bolt(),), WALL[:1])) == ("far side",)
    assert unseen_sides(a_run((a_bolt(),))) == ("chalk-line side", "far side")


@pytest.mark.parametrize("stated", [True, False])
def test_edges_that_no_photo_shows_are_told_of_once_for_the_job_as_a_note(stated: bool) -> None:
    """With a limit to hold it to, each run has a check that cannot be told."""
    inputs = some_inputs(layout(**({"overhang": "1/2 in"} if stated else {})))
    inputs = replace(inputs, rules=crew('overhang_largest = "1/2 in"')) if stated else inputs
    plan = plan_job(a_survey(), inputs)
    found = [(one.code, one.weight, one.facts) for one in plan.findings if one.code.startswith("overhang")]
    if stated:
        assert [(code, weight) for code, weight, _ in found] == [("overhang-unsure", "decide")] * 2
        return
    assert found == [("overhang-not-seen", "note", ("north", "east"))]
    (line,) = [note for note in job_rows(plan).notes if "hangs over" in note]
    assert "along north and east" in line


def test_where_every_edge_was_seen_no_note_is_made_of_it() -> None:
    survey = a_survey()
    runs = tuple(replace(run, edges=WALL) for run in survey.runs)
    plan = plan_job(replace(survey, runs=runs), some_inputs())
    assert not [one for one in plan.findings if one.code.startswith("overhang")]
