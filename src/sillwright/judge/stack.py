"""Whether enough bolt stands out of the concrete for all that goes over it.

Sealer, plates, plate washer, washer, nut, and threads showing beyond the nut, on top of each other at their thickest.
IRC R403.1.6 (2018 to 2024, second-hand) asks for a nut and washer on each bolt and says nothing of threads beyond it:
two are common practice, no source (a Japanese public-works specification for column bases asks for three).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sillwright.fasteners import BoltSize
from sillwright.judge.rules import RuleSet, Source
from sillwright.judge.verdicts import Check, verdict_of
from sillwright.lengths import MM_PER_INCH
from sillwright.survey import BoltRecord

SEALER_MM = MM_PER_INCH / 8.0  # squeezed under a plate; sources say 1/16 to 1/8 in (from memory)
THREADS_SHOWING = 2
STACK_SOURCE = Source("common practice, no source", "", "", "memory")

# The thickest washer of each size: ASME B18.21.1 Type A wide (3/4 in from memory), ISO 7089 (from memory).
# ``fasteners`` holds the nominal thickness.
_WASHER_THICKEST_MM = {
    "1/2-13 UNC": 0.132 * MM_PER_INCH,
    "5/8-11 UNC": 0.160 * MM_PER_INCH,
    "3/4-10 UNC": 0.177 * MM_PER_INCH,
    "M12x1.75": 2.7,
    "M16x2": 3.3,
}


@dataclass(frozen=True)
class Stack:
    """What goes over a bolt, in mm along it; 0 for what is left out."""

    sealer_mm: float
    plates_mm: float
    plate_washer_mm: float
    washer_mm: float
    nut_mm: float
    threads_mm: float

    @property
    def height_mm(self) -> float:
        """From the concrete to the tip a bolt must have."""
        return self.sealer_mm + self.plates_mm + self.plate_washer_mm + self.washer_mm + self.nut_mm + self.threads_mm


def stack_over(
    size: BoltSize,
    plates_mm: float,
    rules: RuleSet,
    *,
    sealer_mm: float = SEALER_MM,
    threads_showing: int = THREADS_SHOWING,
) -> Stack:
    """The stack over a bolt of this size; a plate washer, where the rules ask for one, lies under the cut washer."""
    plate_washer = rules.plate_washer_asked
    return Stack(
        sealer_mm=sealer_mm,
        plates_mm=plates_mm,
        plate_washer_mm=0.0 if plate_washer is None else plate_washer.thickness_mm,
        washer_mm=_WASHER_THICKEST_MM[size.name],
        nut_mm=size.nut_thickness_mm,
        threads_mm=threads_showing * size.pitch_mm,
    )


def stick_up(bolt: BoltRecord, stack: Stack) -> Check:
    """The stick-up against the stack; a bolt that leans runs through more of it, by 1 over the cosine of its lean.

    That nut and washer go on each bolt: IRC 2018 to 2024 R403.1.6 (second-hand); how much must stick out for them, with
    two threads beyond the nut: common practice, no source.
    """
    limit_mm = stack.height_mm
    if bolt.lean_deg is not None:
        limit_mm /= math.cos(math.radians(bolt.lean_deg))
    verdict = verdict_of(bolt.stickup_mm, bolt.u95.stickup_mm, limit_mm, "at least")
    return Check(
        key="stick-up",
        subject=bolt.mark,
        verdict="cannot tell" if bolt.status == "reshoot" else verdict,
        measured_mm=bolt.stickup_mm,
        u95_mm=bolt.u95.stickup_mm,
        limit_mm=limit_mm,
        source=STACK_SOURCE,
        doubtful=bolt.status != "ok",
    )
