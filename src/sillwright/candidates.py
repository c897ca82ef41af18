"""Places that might have been bolts, each with what became of it: for looking at, not for the record."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sillwright.camera import Array

Why = Literal[
    "outline", "not-tried", "not-whole", "no-end", "few-photos", "no-foot", "scatter", "ribbed", "in-another", "flat",
    "off-wall", "other-run", "struck",
]  # fmt: skip
"""Why a place is none of a run's bolts.

outline : too little of a bolt's outline is seen; not-tried : too many better places came first
not-whole : in no photo whole; no-end, no-foot : the end, the foot is not seen
few-photos : too few of the photos agree on it; scatter : its edges do not fall in line
ribbed : it has the ribs of reinforcing bar; in-another : it would stand in a better one
flat : by parallax it lies flat; off-wall : beside the concrete; other-run : it is written down on the other run
struck : a person struck it out
"""

HARDLY_SEEN = ("outline", "not-tried")  # there are many of these, most of them of one thing


@dataclass(frozen=True)
class Dropped:
    """A place (7,) as in ``solve.axis.AxisFit``, wall frame, and why it is no bolt."""

    place: Array
    why: Why


@dataclass(frozen=True)
class Candidate:
    """One place in the frame of its run, X as station, millimetres.

    photos : files that show all of it; mark : of the bolt it became; doubts : the codes of that bolt's doubts
    why : for one that became none
    """

    run: str
    base_mm: tuple[float, float, float]
    tip_mm: tuple[float, float, float]
    radius_mm: float
    photos: tuple[str, ...]
    mark: str = ""
    doubts: tuple[str, ...] = ()
    why: Why | None = None
