"""What may be a bolt in one photo: a round end of the right size, two straight sides, and a foot on the concrete.

Shape alone decides; neither colour nor brightness is asked. The search runs on the photo rectified to a level plane at
the middle height of bolt ends. There every end face is a circle of nearly one size wherever it stands in the photo,
and every bolt a stadium from its end to its foot. What is found here is a proposal: photos that see the same stretch
are held against each other afterwards, where shadows, stains and anything flat fall out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Camera, Pose, project
from sillwright.rectify import PlaneGrid, rectify
from sillwright.see.edgefield import evidence, structure

SEARCH_HEIGHT_MM = 75.0
CELLS_A_RADIUS = 8.0
RING_RADII = (0.945, 1.0, 1.055)  # ends from 30 to 140 mm up, seen from 1.1 to 1.6 m
MOST_TIPS = 250
MOST_PROPOSALS = 24
DIRECTIONS = 48
LOWEST_MM, HIGHEST_MM = 30.0, 140.0
LARGEST_LEAN = 0.26  # tip over height: 15 degrees
UNIT_CELLS = 10.0  # length of outline that counts as one independent witness


@dataclass(frozen=True)
class Proposal:
    """One shape in one photo that could be a bolt.

    tip_px : (2,) middle of its end face; base_mm : (2,) where it seems to leave the concrete, wall frame;
    height_mm : a first guess of the tip's height; score : evidence in nats.
    """

    tip_px: Array
    base_mm: Array
    height_mm: float
    score: float


@dataclass(frozen=True)
class WallArea:
    """Where on the concrete bolts may stand: X from/to and Y from/to in the wall frame."""

    x_from_mm: float
    x_to_mm: float
    y_from_mm: float
    y_to_mm: float


def known_mask(
    shape: tuple[int, int], camera: Camera, pose: Pose, outlines_mm: Sequence[Array], lines_mm: Sequence[Array]
) -> NDArray[np.uint8]:
    """1 where nothing known lies, 0 on cards (outlines, (K, 3)) and along lines ((K, 3) polylines, 7 mm wide)."""
    mask = np.ones(shape, dtype=np.uint8)
    for outline in outlines_mm:
        corners = project(camera, pose, outline)
        if np.isfinite(corners).all():
            cv2.fillConvexPoly(mask, np.round(corners).astype(np.int32), 0)
    mask = cv2.erode(mask, np.ones((9, 9), dtype=np.uint8))  # type: ignore[assignment]
    px_per_mm = camera.fx / max(pose.centre_mm[2], 1.0)
    for line in lines_mm:
        points = project(camera, pose, line)
        points = points[np.isfinite(points).all(axis=1) & (np.abs(points) < 4 * camera.width_px).all(axis=1)]
        cv2.polylines(mask, [np.round(points).astype(np.int32)], False, 0, max(3, round(6.0 * px_per_mm)))
    return mask


def propose_bolts(
    gray: NDArray[np.uint8],
    mask: NDArray[np.uint8],
    camera: Camera,
    pose: Pose,
    area: WallArea,
    radius_mm: float,
) -> list[Proposal]:
    """Shapes that could be bolts standing in ``area``, best first; overlapping ones are kept, up to 24."""
    step = radius_mm / CELLS_A_RADIUS
    reach = 80.0  # how far from its foot, on the search plane, an end may show
    columns = int((area.x_to_mm - area.x_from_mm + 2 * reach) / step)
    rows = int((area.y_to_mm - area.y_from_mm + 2 * reach) / step)
    if columns < 20 or rows < 20:
        return []
    grid = PlaneGrid(area.x_from_mm - reach, area.y_to_mm + reach, step, -step, columns, rows, SEARCH_HEIGHT_MM)
    px_a_cell = camera.fx / max(pose.centre_mm[2] - SEARCH_HEIGHT_MM, 1.0) * step
    smooth = cv2.GaussianBlur(gray, (0, 0), max(0.4 * px_a_cell, 0.3))
    flat, inside = rectify(smooth, camera, pose, grid)  # type: ignore[arg-type]
    free, _ = rectify(mask, camera, pose, grid)
    usable = ((free > 0) & inside).astype(np.float32)
    tensor = structure(flat, usable)
    tips = _round_ends(tensor * usable, inside)
    if not len(tips):
        return []
    found = _stadiums(tensor, usable, grid, tips, pose, area)
    return _best_apart(found, camera, pose)


def _round_ends(tensor: NDArray[np.float32], inside: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Cells (N, 2: column, row) where a circle of the right radius has edges all round, best first."""
    best = np.zeros(inside.shape, dtype=np.float32)
    for share in RING_RADII:
        answer = np.zeros_like(best)
        for piece, kernel in zip(tensor, _ring_kernels(share * CELLS_A_RADIUS), strict=True):
            answer += cv2.filter2D(piece, -1, kernel, borderType=cv2.BORDER_REFLECT)
        best = np.maximum(best, answer)
    border = round(CELLS_A_RADIUS) + 2
    best[cv2.erode(inside.astype(np.uint8), np.ones((2 * border + 1, 2 * border + 1), np.uint8)) == 0] = 0.0
    peak = (best == cv2.dilate(best, np.ones((7, 7), np.uint8))) & (best > 0.18)
    rows, columns = np.nonzero(peak)
    order = np.argsort(-best[rows, columns], kind="stable")[:MOST_TIPS]
    return np.column_stack([columns[order], rows[order]])


