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

from sillwright.camera import Array, Camera, Pose, project
from sillwright.median import median, medians
from sillwright.rectify import PlaneGrid, clear_of, rectify
from sillwright.see.pooling import pooled

CELL_MM = 2.0
POOL_MM = 12
SIDE_NEAR_MM, SIDE_FAR_MM = 3, 9  # the concrete beside a line 1 to 4 mm wide
LARGEST_TURN_RAD = np.radians(8.0)
ROW_POOL, COLUMN_POOL = 3, 2  # the search for lines works on 3 mm rows; following one is a finer matter
CAP_LAB = 10.0  # a column of full colour counts this much and no more: stains must not outvote length
MIN_STRENGTH_LAB = 0.9
MIN_STRENGTH_NOISES = 1.6
NOISE_ROWS = 4  # colour of one row in so many tells how noisy all are
HUES = (("blue", -165.0, -40.0), ("red", -40.0, 46.0), ("orange", 46.0, 78.0), ("yellow", 78.0, 125.0))

TRACE_ALONG_MM = 8.0
TRACE_ACROSS_MM = 0.25
TRACE_REACH_MM = 9.0
STRIP_REACH_MM = 15.0  # so that a strip cut along one photo's own line serves for the line of the run
# Powder is uneven over centimetres and lies on concrete that is a millimetre high or low over decimetres, which a
# slanting view sees as a shift: neighbouring points share their error, and some ten of them count as one witness.
SHARED_ERROR = 3.3
# Of two snaps the plainer is meant (common practice, no source); clean strips show 0.05 of its colour beside it.
SECOND_LINE_MM, SECOND_LINE_SHARE = 2.5, 0.55
SETTLED_MM = 0.02
POWDER_WIDTH_MM = 1.1  # sigma of the weight that isolates one snap from a second one beside it


