"""Points a person marked on photos, as rows of a bolt's least squares.

A point of the foot is where the bolt's axis leaves the concrete as it stands at the bolt; one of the tip is the middle
of the bolt's end. Both are held to the same seven numbers as the edges are (``solve.axis.AxisFit``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sillwright.camera import Array, Camera, Pose, project_camera_points, project_with_derivatives

HAND_SIGMA_PX = 3.0  # a finger on a photo zoomed in, in pixels of the full photo (common practice, no source)


@dataclass(frozen=True)
class HandPoint:
    """One end of a bolt marked in one photo; ``px`` (2,) in stored pixels."""

    photo: int
    camera: Camera
    pose: Pose
    end: Literal["base", "tip"]
    px: Array


def hand_rows(parameters: Array, points: Sequence[HandPoint]) -> tuple[Array, Array]:
    """Derivatives (2 K, 7) of where the photos would show the points, and how far off (2 K,) they were marked.

    Both in sigmas of the hand, so that they join the priors of a fit as they are.
    """
    rows = [by_camera @ by_place for by_camera, by_place in (_by_point(parameters, point)[1:] for point in points)]
    stacked = np.concatenate(rows) if rows else np.zeros((0, 7))
    return stacked / HAND_SIGMA_PX, off_px(parameters, points).ravel() / HAND_SIGMA_PX


def off_px(parameters: Array, points: Sequence[HandPoint]) -> Array:
    """From where the photos would show the points of a bolt (7,) to where they were marked, (K, 2), px."""
    off = [point.px - _by_point(parameters, point)[0] for point in points]
    return np.array(off).reshape(len(points), 2)


def cost_of_hand(places: Array, points: Sequence[HandPoint]) -> Array:
    """What it costs bolts (..., 7) to lie off the points, nats; the concrete taken as level at each."""
    cost = np.zeros(places.shape[:-1])
    for point in points:
        there = places[..., 2:5] if point.end == "tip" else places[..., :2] @ np.eye(2, 3)
        px = project_camera_points(point.camera, point.pose.to_camera(there.reshape(-1, 3)))
        off = (px - point.px).reshape(*places.shape[:-1], 2) / HAND_SIGMA_PX
        cost += 0.5 * (off**2).sum(axis=-1)
    return cost


def hand_sensitivities(
    points: Sequence[HandPoint], parameters: Array, covariance: Array
) -> tuple[tuple[Array, ...], tuple[Array, ...]]:
    """How a fit moves with the pose (7, 6) and the lens (7, 9) of each point's photo, as ``axis.sensitivities`` has it.

    covariance : (7, 7) of the fit, by all that carried it
    """
    by_pose, by_lens = [], []
    for point in points:
        rows, _ = hand_rows(parameters, [point])
        gain = covariance @ rows.T / HAND_SIGMA_PX
        in_camera = point.pose.to_camera(_place(parameters, point)[None])
        _, by_point, by_intrinsics = project_with_derivatives(point.camera, in_camera)
        turned = np.cross(in_camera - point.pose.translation_mm, by_point[0])
        by_pose.append(-gain @ np.hstack([turned, by_point[0]]))
        by_lens.append(-gain @ by_intrinsics[0])
    return tuple(by_pose), tuple(by_lens)


def _place(parameters: Array, point: HandPoint) -> Array:
    """Where in the wall frame a point is, (3,)."""
    if point.end == "tip":
        return parameters[2:5]
    x, y, tip_x, tip_y, tip_z, _, level = parameters
    share = level / tip_z
    return np.array([x + share * (tip_x - x), y + share * (tip_y - y), level])


def _by_point(parameters: Array, point: HandPoint) -> tuple[Array, Array, Array]:
    """Where the photo shows a point (2,), its derivatives by the point in the wall frame (2, 3), and of that (3, 7)."""
    px, by_camera, _ = project_with_derivatives(point.camera, point.pose.to_camera(_place(parameters, point)[None]))
    by_place = np.zeros((3, 7))
    if point.end == "tip":
        by_place[:, 2:5] = np.eye(3)
    else:
        x, y, tip_x, tip_y, tip_z, _, level = parameters
        share = level / tip_z
        lean = np.array([tip_x - x, tip_y - y]) / tip_z
        by_place[[0, 1], [0, 1]] = 1.0 - share
        by_place[[0, 1], [2, 3]] = share
        by_place[:2, 4] = -share * lean
        by_place[:, 6] = *lean, 1.0
    return px[0], by_camera[0] @ point.pose.rotation, by_place
