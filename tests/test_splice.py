"""The splice plan of a first plate: the rule at its limits, worked walls, and the best plan against all plans."""

from __future__ import annotations

import itertools
import math
import random
import time
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from all_splices import EPS, IN, best_of_all, fewest_to_add, inside_window, random_case, value
from sillwright.errors import JobError
from sillwright.plates.splice import AnchorRule, RunBolt, SplicePlan, SpliceRun, plan_splices

FT = 304.8
SIXTEENTH = IN / 16.0
IRC = AnchorRule()


def bolts(*inches: float, u95_mm: float = 0.0) -> tuple[RunBolt, ...]:
    return tuple(RunBolt(f"N{index}", inch * IN, u95_mm) for index, inch in enumerate(inches, 1))


def run(length_in: float, *inches: float, u95_mm: float = 0.0) -> SpliceRun:
    return SpliceRun("north", 0.0, length_in * IN, bolts(*inches, u95_mm=u95_mm))


def codes(plan: SplicePlan) -> list[str]:
    return [finding.code for finding in plan.findings]


def joints_in(plan: SplicePlan) -> list[float]:
    return [joint.station_mm / IN for joint in plan.joints]


@pytest.mark.parametrize("block", range(10))
def test_the_plan_is_the_best_of_all_plans(block: int) -> None:
    """Every set of joints on the same marks, each piece judged by walking it from end to end: 500 drawn runs."""
    for seed in range(block * 50, block * 50 + 50):
        plate, rule, stock, mark = random_case(seed)
        assert not rule.spacing_first
        best = best_of_all(plate, rule, stock, mark)
        if best is None:
            with pytest.raises(JobError, match="no plan of plate fits"):
                plan_splices(plate, rule, stock, mark)
            continue
        assert value(plan_splices(plate, rule, stock, mark)) == pytest.approx(best), seed


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 10**9))
def test_anchors_added_anywhere_in_their_stretches_complete_every_piece(seed: int) -> None:
    plate, rule, stock, mark = random_case(seed)
    try:
        plan = plan_splices(plate, rule, stock, mark)
    except JobError:
        return
    assume(plate.high_mm - plate.low_mm >= 2 * rule.clear_mm)
    draw = random.Random(seed)
    for piece in plan.pieces:
        own = [a for a in plan.added if piece.low_mm < (a.low_mm + a.high_mm) / 2 < piece.high_mm]
        for _ in range(5):
            places = [draw.choice([a.low_mm, a.high_mm, draw.uniform(a.low_mm, a.high_mm)]) for a in own]
            new = [RunBolt("new", place, 0.0) for place in places]
            everything = sorted([*plate.bolts, *new], key=lambda bolt: bolt.station_mm)
            assert fewest_to_add(piece.low_mm, piece.high_mm, everything, rule)[0] == 0


@pytest.mark.parametrize("seed", range(60))
def test_no_fewer_anchors_complete_a_piece(seed: int) -> None:
    """Every set of one anchor fewer, at whole inches, leaves the piece short; all its bounds lie on whole inches."""
    draw = random.Random(seed)
    rule = AnchorRule(4.0 * IN, 12.0 * IN, draw.choice([1, 2, 3]), draw.choice([24.0, 26.0]) * IN)
    length = draw.randint(24, 84)
    plate = run(length, *sorted(draw.sample(range(1, length), draw.randint(0, 3))))
    plan = plan_splices(plate, rule)
    assert len(plan.pieces) == 1
    if not plan.added:
        return
    for places in itertools.combinations(range(length + 1), len(plan.added) - 1):
        everything = sorted([*plate.bolts, *bolts(*places)], key=lambda bolt: bolt.station_mm)
        held = [b.station_mm / IN for b in everything if 4 <= b.station_mm / IN <= length - 4]
        complete = (
            any(place <= 12 for place in held)
            and any(place >= length - 12 for place in held)
            and len(held) >= rule.bolts_a_piece
            and all((b - a) * IN <= rule.spacing_most_mm + EPS for a, b in itertools.pairwise(held))
        )
        assert not complete, places


# ---- worked walls ----------------------------------------------------------------------------------------------------


