"""Runs and pieces held against the rules: at, just inside and just outside each limit, and within a width of it."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from judge_runs import CENTRED_MM, INCH, a_bolt, a_run, bolts_at_in, piece_in
from sillwright.judge.checks import (
    across_plate,
    bolt_diameter,
    check_piece,
    check_run,
    concrete_edges,
    plate_edge,
    spacing,
)
from sillwright.judge.ends import piece_checks
from sillwright.judge.passes import HolePlace
from sillwright.judge.rules import RuleSet, rule_set
from sillwright.judge.steps import Piece, derived_step_u95_mm, from_end_mm, on_piece
from sillwright.judge.verdicts import Bound, Check, Verdict, verdict_of
from sillwright.survey import BoltU95, EdgeRecord, Finding

IRC, IBC, NBC = rule_set("irc-2021"), rule_set("ibc-2308"), rule_set("nbc-2020")
WALL = (EdgeRecord(-30.0, 0.0), EdgeRecord(170.0, 0.0))


def verdicts(checks: tuple[Check, ...], key: str) -> list[Verdict]:
    return [check.verdict for check in checks if check.key == key]


def piece_meets(stations_in: tuple[float, ...], length_in: float, rules: RuleSet, diameter_mm: float = 12.7) -> bool:
    run = a_run(bolts_at_in(*stations_in, diameter_mm=diameter_mm))
    return all(check.verdict == "meets" for check in check_piece(run, piece_in(0.0, length_in), rules))


# The guard band


@pytest.mark.parametrize(
    ("measured_mm", "u95_mm", "bound", "verdict"),
    [
        (100.0, 0.0, "at least", "meets"),
        (100.0, 0.0, "at most", "meets"),
        (99.99, 0.0, "at least", "does not"),
        (100.01, 0.0, "at most", "does not"),
        (100.5, 0.5, "at least", "meets"),
        (100.49, 0.5, "at least", "cannot tell"),
        (99.51, 0.5, "at least", "cannot tell"),
        (99.49, 0.5, "at least", "does not"),
        (99.5, 0.5, "at most", "meets"),
        (100.49, 0.5, "at most", "cannot tell"),
        (100.51, 0.5, "at most", "does not"),
        (100.0, None, "at most", "cannot tell"),
        (None, 0.5, "at most", "cannot tell"),
    ],
)
def test_a_number_within_its_width_of_a_limit_cannot_be_told(
    measured_mm: float | None, u95_mm: float | None, bound: Bound, verdict: Verdict
) -> None:
    """JCGM 106:2012, guard bands on both sides."""
    assert verdict_of(measured_mm, u95_mm, 100.0, bound) == verdict


# Spacing, ends and number: the limit tests of the published rules


@pytest.mark.parametrize(
    ("stations_in", "length_in", "rules", "diameter_mm", "meets"),
    [
        ((12.0, 84.0), 96.0, IRC, 12.7, True),  # all limits at once
        ((11.9, 84.1), 96.0, IRC, 12.7, False),  # a gap of 72.2
        ((12.0, 84.0), 96.0625, IRC, 12.7, False),  # 1/16 longer needs a third bolt
        ((12.0, 48.0, 84.0625), 96.0625, IRC, 12.7, True),
        ((3.4, 40.0), 52.0, IRC, 12.7, False),  # under 7D = 3.5
        ((3.5, 40.0), 52.0, IRC, 12.7, True),
        ((3.4, 40.0), 52.0, IBC, 12.7, False),
        ((3.75, 40.0), 52.0, IRC, 12.7, True),
        ((3.75, 40.0), 52.0, IBC, 12.7, False),
        ((4.0, 40.0), 52.0, IBC, 12.7, True),
        ((4.0, 40.0), 52.0, IRC, 12.7, True),
        ((4.0, 40.0), 52.0, IRC, 15.875, False),  # 7D = 4.375
        ((3.5, 20.5), 24.0, IRC, 12.7, True),  # two bolts in 24 in
        ((12.0,), 24.0, IRC, 12.7, False),  # one bolt is not two
        ((), 24.0, IRC, 12.7, False),
    ],
)
def test_the_limits_of_ends_gaps_and_number(
    stations_in: tuple[float, ...], length_in: float, rules: RuleSet, diameter_mm: float, meets: bool
) -> None:
    """IRC R403.1.6 and IBC 2308.3.1 by arithmetic, a 2x6 with bolts on its middle."""
    ends = piece_checks(a_run(bolts_at_in(*stations_in, diameter_mm=diameter_mm)), piece_in(0.0, length_in), rules)
    gaps = spacing(a_run(bolts_at_in(*stations_in)), rules)
    assert all(check.verdict == "meets" for check in (*ends, *gaps)) is meets


@pytest.mark.parametrize(("joint_in", "left", "right"), [(192.0, False, False), (200.0, True, False)])
def test_a_joint_needs_a_bolt_within_reach_on_both_sides(joint_in: float, left: bool, right: bool) -> None:
    """Bolts 60 in apart from 10 to 430 in, and one at 470: 192 in fails on both sides, 200 in on the right one only."""
    run = a_run(bolts_at_in(*range(10, 440, 60), 470))
    found = [
        all(check.verdict == "meets" for check in piece_checks(run, piece, IRC) if check.key.startswith("end"))
        for piece in (piece_in(0.0, joint_in), piece_in(joint_in, 480.0))
    ]
    assert found == [left, right]


@pytest.mark.parametrize("added_in", [203.5, 212.0])
def test_a_bolt_added_within_reach_makes_the_joint_good(added_in: float) -> None:
    run = a_run(bolts_at_in(*range(10, 440, 60), 470, added_in))
    assert set(verdicts(piece_checks(run, piece_in(200.0, 480.0), IRC), "end-largest")) == {"meets"}
    assert set(verdicts(piece_checks(run, piece_in(200.0, 480.0), IRC), "end-least")) == {"meets"}


def test_a_bolt_too_near_the_end_does_no_harm_where_the_next_one_serves() -> None:
    run = a_run(bolts_at_in(2.0, 8.0, 40.0))
    low = [check for check in piece_checks(run, piece_in(0.0, 48.0), IRC) if check.other == "low end"]
    assert [(check.subject, check.verdict) for check in low] == [("N2", "meets"), ("N2", "meets")]


def test_an_end_that_fails_is_told_by_the_bolt_nearest_to_it() -> None:
    run = a_run(bolts_at_in(2.0, 40.0))
    low = [check for check in piece_checks(run, piece_in(0.0, 48.0), IRC) if check.other == "low end"]
    assert [(check.key, check.subject, check.verdict) for check in low] == [
        ("end-largest", "N1", "meets"),
        ("end-least", "N1", "does not"),
    ]


def test_canada_asks_for_nothing_but_diameter_and_spacing_and_nds_for_the_plates_edge() -> None:
    """NBC 9.23.6.1.(2): 2.4 m; NDS Table 12.5.1C."""
    run = a_run([a_bolt("N1", 100.0), a_bolt("N2", 2500.0), a_bolt("N3", 4900.1)])
    checks = check_run(run, NBC, [Piece("P1", 0.0, 6000.0)])
    assert {check.key for check in checks} == {"bolt-diameter", "spacing", "plate-edge"}
    assert verdicts(checks, "spacing") == ["meets", "does not"]


def test_a_piece_is_judged_by_the_bolts_on_it_and_a_run_over_its_joints() -> None:
    run = a_run(bolts_at_in(10.0, 80.0, 153.0))
    pieces = [piece_in(0.0, 90.0), piece_in(90.0, 163.0)]
    assert verdicts(check_piece(run, pieces[0], IRC), "spacing") == ["meets"]
    assert verdicts(check_run(run, IRC, pieces), "spacing") == ["meets", "does not"]
    assert [check.count for check in check_run(run, IRC, pieces) if check.key == "bolts-a-piece"] == [2, 1]


def test_every_check_tells_its_source_limit_and_measure() -> None:
    (gap,) = spacing(a_run(bolts_at_in(12.0, 80.0, u95_mm=1.0)), IRC)
    assert (gap.subject, gap.other, gap.bound, gap.u95_from) == ("N1", "N2", "at most", "derived")
    assert (gap.measured_mm, gap.limit_mm) == pytest.approx((68.0 * INCH, 72.0 * INCH))
    assert gap.source.section == "R403.1.6"


# Widths of steps


def test_a_stated_width_of_a_step_is_used_and_named() -> None:
    bolts = bolts_at_in(0.0, 71.0, u95_mm=20.0)
    assert [(c.verdict, c.u95_from) for c in spacing(a_run(bolts), IRC)] == [("cannot tell", "derived")]
    assert [(c.verdict, c.u95_from) for c in spacing(a_run(bolts), IRC, 1.0)] == [("meets", "stated")]


def test_the_print_scale_counts_over_the_step_and_not_over_the_whole_run() -> None:
    """0.24 % at 10 m is 24 mm on each station and 2.4 mm on a step of 1 m."""
    first, second = (
        replace(a_bolt(mark, at_mm), u95=BoltU95(station_mm=math.hypot(0.5, 0.0024 * at_mm), setback_mm=0.5))
        for mark, at_mm in (("N1", 10_000.0), ("N2", 11_000.0))
    )
    assert derived_step_u95_mm(first, second, 0.0024) == pytest.approx(math.hypot(1.0, 2.4))
    assert derived_step_u95_mm(first, second, 0.0) == pytest.approx(first.u95.station_mm + second.u95.station_mm)


@given(
    st.floats(-500, 20_000), st.floats(-500, 20_000), st.floats(0.1, 3), st.floats(0.1, 3),
    st.floats(0, 0.005), st.floats(-1, 1),
)  # fmt: skip
def test_the_derived_width_holds_for_any_correlation(
    at_mm: float, to_mm: float, own_mm: float, other_mm: float, ratio: float, correlation: float
) -> None:
    """Errors own + scale times station, the scale shared, the own parts correlated in any way."""
    bolts = [
        replace(a_bolt(station_mm=at), u95=BoltU95(station_mm=math.hypot(own, ratio * at), setback_mm=0.0))
        for at, own in ((at_mm, own_mm), (to_mm, other_mm))
    ]
    variance = own_mm**2 + other_mm**2 + 2 * correlation * own_mm * other_mm + (ratio * (to_mm - at_mm)) ** 2
    found = derived_step_u95_mm(bolts[0], bolts[1], ratio)
    assert found is not None
    assert found >= math.sqrt(variance) - 1e-6


def test_the_own_part_of_a_station_is_never_under_the_setbacks() -> None:
    """A scale taken too wide must not eat up all of a station's width."""
    first, second = (
        replace(a_bolt(mark, at), u95=BoltU95(station_mm=1.0, setback_mm=0.8))
        for mark, at in (("N1", 5000.0), ("N2", 5010.0))
    )
    found = derived_step_u95_mm(first, second, 0.01)
    assert found is not None
    assert found >= 1.6


