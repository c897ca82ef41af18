"""What another chalk line would gain: parallel shifts, turns, the faces of the wall, and runs where nothing does."""

from __future__ import annotations

from dataclasses import replace
from statistics import fmean

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from judge_runs import a_bolt, a_run
from sillwright.judge.checks import across_plate
from sillwright.judge.line_shift import ShiftAdvice, line_shift
from sillwright.judge.overhang import overhang_checks
from sillwright.judge.own_rules import rule_set_from_toml
from sillwright.judge.rules import RuleSet, rule_set
from sillwright.survey import BoltRecord, EdgeRecord, RunRecord

IRC = rule_set("irc-2021")
WIDTH_MM = 150.0  # the middle third is 50 to 100
EVERY_MM = 1000.0
FREE = {"resnap_u95_mm": 0.0, "edge_u95_mm": 0.0}


def run_of(*setbacks_mm: float, u95_mm: float = 0.0, edges: tuple[EdgeRecord, ...] = ()) -> RunRecord:
    """Bolts every metre with these setbacks."""
    bolts = [
        a_bolt(f"N{count}", count * EVERY_MM, setback_mm, u95_mm)
        for count, setback_mm in enumerate(setbacks_mm, start=1)
    ]
    return a_run(bolts, edges, WIDTH_MM)


def advice(run: RunRecord, rules: RuleSet = IRC, **given: float) -> ShiftAdvice:
    found = line_shift(run, rules, **{**FREE, **given})  # type: ignore[arg-type]
    assert found is not None
    return found


def shifted(run: RunRecord, low_mm: float, high_mm: float, ends_mm: tuple[float, float]) -> RunRecord:
    """The run as it would be measured from a line snapped over by so much at either end."""

    def by(at_mm: float) -> float:
        length_mm = ends_mm[1] - ends_mm[0]
        share = (at_mm - ends_mm[0]) / length_mm if length_mm else 0.5
        return low_mm + share * (high_mm - low_mm)

    bolts: list[BoltRecord] = []
    for bolt in run.bolts:
        assert bolt.station_mm is not None
        assert bolt.setback_mm is not None
        bolts.append(replace(bolt, setback_mm=bolt.setback_mm - by(bolt.station_mm)))
    slope = (by(1.0) - by(0.0)) if ends_mm[1] != ends_mm[0] else 0.0
    edges = tuple(EdgeRecord(edge.setback_at_zero_mm - by(0.0), edge.slope - slope) for edge in run.edges)
    return replace(run, bolts=tuple(bolts), edges=edges)


def number_met(run: RunRecord) -> int:
    return sum(across_plate(bolt, WIDTH_MM, IRC)[0].verdict == "meets" for bolt in run.bolts)


def test_a_run_that_meets_is_left_alone() -> None:
    found = advice(run_of(60.0, 75.0, 90.0))
    assert found.meet_now == found.judged == ("N1", "N2", "N3")
    assert found.parallel is not None
    assert (found.parallel.shift_low_mm, found.parallel.shift_high_mm) == (0.0, 0.0)
    assert found.every_bolt_mm == pytest.approx((-10.0, 10.0))
    assert (found.gained, found.nothing_does) == (0, False)


def test_bolts_all_set_too_far_in_move_the_line_in_by_the_least() -> None:
    found = advice(run_of(108.0, 104.0, 90.0))
    assert found.meet_now == ("N3",)
    assert found.every_bolt_mm == pytest.approx((8.0, 40.0))
    assert found.parallel is not None
    assert (found.parallel.shift_low_mm, found.parallel.shift_high_mm) == pytest.approx((8.0, 8.0), abs=1e-4)
    assert found.parallel.meets == ("N1", "N2", "N3")
    assert found.gained == 2


def test_the_sign_is_positive_toward_the_plates_side() -> None:
    low = advice(run_of(40.0, 45.0)).parallel
    assert low is not None
    assert low.shift_low_mm == pytest.approx(-10.0, abs=1e-4)