def test_a_joint_lies_where_the_wall_of_nine_bolts_allows_it_with_one_anchor_more() -> None:
    """Bolts 60 in apart, 480 in wall: no joint is legal as cast, and from a bolt 10 in away one anchor is enough."""
    plan = plan_splices(run(480, 10, 70, 130, 190, 250, 310, 370, 430, 470))
    assert joints_in(plan) == pytest.approx([240])
    (anchor,) = plan.added
    assert (anchor.low_mm / IN, anchor.high_mm / IN, anchor.wanted_by) == (
        pytest.approx(228),
        pytest.approx(236.5),
        "joint",
    )
    assert codes(plan) == ["anchors-to-approve", "joint-needs-anchor"]


@pytest.mark.parametrize(
    ("joint_in", "added"),
    [(192, [(180, 188.5), (195.5, 204)]), (200, [(203.5, 212)]), (220, [(208, 216.5), (223.5, 232)])],
)
def test_the_wall_of_nine_bolts_at_stated_joints(joint_in: float, added: list[tuple[float, float]]) -> None:
    """Joint at 192 fails on both sides; at 200 the bolt at 190 serves the left side, the right wants 203.5 to 212."""
    stock = (joint_in * IN, (480 - joint_in) * IN)
    plan = plan_splices(run(480, 10, 70, 130, 190, 250, 310, 370, 430, 470), stock_mm=stock, mark_mm=joint_in * IN)
    assert joints_in(plan) == pytest.approx([joint_in])
    assert [(a.low_mm / IN, a.high_mm / IN) for a in plan.added] == [pytest.approx(pair) for pair in added]


@pytest.mark.parametrize("spacing_in", [72, 48])
@pytest.mark.parametrize(
    ("feet", "anchors"),
    [
        ((20, 20), (8, 12)),
        ((14, 14, 12), (9, 12)),
        ((16, 16, 8), (10, 13)),
        ((12, 12, 12, 4), (11, 14)),
        ((16, 16, 16), (12, 15)),
    ],
)
def test_a_wall_without_bolts_wants_as_many_as_its_pieces_together(
    feet: tuple[int, ...], anchors: tuple[int, int], spacing_in: int
) -> None:
    """n = max(2, ceil((L - 24) / spacing) + 1) a piece, 7 diameters to 12 in from its ends (IRC R403.1.6)."""
    each = [max(2, math.ceil((foot * 12 - 24) / spacing_in) + 1) for foot in feet]
    assert sum(each) == anchors[spacing_in == 48]
    rule = replace(IRC, spacing_most_mm=spacing_in * IN)
    for foot, count in zip(feet, each, strict=True):
        assert len(plan_splices(run(foot * 12), rule).added) == count


@pytest.mark.parametrize(
    ("feet", "at_72", "at_48", "at_32"),
    [
        (4, 2, 2, 2),
        (6, 2, 2, 3),
        (8, 2, 3, 4),
        (10, 3, 3, 4),
        (12, 3, 4, 5),
        (14, 3, 4, 6),
        (16, 4, 5, 7),
        (20, 4, 6, 8),
    ],
)
def test_anchors_of_a_bare_piece(feet: int, at_72: int, at_48: int, at_32: int) -> None:
    for spacing_in, count in ((72, at_72), (48, at_48), (32, at_32)):
        plan = plan_splices(run(feet * 12), replace(IRC, spacing_most_mm=spacing_in * IN))
        assert len(plan.added) == count
        assert codes(plan)[0] == "no-bolts"


def test_a_wall_of_forty_feet_without_bolts_is_two_pieces_and_eight_anchors() -> None:
    plan = plan_splices(run(480))
    assert [piece.stock_mm / FT for piece in plan.pieces] == pytest.approx([20, 20])
    assert len(plan.added) == 8