@pytest.mark.parametrize(
    ("end_in", "verdict"), [(11.5, "meets"), (11.97, "cannot tell"), (12.03, "cannot tell"), (12.1, "does not")]
)
def test_an_end_within_the_bolts_width_of_the_limit_cannot_be_told(end_in: float, verdict: Verdict) -> None:
    run = a_run(bolts_at_in(end_in, 40.0, u95_mm=1.0))
    assert verdicts(piece_checks(run, piece_in(0.0, 48.0), IRC), "end-largest")[0] == verdict


def test_a_mitred_end_is_measured_on_the_bolts_own_line() -> None:
    """A 45 degree cut moves the end by the setback; the setback's width comes in with it."""
    bolt = a_bolt("N1", 300.0, u95_mm=1.0)
    longer, shorter = (Piece("P1", 0.0, 2000.0, low_cut_deg=cut) for cut in (45.0, -45.0))
    assert from_end_mm(bolt, longer, "low end", 0.0) == pytest.approx((300.0 + CENTRED_MM, 2.0))
    assert from_end_mm(bolt, shorter, "low end", 0.0) == pytest.approx((300.0 - CENTRED_MM, 2.0))
    assert from_end_mm(bolt, shorter, "high end", 0.0) == pytest.approx((1700.0, 1.0))


