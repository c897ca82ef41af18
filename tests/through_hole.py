"""An independent oracle: does a straight round bolt pass a plumb hole? By points of its surface in space."""

from __future__ import annotations

import numpy as np

# 360 points round the bolt fall short of the farthest one by no more than a tenth of a micrometre at these sizes.
_ROUND = np.linspace(0.0, 2.0 * np.pi, 361)


def clearance_mm(
    foot_mm: tuple[float, float],
    slope: tuple[float, float],
    diameter_mm: float,
    hole_mm: tuple[float, float],
    drill_mm: float,
    stack_mm: float,
) -> float:
    """How near the bolt comes to the hole's wall between the stack's faces; below 0 where it does not pass.

    foot_mm, hole_mm : along and across; slope : level over upright along and across
    """
    axis = np.array([slope[0], slope[1], 1.0])
    axis /= np.linalg.norm(axis)
    one = np.cross(axis, [1.0, 0.0, 0.0] if abs(axis[0]) < 0.9 else [0.0, 1.0, 0.0])
    one /= np.linalg.norm(one)
    other = np.cross(axis, one)
    round_bolt = diameter_mm / 2.0 * (np.outer(np.cos(_ROUND), one) + np.outer(np.sin(_ROUND), other))
    farthest = 0.0
    for height_mm in np.linspace(0.0, stack_mm, 9):
        # Each line of the surface is followed along the axis until it is as high as asked.
        along_axis = (height_mm - round_bolt[:, 2]) / axis[2]
        places = round_bolt + along_axis[:, None] * axis
        level = places[:, :2] + np.array(foot_mm) - np.array(hole_mm)
        farthest = max(farthest, float(np.hypot(level[:, 0], level[:, 1]).max()))
    return drill_mm / 2.0 - farthest
