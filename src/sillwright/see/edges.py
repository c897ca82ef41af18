"""The top edges of the foundation wall in one photo: where concrete ends on either side of the chalk line.

Outward from the line, the first place where a window of the wall top and a window beyond it differ in colour or in
roughness all along the photo.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Camera, Pose
from sillwright.rectify import PlaneGrid, clear_of, rectify

CELL_MM = 2.0
POOL_MM = 24.0
WINDOW_MM = 16.0
NEAREST_MM = 18.0
LARGEST_SLOPE, SLOPES = 0.02, 41
BORDER_ROWS = 13
LEAST_STEP = 6.0  # CIE Lab units between wall and what lies beside it
SHARE_OF_STRONGEST = 0.6
UNSEEN = -1.0


@dataclass(frozen=True)
class WallEdge:
    """A straight top edge: y = offset + slope x on the plane, and how clearly it stands out (Lab units)."""

    slope: float
    offset_mm: float
    strength: float


def find_wall_edges(
    pixels: NDArray[np.uint8], camera: Camera, pose: Pose, grid: PlaneGrid, covered_mm: Sequence[Array]
) -> tuple[WallEdge | None, WallEdge | None]:
    """The edge on the -Y side and the edge on the +Y side of the line Y = 0; None where none is seen.

    ``grid`` has 2 mm cells and steps in +X and +Y, and is centred on Y = 0.
    """
    flat, usable = rectify(pixels, camera, pose, grid)
    lab = cv2.cvtColor(flat.astype(np.float32) / np.float32(255.0), cv2.COLOR_BGR2Lab)
    usable = clear_of(usable, grid, covered_mm)
    light = lab[:, :, 0]
    rough = np.abs(light - cv2.blur(light, (5, 5)))
    feature = cv2.merge([0.5 * light, lab[:, :, 1], lab[:, :, 2], 2.0 * rough])
    ridges = _ridges(_steps(feature, usable))
    return _first_edge(ridges, grid, -1), _first_edge(ridges, grid, 1)


def _steps(feature: Array, usable: NDArray[np.bool_]) -> Array:
    """How different the windows above and below each cell are, in columns of 24 mm: (columns, rows); NaN unseen."""
    per_column = round(POOL_MM / CELL_MM)
    count = feature.shape[1] // per_column
    wide = count * per_column
    share = usable[:, :wide].astype(np.float32)
    size = (count, len(feature))
    total = cv2.resize(feature[:, :wide] * share[:, :, None], size, interpolation=cv2.INTER_AREA).astype(float)
    weight = cv2.resize(share, size, interpolation=cv2.INTER_AREA).astype(float)
    window = round(WINDOW_MM / CELL_MM)
    running = np.cumsum(np.pad(total, ((1, 0), (0, 0), (0, 0))), axis=0)
    counted = np.cumsum(np.pad(weight, ((1, 0), (0, 0))), axis=0)
    rows = len(feature)
    step = np.full((count, rows), np.nan)
    at = np.arange(window, rows - window)
    below, above = running[at] - running[at - window], running[at + window] - running[at]
    n_below, n_above = counted[at] - counted[at - window], counted[at + window] - counted[at]
    good = (n_below > 0.6 * window) & (n_above > 0.6 * window)
    n_below, n_above = np.maximum(n_below, 1.0), np.maximum(n_above, 1.0)
    apart = below / n_below[:, :, None] - above / n_above[:, :, None]
    step[:, at] = np.where(good, np.sqrt(np.einsum("rck,rck->rc", apart, apart)), np.nan).T
    return step


@dataclass(frozen=True)
class _Ridges:
    """By row of the grid: how strong a straight edge through its middle is at the best slope, 0 for none, and that."""

    strength: Array
    slope: Array
    middle_mm: float


def _ridges(step: Array) -> _Ridges:
    columns, rows = step.shape
    x = (np.arange(columns) + 0.5) * POOL_MM
    middle = float(x.mean())
    at = np.arange(BORDER_ROWS, rows - BORDER_ROWS)
    filled = np.where(np.isfinite(step), step, UNSEEN).astype(np.float32)
    column = np.arange(columns)[:, None]
    best, best_slope, equals = np.zeros(len(at)), np.zeros(len(at)), np.ones(len(at))
    for slope in np.linspace(-LARGEST_SLOPE, LARGEST_SLOPE, SLOPES):
        shift = np.round(slope * (x - middle) / CELL_MM).astype(int)
        along = filled[column, np.clip(at[None, :] + shift[:, None], 0, rows - 1)]
        count = np.count_nonzero(along >= 0.0, axis=0)
        # Where the median falls short of the least step no edge is: only the others are sorted out.
        clear = (count > 0.25 * columns) & (2 * np.count_nonzero(along >= LEAST_STEP, axis=0) >= count)
        level = np.zeros(len(at))
        level[clear] = _median(along[:, clear], count[clear])
        better, alike = level > best, level == best
        best[better] = level[better]
        best_slope[better], equals[better] = slope, 1.0
        # Shifts of less than a cell make several slopes equal: the edge has the middle one.
        best_slope[alike] += slope
        equals[alike] += 1.0
    strength, slopes = np.zeros(rows), np.zeros(rows)
    strength[at], slopes[at] = best, best_slope / equals
    return _Ridges(strength, slopes, middle)


def _first_edge(ridges: _Ridges, grid: PlaneGrid, side: int) -> WallEdge | None:
    y = grid.y_mm(np.arange(grid.rows))
    best = np.where(side * y > NEAREST_MM, ridges.strength, 0.0)
    if best.max(initial=0.0) < LEAST_STEP:
        return None
    clear = np.flatnonzero(best >= max(LEAST_STEP, SHARE_OF_STRONGEST * float(best.max())))
    for row in clear if side > 0 else clear[::-1]:
        if best[row] == best[max(0, row - 8) : row + 9].max():
            slope = float(ridges.slope[row])
            # The step lies between cell row - 1 and cell row.
            offset = float(y[row]) - CELL_MM / 2.0 - slope * (grid.x0_mm + ridges.middle_mm)
            return WallEdge(slope, offset, float(best[row]))
    return None


def _median(values: Array, count: Array) -> Array:
    """Median down each column of those that are seen, ``count`` of them; the others are negative."""
    index = np.clip(len(values) - (count + 1) // 2 - 1 + (count == 0), 0, len(values) - 1)
    return np.sort(values, axis=0)[index, np.arange(values.shape[1])]
