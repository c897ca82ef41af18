"""Where else the end of a bolt may be than where a fit has it, its foot being known.

A foot on the concrete is found from many starts, and then the end that was found with it may be a nut's: whatever start
led there, no start need lead to the true one. So every place for the tip over the foot is weighed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sillwright.camera import Array
from sillwright.measure.starts import best_apart
from sillwright.see.edgefield import edge_field
from sillwright.solve.axis import AxisFit, BoltView
from sillwright.solve.climb import Glimpse, worth_of

OPEN_END_MM = 0.9  # sigma; on rendered photos 0.5 at most
OPEN_SHIFTS_MM = (-20.0, -10.0, 10.0, 20.0)
HEIGHTS_MM = np.arange(30.0, 146.0, 5.0)
ASIDE_STEP_MM = 3.5
LARGEST_LEAN = 0.25  # tip over height: 14 degrees
ELSEWHERE_MM = 6.0
WORTH_A_LOOK = 9.0  # nats behind the end that was found: half a step off its place one can show so much less
WORTH_ANOTHER_PHOTO = 12.0
MOST_LOOKED_AT, MOST_ENDS = 12, 3
NEARER_MM = np.stack(np.meshgrid((-1.2, 0.0, 1.2), (-1.2, 0.0, 1.2), (-2.5, 0.0, 2.5)), axis=-1).reshape(-1, 3)


def open_ends(fit: AxisFit) -> list[Array]:
    """Places (7,) where the end may be of a bolt whose photos leave it open: from one side only, many heights look
    alike."""
    spread, axes = np.linalg.eigh(fit.covariance[2:5, 2:5])
    if spread[-1] < OPEN_END_MM**2 or abs(axes[2, -1]) < 0.1:
        return []
    rise = axes[:, -1] / axes[2, -1]
    return [fit.parameters + np.concatenate([[0.0, 0.0], shift_mm * rise, [0.0, 0.0]]) for shift_mm in OPEN_SHIFTS_MM]


def ends_elsewhere(views: Sequence[BoltView], fit: AxisFit, chamfer_mm: float) -> list[Array]:
    """Places (7,) to climb from, best first, whose ends show as clearly as the fit's own, or nearly, over its foot."""
    rows = np.repeat(fit.parameters[None], 1 + len(_OVER_A_FOOT), axis=0)
    rows[1:, 2:5] = _OVER_A_FOOT + fit.base_mm
    worth: Array = np.zeros(len(rows))
    for view in views:
        # Most of them are bare concrete in one photo, and need no look at the others.
        left = worth >= worth[0] - WORTH_ANOTHER_PHOTO
        worth[left] += worth_of([_coarser(view)], rows[left], chamfer_mm)[0]
        worth[~left] = -np.inf
    clear = worth >= worth[0] - WORTH_A_LOOK
    rough = _apart(rows[clear], worth[clear], fit, MOST_LOOKED_AT)
    if not len(rough):
        return []
    near = np.repeat(rough, len(NEARER_MM), axis=0)
    near[:, 2:5] += np.tile(NEARER_MM, (len(rough), 1))
    worth, _ = worth_of([view.fine for view in views], near, chamfer_mm)
    return list(_apart(near, worth, fit, MOST_ENDS))


def _apart(rows: Array, worth: Array, fit: AxisFit, most: int) -> Array:
    """The best of rows (N, 7) whose ends lie apart from the fit's own and from each other's."""
    elsewhere = np.linalg.norm(rows[:, 2:5] - fit.tip_mm, axis=1) > ELSEWHERE_MM
    rows, worth = rows[elsewhere], worth[elsewhere]
    return np.asarray(rows[best_apart(rows[:, 2:5], worth, ELSEWHERE_MM, most)])


def _over_a_foot() -> Array:
    """Tips, (N, 3), of every height and lean over a foot at the origin."""
    tips = []
    for height_mm in HEIGHTS_MM:
        reach = LARGEST_LEAN * height_mm
        step = np.arange(-reach, reach + 0.1, ASIDE_STEP_MM)
        x, y = (part.ravel() for part in np.meshgrid(step, step))
        tips.append(np.column_stack([x, y, np.full(x.size, height_mm)])[np.hypot(x, y) <= reach])
    return np.concatenate(tips)


_OVER_A_FOOT = _over_a_foot()


def _coarser(view: BoltView) -> Glimpse:
    """The view with its edges on cells twice as wide, between which an end is not lost."""
    patch = view.patch
    field = edge_field(patch.gray, patch.usable, patch.origin_px, 0.5 * view.fine.field.scale)
    return replace(view.fine, field=field)
