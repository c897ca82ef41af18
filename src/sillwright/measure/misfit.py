"""Photos that do not fit the rest of their run: what is left over in them after the adjustment is too much.

The adjustment gives way to what does not fit, so one bad photo or a card that was moved does not spoil it at once; but
what it settled on must then be looked at.
"""

from __future__ import annotations

import numpy as np

from sillwright.camera import Array
from sillwright.measure.block import Block
from sillwright.solve.state import CARD_HEIGHT_MM, card_points

# On rendered photos, right and wrong ones: the worst card in a photo had at most 1.5 times the usual residual in its
# own sigma, and a line traced where there was none 8 times.
CARD_TIMES_USUAL = 1.9
LINE_TIMES_USUAL, LINE_LEAST_PX = 2.5, 0.8
POOR_FIT_PX = 0.45
SUNK_SIGMAS = 4.0  # a card may stand on a chip of something, but not in the concrete


def misfits(block: Block) -> tuple[int, ...]:
    """The photos (indices) that do not fit."""
    solution, problem = block.solution, block.problem
    sigma_px = {(seen.photo, seen.card): seen.sigma_px for seen in problem.card_seen}
    shares = {at: rms / sigma_px[at] for at, rms in solution.corner_rms.items()}
    usual = max(1.0, float(np.median(list(shares.values()))))
    out = {
        photo
        for (photo, card), rms in solution.corner_rms.items()
        if rms > POOR_FIT_PX or shares[photo, card] > CARD_TIMES_USUAL * usual
    }
    lines = solution.line_rms_px
    if lines:
        limit_px = max(LINE_LEAST_PX, LINE_TIMES_USUAL * float(np.median(list(lines.values()))))
        out |= {photo for (photo, _), rms in lines.items() if rms > limit_px}
    sunk = {j for j, height in enumerate(card_heights_mm(block)) if height < -SUNK_SIGMAS * CARD_HEIGHT_MM}
    out |= {seen.photo for seen in problem.card_seen if seen.card in sunk}
    return tuple(sorted(out))


def card_heights_mm(block: Block) -> Array:
    """How high the middle of each card's face stands over where a flat card's would, (cards,)."""
    state, problem = block.solution.state, block.problem
    middle = problem.card_middle_mm[None]
    return np.array([card_points(card, state.scale, middle)[0, 2] for card in state.cards]) - problem.face_height_mm
