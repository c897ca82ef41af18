"""A whole plan from a made-up record, every number of it worked out once more here by plain geometry.

Nothing of the package is used to say what is right: places are taken into the plane (``plate_jobs.in_plane``), where
plates are strips along two lines, and lines are met with lines.
"""

from __future__ import annotations

import hashlib
import math
import time
from dataclasses import replace
from itertools import pairwise

import pytest

from plate_jobs import (
    EAST_BOLTS_MM,
    EAST_CROSSING_MM,
    EAST_ENDS_MM,
    FOOT_MM,
    MARK_MM,
    NORTH_BEGINS_MM,
    NORTH_CROSSING_MM,
    THICK_MM,
    WIDE_MM,
    a_survey,
    a_table,
    bolts,
    in_plane,
    leaning,
    some_inputs,
)
from sillwright.plates.levels import LevelPoint
from sillwright.plates.plan import plan_job
from sillwright.plates.record import PlatesPlan, RunPlan

ANGLE_DEG = 97.0
STACK_MM = 2 * THICK_MM
U95_MM = 0.2
# N3 leans 5 degrees and is straightened; N4 leans half a degree and goes as it stands; N6 stands in the corner, where
# east's second plate runs over it.
NORTH_MM = (-50.0, 1200.0, 2300.0, 2600.0, 3900.0, 5090.0)
N3_LEAN, N4_LEAN = (9.0, -3.0), (0.8, 0.5)
LEVELS = (
    LevelPoint("north", -200.0, 1000.0),
    LevelPoint("north", 2400.0, 997.0),
    LevelPoint("north", 5300.0, 994.5),
    LevelPoint("east", -300.0, 995.0),
    LevelPoint("east", 3400.0, 999.0),
)
STOCK_MM = 12 * FOOT_MM


@pytest.fixture(scope="module")
def plan() -> PlatesPlan:
    north = bolts("N", NORTH_MM, U95_MM)
    north[2], north[3] = leaning(north[2], *N3_LEAN), leaning(north[3], *N4_LEAN)
    survey = a_survey(north, bolts("E", EAST_BOLTS_MM, U95_MM), ANGLE_DEG)
    table = a_table(layout={"stock": ["12 ft"], "level_within": "1/16 in"})
    return plan_job(survey, some_inputs(table, LEVELS))


def run_of(plan: PlatesPlan, name: str) -> RunPlan:
    return next(run for run in plan.runs if run.name == name)


def holes_of(plan: PlatesPlan, layer: int) -> dict[str, tuple[float, float]]:
    """By mark where each hole lies in the plane, taken out of the pieces alone."""
    return {
        hole.mark: in_plane(ANGLE_DEG, piece.run, piece.low_mm + hole.from_low_end_mm, hole.from_line_mm)
        for piece in plan.pieces
        if piece.layer == layer
        for hole in piece.holes
    }


def crossing_of(north_setback_mm: float, east_setback_mm: float) -> tuple[float, float]:
    """Where a line along north and one along east, each so far in from its chalk line, cross in the plane."""
    x0, y0 = in_plane(ANGLE_DEG, "east", EAST_CROSSING_MM, east_setback_mm)
    t = math.radians(ANGLE_DEG)
    along_mm = (north_setback_mm - y0) / math.sin(t)
    return x0 + along_mm * math.cos(t), north_setback_mm


def station_of(run: str, at: tuple[float, float]) -> float:
    t = math.radians(ANGLE_DEG)
    if run == "north":
        return NORTH_CROSSING_MM - at[0]
    return EAST_CROSSING_MM + at[0] * math.cos(t) + at[1] * math.sin(t)


def on_mark(station_mm: float, low_mm: float) -> float:
    return low_mm + round((station_mm - low_mm) / MARK_MM) * MARK_MM


# What bounds each layer at the corner: (own chalk-line edge, own far edge) against the other's setback there. In the
# first layer north runs through to east's chalk line and east butts against north's far edge; in the second the other
# way round.
ENDS = {
    ("north", 1): [crossing_of(0.0, 0.0), crossing_of(WIDE_MM, 0.0)],
    ("north", 2): [crossing_of(0.0, WIDE_MM), crossing_of(WIDE_MM, WIDE_MM)],
    ("east", 1): [crossing_of(WIDE_MM, 0.0), crossing_of(WIDE_MM, WIDE_MM)],
    ("east", 2): [crossing_of(0.0, 0.0), crossing_of(0.0, WIDE_MM)],
}