def test_the_width_of_each_bolt_and_of_the_new_line_is_kept_clear() -> None:
    """3 and 4 mm make 5; the limits are 50 and 100."""
    found = advice(run_of(108.0, 90.0, u95_mm=3.0), resnap_u95_mm=4.0)
    assert found.every_bolt_mm == pytest.approx((13.0, 35.0))
    assert advice(run_of(97.0, u95_mm=3.0)).meet_now == ("N1",)
    assert advice(run_of(97.1, u95_mm=3.0)).meet_now == ()


def test_a_run_that_bears_away_wants_a_turn() -> None:
    """From 55 to 115 in 60 mm: no parallel shift holds both ends, a turn does."""
    found = advice(run_of(55.0, 70.0, 85.0, 100.0, 115.0))
    assert found.every_bolt_mm is None
    assert found.turned is not None
    assert found.turned.meets == found.judged
    assert found.turned.shift_high_mm == pytest.approx(15.0, abs=1e-4)
    assert 0.0 <= found.turned.shift_low_mm <= 5.0 + 1e-4
    assert found.parallel is not None
    assert len(found.parallel.meets) == 4
    assert found.gained == 1


def test_a_turn_for_most_bolts_leaves_out_the_one_beyond_help() -> None:
    found = advice(run_of(55.0, 300.0, 85.0, 100.0, 115.0))
    assert found.turned is not None
    assert found.turned.meets == ("N1", "N3", "N4", "N5")
    assert found.turned.shift_high_mm == pytest.approx(15.0, abs=1e-4)


@settings(max_examples=40, deadline=None)
@given(st.floats(5.0, 60.0), st.floats(-60.0, -5.0))
def test_the_only_line_that_does_is_found(low_mm: float, high_mm: float) -> None:
    """The outer bolts on the far limit and the middle one on the near limit leave one line and no other."""
    at_share = [low_mm + share * (high_mm - low_mm) for share in (0.25, 0.5, 0.75)]  # bolts at 1, 2 and 3 m of 4
    run = run_of(100.0 + at_share[0], 50.0 + at_share[1], 100.0 + at_share[2])
    found = line_shift(run, IRC, (0.0, 4.0 * EVERY_MM), edge_u95_mm=0.0, resnap_u95_mm=0.0)
    assert found is not None
    assert found.turned is not None
    assert found.turned.meets == found.judged
    shifts_mm = (found.turned.shift_low_mm, found.turned.shift_high_mm)
    assert shifts_mm == pytest.approx((low_mm, high_mm), abs=1e-4)


def test_of_many_lines_the_best_is_found() -> None:
    """Every pair of end shifts on a grid of 3 mm, with none that brings in more."""
    random = np.random.default_rng(5)
    grid_mm = np.arange(-150.0, 151.0, 3.0)
    low, high = (axis.ravel()[:, None] for axis in np.meshgrid(grid_mm, grid_mm))
    for _ in range(40):
        setbacks_mm = random.uniform(-20.0, 170.0, 7)
        share = np.linspace(0.0, 1.0, 7)
        moved_mm = setbacks_mm - (low + share * (high - low))
        most = int(((moved_mm >= 50.0) & (moved_mm <= 100.0)).sum(axis=1).max())
        turned = advice(run_of(*setbacks_mm)).turned
        assert turned is not None
        assert len(turned.meets) >= most


def test_where_nothing_does_it_is_said() -> None:
    """The third bolt stands 65 mm out of the line of the others: no straight line has all five in 50 mm."""
    found = advice(run_of(75.0, 75.0, 140.0, 75.0, 75.0))
    assert found.every_bolt_mm is None
    assert found.meet_now == ("N1", "N2", "N4", "N5")
    assert (found.gained, found.nothing_does) == (0, True)
    assert found.turned is not None
    assert found.turned.change_mm == 0.0


def test_a_bolt_beyond_help_does_not_keep_the_others_from_being_brought_in() -> None:
    found = advice(run_of(-60.0, 104.0, 105.0, 106.0))
    assert found.every_bolt_mm is None
    assert found.parallel is not None
    assert found.parallel.meets == ("N2", "N3", "N4")
    assert found.parallel.shift_low_mm == pytest.approx(6.0, abs=1e-4)
    assert found.gained == 3


