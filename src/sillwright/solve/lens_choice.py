"""What another lens under some photos of an adjusted run would cost: which of two lenses took each."""

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
