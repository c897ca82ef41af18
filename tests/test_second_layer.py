"""The second plate: its joints lap those of the first, and the plan is the best of all plans."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from sillwright.errors import JobError
from sillwright.plates.second_layer import plan_second_layer
from sillwright.plates.splice import RunBolt, SplicePlan, SpliceRun

IN = 25.4
FT = 304.8
EPS = 1e-6


def run(length_in: float, *places_in: float) -> SpliceRun:
    cast = tuple(RunBolt(f"N{index}", place * IN, 0.5) for index, place in enumerate(places_in, 1))
    return SpliceRun("north", 0.0, length_in * IN, cast)


def best_of_all(
    plate: SpliceRun, below: tuple[float, ...], stagger: float, stock: tuple[float, ...], mark: float
) -> tuple[float, ...] | None:
    """The best (doubts, pieces, waste, -smallest margin, -sum of margins) over every set of joints, one by one."""
    count = math.ceil((plate.high_mm - plate.low_mm - EPS) / mark)
    at = [plate.low_mm + index * mark for index in range(count)] + [plate.high_mm]
    clear = 3.5 * IN
    near = [sum(abs(b.station_mm - x) - b.u95_mm < clear - EPS for b in plate.bolts) for x in at]
    margins = []
    for x in at:
        limits = [abs(b.station_mm - x) - b.u95_mm - clear for b in plate.bolts] + [abs(x - j) - stagger for j in below]
        margins.append(round(10 * max(-12 * IN, min([12 * IN, *limits]))))
    best: tuple[float, ...] | None = None

    def go(i: int, doubts: int, pieces: int, waste: float, seen: list[int]) -> None:
        nonlocal best
        for j in range(i + 1, count + 1):
            length = at[j] - at[i]
            needs = length + plate.low_allowance_mm * (i == 0) + plate.high_allowance_mm * (j == count)
            serving = [s for s in stock if s >= needs - EPS]
            if not serving or (length < stagger - EPS and (i, j) != (0, count)):
                continue
            sums = doubts + near[j], pieces + 1, waste + min(serving) - needs
            if j < count:
                if all(abs(at[j] - joint) >= stagger - EPS for joint in below):
                    go(j, *sums, [*seen, margins[j]])
                continue
            whole = (*sums[:2], round(sums[2], 4), -min(seen, default=0), -sum(seen))
            best = whole if best is None or whole < best else best

    go(0, near[0], 0, 0.0, [])
    return best


def value(plan: SplicePlan) -> tuple[float, ...]:
    margins = [round(joint.margin_mm * 10) for joint in plan.joints]
    return plan.doubts, len(plan.pieces), round(plan.waste_mm, 4), -min(margins, default=0), -sum(margins)


@pytest.mark.parametrize("block", range(4))
def test_the_plan_is_the_best_of_all_plans(block: int) -> None:
    """Every set of joints on the same marks: 400 drawn runs."""
    for seed in range(block * 100, block * 100 + 100):
        draw = random.Random(seed)
        mark = draw.choice([6.0, 8.0]) * IN
        length = mark * draw.randint(3, 24) + draw.choice([0.0, 10.0])
        stagger = draw.choice([18.0, 24.0, 32.0]) * IN
        below = tuple(sorted(draw.randint(0, int(length / IN)) * IN for _ in range(draw.randint(0, 2))))
        spots = [draw.randint(0, int(2 * length / IN)) / 2.0 * IN for _ in range(draw.randint(0, 8))]
        cast = tuple(RunBolt(f"N{i}", s, draw.choice([0.0, 0.5, 10.0])) for i, s in enumerate(spots) if s <= length)
        allowances = draw.choice([0.0, 3.5 * IN]), draw.choice([0.0, 5.5 * IN])
        plate = SpliceRun(
            "drawn", 100.0, 100.0 + length, tuple(replace(b, station_mm=b.station_mm + 100.0) for b in cast)
        )
        plate = replace(plate, low_allowance_mm=allowances[0], high_allowance_mm=allowances[1])
        below = tuple(joint + 100.0 for joint in below)
        stock = tuple(s * IN for s in sorted(draw.sample([36.0, 48.0, 60.0, 72.0, 96.0], draw.randint(1, 4))))
        best = best_of_all(plate, below, stagger, stock, mark)
        if best is None:
            with pytest.raises(JobError, match="no second plate"):
                plan_second_layer(plate, below, stagger, stock_mm=stock, mark_mm=mark)
            continue
        found = plan_second_layer(plate, below, stagger, stock_mm=stock, mark_mm=mark)
        assert value(found) == pytest.approx(best), seed
        assert found.added == ()


@pytest.mark.parametrize(("stock_ft", "pieces"), [((16, 20), 3), ((18, 22), 2)])
def test_a_wall_of_forty_feet_over_a_joint_in_its_middle(stock_ft: tuple[int, ...], pieces: int) -> None:
    """Over 20 + 20 ft the second plate cannot be 20 + 20: three pieces of usual stock, or two with 22 ft stock."""
    plan = plan_second_layer(run(480), (240 * IN,), stock_mm=tuple(foot * FT for foot in stock_ft))
    assert len(plan.pieces) == pieces
    assert min(abs(joint.station_mm - 240 * IN) for joint in plan.joints) >= 24 * IN - EPS


@pytest.mark.parametrize(
    ("joint_in", "pieces"), [(96 - 24, 2), (96 - 24 + 1 / 16, 3), (96 + 24, 2), (96 + 24 - 1 / 16, 3)]
)
def test_the_stagger_at_and_just_inside_its_limit(joint_in: float, pieces: int) -> None:
    """Two pieces of 8 ft make 16 ft only with the joint at 96 in."""
    plan = plan_second_layer(run(192), (joint_in * IN,), stock_mm=(8 * FT,))
    assert len(plan.pieces) == pieces
    if pieces == 2:
        assert plan.joints[0].station_mm == pytest.approx(96 * IN)
        assert plan.joints[0].margin_mm == pytest.approx(0.0, abs=1e-6)


def test_joints_below_that_leave_no_room_are_refused() -> None:
    """Joints could lie up to 36 in and from 156 in on: farther apart than the stock is long."""
    with pytest.raises(JobError, match="state a smaller stagger"):
        plan_second_layer(run(192), (60 * IN, 96 * IN, 132 * IN), stock_mm=(8 * FT,))


def test_a_joint_keeps_clear_of_bolts_before_it_saves_a_piece_of_stock() -> None:
    plan = plan_second_layer(run(192, 8, 96, 184), (30 * IN,), stock_mm=(8 * FT, 10 * FT))
    assert plan.doubts == 0
    assert abs(plan.joints[0].station_mm - 96 * IN) >= 3.5 * IN + 0.5
    assert plan.findings == ()


def test_a_bolt_that_no_joint_can_keep_clear_of_is_told_of() -> None:
    plan = plan_second_layer(run(192, 8, 95, 184, 200), (30 * IN,), stock_mm=(8 * FT,), mark_mm=96 * IN)
    assert [(f.code, f.marks) for f in plan.findings] == [("bolt-off-plate", ("N4",)), ("bolt-too-near-joint", ("N2",))]


def test_the_second_plate_has_ends_of_its_own() -> None:
    """Lapped at a corner it may begin below station 0; marks count from its own end."""
    plate = SpliceRun("north", -5.5 * IN, 400 * IN, (), high_allowance_mm=2.0 * IN)
    plan = plan_second_layer(plate, (200 * IN,))
    assert plan.pieces[0].low_mm == pytest.approx(-5.5 * IN)
    assert sum(piece.needs_mm for piece in plan.pieces) == pytest.approx(407.5 * IN)


def test_a_stagger_of_nothing_is_refused() -> None:
    with pytest.raises(JobError, match="stagger"):
        plan_second_layer(run(192), (), stagger_mm=0.0)