def test_one_bolt_says_nothing_of_a_turn() -> None:
    found = advice(run_of(110.0))
    assert found.turned is None
    assert found.parallel is not None
    assert found.parallel.shift_low_mm == pytest.approx(10.0, abs=1e-4)


def test_bolts_without_a_setback_to_rely_on_are_named_and_left_out() -> None:
    run = run_of(60.0, 75.0, 90.0)
    bolts = (replace(run.bolts[0], status="reshoot"), run.bolts[1], replace(run.bolts[2], status="check"))
    found = advice(replace(run, bolts=bolts))
    assert (found.judged, found.left_out, found.doubtful) == (("N2", "N3"), ("N1",), ("N3",))
    assert line_shift(replace(run, bolts=bolts[:1]), IRC) is None


def crew(text: str) -> RuleSet:
    return rule_set_from_toml(text, "ours")


@pytest.mark.parametrize(("over_mm", "most_mm"), [(20, 30.0), (5, 15.0), (0, 10.0)])
def test_the_far_face_bounds_the_shift(over_mm: float, most_mm: float) -> None:
    """A wall from -20 to 160: the plate's far edge stands 10 mm inside it."""
    run = run_of(90.0, 95.0, edges=(EdgeRecord(-20.0, 0.0), EdgeRecord(160.0, 0.0)))
    found = advice(run, crew(f'overhang_largest = "{over_mm} mm"'))
    assert found.every_bolt_mm == pytest.approx((-5.0, most_mm))
    assert found.faces_held_now


def test_the_width_of_an_edge_is_kept_clear_on_both_sides() -> None:
    run = run_of(75.0, 75.0, edges=(EdgeRecord(-10.0, 0.0), EdgeRecord(160.0, 0.0)))
    found = advice(run, crew('overhang_largest = "5 mm"'), edge_u95_mm=3.0)
    assert found.every_bolt_mm == pytest.approx((-10.0 - 5.0 + 3.0, 10.0 + 5.0 - 3.0))


def test_bearing_bounds_the_shift_on_the_lines_side() -> None:
    """140 of 150 mm on concrete that begins at 5: the line may go out by 5 at most."""
    run = run_of(60.0, 65.0, edges=(EdgeRecord(5.0, 0.0), EdgeRecord(300.0, 0.0)))
    found = advice(run, crew('bearing_least = "140 mm"'))
    assert found.every_bolt_mm == pytest.approx((-5.0, 10.0))


def test_a_wall_too_narrow_for_the_limits_has_no_line() -> None:
    run = run_of(75.0, 75.0, edges=(EdgeRecord(20.0, 0.0), EdgeRecord(130.0, 0.0)))
    for text in ('overhang_largest = "10 mm"', 'bearing_least = "140 mm"'):
        found = advice(run, crew(text))
        assert (found.every_bolt_mm, found.parallel, found.turned, found.faces_held_now) == (None, None, None, False)


def test_faces_that_were_not_seen_are_named_where_a_limit_is_set() -> None:
    run = run_of(75.0, 75.0, edges=(EdgeRecord(-20.0, 0.0),))
    assert advice(run, crew('overhang_largest = "10 mm"')).faces_unseen == ("far side",)
    assert advice(run).faces_unseen == ()


def test_the_faces_come_first_where_they_do_not_hold_now() -> None:
    """The plate hangs over by 20; a line that keeps to 10 loses the bolt that meets now."""
    run = run_of(55.0, 110.0, edges=(EdgeRecord(-200.0, 0.0), EdgeRecord(130.0, 0.0)))
    found = advice(run, crew('overhang_largest = "10 mm"'))
    assert not found.faces_held_now
    assert found.parallel is not None
    assert found.parallel.shift_low_mm <= -10.0 + 1e-4
    assert found.meet_now == ("N1",)


def test_without_a_rule_across_the_bolt_is_to_stand_whole_under_the_plate() -> None:
    rules = replace(rule_set("nbc-2020"), plate_edge_least=None)
    found = advice(run_of(4.0, 75.0), rules)
    assert found.every_bolt_mm == pytest.approx((75.0 + 6.35 - 150.0, 4.0 - 6.35))


