"""Does a foundation's outline close, is it square, and do its taped lengths agree with each other?

Lengths are millimetres, angles degrees; frames are those of ``plates.traverse``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from sillwright.errors import JobError
from sillwright.lengths import INCHES_PER_FOOT, MM_PER_INCH
from sillwright.plates.corners import Turn
from sillwright.plates.traverse import U95, Adjusted, CornerAngle, Outline, adjust, walk
from sillwright.survey import CornerRecord

OVER_MM = 20.0 * INCHES_PER_FOOT * MM_PER_INCH
# A carpenter's book gives about 1/4 in over 20 ft (its scan is damaged here). Published limits run from 0.15 in
# (*Handbook of Construction Tolerances*) to 1.04 in (NAHB: 12-16-20 ft with 1/2 in), so the crew sets its own.
OUT_OF_SQUARE_MM = MM_PER_INCH / 4.0
_DESIGN_U95_DEG = 1e-4  # as good as exact beside any tape


@dataclass(frozen=True)
class Closure:
    """How far a walk round the outline ends from where it began.

    angle_deg : sum of the inside angles less (n - 2) 180. It is shared out among the angles by their variances before
    dx_mm and dy_mm are reckoned. one_in : perimeter over the error, None where it closes exactly.
    """

    angle_deg: float
    dx_mm: float
    dy_mm: float
    error_mm: float
    perimeter_mm: float
    one_in: float | None


@dataclass(frozen=True)
class Diagonal:
    """What a diagonal should read where every corner is as drawn, what was read, and the 95 % interval of each."""

    from_corner: str
    to_corner: str
    should_mm: float
    should_u95_mm: float
    read_mm: float | None
    read_u95_mm: float | None


@dataclass(frozen=True)
class Squareness:
    """One corner against the drawing. ``off_mm``: how far a wall ``over_mm`` long swings out at its end."""

    corner: str
    angle_deg: float
    u95_deg: float
    off_deg: float
    off_mm: float
    off_u95_mm: float
    verdict: Literal["as drawn", "out", "cannot tell"]


@dataclass(frozen=True)
class DiagonalCheck:
    """Four walls and two diagonals, which are one reading more than a quadrilateral needs.

    expected_mm : the second diagonal by the walls and the first; over_mm : how much more was read, with its u95
    squares_mm2 : squares of the walls less squares of the diagonals. It is four times the square of the distance
    between the diagonals' middles (Euler 1748, from memory): zero in a parallelogram, below zero in no quadrilateral
    """

    expected_mm: float
    read_mm: float
    over_mm: float
    over_u95_mm: float
    squares_mm2: float
    consistent: bool


def corner_angle(name: str, corner: CornerRecord, turn: Turn) -> CornerAngle:
    """A measured corner as an angle inside the building. Raises JobError where it has no angle or interval."""
    if corner.angle_deg is None or corner.u95_deg is None or corner.status == "reshoot":
        raise JobError(f"corner {name}: it was not measured. Photograph it again, or leave its angle out.")
    return CornerAngle(name, corner.angle_deg if turn == "outside" else 360.0 - corner.angle_deg, corner.u95_deg)


def closure(outline: Outline) -> Closure:
    """The closing error of an outline with every wall taped and every corner's angle known.

    Raises JobError naming a wall or corner that is missing.
    """
    n = len(outline.corners)
    known = {one.corner: one for one in outline.angles}
    for name in outline.corners:
        if name not in known:
            raise JobError(f"corner {name}: its angle is missing, so the closing error is not known. Measure it.")
    angles = [known[name] for name in outline.corners]
    excess_deg = sum(one.angle_deg for one in angles) - (n - 2) * 180.0
    weight = sum(one.u95_deg**2 for one in angles)
    balanced_deg = [one.angle_deg - excess_deg * one.u95_deg**2 / weight for one in angles]
    walls_mm = [outline.wall_mm(k) for k in range(n)]
    end_mm = walk(walls_mm, balanced_deg)[-1]
    error_mm, around_mm = float(np.hypot(*end_mm)), sum(walls_mm)
    closes = error_mm <= 1e-9 * around_mm
    return Closure(
        excess_deg, float(end_mm[0]), float(end_mm[1]), error_mm, around_mm, None if closes else around_mm / error_mm
    )


def diagonals(outline: Outline, drawn_deg: Sequence[float] | None = None) -> tuple[Diagonal, ...]:
    """What each diagonal should be by the taped walls and the drawn angles, in the order of the corners.

    ``drawn_deg`` are the drawing's inside angles in that order; None means a four-cornered outline with square corners.
    """
    drawn = _drawn_deg(outline, drawn_deg)
    n = len(outline.corners)
    ring = {frozenset(pair) for pair in pairwise([*outline.corners, outline.corners[0]])}
    walls = tuple(one for one in outline.taped if frozenset((one.from_corner, one.to_corner)) in ring)
    exact = tuple(CornerAngle(name, deg, _DESIGN_U95_DEG) for name, deg in zip(outline.corners, drawn, strict=True))
    as_drawn = adjust(Outline(outline.corners, walls, exact))
    found = []
    for i in range(n):
        for j in range(i + 2, n if i else n - 1):
            pair = outline.corners[i], outline.corners[j]
            read_mm, sigma_mm = outline.taped_mm(*pair) or (None, None)
            read_u95_mm = None if sigma_mm is None else U95 * sigma_mm
            found.append(Diagonal(*pair, *as_drawn.distance_mm(*pair), read_mm, read_u95_mm))
    return tuple(found)


def squareness(
    outline: Outline,
    adjusted: Adjusted,
    drawn_deg: Sequence[float] | None = None,
    *,
    limit_mm: float = OUT_OF_SQUARE_MM,
    over_mm: float = OVER_MM,
) -> tuple[Squareness, ...]:
    """Each corner against the drawing, by the adjusted outline.

    A corner is ``out`` or ``as drawn`` only where its whole 95 % interval is, and no corner is told of where the
    readings do not agree with each other: which corner looks out then hangs on which reading is wrong.
    """
    found = []
    for name, drawn in zip(outline.corners, _drawn_deg(outline, drawn_deg), strict=True):
        angle_deg, u95_deg = adjusted.angle_deg(name)
        off_deg = angle_deg - drawn
        off_mm, off_u95_mm = (over_mm * math.sin(math.radians(deg)) for deg in (off_deg, u95_deg))
        verdict: Literal["as drawn", "out", "cannot tell"] = "cannot tell"
        if adjusted.consistent is not False:
            if abs(off_mm) - off_u95_mm > limit_mm:
                verdict = "out"
            elif abs(off_mm) + off_u95_mm <= limit_mm:
                verdict = "as drawn"
        found.append(Squareness(name, angle_deg, u95_deg, off_deg, off_mm, off_u95_mm, verdict))
    return tuple(found)


def check_diagonals(outline: Outline) -> DiagonalCheck:
    """Whether any quadrilateral has these four walls and these two diagonals.

    Raises JobError where a length is missing, or a triangle of walls and first diagonal cannot be laid out.
    """
    if len(outline.corners) != 4:
        raise JobError("both diagonals check each other on an outline of four corners only.")
    a, b, c, d = outline.corners
    pairs = ((a, b), (b, c), (c, d), (d, a), (a, c), (b, d))
    values_mm, sigmas_mm = [], []
    for pair in pairs:
        read = outline.taped_mm(*pair)
        if read is None:
            raise JobError(f"corner {pair[0]} to corner {pair[1]} was not taped. Tape it to check the diagonals.")
        values_mm.append(read[0])
        sigmas_mm.append(read[1])
    expected_mm = _second_diagonal_mm(outline.corners, values_mm[:5])
    over_mm = values_mm[5] - expected_mm
    variance = sigmas_mm[5] ** 2
    for k in range(5):
        step_mm = 1e-4 * sigmas_mm[k]
        moved = [value + (step_mm if i == k else 0.0) for i, value in enumerate(values_mm[:5])]
        slope = (_second_diagonal_mm(outline.corners, moved) - expected_mm) / step_mm
        variance += (slope * sigmas_mm[k]) ** 2
    u95_mm = U95 * math.sqrt(variance)
    squares = sum(v**2 for v in values_mm[:4]) - values_mm[4] ** 2 - values_mm[5] ** 2
    return DiagonalCheck(expected_mm, values_mm[5], over_mm, u95_mm, squares, abs(over_mm) <= u95_mm)


def _second_diagonal_mm(corners: Sequence[str], lengths_mm: Sequence[float]) -> float:
    """BD of the convex quadrilateral with walls AB, BC, CD, DA and diagonal AC."""
    ab, bc, cd, da, ac = lengths_mm
    a, b, c, d = corners
    x_b, x_d = (ac**2 + ab**2 - bc**2) / (2 * ac), (ac**2 + da**2 - cd**2) / (2 * ac)
    y_b, y_d = ab**2 - x_b**2, da**2 - x_d**2
    for square, corner in ((y_b, b), (y_d, d)):
        if square <= 0.0:
            raise JobError(
                f"the walls at corner {corner} and the diagonal from {a} to {c} make no triangle. Tape the three again."
            )
    return math.hypot(x_b - x_d, math.sqrt(y_b) + math.sqrt(y_d))


def _drawn_deg(outline: Outline, drawn_deg: Sequence[float] | None) -> Sequence[float]:
    n = len(outline.corners)
    if drawn_deg is None and n != 4:
        raise JobError("an outline that has not four corners needs the drawing's angle at each. Give them in order.")
    drawn = [90.0] * 4 if drawn_deg is None else drawn_deg
    if len(drawn) != n or abs(sum(drawn) - (n - 2) * 180.0) > 0.01:
        raise JobError(f"the drawing's angles must be one a corner and add up to {(n - 2) * 180} degrees. Check them.")
    return drawn
