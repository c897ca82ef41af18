"""A nut on a bolt, looked for in all photos at once.

Two readings of the photos are weighed against each other. With a nut on it, a hexagon stands out beside the shank at
some height and turn, the same in every photo, and hides what lies behind it of shank and foot; a bare bolt shows its
sides and foot there. The evidence of the nut's outline and of what it leaves in sight of the shank, less that of the
bare outline as it was fitted, is the score.

A hex nut is 1.5 thread diameters across its flats, so 1.73 across its corners, and about 7/8 of one high (ASME B18.2.2
for 1/2 to 3/4 in; ISO 4032 for M12 to M20: 1.5 and 0.9). Its corners are chamfered at about 30 degrees.

The fit of a bolt may have taken a nut that stands on the concrete for its foot. So where the axis as fitted leaves the
question open, nuts down there are tried about other feet as well, the tip staying where it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, distort_apart
from sillwright.outline import DENSE
from sillwright.see.edgefield import evidence
from sillwright.solve.axis import AxisFit, BoltView
from sillwright.solve.climb import UNIT_RADII, side_units
from sillwright.solve.outline_moves import outlines

FLATS_RADII, CORNERS_RADII = 1.5, 1.73  # from the axis, in bolt radii
HIGH_RADII = 1.75
WASHER_RADII, WASHER_MM = 2.8, 4.0  # the widest and thickest plain washer in use: ASME B18.22.1 type A, wide
ROUND_RADII = 1.62  # of a round one: a flange's or a coupling's, about as wide as a hexagon in the mean
CHAMFER_SLOPE = 0.577  # 30 degrees
LEVELS_A_NUT = 4
TURNS = 6
POINTS = 24
FINE_STEPS = 7
AROUND_RADII = 2.0 * np.pi * 1.65  # length of the hexagon, in bolt radii
LENS_STEP = 0.01  # of the focal length: about as far as a nut reaches from the axis
FEET_REACH_MM, FEET_STEP_MM = 9.0, 1.5
LOW_MM = (0.0, 3.0)  # how far up a nut stands that stands on the concrete, without and with a washer
BARE_SCORE_A_VIEW, TOLD_SCORE_A_VIEW = -8.0, -3.0  # nats; see DEVELOPERS.md


@dataclass(frozen=True)
class NutSeen:
    """The likeliest nut on a bolt.

    top_mm, low_mm : where along the axis it ends and begins, from the concrete
    parameters : (7,) as in ``solve.axis.AxisFit``, of the axis it stands on
    score : its evidence less that of the bare bolt, nats, all photos together; outline : of that, what its own
    outline shows
    views : how many photos that was seen in
    """

    top_mm: float
    low_mm: float
    parameters: Array
    score: float
    outline: float
    views: int

    @property
    def is_one(self) -> bool:
        """Whether there is a nut: the thresholds lie between what bolts with and without one came to.

        That a bare straight bolt does not fit is not enough: a bent one does not either.
        """
        return min(self.score, self.outline) > TOLD_SCORE_A_VIEW * self.views


@dataclass(frozen=True)
class _Shanks:
    """K trial bolts in one photo, each in its own frame: z up its axis from the concrete, x and y square to it, mm.

    centre_mm : (K, 3) the camera in it; turn : (K, 3, 3) and shift_mm : (K, 3) from it to the camera's frame
    radius_mm : one for all; length_mm : (K,); points_mm : (K, S, 3) of both sides and the foot of the bare outline
    bare : (K, S) the evidence that each of these adds to a bolt's total, nats
    """

    view: BoltView
    centre_mm: Array
    turn: Array
    shift_mm: Array
    radius_mm: float
    length_mm: Array
    points_mm: Array
    bare: Array


def likeliest_nut(views: Sequence[BoltView], fit: AxisFit, chamfer_mm: float) -> NutSeen:
    """The best height and turn for a nut on a bolt, whether or not there is one.

    Parameters
    ----------
    chamfer_mm : how far below the tip the thread begins at its full size
    """
    own = fit.parameters[None]
    shanks = [_shanks(view, own, chamfer_mm) for view in views]
    high = HIGH_RADII * shanks[0].radius_mm
    step = high / LEVELS_A_NUT
    tops = np.arange(high, float(shanks[0].length_mm[0]) + step, step)
    turns = np.arange(TURNS) * np.pi / 3.0 / TURNS
    outline, score = _over_views(shanks, tops, turns)
    top, turn = divmod(int(np.argmax(score[0])), score.shape[2])
    near = tops[top] + step * np.linspace(-1.0, 1.0, FINE_STEPS)
    near_turns = turns[min(turn, TURNS - 1)] + turns[1] * np.linspace(-0.75, 0.75, FINE_STEPS)
    outline, score = _over_views(shanks, near, near_turns)
    seen = _best(own, near, outline, score, high, len(views))
    if seen.score < BARE_SCORE_A_VIEW * len(views):
        return seen
    other = _about_other_feet(views, own, chamfer_mm, turns, sum(float(one.bare.sum()) for one in shanks))
    return other if other.score > seen.score else seen


def _about_other_feet(views: Sequence[BoltView], own: Array, chamfer_mm: float, turns: Array, bare: float) -> NutSeen:
    """The best nut on the concrete about any foot near by, the tip staying where it is; ``bare``: of the bolt as is."""
    steps = np.arange(-FEET_REACH_MM, FEET_REACH_MM + 0.1, FEET_STEP_MM)
    feet = np.repeat(own, len(steps) ** 2, axis=0)
    feet[:, :2] += np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    shanks = [_shanks(view, feet, chamfer_mm) for view in views]
    high = HIGH_RADII * shanks[0].radius_mm
    tops = high + np.array(LOW_MM)
    outline, score = _over_views(shanks, tops, turns)
    shank = np.sum([one.bare.sum(axis=1) for one in shanks], axis=0)
    return _best(feet, tops, outline, score + shank[:, None, None] - bare, high, len(views))


def _over_views(shanks: Sequence[_Shanks], tops: Array, turns: Array) -> tuple[Array, Array]:
    """Over all photos, for each bolt, height and turn: what the nut's outline shows, and that less what it hides."""
    outline, hidden = (
        np.sum(part, axis=0) for part in zip(*(_weighed(one, tops, turns) for one in shanks), strict=True)
    )
    return outline, outline - hidden