def test_on_a_mitred_end_a_bolt_without_a_setback_has_no_sure_distance() -> None:
    mitred = Piece("P1", 0.0, 2000.0, low_cut_deg=45.0)
    for bolt in (a_bolt(setback_mm=None), replace(a_bolt(), u95=BoltU95(station_mm=0.5))):
        away = from_end_mm(bolt, mitred, "low end", 0.0)
        assert away is not None
        assert away[1] is None


# Bolts that may not count


def test_a_bolt_that_no_plate_covers_holds_no_plate() -> None:
    inside, outside = a_bolt("N2", 1000.0), a_bolt("N2", 1000.0, setback_mm=3.0)
    ends = (a_bolt("N1", 100.0), a_bolt("N3", 2000.0))
    assert verdicts(spacing(a_run((*ends, inside)), IRC), "spacing") == ["meets", "meets"]
    assert verdicts(spacing(a_run((*ends, outside)), IRC), "spacing") == ["does not"]


def test_a_bolt_to_reshoot_leaves_all_that_rests_on_it_open() -> None:
    bolts = (a_bolt("N1", 100.0), a_bolt("N2", 1000.0, status="reshoot"), a_bolt("N3", 2000.0))
    checks = check_run(a_run(bolts), IRC, [Piece("P1", 0.0, 2100.0)])
    assert verdicts(checks, "spacing") == ["cannot tell", "cannot tell"]
    assert verdicts(checks, "across") == ["meets", "cannot tell", "meets"]
    assert verdicts(checks, "end-largest") == ["meets", "meets"]


