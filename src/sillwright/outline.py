"""A bolt as geometry: a straight cylinder standing in the concrete, and the outline a camera sees of it.

The outline of a circular cylinder from a point C outside it: with the unit axis a, a point B of the axis, v the part
of C - B square to a and d = |v|, the two contact lines lie at B + s a + r n with
``n = (r / d) v/d +- sqrt(1 - (r / d)^2) (a x v/d)``, because the tangent plane must hold C: n . (C - B) = r.
(Elementary; the contour of a right circular cylinder in Doignon and de Mathelin, ICRA 2007, has the same lines.)
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Camera, Pose, project_camera_points

SIDE, OTHER_SIDE, RIM, FACE, FOOT = 0, 1, 2, 3, 4


@dataclass(frozen=True)
class Sampling:
    """How many points stand for each side, the rim, the edge of the end face and the foot."""

    side: int
    rim: int
    face: int
    foot: int

    @property
    def pieces(self) -> tuple[slice, ...]:
        """Where each part stands among the points, in the order of the part numbers."""
        edges = np.cumsum([0, self.side, self.side, self.rim, self.face, self.foot]).tolist()
        return tuple(slice(start, stop) for start, stop in pairwise(edges))

    @property
    def part(self) -> NDArray[np.int64]:
        """Which part each point belongs to."""
        return np.repeat(np.arange(5), [self.side, self.side, self.rim, self.face, self.foot])


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

    px : (K, M, 2); normals : (K, M, 2) unit, pointing out of the bolt.
    """

    px: Array
    normals: Array
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
    end face shows. The foot is the arc turned to the camera.
    """
    base = np.atleast_2d(base_mm)
    tip = np.atleast_2d(tip_mm)
    radius = np.broadcast_to(np.asarray(radius_mm, dtype=float), (len(base),))[:, None]
    whole = tip - base
    a = whole / np.linalg.norm(whole, axis=1, keepdims=True)
    level = np.broadcast_to(np.asarray(foot_mm, dtype=float), (len(base),))[:, None]
    base = base + level / a[:, 2:] * a
    tip = tip - chamfer_mm * a
    axis = tip - base
    to_camera = pose.centre_mm - base
    square = to_camera - np.sum(to_camera * a, axis=1, keepdims=True) * a
    distance = np.linalg.norm(square, axis=1, keepdims=True)
    v = square / np.maximum(distance, 1e-9)
    w = np.cross(a, v)
    ratio = np.clip(radius / np.maximum(distance, 1e-9), 0.0, 0.999)
    rise = np.sqrt(1.0 - ratio**2)
    contact = np.stack([ratio * v + rise * w, ratio * v - rise * w], axis=1)

    share = (np.arange(sampling.side) + 0.5) / sampling.side
    foot_height = share[None, None, :, None] * axis[:, None, None, :]
    sides = base[:, None, None, :] + foot_height + (radius[:, None] * contact)[:, :, None, :]
    sides = sides.reshape(len(base), 2 * sampling.side, 3)

    rim_turn = np.pi + (np.pi - np.arccos(ratio))[:, :, None] * np.linspace(-1.0, 1.0, sampling.rim)[None, :, None]
    rim_out = np.cos(rim_turn) * v[:, None, :] + np.sin(rim_turn) * w[:, None, :]
    rim_points = tip[:, None, :] + radius[:, None] * rim_out
    circle = np.linspace(0.0, 2.0 * np.pi, sampling.face, endpoint=False)[None, :, None]
    face_out = np.cos(circle) * v[:, None, :] + np.sin(circle) * w[:, None, :]
    face_points = (tip + chamfer_mm * a)[:, None, :] + (radius - chamfer_mm)[:, None] * face_out

    half = np.arccos(ratio)[:, :, None] * np.linspace(-1.0, 1.0, sampling.foot)[None, :, None]
    foot_out = np.cos(half) * v[:, None, :] + np.sin(half) * w[:, None, :]
    foot_points = base[:, None, :] + radius[:, None] * foot_out
    # The concrete cuts the shank level, not square to a leaning axis: slide along the axis to Z of the base.
    slide = -(foot_points[:, :, 2] - base[:, None, 2]) / a[:, None, 2]
    foot_points = foot_points + slide[:, :, None] * a[:, None, :]

    points = np.concatenate([sides, rim_points, face_points, foot_points], axis=1)
    flat = pose.to_camera(points.reshape(-1, 3))
    px = project_camera_points(camera, flat).reshape(points.shape[0], points.shape[1], 2)
    return Outline(px, _normals(px, sampling), sampling)


def _normals(px: Array, sampling: Sampling) -> Array:
    """Unit normals of each piece of the outline, turned away from the middle of the bolt."""
    tangent = np.empty_like(px)
    inside = np.empty_like(px)
    pieces = sampling.pieces
    for piece in pieces:
        run = px[:, piece]
        tangent[:, piece][:, 1:-1] = run[:, 2:] - run[:, :-2]
        tangent[:, piece][:, 0] = run[:, 1] - run[:, 0]
        tangent[:, piece][:, -1] = run[:, -1] - run[:, -2]
        inside[:, piece] = 0.5 * (run[:, :1] + run[:, -1:])
    circle = pieces[FACE]
    face = px[:, circle]
    tangent[:, circle][:, 0] = face[:, 1] - face[:, -1]
    tangent[:, circle][:, -1] = face[:, 0] - face[:, -2]
    inside[:, circle] = face.mean(axis=1, keepdims=True)
    one, other = px[:, pieces[SIDE]], px[:, pieces[OTHER_SIDE]]
    inside[:, pieces[SIDE]], inside[:, pieces[OTHER_SIDE]] = other, one
    normal = np.stack([-tangent[:, :, 1], tangent[:, :, 0]], axis=2)
    normal /= np.maximum(np.sqrt(np.sum(normal * normal, axis=2, keepdims=True)), 1e-12)
    normal *= np.where(np.sum(normal * (px - inside), axis=2, keepdims=True) < 0.0, -1.0, 1.0)
    return normal
