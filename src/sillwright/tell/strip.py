"""A run from above: its photos laid flat on the concrete, side by side, true to scale, with a feet and inch scale.

Stations rise to the right. The plate's side of the line is up the page in a right-handed run frame and down the page in
a left-handed one, so what the photos show is turned but never mirrored. What stands up is true to scale only where it
meets the concrete.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Camera, Pose, meet_plane
from sillwright.errors import SillwrightError
from sillwright.photo import Pixels
from sillwright.rectify import PlaneGrid, rectify
from sillwright.survey import PhotoRecord, RunRecord, Survey, left_handed, view_of
from sillwright.tell.frames import bolt_base_mm, camera_of, pose_of, reach_mm, setback_span_mm
from sillwright.tell.sketch import PAPER

FINEST_MM_PER_PX = 0.5
WIDEST_PX = 8000
_BEYOND_ENDS_MM = 130.0
_BEYOND_SIDES_MM = 45.0
_BOLT_PATCH_MM = 75.0  # a bolt is shown by one photo alone, as no seam should run through it
_BORDER_POINTS = 24
_FARTHEST_SLOPE = 3.0  # a view flatter than 1 in 3 shows nothing worth laying flat
_BAND_COLUMNS = 2048  # photos are laid down in bands so that the maps stay small


@dataclass(frozen=True)
class StripFrame:
    """Where a run lies on its strip: pixel centres are whole numbers, in the mosaic before its borders are added."""

    left_mm: float
    top_mm: float
    mm_per_px: float
    y_up: bool
    columns: int
    rows: int

    @property
    def grid(self) -> PlaneGrid:
        """The same as a grid of cells on the concrete."""
        step_mm = self.mm_per_px
        return PlaneGrid(
            self.left_mm, self.top_mm, step_mm, -step_mm if self.y_up else step_mm, self.columns, self.rows
        )

    def pixel(self, points_mm: Array) -> Array:
        """Points (N, 2) of station and setback to pixels (N, 2) of the mosaic."""
        points_mm = np.atleast_2d(np.asarray(points_mm, dtype=float))
        down = (self.top_mm - points_mm[:, 1]) if self.y_up else (points_mm[:, 1] - self.top_mm)
        return np.column_stack([points_mm[:, 0] - self.left_mm, down]) / self.mm_per_px


def strip_frame(survey: Survey, run: RunRecord) -> StripFrame:
    """The strip's place and scale: half a millimetre a pixel, coarser where the run would pass 8000 px."""
    handed = bool(left_handed(survey, run.name))
    low_x_mm, high_x_mm = reach_mm(run, handed)
    low_y_mm, high_y_mm = setback_span_mm(run, handed)
    width_mm = high_x_mm - low_x_mm + 2 * _BEYOND_ENDS_MM
    height_mm = high_y_mm - low_y_mm + 2 * _BEYOND_SIDES_MM
    mm_per_px = max(FINEST_MM_PER_PX, width_mm / WIDEST_PX)
    top_mm = low_y_mm - _BEYOND_SIDES_MM if handed else high_y_mm + _BEYOND_SIDES_MM
    return StripFrame(
        left_mm=low_x_mm - _BEYOND_ENDS_MM,
        top_mm=top_mm,
        mm_per_px=mm_per_px,
        y_up=not handed,
        columns=math.floor(width_mm / mm_per_px),
        rows=math.floor(height_mm / mm_per_px),
    )


def mosaic(survey: Survey, run: RunRecord, load_pixels: Callable[[str], Pixels]) -> tuple[StripFrame, Pixels]:
    """The bare strip: each pixel from the photo that looks down on it most squarely; paper where none shows it.

    A photo that ``load_pixels`` cannot give (any error of this package) is left out.
    """
    frame = strip_frame(survey, run)
    flat = np.empty((frame.rows, frame.columns, 3), dtype=np.uint8)
    flat[:] = np.array(PAPER[::-1], dtype=np.uint8)
    best = np.full((frame.rows, frame.columns), np.inf, dtype=np.float32)
    for photo in survey.photos:
        view = view_of(photo, run.name)
        if not photo.used or photo.camera is None or view is None:
            continue
        try:
            pixels = load_pixels(photo.file)
        except SillwrightError:
            continue
        camera = camera_of(photo.camera).scaled(pixels.shape[1], pixels.shape[0])
        _lay(flat, best, frame, run, photo, pixels, camera, pose_of(view))
        del pixels
    return frame, flat


