"""What stands up, by parallax: photos laid flat on the wall agree on all that is flat, and on nothing that stands.

Paint, rust, shadows and cracks lie in the plane of the wall, so two photos rectified to it show them in one place. A
bolt is drawn out by each camera along its own way: its picture runs from its base straight away from the point below
that camera. There the other photo shows concrete, and the two disagree. Neither colour nor light nor shape is asked.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Camera, Pose
from sillwright.rectify import PlaneGrid, rectify
from sillwright.see.wall import KnownThings, WallArea

CELL_MM = 2.0
WINDOW_CELLS = 7
BEYOND_MM = 40.0  # round the area, for what leans or is drawn out past it
SHIFTS_CELLS = (-1, 0, 1)  # a pose is off by less, and concrete 1.5 mm high shifts by 1 mm between photos
SMOOTH_CELLS = 0.7
FLOOR_GREY = 1.5  # noise left in a cell
STANDS_OUT = 1.5  # times the contrast of the bare wall: plain concrete agrees only as far as its grain shows
BESIDE_MM = 3.0  # more than a radius from the bolt's picture in the other photo, where that one shows the bare wall
# Of some 60 rendered and drawn bolts none had more than 0.6, and flat marks of bolts' shape hardly less than 0.92.
LEAST_PLACES = 4
FLAT_AGREES = 0.85


@dataclass(frozen=True)
class FlatPatch:
    """One photo's part of the wall laid flat on Z = 0, cells on whole multiples of ``CELL_MM``.

    first_cell : (column, row) of the first cell, in cells from the wall frame's zero
    gray : (rows, columns); usable : the same, where the photo shows bare wall: no card, no line
    """

    first_cell: tuple[int, int]
    gray: NDArray[np.uint8]
    usable: NDArray[np.bool_]


@dataclass(frozen=True)
class Agreement:
    """How well two photos agree about the wall, cell by cell: about 1 where it is flat, NaN where nothing can be told.

    first_cell : as in :class:`FlatPatch`; values : (rows, columns)
    of_first : (rows, columns), where the first of the two shows more contrast than the second
    """

    first_cell: tuple[int, int]
    values: NDArray[np.float32]
    of_first: NDArray[np.bool_]

    def at(self, points_mm: Array) -> Array:
        """Values at points (N, 2) of the wall, NaN outside."""
        rows, columns, inside = cells_at(points_mm, self.first_cell, self.values.shape)
        out = np.full(len(points_mm), np.nan)
        out[inside] = self.values[rows[inside], columns[inside]]
        return out


def cells_at(
    points_mm: Array, first_cell: tuple[int, int], shape: tuple[int, ...]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Row and column of points (N, 2) of the wall in a map of (rows, columns), and which of them are inside."""
    cells = np.round(points_mm / CELL_MM).astype(np.int64) - np.array(first_cell)
    inside = (cells >= 0).all(axis=1) & (cells < [shape[1], shape[0]]).all(axis=1)
    return cells[:, 1], cells[:, 0], np.asarray(inside)


