"""One piece of sill plate as it is cut and drilled, in millimetres and degrees.

Along a run X is station, the chalk-line edge of the plate is Y = 0 and its other edge Y = its width. A piece is
measured from its *low end*, the end at the lower station, along the chalk-line edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

HoleDoubt = Literal[
    "record-check",  # the bolt is ``check`` in the record
    "cannot-tell",  # whether the bolt passes the hole as it stands cannot be told
    "near-plate-edge",  # the hole may break out of the plate's edge
    "little-edge",  # the bolt stands, or may stand, nearer the plate's edge than the rule set asks
    "no-lean",  # the lean is not known: the hole is over the bolt's foot
    "straighten-first",  # the hole is where the bolt will stand once it is straightened
    "angle-unsure",  # brought over from the neighbouring run by a corner that is ``check``
]


@dataclass(frozen=True)
class Hole:
    """One hole: its middle from the low end along the chalk-line edge, and from that edge; the drill; what is doubtful.

    u95_along_mm, u95_across_mm : half-widths of the 95 % intervals of the bolt's place in the piece, about the two
    figures given here (what they were rounded by is in it); None where not known
    taken_mm : how much of the room round the bolt, each way, lean, half-widths and rounding take together, at most
    (``judge/room.py``): the plate surely goes down where that is no more than (drill - bolt) / 2; as if the bolt
    stood plumb where it is straightened first or its lean is not known. None where a half-width is not known
    lean_left_deg : of a bolt that is straightened first, the lean at which it still surely passes this hole
    doubts : what else speaks against drilling before taping
    """

    mark: str
    from_low_end_mm: float
    from_line_mm: float
    drill_mm: float
    u95_along_mm: float | None = None
    u95_across_mm: float | None = None
    doubts: tuple[HoleDoubt, ...] = ()
    taken_mm: float | None = None
    lean_left_deg: float | None = None


@dataclass(frozen=True)
class PlatePiece:
    """One piece of one layer (1 lies on the concrete).

    low_mm, high_mm : stations of its ends on the chalk-line edge
    low_cut_deg, high_cut_deg : how far each end is cut off square, positive where the edge away from the chalk line is
    the longer one at that end
    """

    name: str
    run: str
    layer: int
    low_mm: float
    high_mm: float
    width_mm: float
    thickness_mm: float
    low_cut_deg: float = 0.0
    high_cut_deg: float = 0.0
    holes: tuple[Hole, ...] = ()

    @property
    def line_edge_mm(self) -> float:
        """Length along the chalk-line edge."""
        return self.high_mm - self.low_mm

    @property
    def far_edge_mm(self) -> float:
        """Length along the other edge."""
        return self.line_edge_mm + self.width_mm * sum(
            math.tan(math.radians(cut)) for cut in (self.low_cut_deg, self.high_cut_deg)
        )

    @property
    def longest_mm(self) -> float:
        """From long point to long point, square along the piece: what the stock must be at least."""
        low_mm, high_mm = (self.width_mm * math.tan(math.radians(cut)) for cut in (self.low_cut_deg, self.high_cut_deg))
        return self.line_edge_mm + max(0.0, low_mm) + max(0.0, high_mm)
