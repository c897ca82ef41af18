"""The chalk line in one photo: a narrow straight ridge of colour on grey concrete.

Colour alone does not decide (rust stains and leaves are as red, shadows are as blue) and neither does straightness
(the wall's edges are straighter). What is chalk is narrow, differs in colour from the concrete on *both* sides in the
same way, and runs on, broken or not, through the whole photo.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from sillwright.camera import Array, Camera, Pose, project
from sillwright.rectify import PlaneGrid, rectify

CELL_MM = 1.0
POOL_MM = 12
SIDE_NEAR_MM, SIDE_FAR_MM = 3, 9  # the concrete beside a line 1 to 4 mm wide
LARGEST_TURN_RAD = np.radians(8.0)
ROW_POOL = 3  # the search for lines works on 3 mm rows; following one is a finer matter
CAP_LAB = 10.0  # a column of full colour counts this much and no more: stains must not outvote length
MIN_STRENGTH_LAB = 0.9
MIN_STRENGTH_NOISES = 1.6
HUES = (("blue", -165.0, -40.0), ("red", -40.0, 46.0), ("orange", 46.0, 78.0), ("yellow", 78.0, 125.0))

TRACE_ALONG_MM = 8.0
TRACE_ACROSS_MM = 0.25
TRACE_REACH_MM = 9.0
# Powder is uneven over centimetres and lies on concrete that is a millimetre high or low over decimetres, which a
# slanting view sees as a shift: neighbouring points share their error, and some ten of them count as one witness.
SHARED_ERROR = 3.3
POWDER_WIDTH_MM = 1.1  # sigma of the weight that isolates one snap from a second one beside it


@dataclass(frozen=True)
class LineCandidate:
    """A straight ridge of colour on the plane: y = offset + slope x, in the plane's own millimetres."""

    slope: float
    offset_mm: float
    strength: float
    color: str


@dataclass(frozen=True)
class LineTrace:
    """Points on the middle of a line in one photo: pixels (N, 2) and the sigma across each, px (N,)."""

    px: Array
    sigma_px: Array
    contrast: float


def find_lines(
    pixels: NDArray[np.uint8],
    camera: Camera,
    pose: Pose,
    grid: PlaneGrid,
    covered_mm: Sequence[Array],
    most: int = 6,
) -> list[LineCandidate]:
    """Ridges of colour within 8 degrees of the grid's X axis, strongest first.

    Parameters
    ----------
    pixels : the photo, BGR, stored orientation
    grid : the part of the plane to search, 1 mm cells
    covered_mm : outlines, (K, 2) plane coordinates each, of what lies on the concrete (cards)
    """
    flat, usable = rectify(pixels, camera, pose, grid)
    for outline in covered_mm:
        corners = np.column_stack(
            [(outline[:, 0] - grid.x0_mm) / grid.step_x_mm, (outline[:, 1] - grid.y0_mm) / grid.step_y_mm]
        )
        mask = np.zeros(usable.shape, dtype=np.uint8)
        cv2.fillConvexPoly(mask, np.round(corners).astype(np.int32), 1)
        usable &= mask == 0
    color, weight = _pooled_color(flat, usable)
    ridge = _ridge(color, weight)
    if not (weight > 0).any():
        return []
    noise = float(np.linalg.norm(1.4826 * np.median(np.abs(ridge[weight > 0]), axis=0)))
    size = np.linalg.norm(ridge, axis=2, keepdims=True)
    ridge *= np.minimum(1.0, CAP_LAB / np.maximum(size, 1e-9))
    least = max(MIN_STRENGTH_LAB, MIN_STRENGTH_NOISES * noise)
    rows = ridge.shape[1] // ROW_POOL
    ridge = ridge[:, : rows * ROW_POOL].reshape(-1, rows, ROW_POOL, 2).mean(axis=2)
    weight = weight[:, : rows * ROW_POOL].reshape(-1, rows, ROW_POOL).mean(axis=2)
    return _strongest(ridge, weight, grid, least, most)