def _ring_kernels(radius: float) -> list[NDArray[np.float32]]:
    """Kernels that sum the edge energy of radial normals over a ring, one for each part of the tensor."""
    half = int(np.ceil(radius + 3))
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    rho = np.hypot(x, y) + 1e-9
    weight = np.exp(-0.5 * ((rho - radius) / 0.8) ** 2)
    weight /= weight.sum()
    nx, ny = x / rho, y / rho
    return [(weight * part).astype(np.float32) for part in (nx * nx, 2.0 * nx * ny, ny * ny)]


def _stadiums(
    tensor: NDArray[np.float32],
    usable: NDArray[np.float32],
    grid: PlaneGrid,
    tips: NDArray[np.int64],
    pose: Pose,
    area: WallArea,
) -> Array:
    """For each end the best foot: rows of score, tip x, tip y (on the search plane), base x, base y, height."""
    height, width = usable.shape
    flat, free = tensor.reshape(3, -1), usable.ravel()

    def seen(x: Array, y: Array, nx: Array, ny: Array) -> Array:
        column = np.clip(np.rint(x), 0, width - 1).astype(np.int64)
        row = np.clip(np.rint(y), 0, height - 1).astype(np.int64)
        index = row * width + column
        energy = flat[0, index] * (nx * nx) + 2.0 * flat[1, index] * (nx * ny) + flat[2, index] * (ny * ny)
        return evidence(energy) * free[index]

    angles = np.linspace(0.0, 2.0 * np.pi, DIRECTIONS, endpoint=False)
    ux, uy = np.cos(angles), np.sin(angles)
    away = np.arange(0.0, 132.0 / abs(grid.step_x_mm), 2.0)
    x0, y0 = tips[:, 0].astype(float), tips[:, 1].astype(float)
    x = x0[:, None, None] + ux[None, :, None] * away
    y = y0[:, None, None] + uy[None, :, None] * away
    nx, ny = -uy[None, :, None], ux[None, :, None]
    radius = CELLS_A_RADIUS
    one = np.cumsum(seen(x + radius * nx, y + radius * ny, nx, ny), axis=2) * 2.0 / UNIT_CELLS
    other = np.cumsum(seen(x - radius * nx, y - radius * ny, nx, ny), axis=2) * 2.0 / UNIT_CELLS
    arc = np.linspace(-1.35, 1.35, 9)
    foot = np.zeros_like(one)
    end = np.zeros((len(tips), DIRECTIONS))
    for turn in arc:
        vx, vy = np.cos(turn) * ux - np.sin(turn) * uy, np.cos(turn) * uy + np.sin(turn) * ux
        wide = 0.95 * radius  # the foot stands farther from the camera than the end
        foot += seen(x + wide * vx[None, :, None], y + wide * vy[None, :, None], vx[None, :, None], vy[None, :, None])
        end += seen(x0[:, None] - radius * vx, y0[:, None] - radius * vy, vx, vy)
    weight = np.pi * radius / UNIT_CELLS / len(arc)
    # Both sides must stand: the weaker one counts for more, or any long straight edge would look like a bolt.
    total = 1.4 * np.minimum(one, other) + 0.6 * np.maximum(one, other) + weight * (foot + end[:, :, None])
    return _admissible(total, grid, x0, y0, x, y, pose, area)


def _admissible(
    total: Array, grid: PlaneGrid, x0: Array, y0: Array, x: Array, y: Array, pose: Pose, area: WallArea
) -> Array:
    centre = pose.centre_mm
    drop = centre[2] / (centre[2] - SEARCH_HEIGHT_MM)
    base_x = centre[0] + (grid.x_mm(x) - centre[0]) * drop
    base_y = centre[1] + (grid.y_mm(y) - centre[1]) * drop
    tip_x, tip_y = grid.x_mm(x0), grid.y_mm(y0)
    lean = np.full(total.shape, np.inf)
    height = np.zeros(total.shape)
    for level in np.arange(LOWEST_MM, HIGHEST_MM + 1.0, 10.0):
        rise = (centre[2] - level) / (centre[2] - SEARCH_HEIGHT_MM)
        at_x, at_y = centre[0] + (tip_x - centre[0]) * rise, centre[1] + (tip_y - centre[1]) * rise
        here = np.hypot(base_x - at_x[:, None, None], base_y - at_y[:, None, None]) / level
        closer = here < lean
        lean, height = np.where(closer, here, lean), np.where(closer, level, height)
    allowed = (lean < LARGEST_LEAN) & (base_x > area.x_from_mm) & (base_x < area.x_to_mm)
    allowed &= (base_y > area.y_from_mm) & (base_y < area.y_to_mm)
    flat = np.where(allowed, total, -np.inf).reshape(len(x0), -1)
    best = np.argmax(flat, axis=1)
    pick = (np.arange(len(x0)), best)
    columns = [a.reshape(len(x0), -1)[pick] for a in (total, base_x, base_y, height)]
    rows = np.column_stack([columns[0], tip_x, tip_y, columns[1], columns[2], columns[3]])
    return rows[np.isfinite(flat[pick])]


def _best_apart(rows: Array, camera: Camera, pose: Pose) -> list[Proposal]:
    kept: list[Array] = []
    for row in rows[np.argsort(-rows[:, 0], kind="stable")]:
        if row[0] < 0.0 or len(kept) >= MOST_PROPOSALS:
            break
        if all(
            np.hypot(row[1] - k[1], row[2] - k[2]) > 6.0 or np.hypot(row[3] - k[3], row[4] - k[4]) > 15.0 for k in kept
        ):
            kept.append(row)
    proposals = []
    for row in kept:
        tip = project(camera, pose, np.array([[row[1], row[2], SEARCH_HEIGHT_MM]]))[0]
        proposals.append(Proposal(tip, row[3:5], float(row[5]), float(row[0])))
    return proposals
