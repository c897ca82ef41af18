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

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sillwright.camera import (
    Array,
    Camera,
    Pose,
    cross_matrix,
    meet_plane,
    project_with_derivatives,
    rotation_from_vector,
)
from sillwright.cards import CARD_MARGIN_MM

HUBER = 2.5
MAX_STEPS = 30

# Priors; all are one standard deviation.
CARD_TILT_RAD = np.radians(0.15)  # paper on trowelled concrete: 0.2 mm over a card 90 mm deep
CARD_HEIGHT_MM = 0.3  # the concrete under one card against the mean of the wall
CARD_CURL_MM = 0.3  # how far both short ends of a card stand off
SETTLED = 1e-6  # a step that lowers the cost by no more moves no number by 0.002 of its standard deviation
TAPE_SIGMA_MM = 0.6  # reading to 1/16 in (0.46 mm) and a class II tape to 3 m (0.3 mm), EU MID annex MI-008

POSE, CARD, LENS = 6, 7, 9  # unknowns a photo, a card (3 origin, 3 turn, 1 curl), a lens


@dataclass(frozen=True)
class CardState:
    """One card in the wall frame: zero mark (3,), rotation board to wall (3, 3), and curl in mm."""

    origin_mm: Array
    rotation: Array
    curl_mm: float = 0.0


@dataclass(frozen=True)
class LineState:
    """A chalk line on Z = 0: the point (0, offset) rotated by ``angle_rad`` from X; line 0 is angle 0, offset 0."""

    angle_rad: float
    offset_mm: float

    @property
    def direction(self) -> Array:
        """Unit vector along it, (3,)."""
        return np.array([np.cos(self.angle_rad), np.sin(self.angle_rad), 0.0])

    @property
    def normal(self) -> Array:
        """Unit vector to its left, (3,)."""
        return np.array([-np.sin(self.angle_rad), np.cos(self.angle_rad), 0.0])


@dataclass(frozen=True)
class CardObservation:
    """The corners of card ``card`` (index) in photo ``photo`` (index)."""

    photo: int
    card: int
    board_mm: Array
    px: Array
    sigma_px: float


@dataclass(frozen=True)
class LineObservation:
    """Points of chalk line ``line`` in photo ``photo``: pixels (N, 2), each with a sigma across the line in px."""

    photo: int
    line: int
    px: Array
    sigma_px: Array


@dataclass(frozen=True)
class TapeObservation:
    """A taped distance between the zero marks of two cards (indices)."""

    card_a: int
    card_b: int
    length_mm: float


@dataclass(frozen=True)
class State:
    """Everything solved for."""

    lenses: tuple[Camera, ...]
    poses: tuple[Pose, ...]
    cards: tuple[CardState, ...]
    lines: tuple[LineState, ...]
    scale: float


@dataclass(frozen=True)
class Problem:
    """What was seen and what is known beforehand.

    lens_of_photo : index of each photo's lens
    lens_prior : for each lens its mean (9,) and covariance (9, 9)
    face_height_mm : of the printed face over the concrete
    scale_sigma : of the print scale about ``scale_mean``
    zero_card : index of the card whose zero mark has X = 0
    zero_held : without a chalk line, where that card is held: Y of its zero mark, and the sine of its turn from X
    """

    card_seen: tuple[CardObservation, ...]
    line_seen: tuple[LineObservation, ...]
    taped: tuple[TapeObservation, ...]
    lens_of_photo: tuple[int, ...]
    lens_prior: tuple[tuple[Array, Array], ...]
    face_height_mm: float
    card_middle_mm: Array
    scale_mean: float = 1.0
    scale_sigma: float = 0.0015
    zero_card: int = 0
    zero_held: tuple[float, float] = (0.0, 0.0)


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


@dataclass(frozen=True)
class Layout:
    """Where each unknown stands in the parameter vector."""

    photos: int
    cards: int
    lenses: int
    lines: int

    @property
    def size(self) -> int:
        """How many unknowns."""
        return POSE * self.photos + CARD * self.cards + LENS * self.lenses + 2 * max(0, self.lines - 1) + 1

    def pose(self, i: int) -> slice:
        """w (3) then t (3) of photo i."""
        return slice(POSE * i, POSE * (i + 1))

    def card(self, j: int) -> slice:
        """Origin (3), turn (3), curl (1) of card j."""
        start = POSE * self.photos + CARD * j
        return slice(start, start + CARD)

    def lens(self, k: int) -> slice:
        """The nine numbers of lens k."""
        start = POSE * self.photos + CARD * self.cards + LENS * k
        return slice(start, start + LENS)

    def line(self, m: int) -> slice:
        """Angle and offset of line m >= 1."""
        start = POSE * self.photos + CARD * self.cards + LENS * self.lenses + 2 * (m - 1)
        return slice(start, start + 2)

    @property
    def scale(self) -> int:
        """The print scale."""
        return self.size - 1


