"""A photo laid flat: the map against exact projection, and a picture against what was drawn."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scene_pictures import render
from scenes import PHONE, Scene, inside, lying, overhead
from sillwright import rectify as rectify_module
from sillwright.camera import Pose, meet_plane, project
from sillwright.rectify import PlaneGrid, clear_of, plane_map, rectify

POSE = overhead(300.0, 0.0, 1250.0, lean_deg=(6.0, -4.0), turn_deg=5.0)


def exact(pose: Pose, grid: PlaneGrid) -> np.ndarray:
    x, y = np.meshgrid(grid.x_mm(np.arange(grid.columns)), grid.y_mm(np.arange(grid.rows)))
    points = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, grid.z_mm)])
    return project(PHONE, pose, points).reshape(grid.rows, grid.columns, 2)


@settings(max_examples=20, deadline=None)
@given(
    st.floats(1100.0, 1600.0),
    st.floats(-12.0, 12.0),
    st.floats(-12.0, 12.0),
    st.floats(-180.0, 180.0),
    st.sampled_from([0.25, 0.4, 1.0, 2.0]),
    st.sampled_from([-1.0, 1.0]),
    st.floats(0.0, 75.0),
)
def test_the_map_is_the_projection_to_a_hundredth_of_a_pixel(
    height_mm: float, about_x: float, about_y: float, turn_deg: float, step_mm: float, sense: float, z_mm: float
) -> None:
    """With cells of 0.75 mm or less; it bends between the cells that are exact, by the square of their size."""
    grid = PlaneGrid(200.0, -80.0 * sense, step_mm, sense * step_mm, 131, 83, z_mm)
    pose = overhead(300.0, 0.0, height_mm, lean_deg=(about_x, about_y), turn_deg=turn_deg)
    px = np.concatenate(list(plane_map(PHONE, pose, grid)))
    true = exact(pose, grid)
    assert px.shape == true.shape
    seen = inside(PHONE, true.reshape(-1, 2), 0.0).reshape(true.shape[:2])
    limit_px = max(0.004, 0.016 * step_mm**2)
    assert np.abs(px - true)[seen].max(initial=0.0) < limit_px
    half = np.concatenate(list(plane_map(PHONE, pose, grid, shrink=2)))
    assert np.abs(half - ((true + 0.5) / 2.0 - 0.5))[seen].max(initial=0.0) < limit_px


@settings(max_examples=30, deadline=None)
@given(
    st.floats(-12.0, 12.0),
    st.floats(-12.0, 12.0),
    st.floats(-180.0, 180.0),
    st.sampled_from([(0.8, 0.8), (0.8, -0.8), (-1.0, 0.5), (2.0, 1.0)]),
    st.floats(0.0, 90.0),
    st.tuples(st.floats(100.0, 500.0), st.floats(-150.0, 150.0), st.floats(-20.0, 150.0)),
)
def test_a_photo_laid_flat_shows_all_that_stands_where_a_camera_looking_straight_down_would(
    about_x: float,
    about_y: float,
    turn_deg: float,
    steps_mm: tuple[float, float],
    z_mm: float,
    point_mm: tuple[float, float, float],
) -> None:
    """Through the photo's own lens to the plane, or by the vertical photo's camera: one cell."""
    pose = overhead(300.0, 0.0, 1250.0, lean_deg=(about_x, about_y), turn_deg=turn_deg)
    grid = PlaneGrid(40.0, -70.0, *steps_mm, 500, 300, z_mm)
    point = np.array([point_mm])
    flat = meet_plane(PHONE, pose, project(PHONE, pose, point), z_mm)[0]
    cell = (flat[:2] - [grid.x0_mm, grid.y0_mm]) / steps_mm
    camera, plumb = grid.as_photo(pose.centre_mm)
    seen = plumb.to_camera(point)[0]
    assert (camera.width_px, camera.height_px) == (500, 300)
    np.testing.assert_allclose(plumb.centre_mm, pose.centre_mm, atol=1e-9)
    np.testing.assert_allclose(camera.matrix @ seen / seen[2], np.append(cell, 1.0), atol=1e-6)


def test_cells_outside_the_photo_are_marked_and_the_others_are_not() -> None:
    pose = overhead(0.0, 0.0, 1000.0, lean_deg=(0.0, 0.0))
    grid = PlaneGrid(-900.0, 600.0, 2.0, -2.0, 900, 600)
    _, shown = rectify(np.zeros((3024, 4032), np.uint8), PHONE, pose, grid)
    true = exact(pose, grid)
    with np.errstate(invalid="ignore"):
        expected = (true >= 0.0).all(axis=2) & (true <= [4031.0, 3023.0]).all(axis=2)
    clear = np.isfinite(true).all(axis=2) & (np.abs(true) > 0.1).all(axis=2)
    clear &= (np.abs(true - [4031.0, 3023.0]) > 0.1).all(axis=2)
    assert 0.3 < shown.mean() < 0.9
    assert (shown == expected)[clear].all()


def test_a_grid_behind_the_camera_shows_nothing() -> None:
    grid = PlaneGrid(0.0, 0.0, 1.0, 1.0, 60, 60, 2000.0)
    _, shown = rectify(np.zeros((3024, 4032), np.uint8), PHONE, POSE, grid)
    assert not shown.any()


@pytest.mark.parametrize("step", [1.0, -1.0])
def test_a_card_laid_flat_is_as_large_as_it_was_printed(step: float) -> None:
    """The paper, 260 by 110 mm, in cells of half a millimetre: its border stands where it was put."""
    scene = Scene(PHONE, (POSE,), (2,), (lying(180.0, 45.0, 0.0),))
    picture = np.full((3024, 4032, 3), 150, np.uint8)
    picture[1000:2000, 1200:2800] = render(scene, 0, window=(1200, 1000, 1600, 1000), samples=1)
    grid = PlaneGrid(150.0, 70.0 * step, 0.5, -0.5 * step, 640, 290)
    flat, shown = rectify(picture, PHONE, POSE, grid)
    assert shown.all()
    white = flat[:, :, 0] > 195
    rows, columns = np.flatnonzero(white.any(axis=1)), np.flatnonzero(white.any(axis=0))
    x, y = grid.x_mm(columns[[0, -1]]), np.sort(grid.y_mm(rows[[0, -1]]))
    np.testing.assert_allclose(x, [170.0, 430.0], atol=1.0)
    np.testing.assert_allclose(y, [-55.0, 55.0], atol=1.0)


def test_cells_under_an_outline_are_not_clear_and_the_others_stay() -> None:
    grid = PlaneGrid(-20.0, 10.0, 2.0, -1.0, 40, 30)
    shown = np.ones((30, 40), dtype=bool)
    shown[:, :3] = False
    square = np.array([[0.0, 0.0], [20.0, 0.0], [20.0, 5.0], [0.0, 5.0]])
    expected = shown.copy()
    expected[5:11, 10:21] = False
    assert (clear_of(shown, grid, [square]) == expected).all()


def test_a_photo_laid_flat_in_bands_has_no_seams(monkeypatch: pytest.MonkeyPatch) -> None:
    photo = np.random.default_rng(1).integers(0, 255, (3024, 4032, 3), dtype=np.uint8)
    grid = PlaneGrid(0.0, 120.0, 2.0, -2.0, 301, 119)
    whole, shown = rectify(photo, PHONE, POSE, grid)
    monkeypatch.setattr(rectify_module, "BAND_CELLS", 3 * 8 * 301)
    flat, inside = rectify(photo, PHONE, POSE, grid)
    np.testing.assert_array_equal(flat, whole)
    np.testing.assert_array_equal(inside, shown)
