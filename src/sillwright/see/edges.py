"""The top edges of the foundation wall in one photo: where concrete ends on either side of the chalk line.

Outward from the line, the first place where a window of the wall top and a window beyond it differ in colour or in
roughness all along the photo.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from sillwright.camera import Array, Camera, Pose
from sillwright.rectify import PlaneGrid, clear_of, rectify
from sillwright.see.pooling import pooled

CELL_MM = 2.0
ROUGH_CELLS = 5
POOL_MM = 24.0
WINDOW_MM = 16.0
NEAREST_MM = 18.0
LARGEST_SLOPE, SLOPES = 0.02, 41
BORDER_ROWS = 13
LEAST_SEEN = 0.25  # of the columns
LEAST_STEP = 6.0  # CIE Lab units between wall and what lies beside it
SHARE_OF_STRONGEST = 0.6
END_COLUMNS = 3
LIKE_THE_EDGE = (
    0.3  # along edges of rendered walls hardly under 0.6, in deep shade half of that; past an end 0.2 at most
)
UNSEEN = -1.0


@dataclass(frozen=True)
class WallEdge:
    """A straight top edge: y = offset + slope x on the plane, and how clearly it stands out (Lab units).

    from_mm, to_mm : between which X it is to be seen, where it ends within the photo
    """

    slope: float
    offset_mm: float
    strength: float
    from_mm: float = -np.inf
    to_mm: float = np.inf


WallEdges = tuple[WallEdge | None, WallEdge | None]
"""The edge on the -Y side and the edge on the +Y side of the line Y = 0; None where none is seen."""


def find_wall_edges(
    pixels: NDArray[np.uint8], camera: Camera, pose: Pose, grid: PlaneGrid, covered_mm: Sequence[Array]
) -> WallEdges:
    """The top edges of the wall to either side of the line.

    ``grid`` steps in +X and +Y, 2 mm across and 2 or 3 mm along, and is centred on Y = 0.
    """
    flat, usable = rectify(pixels, camera, pose, grid)
    usable = clear_of(usable, grid, covered_mm)
    total, weight = pooled(flat, usable, round(POOL_MM / grid.step_x_mm), _features, ROUGH_CELLS // 2)
    apart, lit = _differences(total, weight)
    ridges = _ridges(np.sqrt(np.einsum("rck,rck->rc", apart, apart)))
    low, high = (_first_edge(ridges, grid, side) for side in (-1, 1))
    return _with_ends(low, apart, lit, grid), _with_ends(high, apart, lit, grid)


def _features(pixels: NDArray[np.float32]) -> NDArray[np.float32]:
    """Light, a*, b* (CIE 1976) and roughness of a picture, BGR from 0 to 255, (H, W, 4)."""
    light, a, b = cv2.split(cv2.cvtColor(pixels / np.float32(255.0), cv2.COLOR_BGR2Lab))
    rough = np.abs(light - cv2.blur(light, (ROUGH_CELLS, ROUGH_CELLS)))
    return np.asarray(cv2.merge([0.5 * light, a, b, 2.0 * rough]), dtype=np.float32)


def _differences(total: Array, weight: Array) -> tuple[Array, Array]:
    """By how much windows below each cell differ from those above: (columns, rows, 4).

    total : (rows, columns, 4) features, weight : (rows, columns) share seen, as :func:`pooled` gives them
    NaN where either is not seen. Beside it how light both are together, (columns, rows).
    """
    rows, count = weight.shape
    window = round(WINDOW_MM / CELL_MM)
    running = np.cumsum(np.pad(total, ((1, 0), (0, 0), (0, 0))), axis=0)
    counted = np.cumsum(np.pad(weight, ((1, 0), (0, 0))), axis=0)
    difference = np.full((count, rows, total.shape[2]), np.nan, dtype=np.float32)
    at = np.arange(window, rows - window)
    below, above = running[at] - running[at - window], running[at + window] - running[at]
    n_below, n_above = counted[at] - counted[at - window], counted[at + window] - counted[at]
    good = (n_below > 0.6 * window) & (n_above > 0.6 * window)
    n_below, n_above = np.maximum(n_below, 1.0), np.maximum(n_above, 1.0)
    below, above = below / n_below[:, :, None], above / n_above[:, :, None]
    difference[:, at] = np.where(good[:, :, None], below - above, np.nan).transpose(1, 0, 2)
    lit = np.full((count, rows), np.nan, dtype=np.float32)
    lit[:, at] = (below + above)[:, :, 0].T
    return difference, lit


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
    column = np.arange(columns)
    farthest = int(np.round(LARGEST_SLOPE * max(middle, float(x[-1]) - middle) / CELL_MM))
    at = at[_may_be_edges(filled, farthest)[at]]
    by_row = np.pad(filled.T, ((farthest, farthest), (0, 0)), mode="edge")
    best, best_slope, equals = np.zeros(len(at)), np.zeros(len(at)), np.ones(len(at))
    for slope in np.linspace(-LARGEST_SLOPE, LARGEST_SLOPE, SLOPES):
        shift = np.round(slope * (x - middle) / CELL_MM).astype(int)
        along = by_row[at[:, None] + (shift + farthest), column]
        count = np.count_nonzero(along >= 0.0, axis=1)
        # Where the median falls short of the least step no edge is: only the others are sorted out.
        clear = (count > LEAST_SEEN * columns) & (2 * np.count_nonzero(along >= LEAST_STEP, axis=1) >= count)
        level = np.zeros(len(at))
        level[clear] = _median(along[clear], count[clear])
        better, alike = level > best, level == best
        best[better] = level[better]
        best_slope[better], equals[better] = slope, 1.0
        # Shifts of less than a cell make several slopes equal: the edge has the middle one.
        best_slope[alike] += slope
        equals[alike] += 1.0
    strength, slopes = np.zeros(rows), np.zeros(rows)
    strength[at], slopes[at] = best, best_slope / equals
    return _Ridges(strength, slopes, middle)


def _may_be_edges(steps: NDArray[np.float32], farthest: int) -> NDArray[np.bool_]:
    """Rows through whose middle an edge may run, (rows,), given steps (columns, rows): enough columns must step at
    least so much within ``farthest`` rows of them. Most rows fall out, and with them most of the work."""
    around = np.ones((1, 2 * farthest + 1), np.uint8)
    may_step = cv2.dilate((steps >= LEAST_STEP).astype(np.uint8), around).sum(axis=0, dtype=np.int64)
    seen = cv2.erode((steps >= 0.0).astype(np.uint8), around).sum(axis=0, dtype=np.int64)
    return np.asarray(2 * may_step >= np.maximum(seen, LEAST_SEEN * steps.shape[0]))


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


def _with_ends(edge: WallEdge | None, apart: Array, lit: Array, grid: PlaneGrid) -> WallEdge | None:
    """The edge with where it ends: from there to the end of what is seen, no difference like that along it is left.

    Stones differ too, but now one way and now the other: what counts is the part of the difference that is like the
    edge's own, over stretches of 170 mm. In the shade all differences are less, as all is darker.
    """
    if edge is None:
        return None
    columns, rows, _ = apart.shape
    x = grid.x0_mm + (np.arange(columns) + 0.5) * POOL_MM
    row = np.round((edge.offset_mm + edge.slope * x - grid.y0_mm + CELL_MM / 2.0) / CELL_MM).astype(int)
    at = np.arange(columns), np.clip(row, 0, rows - 1)
    along = apart[at] / np.maximum(lit[at], 1.0)[:, None]
    seen = np.flatnonzero(np.isfinite(along[:, 0]))
    if not len(seen):
        return edge
    own = np.median(along[seen], axis=0)
    like = along[seen] @ own / float(own @ own)
    smooth = _running_median(like)
    shown = np.flatnonzero(smooth > LIKE_THE_EDGE)
    first, last = (int(shown[0]), int(shown[-1])) if len(shown) else (0, len(like) - 1)
    from_mm = float(x[seen[first]]) if first > END_COLUMNS else -np.inf
    to_mm = float(x[seen[last]]) if last < len(like) - 1 - END_COLUMNS else np.inf
    return replace(edge, from_mm=from_mm, to_mm=to_mm)


def _running_median(values: Array) -> Array:
    """Median of each value and the three to either side of it, (N,); at the ends of as many as there are."""
    padded = np.pad(values, END_COLUMNS, constant_values=np.nan)
    around = np.sort(sliding_window_view(padded, 2 * END_COLUMNS + 1), axis=1)  # what is not there comes last
    count = np.isfinite(around).sum(axis=1)
    row = np.arange(len(values))
    return 0.5 * (around[row, (count - 1) // 2] + around[row, count // 2])


def _median(values: Array, count: Array) -> Array:
    """Median along each row of those that are seen, ``count`` of them; the others are negative."""
    most = values.shape[1]
    index = np.minimum(most - (count + 1) // 2 - 1 + (count == 0), most - 1)
    return np.sort(values, axis=1)[np.arange(len(values)), index]