def bow(board_x_mm: Array) -> Array:
    """Height of a curled card's face over its middle, as a share of the height of its short ends."""
    return (2.0 * (board_x_mm + CARD_MARGIN_MM) / 260.0 - 1.0) ** 2


def card_points(card: CardState, scale: float, board_mm: Array) -> Array:
    """Nominal print coordinates (N, 2) to the wall frame (N, 3)."""
    local = np.column_stack([scale * board_mm, -card.curl_mm * bow(board_mm[:, 0])])
    return card.origin_mm + local @ card.rotation.T


def line_foot(camera: Camera, pose: Pose, line: LineState, px: Array) -> tuple[Array, Array]:
    """Points of the line nearest, in the picture, to ``px``; and the picture's unit normals there.

    Returns wall points (N, 3) and normals (N, 2).
    """
    ground = meet_plane(camera, pose, px, 0.0)
    base = line.offset_mm * line.normal
    along = (ground - base) @ line.direction
    for _ in range(2):
        points = base + along[:, None] * line.direction
        seen, by_point, _ = project_with_derivatives(camera, pose.to_camera(points))
        tangent = np.einsum("nij,j->ni", by_point, pose.rotation @ line.direction)
        along = along + np.einsum("ni,ni->n", px - seen, tangent) / np.einsum("ni,ni->n", tangent, tangent)
    points = base + along[:, None] * line.direction
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    return points, np.column_stack([-tangent[:, 1], tangent[:, 0]])


def adjust(problem: Problem, start: State) -> Solution:
    """Solve by damped Gauss-Newton (Levenberg, Q. Appl. Math. 2, 1944; Marquardt, SIAM J. 11, 1963)."""
    layout = Layout(len(start.poses), len(start.cards), len(start.lenses), len(start.lines))
    state, damping = start, 1e-4
    normal, gradient, cost = _normal_equations(problem, layout, state)
    converged = False
    for _ in range(MAX_STEPS):
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -gradient)
        trial = moved(state, layout, step)
        trial_normal, trial_gradient, trial_cost = _normal_equations(problem, layout, trial)
        if np.isfinite(trial_cost) and trial_cost <= cost * (1.0 + 1e-12):
            gain = cost - trial_cost
            state, normal, gradient, cost = trial, trial_normal, trial_gradient, trial_cost
            damping = max(damping * 0.1, 1e-12)
            if gain <= max(1e-9 * cost, SETTLED):
                converged = True
                break
        elif abs(float(gradient @ step)) < SETTLED:
            converged = True  # nothing to gain but rounding
            break
        else:
            damping *= 10.0
            if damping > 1e8:
                break
    covariance = np.linalg.inv(normal)
    corner_rms, line_rms = residual_summary(problem, state)
    return Solution(state, covariance, layout, _variance_factor(problem, corner_rms), corner_rms, line_rms, converged)


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


def _normal_equations(problem: Problem, layout: Layout, state: State) -> tuple[Array, Array, float]:
    normal = np.zeros((layout.size, layout.size))
    gradient = np.zeros(layout.size)
    cost = 0.0
    for columns, jacobian, residual, weight, loss in _blocks(problem, layout, state):
        weighted = jacobian * weight[:, None]
        normal[columns[:, None], columns] += jacobian.T @ weighted
        gradient[columns] += weighted.T @ residual
        cost += loss
    return normal, gradient, cost


Columns = NDArray[np.int64]
Block = tuple[Columns, Array, Array, Array, float]