@dataclass(frozen=True)
class LineCandidate:
    """A straight ridge of colour on the plane: y = offset + slope x, in the plane's own millimetres."""

    slope: float
    offset_mm: float
    strength: float
    color: str

    @property
    def angle_and_offset(self) -> tuple[float, float]:
        """The line as its angle from X, radians, and its offset along its left normal, mm."""
        angle = float(np.arctan(self.slope))
        return angle, self.offset_mm * float(np.cos(angle))


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
    pixels : the photo, BGR, stored orientation, whole or at half size
    grid : the part of the plane to search, cells of 1 mm across and 1 to 3 mm along
    covered_mm : outlines, (K, 2) plane coordinates each, of what lies on the concrete (cards)
    """
    flat, usable = rectify(pixels, camera, pose, grid)
    usable = clear_of(usable, grid, covered_mm)
    per_column = round(POOL_MM / abs(grid.step_x_mm))
    color, weight = _pooled_color(flat, usable, per_column)
    ridge = _ridge(color, weight)
    seen = weight > 0
    if not seen.any():
        return []
    some = np.abs(ridge[:, ::NOISE_ROWS][seen[:, ::NOISE_ROWS]])
    noise = 1.4826 * float(np.hypot(*medians(some, axis=0))) if len(some) else 0.0
    ridge *= np.minimum(1.0, CAP_LAB / np.maximum(cv2.magnitude(*cv2.split(ridge)), 1e-9))[:, :, None]
    least = max(MIN_STRENGTH_LAB, MIN_STRENGTH_NOISES * noise)
    pooled = ridge.shape[1] // ROW_POOL, len(ridge) // COLUMN_POOL
    within = np.s_[: pooled[1] * COLUMN_POOL, : pooled[0] * ROW_POOL]
    ridge, weight = (cv2.resize(part[within], pooled, interpolation=cv2.INTER_AREA) for part in (ridge, weight))
    return _strongest(ridge, weight, grid, least, most)


def _pooled_color(flat: NDArray[np.uint8], usable: NDArray[np.bool_], per_column: int) -> tuple[Array, Array]:
    """a*, b* (CIE 1976) of 12 mm columns: (columns, rows, 2), and the share that is usable (columns, rows)."""
    total, weight = pooled(flat, usable, per_column)
    total /= np.maximum(weight, 1.0 / per_column)[:, :, None]
    return np.ascontiguousarray(_chroma(total).transpose(1, 0, 2)), np.ascontiguousarray(weight.T)


def _ridge(color: Array, weight: Array) -> Array:
    """How far each cell stands off in colour from both of its sides alike; zero at a step."""
    inner = 2 * (SIDE_FAR_MM - SIDE_NEAR_MM) // 2 + 1
    reach = (SIDE_FAR_MM + SIDE_NEAR_MM) // 2
    middle, side = (cv2.blur(color, (size, 1), borderType=cv2.BORDER_REFLECT) for size in (3, inner))
    left, right = np.roll(side, reach, axis=1), np.roll(side, -reach, axis=1)
    to_left, to_right = middle - left, middle - right
    # The lesser of both where they have one sign.
    ridge = np.maximum(np.minimum(to_left, to_right), 0.0) + np.minimum(np.maximum(to_left, to_right), 0.0)
    whole = (weight > 0.5) & (np.roll(weight, reach + 3, axis=1) > 0.5) & (np.roll(weight, -reach - 3, axis=1) > 0.5)
    whole[:, : SIDE_FAR_MM + 3] = False
    whole[:, -SIDE_FAR_MM - 3 :] = False
    weight *= whole
    ridge *= whole[:, :, None]
    return ridge


def _strongest(signal: Array, weight: Array, grid: PlaneGrid, least: float, most: int) -> list[LineCandidate]:
    """Sum along every straight line of the grid (a Radon transform by shears), then non-maximum suppression."""
    columns, rows = weight.shape
    x = (np.arange(columns) + 0.5) * COLUMN_POOL * POOL_MM  # from the grid's first border, in its own sense
    middle = x.mean()
    rising = np.arange(0.0, np.tan(LARGEST_TURN_RAD), 1.5 * ROW_POOL / max(x[-1] - x[0], 100.0))
    slopes = np.concatenate([-rising[:0:-1], rising])
    layers = np.dstack([signal, weight > 0]).astype(np.float32)
    total = _sheared_sums(layers, rising[:, None] * (x - middle)[None, :] / ROW_POOL)
    a, b, share = (np.ascontiguousarray(total[:, k]) for k in range(3))
    np.maximum(share, 1.0, out=share)
    score = cv2.magnitude(a, b) / share * np.sqrt(np.minimum(share / (0.6 * columns), 1.0))
    found: list[LineCandidate] = []
    free = score.copy()
    while len(found) < most:
        i, row = (int(k) for k in np.unravel_index(int(np.argmax(free)), free.shape))
        if free[i, row] < least:
            break
        slope = float(slopes[i]) * float(np.sign(grid.step_y_mm / grid.step_x_mm))
        middle_cell = middle / abs(grid.step_x_mm) - 0.5
        offset = grid.y_mm(np.array(ROW_POOL * (row + 0.5) - 0.5)) - slope * grid.x_mm(np.array(middle_cell))
        hue = np.degrees(np.arctan2(b[i, row], a[i, row]))
        found.append(LineCandidate(slope, float(offset), float(score[i, row]), _color_name(float(hue))))
        # A line's own shadow in the transform is a bow tie: rows it sweeps at either end for each other slope.
        sweep = (8.0 + np.abs(slopes - slopes[i])[:, None] * (x[-1] - x[0]) / 2.0) / ROW_POOL
        free[np.abs(np.arange(rows)[None, :] - row) < sweep] = 0.0
    return found


def _sheared_sums(layers: NDArray[np.float32], shifts: Array) -> Array:
    """Sums over columns (C, R, N), each moved down by its shift in rows first, or up.

    shifts : (S, C), the first of them none. (2 S - 1, N, R): all moved up by the last shifts comes first.
    By the shift theorem of the Fourier transform, one frequency at a time. What is moved up instead of down is turned
    the other way, so that both share one set of turns.
    """
    rows, count = layers.shape[1:]
    padded = rows + 2 * int(np.ceil(np.abs(shifts).max(initial=0.0)))
    spectrum = np.fft.rfft(layers, padded, axis=1).transpose(1, 0, 2)
    step = np.exp(2j * np.pi / padded * shifts).astype(np.complex64)
    turns = np.ones_like(step)
    down_and_up = np.empty((len(spectrum), len(shifts), 2 * count), dtype=np.complex64)
    for k, wave in enumerate(np.concatenate([spectrum, spectrum.conj()], axis=2)):
        down_and_up[k] = turns @ wave
        turns *= step
    down, up = down_and_up[:, :, :count], down_and_up[:, :0:-1, count:].conj()
    waves = np.ascontiguousarray(np.concatenate([up, down], axis=1).transpose(1, 2, 0))
    return np.asarray(np.fft.irfft(waves, padded)[:, :, :rows])


def _color_name(hue_deg: float) -> str:
    for name, low, high in HUES:
        if low <= hue_deg < high:
            return name
    return "other"


@dataclass(frozen=True)
class LineStrip:
    """The colour of a narrow strip of one photo along a line, kept when the photo itself is let go.

    camera, pose : of the photo; angle_rad, offset_mm : the line, as :func:`trace_line` has it
    x_mm : (B,) middles of the bins along it; y_mm : (R,) across it, from the line
    color : (B, R, 2) a*, b* (CIE 1976); open_bins : (B,) what the photo shows with nothing lying on it
    """

    camera: Camera
    pose: Pose
    angle_rad: float
    offset_mm: float
    x_mm: Array
    y_mm: Array
    color: NDArray[np.float32]
    open_bins: NDArray[np.bool_]

    def level_mm(self, line: tuple[float, float]) -> Array:
        """How far a line, (angle, offset), runs from the strip's own, at each bin; (B,)."""
        turn = line[0] - self.angle_rad
        return line[1] / np.cos(turn) + self.x_mm * np.tan(turn) - self.offset_mm

    def holds(self, line: tuple[float, float]) -> bool:
        """Whether a line runs so near the strip's own that the strip serves to follow it."""
        seen = np.abs(self.level_mm(line)[self.open_bins])
        return bool(seen.max(initial=0.0) <= STRIP_REACH_MM - TRACE_REACH_MM)


