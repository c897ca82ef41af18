"""Which bolts lean too far, how far each tip must come, and which way.

The limit is a slope of 1 in 20 (2.86 degrees): beyond it the face a nut bears on wants a bevelled washer (RCSC, by way
of AISC FAQ 6.10.1). That is a figure for nuts in steel work. No source gives a limit for straightening sill bolts, so
this is advice about where a nut stops bearing flat, and no acceptance figure. The ceiling of 45 degrees is what AISC
Design Guide 1, 2nd ed., is quoted as allowing for field bending of Grade 36 rods.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from sillwright.survey import BoltRecord

NUT_BEARS_FLAT_DEG = math.degrees(math.atan(1.0 / 20.0))
FIELD_BEND_CEILING_DEG = 45.0

Verdict = Literal["straighten", "leave", "cannot tell", "engineer"]
WayAcross = Literal["toward the chalk line", "away from the chalk line"]
WayAlong = Literal["toward higher stations", "toward lower stations"]


@dataclass(frozen=True)
class Straightening:
    """What one bolt's lean asks for. The tip must move by minus its lean; lengths level, in the run frame.

    ``way_across`` and ``way_along`` are None where that part of the lean is within its own 95 % interval, so that its
    direction is not known. ``turn_deg`` is the way the tip must move seen in plan: 0 toward higher stations, 90 toward
    the plate's side of the chalk line (+Y), in (-180, 180]; whether +Y lies left or right is the run's handedness.
    """

    mark: str
    verdict: Verdict
    lean_deg: float
    lean_u95_deg: float | None
    limit_deg: float
    tip_move_mm: float
    tip_move_u95_mm: float | None
    move_along_mm: float
    move_across_mm: float
    way_along: WayAlong | None
    way_across: WayAcross | None
    turn_deg: float


def straightening(bolt: BoltRecord, limit_deg: float = NUT_BEARS_FLAT_DEG) -> Straightening | None:
    """Decide for one bolt with its interval; None where it has no lean to rely on (none given, or ``reshoot``)."""
    along_mm, across_mm, lean_deg = bolt.lean_along_mm, bolt.lean_across_mm, bolt.lean_deg
    if bolt.status == "reshoot" or along_mm is None or across_mm is None or lean_deg is None:
        return None
    move_along_mm, move_across_mm = 0.0 - along_mm, 0.0 - across_mm
    return Straightening(
        mark=bolt.mark,
        verdict=_verdict(bolt, lean_deg, limit_deg),
        lean_deg=lean_deg,
        lean_u95_deg=bolt.u95.lean_deg,
        limit_deg=limit_deg,
        tip_move_mm=math.hypot(along_mm, across_mm),
        tip_move_u95_mm=_tip_move_u95_mm(bolt, along_mm, across_mm),
        move_along_mm=move_along_mm,
        move_across_mm=move_across_mm,
        way_along=_way_along(move_along_mm, bolt.u95.lean_along_mm),
        way_across=_way_across(move_across_mm, bolt.u95.lean_across_mm, bolt.setback_mm),
        turn_deg=math.degrees(math.atan2(move_across_mm, move_along_mm)),
    )


def _verdict(bolt: BoltRecord, lean_deg: float, limit_deg: float) -> Verdict:
    if lean_deg > FIELD_BEND_CEILING_DEG:
        return "engineer"
    if bolt.u95.lean_deg is None:
        return "cannot tell"
    if lean_deg - bolt.u95.lean_deg > limit_deg:
        return "straighten"
    # Base and tip of a bent bolt may stand plumb over each other while its thread does not.
    bent = any(reason.code == "bent" for reason in bolt.reasons)
    if lean_deg + bolt.u95.lean_deg < limit_deg and not bent:
        return "leave"
    return "cannot tell"


def _tip_move_u95_mm(bolt: BoltRecord, along_mm: float, across_mm: float) -> float | None:
    """Half-width for hypot(along, across): the largest its two parts allow, however they are correlated."""
    u_along_mm, u_across_mm = bolt.u95.lean_along_mm, bolt.u95.lean_across_mm
    if u_along_mm is None or u_across_mm is None:
        return None
    length_mm = math.hypot(along_mm, across_mm)
    if length_mm == 0.0:
        return math.hypot(u_along_mm, u_across_mm)
    return (abs(along_mm) * u_along_mm + abs(across_mm) * u_across_mm) / length_mm


def _way_along(move_mm: float, u95_mm: float | None) -> WayAlong | None:
    if u95_mm is None or abs(move_mm) <= u95_mm:
        return None
    return "toward higher stations" if move_mm > 0 else "toward lower stations"


def _way_across(move_mm: float, u95_mm: float | None, setback_mm: float | None) -> WayAcross | None:
    if u95_mm is None or abs(move_mm) <= u95_mm:
        return None
    beyond_line = setback_mm is not None and setback_mm < 0.0
    return "away from the chalk line" if (move_mm > 0) != beyond_line else "toward the chalk line"
