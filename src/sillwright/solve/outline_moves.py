"""How the outline of a bolt moves in a photo as the bolt, the camera or the lens does: analytic derivatives.

Along its normal an outline moves as the point of the bolt that makes it does: which point of the round surface that is
changes too, but only along the line of sight, which the picture does not show (Cipolla and Giblin, Visual Motion of
Curves and Surfaces, Cambridge 2000, the motion of apparent contours). So all moves are those of points fixed to the
shank, less what slides along a side or round an arc.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sillwright.camera import Array, Camera, Pose, project_with_derivatives
from sillwright.outline import DENSE, FACE, FOOT, RIM, Outline, Sampling, outline


@dataclass(frozen=True)
class Moves:
    """How far each of M points of an outline moves out along its normal, px.

    by_parameters : (M, 7) for 1 mm of each parameter of ``solve.axis.AxisFit``
    by_pose : (M, 6) for a turn of the camera (radians, left of its rotation) and 1 mm of its translation
    by_lens : (M, 9) for one of each of the intrinsics
    """

    by_parameters: Array
    by_pose: Array
    by_lens: Array


def outlines(
    camera: Camera,
    pose: Pose,
    parameters: Array,
    chamfer_mm: float,
    sampling: Sampling = DENSE,
    *,
    rough: bool = False,
) -> Outline:
    """Outlines for rows of parameters, (K, 7)."""
    bases = parameters[:, :2] @ np.eye(2, 3)
    tips, radii, feet = parameters[:, 2:5], parameters[:, 5], parameters[:, 6]
    return outline(
        camera, pose, bases, tips, radii, foot_mm=feet, chamfer_mm=chamfer_mm, sampling=sampling, rough=rough
    )


def outline_with_moves(camera: Camera, pose: Pose, parameters: Array, chamfer_mm: float) -> tuple[Outline, Moves]:
    """The outline of one bolt (7,), densely, and how it moves."""
    seen = outlines(camera, pose, parameters[None], chamfer_mm)
    points = seen.in_camera_mm[:, 0].T
    _, by_point, by_intrinsics = project_with_derivatives(camera, points)
    normal = seen.normals[0][:, None]
    gain = (normal @ by_point)[:, 0]
    turned = points - pose.translation_mm
    by_pose = np.hstack([np.cross(turned, gain), gain])
    by_lens = (normal @ by_intrinsics)[:, 0]
    by_parameters = _by_parameters(parameters, turned @ pose.rotation, gain @ pose.rotation, chamfer_mm, seen)
    return seen, Moves(by_parameters, by_pose, by_lens)


def _by_parameters(parameters: Array, points_mm: Array, gain: Array, chamfer_mm: float, seen: Outline) -> Array:
    """Moves for each parameter, (M, 7): of points (M, 3) of the wall frame seen to move ``gain`` (M, 3) px a mm.

    With the unit axis a of a shank L long, its ends moved by dB and dT turn a by da, the part of dT - dB square to a
    over L; what is fixed to the shank at e from its axis moves, with the least turn that does so, by -a (da . e).
    """
    base = np.array([parameters[0], parameters[1], 0.0])
    along = parameters[2:5] - base
    length = float(np.linalg.norm(along))
    axis = along / length
    off = points_mm - base
    up = off @ axis
    aside = off - up[:, None] * axis
    out = aside / np.linalg.norm(aside, axis=1, keepdims=True)
    lengthwise = gain @ axis

    # Sides slide along themselves unseen; the foot slides up or down the shank to stay level with the concrete.
    foot = seen.part == FOOT
    held = gain - np.where(foot, lengthwise / axis[2], 0.0)[:, None] * np.array([0.0, 0.0, 1.0])
    share = (up / length)[:, None]
    by_base, by_tip = (1.0 - share) * held, share * held

    # Rim and face stand square to the axis at the tip and tilt with it.
    end = (seen.part == RIM) | (seen.part == FACE)
    below = np.where(seen.part == RIM, chamfer_mm, 0.0)[:, None]
    tilt = (below * (gain - lengthwise[:, None] * axis) + lengthwise[:, None] * aside) / length
    by_base[end], by_tip[end] = tilt[end], (gain - tilt)[end]
    by_level = np.where(foot, lengthwise / axis[2], 0.0)
    return np.column_stack([by_base[:, :2], by_tip, np.sum(held * out, axis=1), by_level])
