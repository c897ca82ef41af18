"""Which line of each photo is the run's, while cards chained over many photos still stand in a curve."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import small_run
from scenes import PHONE, axis_parameters, fit_axis, overhead
from sillwright.camera import project, rotation_from_vector
from sillwright.corrections import HandLine
from sillwright.measure.line import _between_turns, _laid_by_points, _strips_along, choose_line, line_marked
from sillwright.measure.record import bolt_record
from sillwright.measure.verdict import Judged
from sillwright.measure.work import Crew, ViewTask
from sillwright.see.chalk import LineCandidate, LineStrip
from sillwright.solve.state import CardState
from small_run import CHAMFER_MM, FILES, TAPED

BOW_MM, LENGTH_MM = 40.0, 12_000.0


def strip_of(line: LineCandidate) -> LineStrip:
    angle, offset = line.angle_and_offset
    x = np.arange(0.0, 400.0, 8.0)
    return LineStrip(
        PHONE,
        overhead(0.0, 0.0, 1250.0, lean_deg=(0.0, 0.0)),
        angle,
        offset,
        x,
        np.arange(-15.0, 16.0),
        np.zeros((50, 31, 2)),
        x > -1.0,
    )


def test_on_a_run_that_stands_in_a_curve_each_photo_is_followed_along_its_own_line() -> None:
    """Twenty photos along 12 m, bowed by 40 mm: no straight line comes within a strip's reach of all of them."""
    stations_mm = np.linspace(0.0, LENGTH_MM, 20)
    share = stations_mm / LENGTH_MM
    level_mm = 4.0 * BOW_MM * share * (1.0 - share)
    slope = 4.0 * BOW_MM * (1.0 - 2.0 * share) / LENGTH_MM
    own = [
        LineCandidate(float(s), float(y - s * x), 9.0, "blue")
        for s, y, x in zip(slope, level_mm, stations_mm, strict=True)
    ]
    astray = LineCandidate(0.0, -160.0, 5.0, "red")
    found = [[(astray, strip_of(astray)), (line, strip_of(line))] for line in own]
    poses = [overhead(float(x), 0.0, 1250.0, lean_deg=(0.0, 0.0)) for x in stations_mm]
    block = SimpleNamespace(photos=[Path(f"{k}.jpg") for k in range(20)], pose=lambda i: poses[i])
    chosen = choose_line(block, [[candidate for candidate, _ in here] for here in found])
    assert chosen is not None
    assert len(chosen.photos) == 20
    tasks = [
        ViewTask(path, PHONE, pose, (), (0.0, 0.0), (0.0, 0.0)) for path, pose in zip(block.photos, poses, strict=True)
    ]
    with Crew(1) as crew:
        strips = _strips_along(chosen, tasks, found, crew)
    assert [strip is here[1][1] for strip, here in zip(strips, found, strict=True)] == [True] * 20
    joint = (chosen.angle_rad, chosen.offset_mm)
    assert not all(strip.holds(joint) for strip in strips if strip is not None)


def block_of(stations_mm: np.ndarray) -> SimpleNamespace:
    poses = [overhead(float(x), 0.0, 1250.0, lean_deg=(0.0, 0.0)) for x in stations_mm]
    return SimpleNamespace(photos=[Path(f"{k}.jpg") for k in range(len(poses))], pose=lambda i: poses[i])


def test_the_line_is_not_looked_for_past_the_corner_that_cards_round_it_tell_of() -> None:
    """Own cards 1 and 2; of another run 7 lies across at the far end, 8 in line with them, 9 across between them."""
    turned = {1: 0.02, 2: -0.01, 7: 1.6, 8: 0.03, 9: -1.5}
    low_mm = {1: 0.0, 2: 600.0, 7: 1400.0, 8: -900.0, 9: 300.0}
    square = np.array([[0.0, 0.0], [240.0, 0.0], [240.0, 90.0], [0.0, 90.0]])
    outlines = [square + np.array([low_mm[number], 0.0]) for number in turned]
    cards = [CardState(np.zeros(3), rotation_from_vector(np.array([0.0, 0.0, turn]))) for turn in turned.values()]

    def block(count: int) -> SimpleNamespace:
        solution = SimpleNamespace(state=SimpleNamespace(cards=cards[:count]))
        return SimpleNamespace(numbers=tuple(turned)[:count], own=(1, 2), solution=solution)

    assert _between_turns(block(5), outlines) == (-np.inf, 1400.0 + 240.0 + 150.0)
    assert _between_turns(block(2), outlines[:2]) == (-np.inf, np.inf)


@pytest.mark.parametrize("apart_mm", [-25.0, -12.0, 9.0, 139.7])
def test_a_second_line_of_like_strength_is_a_rival_however_near(apart_mm: float) -> None:
    main, second = LineCandidate(0.0, 0.0, 8.0, "blue"), LineCandidate(0.0, apart_mm, 7.0, "blue")
    chosen = choose_line(block_of(np.array([0.0, 600.0, 1200.0])), [[main, second]] * 3)
    assert chosen is not None
    assert (chosen.offset_mm, chosen.rival_mm) == (0.0, apart_mm)


