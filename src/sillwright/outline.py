"""A bolt as geometry: a straight cylinder standing in the concrete, and the outline a camera sees of it.

The outline of a circular cylinder from a point C outside it: with the unit axis a, a point B of the axis, v the part
of C - B square to a and d = |v|, the two contact lines lie at B + s a + r n with
``n = (r / d) v/d +- sqrt(1 - (r / d)^2) (a x v/d)``, because the tangent plane must hold C: n . (C - B) = r.
(Elementary; the contour of a right circular cylinder in Doignon and de Mathelin, ICRA 2007, has the same lines.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Camera, Pose, distort_apart

SIDE, OTHER_SIDE, RIM, FACE, FOOT = 0, 1, 2, 3, 4


@dataclass(frozen=True)
class Sampling:
    """How many points stand for each side, the rim, the edge of the end face and the foot."""

    side: int
    rim: int
    face: int
    foot: int

    @cached_property
    def pieces(self) -> tuple[slice, ...]:
        """Where each part stands among the points, in the order of the part numbers."""
        edges = np.cumsum([0, self.side, self.side, self.rim, self.face, self.foot]).tolist()
        return tuple(slice(start, stop) for start, stop in pairwise(edges))

    @property
    def size(self) -> int:
        """How many points an outline has."""
        return 2 * self.side + self.rim + self.face + self.foot

    @cached_property
    def up(self) -> Array:
        """How far up a side its points stand, as shares of its length."""
        return (np.arange(self.side) + 0.5) / self.side

    @cached_property
    def foot_turns(self) -> Array:
        """How far round the axis the points of the foot stand, radians from the side turned to the camera."""
        return np.linspace(-0.5 * np.pi, 0.5 * np.pi, self.foot)

    @cached_property
    def part(self) -> NDArray[np.int64]:
        """Which part each point belongs to."""
        return np.repeat(np.arange(5), [self.side, self.side, self.rim, self.face, self.foot])

    @cached_property
    def averages(self) -> NDArray[np.float32]:
        """(5, M): this times values of the points gives the mean of each part."""
        mine = self.part == np.arange(5)[:, None]
        return (mine / mine.sum(axis=1, keepdims=True)).astype(np.float32)

    @cached_property
    def turn(self) -> NDArray[np.float64]:
        """Which side of the outline is out, looking along it as it is traced: +1 left, -1 right; (M,)."""
        return np.where(self.part == OTHER_SIDE, 1.0, -1.0)


DENSE = Sampling(24, 16, 32, 16)
SPARSE = Sampling(9, 6, 12, 6)


@dataclass(frozen=True)
class Bolt:
    """A straight bolt in the wall frame: where its axis meets the concrete, its tip, and its radius; millimetres."""

    base_mm: Array
    tip_mm: Array
    radius_mm: float

    @property
    def stickup_mm(self) -> float:
        """Along the axis from the concrete to the tip."""
        return float(np.linalg.norm(self.tip_mm - self.base_mm))

    @property
    def lean_deg(self) -> float:
        """Angle of the axis from plumb."""
        along = self.tip_mm - self.base_mm
        return float(np.degrees(np.arctan2(np.hypot(along[0], along[1]), along[2])))


@dataclass(frozen=True)
class Outline:
    """Points on the outlines of K bolts in one picture, or of bolts in several, M each.

    px_apart : (2, M, K), x and y; normals_apart : (2, M, K) unit, pointing out of the bolt; in_camera_mm : (M, 3, K)
    """

    px_apart: Array
    normals_apart: Array
    in_camera_mm: Array
    sampling: Sampling

    @property
    def px(self) -> Array:
        """(K, M, 2)."""
        return self.px_apart.T

    @property
    def normals(self) -> Array:
        """(K, M, 2)."""
        return self.normals_apart.T

    @property
    def part(self) -> NDArray[np.int64]:
        """Which part each point belongs to, (M,)."""
        return self.sampling.part


def outline(
    camera: Camera,
    pose: Pose,
    base_mm: Array,
    tip_mm: Array,
    radius_mm: Array | float,
    *,
    foot_mm: Array | float = 0.0,
    chamfer_mm: float = 0.0,
    sampling: Sampling = DENSE,
) -> Outline:
    """Outlines of K bolts at once.

    Parameters
    ----------
    base_mm, tip_mm : (K, 3) ends of the axis in the wall frame
    radius_mm : (K,) or one number
    foot_mm : (K,) or one number, how high the concrete stands at the bolt over the mean plane
    chamfer_mm : how far below the tip the thread begins at its full size

    The end of a bolt is chamfered to the root of its thread, at 45 degrees (common practice, no source): what bounds it
    in the picture is the far half of the circle where the chamfer begins (rim), and inside that the whole edge of the
    end face shows. The foot is the half turned to the camera. Halves end asin(r / d) past the contact lines: the rim
    short of them, the foot r (r / d)^2 / 2 within the outline, some hundredths of a millimetre for bolts seen aslant
    enough to show a foot. Normals stand square to the outline as a pinhole camera draws it; what distortion turns them
    is under 2 degrees with phone lenses.
    """
    turn, shift = pose.rotation, pose.translation_mm[:, None]
    base, tip = (turn @ np.atleast_2d(end).T + shift for end in (base_mm, tip_mm))
    hand = np.sign(np.linalg.det(turn))
    vectors = _vectors(base, tip, turn[:, 2:], hand, radius_mm, foot_mm, np.float64)
    return _drawn(_Lenses(camera, camera.fx, camera.fy, camera.cx, camera.cy), vectors, hand, chamfer_mm, sampling)


def outline_in_each(
    cameras: Sequence[Camera],
    poses: Sequence[Pose],
    base_mm: Array,
    tip_mm: Array,
    radius_mm: Array,
    *,
    foot_mm: Array,
    chamfer_mm: float = 0.0,
    sampling: Sampling = DENSE,
    rough: bool = False,
) -> Outline:
    """Outlines of B bolts in each of P pictures whose lenses bend alike: all in the first, then all in the next.

    cameras, poses : P of each; base_mm, tip_mm : (B, 3); radius_mm, foot_mm : (B,); the rest as in :func:`outline`
    rough : in single precision, right to 0.002 px, twice as fast
    """
    turns = np.stack([pose.rotation for pose in poses])
    shifts = np.stack([pose.translation_mm for pose in poses])[:, :, None]
    base, tip = ((turns @ end.T + shifts).transpose(1, 0, 2).reshape(3, -1) for end in (base_mm, tip_mm))
    up = np.repeat(turns[:, :, 2].T, len(base_mm), axis=1)
    hands = np.repeat(np.sign(np.linalg.det(turns)), len(base_mm))
    radii, feet = np.tile(radius_mm, len(poses)), np.tile(foot_mm, len(poses))
    vectors = _vectors(base, tip, up, hands, radii, feet, np.float32 if rough else np.float64)
    own = np.array([[camera.fx, camera.fy, camera.cx, camera.cy] for camera in cameras], dtype=vectors.dtype)
    lenses = _Lenses(cameras[0], *np.repeat(own, len(base_mm), axis=0).T)
    return _drawn(lenses, vectors, hands, chamfer_mm, sampling)


@dataclass(frozen=True)
class _Lenses:
    """Lenses that bend like one of them; focal lengths and principal points one for all bolts or (K,), px."""

    bend: Camera
    fx: Array | float
    fy: Array | float
    cx: Array | float
    cy: Array | float


def _drawn(lenses: _Lenses, vectors: Array, hand: Array | float, chamfer_mm: float, sampling: Sampling) -> Outline:
    """The outlines that are sums of K bolts' vectors (11, 3, K). ``hand`` as in :func:`_vectors`."""
    points, runs = _mixes(sampling, chamfer_mm, vectors.dtype)
    bolts = vectors.shape[2]
    in_camera = (points @ vectors.reshape(len(vectors), -1)).reshape(-1, 3, bolts)
    along = (runs @ vectors[:_OF_RUNS].reshape(_OF_RUNS, -1)).reshape(-1, 3, bolts)
    nearness = 1.0 / in_camera[:, 2]
    x, y = in_camera[:, 0] * nearness, in_camera[:, 1] * nearness
    px: Array = np.empty((2, *x.shape), dtype=x.dtype)
    px[0], px[1] = distort_apart(lenses.bend, x, y)
    for axis, focal, middle in ((0, lenses.fx, lenses.cx), (1, lenses.fy, lenses.cy)):
        px[axis] *= focal
        px[axis] += middle
    x *= along[:, 2]
    y *= along[:, 2]
    along_x, along_y = np.subtract(along[:, 0], x, out=x), np.subtract(along[:, 1], y, out=y)
    along_y *= lenses.fy / lenses.fx
    length = along_x * along_x
    length += along_y * along_y
    np.sqrt(length, out=length)
    np.maximum(length, 1e-12, out=length)
    scale = np.divide((hand * sampling.turn[:, None]).astype(x.dtype), length, out=length)
    normals: Array = np.empty_like(px)
    np.multiply(along_y, scale, out=normals[0])
    np.multiply(along_x, scale, out=normals[1])
    np.negative(normals[1], out=normals[1])
    return Outline(px, normals, in_camera, sampling)