def _best(bolts: Array, tops: Array, outline: Array, score: Array, high_mm: float, views: int) -> NutSeen:
    bolt, top, turn = (int(k) for k in np.argwhere(score == score.max())[0])
    found = float(score[bolt, top, turn]), float(outline[bolt, top, turn])
    return NutSeen(float(tops[top]), float(tops[top]) - high_mm, bolts[bolt], *found, views)


def hidden_by_nut(view: BoltView, nut: NutSeen, *, washer: bool) -> NDArray[np.bool_]:
    """Which points of the bolt's outline (M,) a nut stands before, never of rim or face; ``washer``: or could."""
    one = _shanks(view, nut.parameters[None], 0.0)
    low, top = np.array(nut.low_mm), np.array(nut.top_mm)
    behind = _nearest(one.centre_mm[0], one.points_mm[0], low, top) < CORNERS_RADII * one.radius_mm
    if washer:
        behind |= _nearest(one.centre_mm[0], one.points_mm[0], low - WASHER_MM, low) < WASHER_RADII * one.radius_mm
    hidden = np.zeros(DENSE.size, dtype=bool)
    hidden[_SHANK] = behind
    return hidden


_SHANK = np.concatenate([np.arange(DENSE.size)[piece] for piece in (DENSE.pieces[0], DENSE.pieces[1], DENSE.pieces[4])])


def _shanks(view: BoltView, parameters: Array, chamfer_mm: float) -> _Shanks:
    """Trial bolts, rows of (K, 7), in one photo."""
    base, tip, radius = parameters[:, :2] @ np.eye(2, 3), parameters[:, 2:5], float(parameters[0, 5])
    length = np.linalg.norm(tip - base, axis=1)
    axis = (tip - base) / length[:, None]
    across = np.cross([0.0, 1.0, 0.0], axis)
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    axes = np.stack([across, np.cross(axis, across), axis], axis=1)
    centre = np.einsum("kij,kj->ki", axes, view.pose.centre_mm - base)
    turn = view.pose.rotation @ axes.transpose(0, 2, 1)
    shift = base @ view.pose.rotation.T + view.pose.translation_mm

    toward, far = np.arctan2(centre[:, 1], centre[:, 0]), np.hypot(centre[:, 0], centre[:, 1])
    half = np.arccos(np.minimum(radius / np.maximum(far, radius), 0.999))
    sides = np.repeat([[1.0, -1.0]], DENSE.side, axis=1) * half[:, None]
    at = toward[:, None] + np.hstack([sides, np.repeat(DENSE.foot_turns[None], len(half), axis=0)])
    up = np.concatenate([DENSE.up, DENSE.up, np.zeros(DENSE.foot)])
    points = np.stack([radius * np.cos(at), radius * np.sin(at), length[:, None] * up], axis=-1)

    seen = outlines(view.camera, view.pose, parameters, chamfer_mm)
    energy, usable = view.fine.field.energy(seen.px_apart[:, _SHANK], seen.normals_apart[:, _SHANK])
    worth = np.full(energy.shape, np.pi / UNIT_RADII / DENSE.foot)
    worth[: 2 * DENSE.side] = side_units(seen) / DENSE.side
    return _Shanks(view, centre, turn, shift, radius, length, points, (evidence(energy) * usable * worth).T)


