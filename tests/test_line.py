"""Which line of each photo is the run's, while cards chained over many photos still stand in a curve."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from scenes import PHONE, overhead
from sillwright.measure.line import _strips_along, choose_line
from sillwright.measure.work import Crew, ViewTask
from sillwright.see.chalk import LineCandidate, LineStrip

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