# What _vectors gives, each (3, K) in the camera frame: the axis, a radius toward the camera and one across, the same as
# the level concrete cuts them, the foot's middle, the tip, unit vectors along those radii, and the parts of a contact.
_AXIS, _NEAR, _ACROSS, _FOOT_NEAR, _FOOT_ACROSS, _BASE, _TIP, _NEAR_UNIT, _ACROSS_UNIT, _BESIDE, _RISE = range(11)
_OF_RUNS = 5  # the outline runs along the first of them only


@lru_cache(maxsize=32)
def _mixes(sampling: Sampling, chamfer_mm: float, precision: np.dtype[np.floating[Any]]) -> tuple[Array, Array]:
    """How much of each vector makes each point (M, 11), and the way the outline runs there (M, 5)."""
    points, runs = np.zeros((sampling.size, 11)), np.zeros((sampling.size, _OF_RUNS))
    sides, other_sides, rims, faces, feet = sampling.pieces
    for side, rise in ((sides, 1.0), (other_sides, -1.0)):
        points[side, _BASE], points[side, _TIP] = 1.0 - sampling.up, sampling.up
        points[side, _AXIS], points[side, _BESIDE], points[side, _RISE] = -chamfer_mm * sampling.up, 1.0, rise
        runs[side, _AXIS] = 1.0
    for circle, turns, near, across in (
        (rims, np.linspace(0.5 * np.pi, 1.5 * np.pi, sampling.rim), _NEAR, _ACROSS),
        (faces, np.linspace(0.0, 2.0 * np.pi, sampling.face, endpoint=False), _NEAR, _ACROSS),
        (feet, sampling.foot_turns, _FOOT_NEAR, _FOOT_ACROSS),
    ):
        points[circle, near], points[circle, across] = np.cos(turns), np.sin(turns)
        runs[circle, near], runs[circle, across] = -np.sin(turns), np.cos(turns)
    points[rims, _TIP] = points[faces, _TIP] = points[feet, _BASE] = 1.0
    points[rims, _AXIS] = -chamfer_mm
    points[faces, _NEAR_UNIT : _ACROSS_UNIT + 1] = -chamfer_mm * points[faces, _NEAR : _ACROSS + 1]
    return points.astype(precision), runs.astype(precision)


