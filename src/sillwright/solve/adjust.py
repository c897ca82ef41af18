"""One least-squares adjustment of a run: cameras, cards, chalk lines, lens and print scale together.

Model
-----
Wall frame: right-handed, Z up, the mean concrete at Z = 0, line 0 along X at Y = 0. A point (x, y) of the print of
card j lies at ``o_j + R_j (s x, s y, -c_j q(x))`` with the print scale s, the curl c_j and q the bow of the paper;
it is seen in photo i at ``project(lens, exp(w) R_i P + t_i)``. A chalk point is seen at the foot of the perpendicular,
in the picture, on the projected line; sliding along the line does not change the residual to first order, so the
place along it needs no unknown (variation of coordinates with a line constraint: Mikhail, *Observations and Least
Squares*, 1976).

Rotations carry a *left* perturbation: R <- exp(w) R. Gauge: the zero mark of the lowest card has X = 0; line 0 fixes
Y and the turn; the cards' heights and tilts, within their priors, fix the plane.

Loss: Huber on each corner and chalk point (Huber, *Robust Statistics*, 1981), iteratively reweighted; Cauchy on the
tilt of a card, since a card either lies flat or stands on something.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sillwright.camera import Array, Pose, project_camera_points, rotation_from_vector
from sillwright.solve.equations import normal_equations
from sillwright.solve.state import POSE, CardState, Layout, LineState, Problem, State, card_points, line_feet

MAX_STEPS = 30
DAMPING = 1e-4  # to begin with: steps are nearly Newton's
SETTLED = 1e-4  # a step that lowers the cost by no more moves no number by 0.01 of its standard deviation


@dataclass(frozen=True)
class Solution:
    """The adjusted state, its covariance, and what is left over.

    covariance : (P, P) of the perturbations in the order of :class:`Layout`
    corner_rms : {(photo, card): rms px of a coordinate}
    line_rms_px : {(photo, line): rms px}
    """

    state: State
    covariance: Array
    layout: Layout
    variance_factor: float
    corner_rms: dict[tuple[int, int], float]
    line_rms_px: dict[tuple[int, int], float]
    converged: bool


def adjust(problem: Problem, start: State) -> Solution:
    """Solve by damped Gauss-Newton (Levenberg, Q. Appl. Math. 2, 1944; Marquardt, SIAM J. 11, 1963)."""
    layout = Layout(len(start.poses), len(start.cards), len(start.lenses), len(start.lines))
    state, damping = start, DAMPING
    normal, gradient, cost = normal_equations(problem, layout, state)
    converged = False
    for _ in range(MAX_STEPS):
        step = -solved(layout, normal, damping, gradient)
        ahead = -float(gradient @ step)
        if damping <= DAMPING and ahead < SETTLED:
            converged = True
            break
        trial = moved(state, layout, step)
        trial_normal, trial_gradient, trial_cost = normal_equations(problem, layout, trial)
        if np.isfinite(trial_cost) and trial_cost <= cost * (1.0 + 1e-12):
            gain = cost - trial_cost
            state, normal, gradient, cost = trial, trial_normal, trial_gradient, trial_cost
            damping = max(damping * 0.1, 1e-12)
            if gain <= max(1e-9 * cost, SETTLED):
                converged = True
                break
        elif ahead < SETTLED:
            converged = True  # nothing to gain but rounding
            break
        else:
            damping *= 10.0
            if damping > 1e8:
                break
    covariance = np.linalg.inv(normal)
    corner_rms, line_rms = residual_summary(problem, state)
    return Solution(state, covariance, layout, _variance_factor(problem, corner_rms), corner_rms, line_rms, converged)


def solved(layout: Layout, normal: Array, damping: float, right: Array) -> Array:
    """The solution of the damped normal equations, photos eliminated first.

    No unknown of one photo meets one of another, so their part is 6 x 6 blocks, and what is left to solve is the size
    of the cards, lenses, lines and scale alone (the reduced system of Brown, *The Bundle Adjustment*, 1976).
    """
    poses = slice(0, POSE * layout.photos)
    rest = slice(poses.stop, layout.size)
    blocks = np.stack([normal[layout.pose(i), layout.pose(i)] for i in range(layout.photos)])
    blocks = blocks + damping * np.einsum("nij,ij->nij", blocks, np.eye(POSE))
    inverse = np.linalg.inv(blocks)
    mixed = normal[poses, rest].reshape(layout.photos, POSE, -1)
    carried = (inverse @ mixed).reshape(POSE * layout.photos, -1)
    left = normal[rest, rest] - normal[poses, rest].T @ carried
    left[np.diag_indices_from(left)] += damping * np.diag(normal)[rest]
    alone = (inverse @ right[poses].reshape(layout.photos, POSE, 1)).ravel()
    # Rounding can leave this a shade short of positive definite where priors are very tight, so no Cholesky.
    others = np.linalg.solve(left, right[rest] - normal[poses, rest].T @ alone)
    return np.concatenate([alone - carried @ others, others])


def moved(state: State, layout: Layout, step: Array) -> State:
    """The state after a step of the parameter vector."""
    poses = []
    for i, pose in enumerate(state.poses):
        d = step[layout.pose(i)]
        turn = rotation_from_vector(d[:3])
        poses.append(Pose(turn @ pose.rotation, pose.translation_mm + d[3:]))
    cards = []
    for j, card in enumerate(state.cards):
        d = step[layout.card(j)]
        cards.append(
            CardState(card.origin_mm + d[:3], rotation_from_vector(d[3:6]) @ card.rotation, card.curl_mm + float(d[6]))
        )
    lenses = [lens.with_parameters(lens.parameters + step[layout.lens(k)]) for k, lens in enumerate(state.lenses)]
    lines = list(state.lines[:1])
    for m in range(1, layout.lines):
        d = step[layout.line(m)]
        lines.append(LineState(state.lines[m].angle_rad + float(d[0]), state.lines[m].offset_mm + float(d[1])))
    return State(tuple(lenses), tuple(poses), tuple(cards), tuple(lines), state.scale + float(step[layout.scale]))


def residual_summary(
    problem: Problem, state: State
) -> tuple[dict[tuple[int, int], float], dict[tuple[int, int], float]]:
    """Root mean square residuals, px of one coordinate, of each card and each line in each photo."""
    corners, lines = {}, {}
    for seen in problem.card_seen:
        camera = state.lenses[problem.lens_of_photo[seen.photo]]
        points = card_points(state.cards[seen.card], state.scale, seen.board_mm)
        px = project_camera_points(camera, state.poses[seen.photo].to_camera(points))
        corners[seen.photo, seen.card] = float(np.sqrt(np.mean((px - seen.px) ** 2)))
    for k, camera in enumerate(state.lenses):
        every = [line for line in problem.line_seen if problem.lens_of_photo[line.photo] == k]
        if not every:
            continue
        poses, places = [state.poses[line.photo] for line in every], [state.lines[line.line] for line in every]
        _, in_camera, normals = line_feet(camera, poses, places, [line.px for line in every])
        px = project_camera_points(camera, in_camera)
        off = np.einsum("ni,ni->n", normals, px - np.concatenate([line.px for line in every]))
        ends = np.cumsum([len(line.px) for line in every])[:-1]
        for line, own in zip(every, np.split(off, ends), strict=True):
            lines[line.photo, line.line] = float(np.sqrt(np.mean(own**2)))
    return corners, lines


def _variance_factor(problem: Problem, corner_rms: dict[tuple[int, int], float]) -> float:
    """Mean squared standardised corner residual: 1 where the corners are as good as their sigma says."""
    terms = [((corner_rms[seen.photo, seen.card] / seen.sigma_px) ** 2, 2 * len(seen.px)) for seen in problem.card_seen]
    count = sum(n for _, n in terms)
    return sum(value * n for value, n in terms) / count if count else 1.0
