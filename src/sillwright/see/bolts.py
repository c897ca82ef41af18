"""What may be a bolt in one photo: a round end of the right size, two straight sides, and a foot on the concrete.

Shape alone decides; neither colour nor brightness is asked. The search runs on the photo as a camera looking straight
down would show it, on the plane of bolt ends. There every end face is a circle of nearly one size wherever it stands,
and every bolt a stadium from its end to its foot. What is found here is a proposal: photos that see the same stretch
are held against each other afterwards, where shadows, stains and anything flat fall out.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import dist

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Pose
from sillwright.rectify import PlaneGrid
from sillwright.see.edgefield import EVIDENCE_CAP, FULL, Cells, along, evidence
from sillwright.see.vertical import CELLS_A_RADIUS, LARGEST_LEAN, PLANE_MM, VerticalPhoto
from sillwright.see.wall import WallArea

RING_RADII = (0.945, 1.0, 1.055)  # ends from 30 to 140 mm up, seen from 1.1 to 1.6 m
LEAST_RING = 0.16
RING_SAMPLES = 24
MOST_TIPS = 150
MOST_PROPOSALS = 32
RIMS = (1.0, 0.87)  # where a bolt's two edges may show, in radii: its outline, or the inner side of its dark rim
DIRECTIONS = 40
AWAY_STEP = 3.0
ARC_SAMPLES = 7
LEVELS_MM = (30.0, 50.0, 75.0, 105.0, 140.0)
UNIT_CELLS = 1.25 * CELLS_A_RADIUS  # length of outline that counts as one independent witness


@dataclass(frozen=True)
class Proposal:
    """One shape in one photo that could be a bolt.

    end_mm : (3,) where the middle of its end face shows on the plane of the search, so that the tip stands somewhere on
    the ray through it; base_mm : (2,) where it seems to leave the concrete; score : evidence in nats.
    """

    end_mm: Array
    base_mm: Array
    score: float


@dataclass(frozen=True)
class Proposals:
    """All that may belong to bolts in one photo: whole shapes, best first, and every round end of the right size.

    ends_mm : (N, 3) where middles of round ends show on the plane of the search, best first, whether or not sides and a
    foot were seen with them
    """

    shapes: list[Proposal]
    ends_mm: Array


NO_PROPOSALS = Proposals([], np.zeros((0, 3)))


def propose_bolts(photo: VerticalPhoto, inside: NDArray[np.bool_], area: WallArea) -> Proposals:
    """Shapes that could be bolts standing in ``area``; overlapping ones are kept, up to 32.

    inside : (rows, columns) which cells the photo really shows: an end that its border cuts is none
    """
    cells, grid = photo.field.cells, photo.grid
    tips = _round_ends(cells, inside)
    if not len(tips):
        return NO_PROPOSALS
    found = _stadiums(cells, grid, tips, photo.pose, area)
    ends_mm = np.column_stack([grid.x_mm(tips[:, 0]), grid.y_mm(tips[:, 1]), np.full(len(tips), PLANE_MM)])
    return Proposals(_best_apart(found), ends_mm)


def _round_ends(cells: Cells, inside: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Cells (N, 2: column, row) where a circle of the right radius has edges all round, best first.

    Looked for on cells twice as wide, and then placed among the fine ones.
    """
    height, width = (n // 2 for n in inside.shape)
    half = cv2.resize(cells[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA)
    # On cells this wide the rings of low and high ends are one.
    best = np.zeros((height, width), dtype=np.float32)
    for piece, kernel in zip(cv2.split(half)[:3], _ring_kernels(CELLS_A_RADIUS / 2.0), strict=True):
        best += cv2.filter2D(piece.astype(np.float32), -1, kernel, borderType=cv2.BORDER_REFLECT)
    border = round(CELLS_A_RADIUS / 2.0) + 1
    whole = inside[: 2 * height : 2, : 2 * width : 2].astype(np.uint8)
    best[cv2.erode(whole, np.ones((2 * border + 1, 2 * border + 1), np.uint8)) == 0] = 0.0
    peak = (best == cv2.dilate(best, np.ones((5, 5), np.uint8))) & (best > LEAST_RING)
    rows, columns = np.nonzero(peak)
    order = np.argsort(-best[rows, columns], kind="stable")[:MOST_TIPS]
    if not len(order):
        return np.zeros((0, 2), dtype=np.int64)
    return _placed(cells, np.column_stack([2 * columns[order], 2 * rows[order]]))


def _placed(cells: Cells, tips: NDArray[np.int64]) -> NDArray[np.int64]:
    """Each tip moved by up to two cells to where its ring shows best."""
    step = np.arange(-1, 3)
    shifts = np.array([(dx, dy) for dy in step for dx in step])
    turn = np.linspace(0.0, 2.0 * np.pi, RING_SAMPLES, endpoint=False, dtype=np.float32)
    nx, ny = np.cos(turn), np.sin(turn)
    weights = np.column_stack([nx * nx, 2.0 * nx * ny, ny * ny, np.zeros_like(nx)]).ravel()
    middle = tips[:, None, :] + shifts[None, :, :]
    x, y = (middle[:, :, None, k].astype(np.float32) for k in (0, 1))
    best = np.zeros(middle.shape[:2], dtype=np.float32)
    for share in RING_RADII:
        radius = share * CELLS_A_RADIUS
        map_x, map_y = ((at + radius * way).reshape(len(tips), -1) for at, way in ((x, nx), (y, ny)))
        value = cv2.remap(cells, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        np.maximum(best, value.reshape(*best.shape, -1).astype(np.float32) @ weights, out=best)
    return middle[np.arange(len(tips)), np.argmax(best, axis=1)]


def _ring_kernels(radius: float) -> list[NDArray[np.float32]]:
    """Kernels that sum the edge energy of radial normals over a ring, one for each part of the tensor in bytes.

    That of the middle part sums to zero, so that the byte which stands for none does not count.
    """
    half = int(np.ceil(radius + 1))  # beyond, there is next to nothing of a bell half a cell wide
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    rho = np.hypot(x, y) + 1e-9
    weight = np.exp(-0.5 * ((rho - radius) / 0.5) ** 2)
    weight /= FULL * weight.sum()
    nx, ny = x / rho, y / rho
    return [(weight * part).astype(np.float32) for part in (nx * nx, 2.0 * nx * ny, ny * ny)]


def _stadiums(cells: Cells, grid: PlaneGrid, tips: NDArray[np.int64], pose: Pose, area: WallArea) -> Array:
    """For each end and each rim the best foot: rows of score, end x, end y (on the plane), base x, base y."""
    angles = np.linspace(0.0, 2.0 * np.pi, DIRECTIONS, endpoint=False, dtype=np.float32)
    away = np.arange(0.0, 132.0 / abs(grid.step_x_mm), AWAY_STEP, dtype=np.float32)
    tip, turn = np.nonzero(_may_lead_to_feet(grid, tips, angles, pose))
    ends = tips[tip].astype(np.float32)
    unit = np.column_stack([np.cos(angles[turn]), np.sin(angles[turn])])
    x, y = (ends[:, k, None] + unit[:, k, None] * away for k in (0, 1))
    base_x, base_y, allowed = _feet(grid, ends[:, :1], ends[:, 1:], x, y, pose, area)
    some = allowed.any(axis=1)
    if not some.any():
        return np.zeros((0, 5))
    tip, ends, unit, allowed = tip[some], ends[some], unit[some], allowed[some]
    base_x, base_y = base_x[some], base_y[some]
    rows = []
    for rim in RIMS:
        total = _stadium_score(cells, ends, unit, away, allowed, rim * CELLS_A_RADIUS)
        at = np.argmax(total, axis=1)
        ray = np.arange(len(tip))
        best = total[ray, at]
        order = np.lexsort((-best, tip))
        first = order[np.unique(tip[order], return_index=True)[1]]
        pick = (first, at[first])
        end_x_mm, end_y_mm = grid.x_mm(ends[first, 0]), grid.y_mm(ends[first, 1])
        rows.append(np.column_stack([best[first], end_x_mm, end_y_mm, base_x[pick], base_y[pick]]))
    return np.concatenate(rows)


def _may_lead_to_feet(grid: PlaneGrid, tips: NDArray[np.int64], angles: Array, pose: Pose) -> NDArray[np.bool_]:
    """Which way from each end a foot may show that is not too far from plumb below it, (N, directions)."""
    centre = pose.centre_mm
    end_mm = np.column_stack([grid.x_mm(tips[:, 0]), grid.y_mm(tips[:, 1])])
    way = np.column_stack([np.cos(angles) * np.sign(grid.step_x_mm), np.sin(angles) * np.sign(grid.step_y_mm)])
    may = np.zeros((len(tips), len(angles)), dtype=bool)
    for level_mm in LEVELS_MM:
        # A foot plumb below an end at this height shows so far from it, and those the bolt may lean to this far round.
        plumb = (end_mm - centre[:2]) * ((centre[2] - level_mm) / centre[2] - 1.0)
        around = LARGEST_LEAN * level_mm * (centre[2] - PLANE_MM) / centre[2]
        ahead = np.maximum(plumb @ way.T, 0.0)
        may |= np.sum(plumb**2, axis=1)[:, None] - ahead**2 < around**2
    return may


def _stadium_score(
    cells: Cells,
    ends: Array,
    unit: Array,
    away: Array,
    allowed: NDArray[np.bool_],
    radius: float,
) -> Array:
    """Evidence of every stadium: both sides, far arc of the end, near arc of the foot.

    ends, unit : (R, 2) middle of the end and the way to the foot; away : (L,) distances of the foot
    allowed : (R, L); the rest, and what would be worth less than nothing, may be -inf
    """

    def seen(px: Array, py: Array, nx: Array, ny: Array) -> Array:
        energy, usable = along(_nearest(cells, px, py), nx, ny)
        return evidence(energy) * usable

    x0, y0, ux, uy = ends[:, :1], ends[:, 1:], unit[:, :1], unit[:, 1:]
    x, y = x0 + ux * away, y0 + uy * away
    one = np.cumsum(seen(x - radius * uy, y + radius * ux, -uy, ux), axis=1) * (AWAY_STEP / UNIT_CELLS)
    other = np.cumsum(seen(x + radius * uy, y - radius * ux, -uy, ux), axis=1) * (AWAY_STEP / UNIT_CELLS)
    turn = np.linspace(-1.35, 1.35, ARC_SAMPLES, dtype=np.float32)
    vx, vy = np.cos(turn) * ux - np.sin(turn) * uy, np.cos(turn) * uy + np.sin(turn) * ux
    weight = np.pi * radius / UNIT_CELLS / ARC_SAMPLES
    end = seen(x0 - radius * vx, y0 - radius * vy, vx, vy).sum(axis=1, keepdims=True)
    # Both sides must stand: the weaker one counts for more, or any long straight edge would look like a bolt.
    without_foot = 1.4 * np.minimum(one, other) + 0.6 * np.maximum(one, other) + weight * end
    # What not even the clearest foot would bring to more than nothing needs no look at its foot.
    ray, step = np.nonzero(allowed & (without_foot > -weight * ARC_SAMPLES * EVIDENCE_CAP))
    foot_x, foot_y = x[ray, step][:, None], y[ray, step][:, None]
    wide = 0.95 * radius  # the foot stands farther from the camera than the end
    foot = seen(foot_x + wide * vx[ray], foot_y + wide * vy[ray], vx[ray], vy[ray]).sum(axis=1)
    total = np.full(allowed.shape, -np.inf)
    total[ray, step] = without_foot[ray, step] + weight * foot
    return total


def _nearest(cells: Cells, x: Array, y: Array) -> Cells:
    """The cells nearest to points of any number and shape (R, C), (R, C, 4), 0 outside."""
    width = 4096  # OpenCV takes maps of fewer than 32767 rows and columns
    flat = np.full((2, -(-x.size // width) * width), -9.0, dtype=np.float32)
    flat[0, : x.size], flat[1, : y.size] = x.ravel(), y.ravel()
    map_x, map_y = flat.reshape(2, -1, width)
    value = cv2.remap(cells, map_x, map_y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(value.reshape(-1, 4)[: x.size].reshape(*x.shape, 4))


def _feet(
    grid: PlaneGrid, x0: Array, y0: Array, x: Array, y: Array, pose: Pose, area: WallArea
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Where each foot stands on the wall, and whether the bolt would be plumb enough with its tip at any height."""
    cx, cy, cz = (np.float32(v) for v in pose.centre_mm)
    drop = cz / (cz - np.float32(PLANE_MM))

    def over(column: Array, row: Array, rise: np.float32) -> tuple[Array, Array]:
        x_mm = np.float32(grid.x0_mm) + column * np.float32(grid.step_x_mm)
        y_mm = np.float32(grid.y0_mm) + row * np.float32(grid.step_y_mm)
        return cx + (x_mm - cx) * rise, cy + (y_mm - cy) * rise

    base_x, base_y = over(x, y, drop)
    lean = np.full(x.shape, np.inf, dtype=np.float32)
    for level in LEVELS_MM:
        at_x, at_y = over(x0, y0, (cz - np.float32(level)) / (cz - np.float32(PLANE_MM)))
        np.minimum(lean, ((base_x - at_x) ** 2 + (base_y - at_y) ** 2) / np.float32(level**2), out=lean)
    inside = (base_x > area.x_from_mm) & (base_x < area.x_to_mm) & (base_y > area.y_from_mm) & (base_y < area.y_to_mm)
    return base_x, base_y, inside & (lean < LARGEST_LEAN**2)


def _best_apart(rows: Array) -> list[Proposal]:
    kept: list[list[float]] = []
    for row in rows[np.argsort(-rows[:, 0], kind="stable")].tolist():
        if row[0] < 0.0 or len(kept) >= MOST_PROPOSALS:
            break
        if all(dist(row[1:3], k[1:3]) > 6.0 or dist(row[3:5], k[3:5]) > 15.0 for k in kept):
            kept.append(row)
    return [Proposal(np.array([*row[1:3], PLANE_MM]), np.array(row[3:5]), row[0]) for row in kept]