def test_without_a_rule_across_the_bolt_is_to_keep_from_the_plates_edges() -> None:
    """NDS Table 12.5.1C: 1 1/2 diameters, 19.05 mm."""
    found = advice(run_of(4.0, 75.0), rule_set("nbc-2020"))
    assert found.every_bolt_mm == pytest.approx((75.0 + 19.05 - 150.0, 4.0 - 19.05))


SETBACKS = st.lists(st.floats(-20.0, 170.0), min_size=2, max_size=7)


@settings(max_examples=60, deadline=None)
@given(SETBACKS, st.floats(0.0, 5.0))
def test_the_bolts_named_do_meet_when_measured_from_the_new_line(setbacks_mm: list[float], u95_mm: float) -> None:
    run = run_of(*setbacks_mm, u95_mm=u95_mm)
    found = advice(run)
    for line in (found.parallel, found.turned):
        assert line is not None
        moved = shifted(run, line.shift_low_mm, line.shift_high_mm, (found.low_mm, found.high_mm))
        for bolt in moved.bolts:
            if bolt.mark in line.meets:
                assert bolt.setback_mm is not None
                assert 50.0 + u95_mm - 1e-3 <= bolt.setback_mm <= 100.0 - u95_mm + 1e-3


@settings(max_examples=60, deadline=None)
@given(SETBACKS, st.floats(-150, 150), st.floats(-150, 150))
def test_no_other_line_brings_in_more_bolts(setbacks_mm: list[float], low_mm: float, high_mm: float) -> None:
    """Any line at all, drawn at random, against the best of each kind."""
    run = run_of(*setbacks_mm)
    found = advice(run)
    assert found.parallel is not None
    assert found.turned is not None
    ends_mm = (found.low_mm, found.high_mm)
    assert number_met(shifted(run, low_mm, low_mm, ends_mm)) <= len(found.parallel.meets)
    assert number_met(shifted(run, low_mm, high_mm, ends_mm)) <= len(found.turned.meets)
    assert len(found.parallel.meets) <= len(found.turned.meets)


@settings(max_examples=60, deadline=None)
@given(SETBACKS, st.floats(-1, 1), st.floats(-1, 1))
def test_no_smaller_change_brings_in_as_many(setbacks_mm: list[float], low: float, high: float) -> None:
    run = run_of(*setbacks_mm)
    found = advice(run)
    assert found.turned is not None
    assert found.parallel is not None
    ends_mm = (found.low_mm, found.high_mm)
    for line, other in ((found.parallel, low), (found.turned, high)):
        reach_mm = max(line.change_mm - 1e-3, 0.0)
        if reach_mm > 0.0:
            tried = shifted(run, low * reach_mm, other * reach_mm, ends_mm)
            assert number_met(tried) < len(line.meets)


@settings(max_examples=60, deadline=None)
@given(SETBACKS, st.floats(-60, 40), st.floats(100, 220), st.floats(-0.01, 0.01), st.integers(0, 30))
def test_a_line_that_is_offered_keeps_to_the_faces(
    setbacks_mm: list[float], near_mm: float, far_mm: float, slope: float, over_mm: int
) -> None:
    rules = crew(f'overhang_largest = "{over_mm} mm"')
    run = run_of(*setbacks_mm, edges=(EdgeRecord(near_mm, slope), EdgeRecord(far_mm, slope)))
    # An edge's side is told by the bolts: with their middle on the edge itself, the line moved over may turn it about.
    middle_mm, slant_mm = fmean(setbacks_mm), slope * fmean(bolt.station_mm or 0.0 for bolt in run.bolts)
    assume(min(abs(middle_mm - slant_mm - near_mm), abs(middle_mm - slant_mm - far_mm)) > 1e-6)
    found = advice(run, rules)
    ends_mm = (found.low_mm, found.high_mm)
    for line in (found.parallel, found.turned):
        if line is not None:
            moved = shifted(run, line.shift_low_mm, line.shift_high_mm, ends_mm)
            over = [check.measured_mm for check in overhang_checks(moved, rules, ends_mm, 0.0)]
            assert all(mm is None or mm <= over_mm + 1e-3 for mm in over)
