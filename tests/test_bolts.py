"""Proposals of bolts in drawn pictures: found where they stand, whatever the lens, and never too many to weigh."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from scene_pictures import render
from scenes import PHONE, Bar, Scene, draw_bolt, overhead
from sillwright.camera import project
from sillwright.see.bolts import WallArea, _nearest, propose_bolts

AREA = WallArea(0.0, 900.0, -150.0, 150.0)


@pytest.mark.parametrize("count", [1, 4096, 4097, 300_000])
def test_cells_are_read_at_any_number_of_points(count: int) -> None:
    """OpenCV refuses maps of 32767 rows; rough concrete gives more ends to weigh than that."""
    rng = np.random.default_rng(count)
    cells = rng.random((40, 60, 4)).astype(np.float32)
    x, y = rng.integers(-5, 65, (2, count, 1)).astype(np.float32)
    inside = (x >= 0) & (x < 60) & (y >= 0) & (y < 40)
    expected = np.where(inside[..., None], cells[np.clip(y, 0, 39).astype(int), np.clip(x, 0, 59).astype(int)], 0.0)
    assert np.array_equal(np.stack(_nearest(cells, x, y), axis=-1), expected)


@pytest.mark.parametrize("shrink", [1, 2])
@pytest.mark.parametrize("seed", [3, 4])
def test_a_bolt_is_among_the_first_proposals_at_either_size_of_the_photo(seed: int, shrink: int) -> None:
    rng = np.random.default_rng(seed)
    bolt = draw_bolt(rng, 450.0)
    pose = overhead(450.0 + rng.choice([-1.0, 1.0]) * 300.0, -20.0, 1250.0, lean_deg=(3.0, 2.0))
    scene = Scene(PHONE, (pose,), bars=(Bar(bolt, 1.2),))
    middle = project(PHONE, pose, bolt.tip_mm[None])[0]
    left, top = (2 * int(v // 2) for v in middle - 350)
    gray = np.full((PHONE.height_px, PHONE.width_px), 150, np.uint8)
    piece = render(scene, 0, window=(left, top, 700, 700), samples=2)
    gray[top : top + 700, left : left + 700] = cv2.cvtColor(piece, cv2.COLOR_BGR2GRAY)
    camera = PHONE.reduced(shrink)
    small = cv2.resize(gray, (camera.width_px, camera.height_px), interpolation=cv2.INTER_AREA)
    found = propose_bolts(small, np.ones_like(small), camera, pose, AREA, 6.35).enlarged(shrink)
    tip_px = project(PHONE, pose, bolt.tip_mm[None])[0]
    assert min(np.linalg.norm(shape.tip_px - tip_px) for shape in found.shapes[:3]) < 4.0
    assert min(np.linalg.norm(shape.base_mm - bolt.base_mm[:2]) for shape in found.shapes[:3]) < 12.0
    assert np.linalg.norm(found.ends_px - tip_px, axis=1).min() < 4.0