def flat_patch(gray: NDArray[np.uint8], camera: Camera, pose: Pose, area: WallArea, known: KnownThings) -> FlatPatch:
    """The area of the wall as one photo, grey (H, W), shows it."""
    low = np.floor((np.array([area.x_from_mm, area.y_from_mm]) - BEYOND_MM) / CELL_MM).astype(int)
    high = np.ceil((np.array([area.x_to_mm, area.y_to_mm]) + BEYOND_MM) / CELL_MM).astype(int)
    columns, rows = (int(n) for n in np.maximum(high - low + 1, 1))
    grid = PlaneGrid(float(low[0]) * CELL_MM, float(low[1]) * CELL_MM, CELL_MM, CELL_MM, columns, rows)
    # Nearly one pixel a cell first, so that a cell is the mean of what it covers.
    px_a_cell = CELL_MM * camera.fx / max(float(pose.centre_mm[2]), 1.0) * gray.shape[1] / camera.width_px
    less = max(1, round(px_a_cell))
    size = (gray.shape[1] // less, gray.shape[0] // less)
    small = cv2.resize(gray, size, interpolation=cv2.INTER_AREA) if less > 1 else gray
    flat, inside = rectify(small, camera, pose, grid)
    clear = known.seen_by(*grid.as_photo(pose.centre_mm)).clear(flat.shape)
    return FlatPatch((int(low[0]), int(low[1])), flat, (clear > 0) & inside)


def agreement(one: FlatPatch, other: FlatPatch) -> Agreement | None:
    """Zero-mean normalised cross-correlation over 14 mm windows, the best of nine shifts by up to a cell.

    None where the two show no stretch in common. The mean and the contrast of each window fall out, so that exposure
    and the light of the hour do not matter. A window that is not all bare wall in both tells nothing.
    """
    first = np.maximum(one.first_cell, other.first_cell)
    ends = [np.array(p.first_cell) + p.gray.shape[::-1] for p in (one, other)]
    size = np.minimum(ends[0], ends[1]) - first
    if (size < 3 * WINDOW_CELLS).any():
        return None
    (a, shown_a), (b, shown_b) = (_cut(patch, first, size) for patch in (one, other))
    mean_a, power_a = _mean_and_power(a)
    mean_b, power_b = _mean_and_power(b)
    rows, columns = a.shape
    inner = np.s_[1 : rows - 1, 1 : columns - 1]
    # The other photo's contrast is asked of each shift, this one's once, after the best of them.
    over_b, best = 1.0 / np.sqrt(power_b), np.full((rows - 2, columns - 2), -np.inf, dtype=np.float32)
    for dy in SHIFTS_CELLS:
        for dx in SHIFTS_CELLS:
            moved = np.s_[1 + dy : rows - 1 + dy, 1 + dx : columns - 1 + dx]
            together = _window(a[inner] * b[moved])
            together -= mean_a[inner] * mean_b[moved]
            together *= over_b[moved]
            np.maximum(best, together, out=best)
    best /= np.sqrt(power_a[inner])
    whole = cv2.erode(shown_a & cv2.erode(shown_b, np.ones((3, 3), np.uint8)), np.ones((WINDOW_CELLS,) * 2, np.uint8))
    bare = whole[inner] > 0
    shown = np.maximum(power_a, power_b)[inner]
    usual = float(np.median(shown[bare])) if bare.any() else 0.0
    best[~(bare & (shown > STANDS_OUT**2 * usual))] = np.nan
    return Agreement((int(first[0]) + 1, int(first[1]) + 1), best, np.asarray(power_a > power_b)[inner])


def _cut(
    patch: FlatPatch, first: NDArray[np.int64], size: NDArray[np.int64]
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Smoothed grey less its mean, and 1 where usable, of a rectangle of cells."""
    x, y = first - np.array(patch.first_cell)
    box = np.s_[y : y + size[1], x : x + size[0]]
    gray = cv2.GaussianBlur(patch.gray[box].astype(np.float32), (0, 0), SMOOTH_CELLS)
    return gray - gray.mean(), patch.usable[box].astype(np.uint8)


def _window(cells: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(cv2.boxFilter(cells, -1, (WINDOW_CELLS, WINDOW_CELLS)), dtype=np.float32)


def _mean_and_power(cells: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Of each window, the power with the floor of noise added."""
    mean = _window(cells)
    return mean, np.maximum(_window(cells * cells) - mean * mean, 0.0) + np.float32(FLOOR_GREY**2)


def drawn_out_mm(pose: Pose, tips_mm: Array) -> Array:
    """Where a photo laid flat shows points (..., 3) that stand above the wall, (..., 2)."""
    centre = pose.centre_mm
    rise = centre[2] / (centre[2] - tips_mm[..., 2:])
    return np.asarray((centre + (tips_mm - centre) * rise)[..., :2])


def clear_pictures(
    own: Pose, other: Pose, bases_mm: Array, tips_mm: Array, radius_mm: float
) -> tuple[Array, NDArray[np.bool_]]:
    """Where bolts would be seen in one photo laid flat, and where another shows the bare wall there.

    bases_mm : (N, 2); tips_mm : (N, 3). Returns points (N, K, 2), ``CELL_MM`` apart along each bolt's picture in
    ``own``, and (N, K) which of them belong to it and are clear of its picture in ``other``.
    """
    here, there = drawn_out_mm(own, tips_mm) - bases_mm, drawn_out_mm(other, tips_mm) - bases_mm
    length = np.linalg.norm(here, axis=1)
    # The end is round and reaches a radius past the axis.
    along = np.arange(0.0, float(length.max(initial=0.0)) + radius_mm + 0.5 * CELL_MM, CELL_MM)
    from_base = along[None, :, None] * (here / np.maximum(length, 1e-9)[:, None])[:, None]
    square = np.maximum((there * there).sum(axis=1), 1e-9)
    nearest = np.clip(np.einsum("nkd,nd->nk", from_base, there) / square[:, None], 0.0, 1.0)
    beside = np.linalg.norm(from_base - nearest[:, :, None] * there[:, None], axis=2)
    own_part = along[None] < length[:, None] + radius_mm + 0.5 * CELL_MM
    return bases_mm[:, None] + from_base, own_part & (beside > radius_mm + BESIDE_MM)


def agreements_along(
    shared: Agreement, own: Pose, other: Pose, base_mm: Array, tip_mm: Array, radius_mm: float
) -> Array:
    """How far two photos agree where one of them should show a bolt and the other the bare wall, (N,).

    base_mm : (2,) or more, its place on the concrete; tip_mm : (3,). One value for each 2 mm of the bolt's picture in
    ``own`` that is clear of its picture in ``other`` and can be told; about 1 where what is seen there lies flat.
    """
    points, clear = clear_pictures(own, other, base_mm[None, :2], tip_mm[None], radius_mm)
    values = shared.at(points[clear])
    return values[np.isfinite(values)]


@dataclass(frozen=True)
class Parallax:
    """What all pairs of photos say of one place together.

    places : how many places along its pictures could tell; agreement : three quarters of them agree more than this
    """

    places: int = 0
    agreement: float = 0.0

    @classmethod
    def of(cls, values: Array) -> Parallax:
        """Of all pairs' agreements, (N,)."""
        if not len(values):
            return cls()
        return cls(len(values), float(np.quantile(values, 0.25)))

    @property
    def lies_flat(self) -> bool:
        """Whether what should stand is seen in one place by all: paint, a stain, a shadow."""
        return self.places >= LEAST_PLACES and self.agreement > FLAT_AGREES


UNTOLD = Parallax()
