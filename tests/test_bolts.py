"""Proposals of bolts in drawn pictures: found where they stand, whatever the lens, and never too many to weigh."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from scene_pictures import render
from scenes import PHONE, Bar, Scene, draw_bolt, inside, overhead
from sillwright.camera import Camera, Pose, meet_plane, project
from sillwright.outline import Bolt
from sillwright.see import bolts
from sillwright.see.bolts import Proposals, _nearest, propose_bolts
from sillwright.see.vertical import PLANE_MM, vertical_photo
from sillwright.see.wall import KnownThings, WallArea

AREA = WallArea(0.0, 900.0, -150.0, 150.0)


def proposed(gray: np.ndarray, camera: Camera, pose: Pose, area: WallArea = AREA) -> Proposals:
    laid = vertical_photo(gray, camera, pose, area, KnownThings((), ()), 6.35)
    assert laid is not None
    return propose_bolts(*laid, area)


def shot(bolt: Bolt, pose: Pose) -> np.ndarray:
    """A photo of one bolt on plain concrete."""
    left, top = (2 * int(v // 2) for v in project(PHONE, pose, bolt.tip_mm[None])[0] - 350)
    gray = np.full((PHONE.height_px, PHONE.width_px), 150, np.uint8)
    piece = render(Scene(PHONE, (pose,), bars=(Bar(bolt, 1.2),)), 0, window=(left, top, 700, 700), samples=2)
    gray[top : top + 700, left : left + 700] = cv2.cvtColor(piece, cv2.COLOR_BGR2GRAY)
    return gray


@pytest.mark.parametrize("count", [1, 4096, 4097, 300_000])
def test_cells_are_read_at_any_number_of_points(count: int) -> None:
    """OpenCV refuses maps of 32767 rows; rough concrete gives more ends to weigh than that."""
    rng = np.random.default_rng(count)
    cells = rng.integers(0, 256, (40, 60, 4)).astype(np.uint8)
    x, y = rng.integers(-5, 65, (2, count, 1)).astype(np.float32)
    inside = (x >= 0) & (x < 60) & (y >= 0) & (y < 40)
    expected = np.where(inside[..., None], cells[np.clip(y, 0, 39).astype(int), np.clip(x, 0, 59).astype(int)], 0)
    assert np.array_equal(_nearest(cells, x, y), expected)


@pytest.mark.parametrize("shrink", [1, 2])
@pytest.mark.parametrize("seed", [3, 4])
def test_a_bolt_is_among_the_first_proposals_at_either_size_of_the_photo(seed: int, shrink: int) -> None:
    rng = np.random.default_rng(seed)
    bolt = draw_bolt(rng, 450.0)
    pose = overhead(450.0 + rng.choice([-1.0, 1.0]) * 300.0, -20.0, 1250.0, lean_deg=(3.0, 2.0))
    gray = shot(bolt, pose)
    camera = PHONE.reduced(shrink)
    small = cv2.resize(gray, (camera.width_px, camera.height_px), interpolation=cv2.INTER_AREA)
    found = proposed(small, camera, pose)
    tip_px = project(PHONE, pose, bolt.tip_mm[None])[0]
    first = found.shapes[:3]
    assert min(np.linalg.norm(project(PHONE, pose, shape.end_mm[None])[0] - tip_px) for shape in first) < 4.0
    assert min(np.linalg.norm(shape.base_mm - bolt.base_mm[:2]) for shape in first) < 12.0
    assert np.linalg.norm(project(PHONE, pose, found.ends_mm) - tip_px, axis=1).min() < 4.0


def test_what_is_not_looked_at_further_would_not_have_been_proposed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Feet are weighed only where the clearest could make a shape worth something; on grain, where many are tried."""
    rng = np.random.default_rng(6)
    pose = overhead(150.0, -20.0, 1250.0, lean_deg=(3.0, 2.0))
    grain = cv2.GaussianBlur(rng.normal(0.0, 60.0, (PHONE.height_px, PHONE.width_px)), (0, 0), 3.0)
    gray = np.clip(shot(draw_bolt(rng, 450.0), pose) + grain, 0, 255).astype(np.uint8)
    found = proposed(gray, PHONE, pose)
    monkeypatch.setattr(bolts, "EVIDENCE_CAP", 1e6)
    every = proposed(gray, PHONE, pose)
    assert len(found.shapes) > 5
    for one, other in zip(found.shapes, every.shapes, strict=True):
        assert one.score == other.score
        np.testing.assert_array_equal(np.append(one.end_mm, one.base_mm), np.append(other.end_mm, other.base_mm))


@pytest.mark.parametrize("tilt_deg", [0.0, 20.0, 45.0, 60.0])
def test_the_search_covers_every_end_that_a_photo_shows(tilt_deg: float) -> None:
    """From straight down to the horizon in view, where part of the photo's border never meets the wall."""
    pose = overhead(450.0, 0.0, 1250.0, lean_deg=(0.0, tilt_deg))
    area = WallArea(-3000.0, 3900.0, -150.0, 150.0)
    plain = np.zeros((PHONE.height_px // 8, PHONE.width_px // 8), np.uint8)
    laid = vertical_photo(plain, PHONE.reduced(8), pose, area, KnownThings((), ()), 6.35)
    assert laid is not None
    grid = laid[0].grid
    x, y = np.meshgrid(np.arange(-3000.0, 3900.0, 20.0), np.arange(-200.0, 201.0, 20.0))
    ends = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, PLANE_MM)])
    shown = ends[inside(PHONE, project(PHONE, pose, ends), 0.0)]
    column, row = (shown[:, 0] - grid.x0_mm) / grid.step_x_mm, (shown[:, 1] - grid.y0_mm) / grid.step_y_mm
    assert len(shown) > 100
    assert ((column >= 0) & (column < grid.columns) & (row >= 0) & (row < grid.rows)).all()


def test_an_end_that_the_photo_s_border_cuts_is_no_whole_one() -> None:
    """A lens without distortion, square to the wall: the border runs along the cells, and cut ends lie right on it."""
    pinhole = replace(PHONE, k1=0.0, k2=0.0, k3=0.0, p1=0.0, p2=0.0)
    pose = overhead(450.0, 0.0, 1250.0, lean_deg=(0.0, 0.0))
    border_mm = float(meet_plane(pinhole, pose, np.array([[0.0, 1500.0]]), PLANE_MM)[0, 0])
    tips = [np.array([border_mm + 1.0, y, PLANE_MM]) for y in (-60.0, 0.0, 60.0)]
    bars = tuple(Bar(Bolt(tip * [1.0, 1.0, 0.0], tip, 6.35), 1.2) for tip in tips)
    scene = Scene(pinhole, (pose,), bars=bars)
    gray = np.full((pinhole.height_px, pinhole.width_px), 150, np.uint8)
    gray[1100:1900, :400] = cv2.cvtColor(render(scene, 0, window=(0, 1100, 400, 800), samples=2), cv2.COLOR_BGR2GRAY)
    area = WallArea(border_mm - 200.0, border_mm + 600.0, -150.0, 150.0)
    ends = project(pinhole, pose, proposed(gray, pinhole, pose, area).ends_mm)
    assert not (ends[:, 0] < 5.0).any()
