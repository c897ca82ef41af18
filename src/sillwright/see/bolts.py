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
MOST_TIPS = 200
MOST_PROPOSALS = 32
RIMS = (1.0, 0.87)  # where a bolt's two edges may show, in radii: its outline, or the inner side of its dark rim
DIRECTIONS = 40
AWAY_STEP = 2.5
ARC_SAMPLES = 7
LEVELS_MM = (30.0, 50.0, 75.0, 105.0, 140.0)
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
class Proposals:
    """All that may belong to bolts in one photo: whole shapes, best first, and every round end of the right size.

    ends_px : (N, 2) middles of round ends, best first, whether or not sides and a foot were seen with them
    """

    shapes: list[Proposal]
    ends_px: Array


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
    mask = cv2.erode(mask, np.ones((9, 9), dtype=np.uint8))
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
) -> Proposals:
    """Shapes that could be bolts standing in ``area``; overlapping ones are kept, up to 32."""
    step = radius_mm / CELLS_A_RADIUS
    reach = 80.0  # how far from its foot, on the search plane, an end may show
    columns = int((area.x_to_mm - area.x_from_mm + 2 * reach) / step)
    rows = int((area.y_to_mm - area.y_from_mm + 2 * reach) / step)
    nothing = Proposals([], np.zeros((0, 2)))
    if columns < 20 or rows < 20:
        return nothing
    grid = PlaneGrid(area.x_from_mm - reach, area.y_to_mm + reach, step, -step, columns, rows, SEARCH_HEIGHT_MM)
    px_a_cell = camera.fx / max(pose.centre_mm[2] - SEARCH_HEIGHT_MM, 1.0) * step
    smooth = cv2.GaussianBlur(gray, (0, 0), max(0.4 * px_a_cell, 0.3))
    flat, inside = rectify(smooth, camera, pose, grid)
    free, _ = rectify(mask, camera, pose, grid)
    usable = ((free > 0) & inside).astype(np.float32)
    tensor = structure(flat, usable)
    tips = _round_ends(tensor * usable, inside)
    if not len(tips):
        return nothing
    found = _stadiums(tensor, usable, grid, tips, pose, area)
    high = np.full(len(tips), SEARCH_HEIGHT_MM)
    ends_px = project(camera, pose, np.column_stack([grid.x_mm(tips[:, 0]), grid.y_mm(tips[:, 1]), high]))
    return Proposals(_best_apart(found, camera, pose), ends_px)


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
    """For each end and each rim the best foot: rows of score, tip x, tip y (search plane), base x, base y, height."""
    angles = np.linspace(0.0, 2.0 * np.pi, DIRECTIONS, endpoint=False, dtype=np.float32)
    ux, uy = np.cos(angles)[None, :, None], np.sin(angles)[None, :, None]
    away = np.arange(0.0, 132.0 / abs(grid.step_x_mm), AWAY_STEP, dtype=np.float32)
    x0, y0 = (tips[:, k].astype(np.float32)[:, None, None] for k in (0, 1))
    x, y = x0 + ux * away, y0 + uy * away
    base_x, base_y, height, allowed = _feet(grid, x0, y0, x, y, pose, area)
    cells = np.dstack([*tensor, usable])
    rows = []
    for rim in RIMS:
        total = np.where(allowed, _stadium_score(cells, x, y, x0, y0, ux, uy, rim * CELLS_A_RADIUS), -np.inf)
        flat = total.reshape(len(tips), -1)
        pick = (np.arange(len(tips)), np.argmax(flat, axis=1))
        best = [a.reshape(len(tips), -1)[pick] for a in (total, base_x, base_y, height)]
        tip_x, tip_y = grid.x_mm(tips[:, 0]), grid.y_mm(tips[:, 1])
        found = np.column_stack([best[0], tip_x, tip_y, best[1], best[2], best[3]])
        rows.append(found[np.isfinite(best[0])])
    return np.concatenate(rows)


def _stadium_score(
    cells: Array, x: Array, y: Array, x0: Array, y0: Array, ux: Array, uy: Array, radius: float
) -> Array:
    """Evidence of every stadium (end, direction, length): both sides, far arc of the end, near arc of the foot."""

    def seen(px: Array, py: Array, nx: Array, ny: Array) -> Array:
        shape = px.shape
        map_x, map_y = (np.ascontiguousarray(a.reshape(shape[0], -1), dtype=np.float32) for a in (px, py))
        value = cv2.remap(cells, map_x, map_y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        value = value.reshape(*shape, 4)
        energy = value[..., 0] * (nx * nx) + value[..., 1] * (2.0 * nx * ny) + value[..., 2] * (ny * ny)
        return evidence(energy) * value[..., 3]

    one = np.cumsum(seen(x - radius * uy, y + radius * ux, -uy, ux), axis=2) * (AWAY_STEP / UNIT_CELLS)
    other = np.cumsum(seen(x + radius * uy, y - radius * ux, -uy, ux), axis=2) * (AWAY_STEP / UNIT_CELLS)
    arc = np.linspace(-1.35, 1.35, ARC_SAMPLES)
    foot = np.zeros_like(one)
    end = np.zeros((len(x), DIRECTIONS, 1))
    for turn in arc:
        vx, vy = np.cos(turn) * ux - np.sin(turn) * uy, np.cos(turn) * uy + np.sin(turn) * ux
        wide = 0.95 * radius  # the foot stands farther from the camera than the end
        foot += seen(x + wide * vx, y + wide * vy, vx, vy)
        end += seen(x0 - radius * vx, y0 - radius * vy, vx, vy)
    weight = np.pi * radius / UNIT_CELLS / ARC_SAMPLES
    # Both sides must stand: the weaker one counts for more, or any long straight edge would look like a bolt.
    return 1.4 * np.minimum(one, other) + 0.6 * np.maximum(one, other) + weight * (foot + end)


def _feet(
    grid: PlaneGrid, x0: Array, y0: Array, x: Array, y: Array, pose: Pose, area: WallArea
) -> tuple[Array, Array, Array, NDArray[np.bool_]]:
    """Where each foot stands on the wall, the tip's height that makes the bolt plumbest, and whether that may be."""
    centre = pose.centre_mm
    drop = centre[2] / (centre[2] - SEARCH_HEIGHT_MM)
    base_x = centre[0] + (grid.x_mm(x) - centre[0]) * drop
    base_y = centre[1] + (grid.y_mm(y) - centre[1]) * drop
    lean = np.full(x.shape, np.inf)
    height = np.zeros(x.shape)
    for level in LEVELS_MM:
        rise = (centre[2] - level) / (centre[2] - SEARCH_HEIGHT_MM)
        at_x = centre[0] + (grid.x_mm(x0) - centre[0]) * rise
        at_y = centre[1] + (grid.y_mm(y0) - centre[1]) * rise
        here = np.hypot(base_x - at_x, base_y - at_y) / level
        closer = here < lean
        lean, height = np.where(closer, here, lean), np.where(closer, level, height)
    inside = (base_x > area.x_from_mm) & (base_x < area.x_to_mm) & (base_y > area.y_from_mm) & (base_y < area.y_to_mm)
    return base_x, base_y, height, inside & (lean < LARGEST_LEAN)


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