@pytest.mark.parametrize(("run", "layer"), sorted(ENDS))
def test_plates_end_at_the_corner_where_the_lines_that_bound_them_cross(plan: PlatesPlan, run: str, layer: int) -> None:
    line_mm, far_mm = (station_of(run, at) for at in ENDS[run, layer])
    planned = run_of(plan, run)
    end = (planned.ends if run == "north" else planned.begins).layers[layer - 1]
    assert end.station_mm + -end.rounded_mm == pytest.approx(line_mm, abs=1e-6)
    assert end.far_station_mm - end.station_mm == pytest.approx(far_mm - line_mm, abs=1e-6)
    assert abs(end.rounded_mm) <= MARK_MM / 2.0
    outward = far_mm - line_mm if run == "north" else line_mm - far_mm
    assert end.cut_deg == pytest.approx(math.degrees(math.atan2(outward, WIDE_MM)), abs=1e-6)
    assert end.saw_deg == pytest.approx(7.0, abs=1e-6)
    points = sorted((end.station_mm, end.far_station_mm))
    assert (end.short_point_mm, end.long_point_mm) == pytest.approx(points if run == "north" else points[::-1])
    assert end.joint == ("through" if (run == "north") == (layer == 1) else "butt")


def test_pieces_lie_end_to_end_on_whole_marks_from_the_first_plates_low_end(plan: PlatesPlan) -> None:
    for run, low_mm, high_mm in (
        ("north", NORTH_BEGINS_MM, station_of("north", ENDS["north", 1][0])),
        ("east", station_of("east", ENDS["east", 1][0]), EAST_ENDS_MM),
    ):
        pieces = [piece.plate for piece in run_of(plan, run).pieces]
        first = [piece for piece in pieces if piece.layer == 1]
        assert first[0].low_mm == pytest.approx(low_mm, abs=1e-6)
        assert first[-1].high_mm == pytest.approx(on_mark(high_mm, low_mm), abs=1e-6)
        for piece in pieces:
            for end_mm in (piece.low_mm, piece.high_mm):
                assert (end_mm - low_mm) / MARK_MM == pytest.approx(round((end_mm - low_mm) / MARK_MM), abs=1e-6)


def test_the_first_plates_joint_is_the_one_farthest_from_breaking_a_rule(plan: PlatesPlan) -> None:
    """Every mark tried: both pieces out of 12 ft, a bolt 3 1/2 to 12 in from it on either side, none nearer."""
    north = run_of(plan, "north")
    low_mm, high_mm = NORTH_BEGINS_MM, north.pieces[-1].plate.high_mm
    (joint,) = north.splices[0].joints
    first = [piece.plate for piece in north.pieces if piece.plate.layer == 1]
    long_mm = max(north.ends.layers[0].long_point_mm - first[-1].high_mm, 0.0)
    margins = {}
    for k in range(1, int((high_mm - low_mm) / MARK_MM)):
        at_mm = low_mm + k * MARK_MM
        if at_mm - low_mm > STOCK_MM or first[-1].high_mm + long_mm - at_mm > STOCK_MM:
            continue
        if min(at_mm - low_mm, first[-1].high_mm - at_mm) < 24 * 25.4:
            continue
        sides = []
        for way in (-1.0, 1.0):
            away = [way * (station - at_mm) for station in NORTH_MM if way * (station - at_mm) > 0.0]
            sides.append(max(min(one - 3.5 * 25.4, 12 * 25.4 - one) for one in away))
        nearest_mm = min(abs(station - at_mm) for station in NORTH_MM) - 3.5 * 25.4
        margins[at_mm] = min(*sides, nearest_mm) - U95_MM
    best_mm = max(margins.values())
    assert best_mm > 0.0
    # Margins count in tenths of a millimetre.
    at_mm = min(margins, key=lambda station: abs(station - joint.station_mm))
    assert at_mm == pytest.approx(joint.station_mm, abs=1e-6)
    assert margins[at_mm] == pytest.approx(best_mm, abs=0.11)
    assert joint.margin_mm == pytest.approx(margins[at_mm], abs=0.11)


def test_the_second_plates_joints_are_two_feet_from_the_firsts(plan: PlatesPlan) -> None:
    for run in plan.runs:
        below, above = ([joint.station_mm for joint in splices.joints] for splices in run.splices)
        assert all(abs(one - other) >= 24 * 25.4 - 1e-6 for one in above for other in below)
        assert not run.pieces or all(piece.longest_mm <= STOCK_MM + 1e-6 for piece in run.pieces)


