"""A bolt's axis from one or many photos: its outline is laid over all of them together.

Five numbers place a straight bolt: where its axis meets the concrete (x, y) and its tip (x, y, z); a sixth, the
apparent radius, is solved along and tells whether the prints and the stated size agree. First a coarse climb over the
edge evidence of all photos, then least squares on the distances, along the outline's normals, from the outline to the
edges found there.

Two photos give the tip's height by parallax. With one photo the height is held (stated stick-up, or a stand-in, in
which case only the base is to be used: the base of a bolt is where it is whatever the height of its tip).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Camera, Pose
from sillwright.median import median
from sillwright.outline import DENSE, FACE, FOOT, OTHER_SIDE, SIDE
from sillwright.see.patch import Patch, edge_offsets
from sillwright.solve.climb import (
    FOOT_SIGMA_MM,
    HEIGHT_RANGE_MM,
    LEAN_PRIOR_MM_A_MM,
    Glimpse,
    aslant_of,
    seen_aslant,
    weigh,
)
from sillwright.solve.hand import HandPoint, hand_rows
from sillwright.solve.outline_moves import moves_with_camera, outline_with_moves, outlines

STAND_IN_HEIGHT_MM = 75.0
# How far out along the normals edges are looked for, and how far in, as the fit closes up.
REACHES_PX = ((6.0, 6.0), (5.0, 5.0), (4.0, 4.0), (3.5, 3.5), (3.0, 3.0), (3.0, 2.2), *((3.0, 1.5),) * 3)
FIRST_NEAR = 3  # of these, for a start that is a fit already
SETTLED_MM = 0.01
JOINED_MM = 0.3  # fits that came so near each other came to rest 0.02 mm apart
RADIUS_SIGMA = 0.015  # in the fit: thread crests stand within the tolerance of the thread, the rest is blur
NOTHING_KNOWN = 1e-6 * np.eye(7)  # of a place without a single edge: a metre, and the equations can be solved
NEAR_OF_REACH = 0.32
# Samples along an outline share the thread, the seam and the shade they lie on, so that their scatter understates what
# the fit is worth. Set so that 95 % intervals of drawn bolts hold 95 times in 100 (tests/intervals.py).
SHARED_SCATTER = 1.5

_ON_SIDES = (DENSE.part == SIDE) | (DENSE.part == OTHER_SIDE)
_ON_SHANK = _ON_SIDES | (DENSE.part == FOOT)
_SEEN_AS_RIM = DENSE.part != FACE
# A strong edge is found to about half a pixel; samples nearer than that along the outline share their error.
_SHARE = np.where(_ON_SIDES, 0.6, np.where(DENSE.part == FACE, 0.5, 1.0))


@dataclass(frozen=True)
class BoltView:
    """One photo of a bolt: the piece of picture, and its edge field, on which a bolt is 26 cells wide.

    hidden : (M,) which points of the outline something known stands before; None for none
    """

    photo: int
    camera: Camera
    pose: Pose
    patch: Patch
    fine: Glimpse
    hidden: NDArray[np.bool_] | None = None


@dataclass(frozen=True)
class PartEvidence:
    """Mean evidence of the parts of one outline in one view, nats a witness, and the total."""

    one_side: float
    other_side: float
    rim: float
    face: float
    foot: float
    total: float
    side_units: float

    @property
    def foot_seen(self) -> float:
        """How clearly the foot shows; seen end-on it is behind the bolt's own end, and what looks like it is that."""
        return self.foot * float(aslant_of(np.array(self.side_units)))


@dataclass(frozen=True)
class AxisFit:
    """A bolt's place.

    parameters : (7,) base x, base y, tip x, tip y, tip z, radius, height of the concrete at the foot; mm, wall frame
    covariance : (7, 7) from the edges alone, cameras held
    rms_px : of the edge distances used
    edges : how many edge points carried it
    """

    parameters: Array
    covariance: Array
    rms_px: float
    edges: int
    height_known: bool

    @property
    def base_mm(self) -> Array:
        """(3,) where the axis meets the concrete."""
        return np.array([self.parameters[0], self.parameters[1], 0.0])

    @property
    def tip_mm(self) -> Array:
        """(3,) the tip."""
        return self.parameters[2:5]


def part_evidence(views: Sequence[BoltView], fit: AxisFit, chamfer_mm: float) -> list[PartEvidence]:
    """What each part of the fitted outline shows in each view."""
    out = []
    for view in views:
        total, parts = weigh([view.fine], fit.parameters[None], chamfer_mm, least=-np.inf, sampling=DENSE)
        one, other, rim, face, foot, units = (float(p[0]) for p in parts[0])
        out.append(PartEvidence(one, other, rim, face, foot, float(total[0]), units))
    return out


