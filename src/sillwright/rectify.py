"""A photo laid flat on a level plane: true to scale in the plane, wrong for all that stands above it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Camera, Pose, meet_plane, project_apart

# The map is exact at every 8th cell and straight between. With phone lenses it is off by 0.016 px at most with cells of
# 1 mm, 0.064 px with 2 mm and 0.004 px with half a millimetre or less: by the square of the cell.
MAP_STEP = 8
BAND_CELLS = 120_000  # so few that a band's map stays in the processor's own memory while it is used
LONGEST_VIEW_MM = 4000.0
BORDER_POINTS = 48


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

    def as_photo(self, centre_mm: Array) -> tuple[Camera, Pose]:
        """The camera and pose that have the grid as their photo: at ``centre_mm`` (3,), looking straight down."""
        x_mm, y_mm, height_mm = (float(v) for v in centre_mm - [self.x0_mm, self.y0_mm, self.z_mm])
        camera = Camera(
            self.columns,
            self.rows,
            fx=height_mm / abs(self.step_x_mm),
            fy=height_mm / abs(self.step_y_mm),
            cx=x_mm / self.step_x_mm,
            cy=y_mm / self.step_y_mm,
        )
        down = np.diag([np.sign(self.step_x_mm), np.sign(self.step_y_mm), -1.0])
        return camera, Pose(down, -down @ centre_mm)


def plane_seen(camera: Camera, pose: Pose, z_mm: float = 0.0) -> Array:
    """Where a photo's border meets a level plane, (N, 2); points that do not meet it, or far off, are left out.

    ``BORDER_POINTS`` of them where the photo shows nothing but the plane, and that near.
    """
    w, h = camera.width_px - 1.0, camera.height_px - 1.0
    t = np.linspace(0.0, 1.0, BORDER_POINTS // 4)
    border = np.concatenate(
        [
            np.column_stack([t * w, 0 * t]),
            np.column_stack([0 * t + w, t * h]),
            np.column_stack([t * w, 0 * t + h]),
            np.column_stack([0 * t, t * h]),
        ]
    )
    ground = meet_plane(camera, pose, border, z_mm)[:, :2]
    near = np.isfinite(ground).all(axis=1) & (np.abs(ground - pose.centre_mm[:2]).max(axis=1) < LONGEST_VIEW_MM)
    return ground[near]


def plane_map(camera: Camera, pose: Pose, grid: PlaneGrid, shrink: int = 1) -> Iterator[NDArray[np.float32]]:
    """Pixel coordinates of every cell, as ``cv2.remap`` takes them, a band of rows at a time; NaN behind the camera.

    ``shrink`` : of a photo stored so many times smaller: pixel p of the whole stands at (p + 0.5) / shrink - 0.5 there
    """
    blocks = (-(-grid.columns // MAP_STEP), -(-grid.rows // MAP_STEP))
    # Enlarged so many times, a picture has its own pixels in the middle of each block.
    columns, rows = (MAP_STEP * (np.arange(-1, n + 1) + 0.5) - 0.5 for n in blocks)
    (by_x, by_y, by_z), start = pose.rotation.T, pose.translation_mm
    down = (np.outer(by_y, grid.y_mm(rows)).T + grid.z_mm * by_z + start).T
    in_camera = np.outer(by_x, grid.x_mm(columns))[:, None] + down[:, :, None]
    px = np.stack(project_apart(camera, *in_camera), axis=2)
    px = ((px + 0.5) / shrink - 0.5).astype(np.float32)
    together = max(BAND_CELLS // (MAP_STEP * grid.columns), 1)
    for first in range(0, blocks[1], together):
        around = px[first : first + together + 2]
        full = cv2.resize(around, None, fx=MAP_STEP, fy=MAP_STEP, interpolation=cv2.INTER_LINEAR)
        stop = min(MAP_STEP * together, grid.rows - MAP_STEP * first)
        yield full[MAP_STEP : MAP_STEP + stop, MAP_STEP : MAP_STEP + grid.columns]


def rectify(
    pixels: NDArray[np.uint8], camera: Camera, pose: Pose, grid: PlaneGrid
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """The photo, whole or stored at half size, on the grid, and which cells the photo really shows."""
    shrink = round(camera.width_px / pixels.shape[1])
    low, high = ((px + 0.5) / shrink - 0.5 for px in (0.0, np.array([camera.width_px, camera.height_px]) - 1.0))
    flat = np.empty((grid.rows, grid.columns, *pixels.shape[2:]), dtype=np.uint8)
    inside = np.empty((grid.rows, grid.columns), dtype=bool)
    row = 0
    for at in plane_map(camera, pose, grid, shrink):
        band = np.s_[row : row + len(at)]
        np.greater(cv2.inRange(at, (low, low), tuple(high.tolist())), 0, out=inside[band])
        # In thirty-seconds of a pixel, three times as fast as in floats.
        whole, parts = cv2.convertMaps(at, None, cv2.CV_16SC2)
        cv2.remap(pixels, whole, parts, cv2.INTER_LINEAR, dst=flat[band], borderMode=cv2.BORDER_REPLICATE)
        row += len(at)
    return flat, inside


def clear_of(inside: NDArray[np.bool_], grid: PlaneGrid, outlines_mm: Sequence[Array]) -> NDArray[np.bool_]:
    """Cells of ``inside`` that none of the outlines on the plane, (K, 2) each, covers."""
    clear = inside.astype(np.uint8)
    for outline in outlines_mm:
        column = (outline[:, 0] - grid.x0_mm) / grid.step_x_mm
        row = (outline[:, 1] - grid.y0_mm) / grid.step_y_mm
        cv2.fillConvexPoly(clear, np.round(np.column_stack([column, row])).astype(np.int32), 0)
    return clear > 0