def test_each_hole_is_where_its_bolt_crosses_the_middle_of_both_plates(plan: PlatesPlan) -> None:
    """By hand: foot plus lean times half the stack over the bolt's height; a straightened bolt's over its foot."""
    feet = {f"N{i}": ("north", at, 70.0) for i, at in enumerate(NORTH_MM, start=1)}
    feet |= {f"E{i}": ("east", at, 70.0) for i, at in enumerate(EAST_BOLTS_MM, start=1)}
    high_mm = math.sqrt(110.0**2 - math.hypot(*N4_LEAN) ** 2)
    along_mm, across_mm = (lean / high_mm * STACK_MM / 2.0 for lean in N4_LEAN)
    feet["N4"] = ("north", NORTH_MM[3] + along_mm, 70.0 + across_mm)
    for layer in (1, 2):
        drilled = holes_of(plan, layer)
        assert set(drilled) == set(feet)
        for mark, foot in feet.items():
            x_mm, y_mm = in_plane(ANGLE_DEG, *foot)
            off_mm = math.hypot(drilled[mark][0] - x_mm, drilled[mark][1] - y_mm)
            assert off_mm <= math.hypot(MARK_MM, MARK_MM) / 2.0 + 1e-6, mark
    (n3,) = [bolt for bolt in run_of(plan, "north").bolts if bolt.mark == "N3"]
    assert (n3.straighten_first, n3.passing.verdict, n3.doubts) == (True, "straighten", ("straighten-first",))


def test_a_hole_has_the_same_place_in_both_plates_of_its_run(plan: PlatesPlan) -> None:
    for run in plan.runs:
        for bolt in run.bolts:
            own = [hole for hole in bolt.holes if hole.run == run.name]
            assert len({round(hole.station_mm, 6) for hole in own}) <= 1
            assert len({round(hole.setback_mm, 6) for hole in own}) <= 1


def test_a_bolt_in_the_corner_is_drilled_for_in_the_neighbours_second_plate(plan: PlatesPlan) -> None:
    (n6,) = [bolt for bolt in run_of(plan, "north").bolts if bolt.mark == "N6"]
    assert [(hole.run, hole.layer) for hole in n6.holes] == [("north", 1), ("east", 2)]


def test_holes_are_on_whole_marks_and_their_width_holds_what_was_rounded(plan: PlatesPlan) -> None:
    """N2 is plumb and a step of 1400 mm from its piece's low end; nothing else is known of it than 0.2 mm."""
    for piece in plan.pieces:
        for hole in piece.holes:
            for mm in (hole.from_low_end_mm, hole.from_line_mm):
                assert mm / MARK_MM == pytest.approx(round(mm / MARK_MM), abs=1e-6)
            assert hole.drill_mm == pytest.approx(9 / 16 * 25.4)
    n2 = run_of(plan, "north").bolts[1]
    slope_mm = U95_MM / 110.0 * STACK_MM / 2.0  # how far a lean of 0.2 mm at the tip moves half the stack
    exact_mm = 1200.0 - NORTH_BEGINS_MM
    marked_mm = round(exact_mm / MARK_MM) * MARK_MM
    assert n2.u95_along_mm == pytest.approx(U95_MM + slope_mm + abs(marked_mm - exact_mm), abs=1e-3)
    # At the top of both plates: foot and lean at the ends of their intervals along and across, off the nearest mark.
    steep, top_mm = U95_MM / 110.0, U95_MM + 2.0 * slope_mm
    taken_mm = math.hypot(top_mm + abs(marked_mm - exact_mm), top_mm + abs(70.0 - 44 * MARK_MM))
    taken_mm += 12.7 / 2.0 * (math.hypot(1.0, steep, steep) - 1.0)
    assert n2.mark_within_mm == pytest.approx(25.4 / 32.0 - taken_mm, abs=1e-6)
    told = {mark for finding in plan.findings if finding.code == "hole-tolerance" for mark in finding.marks}
    assert told == {bolt.mark for run in plan.runs for bolt in run.bolts if not bolt.mark_within_mm}
    assert told < {bolt.mark for run in plan.runs for bolt in run.bolts}