def fit_axes(
    views: Sequence[BoltView],
    starts: Array,
    radius_mm: float,
    *,
    chamfer_mm: float,
    stickup_mm: tuple[float, float] | None,
    radius_sigma: float = RADIUS_SIGMA,
    near: bool = False,
    hand: Sequence[HandPoint] = (),
) -> list[AxisFit]:
    """Least squares of the outline on the edges of all views together, from each start by itself.

    Parameters
    ----------
    starts : (K, 7) as in :class:`AxisFit`, right to about a millimetre
    radius_mm : the thread's, as it shows in these photos (print scale included)
    chamfer_mm : how far below the tip the thread begins at its full size
    stickup_mm : the stated stick-up and its sigma, where the photos cannot give it; None where they can
    radius_sigma : how well the radius is known beforehand, as a share of it
    near : the starts are fits to these edges already, so that they need not be looked for far off
    hand : points a person marked, which count beside the edges
    """
    places = starts.copy()
    edges: dict[int, Edges] = {}
    moving = list(range(len(places)))
    joined: dict[int, int] = {}
    closing = REACHES_PX[FIRST_NEAR:] if near else REACHES_PX
    for reach in closing:
        settled = []
        for k, seen in zip(moving, _edge_rows(views, places[moving], chamfer_mm, reach), strict=True):
            edges[k] = rows, residual, weight = seen
            prior_rows, prior_residual = _beside_edges(places[k], radius_mm, radius_sigma, stickup_mm, hand)
            scaled = weight / spread_px(residual, weight) ** 2
            normal = rows.T @ (rows * scaled[:, None]) + prior_rows.T @ prior_rows + NOTHING_KNOWN
            gradient = rows.T @ (residual * scaled) + prior_rows.T @ prior_residual
            step = np.linalg.solve(normal, gradient)
            places[k] += np.clip(step, -6.0, 6.0)
            places[k, 4] = np.clip(places[k, 4], *HEIGHT_RANGE_MM)
            if reach == closing[-1] and np.abs(step).max() < SETTLED_MM:
                settled.append(k)
        moving = _told_apart([k for k in moving if k not in settled], places, joined)
        if not moving:
            break
    else:
        for k, seen in zip(moving, _edge_rows(views, places[moving], chamfer_mm, REACHES_PX[-1]), strict=True):
            edges[k] = seen
    for k, first in reversed(joined.items()):
        places[k], edges[k] = places[first], edges[first]
    fits = []
    for k, place in enumerate(places):
        rows, residual, weight = edges[k]
        scaled = weight / (SHARED_SCATTER * spread_px(residual, weight)) ** 2
        prior_rows, _ = _beside_edges(place, radius_mm, radius_sigma, stickup_mm, hand)
        covariance = np.linalg.inv(rows.T @ (rows * scaled[:, None]) + prior_rows.T @ prior_rows + NOTHING_KNOWN)
        used = weight > 0.1
        rms = float(np.sqrt(np.average(residual[used] ** 2, weights=weight[used]))) if used.any() else float("inf")
        fits.append(AxisFit(place, covariance, rms, int(used.sum()), stickup_mm is None))
    return fits


def _told_apart(moving: Sequence[int], places: Array, joined: dict[int, int]) -> list[int]:
    """One of those that have come to one place, from where they go on as one; ``joined`` takes whom the others join."""
    apart: list[int] = []
    for k in moving:
        near = [first for first in apart if np.abs(places[k, :5] - places[first, :5]).max() < JOINED_MM]
        if near:
            joined[k] = near[0]
        else:
            apart.append(k)
    return apart


def _beside_edges(
    parameters: Array,
    radius_mm: float,
    radius_sigma: float,
    stickup_mm: tuple[float, float] | None,
    hand: Sequence[HandPoint],
) -> tuple[Array, Array]:
    """All that counts beside the edges: priors, and points marked by hand where there are any."""
    rows, residual = priors(parameters, radius_mm, radius_sigma, stickup_mm)
    if not hand:
        return rows, residual
    marked, off = hand_rows(parameters, hand)
    return np.concatenate([rows, marked]), np.concatenate([residual, off])


