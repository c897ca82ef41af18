"""Photos that do not fit the rest of their run: what is left over in them after the adjustment is too much.

The adjustment gives way to what does not fit, so one bad photo or a card that was moved does not spoil it at once; but
what it settled on must then be looked at.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sillwright.camera import Array
from sillwright.measure.block import Block
from sillwright.solve.axis import AxisFit
from sillwright.solve.state import CARD_HEIGHT_MM, CardState, card_points

# On rendered photos, right and wrong ones: the worst card in a photo had at most 1.5 times the usual residual in its
# own sigma, and a line traced where there was none 8 times.
CARD_TIMES_USUAL = 1.9
LINE_TIMES_USUAL, LINE_LEAST_PX = 2.5, 0.8
POOR_FIT_PX = 0.45
# Mean of the feet's levels, each held to 0.8 mm by its prior: on rendered photos 0.6 mm low at most, and 2.1 mm where
# the cards' 3 mm boards were not stated. A washer at the foot raises it, which says nothing of the cards.
LOW_FEET_MM, LEAST_FEET = 1.5, 2
# One foot alone, surely seen: on drawn and rendered photos done right 1.4 mm low at most, on a card on a 6 mm board
# 3.4, on boards all 5.3. Where others are seen that do not lie low it stands in a hollow of its own.
LOW_FOOT_MM = 2.7
# One foot, surely seen: 2.3 mm high at most where the thickness was right, 3.7 and more where 6 mm too much was stated.
HIGH_FOOT_MM, SURE_FOOT_MM = 3.2, 0.65
FOOT_SEEN_MM = 0.7  # sigma of a foot's level; with none of it seen it is that of its prior, 0.8 mm
CARD_TILT_LIMIT_DEG = 0.8
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


def feet_lie_low(fits: Sequence[AxisFit]) -> bool:
    """Whether bolts leave the concrete below where the cards say it is: cards on boards nobody spoke of."""
    sure = [fit for fit in fits if fit.covariance[6, 6] < SURE_FOOT_MM**2]
    if len(sure) == 1 and sure[0].parameters[6] < -LOW_FOOT_MM:
        return True
    if len(fits) < LEAST_FEET:
        return False
    level_mm = [float(fit.parameters[6]) for fit in fits]
    weights = [1.0 / float(fit.covariance[6, 6]) for fit in fits]
    return float(np.average(level_mm, weights=weights)) < -LOW_FEET_MM


def foot_stands_high(fits: Sequence[AxisFit]) -> bool:
    """Whether a bolt surely leaves the concrete above where the cards say it is: cards thinner than was stated."""
    return any(fit.parameters[6] > HIGH_FOOT_MM and fit.covariance[6, 6] < SURE_FOOT_MM**2 for fit in fits)


def no_foot_vouches(fits: Sequence[AxisFit]) -> bool:
    """Whether no bolt shows where it leaves the concrete: then nothing bears out how high the cards lie over it."""
    return bool(fits) and all(fit.covariance[6, 6] > FOOT_SEEN_MM**2 for fit in fits)


def card_tilt_deg(card: CardState) -> float:
    """How far a card's face is from level."""
    return float(np.degrees(np.arccos(np.clip(-card.rotation[2, 2], -1.0, 1.0))))


def has_no_plane(block: Block) -> bool:
    """Whether cards are tilted and no more of the others lie flat, so that which of them lie so is a guess.

    Two cards, one of them on a nub, fit either way about; the bolts' leans are off by the tilt if it is the wrong one.
    """
    tilted = sum(card_tilt_deg(card) > CARD_TILT_LIMIT_DEG for card in block.solution.state.cards)
    return 0 < len(block.numbers) - tilted <= tilted


def card_heights_mm(block: Block) -> Array:
    """How high the middle of each card's face stands over where a flat card's would, (cards,)."""
    state, problem = block.solution.state, block.problem
    middle = problem.card_middle_mm[None]
    return np.array([card_points(card, state.scale, middle)[0, 2] for card in state.cards]) - problem.face_height_mm
