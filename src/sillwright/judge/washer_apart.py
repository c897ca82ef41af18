"""Two washers side by side on one plate: do they lie clear of each other, each centred on its bolt?

IRC R403.1.6 (2018 to 2024, second-hand) asks for a nut and washer on each bolt, and R602.11.1 (from memory) for square
plate washers in earthquake country. No section was read that says that one may not lie on the other; no nut bears flat
then: common practice, no source. Square washers are taken to lie square to the plate.
"""

from __future__ import annotations

import math
from typing import Literal

from sillwright.judge.verdicts import TOUCHES_MM, Verdict

Shape = Literal["square", "round"]


def washers_apart(
    step_mm: tuple[float, float], u95_mm: tuple[float | None, float | None], washer_mm: float, shape: Shape
) -> tuple[float, Verdict]:
    """The gap between two washers of one size, negative where they lie over each other, and whether they lie clear.

    step_mm : from bolt to bolt where they come out of the plate, along the wall and across it, with ``u95_mm``; where a
    half-width is not known nothing is claimed of a pair that seems to lie over each other, and a gap passes as it is
    washer_mm : the side of a square washer, the diameter of a round one
    """
    known_mm = u95_mm[0] or 0.0, u95_mm[1] or 0.0
    if shape == "square":
        gaps = [(abs(step) - washer_mm, width) for step, width in zip(step_mm, known_mm, strict=True)]
    else:
        gaps = [(math.hypot(*step_mm) - washer_mm, math.hypot(*known_mm))]
    gap_mm = max(gap for gap, _ in gaps)
    if any(gap - width >= -TOUCHES_MM for gap, width in gaps):
        return gap_mm, "meets"
    surely = None not in u95_mm and all(gap + width < -TOUCHES_MM for gap, width in gaps)
    return gap_mm, "does not" if surely else "cannot tell"
