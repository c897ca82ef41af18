"""The normal equations of a run's adjustment: residuals, weights and analytic derivatives of all that was seen.

The corners of all cards seen through one lens are worked out together; each card in each photo is then a block of its
own in the equations.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, cross_matrix, project_with_derivatives
from sillwright.solve.state import (
    CARD,
    CARD_CURL_MM,
    CARD_HEIGHT_MM,
    CARD_TILT_RAD,
    LENS,
    POSE,
    TAPE_SIGMA_MM,
    CardState,
    Layout,
    Problem,
    State,
    TapeObservation,
    bow,
    line_feet,
)

HUBER = 2.5


def normal_equations(problem: Problem, layout: Layout, state: State) -> tuple[Array, Array, float]:
    """The matrix J'WJ (P, P), the gradient J'Wr (P,) and the cost, twice the sum of the losses, at a state."""
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
    for k in range(len(state.lenses)):
        yield from _corner_blocks(problem, layout, state, k)
        yield from _line_blocks(problem, layout, state, k)
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


def _corner_blocks(problem: Problem, layout: Layout, state: State, lens: int) -> Iterable[Block]:
    """A block for each card in each photo taken with a lens, the corners of all of them worked out at once."""
    every = [seen for seen in problem.card_seen if problem.lens_of_photo[seen.photo] == lens]
    if not every:
        return
    counts = [len(seen.px) for seen in every]
    which = np.repeat(np.arange(len(every)), counts)
    poses, cards = [state.poses[seen.photo] for seen in every], [state.cards[seen.card] for seen in every]
    view = np.array([pose.rotation for pose in poses])[which]
    shift = np.array([pose.translation_mm for pose in poses])[which]
    lie = np.array([card.rotation for card in cards])[which]
    origin = np.array([card.origin_mm for card in cards])[which]
    curl_mm = np.array([card.curl_mm for card in cards])[which]
    board = np.concatenate([seen.board_mm for seen in every])
    bowed = bow(board[:, 0])
    local = np.column_stack([state.scale * board, -curl_mm * bowed])
    arm = np.einsum("nij,nj->ni", lie, local)
    turned = np.einsum("nij,nj->ni", view, origin + arm)
    px, by_point, by_lens = project_with_derivatives(state.lenses[lens], turned + shift)
    by_wall = by_point @ view
    jac = np.empty((len(px), 2, POSE + CARD + LENS + 1))
    jac[:, :, 0:3] = -by_point @ _cross_each(turned)
    jac[:, :, 3:6] = by_point
    jac[:, :, 6:9] = by_wall
    jac[:, :, 9:12] = -by_wall @ _cross_each(arm)
    jac[:, :, 12] = np.einsum("nij,nj->ni", by_wall, lie[:, :, 2]) * -bowed[:, None]
    jac[:, :, 13:22] = by_lens
    jac[:, :, 22] = np.einsum("nij,njk,nk->ni", by_wall, lie[:, :, :2], board)
    sigma_px = np.array([seen.sigma_px for seen in every])[which]
    jac /= sigma_px[:, None, None]
    residual = (px - np.concatenate([seen.px for seen in every])) / sigma_px[:, None]
    weight, loss = _huber(np.linalg.norm(residual, axis=1))
    of_lens = [*_columns(layout.lens(lens)), layout.scale]
    ends = np.cumsum(counts)
    for seen, stop, count in zip(every, ends, counts, strict=True):
        rows = slice(stop - count, stop)
        columns = np.concatenate([_columns(layout.pose(seen.photo)), _columns(layout.card(seen.card)), of_lens])
        flat = jac[rows].reshape(2 * count, -1)
        yield columns, flat, residual[rows].ravel(), np.repeat(weight[rows], 2), float(loss[rows].sum())


def _line_blocks(problem: Problem, layout: Layout, state: State, lens: int) -> Iterable[Block]:
    """A block for each line in each photo taken with a lens, the points of all of them worked out at once."""
    every = [seen for seen in problem.line_seen if problem.lens_of_photo[seen.photo] == lens]
    if not every:
        return
    camera = state.lenses[lens]
    poses, lines = [state.poses[seen.photo] for seen in every], [state.lines[seen.line] for seen in every]
    points, in_camera, normals = line_feet(camera, poses, lines, [seen.px for seen in every])
    px, by_point, by_lens = project_with_derivatives(camera, in_camera)
    across = np.einsum("ni,nij->nj", normals, by_point)
    counts = [len(seen.px) for seen in every]
    shift = np.repeat([pose.translation_mm for pose in poses], counts, axis=0)
    jac = np.empty((len(px), POSE + LENS))
    jac[:, 0:3] = -np.einsum("nj,njk->nk", across, _cross_each(in_camera - shift))
    jac[:, 3:6] = across
    jac[:, 6:15] = np.einsum("ni,nij->nj", normals, by_lens)
    sigma_px = np.concatenate([seen.sigma_px for seen in every])
    jac /= sigma_px[:, None]
    residual = np.einsum("ni,ni->n", normals, px - np.concatenate([seen.px for seen in every])) / sigma_px
    weight, loss = _huber(np.abs(residual))
    for seen, pose, line, stop, count in zip(every, poses, lines, np.cumsum(counts), counts, strict=True):
        rows = slice(stop - count, stop)
        columns, own = [_columns(layout.pose(seen.photo)), _columns(layout.lens(lens))], jac[rows]
        if seen.line:
            across_wall = across[rows] @ pose.rotation
            lever = points[rows] @ line.direction
            turned = across_wall @ line.normal * lever - across_wall @ line.direction * line.offset_mm
            by_line = np.column_stack([turned, across_wall @ line.normal]) / sigma_px[rows, None]
            columns, own = [*columns, _columns(layout.line(seen.line))], np.hstack([own, by_line])
        yield np.concatenate(columns), own, residual[rows], weight[rows], float(loss[rows].sum())


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