def _nearest(centre_mm: Array, points_mm: Array, low_mm: Array, top_mm: Array) -> Array:
    """How near the axis the way from points (..., 3) to the camera comes between two heights; inf if it avoids them."""
    # x, y and z apart: arrays with them last take numpy several times as long.
    (to_x, to_y, to_z), (x, y, z) = np.moveaxis(centre_mm, -1, 0), np.moveaxis(points_mm, -1, 0)
    way_x, way_y, way_z = to_x - x, to_y - y, to_z - z
    enter = np.clip((low_mm - z) / way_z, 0.0, 1.0)
    leave = np.clip((top_mm - z) / way_z, 0.0, 1.0)
    nearest = -(x * way_x + y * way_y) / np.maximum(way_x * way_x + way_y * way_y, 1e-9)
    at = np.clip(nearest, enter, leave)
    aside_x, aside_y = x + at * way_x, y + at * way_y
    apart = np.sqrt(aside_x * aside_x + aside_y * aside_y)
    return np.where(leave > enter + 1e-9, apart, np.inf)


def _weighed(shanks: _Shanks, tops: Array, turns: Array) -> tuple[Array, Array]:
    """What one photo shows of a nut's outline on each bolt at each height and turn, last a round one, (K, Z, T + 1).

    And, (K, Z, 1), what it shows of the bare bolt where such a nut would stand before it; both nats.
    """
    around, along = _rings(shanks.radius_mm, turns)
    high, inner = HIGH_RADII * shanks.radius_mm, FLATS_RADII * shanks.radius_mm
    corner = CHAMFER_SLOPE * np.maximum(np.linalg.norm(around, axis=-1) - inner, 0.0)
    centre = shanks.centre_mm[:, None, None]
    total = np.zeros((len(centre), len(tops), len(around)))
    # What hides what is asked on a circle of the nut's mean width: it hardly turns on the flats.
    ring = np.empty((len(tops), POINTS, 3))
    ring[..., :2] = around[-1]
    for level, rise in ((tops, -corner), (tops - high, corner)):
        ring[..., 2] = level[:, None]
        shown = _nearest(centre, ring, tops[:, None], shanks.length_mm[:, None, None]) > shanks.radius_mm
        shown &= _nearest(centre, ring, level[:, None], tops[:, None]) > 1.02 * inner
        points = np.empty((len(tops), *around.shape[:2], 3))
        points[..., :2], points[..., 2] = around, level[:, None, None] + rise
        total += np.sum(_evidence(shanks, points, along) * shown[:, :, None], axis=-1)
    low, top = (tops - high)[:, None], tops[:, None]
    hidden = _nearest(centre, shanks.points_mm[:, None], low, top) < inner
    lost = np.sum(hidden * shanks.bare[:, None], axis=-1)
    return total * (AROUND_RADII / UNIT_RADII / POINTS), lost[..., None]


def _rings(radius_mm: float, turns: Array) -> tuple[Array, Array]:
    """Hexagons at each turn and, last, a circle: points (T + 1, N, 2) and which way the outline runs there, (.., 3)."""
    at = np.arange(POINTS) * 2.0 * np.pi / POINTS
    sixth = np.pi / 3.0
    flat = np.round((at - turns[:, None]) / sixth) * sixth + turns[:, None]
    out = np.vstack([FLATS_RADII * radius_mm / np.cos(at - flat), np.full(POINTS, ROUND_RADII * radius_mm)])
    square = np.vstack([flat, at])
    points = out[..., None] * np.stack([np.cos(at), np.sin(at)], axis=-1)
    return points, np.stack([-np.sin(square), np.cos(square), np.zeros(square.shape)], axis=-1)


def _evidence(shanks: _Shanks, points_mm: Array, along: Array) -> Array:
    """Evidence for an edge through points (Z, T, N, 3) of each bolt that runs as ``along`` (T, N, 3), (K, Z, T, N).

    The lens is straight enough over so little of a photo to be taken as it is at the first bolt's foot.
    """
    camera, middle = shanks.view.camera, shanks.shift_mm[0, :2] / shanks.shift_mm[0, 2]
    x, y = distort_apart(camera, middle[0] + LENS_STEP * np.eye(3)[1], middle[1] + LENS_STEP * np.eye(3)[2])
    known = np.stack([camera.fx * x + camera.cx, camera.fy * y + camera.cy])
    lens = (known[:, 1:] - known[:, :1]) / LENS_STEP
    # Apart from here on, as above.
    seen = np.moveaxis(shanks.turn @ points_mm.reshape(-1, 3).T + shanks.shift_mm[:, :, None], 1, 0)
    seen = seen.reshape(3, -1, *points_mm.shape[:3])
    way = np.moveaxis(shanks.turn @ along.reshape(-1, 3).T, 1, 0).reshape(3, -1, 1, *along.shape[:2])
    ideal = seen[:2] / seen[2]
    off, slide = ideal - middle[:, None, None, None, None], way[:2] - ideal * way[2]
    px = np.stack([known[k, 0] + lens[k, 0] * off[0] + lens[k, 1] * off[1] for k in (0, 1)])
    run_x, run_y = (lens[k, 0] * slide[0] + lens[k, 1] * slide[1] for k in (0, 1))
    length = np.maximum(np.sqrt(run_x * run_x + run_y * run_y), 1e-9)
    normal = np.stack([run_y / length, -run_x / length])
    rows = (2, -1, POINTS)
    energy, usable = shanks.view.fine.field.energy(px.reshape(rows), normal.reshape(rows))
    return (evidence(energy) * usable).reshape(px.shape[1:])
