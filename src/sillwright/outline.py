"""A bolt as geometry: a straight cylinder standing in the concrete, and the outline a camera sees of it.

The outline of a circular cylinder from a point C outside it: with the unit axis a, a point B of the axis, v the part
of C - B square to a and d = |v|, the two contact lines lie at B + s a + r n with
``n = (r / d) v/d +- sqrt(1 - (r / d)^2) (a x v/d)``, because the tangent plane must hold C: n . (C - B) = r.
(Elementary; the contour of a right circular cylinder in Doignon and de Mathelin, ICRA 2007, has the same lines.)
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
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
    def rim_turns(self) -> Array:
        """Where the points of the rim stand, as shares of half its arc."""
        return np.linspace(-1.0, 1.0, self.rim)

    @cached_property
    def face_turns(self) -> Array:
        """Where the points of the face stand, radians."""
        return np.linspace(0.0, 2.0 * np.pi, self.face, endpoint=False)

    @cached_property
    def foot_turns(self) -> Array:
        """Where the points of the foot stand, as shares of half its arc."""
        return np.linspace(-1.0, 1.0, self.foot)

    @cached_property
    def part(self) -> NDArray[np.int64]:
        """Which part each point belongs to."""
        return np.repeat(np.arange(5), [self.side, self.side, self.rim, self.face, self.foot])

    @cached_property
    def averages(self) -> NDArray[np.float32]:
        """(M, 5): values of the points times this give the mean of each part."""
        mine = self.part[:, None] == np.arange(5)
        return (mine / mine.sum(axis=0)).astype(np.float32)

    @cached_property
    def turn(self) -> NDArray[np.float64]:
        """Which side of the outline is out, looking along it as it is traced: +1 left, -1 right; (M,)."""
        return np.where(self.part == OTHER_SIDE, 1.0, -1.0)


DENSE = Sampling(24, 16, 32, 16)
SPARSE = Sampling(12, 8, 16, 8)


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
    """Points on the outlines of K bolts in one picture, M each.

    px : (K, M, 2); normals : (K, M, 2) unit, pointing out of the bolt; in_camera_mm : (3, K, M) in the camera frame
    """

    px: Array
    normals: Array
    in_camera_mm: Array
    sampling: Sampling

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
    rough: bool = False,
) -> Outline:
    """Outlines of K bolts at once.

    Parameters
    ----------
    base_mm, tip_mm : (K, 3) ends of the axis in the wall frame
    radius_mm : (K,) or one number
    foot_mm : (K,) or one number, how high the concrete stands at the bolt over the mean plane
    chamfer_mm : how far below the tip the thread begins at its full size
    rough : in single precision, right to 0.002 px, twice as fast

    The end of a bolt is chamfered to the root of its thread, at 45 degrees (common practice, no source): what bounds it
    in the picture is the far half of the circle where the chamfer begins (rim), and inside that the whole edge of the
    end face shows. The foot is the arc turned to the camera. Normals stand square to the outline as a pinhole camera
    draws it; what distortion turns them is under 2 degrees with phone lenses.
    """
    points, tangents = _in_camera(
        pose,
        np.atleast_2d(base_mm),
        np.atleast_2d(tip_mm),
        np.asarray(radius_mm, dtype=float),
        np.asarray(foot_mm, dtype=float),
        chamfer_mm,
        sampling,
        np.float32 if rough else np.float64,
    )
    nearness = 1.0 / points[2]
    x, y = points[0] * nearness, points[1] * nearness
    bent_x, bent_y = distort_apart(camera, x, y)
    px = np.empty((*x.T.shape, 2), dtype=x.dtype)
    px[..., 0] = (camera.fx * bent_x + camera.cx).T
    px[..., 1] = (camera.fy * bent_y + camera.cy).T
    along_x = camera.fx * (tangents[0] - x * tangents[2])
    along_y = camera.fy * (tangents[1] - y * tangents[2])
    out = sampling.turn * np.sign(np.linalg.det(pose.rotation))
    scale = out.astype(px.dtype)[:, None] / np.maximum(np.sqrt(along_x * along_x + along_y * along_y), 1e-9)
    normals = np.empty_like(px)
    normals[..., 0] = (along_y * scale).T
    normals[..., 1] = (along_x * -scale).T
    return Outline(px, normals, points.transpose(0, 2, 1), sampling)


def _in_camera(
    pose: Pose,
    base: Array,
    tip: Array,
    radius: Array,
    level: Array,
    chamfer_mm: float,
    sampling: Sampling,
    precision: type[np.floating[Any]],
) -> tuple[Array, Array]:
    """Points of the outline and the way it runs there, both (3, M, K), in the camera frame, millimetres.

    Bolts come last: there are hundreds of them and a few points of each part, and numpy is quick along the last axis.
    """
    base, tip = base.T, tip.T
    a = tip - base
    a = a / np.sqrt((a * a).sum(axis=0))
    slope = a / a[2]
    base = base + level * slope
    shoulder = tip - chamfer_mm * a
    centre = pose.centre_mm[:, None]
    to_camera = centre - base
    square = to_camera - (to_camera * a).sum(axis=0) * a
    distance = np.maximum(np.sqrt((square * square).sum(axis=0)), 1e-9)
    v = square / distance
    w = a[[1, 2, 0]] * v[[2, 0, 1]] - a[[2, 0, 1]] * v[[1, 2, 0]]
    ratio = np.minimum(radius / distance, 0.999)
    beside, rise = radius * ratio * v, radius * np.sqrt(1.0 - ratio**2) * w
    to_v, to_w = radius * v, radius * w
    inner = (radius - chamfer_mm) / radius
    vectors = np.empty((12, *base.shape))
    vectors[0] = shoulder - base
    vectors[1], vectors[2] = beside + rise, beside - rise
    vectors[3], vectors[4] = to_v, to_w
    vectors[5], vectors[6] = inner * to_v, inner * to_w
    # The concrete cuts the shank level, not square to a leaning axis: slide along the axis to Z of the base.
    vectors[7], vectors[8] = to_v - to_v[2] * slope, to_w - to_w[2] * slope
    vectors[9], vectors[10], vectors[11] = base - centre, shoulder - centre, tip - centre
    turned = (pose.rotation @ vectors).astype(precision)[:, :, None]
    axis, one, other, rim_v, rim_w, face_v, face_w, foot_v, foot_w, foot, rim, face = turned
    half = np.arccos(ratio)

    points: Array = np.empty((3, sampling.size, base.shape[1]), dtype=precision)
    tangents: Array = np.empty_like(points)
    sides, other_sides, rims, faces, feet = sampling.pieces
    up = sampling.up.astype(precision)[:, None] * axis + foot
    np.add(up, one, out=points[:, sides])
    np.add(up, other, out=points[:, other_sides])
    tangents[:, sides] = tangents[:, other_sides] = axis
    for piece, middle, turn, to_near, to_side in (
        (rims, rim, sampling.rim_turns[:, None] * (np.pi - half), -rim_v, -rim_w),
        (faces, face, sampling.face_turns[:, None], face_v, face_w),
        (feet, foot, sampling.foot_turns[:, None] * half, foot_v, foot_w),
    ):
        turn = turn.astype(precision)
        cosine, sine = np.cos(turn), np.sin(turn)
        points[:, piece] = middle + cosine * to_near + sine * to_side
        tangents[:, piece] = cosine * to_side - sine * to_near
    return points, tangents