def test_shims_are_the_gaps_under_a_straight_wall_between_readings_in_sixteenths(plan: PlatesPlan) -> None:
    top_mm = 1000.0
    for run in plan.runs:
        readings = sorted((point.station_mm, point.height_mm) for point in LEVELS if point.run == run.name)
        assert run.shims
        for shim in run.shims:
            at_mm = shim.place.station_mm
            (x0, h0), (x1, h1) = next(pair for pair in pairwise(readings) if pair[0][0] <= at_mm <= pair[1][0])
            gap_mm = top_mm - (h0 + (h1 - h0) * (at_mm - x0) / (x1 - x0))
            assert shim.gap_mm == pytest.approx(gap_mm, abs=1e-6)
            want = max(0, math.ceil((gap_mm - 25.4 / 16.0 - 1e-9) / (25.4 / 16.0)))
            assert shim.sixteenths == (want if gap_mm <= 6.35 else None)
    assert plan.levels is not None
    assert (plan.levels.high.run, plan.levels.low.run) == ("north", "north")
    assert plan.levels.fall_mm == pytest.approx(5.5)


def test_the_cut_lists_hold_every_piece_once_and_lose_nothing_but_saw_cuts(plan: PlatesPlan) -> None:
    assert [cut.treated for cut in plan.cut_lists] == [True, False]
    for cut, layer in zip(plan.cut_lists, (1, 2), strict=True):
        want = {
            piece.plate.name: piece.longest_mm
            for run in plan.runs
            for piece in run.pieces
            if piece.plate.layer == layer
        }
        have = {piece.name: piece.length_mm for stock in cut.cuts.stocks for piece in stock.pieces}
        assert have == pytest.approx(want)
        for stock in cut.cuts.stocks:
            taken_mm = sum(piece.length_mm for piece in stock.pieces)
            cuts_mm = stock.length_mm - taken_mm - stock.left_mm
            assert 0.0 <= cuts_mm <= 3.175 * len(stock.pieces) + 1e-6
        assert cut.bought_mm == pytest.approx(cut.waste_mm + sum(want.values()))
        lumber = [line for line in plan.shopping if line.item == ("treated-lumber" if cut.treated else "lumber")]
        assert sum(line.quantity * line.length_mm for line in lumber) == pytest.approx(cut.bought_mm)


def test_long_points_are_what_stock_must_reach_over(plan: PlatesPlan) -> None:
    for run in plan.runs:
        for piece in run.pieces:
            low, high = (
                math.tan(math.radians(cut)) * WIDE_MM for cut in (piece.plate.low_cut_deg, piece.plate.high_cut_deg)
            )
            assert piece.line_edge_mm == pytest.approx(piece.plate.high_mm - piece.plate.low_mm)
            assert piece.far_edge_mm == pytest.approx(piece.line_edge_mm + low + high)
            assert piece.longest_mm == pytest.approx(piece.line_edge_mm + max(low, 0.0) + max(high, 0.0))


def test_the_fingerprint_is_that_of_the_photos_own(plan: PlatesPlan) -> None:
    assert plan.photos.count == 1
    assert plan.photos.fingerprint_sha256 == hashlib.sha256((("ab" * 32) + "\n").encode()).hexdigest()


def test_shopping_has_a_nut_and_a_washer_for_each_bolt_with_the_crews_share_of_waste(plan: PlatesPlan) -> None:
    count = len(NORTH_MM) + len(EAST_BOLTS_MM)
    for item in ("nut", "washer"):
        (line,) = [line for line in plan.shopping if line.item == item]
        assert (line.needed, line.quantity) == (count, math.ceil(count * 1.1))


def test_a_second_plan_from_the_same_record_is_the_same(plan: PlatesPlan) -> None:
    survey, inputs = a_survey(), some_inputs()
    assert plan_job(survey, inputs) == plan_job(survey, inputs)


def test_200_ft_of_outline_with_40_bolts_and_10_stock_lengths_plans_in_under_2_s() -> None:
    length_mm = 50 * FOOT_MM
    stock = [f"{feet} ft" for feet in range(8, 27, 2)]
    letters = {"north": "N", "east": "E", "south": "S", "west": "W"}
    at_mm = [150.0 + k * (length_mm - 300.0) / 9 for k in range(10)]
    one = a_survey().runs[0]
    runs = tuple(replace(one, name=name, bolts=tuple(bolts(letter, at_mm))) for name, letter in letters.items())
    ends = {"begins": {"station": "0 in"}, "ends": {"station": "50 ft"}}
    table = {
        "name": "Lot 7",
        "plate": {"layers": 2},
        "layout": {"stock": stock},
        "run": [{"name": name, "photos": ["*.jpg"], **ends} for name in letters],
    }
    survey, inputs = replace(a_survey(), runs=runs, corners=()), some_inputs(table)
    begun = time.process_time()
    found = plan_job(survey, inputs)
    assert time.process_time() - begun < 2.0
    assert sum(len(run.bolts) for run in found.runs) == 40
    assert all(run.pieces for run in found.runs)
