"""How well the length of a run's plates is known between its ends, where one of them is a corner.

Bolts have no share in it: a plate cut to a corner is as long as the print scale, the angle and the crossing of the two
chalk lines say, however its bolts are known. An end whose station the job file states is where it states it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from sillwright.lengths import MM_PER_INCH
from sillwright.plates.findings import PlanFinding
from sillwright.plates.record import RunEnd
from sillwright.survey import RunRecord

# Layout is held to 1/8 in under 10 ft (*Handbook of Construction Tolerances*, second-hand).
LENGTH_UNSURE_MM = MM_PER_INCH / 8.0


def length_u95_mm(run: RunRecord, ends: tuple[RunEnd, RunEnd]) -> float | None:
    """Half-width of the length along the chalk-line edge, of the layer where it is largest: the print scale counts over
    the length, and what else both ends are known to is summed. None where no end is a corner, or one is not known."""
    if not any(end.kind == "corner" for end in ends):
        return None
    widths_mm = []
    for low, high in zip(ends[0].layers, ends[1].layers, strict=True):
        own_mm = [0.0 if one.joint == "square" else one.u95_mm for one in (low, high)]
        if own_mm[0] is None or own_mm[1] is None:
            return None
        widths_mm.append(math.hypot(own_mm[0] + own_mm[1], run.scale_u95_ratio * (high.station_mm - low.station_mm)))
    return max(widths_mm, default=None)


def of_length(run: RunRecord, ends: tuple[RunEnd, RunEnd], *, planned: bool) -> Iterator[PlanFinding]:
    """A length that is not known to what layout is held to, by what leaves it open most: the print scale, for which a
    tape between cards helps, or the corners, for which it does not."""
    if not planned or not any(end.kind == "corner" for end in ends):
        return
    by_scale_mm = run.scale_u95_ratio * (ends[1].layers[0].station_mm - ends[0].layers[0].station_mm)
    if by_scale_mm > LENGTH_UNSURE_MM:
        yield PlanFinding("length-unsure", run=run.name, value_mm=by_scale_mm, key="[[run.tape]]")
    u95_mm = length_u95_mm(run, ends)
    by_corners_mm = None if u95_mm is None else math.sqrt(max(u95_mm**2 - by_scale_mm**2, 0.0))
    if u95_mm is None or by_corners_mm is None:
        yield PlanFinding("crossing-unsure", run=run.name)
    elif by_corners_mm > LENGTH_UNSURE_MM or (u95_mm > LENGTH_UNSURE_MM >= by_scale_mm):
        yield PlanFinding("crossing-unsure", run=run.name, value_mm=u95_mm)