# ---- limits ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("length_in", "places", "rule", "added"),
    [
        (96, (12, 84), IRC, 0),
        (96, (11.9, 84.1), IRC, 1),
        (96, (12.1, 83.9), IRC, 2),
        (96 + 1 / 16, (12, 84), IRC, 1),
        (96, (3.5, 48, 92.5), IRC, 0),
        (96, (3.4, 48, 92.5), IRC, 1),
        (96, (3.75, 48, 92.25), IRC, 0),
        (96, (3.75, 48, 92.25), replace(IRC, end_least_mm=4 * IN), 2),
        (96, (4, 48, 92), replace(IRC, end_least_mm=4 * IN), 0),
        (96, (4, 48, 92), replace(IRC, end_least_mm=4.375 * IN), 2),
        (24, (3.5, 20.5), IRC, 0),
        (24, (3.4, 20.5), IRC, 1),
        (24, (12,), IRC, 1),
    ],
)
def test_a_piece_at_just_inside_and_just_outside_the_limits(
    length_in: float, places: tuple[float, ...], rule: AnchorRule, added: int
) -> None:
    """IRC R403.1.6 for 1/2 in and 5/8 in bolts (7 diameters: 3.5, 4.375 in; 12 in; 72 in), IBC 2308 (4 in)."""
    plan = plan_splices(run(length_in, *places), rule)
    assert len(plan.added) == added
    assert plan.doubts == sum(finding.code == "bolt-too-near-end" for finding in plan.findings)


@pytest.mark.parametrize(
    ("place_in", "u95_mm", "code"),
    [
        (12.0, 0.5, "end-cannot-tell"),
        (11.9, 3.0, "end-cannot-tell"),
        (11.9, 2.5, None),
        (12.1, 3.0, "end-cannot-tell"),
        (12.1, 2.5, "end-needs-anchor"),
    ],
)
def test_a_bolt_within_its_u95_of_the_limit_is_told_of(place_in: float, u95_mm: float, code: str | None) -> None:
    cast = (RunBolt("N1", place_in * IN, u95_mm), RunBolt("N2", 45 * IN, 0.0), RunBolt("N3", 86 * IN, 0.0))
    found = [f for f in plan_splices(SpliceRun("north", 0.0, 96 * IN, cast)).findings if f.code != "anchors-to-approve"]
    assert [f.code for f in found] == ([code] if code else [])
    if code == "end-cannot-tell":
        assert found[0].marks == ("N1",)


def test_a_sure_joint_is_taken_before_a_shorter_stock() -> None:
    """A joint at 96 would waste nothing and rests on bolts 12 in away, give or take 1 mm; from 72 to 74 all is sure."""
    cast = bolts(6, 62, 78, 84, 108, 150, 186, u95_mm=1.0)
    plan = plan_splices(SpliceRun("north", 0.0, 192 * IN, cast), stock_mm=(8 * FT, 10 * FT))
    assert plan.doubts == 0
    assert plan.added == ()
    assert plan.waste_mm > 0.0
    assert 72 <= joints_in(plan)[0] < 74


def test_a_doubtful_joint_is_taken_only_where_none_is_sure_and_is_told_of() -> None:
    cast = bolts(6, 60, 84, 108, 150, 186, u95_mm=1.0)
    plan = plan_splices(SpliceRun("north", 0.0, 192 * IN, cast), stock_mm=(8 * FT,))
    assert joints_in(plan) == pytest.approx([96])
    assert plan.added == ()
    assert plan.doubts == 2
    (finding,) = plan.findings
    assert (finding.code, finding.marks) == ("joint-cannot-tell", ("N3", "N4"))
    assert plan.joints[0].margin_mm == pytest.approx(-1.0)


def test_a_joint_lies_as_far_from_its_limits_as_the_bolts_allow() -> None:
    """Bolts 15.5 in apart round the joint: in their middle each is 7.75 in away, in the middle of its window."""
    plan = plan_splices(run(300, 6, 74, 142.25, 157.75, 226, 294))
    assert joints_in(plan) == pytest.approx([150])
    assert plan.joints[0].margin_mm == pytest.approx(4.25 * IN)


def test_two_joints_share_what_neither_can_have_alone() -> None:
    """Best at 100 and 222 in, 122 in apart, with stock of 120 in between: each gives way by 1 in."""
    plate = run(320, 8, 50, 92.25, 107.75, 160, 214.25, 229.75, 270, 312)
    plan = plan_splices(plate, stock_mm=(10 * FT,))
    assert joints_in(plan) == pytest.approx([101, 221])
    assert [joint.margin_mm for joint in plan.joints] == pytest.approx([3.25 * IN] * 2)


