"""A place of one run in the frame of the run it meets at a corner, for bolts that the neighbour's plate goes over.

At a corner one plate ends short and the other covers the wood's width beyond it, and in the next layer it is the other
way round. With the angle t between the lines, what stands ``u`` along the first line from the crossing and ``v`` into
the angle stands ``u cos t + v sin t`` along the second and ``u sin t - v cos t`` into the angle from it (plane
geometry: the second line's own axes are (cos t, sin t) and (sin t, -cos t)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from sillwright.judge.steps import own_u95_mm
from sillwright.plates.corners import Joint, Strip, Turn
from sillwright.survey import BoltRecord, BoltU95, CornerRecord, RunRecord


@dataclass(frozen=True)
class JointedCorner:
    """A corner that plates can be cut to: its two runs as it sees them, and how they meet."""

    record: CornerRecord
    turn: Turn
    joint: Joint
    strips: tuple[Strip, Strip]

    def other(self, run: str) -> str:
        """The run that ``run`` meets here."""
        return self.record.runs[1] if run == self.record.runs[0] else self.record.runs[0]

    def carry(self, bolt: BoltRecord, run: RunRecord, to_run: RunRecord) -> BoltRecord:
        """A bolt of ``run`` in the frame of the other one, its half-widths summed however they are correlated.

        The station's counts from the crossing, with the print scale of ``to_run`` put on top, as its own bolts have it.
        """
        own, other = self.strips if self.strips[0].name == run.name else self.strips[::-1]
        own_side, other_side = (math.copysign(1.0, strip.far_mm) for strip in (own, other))
        if bolt.station_mm is None or bolt.setback_mm is None:
            return bolt
        u_mm = own.away * (bolt.station_mm - own.crossing_mm)
        u, v = self._turned(u_mm, own_side * bolt.setback_mm)
        lean = (bolt.lean_along_mm, bolt.lean_across_mm)
        if lean[0] is not None and lean[1] is not None:
            along, across = self._turned(own.away * lean[0], own_side * lean[1])
            lean = (other.away * along, other_side * across)
        return replace(
            bolt,
            station_mm=other.crossing_mm + other.away * u,
            setback_mm=other_side * v,
            lean_along_mm=lean[0],
            lean_across_mm=lean[1],
            u95=self._widths(
                bolt,
                (u, v),
                _hypot(own_u95_mm(bolt, run.scale_u95_ratio), run.scale_u95_ratio * u_mm),
                to_run.scale_u95_ratio * (other.crossing_mm + other.away * u),
            ),
        )

    def _turned(self, u: float, v: float) -> tuple[float, float]:
        angle = math.radians(self.record.angle_deg or 0.0)
        return u * math.cos(angle) + v * math.sin(angle), u * math.sin(angle) - v * math.cos(angle)

    def _widths(self, bolt: BoltRecord, to_mm: tuple[float, float], along_mm: float | None, scale_mm: float) -> BoltU95:
        u95, angle_u95 = bolt.u95, math.radians(self.record.u95_deg or 0.0)
        # The place turns about the crossing by the angle's error: along by what it lies off the line, and across by
        # what it lies along it.
        station_mm, setback_mm = self._mixed(along_mm, u95.setback_mm)
        lean_along_mm, lean_across_mm = self._mixed(u95.lean_along_mm, u95.lean_across_mm)
        return replace(
            u95,
            station_mm=_hypot(None if station_mm is None else station_mm + abs(to_mm[1]) * angle_u95, scale_mm),
            setback_mm=None if setback_mm is None else setback_mm + abs(to_mm[0]) * angle_u95,
            lean_along_mm=lean_along_mm,
            lean_across_mm=lean_across_mm,
        )

    def _mixed(self, along: float | None, across: float | None) -> tuple[float | None, float | None]:
        if along is None or across is None:
            return None, None
        angle = math.radians(self.record.angle_deg or 0.0)
        cos, sin = abs(math.cos(angle)), abs(math.sin(angle))
        return along * cos + across * sin, along * sin + across * cos


def _hypot(u95_mm: float | None, scale_mm: float) -> float | None:
    return None if u95_mm is None else math.hypot(u95_mm, scale_mm)