def test_a_bolt_without_a_station_may_be_the_one_that_is_lacking() -> None:
    lost = a_bolt("N9", None, None, status="reshoot")
    lone = a_bolt("N1", 100.0)
    far = a_bolt("N2", 2500.0)
    piece = Piece("P1", 0.0, 2000.0)
    with_it, without = (piece_checks(a_run(bolts), piece, IRC) for bolts in ((lone, far, lost), (lone, far)))
    assert verdicts(without, "bolts-a-piece") == ["does not"]
    assert verdicts(with_it, "bolts-a-piece") == ["cannot tell"]
    assert verdicts(without, "end-largest") == ["meets", "does not"]
    assert verdicts(with_it, "end-largest") == ["meets", "cannot tell"]
    assert verdicts(spacing(a_run((lone, far)), IRC), "spacing") == ["does not"]
    assert verdicts(spacing(a_run((lone, far, lost)), IRC), "spacing") == ["cannot tell"]


def test_a_piece_without_any_bolt_fails_at_both_ends() -> None:
    checks = piece_checks(a_run(bolts_at_in(100.0)), piece_in(0.0, 48.0), IRC)
    assert verdicts(checks, "end-largest") == ["does not", "does not"]
    assert {check.measured_mm for check in checks} == {None}


def test_a_bolt_on_the_joint_counts_for_neither_piece_surely() -> None:
    bolt = a_bolt("N1", 1000.0, u95_mm=1.0)
    pieces = Piece("P1", 0.0, 1000.5), Piece("P2", 1000.5, 2000.0)
    assert [on_piece(bolt, piece, 0.0) for piece in pieces] == ["cannot tell", "cannot tell"]
    assert [on_piece(a_bolt("N1", 998.0, u95_mm=1.0), piece, 0.0) for piece in pieces] == ["meets", "does not"]


