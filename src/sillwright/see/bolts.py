"""What may be a bolt in one photo: a round end of the right size, two straight sides, and a foot on the concrete.

Shape alone decides; neither colour nor brightness is asked. The search runs on the photo rectified to a level plane at
the middle height of bolt ends. There every end face is a circle of nearly one size wherever it stands in the photo,
and every bolt a stadium from its end to its foot. What is found here is a proposal: photos that see the same stretch
are held against each other afterwards, where shadows, stains and anything flat fall out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Camera, Pose, project
from sillwright.rectify import BORDER_POINTS, PlaneGrid, plane_seen, rectify_all
from sillwright.see.edgefield import along, evidence, structure

SEARCH_HEIGHT_MM = 75.0
END_REACH_MM = 80.0  # how far from its foot, on the search plane, an end may show
CELLS_A_RADIUS = 8.0
RING_RADII = (0.945, 1.0, 1.055)  # ends from 30 to 140 mm up, seen from 1.1 to 1.6 m
LEAST_RING = 0.16
RING_SAMPLES = 24
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

    def enlarged(self, factor: int) -> Proposals:
        """The same in pixels of a photo so many times as large as the one searched."""
        shapes = [replace(shape, tip_px=(shape.tip_px + 0.5) * factor - 0.5) for shape in self.shapes]
        return Proposals(shapes, (self.ends_px + 0.5) * factor - 0.5)


NO_PROPOSALS = Proposals([], np.zeros((0, 2)))


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
            whole = np.round(corners).astype(np.int32)
            cv2.fillConvexPoly(mask, whole, 0)
            cv2.polylines(mask, [whole], True, 0, 9)  # and 4 px round it
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
    grid = _search_grid(camera, pose, area, radius_mm)
    if grid is None:
        return NO_PROPOSALS
    px_a_cell = camera.fx / max(pose.centre_mm[2] - SEARCH_HEIGHT_MM, 1.0) * grid.step_x_mm
    smooth = cv2.GaussianBlur(gray, (0, 0), 0.4 * px_a_cell) if px_a_cell > 1.2 else gray
    (flat, free), inside = rectify_all((smooth, mask), camera, pose, grid)
    usable = ((free > 0) & inside).astype(np.float32)
    tensor = structure(flat, usable)
    tensor *= usable
    tips = _round_ends(tensor, inside)
    if not len(tips):
        return NO_PROPOSALS
    found = _stadiums(tensor, usable, grid, tips, pose, area)
    high = np.full(len(tips), SEARCH_HEIGHT_MM)
    ends_px = project(camera, pose, np.column_stack([grid.x_mm(tips[:, 0]), grid.y_mm(tips[:, 1]), high]))
    return Proposals(_best_apart(found, camera, pose), ends_px)


def _search_grid(camera: Camera, pose: Pose, area: WallArea, radius_mm: float) -> PlaneGrid | None:
    """Where ends of bolts that stand in an area may show on the search plane; None where there is no room for one."""
    low_mm = np.array([area.x_from_mm, area.y_from_mm]) - END_REACH_MM
    high_mm = np.array([area.x_to_mm, area.y_to_mm]) + END_REACH_MM
    seen_mm = plane_seen(camera, pose, SEARCH_HEIGHT_MM)
    # Where part of its border misses the plane, how far the photo shows it is not known. Some cells past the border
    # stay: ends that it cuts must not pass for whole ones.
    if len(seen_mm) == BORDER_POINTS:
        low_mm = np.maximum(low_mm, seen_mm.min(axis=0) - 2.0 * radius_mm)
        high_mm = np.minimum(high_mm, seen_mm.max(axis=0) + 2.0 * radius_mm)
    step_mm = radius_mm / CELLS_A_RADIUS
    columns, rows = (int(cells) for cells in (high_mm - low_mm) / step_mm)
    if columns < 20 or rows < 20:
        return None
    return PlaneGrid(float(low_mm[0]), float(high_mm[1]), step_mm, -step_mm, columns, rows, SEARCH_HEIGHT_MM)


def _round_ends(tensor: NDArray[np.float32], inside: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Cells (N, 2: column, row) where a circle of the right radius has edges all round, best first.

    Looked for on cells twice as wide, and then placed among the fine ones.
    """
    height, width = (n // 2 for n in inside.shape)
    half = [cv2.resize(t[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA) for t in tensor]
    # On cells this wide the rings of low and high ends are one.
    best = np.zeros((height, width), dtype=np.float32)
    for piece, kernel in zip(half, _ring_kernels(CELLS_A_RADIUS / 2.0), strict=True):
        best += cv2.filter2D(piece, -1, kernel, borderType=cv2.BORDER_REFLECT)
    border = round(CELLS_A_RADIUS / 2.0) + 1
    whole = inside[: 2 * height : 2, : 2 * width : 2].astype(np.uint8)
    best[cv2.erode(whole, np.ones((2 * border + 1, 2 * border + 1), np.uint8)) == 0] = 0.0
    peak = (best == cv2.dilate(best, np.ones((5, 5), np.uint8))) & (best > LEAST_RING)
    rows, columns = np.nonzero(peak)
    order = np.argsort(-best[rows, columns], kind="stable")[:MOST_TIPS]
    if not len(order):
        return np.zeros((0, 2), dtype=np.int64)
    return _placed(tensor, np.column_stack([2 * columns[order], 2 * rows[order]]))


def _placed(tensor: NDArray[np.float32], tips: NDArray[np.int64]) -> NDArray[np.int64]:
    """Each tip moved by up to two cells to where its ring shows best."""
    step = np.arange(-1, 3)
    shifts = np.array([(dx, dy) for dy in step for dx in step])
    turn = np.linspace(0.0, 2.0 * np.pi, RING_SAMPLES, endpoint=False, dtype=np.float32)
    nx, ny = np.cos(turn), np.sin(turn)
    mean = np.column_stack([nx * nx, 2.0 * nx * ny, ny * ny]).ravel() / RING_SAMPLES
    middle = tips[:, None, :] + shifts[None, :, :]
    x, y = (middle[:, :, None, k].astype(np.float32) for k in (0, 1))
    cells = cv2.merge(list(tensor))
    best = np.zeros(middle.shape[:2], dtype=np.float32)
    for share in RING_RADII:
        radius = share * CELLS_A_RADIUS
        map_x, map_y = ((at + radius * way).reshape(len(tips), -1) for at, way in ((x, nx), (y, ny)))
        value = cv2.remap(cells, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        np.maximum(best, value.reshape(*best.shape, -1) @ mean, out=best)
    return middle[np.arange(len(tips)), np.argmax(best, axis=1)]


def _ring_kernels(radius: float) -> list[NDArray[np.float32]]:
    """Kernels that sum the edge energy of radial normals over a ring, one for each part of the tensor."""
    half = int(np.ceil(radius + 2))
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    rho = np.hypot(x, y) + 1e-9
    weight = np.exp(-0.5 * ((rho - radius) / 0.5) ** 2)
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
    away = np.arange(0.0, 132.0 / abs(grid.step_x_mm), AWAY_STEP, dtype=np.float32)
    tip, turn = np.nonzero(_may_lead_to_feet(grid, tips, angles, pose))
    ends = tips[tip].astype(np.float32)
    unit = np.column_stack([np.cos(angles[turn]), np.sin(angles[turn])])
    x, y = (ends[:, k, None] + unit[:, k, None] * away for k in (0, 1))
    base_x, base_y, height, allowed = _feet(grid, ends[:, :1], ends[:, 1:], x, y, pose, area)
    some = allowed.any(axis=1)
    if not some.any():
        return np.zeros((0, 6))
    tip, ends, unit, allowed = tip[some], ends[some], unit[some], allowed[some]
    base_x, base_y, height = base_x[some], base_y[some], height[some]
    cells = cv2.merge([*tensor, usable])
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
        rows.append(np.column_stack([best[first], end_x_mm, end_y_mm, base_x[pick], base_y[pick], height[pick]]))
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
        around = LARGEST_LEAN * level_mm * (centre[2] - SEARCH_HEIGHT_MM) / centre[2]
        ahead = np.maximum(plumb @ way.T, 0.0)
        may |= np.sum(plumb**2, axis=1)[:, None] - ahead**2 < around**2
    return may


def _stadium_score(
    cells: NDArray[np.float32],
    ends: Array,
    unit: Array,
    away: Array,
    allowed: NDArray[np.bool_],
    radius: float,
) -> Array:
    """Evidence of every stadium: both sides, far arc of the end, near arc of the foot.

    ends, unit : (R, 2) middle of the end and the way to the foot; away : (L,) distances of the foot
    allowed : (R, L); the rest is -inf
    """

    def seen(px: Array, py: Array, nx: Array, ny: Array) -> Array:
        xx, xy, yy, usable = _nearest(cells, px, py)
        return evidence(along(xx, xy, yy, nx, ny)) * usable

    x0, y0, ux, uy = ends[:, :1], ends[:, 1:], unit[:, :1], unit[:, 1:]
    x, y = x0 + ux * away, y0 + uy * away
    one = np.cumsum(seen(x - radius * uy, y + radius * ux, -uy, ux), axis=1) * (AWAY_STEP / UNIT_CELLS)
    other = np.cumsum(seen(x + radius * uy, y - radius * ux, -uy, ux), axis=1) * (AWAY_STEP / UNIT_CELLS)
    ray, step = np.nonzero(allowed)
    foot_x, foot_y = x[ray, step][:, None], y[ray, step][:, None]
    turn = np.linspace(-1.35, 1.35, ARC_SAMPLES, dtype=np.float32)
    vx, vy = np.cos(turn) * ux - np.sin(turn) * uy, np.cos(turn) * uy + np.sin(turn) * ux
    wide = 0.95 * radius  # the foot stands farther from the camera than the end
    foot = seen(foot_x + wide * vx[ray], foot_y + wide * vy[ray], vx[ray], vy[ray]).sum(axis=1)
    end = seen(x0 - radius * vx, y0 - radius * vy, vx, vy).sum(axis=1)
    weight = np.pi * radius / UNIT_CELLS / ARC_SAMPLES
    one, other = one[ray, step], other[ray, step]
    total = np.full(allowed.shape, -np.inf)
    # Both sides must stand: the weaker one counts for more, or any long straight edge would look like a bolt.
    total[ray, step] = 1.4 * np.minimum(one, other) + 0.6 * np.maximum(one, other) + weight * (foot + end[ray])
    return total


def _nearest(cells: NDArray[np.float32], x: Array, y: Array) -> list[NDArray[np.float32]]:
    """Of each layer the cells nearest to points of any number and shape, 0 outside."""
    width = 4096  # OpenCV takes maps of fewer than 32767 rows and columns
    flat = np.full((2, -(-x.size // width) * width), -9.0, dtype=np.float32)
    flat[0, : x.size], flat[1, : y.size] = x.ravel(), y.ravel()
    map_x, map_y = flat.reshape(2, -1, width)
    value = cv2.remap(cells, map_x, map_y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    return [layer.ravel()[: x.size].reshape(x.shape) for layer in cv2.split(value)]


def _feet(
    grid: PlaneGrid, x0: Array, y0: Array, x: Array, y: Array, pose: Pose, area: WallArea
) -> tuple[Array, Array, Array, NDArray[np.bool_]]:
    """Where each foot stands on the wall, the tip's height that makes the bolt plumbest, and whether that may be."""
    cx, cy, cz = (np.float32(v) for v in pose.centre_mm)
    drop = cz / (cz - np.float32(SEARCH_HEIGHT_MM))

    def over(column: Array, row: Array, rise: np.float32) -> tuple[Array, Array]:
        x_mm = np.float32(grid.x0_mm) + column * np.float32(grid.step_x_mm)
        y_mm = np.float32(grid.y0_mm) + row * np.float32(grid.step_y_mm)
        return cx + (x_mm - cx) * rise, cy + (y_mm - cy) * rise

    base_x, base_y = over(x, y, drop)
    lean = np.full(x.shape, np.inf, dtype=np.float32)
    height = np.zeros(x.shape, dtype=np.float32)
    for level in LEVELS_MM:
        at_x, at_y = over(x0, y0, (cz - np.float32(level)) / (cz - np.float32(SEARCH_HEIGHT_MM)))
        here = ((base_x - at_x) ** 2 + (base_y - at_y) ** 2) / np.float32(level**2)
        closer = here < lean
        np.copyto(lean, here, where=closer)
        np.copyto(height, np.float32(level), where=closer)
    inside = (base_x > area.x_from_mm) & (base_x < area.x_to_mm) & (base_y > area.y_from_mm) & (base_y < area.y_to_mm)
    return base_x, base_y, height, inside & (lean < LARGEST_LEAN**2)


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
