"""What a drilled hole leaves a bolt: how much lean, ± and marks take of it, and what lean passes a hole over the foot.

A plumb hole of diameter D goes through plates ``stack_mm`` thick in all; a straight bolt of diameter d stands in it.
At each height a leaning bolt is an ellipse of half length r / cos(lean), which lies in the hole where its middle is no
farther from the hole's than D / 2 less that. How far it is grows with height one way only, or falls and then grows, so
that the stack's two faces decide (geometry).

Half-widths are summed as they stand, which holds however foot, lean and both axes are correlated: what passes here
passes wherever in their 95 % intervals all of them lie. Lengths are mm, in the frame of the piece's run.
"""

from __future__ import annotations

import math

from scipy.optimize import brentq

from sillwright.judge.passes import slopes_of
from sillwright.survey import BoltRecord

Pair = tuple[float, float]


def taken_mm(bolt: BoltRecord, hole_mm: Pair, stack_mm: float, *, plumb: bool = False) -> float | None:
    """How much of (D - d) / 2 the bolt takes, at most, in a hole whose middle is marked at station and setback
    ``hole_mm``; the plate surely goes down where (D - d) / 2 is no less. None where a half-width is not known.

    plumb : the bolt is straightened first, or its lean is not known: it is judged as if it stood plumb on its foot
    """
    slopes = ((0.0, 0.0), (0.0, 0.0)) if plumb else slopes_of(bolt)
    return None if slopes is None else _taken_mm(bolt, hole_mm, stack_mm, *slopes)


def lean_over_foot_deg(bolt: BoltRecord, hole_mm: Pair, drill_mm: float, stack_mm: float) -> float | None:
    """The largest lean, the way the bolt leans now and no more than it does, at which it still surely passes a hole
    marked over its foot; 0 where it has to be plumb. None where its lean or the foot's half-widths are not known.

    The lean that is left is taken as exact: how well it is known, its own ± says.
    """
    slopes = slopes_of(bolt)
    if slopes is None or _taken_mm(bolt, hole_mm, stack_mm, (0.0, 0.0), (0.0, 0.0)) is None:
        return None
    along, across = slopes[0]
    play_mm = (drill_mm - bolt.diameter_mm) / 2.0

    def over_mm(share: float) -> float:
        taken = _taken_mm(bolt, hole_mm, stack_mm, (share * along, share * across), (0.0, 0.0))
        assert taken is not None
        return taken - play_mm

    if over_mm(0.0) >= 0.0:
        return 0.0
    share = 1.0 if over_mm(1.0) <= 0.0 else float(brentq(over_mm, 0.0, 1.0, xtol=1e-12))
    return math.degrees(math.atan(share * math.hypot(along, across)))


def _taken_mm(
    bolt: BoltRecord, hole_mm: Pair, stack_mm: float, slope: Pair, widths: tuple[float | None, float | None]
) -> float | None:
    foot, foot_u95 = (bolt.station_mm, bolt.setback_mm), (bolt.u95.station_mm, bolt.u95.setback_mm)
    off_mm: list[list[float]] = []
    for at_mm, at_u95_mm, hole, rise, rise_u95 in zip(foot, foot_u95, hole_mm, slope, widths, strict=True):
        if at_mm is None or at_u95_mm is None or rise_u95 is None:
            return None
        off_mm.append([abs(at_mm + rise * z - hole) + at_u95_mm + rise_u95 * z for z in (0.0, stack_mm)])
    steepest = math.hypot(*(abs(rise) + (rise_u95 or 0.0) for rise, rise_u95 in zip(slope, widths, strict=True)))
    wider_mm = bolt.diameter_mm / 2.0 * (math.hypot(1.0, steepest) - 1.0)
    return max(math.hypot(*face) for face in zip(*off_mm, strict=True)) + wider_mm
