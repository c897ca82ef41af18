"""What another lens under some photos of an adjusted run would cost: which of two took each, and was it zoomed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sillwright.camera import Array
from sillwright.solve.adjust import Solution
from sillwright.solve.equations import normal_equations
from sillwright.solve.state import LENS, Layout, Problem

LOOSE = 1e12  # a prior variance that holds no lens number anywhere


def cost_of_moves(problem: Problem, solution: Solution, moves: Array) -> tuple[Array, Array]:
    """How the cost of an adjustment changes where photos' lenses are moved and all else is adjusted again.

    To second order, with all but the lenses eliminated from the normal equations (the reduced system of Brown, *The
    Bundle Adjustment*, 1976). Photos marked by x (n,), 1 where moved, cost ``g @ x + x @ H @ x`` more.

    Parameters
    ----------
    moves : (n, 9) the move of each photo's lens numbers

    Returns
    -------
    g (n,) and H (n, n), for the cost in chi-squared, over the variance factor where that is above 1.
    """
    state, photos = solution.state, len(solution.state.poses)
    lenses = tuple(state.lenses[k] for k in problem.lens_of_photo)
    loose = np.diag(np.full(LENS, LOOSE))
    apart = replace(
        problem, lens_of_photo=tuple(range(photos)), lens_prior=tuple((lens.parameters, loose) for lens in lenses)
    )
    layout = Layout(photos, len(state.cards), photos, len(state.lines))
    normal, gradient, _ = normal_equations(apart, layout, replace(state, lenses=lenses))
    of_lenses = np.r_[layout.lens(0).start : layout.lens(photos - 1).stop]
    rest = np.setdiff1d(np.arange(layout.size), of_lenses)
    carried = np.linalg.solve(normal[np.ix_(rest, rest)], normal[np.ix_(rest, of_lenses)])
    reduced = normal[np.ix_(of_lenses, of_lenses)] - normal[np.ix_(of_lenses, rest)] @ carried
    slope = gradient[of_lenses] - carried.T @ gradient[rest]
    spread = np.zeros((photos * LENS, photos))
    for i, move in enumerate(moves):
        spread[LENS * i : LENS * (i + 1), i] = move
    noise = max(1.0, solution.variance_factor)
    return 2.0 * slope @ spread / noise, spread.T @ reduced @ spread / noise


def cheapest(slope: Array, curvature: Array) -> tuple[Array, Array]:
    """The cheapest choice x of 0 or 1 for each photo of ``slope @ x + x @ curvature @ x``, and the margins.

    Descends one photo at a time from all 0 and from all 1. The margins (n,) say how much more the other choice of each
    photo costs, the rest as chosen.
    """
    best: tuple[float, Array, Array] | None = None
    for start in (0.0, 1.0):
        x = np.full(len(slope), start)
        while True:
            off = 2.0 * curvature @ x - np.diag(curvature) * (2.0 * x - 1.0) + slope
            margins = np.where(x > 0.5, -off, off)
            worst = int(np.argmin(margins))
            if margins[worst] >= 0.0:
                break
            x[worst] = 1.0 - x[worst]
        cost = float(slope @ x + x @ curvature @ x)
        if best is None or cost < best[0]:
            best = (cost, x, margins)
    assert best is not None
    return best[1], best[2]


def zoomed_sigmas(problem: Problem, solution: Solution) -> tuple[float, Array]:
    """By how many sigmas cards and line want another focal length: of all photos alike, and of each alone, (n,).

    A good profile holds the focal length, whatever the photos say: a zoomed photo is fitted by a camera held higher,
    with hardly more left over. So the zoom is let go, to second order, and held against what was known of it.
    """
    priors = [problem.lens_prior[k] for k in problem.lens_of_photo]
    moves = np.array([[*mean[:2], *np.zeros(LENS - 2)] for mean, _ in priors])
    known = np.array([covariance[0, 0] / mean[0] ** 2 for mean, covariance in priors])
    slope, curvature = cost_of_moves(problem, solution, moves)
    alike = _sigmas(float(slope.sum()), float(curvature.sum()), float(known.max()))
    each = zip(slope, np.diag(curvature), known, strict=True)
    return alike, np.array([_sigmas(*one) for one in each])


def _sigmas(slope: float, curvature: float, known: float) -> float:
    """Where ``slope x + curvature x x`` is least, over the sigma of that place and of what was known together."""
    curvature = max(curvature, 1e-12)  # nothing is told: no sigma of it
    return float(-slope / (2.0 * curvature) / np.sqrt(1.0 / curvature + known))
