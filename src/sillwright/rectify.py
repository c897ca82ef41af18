"""A photo laid flat on a level plane: true to scale in the plane, wrong for all that stands above it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Camera, Pose, project

# The map is exact at every 8th cell and straight between. With phone lenses it is off by 0.016 px at most with cells of
# 1 mm, 0.064 px with 2 mm and 0.004 px with half a millimetre or less: by the square of the cell.
MAP_STEP = 8


@dataclass(frozen=True)
class PlaneGrid:
    """A grid of cells on the plane Z = ``z_mm``: cell (row, column) is centred on x0 + column step, y0 + row step.

    ``step_x_mm`` and ``step_y_mm`` may be negative, to turn the picture without mirroring it.
    """

    x0_mm: float
    y0_mm: float
    step_x_mm: float
    step_y_mm: float
    columns: int
    rows: int
    z_mm: float = 0.0

    def x_mm(self, column: NDArray[Any]) -> Array:
        """X of columns."""
        return self.x0_mm + np.asarray(column, dtype=float) * self.step_x_mm

    def y_mm(self, row: NDArray[Any]) -> Array:
        """Y of rows."""
        return self.y0_mm + np.asarray(row, dtype=float) * self.step_y_mm


def plane_map(camera: Camera, pose: Pose, grid: PlaneGrid) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Pixel coordinates of every cell, two (rows, columns) arrays for ``cv2.remap``; NaN behind the camera."""
    columns = np.arange(0, grid.columns + MAP_STEP, MAP_STEP)
    rows = np.arange(0, grid.rows + MAP_STEP, MAP_STEP)
    x, y = np.meshgrid(grid.x_mm(columns), grid.y_mm(rows))
    points = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, grid.z_mm)])
    px = project(camera, pose, points).reshape(len(rows), len(columns), 2).astype(np.float32)
    fine_x, fine_y = np.meshgrid(
        np.arange(grid.columns, dtype=np.float32) / MAP_STEP, np.arange(grid.rows, dtype=np.float32) / MAP_STEP
    )
    full = cv2.remap(px, fine_x, fine_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
    return np.ascontiguousarray(full[:, :, 0]), np.ascontiguousarray(full[:, :, 1])


def rectify(
    pixels: NDArray[np.uint8], camera: Camera, pose: Pose, grid: PlaneGrid
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """The photo, whole or stored at half size, on the grid, and which cells the photo really shows."""
    (flat,), inside = rectify_all((pixels,), camera, pose, grid)
    return flat, inside


def rectify_all(
    pictures: Sequence[NDArray[np.uint8]], camera: Camera, pose: Pose, grid: PlaneGrid
) -> tuple[list[NDArray[np.uint8]], NDArray[np.bool_]]:
    """Pictures of one size that belong to one photo, as :func:`rectify` lays each."""
    map_x, map_y = plane_map(camera, pose, grid)
    inside = (map_x >= 0) & (map_y >= 0) & (map_x <= camera.width_px - 1) & (map_y <= camera.height_px - 1)
    shrink = round(camera.width_px / pictures[0].shape[1])
    if shrink > 1:
        map_x, map_y = ((m + 0.5) / shrink - 0.5 for m in (map_x, map_y))
    flat = [cv2.remap(one, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for one in pictures]
    return flat, inside