def test_what_rests_on_a_bolt_to_check_says_so() -> None:
    bolts = (a_bolt("N1", 100.0), a_bolt("N2", 1000.0, status="check"))
    checks = check_run(a_run(bolts), IRC, [Piece("P1", 0.0, 1100.0)])
    about_n2 = [check for check in checks if "N2" in (check.subject, check.other) or check.key == "bolts-a-piece"]
    assert about_n2
    assert all(check.doubtful for check in about_n2)
    assert not any(check.doubtful for check in checks if check not in about_n2)


# Short walls


@pytest.mark.parametrize(
    ("length_in", "stations_in", "meets"),
    [
        (12.0, (), True),
        (12.1, (), False),
        (24.0, (8.0,), True),
        (24.0, (7.9,), False),
        (24.0, (16.0,), True),
        (24.0, (16.1,), False),
        (24.1, (12.0,), False),
    ],
)
def test_a_short_wall_needs_one_bolt_in_its_middle_third_or_none(
    length_in: float, stations_in: tuple[float, ...], meets: bool
) -> None:
    """IRC R403.1.6, exceptions: 24 in and 12 in."""
    for from_in in (0.0, 100.0):
        run = a_run(bolts_at_in(*(from_in + at for at in stations_in)))
        checks = piece_checks(run, piece_in(from_in, from_in + length_in, short_wall=True), IRC)
        assert all(check.verdict == "meets" for check in checks) is meets


def test_a_short_piece_of_a_longer_wall_is_not_excused() -> None:
    assert "does not" in verdicts(piece_checks(a_run(()), piece_in(0.0, 12.0), IRC), "bolts-a-piece")


# Across the plate, diameter, the concrete's edge


@pytest.mark.parametrize("width_in", [3.5, 5.5, 7.25, 9.25, 11.25])
@pytest.mark.parametrize(
    ("inside_mm", "u95_mm", "verdict"),
    [(0.0, 0.0, "meets"), (0.01, 0.0, "meets"), (-0.01, 0.0, "does not"), (0.4, 0.5, "cannot tell")],
)
def test_the_bolts_centre_lies_in_the_middle_third(
    width_in: float, inside_mm: float, u95_mm: float, verdict: Verdict
) -> None:
    """IRC R403.1.6: bolts are located in the middle third of the width of the plate."""
    width_mm = width_in * INCH
    for setback_mm in (width_mm / 3.0 + inside_mm, 2.0 * width_mm / 3.0 - inside_mm):
        (check,) = across_plate(a_bolt(setback_mm=setback_mm, u95_mm=u95_mm), width_mm, IRC)
        assert check.verdict == verdict
        assert check.limit_mm == pytest.approx(setback_mm, abs=0.5)


def test_a_leaning_bolt_is_judged_where_its_hole_goes() -> None:
    """The foot stands 1 mm inside the middle third, the hole 1 mm outside; a hole sure to 2 mm cannot be told."""
    bolt = a_bolt("N1", setback_mm=139.7 / 3.0 + 1.0)
    for u95_mm, verdict in ((0.0, "does not"), (2.0, "cannot tell")):
        hole = HolePlace("N1", 400.0, 139.7 / 3.0 - 1.0, 0.0, u95_mm)
        assert verdicts(check_run(a_run((bolt,)), IRC), "across") == ["meets"]
        assert verdicts(check_run(a_run((bolt,)), IRC, holes={"N1": hole}), "across") == [verdict]


@pytest.mark.parametrize(("diameter_mm", "verdict"), [(12.7, "meets"), (12.0, "does not"), (15.875, "meets")])
def test_a_bolt_is_half_an_inch_at_least(diameter_mm: float, verdict: Verdict) -> None:
    (check,) = bolt_diameter(a_bolt(diameter_mm=diameter_mm), IRC)
    assert check.verdict == verdict


