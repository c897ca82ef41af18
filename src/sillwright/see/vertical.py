"""A photo as a camera in the same place, but looking straight down, would have taken it.

Laid flat on a level plane a photo is what aerial survey calls its equivalent vertical photograph: all that stands above
or below the plane shows in it where such a camera would show it. So bolts are looked for, and their outlines laid over
its edges, as in any photo, but without a lens in between, only where the wall is, and every end face nearly a circle of
one size.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Camera, Pose
from sillwright.rectify import BORDER_POINTS, PlaneGrid, plane_seen, rectify
from sillwright.see.edgefield import EdgeField, edges_in_bytes
from sillwright.see.wall import KnownThings, WallArea

PLANE_MM = 75.0  # the middle height of bolts' ends
CELLS_A_RADIUS = 7.0
HIGHEST_TIP_MM = 140.0
LARGEST_LEAN = 0.26  # tip over height: 15 degrees
ROUND_RADII = 2.0  # beside the outermost axes: a radius of bolt, and one to see its edge in
LEAST_CELLS = 20


@dataclass(frozen=True)
class VerticalPhoto:
    """One photo's part of the wall, and of what may stand on it, looked straight down upon.

    field : its edges, a cell a pixel of ``camera``
    """

    grid: PlaneGrid
    camera: Camera
    pose: Pose
    field: EdgeField


def vertical_photo(
    gray: NDArray[np.uint8], camera: Camera, pose: Pose, area: WallArea, known: KnownThings, radius_mm: float
) -> tuple[VerticalPhoto, NDArray[np.bool_]] | None:
    """The part of a photo that bolts standing in ``area`` may show in; None where there is no room for one.

    Beside it which of its cells (rows, columns) the photo really shows.
    """
    grid = _grid(camera, pose, area, radius_mm)
    if grid is None:
        return None
    px_a_cell = camera.fx / max(pose.centre_mm[2] - PLANE_MM, 1.0) * grid.step_x_mm
    smooth = cv2.GaussianBlur(gray, (0, 0), 0.4 * px_a_cell) if px_a_cell > 1.2 else gray
    flat, inside = rectify(smooth, camera, pose, grid)
    down, plumb = grid.as_photo(pose.centre_mm)
    clear = known.seen_by(down, plumb).clear(flat.shape)
    clear &= inside.view(np.uint8)
    return VerticalPhoto(grid, down, plumb, edges_in_bytes(flat, clear)), inside


def _grid(camera: Camera, pose: Pose, area: WallArea, radius_mm: float) -> PlaneGrid | None:
    """Where bolts that stand in an area may show on the plane; None where there is no room for one."""
    centre_mm = pose.centre_mm
    low_mm, high_mm = (np.array(at) for at in ((area.x_from_mm, area.y_from_mm), (area.x_to_mm, area.y_to_mm)))
    shown = []
    for height_mm in (0.0, HIGHEST_TIP_MM):
        rise, lean_mm = (centre_mm[2] - PLANE_MM) / (centre_mm[2] - height_mm), LARGEST_LEAN * height_mm
        shown.append([centre_mm[:2] + rise * (at - centre_mm[:2]) for at in (low_mm - lean_mm, high_mm + lean_mm)])
    low_mm = np.min([low for low, _ in shown], axis=0) - ROUND_RADII * radius_mm
    high_mm = np.max([high for _, high in shown], axis=0) + ROUND_RADII * radius_mm
    seen_mm = plane_seen(camera, pose, PLANE_MM)
    # Where part of its border misses the plane, how far the photo shows it is not known. Some cells past the border
    # stay: ends that it cuts must not pass for whole ones.
    if len(seen_mm) == BORDER_POINTS:
        low_mm = np.maximum(low_mm, seen_mm.min(axis=0) - ROUND_RADII * radius_mm)
        high_mm = np.minimum(high_mm, seen_mm.max(axis=0) + ROUND_RADII * radius_mm)
    step_mm = radius_mm / CELLS_A_RADIUS
    columns, rows = (int(cells) for cells in (high_mm - low_mm) / step_mm)
    if columns < LEAST_CELLS or rows < LEAST_CELLS:
        return None
    return PlaneGrid(float(low_mm[0]), float(high_mm[1]), step_mm, -step_mm, columns, rows, PLANE_MM)
