"""Pictures of the scenes of ``scenes``: every sample is a ray through the lens model, met with what lies there.

The concrete, the cards (curled ones too) and the bars are met exactly, so what is found in a picture can be held
against the truth. Nothing here is used by the package.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, partial

import cv2
import numpy as np
from numpy.typing import NDArray

from scenes import Bar, Scene
from sillwright.camera import Array, Camera, Pose, ideal_from_pixels, project, rotation_from_vector
from sillwright.cards import CARD_MARGIN_MM, BoardSpec, scale_card
from sillwright.see.edgefield import edge_field
from sillwright.see.patch import SMOOTH_PX, Patch
from sillwright.solve.axis import BoltView
from sillwright.solve.climb import Glimpse
from sillwright.solve.state import (
    CardState,
    bow,
    card_points,
)

WHITE, INK = 228.0, 28.0
LENS_CELL_PX = 4  # the lens is exact at every 4th pixel and straight between: under 0.001 px
BAND_ROWS = 48
LIGHT = np.array([0.35, 0.45, 0.82])
TIP_BGR = (196.0, 196.0, 196.0)


@dataclass(frozen=True)
class Look:
    """How things look; where they are is the scene's. Colours are BGR, (N, 3) or (N, 1) for greys.

    ground : of rays (N, 3) from a centre: the concrete's plane and all that lies flat on it or below it
    card : of places (N,), (N,) on a card's paper, in mm of the print
    steel : of a bar, by its outward normals (N, 3) and the heights (N,) along its axis
    tip_bgr : of a bar's flat end
    """

    ground: Callable[[Scene, Array, Array], NDArray[np.float32]]
    card: Callable[[BoardSpec, Array, Array], Array]
    steel: Callable[[Bar, Array, Array], Array]
    tip_bgr: tuple[float, float, float] = TIP_BGR


def render(
    scene: Scene,
    photo: int,
    *,
    look: Look | None = None,
    window: tuple[int, int, int, int] | None = None,
    samples: int = 3,
    blur_px: float = 0.6,
    noise: float = 1.5,
    seed: int = 0,
) -> NDArray[np.uint8]:
    """The picture (H, W, 3), BGR, or of it the window (left, top, width, height); ``samples`` squared rays a pixel."""
    camera, pose, look = scene.camera, scene.poses[photo], look or PLAIN
    left, top, width, height = window or (0, 0, camera.width_px, camera.height_px)
    out = np.empty((height, width, 3), dtype=np.float32)
    for row in range(top, top + height, BAND_ROWS):
        rows = min(BAND_ROWS, top + height - row)
        ideal = _ideal(camera, left, row, width, rows, samples)
        rays = ideal @ pose.rotation[:2] + pose.rotation[2]
        color = look.ground(scene, pose.centre_mm, rays.reshape(-1, 3)).reshape(rays.shape)

        def part(box: tuple[slice, slice], row: int = row) -> tuple[slice, slice]:
            """The samples of a box of pixels in this band."""
            return tuple(
                slice(max(0, piece.start - first) * samples, max(0, piece.stop - first) * samples)
                for piece, first in zip(box, (row, left), strict=True)
            )

        for number, card in zip(scene.numbers, scene.cards, strict=True):
            m, spec = CARD_MARGIN_MM + 8.0, scale_card(number)
            paper = np.array([[-m, -m], [spec.width_mm + m, -m], [-m, spec.height_mm + m], [spec.width_mm + m] * 2])
            here = part(_box(camera, pose, card_points(card, scene.scale, paper)))
            color[here] = _with_card(color[here], look, spec, card, scene.scale, pose.centre_mm, rays[here])
        for bar in scene.bars:
            reach = 1.6 * bar.bolt.radius_mm * np.array([[1, 1, 0], [1, -1, 0], [-1, 1, 0], [-1, -1, 0]])
            here = part(_box(camera, pose, np.concatenate([bar.bolt.base_mm + reach, bar.bolt.tip_mm + reach])))
            draw = _with_bar if bar.hex_rad is None else _with_hex
            color[here] = draw(color[here], look, bar, pose.centre_mm, rays[here])
        out[row - top : row - top + rows] = cv2.resize(color, (width, rows), interpolation=cv2.INTER_AREA)
    out = cv2.GaussianBlur(out, (0, 0), blur_px) if blur_px else out
    grain = noise * np.random.default_rng(seed).standard_normal(out.shape).astype(np.float32)
    return np.clip(np.round(out + grain), 0.0, 255.0).astype(np.uint8)


def _box(camera: Camera, pose: Pose, points_mm: Array) -> tuple[slice, slice]:
    """Rows and columns of pixels that hold the points; empty where any of them is out of sight altogether."""
    px = project(camera, pose, points_mm)
    if not np.isfinite(px).all():
        return slice(0, 0), slice(0, 0)
    low, high = np.floor(px.min(axis=0)).astype(int) - 2, np.ceil(px.max(axis=0)).astype(int) + 3
    return slice(low[1], high[1]), slice(low[0], high[0])


def _ideal(camera: Camera, left: int, top: int, width: int, rows: int, samples: int) -> Array:
    """Ideal image points of every sample of some rows, (rows samples, width samples, 2)."""
    x = left - 0.5 + (np.arange(width * samples) + 0.5) / samples
    y = top - 0.5 + (np.arange(rows * samples) + 0.5) / samples
    cell_x = np.arange(left - 1, left + width + LENS_CELL_PX, LENS_CELL_PX, dtype=float)
    cell_y = np.arange(top - 1, top + rows + LENS_CELL_PX, LENS_CELL_PX, dtype=float)
    grid = np.stack(np.meshgrid(cell_x, cell_y), axis=-1)
    known = ideal_from_pixels(camera, grid.reshape(-1, 2)).reshape(grid.shape)
    at = (x - cell_x[0]) / LENS_CELL_PX
    k = np.floor(at).astype(int)
    known = known[:, k] + (at - k)[None, :, None] * (known[:, k + 1] - known[:, k])
    at = (y - cell_y[0]) / LENS_CELL_PX
    k = np.floor(at).astype(int)
    return known[k] + (at - k)[:, None, None] * (known[k + 1] - known[k])


@cache
def _grain() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    rng = np.random.default_rng(77)
    fine = cv2.GaussianBlur(rng.standard_normal((512, 512)).astype(np.float32), (0, 0), 1.2)
    wide = cv2.GaussianBlur(rng.standard_normal((512, 512)).astype(np.float32), (0, 0), 6.0)
    return fine / fine.std(), wide / wide.std()


def _tile(picture: NDArray[np.float32], x_mm: Array, y_mm: Array, cell_mm: float) -> NDArray[np.float32]:
    return picture[np.floor(y_mm / cell_mm).astype(int) & 511, np.floor(x_mm / cell_mm).astype(int) & 511]


def _ground(scene: Scene, centre: Array, rays: Array) -> NDArray[np.float32]:
    """Concrete with its grain, stains and chalk, and soil beside the wall; (N, 3)."""
    far = -centre[2] / rays[:, 2]
    x, y = centre[0] + far * rays[:, 0], centre[1] + far * rays[:, 1]
    fine, wide = _grain()
    color = np.array([148.0, 152.0, 155.0], np.float32) + (5.0 * _tile(fine, x, y, 0.8) + 4.0 * _tile(wide, x, y, 1.7))[
        :, None
    ].astype(np.float32)
    for stain in scene.stains:
        share = 0.75 * np.clip(1.5 - 1.5 * np.hypot(x - stain.x_mm, y - stain.y_mm) / stain.radius_mm, 0.0, 1.0)
        color += share[:, None].astype(np.float32) * (np.array(stain.color_bgr, np.float32) - color)
    for chalk in scene.chalk:
        along = x * np.cos(chalk.angle_rad) + y * np.sin(chalk.angle_rad)
        across = y * np.cos(chalk.angle_rad) - x * np.sin(chalk.angle_rad) - chalk.offset_mm - chalk.middle_mm(along)
        on = np.flatnonzero(np.abs(across) < 5.0 * chalk.sigma_mm)
        share = chalk.strength * np.exp(-0.5 * (across[on] / chalk.sigma_mm) ** 2)
        share = share * np.clip(0.8 + 0.25 * _tile(fine, x[on] + 99.0, y[on], 1.1), 0.0, 1.0)
        color[on] += share[:, None].astype(np.float32) * (np.array(chalk.color_bgr, np.float32) - color[on])
    for stripe in scene.stripes:
        start, way = np.array(stripe.from_mm), np.array(stripe.to_mm) - np.array(stripe.from_mm)
        share = np.clip(((x - start[0]) * way[0] + (y - start[1]) * way[1]) / float(way @ way), 0.0, 1.0)
        off_mm = np.hypot(x - start[0] - share * way[0], y - start[1] - share * way[1]) - stripe.radius_mm
        color *= (1.0 - (1.0 - stripe.shade) / (1.0 + np.exp(off_mm / stripe.soft_mm))).astype(np.float32)[:, None]
    for painted in scene.painted:
        bolt, eye = painted.bar.bolt, np.array(painted.seen_from_mm)
        end = eye + (bolt.tip_mm - eye) * eye[2] / (eye[2] - bolt.tip_mm[2])
        low, high = (pick(bolt.base_mm, end) for pick in (np.minimum, np.maximum))
        wide = 2.0 * bolt.radius_mm
        near = (x > low[0] - wide) & (x < high[0] + wide) & (y > low[1] - wide) & (y < high[1] + wide)
        rays_there = np.column_stack([x[near], y[near], np.zeros(int(near.sum()))]) - eye
        color[near] = _with_bar(color[near, None], PLAIN, painted.bar, eye, rays_there[:, None])[:, 0]
    if scene.wall_mm is not None:
        off = (y < scene.wall_mm[0]) | (y > scene.wall_mm[1])
        soil = np.array([60.0, 78.0, 98.0], np.float32) + 14.0 * _tile(fine, x, y, 3.0)[:, None]
        color[off] = soil[off]
    return color


@cache
def _cells(spec: BoardSpec) -> NDArray[np.float32]:
    """1 for white, 0 for ink, of each marker with its black border: (markers, cells, cells)."""
    words = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{spec.dictionary}"))
    size = words.markerSize
    out = np.zeros((spec.marker_count, size + 2, size + 2), dtype=np.float32)
    for k in range(spec.marker_count):
        row = words.bytesList[spec.first_id + k : spec.first_id + k + 1]
        out[k, 1:-1, 1:-1] = cv2.aruco.Dictionary.getBitsFromByteList(row, size)
    return out


def print_shade(spec: BoardSpec, x_mm: Array, y_mm: Array) -> Array:
    """What is printed at places (N,) of the board: 1 for white paper, 0 for ink."""
    white = np.ones(len(x_mm))
    column, row = np.floor(x_mm / spec.square_mm).astype(int), np.floor(y_mm / spec.square_mm).astype(int)
    on_grid = (column >= 0) & (column < spec.squares_x) & (row >= 0) & (row < spec.squares_y)
    marker = np.full((spec.squares_y, spec.squares_x), -1)
    for k, (c, r) in enumerate(spec.marker_squares()):
        marker[r, c] = k
    which = np.where(on_grid, marker[np.clip(row, 0, spec.squares_y - 1), np.clip(column, 0, spec.squares_x - 1)], -1)
    white[on_grid & (which < 0)] = 0.0
    cells = _cells(spec)
    count = cells.shape[1]
    gap = (spec.square_mm - spec.marker_mm) / 2.0
    cx = np.floor((x_mm - column * spec.square_mm - gap) / spec.marker_mm * count).astype(int)
    cy = np.floor((y_mm - row * spec.square_mm - gap) / spec.marker_mm * count).astype(int)
    on_marker = (which >= 0) & (cx >= 0) & (cx < count) & (cy >= 0) & (cy < count)
    white[on_marker] = cells[which[on_marker], cy[on_marker], cx[on_marker]]
    return white


def _plain_card(spec: BoardSpec, x_mm: Array, y_mm: Array) -> Array:
    return (INK + (WHITE - INK) * print_shade(spec, x_mm, y_mm))[:, None]


def _with_card(
    color: NDArray[np.float32], look: Look, spec: BoardSpec, card: CardState, scale: float, centre: Array, rays: Array
) -> NDArray[np.float32]:
    start, d = card.rotation.T @ (centre - card.origin_mm), rays @ card.rotation
    far = -start[2] / d[..., 2]
    for _ in range(3 if card.curl_mm else 0):  # the paper is bent by a millimetre at most: quickly at rest
        far = (-card.curl_mm * bow((start[0] + far * d[..., 0]) / scale) - start[2]) / d[..., 2]
    x, y = (start[0] + far * d[..., 0]) / scale, (start[1] + far * d[..., 1]) / scale
    m = CARD_MARGIN_MM
    on = (x > -m) & (x < spec.width_mm + m) & (y > -m) & (y < spec.height_mm + m)
    color[on] = look.card(spec, x[on], y[on])
    return color


def _plain_steel(bar: Bar, normals: Array, high_mm: Array, light: Array = LIGHT) -> Array:
    shade = 45.0 + 95.0 * np.clip(normals @ light, 0.0, None)
    if bar.repeat_mm:
        on_shank = high_mm <= bar.bolt.stickup_mm - bar.chamfer_mm
        shade *= 1.0 + 0.3 * on_shank * np.cos(2.0 * np.pi * high_mm / bar.repeat_mm)
    return shade[:, None]


def _with_bar(color: NDArray[np.float32], look: Look, bar: Bar, centre: Array, rays: Array) -> NDArray[np.float32]:
    """A shaded shank, its chamfer and its flat end, where a ray meets them first."""
    bolt, depth, length = bar.bolt, bar.chamfer_mm, bar.bolt.stickup_mm
    a = (bolt.tip_mm - bolt.base_mm) / length
    high, along = float((centre - bolt.base_mm) @ a), rays @ a
    o, d = centre - bolt.base_mm - high * a, rays - along[..., None] * a
    nearest = np.full(rays.shape[:2], np.inf)
    below = -40.0 if bolt.base_mm[2] <= 0.0 else -0.2  # a leaning foot goes on into the concrete
    # The cone of the chamfer has the radius reach - z at height z along the axis; the shank has its own all along.
    for reach, slope, low, top in (
        (bolt.radius_mm + length - depth, 1.0, length - depth, length),
        (bolt.radius_mm, 0.0, below, length - depth),
    ):
        k = reach - slope * high
        qa = np.sum(d * d, axis=-1) - slope * along**2
        qb = d @ o + slope * k * along
        root = qb**2 - qa * (o @ o - k * k)
        far = (-qb - np.sqrt(np.maximum(root, 0.0))) / np.where(np.abs(qa) < 1e-12, 1e-12, qa)
        z = high + far * along
        hit = (root > 0) & (far > 0) & (z > low) & (z <= top) & (far < nearest)
        hit &= centre[2] + far * rays[..., 2] > 0.0
        out = o + far[hit, None] * d[hit]
        normal = out / np.linalg.norm(out, axis=1, keepdims=True) + slope * a
        color[hit] = look.steel(bar, normal, z[hit])
        nearest[hit] = far[hit]
    far = (length - high) / along
    rim = np.linalg.norm(o + far[..., None] * d, axis=-1) < bolt.radius_mm - depth
    color[(far > 0) & (far < nearest) & rim] = look.tip_bgr
    return color


def _with_hex(color: NDArray[np.float32], _: Look, bar: Bar, centre: Array, rays: Array) -> NDArray[np.float32]:
    """A six-sided bar with a flat end: where a ray is inside all three pairs of sides and between both ends."""
    bolt, length = bar.bolt, bar.bolt.stickup_mm
    a = (bolt.tip_mm - bolt.base_mm) / length
    across = np.cross([0.0, 1.0, 0.0], a)
    across /= np.linalg.norm(across)
    turns = bar.hex_rad + np.arange(3) * np.pi / 3.0
    sides = np.outer(np.cos(turns), across) + np.outer(np.sin(turns), np.cross(a, across))
    normals = np.vstack([sides, a])
    low = np.array([-bolt.radius_mm] * 3 + [0.0])
    high = np.array([bolt.radius_mm] * 3 + [length])
    start, along = normals @ (centre - bolt.base_mm), rays @ normals.T
    along = np.where(np.abs(along) < 1e-9, 1e-9, along)
    one, other = (low - start) / along, (high - start) / along
    enter, leave = np.minimum(one, other), np.maximum(one, other)
    first, far = np.argmax(enter, axis=-1), enter.max(axis=-1)
    hit = (far < leave.min(axis=-1)) & (far > 0.0) & (centre[2] + far * rays[..., 2] > 0.0)
    out = -np.sign(np.take_along_axis(along, first[..., None], axis=-1)) * normals[first]
    shade = 45.0 + 95.0 * np.clip(out @ LIGHT, 0.0, None)
    color[hit] = shade[hit, None]
    return color


PLAIN = Look(_ground, _plain_card, _plain_steel)


def lit_from(turn_rad: float) -> Look:
    """The plain look with its light turned so far about the upright."""
    turn = rotation_from_vector(np.array([0.0, 0.0, turn_rad]))
    return replace(PLAIN, steel=partial(_plain_steel, light=turn @ LIGHT))


def bolt_view(
    scene: Scene,
    photo: int,
    bar: int,
    *,
    steel: tuple[Bar, ...] = (),
    half_mm: float = 80.0,
    noise: float = 1.5,
    seed: int = 0,
    look: Look = PLAIN,
) -> BoltView:
    """One photo of one bar as the package keeps it: the piece of picture round it, and its edge fields.

    steel : what is drawn in the place of the scene's bars
    """
    camera, pose, bolt = scene.camera, scene.poses[photo], scene.bars[bar].bolt
    px_per_mm = camera.fx / float(pose.centre_mm[2])
    middle = project(camera, pose, (0.5 * (bolt.base_mm + bolt.tip_mm))[None])[0]
    half = round(half_mm * px_per_mm)
    left, top = (int(v) - half for v in middle)
    window = (left, top, 2 * half, 2 * half)
    drawn = replace(scene, bars=steel or scene.bars)
    gray = cv2.cvtColor(
        render(drawn, photo, window=window, noise=noise, seed=seed + photo, look=look), cv2.COLOR_BGR2GRAY
    )
    usable, origin = np.ones(gray.shape, dtype=bool), np.array([left, top], dtype=float)
    patch = Patch(gray, cv2.GaussianBlur(gray.astype(np.float32), (0, 0), SMOOTH_PX), usable, origin)
    return BoltView(
        photo, camera, pose, patch, _glimpse(photo, camera, pose, patch, 13.0 / (bolt.radius_mm * px_per_mm))
    )


def _glimpse(photo: int, camera: Camera, pose: Pose, patch: Patch, scale: float) -> Glimpse:
    field = edge_field(patch.gray, patch.usable, patch.origin_px, min(1.0, scale))
    return Glimpse(photo, camera, pose, field)


def rough_glimpse(view: BoltView) -> Glimpse:
    """The same on cells twice as wide, as whole photos are searched."""
    return _glimpse(view.photo, view.camera, view.pose, view.patch, 0.5 * view.fine.field.scale)