def _vectors(
    base: Array,
    tip: Array,
    up: Array,
    hand: Array | float,
    radius_mm: Array | float,
    level_mm: Array | float,
    precision: type[np.floating[Any]],
) -> Array:
    """The vectors of which every point of an outline is a sum, (11, 3, K), in the camera frame, millimetres.

    base, tip : (3, K) in the camera frame; up : (3, K) or (3, 1), the wall's Z there; hand : (K,) or one, -1 where the
    pose is left-handed, a mirror, in which across is as the wall frame has it and the outline runs the other way round.
    Bolts come last: there are hundreds of them, and numpy is quick along the last axis.
    """
    a = tip - base
    a /= np.sqrt((a * a).sum(axis=0))
    slope = a / (up * a).sum(axis=0)
    base = base + level_mm * slope
    square = (base * a).sum(axis=0) * a - base
    distance = np.maximum(np.sqrt((square * square).sum(axis=0)), 1e-9)
    v = square / distance
    a_again, v_again = np.concatenate([a, a]), np.concatenate([v, v]) * hand
    w = a_again[1:4] * v_again[2:5] - a_again[2:5] * v_again[1:4]
    ratio = np.minimum(radius_mm / distance, 0.999)
    vectors = np.empty((11, *base.shape), dtype=precision)
    vectors[_AXIS], vectors[_BASE], vectors[_TIP] = a, base, tip
    vectors[_NEAR_UNIT], vectors[_ACROSS_UNIT] = v, w
    near, across = radius_mm * v, radius_mm * w
    vectors[_NEAR], vectors[_ACROSS] = near, across
    # The concrete cuts the shank level, not square to a leaning axis: slide along the axis to Z of the base.
    vectors[_FOOT_NEAR] = near - (up * near).sum(axis=0) * slope
    vectors[_FOOT_ACROSS] = across - (up * across).sum(axis=0) * slope
    vectors[_BESIDE], vectors[_RISE] = ratio * near, np.sqrt(1.0 - ratio * ratio) * across
    return vectors