def _blocks(problem: Problem, layout: Layout, state: State) -> Iterable[Block]:
    for seen in problem.card_seen:
        yield _corner_block(problem, layout, state, seen)
    for line in problem.line_seen:
        yield _line_block(problem, layout, state, line)
    for tape in problem.taped:
        yield _tape_block(layout, state, tape)
    for j, card in enumerate(state.cards):
        yield from _card_priors(problem, layout, j, card, state.scale)
    for k, lens in enumerate(state.lenses):
        mean, covariance = problem.lens_prior[k]
        root = np.linalg.inv(np.linalg.cholesky(covariance + 1e-18 * np.eye(LENS)))
        residual = root @ (lens.parameters - mean)
        yield _columns(layout.lens(k)), root, residual, np.ones(LENS), float(residual @ residual)
    scale_off = np.array([(state.scale - problem.scale_mean) / problem.scale_sigma])
    yield (
        np.array([layout.scale]),
        np.array([[1.0 / problem.scale_sigma]]),
        scale_off,
        np.ones(1),
        float(scale_off[0] ** 2),
    )
    # The gauge along the wall: the zero mark of the zero card has X = 0.
    pinned = np.array([state.cards[problem.zero_card].origin_mm[0]]) / 1e-4
    yield _columns(layout.card(problem.zero_card))[:1], np.array([[1e4]]), pinned, np.ones(1), float(pinned[0] ** 2)
    if not problem.line_seen:
        # No chalk: the zero card's own place and turn stand in, so that the geometry still holds together.
        card = state.cards[problem.zero_card]
        y_mm, sine = problem.zero_held
        held = np.array([(card.origin_mm[1] - y_mm) / 1e-3, (card.rotation[1, 0] - sine) / 1e-5])
        jac = np.zeros((2, 2))
        jac[0, 0], jac[1, 1] = 1e3, card.rotation[0, 0] / 1e-5
        columns = _columns(layout.card(problem.zero_card))[[1, 5]]
        yield columns, jac, held, np.ones(2), float(held @ held)


def _corner_block(problem: Problem, layout: Layout, state: State, seen: CardObservation) -> Block:
    camera = state.lenses[problem.lens_of_photo[seen.photo]]
    pose, card = state.poses[seen.photo], state.cards[seen.card]
    points = card_points(card, state.scale, seen.board_mm)
    in_camera = pose.to_camera(points)
    px, by_point, by_lens = project_with_derivatives(camera, in_camera)
    by_wall = by_point @ pose.rotation
    turned = in_camera - pose.translation_mm
    arm = points - card.origin_mm
    count = len(px)
    jac = np.empty((count, 2, POSE + CARD + LENS + 1))
    jac[:, :, 0:3] = -by_point @ _cross_each(turned)
    jac[:, :, 3:6] = by_point
    jac[:, :, 6:9] = by_wall
    jac[:, :, 9:12] = -by_wall @ _cross_each(arm)
    jac[:, :, 12] = by_wall @ card.rotation[:, 2] * -bow(seen.board_mm[:, 0])[:, None]
    jac[:, :, 13:22] = by_lens
    jac[:, :, 22] = np.einsum("nij,nj->ni", by_wall, seen.board_mm @ card.rotation[:, :2].T)
    residual = ((px - seen.px) / seen.sigma_px).reshape(-1)
    jacobian = (jac / seen.sigma_px).reshape(2 * count, -1)
    size = np.repeat(np.linalg.norm(residual.reshape(-1, 2), axis=1), 2)
    weight, loss = _huber(size)
    columns = np.concatenate(
        [
            _columns(layout.pose(seen.photo)),
            _columns(layout.card(seen.card)),
            _columns(layout.lens(problem.lens_of_photo[seen.photo])),
            [layout.scale],
        ]
    )
    return columns, jacobian, residual, weight, float(loss.sum() / 2.0)


def _line_block(problem: Problem, layout: Layout, state: State, seen: LineObservation) -> Block:
    camera = state.lenses[problem.lens_of_photo[seen.photo]]
    pose, line = state.poses[seen.photo], state.lines[seen.line]
    points, normals = line_foot(camera, pose, line, seen.px)
    in_camera = pose.to_camera(points)
    px, by_point, by_lens = project_with_derivatives(camera, in_camera)
    across = np.einsum("ni,nij->nj", normals, by_point)
    turned = in_camera - pose.translation_mm
    extra = 2 if seen.line else 0
    jac = np.empty((len(px), POSE + LENS + extra))
    jac[:, 0:3] = -np.einsum("nj,njk->nk", across, _cross_each(turned))
    jac[:, 3:6] = across
    jac[:, 6:15] = np.einsum("ni,nij->nj", normals, by_lens)
    columns = [
        _columns(layout.pose(seen.photo)),
        _columns(layout.lens(problem.lens_of_photo[seen.photo])),
    ]
    if extra:
        across_wall = across @ pose.rotation
        lever = points @ line.direction
        jac[:, 15] = across_wall @ line.normal * lever - across_wall @ line.direction * line.offset_mm
        jac[:, 16] = across_wall @ line.normal
        columns.append(_columns(layout.line(seen.line)))
    residual = np.einsum("ni,ni->n", normals, px - seen.px) / seen.sigma_px
    weight, loss = _huber(np.abs(residual))
    return np.concatenate(columns), jac / seen.sigma_px[:, None], residual, weight, float(loss.sum())