def test_joints_fall_on_sixteenths_from_the_low_end() -> None:
    plate = SpliceRun("north", 17.3, 17.3 + 480.03 * IN, bolts(*range(8, 480, 16)))
    for joint in plan_splices(plate).joints:
        marks = (joint.station_mm - plate.low_mm) / SIXTEENTH
        assert marks == pytest.approx(round(marks), abs=1e-6)


def test_a_mitre_takes_stock() -> None:
    """Exactly 20 ft along the chalk line no longer fits 20 ft stock where the far edge is the longer one."""
    plate = run(240, 8, 72, 115, 125, 180, 232)
    assert len(plan_splices(plate).pieces) == 1
    mitred = plan_splices(replace(plate, high_allowance_mm=3.5 * IN))
    assert len(mitred.pieces) == 2
    assert mitred.pieces[1].needs_mm == pytest.approx(mitred.pieces[1].high_mm - mitred.pieces[1].low_mm + 3.5 * IN)


def test_a_joint_keeps_a_plate_washer_clear_where_no_end_distance_is_stated() -> None:
    """NBC 9.23.6.1: no end distance; 2.4 m between bolts. A joint on the bolt at 2438 mm would waste least."""
    rule = AnchorRule(0.0, None, 0, 2400.0)
    cast = tuple(RunBolt(f"N{i}", 38.4 + 1200.0 * i, 0.5) for i in range(5))
    plan = plan_splices(SpliceRun("north", 0.0, 4876.8, cast), rule, stock_mm=(8 * FT, 10 * FT))
    assert plan.added == ()
    assert min(abs(plan.joints[0].station_mm - bolt.station_mm) for bolt in cast) >= 1.5 * IN + 0.5 - EPS


@pytest.mark.parametrize(("end_mm", "spacing_mm", "count"), [(0.0, 2400.0, 6), (500.0, 2400.0, 6), (500.0, 1700.0, 8)])
def test_a_long_wall_without_bolts_by_spacing_alone(end_mm: float, spacing_mm: float, count: int) -> None:
    """NBC 9.23.6.1, 12 000 mm wall: 5 gaps and 6 bolts; ends of 500 mm: 6; 1700 mm apart: 8."""
    plan = plan_splices(SpliceRun("north", 0.0, 12000.0, ()), AnchorRule(end_mm, None, 0, spacing_mm))
    assert len(plan.added) == count


@pytest.mark.parametrize("most_in", [12.0, None])
@pytest.mark.parametrize("seed", range(20))
def test_wide_gaps_are_filled_first_where_windows_are_wider_than_the_spacing(seed: int, most_in: float | None) -> None:
    """Anchors set anywhere in their stretches leave no gap over 20 in, across joints too, and serve every window."""
    draw = random.Random(seed)
    rule = AnchorRule(3.5 * IN, None if most_in is None else most_in * IN, 1, 20.0 * IN)
    length = draw.randint(60, 300)
    plate = run(length, *sorted(draw.sample(range(4, length - 4), draw.randint(0, 6))), u95_mm=0.5)
    plan = plan_splices(plate, rule, stock_mm=(8 * FT, 10 * FT))
    for _ in range(5):
        new = [draw.choice([a.low_mm, a.high_mm, draw.uniform(a.low_mm, a.high_mm)]) for a in plan.added]
        everything = sorted([*new, *(bolt.station_mm for bolt in plate.bolts)])
        assert max(b - a for a, b in itertools.pairwise(everything)) <= 20 * IN + 1.0
        if most_in is not None:
            posts = [RunBolt("", place, 1.0) for place in everything]
            for piece in plan.pieces:
                for end, way in ((piece.low_mm, 1.0), (piece.high_mm, -1.0)):
                    assert max(inside_window(end, way, post, rule) for post in posts) >= -1.0


# ---- what is told of, and what is refused ----------------------------------------------------------------------------


