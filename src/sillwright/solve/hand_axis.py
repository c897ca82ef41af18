"""A bolt's axis by the points a person marked and nothing else, where the edges do not bear them out.

Two photos of the tip give it where their rays pass nearest; one gives it at a known stick-up. The foot lies on the
concrete. What no point speaks of stays as it was known before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sillwright.camera import Array, meet_plane, rays
from sillwright.solve.axis import NOTHING_KNOWN, AxisFit, priors
from sillwright.solve.climb import HEIGHT_RANGE_MM, at_heights
from sillwright.solve.hand import HAND_SIGMA_PX, HandPoint, hand_rows, off_px

ROUNDS = 12
LARGEST_STEP_MM = 50.0  # points that do not meet must not throw the fit behind a camera
PULLED_SIGMAS = 3.0
NORMAL_95 = 1.96


@dataclass(frozen=True)
class Known:
    """What is known of a bolt beforehand: its numbers (7,) and their covariance (7, 7), as in ``AxisFit``."""

    parameters: Array
    covariance: Array


def tips_seen(points: Sequence[HandPoint]) -> int:
    """In how many photos the tip was marked."""
    return sum(point.end == "tip" for point in points)


def rough_axis(points: Sequence[HandPoint], before: Array) -> Array:
    """Where to start from (7,): the ends that were marked where the points have them, the others as ``before`` has.

    A tip marked in one photo lies as high as it was; in more, where their rays pass nearest.
    """
    start = before.copy()
    feet = [meet_plane(p.camera, p.pose, p.px[None])[0, :2] for p in points if p.end == "base"]
    if feet:
        start[:2] = np.mean(feet, axis=0)
        if not tips_seen(points):
            return start
    tips = [point for point in points if point.end == "tip"]
    if len(tips) == 1:
        ray = rays(tips[0].camera, tips[0].pose, tips[0].px[None])[0]
        start[2:5] = at_heights(tips[0].pose, ray, start[4:5])[0]
    elif tips:
        start[2:5] = _nearest_to_rays(tips)
    return start


def _nearest_to_rays(tips: Sequence[HandPoint]) -> Array:
    """The point (3,) that lies nearest to the rays through the points, in the sense of least squares."""
    normal, right = np.zeros((3, 3)), np.zeros(3)
    for tip in tips:
        ray = rays(tip.camera, tip.pose, tip.px[None])[0]
        across = np.eye(3) - np.outer(ray, ray)
        normal += across
        right += across @ tip.pose.centre_mm
    return np.linalg.lstsq(normal, right, rcond=None)[0]  # rays of one direction meet anywhere along it


def is_pulled(fit: AxisFit, points: Sequence[HandPoint]) -> bool:
    """Whether a fit lies farther from where a point was marked than a finger is off by chance."""
    off = np.linalg.norm(off_px(fit.parameters, points), axis=1)
    return bool((off > PULLED_SIGMAS * HAND_SIGMA_PX).any())


def fit_points(
    points: Sequence[HandPoint],
    start: Array,
    radius_mm: float,
    radius_sigma: float,
    stickup_mm: tuple[float, float] | None,
    known: Known | None,
) -> AxisFit:
    """Least squares of the marked points alone.

    Parameters
    ----------
    start : (7,) as in :class:`AxisFit`; radius_mm, radius_sigma, stickup_mm : as in ``axis.fit_axes``
    known : what of the ends that were not marked was known before; None where nothing was
    """
    parameters = start.copy()
    for _ in range(ROUNDS):
        rows, off = _all_rows(points, parameters, radius_mm, radius_sigma, stickup_mm, known)
        step = np.linalg.solve(rows.T @ rows + NOTHING_KNOWN, rows.T @ off)
        parameters = parameters + np.clip(step, -LARGEST_STEP_MM, LARGEST_STEP_MM)
        parameters[4] = np.clip(parameters[4], *HEIGHT_RANGE_MM)
    rows, _ = _all_rows(points, parameters, radius_mm, radius_sigma, stickup_mm, known)
    covariance = np.linalg.inv(rows.T @ rows + NOTHING_KNOWN)
    rms = float(np.sqrt(np.mean(off_px(parameters, points) ** 2)))
    return AxisFit(parameters, covariance, rms, 0, stickup_mm is None)


def disagreement(points: Sequence[HandPoint], fit: AxisFit) -> Array:
    """What must be added to the covariance (7, 7) of points that do not agree with each other.

    Nothing where they scatter as fingers do by chance 95 times in 100 (chi-squared). Else their own scatter says how
    good they are, with Student's factor, since there are few of them.
    """
    from scipy.special import chdtri, stdtrit  # here: it takes a fifth of a second to load, and is seldom asked

    spare = 2 * len(points) - _marked_numbers(points)
    squared = float((off_px(fit.parameters, points) ** 2).sum()) / HAND_SIGMA_PX**2
    if spare < 1 or squared < float(chdtri(spare, 0.05)):
        return np.zeros((7, 7))
    factor = float(stdtrit(spare, 0.975)) / NORMAL_95
    return fit.covariance * max(squared / spare * factor**2 - 1.0, 0.0)


def _marked_numbers(points: Sequence[HandPoint]) -> int:
    """How many numbers of a bolt the points fix: two of a foot; of a tip three, or two at a known stick-up."""
    of_foot = 2 if any(point.end == "base" for point in points) else 0
    return of_foot + min(2 * tips_seen(points), 3)


def _all_rows(
    points: Sequence[HandPoint],
    parameters: Array,
    radius_mm: float,
    radius_sigma: float,
    stickup_mm: tuple[float, float] | None,
    known: Known | None,
) -> tuple[Array, Array]:
    """The rows (N, 7) of all that is known, each over its sigma, and how far off it is (N,)."""
    hand, off_hand = hand_rows(parameters, points)
    usual, off_usual = priors(parameters, radius_mm, radius_sigma, stickup_mm)
    rows, off = [hand, usual], [off_hand, off_usual]
    marked = {point.end for point in points}
    for end, where in (("base", slice(0, 2)), ("tip", slice(2, 5))):
        if known is not None and end not in marked:
            width = where.stop - where.start
            whitener = np.linalg.cholesky(np.linalg.inv(known.covariance[where, where])).T
            row = np.zeros((width, 7))
            row[:, where] = whitener
            rows.append(row)
            off.append(whitener @ (known.parameters[where] - parameters[where]))
    return np.concatenate(rows), np.concatenate(off)