def _tape_block(layout: Layout, state: State, tape: TapeObservation) -> Block:
    apart = state.cards[tape.card_b].origin_mm - state.cards[tape.card_a].origin_mm
    length = float(np.linalg.norm(apart))
    towards = apart / length
    jac = np.concatenate([-towards, towards])[None] / TAPE_SIGMA_MM
    residual = np.array([(length - tape.length_mm) / TAPE_SIGMA_MM])
    columns = np.concatenate([_columns(layout.card(tape.card_a))[:3], _columns(layout.card(tape.card_b))[:3]])
    weight, loss = _huber(np.abs(residual))
    return columns, jac, residual, weight, float(loss.sum())


def _card_priors(problem: Problem, layout: Layout, j: int, card: CardState, scale: float) -> Iterable[Block]:
    columns = _columns(layout.card(j))
    up = -card.rotation[:, 2]
    tilt = up[:2] / CARD_TILT_RAD
    squared = float(tilt @ tilt)
    weight = np.full(2, 1.0 / (1.0 + squared / 9.0))
    yield columns[3:6], -cross_matrix(up)[:2] / CARD_TILT_RAD, tilt, weight, 9.0 * float(np.log1p(squared / 9.0))
    arm = card.rotation @ np.append(scale * problem.card_middle_mm, 0.0)
    height = np.array([(card.origin_mm[2] + arm[2] - problem.face_height_mm) / CARD_HEIGHT_MM])
    row = np.zeros((1, 6))
    row[0, 2] = 1.0
    row[0, 3:6] = -cross_matrix(arm)[2]
    weights, loss = _huber(np.abs(height))
    yield columns[:6], row / CARD_HEIGHT_MM, height, weights, float(loss.sum())
    curl = np.array([card.curl_mm / CARD_CURL_MM])
    yield columns[6:7], np.array([[1.0 / CARD_CURL_MM]]), curl, np.ones(1), float(curl[0] ** 2)


def _huber(size: Array) -> tuple[Array, Array]:
    """Weights and losses of Huber's function for standardised residual sizes."""
    inside = size <= HUBER
    weight = np.where(inside, 1.0, HUBER / np.maximum(size, HUBER))
    return weight, np.where(inside, size**2, 2.0 * HUBER * size - HUBER**2)


def _columns(piece: slice) -> Columns:
    return np.arange(piece.start, piece.stop)


def _cross_each(vectors: Array) -> Array:
    """[v]x for each row; (N, 3) to (N, 3, 3)."""
    out = np.zeros((len(vectors), 3, 3))
    out[:, 0, 1], out[:, 0, 2] = -vectors[:, 2], vectors[:, 1]
    out[:, 1, 0], out[:, 1, 2] = vectors[:, 2], -vectors[:, 0]
    out[:, 2, 0], out[:, 2, 1] = -vectors[:, 1], vectors[:, 0]
    return out


def residual_summary(
    problem: Problem, state: State
) -> tuple[dict[tuple[int, int], float], dict[tuple[int, int], float]]:
    """Root mean square residuals, px of one coordinate, of each card and each line in each photo."""
    corners, lines = {}, {}
    for seen in problem.card_seen:
        camera = state.lenses[problem.lens_of_photo[seen.photo]]
        points = card_points(state.cards[seen.card], state.scale, seen.board_mm)
        px, _, _ = project_with_derivatives(camera, state.poses[seen.photo].to_camera(points))
        corners[seen.photo, seen.card] = float(np.sqrt(np.mean((px - seen.px) ** 2)))
    for line in problem.line_seen:
        camera = state.lenses[problem.lens_of_photo[line.photo]]
        points, normals = line_foot(camera, state.poses[line.photo], state.lines[line.line], line.px)
        px, _, _ = project_with_derivatives(camera, state.poses[line.photo].to_camera(points))
        off = np.einsum("ni,ni->n", normals, px - line.px)
        lines[line.photo, line.line] = float(np.sqrt(np.mean(off**2)))
    return corners, lines


def _variance_factor(problem: Problem, corner_rms: dict[tuple[int, int], float]) -> float:
    """Mean squared standardised corner residual: 1 where the corners are as good as their sigma says."""
    terms = [((corner_rms[seen.photo, seen.card] / seen.sigma_px) ** 2, 2 * len(seen.px)) for seen in problem.card_seen]
    count = sum(n for _, n in terms)
    return sum(value * n for value, n in terms) / count if count else 1.0


def with_lines(state: State, lines: tuple[LineState, ...]) -> State:
    """The same state with other lines."""
    return replace(state, lines=lines)