def priors(
    parameters: Array, radius_mm: float, radius_sigma: float, stickup_mm: tuple[float, float] | None
) -> tuple[Array, Array]:
    """What is known of any bolt beforehand: rows (N, 7) over their sigmas, and how far off (N,) a bolt (7,) is."""
    rows, residual = [], []
    height = max(parameters[4], 20.0)
    for axis in (0, 1):
        row = np.zeros(7)
        row[2 + axis], row[axis] = 1.0, -1.0
        rows.append(row / (LEAN_PRIOR_MM_A_MM * height))
        residual.append(-(parameters[2 + axis] - parameters[axis]) / (LEAN_PRIOR_MM_A_MM * height))
    for index, mean, sigma in ((5, radius_mm, radius_sigma * radius_mm), (6, 0.0, FOOT_SIGMA_MM)):
        row = np.zeros(7)
        row[index] = 1.0 / sigma
        rows.append(row)
        residual.append((mean - parameters[index]) / sigma)
    if stickup_mm is not None:
        axis_mm = parameters[2:5] - np.array([parameters[0], parameters[1], 0.0])
        length = float(np.linalg.norm(axis_mm))
        row = np.concatenate([-axis_mm[:2], axis_mm, [0.0, 0.0]]) / length / stickup_mm[1]
        rows.append(row)
        residual.append((stickup_mm[0] - length) / stickup_mm[1])
    return np.array(rows), np.array(residual)


Edges = tuple[Array, Array, Array]
"""Of one bolt: derivatives (N, 7) of its outline along the normals, distances to the edges (N,) and weights (N,)."""


def _edge_rows(
    views: Sequence[BoltView], places: Array, chamfer_mm: float, reaches_px: tuple[float, float]
) -> list[Edges]:
    """The edges found near the outlines of each of K places (K, 7), those of all views together."""
    reach_px, rim_in_px = reaches_px
    count = len(places)
    moves, off, given = (np.empty((count, len(views), DENSE.size, *last)) for last in ((7,), (), ()))
    for camera, alike in _by_camera(views).items():
        mine = [views[k] for k in alike]
        seen, moved = outline_with_moves(camera, [view.pose for view in mine], places, chamfer_mm)
        patches, near_px = [view.patch for view in mine for _ in range(count)], NEAR_OF_REACH * reach_px
        offset, strength = edge_offsets(patches, seen.px, seen.normals, reach_px, near_px, _SEEN_AS_RIM, rim_in_px)
        weight = strength * _SHARE * np.where(_ON_SHANK, seen_aslant(seen)[:, None], 1.0)
        for part, found in ((moves, moved), (off, offset), (given, weight)):
            part[:, alike] = found.reshape(len(mine), count, *found.shape[1:]).swapaxes(0, 1)
    for k, view in enumerate(views):
        if view.hidden is not None:
            given[:, k, view.hidden] = 0.0
    found_edges: list[Edges] = []
    for rows, away, weight in zip(moves, off, given, strict=True):
        flat, every = away.ravel(), weight.ravel()
        robust = 1.0 / (1.0 + (flat / (2.0 * spread_px(flat, every))) ** 2)
        found_edges.append((rows.reshape(-1, 7), flat, every * robust))
    return found_edges


def _by_camera(views: Sequence[BoltView]) -> dict[Camera, list[int]]:
    """The views (indices) of each camera: outlines in photos of one are drawn together."""
    alike: dict[Camera, list[int]] = {}
    for k, view in enumerate(views):
        alike.setdefault(view.camera, []).append(k)
    return alike


def spread_px(offset: Array, weight: Array) -> float:
    """The scatter of edge distances that count, robustly; wide where there are hardly any."""
    good = weight > 0.05
    if int(good.sum()) < 6:
        return 2.0
    return max(1.4826 * median(np.abs(offset[good])), 0.35)


def sensitivities(
    views: Sequence[BoltView], fit: AxisFit, chamfer_mm: float
) -> tuple[tuple[Array, ...], tuple[Array, ...]]:
    """How a fit moves with each view's pose (7, 6: turn w, then t) and lens (7, 9): -(J' W J)^-1 J' W dJ."""
    ((rows, residual, weight),) = _edge_rows(views, fit.parameters[None], chamfer_mm, REACHES_PX[-1])
    scaled = weight / (SHARED_SCATTER * spread_px(residual, weight)) ** 2
    gains = np.split(fit.covariance @ (rows * scaled[:, None]).T, len(views), axis=1)
    by_pose, by_lens = [], []
    for view, gain in zip(views, gains, strict=True):
        seen = outlines(view.camera, view.pose, fit.parameters[None], chamfer_mm)
        turned, bent = moves_with_camera(view.camera, view.pose, seen)
        by_pose.append(-gain @ turned)
        by_lens.append(-gain @ bent)
    return tuple(by_pose), tuple(by_lens)
