"""How the outline of a bolt moves in a photo as the bolt, the camera or the lens does: analytic derivatives.

Along its normal an outline moves as the point of the bolt that makes it does: which point of the round surface that is
changes too, but only along the line of sight, which the picture does not show (Cipolla and Giblin, Visual Motion of
Curves and Surfaces, Cambridge 2000, the motion of apparent contours). So all moves are those of points fixed to the
shank, less what slides along a side or round an arc.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sillwright.camera import Array, Camera, Pose, project_with_derivatives, pull_back
from sillwright.outline import DENSE, FACE, FOOT, RIM, Outline, Sampling, outline, outline_in_each

_AT_FOOT = np.flatnonzero(DENSE.part == FOOT)
_AT_END = np.flatnonzero((DENSE.part == RIM) | (DENSE.part == FACE))
_ON_RIM = (DENSE.part == RIM)[_AT_END]


def outlines(camera: Camera, pose: Pose, parameters: Array, chamfer_mm: float) -> Outline:
    """Outlines for rows of parameters, (K, 7)."""
    bases, tips = parameters[:, :2] @ np.eye(2, 3), parameters[:, 2:5]
    return outline(camera, pose, bases, tips, parameters[:, 5], foot_mm=parameters[:, 6], chamfer_mm=chamfer_mm)


def rough_outlines(
    cameras: Sequence[Camera], poses: Sequence[Pose], parameters: Array, chamfer_mm: float, sampling: Sampling
) -> Outline:
    """The same in each of P pictures whose lenses bend alike, one picture after another, and right to 0.002 px."""
    bases, tips, radii = parameters[:, :2] @ np.eye(2, 3), parameters[:, 2:5], parameters[:, 5]
    return outline_in_each(
        cameras,
        poses,
        bases,
        tips,
        radii,
        foot_mm=parameters[:, 6],
        chamfer_mm=chamfer_mm,
        sampling=sampling,
        rough=True,
    )


def outline_with_moves(
    camera: Camera, poses: Sequence[Pose], places: Array, chamfer_mm: float
) -> tuple[Outline, Array]:
    """The outlines of B bolts (B, 7) in each of P photos by cameras alike, and how each point moves.

    All of the first photo come first. Beside them how far each point moves out for 1 mm of each of its bolt's
    parameters, (P B, M, 7), px.

    With the unit axis a of a shank L long, its ends moved by dB and dT turn a by da, the part of dT - dB square to a
    over L; what is fixed to the shank at e from its axis moves, with the least turn that does so, by -a (da . e).
    """
    bases, tips = places[:, :2] @ np.eye(2, 3), places[:, 2:5]
    cameras, radii, feet = [camera] * len(poses), places[:, 5], places[:, 6]
    seen = outline_in_each(cameras, poses, bases, tips, radii, foot_mm=feet, chamfer_mm=chamfer_mm)
    to_wall = np.repeat(np.stack([pose.rotation.T for pose in poses]), len(places), axis=0)
    shifts = np.repeat(np.stack([pose.translation_mm for pose in poses]), len(places), axis=0)
    base, along = (np.tile(part, (len(poses), 1)) for part in (bases, tips - bases))
    points = np.ascontiguousarray(seen.in_camera_mm.transpose(1, 2, 0))
    pulled = pull_back(camera, points.reshape(3, -1), seen.normals.reshape(-1, 2)).reshape(points.shape)
    gain = to_wall @ pulled.transpose(1, 0, 2)
    length = np.sqrt((along * along).sum(axis=1))[:, None]
    axis = along / length
    off = to_wall @ (points.transpose(1, 0, 2) - shifts[:, :, None]) - base[:, :, None]
    up, lengthwise = ((axis[:, None] @ part)[:, 0] for part in (off, gain))
    aside = off - axis[:, :, None] * up[:, None]

    moves = np.zeros((len(points[0]), 7, points.shape[2]))
    # Sides slide along themselves unseen; the foot slides up or down the shank to stay level with the concrete.
    moves[:, 6, _AT_FOOT] = lengthwise[:, _AT_FOOT] / axis[:, 2:]
    held = gain.copy()
    held[:, 2] -= moves[:, 6]
    share = (up / length)[:, None]
    np.multiply(1.0 - share, held[:, :2], out=moves[:, :2])
    np.multiply(share, held, out=moves[:, 2:5])
    moves[:, 5] = (held * aside).sum(axis=1) / np.sqrt((aside * aside).sum(axis=1))

    # Rim and face stand square to the axis at the tip and tilt with it.
    own, pull = gain[:, :, _AT_END], lengthwise[:, None, _AT_END]
    below = np.where(_ON_RIM, chamfer_mm, 0.0)
    tilt = (below * (own - axis[:, :, None] * pull) + pull * aside[:, :, _AT_END]) / length[:, None]
    moves[:, :2, _AT_END], moves[:, 2:5, _AT_END] = tilt[:, :2], own - tilt
    return seen, moves.transpose(0, 2, 1)


def moves_with_camera(camera: Camera, pose: Pose, seen: Outline) -> tuple[Array, Array]:
    """How far each point of one outline moves out as its photo's camera changes, px.

    (M, 6) for a turn (radians, left of the rotation) and 1 mm of the translation; (M, 9) for one of each intrinsic.
    """
    points = seen.in_camera_mm[:, :, 0]
    _, by_point, by_intrinsics = project_with_derivatives(camera, points)
    normal = seen.normals[0][:, None]
    gain = (normal @ by_point)[:, 0]
    return np.hstack([np.cross(points - pose.translation_mm, gain), gain]), (normal @ by_intrinsics)[:, 0]