def test_a_weak_line_or_one_in_few_photos_is_no_rival() -> None:
    main, weak, strong = (LineCandidate(0.0, y, s, "blue") for y, s in ((0.0, 8.0), (15.0, 3.0), (20.0, 8.0)))
    for found in ([[main, weak]] * 3, [[main, strong], [main], [main]]):
        chosen = choose_line(block_of(np.array([0.0, 600.0, 1200.0])), found)
        assert chosen is not None
        assert chosen.rival_mm is None


def test_a_weak_candidate_between_two_lines_is_not_taken_for_both() -> None:
    """Two lines 20 mm apart, of which one photo's place is 2 mm off, and a trace of something half way."""
    lines = [LineCandidate(0.0, y, s, "blue") for y, s in ((-10.0, 8.0), (10.0, 7.0), (0.0, 1.4))]
    shifted = [LineCandidate(0.0, one.offset_mm + 2.0, one.strength, one.color) for one in lines]
    chosen = choose_line(block_of(np.array([0.0, 500.0])), [lines, shifted])
    assert chosen is not None
    assert chosen.offset_mm in (-10.0, -8.0)
    assert abs(chosen.rival_mm or 0.0) == 20.0


def marked(photo: int, *points_mm: tuple[float, float]) -> HandLine:
    """Two points of the wall marked in a photo of ``placed_block``."""
    pose = placed_block().pose(photo)
    first, second = project(PHONE, pose, np.array([[*at, 0.0] for at in points_mm])).tolist()
    return HandLine("line 1", Path(f"{photo}.jpg"), (tuple(first), tuple(second)))


def placed_block() -> SimpleNamespace:
    block = block_of(np.array([0.0, 600.0, 1200.0]))
    return SimpleNamespace(photos=block.photos, pose=block.pose, camera=lambda _: PHONE)


@given(st.floats(-13.0, 13.0), st.floats(-13.0, 13.0))
def test_the_candidate_nearest_a_marked_line_is_taken_though_another_is_stronger(first: float, second: float) -> None:
    strong, meant = LineCandidate(0.0, 0.0, 9.0, "blue"), LineCandidate(0.01, 60.0, 2.0, "red")
    mark = marked(1, (450.0, 64.5 + first), (750.0, 67.5 + second))
    chosen = line_marked(placed_block(), [[strong, meant]] * 3, [mark])
    assert chosen is not None
    assert (chosen.color, chosen.photos, chosen.rival_mm) == ("red", (0, 1, 2), None)
    assert chosen.by_hand == (Path("1.jpg"),)


def test_no_candidate_is_taken_that_leaves_one_of_the_points_by_more_than_15_mm() -> None:
    line = LineCandidate(0.0, 0.0, 9.0, "blue")
    for off_mm, taken in ((14.0, True), (16.0, False), (-16.0, False)):
        chosen = line_marked(placed_block(), [[line]] * 3, [marked(1, (450.0, 1.0), (750.0, off_mm))])
        assert (chosen is not None) == taken


def test_where_no_photo_shows_the_marked_line_the_points_are_it_and_the_setbacks_are_as_wide_as_a_finger() -> None:
    """The drawn run's line marked 30 mm to the left of the chalk: the bolt comes out 30 mm less far in."""
    scene, block, _ = small_run.run(1.0)
    ends = np.array([[250.0, 30.0, 0.0], [750.0, 30.0, 0.0]])
    px = project(scene.camera, scene.poses[0], ends).tolist()
    laid = _laid_by_points(block, [HandLine("line 1", block.photos[0], (tuple(px[0]), tuple(px[1])))])
    assert laid is not None
    assert (laid.line.photos, laid.line.by_hand, laid.line.color) == ((0,), (block.photos[0],), "")
    bolt = small_run.bolt_on(scene, laid.block)
    start = axis_parameters(scene.bars[0].bolt) - [0.0, 30.0, 0.0, 30.0, 0.0, 0.0, 0.0]
    fit = fit_axis(bolt.views, start, 6.35, chamfer_mm=CHAMFER_MM, stickup_mm=None)
    judged = Judged(replace(bolt, fit=fit), (), ())
    record = bolt_record(laid.block, judged, "N1", 1.0, 12.7, CHAMFER_MM, TAPED, FILES)
    before = small_run.record(1.0)
    assert record.setback_mm == pytest.approx(before.setback_mm - 30.0, abs=0.5)
    assert record.u95.setback_mm > 2.0 * before.u95.setback_mm
    # Half way between two fingers of 3 px, where a millimetre has 2.5: 1.96 x 3 / 2.5 / sqrt(2) and a little.
    assert record.u95.setback_mm == pytest.approx(1.7, abs=0.5)
