"""How clearly all photos together show a bolt's outline, and the climb to where they show it best.

The outline of a bolt that may stand somewhere is laid over the edges of every photo that would show it. What is found
along it counts as evidence, part by part; the climb tries many places near a start and goes where there is most.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sillwright.camera import Array, Camera, Pose, rays
from sillwright.outline import SPARSE, Outline, Sampling
from sillwright.see.edgefield import EdgeField, energy_in_each, evidence
from sillwright.solve.hand import HandPoint, cost_of_hand
from sillwright.solve.outline_moves import rough_outlines

UNIT_RADII = 1.25  # outline length, in radii, that counts as one independent witness of an edge
DRAWN_TOGETHER = 3000  # outlines: the arrays of more outgrow the memory near the processor
HIDDEN_EVIDENCE = -0.4
ENDS_WORTH = 3.0
ROUGH_ROUNDS, ROUGH_TRIALS = 5, 64
FINE_ROUNDS, FINE_TRIALS = 6, 80
HALVED_AFTER = 3
CLIMB_ELITE = 10
LEAN_PRIOR_MM_A_MM = 0.12  # tip over height: bolts lean some degrees; keeps a badly seen tip from running off
RADIUS_PRIOR = 0.08  # while climbing: the stronger edge may be the inner side of a dark rim
FOOT_SIGMA_MM = 0.8  # the concrete at the bolt against the mean plane; a washer there adds its thickness
HEIGHT_RANGE_MM = (22.0, 150.0)


@dataclass(frozen=True)
class Glimpse:
    """One photo with its camera and pose (wall frame) and an edge field of it."""

    photo: int
    camera: Camera
    pose: Pose
    field: EdgeField


def weigh(
    views: Sequence[Glimpse],
    parameters: Array,
    chamfer_mm: float,
    *,
    least: float = HIDDEN_EVIDENCE,
    sampling: Sampling = SPARSE,
) -> tuple[Array, list[list[Array]]]:
    """Evidence for K bolts (K, 7) over all views: totals (K,), and for each view the mean evidence of each part.

    ``least`` is what a sample that shows no edge counts: what a nut, a washer or a shadow hides must not outweigh what
    is seen while the best place is looked for.
    """
    total = np.zeros(len(parameters))
    parts: list[list[Array]] = [[] for _ in views]
    for alike in _drawn_together(views, max(1, DRAWN_TOGETHER // max(len(parameters), 1))):
        mine = [views[k] for k in alike]
        cameras, poses = [view.camera for view in mine], [view.pose for view in mine]
        seen = rough_outlines(cameras, poses, parameters, chamfer_mm, sampling)
        energy, usable = energy_in_each([view.field for view in mine], seen.px_apart, seen.normals_apart)
        nats = np.maximum(evidence(energy), least)
        nats *= usable
        units = side_units(seen)
        pieces = np.vstack([sampling.averages @ nats, units])
        one, other, rim, face, foot, _ = pieces
        aslant = aslant_of(units)
        arc = np.pi / UNIT_RADII
        worth = aslant * units * (1.4 * np.minimum(one, other) + 0.6 * np.maximum(one, other))
        worth += arc * (rim + aslant * foot + face)
        total += worth.reshape(len(mine), -1).sum(axis=0)
        for k, own in zip(alike, pieces.reshape(len(pieces), len(mine), -1).swapaxes(0, 1), strict=True):
            parts[k] = list(own)
    return total, parts


def _drawn_together(views: Sequence[Glimpse], most: int) -> list[list[int]]:
    """The views (indices), so many at a time, whose lenses bend alike and whose fields are of one kind."""
    alike: dict[tuple[object, ...], list[int]] = {}
    for k, view in enumerate(views):
        alike.setdefault((view.camera.bend, view.field.cells.dtype), []).append(k)
    return [group[k : k + most] for group in alike.values() for k in range(0, len(group), most)]


def worth_of(
    views: Sequence[Glimpse], parameters: Array, chamfer_mm: float, *, sampling: Sampling = SPARSE
) -> tuple[Array, list[list[Array]]]:
    """The same, where an end and a foot that are seen where they are count for more: shadows and nuts have sides like a
    bolt's, but neither. A foot counts as far as it is seen aslant; end-on a nut's corner or its shade passes for one.
    """
    total, parts = weigh(views, parameters, chamfer_mm, sampling=sampling)
    ends = [aslant_of(p[5]) * p[4] + np.maximum(p[2], p[3]) for p in parts]
    return total + ENDS_WORTH * np.sum(ends, axis=0), parts


def side_units(seen: Outline) -> Array:
    """Length of a side in witnesses, (K,)."""
    count = seen.sampling.side
    px = seen.px_apart
    along, wide = px[:, count - 1] - px[:, 0], px[:, count // 2] - px[:, count + count // 2]
    side = np.hypot(*along) * count / (count - 1.0)
    across = np.hypot(*wide) / 2.0
    return side / (UNIT_RADII * np.maximum(across, 1e-6))


def seen_aslant(seen: Outline) -> Array:
    """How far a bolt is seen from the side, (K,): 0 end-on, where a nut may hide all but the end, to 1.

    A hex nut's corners reach 1.15 x 1.5 = 1.73 bolt radii from the axis for the sizes in use (ASME B18.2.2), so with
    the sides shorter than about one radius nothing of shank or foot is sure to show.
    """
    return aslant_of(side_units(seen))


def aslant_of(units: Array) -> Array:
    """The same from the length of a side in witnesses."""
    return np.minimum(np.maximum((units * UNIT_RADII - 0.8) / 1.2, 0.0), 1.0)


def end_is_hidden(rim: float, face: float) -> bool:
    """Whether nothing can be judged of an end with this evidence: it stands before a card or on a line."""
    return abs(rim) < 1e-6 and abs(face) < 1e-6


def tip_on_ray(view: Glimpse, tip_px: Array, heights_mm: Array) -> Array:
    """Points (H, 3) of the ray through a pixel at the given heights over the concrete."""
    return at_heights(view.pose, rays(view.camera, view.pose, tip_px[None])[0], heights_mm)


def at_heights(pose: Pose, ray: Array, heights_mm: Array) -> Array:
    """Points (H, 3) of a ray from a camera, (3,) in the wall frame, at the given heights over the concrete."""
    centre = pose.centre_mm
    return centre + ((heights_mm - centre[2]) / ray[2])[:, None] * ray


def climb(
    views: Sequence[Glimpse],
    starts: Array,
    radius_mm: float,
    chamfer_mm: float,
    *,
    height_known: bool,
    fine: bool = False,
    seed: int = 0,
    hand: Sequence[HandPoint] = (),
) -> tuple[Array, Array]:
    """Climb the evidence by the cross-entropy method (Rubinstein, Methodol. Comput. Appl. Probab. 1, 1999).

    Parameters
    ----------
    starts : (S, 7) as in :class:`AxisFit`, each climbed by itself
    height_known : hold the tip's height
    fine : on fine fields, from starts that are right to about a millimetre; the better half goes all the way
    hand : points a person marked; to leave them costs

    Returns the best parameters from each start, (S, 7), and their evidence, (S,).
    """
    random = np.random.default_rng(seed)
    spread = np.array([4.0, 4.0, 5.0, 5.0, 8.0, 0.05 * radius_mm, 0.8]) * (0.35 if fine else 1.0)
    least = np.array([0.15, 0.15, 0.15, 0.15, 0.3, 0.005 * radius_mm, 0.1]) * (0.5 if fine else 1.0)
    if height_known:
        spread[4] = least[4] = 0.0
    mean, best, best_score = starts.copy(), starts.copy(), np.full(len(starts), -np.inf)
    spreads = np.repeat(spread[None], len(starts), axis=0)
    rounds, trials = (FINE_ROUNDS, FINE_TRIALS) if fine else (ROUGH_ROUNDS, ROUGH_TRIALS)
    alive = np.arange(len(starts))
    for k in range(rounds):
        if fine and k == HALVED_AFTER:
            alive = np.argsort(-best_score, kind="stable")[: max(2, (len(starts) + 1) // 2)]
        each = np.arange(len(alive))
        trial = mean[alive, None] + random.standard_normal((trials, 7)) * spreads[alive, None]
        trial[:, 0], trial[:, 1] = mean[alive], best[alive]
        trial[:, :, 4] = np.clip(trial[:, :, 4], *HEIGHT_RANGE_MM)
        score, _ = weigh(views, trial.reshape(-1, 7), chamfer_mm)
        score = score.reshape(trial.shape[:2]) - _cost_ofpriors(trial, radius_mm)
        if hand:
            score -= cost_of_hand(trial, hand)
        order = np.argsort(-score, axis=1)[:, :CLIMB_ELITE]
        top = order[:, 0]
        better = score[each, top] > best_score[alive]
        best[alive[better]] = trial[each, top][better]
        best_score[alive[better]] = score[each, top][better]
        elite = trial[each[:, None], order]
        mean[alive] = elite.mean(axis=1)
        spreads[alive] = np.maximum(elite.std(axis=1), least)
    return best, best_score


def _cost_ofpriors(places: Array, radius_mm: float) -> Array:
    """What leaning, a wrong size and a high or low foot cost, nats; for (..., 7)."""
    lean = np.hypot(places[..., 2] - places[..., 0], places[..., 3] - places[..., 1]) / places[..., 4]
    off_size = (places[..., 5] / radius_mm - 1.0) / RADIUS_PRIOR
    return 0.5 * ((lean / LEAN_PRIOR_MM_A_MM) ** 2 + off_size**2 + (places[..., 6] / FOOT_SIGMA_MM) ** 2)