def cut_strip(
    pixels: NDArray[np.uint8],
    camera: Camera,
    pose: Pose,
    line: tuple[float, float],
    covered_mm: Sequence[Array],
    span_mm: tuple[float, float],
) -> LineStrip | None:
    """The strip along a line of the plane Z = 0; None where the photo shows too little of it.

    Parameters
    ----------
    pixels : the photo, BGR, whole or at half size
    line : (angle from X in radians, offset along its left normal in mm)
    span_mm : from where to where along the line
    """
    angle, offset = line
    along, across = _directions(angle)
    turned = Pose(pose.rotation @ np.column_stack([along, across, [0.0, 0.0, 1.0]]), pose.translation_mm)
    columns = int((span_mm[1] - span_mm[0]) / CELL_MM)
    rows = 2 * round(STRIP_REACH_MM / TRACE_ACROSS_MM) + 1
    if columns * CELL_MM < 5 * TRACE_ALONG_MM:
        return None
    grid = PlaneGrid(span_mm[0], offset - STRIP_REACH_MM, CELL_MM, TRACE_ACROSS_MM, columns, rows)
    flat, usable = rectify(pixels, camera, turned, grid)
    per_bin = round(TRACE_ALONG_MM / CELL_MM)
    bins = columns // per_bin
    mean = cv2.resize(flat[:, : bins * per_bin].astype(np.float32), (bins, rows), interpolation=cv2.INTER_AREA)
    color = np.ascontiguousarray(_chroma(mean).transpose(1, 0, 2))
    near = np.abs(np.arange(rows) - rows // 2) * TRACE_ACROSS_MM <= TRACE_REACH_MM
    open_bins = np.all(usable[near, : bins * per_bin].reshape(-1, bins, per_bin), axis=(0, 2))
    x = span_mm[0] + (np.arange(bins) + 0.5) * TRACE_ALONG_MM
    open_bins = np.logical_and(open_bins, ~_covered(x, offset, along, across, covered_mm))
    return LineStrip(camera, pose, angle, offset, x, grid.y_mm(np.arange(rows)) - offset, color, open_bins)


def _directions(angle_rad: float) -> tuple[Array, Array]:
    along = np.array([np.cos(angle_rad), np.sin(angle_rad), 0.0])
    return along, np.array([-along[1], along[0], 0.0])


def trace_line(strip: LineStrip, line: tuple[float, float]) -> LineTrace | None:
    """Follow a line through the strip cut for it, or for one that hardly differs, and give its middle every 8 mm.

    The middle is found by mean shift with a Gaussian window narrower than the gap between two snaps, repeated with the
    line refitted, so that the second of a double snap does not pull.
    """
    along, across = _directions(strip.angle_rad)
    level = strip.level_mm(line)
    if not strip.holds(line):
        return None
    rows = 2 * round(TRACE_REACH_MM / TRACE_ACROSS_MM) + 1
    y = (np.arange(rows) - rows // 2) * TRACE_ACROSS_MM
    strength = _strength_across(_shifted(strip, level, y), strip.open_bins, y)
    centre, peak = _mean_shift(strip.x_mm, y, strength, strip.open_bins)
    centre = centre + level
    shown = peak[strip.open_bins]
    least = max(0.25 * float(np.quantile(shown, 0.8)), 0.8) if len(shown) else np.inf
    lit: NDArray[np.bool_] = np.logical_and(strip.open_bins, np.greater(peak, least))
    if int(lit.sum()) < 5:
        return None
    x = strip.x_mm[lit]
    points = np.outer(x, along) + np.outer(strip.offset_mm + centre[lit], across)
    px = project(strip.camera, strip.pose, points)
    beside = project(strip.camera, strip.pose, points + across)
    px_per_mm = np.linalg.norm(beside - px, axis=1)
    off = np.abs(centre[lit] - np.polyval(np.polyfit(x, centre[lit], 1), x))
    spread = 1.4826 * median(off)
    near = off < max(4.0 * spread, 0.6)
    if int(near.sum()) < 5:
        return None
    sigma_mm = SHARED_ERROR * max(spread, 0.15)
    return LineTrace(px[near], sigma_mm * px_per_mm[near], median(peak[lit]))


def second_line_mm(strip: LineStrip, line: tuple[float, float]) -> float | None:
    """Where beside a line another ridge of colour runs along most of a strip, mm across; None where none does.

    The median over the strip's length is taken, so that stains and gaps do not count.
    """
    level = strip.level_mm(line)
    room_mm = STRIP_REACH_MM - float(np.abs(level[strip.open_bins]).max(initial=0.0))
    count = int(room_mm / TRACE_ACROSS_MM)
    y = np.arange(-count, count + 1) * TRACE_ACROSS_MM
    if room_mm < SECOND_LINE_MM or not strip.open_bins.any():
        return None
    across = medians(_shifted(strip, level, y)[strip.open_bins], axis=0)
    ridge = np.linalg.norm(across - medians(across, axis=0), axis=1)
    near = np.abs(y) < SECOND_LINE_MM
    beside = np.where(near, 0.0, ridge)
    peak = (beside[1:-1] > beside[:-2]) & (beside[1:-1] >= beside[2:])  # colours are never level for two rows
    peak &= beside[1:-1] >= SECOND_LINE_SHARE * float(ridge[near].max())
    return float(y[1:-1][np.argmax(np.where(peak, beside[1:-1], 0.0))]) if peak.any() else None


def _shifted(strip: LineStrip, level_mm: Array, y_mm: Array) -> Array:
    """The strip's colour at ``y_mm`` from a line that runs ``level_mm`` (B,) off the strip's own middle, (B, R, 2)."""
    row = ((y_mm[None, :] + level_mm[:, None] - strip.y_mm[0]) / TRACE_ACROSS_MM).astype(np.float32)
    bins = np.repeat(np.arange(len(row), dtype=np.float32)[:, None], row.shape[1], axis=1)
    return cv2.remap(strip.color, row, bins, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def _chroma(flat: NDArray[np.uint8] | NDArray[np.float32]) -> NDArray[np.float32]:
    """a*, b* (CIE 1976) of a picture, BGR from 0 to 255, (H, W, 2)."""
    return cv2.cvtColor(flat.astype(np.float32) / np.float32(255.0), cv2.COLOR_BGR2Lab)[:, :, 1:]


def _strength_across(color: Array, open_bins: NDArray[np.bool_], y: Array) -> Array:
    """Chalk colour across the line in each bin, (bins, rows), the concrete at both sides taken off."""
    low, high = medians(color[:, y < -5.0], axis=1), medians(color[:, y > 5.0], axis=1)
    share = ((y - y[0]) / (y[-1] - y[0])).astype(np.float32)
    near = np.abs(y) < 2.0
    concrete = low[:, None] + share[near][:, None] * (high - low)[:, None]
    middle = (color[:, near] - concrete)[open_bins].reshape(-1, 2)
    if not len(middle):
        return np.zeros(color.shape[:2])
    size = np.linalg.norm(middle, axis=1)
    hue = (middle * size[:, None]).sum(axis=0)
    hue /= max(float(np.linalg.norm(hue)), 1e-9)
    beside = (low @ hue)[:, None] + share * ((high - low) @ hue)[:, None]
    return np.maximum(color @ hue - beside - np.float32(0.8), np.float32(0.0))


def _mean_shift(x: Array, y: Array, strength: Array, usable: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Middle of the powder in each bin, mm, and its colour there."""
    across = y.astype(np.float32)

    def weighed(middle: Array, width: float) -> tuple[NDArray[np.float32], Array, Array]:
        window = np.exp(np.float32(-0.5 / width**2) * np.square(across - middle.astype(np.float32)[:, None]))
        powder = strength * window
        mass = powder.sum(axis=1).astype(float)
        return window, mass, (powder @ across) / np.maximum(mass, 1e-9)

    middle: Array = np.zeros(len(x))
    for width in (2.5, 1.8, 1.4, *(POWDER_WIDTH_MM,) * 4):
        _, mass, shifted = weighed(middle, width)
        good = usable & (mass > 0.3 * np.quantile(mass[usable], 0.7)) if usable.any() else usable
        if int(good.sum()) < 5:
            break
        before = middle
        slope, level = _robust_line(x[good], shifted[good])
        middle = level + slope * x
        if width == POWDER_WIDTH_MM and np.abs(middle - before).max() < SETTLED_MM:
            break
    window, mass, centre = weighed(middle, POWDER_WIDTH_MM)
    # A Gaussian window of the powder's own width shows half of how far the powder is off the window's middle.
    centre = np.where(mass > 0, middle + np.clip(2.0 * (centre - middle), -2.5, 2.5), middle)
    return centre, mass / window.sum(axis=1)


def _robust_line(x: Array, y: Array) -> tuple[float, float]:
    """Slope and level of a straight line, by iteratively reweighted least squares with the weight of Cauchy's law."""
    weight = np.ones(len(x))
    slope, level = 0.0, median(y)
    for _ in range(6):
        total = weight.sum()
        middle_x, middle_y = weight @ x / total, weight @ y / total
        aside = weight * (x - middle_x)
        slope = float(aside @ (y - middle_y) / max(float(aside @ (x - middle_x)), 1e-12))
        level = float(middle_y - slope * middle_x)
        off = np.abs(y - slope * x - level)
        scale = max(1.4826 * median(off), 0.05)
        weight = 1.0 / (1.0 + (off / (2.0 * scale)) ** 2)
    return slope, level


def _covered(x: Array, offset: float, along: Array, across: Array, covered_mm: Sequence[Array]) -> NDArray[np.bool_]:
    points = np.outer(x, along) + offset * across
    hidden = np.zeros(len(x), dtype=bool)
    for outline in covered_mm:
        shape = np.ascontiguousarray(outline, dtype=np.float32)
        near = np.array([cv2.pointPolygonTest(shape, (float(p[0]), float(p[1])), True) for p in points])
        hidden |= near > -TRACE_REACH_MM
    return hidden
