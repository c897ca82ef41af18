"""One bolt between two photos of a short stretch of wall, for tests of what stands and what lies flat."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from scene_pictures import render
from scenes import PHONE, Bar, Scene, overhead
from sillwright.camera import Pose, project
from sillwright.measure.search import Search
from sillwright.measure.work import BoltSearch, BoltTask, ViewTask
from sillwright.outline import Bolt
from sillwright.see.bolts import NO_PROPOSALS
from sillwright.see.parallax import FlatPatch, flat_patch
from sillwright.see.wall import KnownThings, WallArea

AREA = WallArea(370.0, 530.0, -10.0, 150.0)
POSES = (
    overhead(150.0, -30.0, 1250.0, lean_deg=(3.0, 1.0), turn_deg=2.0),
    overhead(780.0, 20.0, 1300.0, lean_deg=(2.0, -2.0), turn_deg=179.0),
)
BOLT = Bolt(np.array([450.0, 70.0, 0.0]), np.array([453.0, 72.0, 92.0]), 6.35)
BAR = Bar(BOLT, 1.2, 1.954)


def laid_flat(scene: Scene, photo: int, gain: float = 1.0, covered: bool = False) -> FlatPatch:
    """A drawn photo's part of the wall; only the pixels that show the area are drawn."""
    camera, pose = scene.camera, scene.poses[photo]
    xs, ys = (AREA.x_from_mm - 10.0, AREA.x_to_mm + 10.0), (AREA.y_from_mm - 10.0, AREA.y_to_mm + 10.0)
    px = project(camera, pose, np.array([[x, y, 0.0] for x in xs for y in ys]))
    left, top = np.floor(px.min(axis=0)).astype(int)
    width, height = np.ceil(px.max(axis=0)).astype(int) - [left, top]
    gray = np.full((camera.height_px, camera.width_px), 120, dtype=np.uint8)
    window = (int(left), int(top), int(width), int(height))
    drawn = cv2.cvtColor(render(scene, photo, window=window, samples=2, seed=photo), cv2.COLOR_BGR2GRAY)
    shot = np.clip(gain * drawn.astype(float), 0, 255).astype(np.uint8)
    gray[top : top + height, left : left + width] = shot
    everything = np.array([[x, y, 0.0] for x, y in ((0.0, -200.0), (900.0, -200.0), (900.0, 300.0), (0.0, 300.0))])
    return flat_patch(gray, camera, pose, AREA, KnownThings((everything,) if covered else (), ()))


def search_of(poses: Sequence[Pose], patches: Sequence[FlatPatch]) -> Search:
    """Photos laid flat as the search of a run keeps them, with nothing proposed."""
    tasks, searches = [], []
    for pose, flat in zip(poses, patches, strict=True):
        view = ViewTask(Path(), PHONE, pose, (), (0.0, 0.0), (0.0, 0.0))
        tasks.append(BoltTask(view, AREA, (), 0.3, BOLT.radius_mm))
        searches.append(BoltSearch(NO_PROPOSALS, (None, None), flat))
    return Search(tuple(tasks), tuple(searches))