def test_a_gap_too_wide_is_filled_within_what_the_spacing_leaves() -> None:
    plan = plan_splices(run(120, 6, 114))
    (anchor,) = plan.added
    assert (anchor.low_mm / IN, anchor.high_mm / IN) == (pytest.approx(42), pytest.approx(78))
    assert codes(plan) == ["anchors-to-approve", "spacing-too-wide"]


def test_a_gap_within_its_u95_of_the_limit_is_told_of() -> None:
    plan = plan_splices(run(94, 11, 83.1, u95_mm=3.0))
    assert codes(plan) == ["spacing-cannot-tell"]
    assert plan.added == ()


def test_a_bolt_nearer_than_the_least_distance_is_told_of() -> None:
    plan = plan_splices(run(96, 2, 8, 48, 88))
    assert codes(plan) == ["bolt-too-near-end"]
    assert plan.findings[0].marks == ("N1",)


def test_a_piece_with_too_few_bolts_and_a_bolt_off_the_plate() -> None:
    plan = plan_splices(run(20, 10, 25))
    assert codes(plan) == ["bolt-off-plate", "anchors-to-approve", "too-few-bolts"]
    assert plan.findings[0].marks == ("N2",)


def test_a_run_too_short_for_any_anchor_is_told_of() -> None:
    assert "run-too-short" in codes(plan_splices(run(6)))


@pytest.mark.parametrize("length_in", [0.0, -10.0])
def test_a_run_without_length_is_refused(length_in: float) -> None:
    with pytest.raises(JobError, match="no length"):
        plan_splices(run(length_in))


def test_stock_shorter_than_any_piece_is_refused() -> None:
    with pytest.raises(JobError, match="Name longer stock"):
        plan_splices(run(100), stock_mm=(20 * IN,))


@pytest.mark.parametrize(
    ("changes", "stock_mm", "words"),
    [
        ({"low_allowance_mm": -1.0}, (8 * FT,), "less stock"),
        ({"high_mm": math.nan}, (8 * FT,), "not a number"),
        ({"bolts": bolts(8, u95_mm=400.0)}, (8 * FT,), "measure it again"),
        ({}, (), "no stock"),
    ],
)
def test_nonsense_is_refused(changes: dict[str, object], stock_mm: tuple[float, ...], words: str) -> None:
    with pytest.raises(JobError, match=words):
        plan_splices(replace(run(96, 8, 88), **changes), stock_mm=stock_mm)  # type: ignore[arg-type]


def test_a_straight_run_of_200_ft_is_jointed_in_well_under_the_two_seconds_a_whole_plan_may_take() -> None:
    """40 bolts, ten stock lengths, every sixteenth a place for a joint; 0.4 s of processor time on a busy machine."""
    bolts = tuple(RunBolt(f"N{i}", (9.0 + 61.2 * i + (i * 7) % 3) * IN, 0.3) for i in range(40))
    stock_mm = tuple(feet * 12 * IN for feet in (8, 9, 10, 11, 12, 14, 16, 18, 20, 22))
    begun = time.process_time()
    plan = plan_splices(SpliceRun("north", 0.0, 2400 * IN, bolts), AnchorRule(), stock_mm)
    assert time.process_time() - begun < 0.9
    assert len(plan.pieces) >= 10


@pytest.mark.parametrize("out_in", [2.75, -2.75])
@pytest.mark.parametrize(("away_in", "served"), [(3.4, False), (3.6, True), (11.9, True), (12.1, False)])
def test_at_a_cut_off_square_the_window_counts_from_the_cut_on_the_middle_of_the_plate(
    out_in: float, away_in: float, served: bool
) -> None:
    """A 2x6 mitred at 45 degrees: on its middle the cut lies 2 3/4 in off where it meets the chalk-line edge."""
    plate = replace(run(120.0, 9.0, 50.0, 120.0 + out_in - away_in), high_out_mm=out_in * IN)
    plan = plan_splices(plate, IRC)
    assert ("end-needs-anchor" in codes(plan)) == (not served)
    for anchor in plan.added:
        assert anchor.low_mm >= (120.0 + out_in - 12.0) * IN - EPS
        assert anchor.high_mm <= (120.0 + out_in - 3.5) * IN + EPS
    assert [round(piece.high_mm / IN, 6) for piece in plan.pieces] == [120.0]
