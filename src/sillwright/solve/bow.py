"""How far a bolt's sides bow away from the straight cylinder that was fitted, from all photos together.

The axis between foot and tip is let out by ``4 u (1 - u)`` times one vector and ``sin(2 pi u)`` times another, u its
share of the height: a plain bow and an S, each along and across the wall. They move the points of both sides along
their normals and leave rim, face and foot. Foot, tip and radius are solved along, and so is a small shift of the whole
outline in each photo, since poses that disagree must not pass for a bow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array
from sillwright.outline import DENSE, FACE, FOOT, OTHER_SIDE, RIM, SIDE, Outline
from sillwright.see.patch import edge_offsets
from sillwright.solve.axis import NEAR_OF_REACH, RADIUS_SIGMA, AxisFit, BoltView, spread_px
from sillwright.solve.climb import FOOT_SIGMA_MM, seen_aslant
from sillwright.solve.outline_moves import outline_with_moves

# What two sides share bows them alike: straight bolts of rendered photos come out within 2.2 sigmas of straight so.
SHARED_SCATTER = 2.5
REACHES_PX = ((6.0, 6.0), (4.0, 4.0), (3.0, 1.5))  # along the normals; inward of rim and foot, as in solve.axis
REWEIGHTED = 4
BOW_PRIOR_MM = 4.0
PLACE_PRIOR_MM = 3.0
SHIFT_PRIOR_PX = 0.4
PLAIN, TWICE = slice(7, 9), slice(9, 11)  # the bow's and the S's two numbers, after the seven of a straight bolt
HEIGHTS = np.linspace(0.1, 0.9, 17)
SURE_SIGMAS = 2.0


@dataclass(frozen=True)
class Bow:
    """Where, and in which direction, the axis surely stands farthest from the straight line from foot to tip.

    way : (2,) unit, along X and Y of the wall frame; size_mm : how far, that way; sigma_mm : of that
    at : at which share of the height
    """

    way: Array
    size_mm: float
    sigma_mm: float
    at: float

    @property
    def pull(self) -> float:
        """How many sigmas it stands out."""
        return self.size_mm / self.sigma_mm


def fit_bow(views: Sequence[BoltView], fit: AxisFit, chamfer_mm: float, hidden: Sequence[NDArray[np.bool_]]) -> Bow:
    """The bow of a fitted bolt.

    Parameters
    ----------
    hidden : for each view, which points of the outline (M,) something stands before
    """
    outlines, rows = [], []
    for k, view in enumerate(views):
        seen, (moves,) = outline_with_moves(view.camera, [view.pose], fit.parameters[None], chamfer_mm)
        outlines.append(seen)
        rows.append(_rows(seen, moves, k, len(views)))
    prior = _prior_weights(fit, len(views))
    values: Array = np.zeros(len(prior))
    for reaches in REACHES_PX:
        offset, weight = _edges(views, outlines, rows, values, hidden, reaches)
        values, covariance = _solved(np.concatenate(rows), offset, weight, prior)
    return _surest(values[7:11], covariance[7:11, 7:11])


def _rows(seen: Outline, moves: Array, which: int, views: int) -> Array:
    """How far each point moves along its normal for each unknown, (M, 11 + 2 V)."""
    up = np.select(
        [(seen.part == SIDE) | (seen.part == OTHER_SIDE), seen.part == FOOT],
        [np.resize(DENSE.up, seen.part.shape), np.zeros(seen.part.shape)],
        1.0,
    )
    aside = moves[:, :2] + moves[:, 2:4]  # foot and tip together: the whole bolt moved
    shift = np.zeros((len(up), 2 * views))
    shift[:, 2 * which : 2 * which + 2] = seen.normals[0]
    plain, twice = 4.0 * up * (1.0 - up), np.sin(2.0 * np.pi * up)
    return np.hstack([moves, plain[:, None] * aside, twice[:, None] * aside, shift])


def _prior_weights(fit: AxisFit, views: int) -> Array:
    """One over the variance of each unknown's change."""
    place = [PLACE_PRIOR_MM] * 5 if fit.height_known else [*[PLACE_PRIOR_MM] * 4, 0.01]
    own = [RADIUS_SIGMA * float(fit.parameters[5]), FOOT_SIGMA_MM]
    return np.array([*place, *own, *[BOW_PRIOR_MM] * 4, *[SHIFT_PRIOR_PX] * (2 * views)]) ** -2.0


def _edges(
    views: Sequence[BoltView],
    outlines: Sequence[Outline],
    rows: Sequence[Array],
    values: Array,
    hidden: Sequence[NDArray[np.bool_]],
    reaches_px: tuple[float, float],
) -> tuple[Array, Array]:
    """Distances (N,) from the straight outline to the edges found near the bowed one, and their weights."""
    offsets, weights = [], []
    reach_px, rim_in_px = reaches_px
    for view, seen, moved, behind in zip(views, outlines, rows, hidden, strict=True):
        out = moved @ values
        px = seen.px + out[:, None] * seen.normals
        (offset,), (strength,) = edge_offsets(
            [view.patch], px, seen.normals, reach_px, NEAR_OF_REACH * reach_px, seen.part != FACE, rim_in_px
        )
        ends = (seen.part == RIM) | (seen.part == FACE)
        share = np.where(seen.part == FACE, 0.5, 0.6) * np.where(ends, 1.0, seen_aslant(seen)[0])
        offsets.append(offset + out)
        weights.append(strength * share * ~behind)
    return np.concatenate(offsets), np.concatenate(weights)


def _solved(rows: Array, offset: Array, weight: Array, prior: Array) -> tuple[Array, Array]:
    """Values and their covariance, reweighted against edges that belong to something else."""
    values: Array = np.zeros(rows.shape[1])
    robust, spread = np.ones(len(offset)), 1.0
    for _ in range(REWEIGHTED):
        scaled = weight * robust / (SHARED_SCATTER * spread) ** 2
        covariance = np.linalg.inv(rows.T @ (rows * scaled[:, None]) + np.diag(prior))
        values = covariance @ (rows.T @ (offset * scaled))
        left = offset - rows @ values
        spread = spread_px(left, weight)
        robust = 1.0 / (1.0 + (left / (2.0 * spread)) ** 2)
    return values, covariance


def _surest(amplitudes: Array, covariance: Array) -> Bow:
    """Where the bow and the S together surely stand farthest out.

    A bow toward a camera hardly moves the sides it sees, so with few photos one direction may be all but unknown. Of
    all directions w the one with the largest ``w'b / sqrt(w'Cw)`` is ``C^-1 b``, and that ratio is ``sqrt(b'C^-1 b)``.
    """
    share = np.zeros((len(HEIGHTS), 2, 4))
    share[:, 0, 0] = share[:, 1, 1] = 4.0 * HEIGHTS * (1.0 - HEIGHTS)
    share[:, 0, 2] = share[:, 1, 3] = np.sin(2.0 * np.pi * HEIGHTS)
    aside = share @ amplitudes
    spread = share @ covariance @ share.transpose(0, 2, 1)
    way = np.linalg.solve(spread, aside[..., None])[..., 0]
    way /= np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-9)
    size = np.sum(way * aside, axis=1)
    sigma = np.sqrt(np.einsum("ki,kij,kj->k", way, spread, way))
    surest = int(np.argmax(size - SURE_SIGMAS * sigma))
    return Bow(way[surest], float(size[surest]), float(sigma[surest]), float(HEIGHTS[surest]))