def _pooled_color(flat: NDArray[np.uint8], usable: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Mean a*, b* (CIE 1976) of 12 mm columns: (columns, rows, 2), and the share that is usable (columns, rows)."""
    lab = cv2.cvtColor(flat.astype(np.float32) / 255.0, cv2.COLOR_BGR2Lab)[:, :, 1:]
    count = flat.shape[1] // POOL_MM
    wide = count * POOL_MM
    share = usable[:, :wide].astype(np.float32)
    total = (lab[:, :wide] * share[:, :, None]).reshape(flat.shape[0], count, POOL_MM, 2).sum(axis=2)
    weight = share.reshape(flat.shape[0], count, POOL_MM).sum(axis=2)
    mean = total / np.maximum(weight, 1.0)[:, :, None]
    return mean.transpose(1, 0, 2).astype(float), (weight / POOL_MM).T.astype(float)


def _ridge(color: Array, weight: Array) -> Array:
    """How far each cell stands off in colour from both of its sides alike; zero at a step."""
    inner = 2 * (SIDE_FAR_MM - SIDE_NEAR_MM) // 2 + 1
    reach = (SIDE_FAR_MM + SIDE_NEAR_MM) // 2
    middle = uniform_filter1d(color, 3, axis=1)
    side = uniform_filter1d(color, inner, axis=1)
    left, right = np.roll(side, reach, axis=1), np.roll(side, -reach, axis=1)
    to_left, to_right = middle - left, middle - right
    same = np.sign(to_left) == np.sign(to_right)
    ridge = np.where(same, np.sign(to_left) * np.minimum(np.abs(to_left), np.abs(to_right)), 0.0)
    whole = (weight > 0.5) & (np.roll(weight, reach + 3, axis=1) > 0.5) & (np.roll(weight, -reach - 3, axis=1) > 0.5)
    whole[:, : SIDE_FAR_MM + 3] = False
    whole[:, -SIDE_FAR_MM - 3 :] = False
    weight *= whole
    return ridge * whole[:, :, None]


def _strongest(signal: Array, weight: Array, grid: PlaneGrid, least: float, most: int) -> list[LineCandidate]:
    """Sum along every straight line of the grid (a Radon transform by shears), then non-maximum suppression."""
    columns, rows = weight.shape
    x = (np.arange(columns) + 0.5) * POOL_MM - 0.5
    middle = x.mean()
    slopes = np.arange(-np.tan(LARGEST_TURN_RAD), np.tan(LARGEST_TURN_RAD), 1.5 * ROW_POOL / max(x[-1] - x[0], 100.0))
    padded = np.zeros((columns, 3 * rows, 3), dtype=np.float32)
    padded[:, rows : 2 * rows, :2] = signal
    padded[:, rows : 2 * rows, 2] = weight > 0
    score = np.zeros((len(slopes), rows))
    hue = np.zeros((len(slopes), rows))
    column = np.arange(columns)[:, None]
    for i, slope in enumerate(slopes):
        shift = np.round(slope * (x - middle) / ROW_POOL).astype(int)
        total = padded[column, rows + np.arange(rows)[None, :] + np.clip(shift, -rows, rows)[:, None]].sum(axis=0)
        share = np.maximum(total[:, 2], 1.0)
        score[i] = np.hypot(total[:, 0], total[:, 1]) / share * np.sqrt(np.minimum(share / (0.6 * columns), 1.0))
        hue[i] = np.degrees(np.arctan2(total[:, 1], total[:, 0]))
    found: list[LineCandidate] = []
    free = score.copy()
    while len(found) < most:
        i, row = (int(k) for k in np.unravel_index(int(np.argmax(free)), free.shape))
        if free[i, row] < least:
            break
        step = grid.step_y_mm / grid.step_x_mm
        slope = float(slopes[i]) * step
        offset = grid.y_mm(np.array(ROW_POOL * (row + 0.5) - 0.5)) - slope * grid.x_mm(np.array(middle))
        found.append(LineCandidate(slope, float(offset), float(score[i, row]), _color_name(float(hue[i, row]))))
        # A line's own shadow in the transform is a bow tie: rows it sweeps at either end for each other slope.
        sweep = (8.0 + np.abs(slopes - slopes[i])[:, None] * (x[-1] - x[0]) / 2.0) / ROW_POOL
        free[np.abs(np.arange(rows)[None, :] - row) < sweep] = 0.0
    return found


def _color_name(hue_deg: float) -> str:
    for name, low, high in HUES:
        if low <= hue_deg < high:
            return name
    return "other"


def trace_line(
    pixels: NDArray[np.uint8],
    camera: Camera,
    pose: Pose,
    line: tuple[float, float],
    covered_mm: Sequence[Array],
    span_mm: tuple[float, float],
) -> LineTrace | None:
    """Follow a known line through one photo and give its middle every 8 mm.

    Parameters
    ----------
    line : (angle from X in radians, offset along its left normal in mm) on the plane Z = 0
    span_mm : from where to where along the line

    The middle is found by mean shift with a Gaussian window narrower than the gap between two snaps, repeated with the
    line refitted, so that the second of a double snap does not pull.
    """
    angle, offset = line
    along = np.array([np.cos(angle), np.sin(angle), 0.0])
    across = np.array([-np.sin(angle), np.cos(angle), 0.0])
    turned = Pose(pose.rotation @ np.column_stack([along, across, [0.0, 0.0, 1.0]]), pose.translation_mm)
    columns = int((span_mm[1] - span_mm[0]) / CELL_MM)
    rows = 2 * round(TRACE_REACH_MM / TRACE_ACROSS_MM) + 1
    if columns < 5 * TRACE_ALONG_MM:
        return None
    grid = PlaneGrid(span_mm[0], offset - TRACE_REACH_MM, CELL_MM, TRACE_ACROSS_MM, columns, rows)
    flat, usable = rectify(pixels, camera, turned, grid)
    y = grid.y_mm(np.arange(rows)) - offset
    strength, open_bins = _strength_across(flat, usable, y, round(TRACE_ALONG_MM / CELL_MM))
    x = span_mm[0] + (np.arange(len(strength)) + 0.5) * TRACE_ALONG_MM
    open_bins &= ~_covered(x, offset, along, across, covered_mm)
    centre, peak = _mean_shift(x, y, strength, open_bins)
    lit = open_bins & (peak > max(0.25 * float(np.quantile(peak[open_bins], 0.8)), 0.8) if open_bins.any() else False)
    if int(lit.sum()) < 5:
        return None
    points = np.outer(x[lit], along) + np.outer(offset + centre[lit], across)
    px = project(camera, pose, points)
    beside = project(camera, pose, points + across)
    px_per_mm = np.linalg.norm(beside - px, axis=1)
    fit = np.polyfit(x[lit], centre[lit], 1)
    off = np.abs(centre[lit] - np.polyval(fit, x[lit]))
    spread = 1.4826 * float(np.median(off))
    near = off < max(4.0 * spread, 0.6)
    if int(near.sum()) < 5:
        return None
    sigma_mm = SHARED_ERROR * max(spread, 0.15)
    return LineTrace(px[near], sigma_mm * px_per_mm[near], float(np.median(peak[lit])))


def _strength_across(
    flat: NDArray[np.uint8], usable: NDArray[np.bool_], y: Array, per_bin: int
) -> tuple[Array, NDArray[np.bool_]]:
    """Chalk colour across the line in each bin: (bins, rows), the concrete at both sides taken off; usable bins."""
    lab = cv2.cvtColor(flat.astype(np.float32) / 255.0, cv2.COLOR_BGR2Lab)[:, :, 1:].astype(float)
    bins = flat.shape[1] // per_bin
    color = lab[:, : bins * per_bin].reshape(len(y), bins, per_bin, 2).mean(axis=2).transpose(1, 0, 2)
    open_bins: NDArray[np.bool_] = np.all(usable[:, : bins * per_bin].reshape(len(y), bins, per_bin), axis=(0, 2))
    left, right = (y < -5.0), (y > 5.0)
    low, high = np.median(color[:, left], axis=1), np.median(color[:, right], axis=1)
    share = ((y - y[0]) / (y[-1] - y[0]))[None, :, None]
    color = color - (low[:, None] * (1.0 - share) + high[:, None] * share)
    middle = color[open_bins][:, np.abs(y) < 2.0].reshape(-1, 2)
    if not len(middle):
        return np.zeros(color.shape[:2]), open_bins
    size = np.linalg.norm(middle, axis=1)
    hue = (middle * size[:, None]).sum(axis=0)
    hue /= max(float(np.linalg.norm(hue)), 1e-9)
    return np.maximum(color @ hue - 0.8, 0.0), open_bins


def _mean_shift(x: Array, y: Array, strength: Array, usable: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Middle of the powder in each bin, mm, and its colour there."""
    middle: Array = np.zeros(len(x))
    for width in (2.5, 1.8, 1.4, *(POWDER_WIDTH_MM,) * 4):
        window = np.exp(-0.5 * ((y[None, :] - middle[:, None]) / width) ** 2)
        mass = (strength * window).sum(axis=1)
        shifted = (strength * window * y[None, :]).sum(axis=1) / np.maximum(mass, 1e-9)
        good = usable & (mass > 0.3 * np.quantile(mass[usable], 0.7)) if usable.any() else usable
        if int(good.sum()) < 5:
            break
        slope, level = _robust_line(x[good], shifted[good])
        middle = level + slope * x
    window = np.exp(-0.5 * ((y[None, :] - middle[:, None]) / POWDER_WIDTH_MM) ** 2)
    mass = (strength * window).sum(axis=1)
    centre = (strength * window * y[None, :]).sum(axis=1) / np.maximum(mass, 1e-9)
    # A Gaussian window of the powder's own width shows half of how far the powder is off the window's middle.
    centre = np.where(mass > 0, middle + np.clip(2.0 * (centre - middle), -2.5, 2.5), middle)
    return centre, mass / window.sum(axis=1)


def _robust_line(x: Array, y: Array) -> tuple[float, float]:
    weight = np.ones(len(x))
    fit = np.array([0.0, float(np.median(y))])
    for _ in range(8):
        fit = np.polyfit(x, y, 1, w=np.sqrt(weight))
        off = np.abs(y - np.polyval(fit, x))
        scale = max(1.4826 * float(np.median(off)), 0.05)
        weight = 1.0 / (1.0 + (off / (2.0 * scale)) ** 2)
    return float(fit[0]), float(fit[1])


def _covered(x: Array, offset: float, along: Array, across: Array, covered_mm: Sequence[Array]) -> NDArray[np.bool_]:
    points = np.outer(x, along) + offset * across
    hidden = np.zeros(len(x), dtype=bool)
    for outline in covered_mm:
        shape = np.ascontiguousarray(outline, dtype=np.float32)
        near = np.array([cv2.pointPolygonTest(shape, (float(p[0]), float(p[1])), True) for p in points])
        hidden |= near > -TRACE_REACH_MM
    return hidden