def test_a_stated_diameter_that_the_photos_deny_cannot_be_told() -> None:
    (check,) = bolt_diameter(replace(a_bolt(), reasons=(Finding("diameter-off"),)), IRC)
    assert check.verdict == "cannot tell"


@pytest.mark.parametrize(
    ("setback_mm", "near", "far"),
    [
        (14.45, "meets", "meets"),
        (14.44, "does not", "meets"),
        (125.55, "meets", "meets"),
        (125.56, "meets", "does not"),
    ],
)
def test_the_concretes_edge_is_kept_clear_on_both_sides(setback_mm: float, near: Verdict, far: Verdict) -> None:
    """IBC 1905.1.8: 1 3/4 in, 44.45 mm; the wall's top runs from -30 to 170 mm."""
    bolt = a_bolt(setback_mm=setback_mm)
    checks = concrete_edges(bolt, a_run((bolt,), WALL), IBC, edge_u95_mm=0.0)
    assert [(check.other, check.verdict) for check in checks] == [("chalk-line side", near), ("far side", far)]


@pytest.mark.parametrize(
    ("setback_mm", "u95_mm", "side", "verdict"),
    [
        (19.05, 0.0, "chalk-line side", "meets"),
        (19.04, 0.0, "chalk-line side", "does not"),
        (19.04, 0.1, "chalk-line side", "cannot tell"),
        (120.65, 0.0, "far side", "meets"),
        (120.66, 0.0, "far side", "does not"),
        (120.64, 0.1, "far side", "cannot tell"),
    ],
)
def test_a_bolt_keeps_one_and_a_half_diameters_from_either_edge_of_the_plate(
    setback_mm: float, u95_mm: float, side: str, verdict: Verdict
) -> None:
    """NDS Table 12.5.1C: 3/4 in, 19.05 mm, for a 1/2 in bolt; the plate is 139.7 mm wide."""
    bolt = a_bolt(setback_mm=setback_mm)
    bolt = replace(bolt, u95=replace(bolt.u95, setback_mm=u95_mm))
    (check,) = plate_edge(bolt, 139.7, NBC)
    assert (check.other, check.verdict) == (side, verdict)
    assert plate_edge(bolt, 139.7, IRC) == ()


def test_an_edge_not_seen_cannot_be_judged_and_widens_what_is() -> None:
    bolt = a_bolt(setback_mm=15.0)
    near, far = concrete_edges(bolt, a_run((bolt,), WALL[:1]), IBC)
    assert (near.verdict, far.verdict, far.measured_mm) == ("cannot tell", "cannot tell", None)
    assert concrete_edges(bolt, a_run((bolt,), WALL), IRC) == ()


@given(st.lists(st.floats(0, 480), min_size=0, max_size=9), st.floats(20, 480))
def test_a_piece_meets_exactly_where_the_plain_reading_of_the_rule_is_met(
    stations_in: list[float], length_in: float
) -> None:
    """IRC R403.1.6 written out: two bolts on the piece, at each end one in [3.5, 12] in, gaps up to 72 in."""
    on_it = sorted(at for at in stations_in if at <= length_in)
    margins = [abs(abs(at - end) - limit) for at in stations_in for end in (0.0, length_in) for limit in (0, 3.5, 12)]
    gaps = [high - low for low, high in pairwise(on_it)]
    if min([*margins, *[abs(gap - 72.0) for gap in gaps], 1.0]) < 1e-6:
        return
    low_end = any(3.5 <= at <= 12.0 for at in on_it)
    high_end = any(3.5 <= length_in - at <= 12.0 for at in on_it)
    plain = len(on_it) >= 2 and low_end and high_end and all(gap <= 72.0 for gap in gaps)
    assert piece_meets(tuple(stations_in), length_in, IRC) is plain