def _lay(
    flat: Pixels,
    best: NDArray[np.float32],
    frame: StripFrame,
    run: RunRecord,
    photo: PhotoRecord,
    pixels: Pixels,
    camera: Camera,
    pose: Pose,
) -> None:
    window = _footprint(frame, camera, pose)
    if window is None:
        return
    first_row, last_row, first_column, last_column = window
    for start in range(first_column, last_column, _BAND_COLUMNS):
        stop = min(start + _BAND_COLUMNS, last_column)
        part = replace(
            frame.grid,
            x0_mm=float(frame.grid.x_mm(np.array(float(start)))),
            y0_mm=float(frame.grid.y_mm(np.array(float(first_row)))),
            columns=stop - start,
            rows=last_row - first_row,
        )
        colors, seen = rectify(pixels, camera, pose, part)
        slope = _slopes(part, pose)
        _favor_whole_bolts(slope, part, run, photo, pose)
        here = best[first_row:last_row, start:stop]
        better = seen & (slope < here)
        here[better] = slope[better]
        flat[first_row:last_row, start:stop][better] = colors[better]


def _footprint(frame: StripFrame, camera: Camera, pose: Pose) -> tuple[int, int, int, int] | None:
    """First and last (row, row, column, column) of the cells a photo can show; None where it shows none."""
    across = np.linspace(0, camera.width_px - 1, _BORDER_POINTS)
    down = np.linspace(0, camera.height_px - 1, _BORDER_POINTS)
    grid_x, grid_y = np.meshgrid(across, down)
    met_mm = meet_plane(camera, pose, np.column_stack([grid_x.ravel(), grid_y.ravel()]))[:, :2]
    centre_mm = pose.centre_mm
    near = np.linalg.norm(met_mm - centre_mm[:2], axis=1) < _FARTHEST_SLOPE * abs(centre_mm[2])
    if not near.any():
        return None
    cells = frame.pixel(met_mm[near])
    low, high = np.floor(cells.min(axis=0)).astype(int), np.ceil(cells.max(axis=0)).astype(int) + 1
    first_column, last_column = max(int(low[0]), 0), min(int(high[0]), frame.columns)
    first_row, last_row = max(int(low[1]), 0), min(int(high[1]), frame.rows)
    if first_column >= last_column or first_row >= last_row:
        return None
    return first_row, last_row, first_column, last_column


def _slopes(part: PlaneGrid, pose: Pose) -> NDArray[np.float32]:
    """How far from straight down each cell is looked at: level distance over height."""
    centre_mm = pose.centre_mm
    x_mm = part.x_mm(np.arange(part.columns, dtype=float)) - centre_mm[0]
    y_mm = part.y_mm(np.arange(part.rows, dtype=float)) - centre_mm[1]
    return np.asarray(np.hypot(x_mm[None, :], y_mm[:, None]) / abs(centre_mm[2]), dtype=np.float32)


def _favor_whole_bolts(
    slope: NDArray[np.float32], part: PlaneGrid, run: RunRecord, photo: PhotoRecord, pose: Pose
) -> None:
    """Round each bolt all cells get one slope, its base's, so that one photo shows it whole."""
    centre_mm = pose.centre_mm
    for bolt in run.bolts:
        base_mm = bolt_base_mm(bolt)
        if base_mm is None:
            continue
        one = float(np.hypot(*(base_mm[:2] - centre_mm[:2])) / abs(centre_mm[2]))
        if photo.file not in bolt.photos:
            one += _FARTHEST_SLOPE
        columns = np.abs(part.x_mm(np.arange(part.columns, dtype=float)) - base_mm[0]) < _BOLT_PATCH_MM
        rows = np.abs(part.y_mm(np.arange(part.rows, dtype=float)) - base_mm[1]) < _BOLT_PATCH_MM
        slope[np.ix_(rows, columns)] = one
