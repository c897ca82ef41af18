"""The chalk line in drawn pictures: where it is found, what does not pass for it, and what does not pull it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from scene_pictures import render
from scenes import PHONE, Chalk, Scene, Stain, lying, overhead
from sillwright.camera import meet_plane, project
from sillwright.rectify import PlaneGrid
from sillwright.see.chalk import LineCandidate, LineTrace, cut_strip, find_lines, second_line_mm, trace_line

CAMERA = PHONE.scaled(1600, 1200)
POSE = overhead(450.0, 10.0, 1250.0, lean_deg=(5.0, -2.0), turn_deg=2.0)
GRID = PlaneGrid(0.0, 260.0, 1.0, -1.0, 900, 520)
SPAN_MM = (0.0, 900.0)
COLORS = {"blue": (190.0, 95.0, 55.0), "red": (70.0, 60.0, 190.0), "orange": (50.0, 125.0, 225.0)}
STAIN = (Stain(430.0, 2.0, 55.0),)


@cache
def picture(
    color: str = "blue",
    *,
    chalk: tuple[Chalk, ...] | None = None,
    stains: tuple[Stain, ...] = (),
    wall_mm: tuple[float, float] | None = None,
    card: bool = False,
) -> np.ndarray:
    lines = chalk if chalk is not None else (Chalk(COLORS[color]),)
    cards = (lying(300.0, 60.0, 0.3),) if card else ()
    scene = Scene(CAMERA, (POSE,), (3,) * len(cards), cards, chalk=lines, stains=stains, wall_mm=wall_mm)
    out = np.zeros((1200, 1600, 3), dtype=np.uint8)
    top, bottom = 250, 950  # the rest of the picture lies beyond the grid
    out[top:bottom] = render(scene, 0, window=(0, top, 1600, bottom - top), samples=2)
    return out


def candidates(pixels: np.ndarray, covered: tuple[np.ndarray, ...] = ()) -> list[LineCandidate]:
    return find_lines(pixels, CAMERA, POSE, GRID, covered)


def at_mm(candidate: LineCandidate, x_mm: float) -> float:
    return candidate.offset_mm + candidate.slope * x_mm


def traced(
    pixels: np.ndarray, line: tuple[float, float] = (0.0, 0.0), covered: tuple[np.ndarray, ...] = ()
) -> LineTrace:
    strip = cut_strip(pixels, CAMERA, POSE, line, covered, SPAN_MM)
    assert strip is not None
    trace = trace_line(strip, line)
    assert trace is not None
    return trace


def fitted(trace: LineTrace) -> np.ndarray:
    """Y at both ends and in the middle of the span, of the straight line through the points met with the concrete."""
    ground = meet_plane(CAMERA, POSE, trace.px)
    return np.polyval(np.polyfit(ground[:, 0], ground[:, 1], 1), [0.0, 450.0, 900.0])


@pytest.mark.parametrize("color", list(COLORS))
def test_a_line_of_each_chalk_is_found_first_named_and_followed_to_a_third_of_a_millimetre(color: str) -> None:
    pixels = picture(color)
    first = candidates(pixels)[0]
    assert first.color == color
    assert max(abs(at_mm(first, x)) for x in (0.0, 900.0)) < 3.0  # the search goes by rows of 3 mm
    trace = traced(pixels, (float(np.arctan(first.slope)), first.offset_mm))
    assert np.abs(fitted(trace)).max() < 0.3
    assert len(trace.px) > 60


def test_a_slanted_line_is_found_as_it_lies() -> None:
    slanted = Chalk(COLORS["blue"], offset_mm=-40.0, angle_rad=float(np.radians(4.0)))
    pixels = picture(chalk=(slanted,))
    first = candidates(pixels)[0]
    for x in (100.0, 800.0):
        assert abs(at_mm(first, x) - (-40.0 / np.cos(slanted.angle_rad) + x * np.tan(slanted.angle_rad))) < 3.0
    trace = traced(pixels, (slanted.angle_rad + 0.002, slanted.offset_mm - 1.0))
    ground = meet_plane(CAMERA, POSE, trace.px)[:, :2]
    across = ground @ [-np.sin(slanted.angle_rad), np.cos(slanted.angle_rad)] - slanted.offset_mm
    assert abs(across.mean()) < 0.3


def test_a_rust_stain_neither_passes_for_the_line_nor_pulls_it() -> None:
    clean, stained = picture("blue"), picture("blue", stains=STAIN)
    first = candidates(stained)[0]
    assert first.color == "blue"
    assert abs(at_mm(first, 450.0)) < 3.0
    assert np.abs(fitted(traced(stained))).max() < 0.3
    assert np.abs(fitted(traced(stained)) - fitted(traced(clean))).max() < 0.15


def test_a_stain_as_red_as_the_chalk_does_not_pull_a_red_line() -> None:
    beside = (Stain(430.0, 14.0, 40.0, COLORS["red"]),)
    assert np.abs(fitted(traced(picture("red", stains=beside)))).max() < 0.3


def test_a_fainter_second_snap_beside_it_does_not_pull_the_line() -> None:
    both = (Chalk(COLORS["blue"], strength=0.75), Chalk(COLORS["blue"], strength=0.3, sigma_mm=0.7, offset_mm=3.0))
    pixels = picture(chalk=both)
    first = candidates(pixels)[0]
    trace = traced(pixels, (float(np.arctan(first.slope)), first.offset_mm))
    assert np.abs(fitted(trace)).max() < 0.3


@pytest.mark.parametrize(("apart_mm", "strength"), [(4.0, 0.7), (7.0, 0.55), (-9.0, 0.55)])
def test_a_second_line_too_near_to_be_found_apart_is_told(apart_mm: float, strength: float) -> None:
    chalk = (Chalk(COLORS["blue"]), Chalk(COLORS["blue"], offset_mm=apart_mm, strength=strength))
    strip = cut_strip(picture(chalk=chalk), CAMERA, POSE, (0.0, 0.0), (), SPAN_MM)
    assert strip is not None
    assert second_line_mm(strip, (0.0, 0.0)) == pytest.approx(apart_mm, abs=0.8)


@pytest.mark.parametrize("color", COLORS)
def test_one_line_alone_with_stains_beside_it_has_no_second(color: str) -> None:
    strip = cut_strip(picture(color, stains=STAIN), CAMERA, POSE, (0.0, 0.0), (), SPAN_MM)
    assert strip is not None
    assert second_line_mm(strip, (0.0, 0.0)) is None


def test_a_line_that_wanders_is_followed_where_it_goes_and_said_to_be_less_sure() -> None:
    wavy = picture(chalk=(Chalk(COLORS["blue"], wave_mm=0.8, wave_length_mm=300.0),))
    straight, wandering = traced(picture("blue")), traced(wavy)
    ground = meet_plane(CAMERA, POSE, wandering.px)
    true = Chalk(wave_mm=0.8, wave_length_mm=300.0).middle_mm(ground[:, 0])
    assert np.sqrt(np.mean((ground[:, 1] - true) ** 2)) < 0.4
    assert np.median(wandering.sigma_px) > 1.5 * np.median(straight.sigma_px)


def test_the_edges_of_the_wall_do_not_pass_for_chalk() -> None:
    found = candidates(picture(chalk=(), wall_mm=(-120.0, 140.0)))
    assert all(abs(abs(at_mm(one, 450.0) - 10.0) - 130.0) > 5.0 for one in found)


def test_bare_concrete_has_no_line() -> None:
    assert candidates(picture(chalk=())) == []
    strip = cut_strip(picture(chalk=()), CAMERA, POSE, (0.0, 0.0), (), SPAN_MM)
    assert strip is not None
    assert trace_line(strip, (0.0, 0.0)) is None


def test_what_cards_cover_is_neither_searched_nor_followed() -> None:
    paper = np.array([[287.0, 73.0], [553.0, 73.0], [553.0, -43.0], [287.0, -43.0]])
    pixels = picture("blue", card=True)
    first = candidates(pixels, (paper,))[0]
    assert abs(at_mm(first, 450.0)) < 3.0
    trace = traced(pixels, covered=(paper,))
    ground = meet_plane(CAMERA, POSE, trace.px)
    assert not ((ground[:, 0] > 287.0) & (ground[:, 0] < 553.0)).any()
    assert np.abs(fitted(trace)).max() < 0.3


def test_points_come_with_a_sigma_across_the_line_of_a_few_tenths_of_a_millimetre() -> None:
    trace = traced(picture("blue"))
    ground = meet_plane(CAMERA, POSE, trace.px)
    beside = project(CAMERA, POSE, ground + np.array([0.0, 1.0, 0.0]))
    sigma_mm = trace.sigma_px / np.linalg.norm(beside - trace.px, axis=1)
    assert 0.3 < np.median(sigma_mm) < 1.0


def test_a_span_too_short_for_five_points_gives_none() -> None:
    assert cut_strip(picture("blue"), CAMERA, POSE, (0.0, 0.0), (), (0.0, 30.0)) is None
