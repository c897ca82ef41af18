"""Whether a bolt as it stands lets a plate down over it, how far its tip must come if not, and where the hole goes.

A straight rigid bolt of diameter d that leans by an angle needs a plumb hole of d / cos(lean) + t tan(lean) to pass a
stack of thickness t (geometry). On top of that a nut bears flat only up to a slope of 1 in 20 (``straighten.py``).

No source sets a limit for straightening sill bolts, in degrees or otherwise, nor for how far they may be bent cold: 45
degrees is what AISC Design Guide 1, 2nd ed., is quoted as allowing for Grade 36 rods of steel columns, and others
forbid bending bolts that carry tension. So every limit here is a default or the crew's own, and the verdict
"straighten" says what geometry asks for and gives no leave to bend: that is the engineer's or the inspector's.

A bolt that is bent pivots where it leaves the concrete: its foot stays, and its hole goes over the foot. What lean may
be left has all of the stack's height to lean out of that hole, and half the room of a hole centred on the lean:
d / cos(lean) + 2 t tan(lean) <= D. ``judge/room.py`` has the same for the hole as it is marked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from sillwright.judge.rules import RuleSet
from sillwright.judge.straighten import FIELD_BEND_CEILING_DEG, NUT_BEARS_FLAT_DEG, Straightening, straightening
from sillwright.judge.verdicts import Verdict, under_plate
from sillwright.survey import BoltRecord

PassVerdict = Literal["as it stands", "straighten", "engineer", "cannot tell"]
PassCode = Literal[
    "bent",
    "damaged",
    "off-plate",
    "near-plate-edge",
    "no-setback",
    "past-cold-bend",
    "near-cold-bend",
    "no-lean",
    "no-hole-size",
    "hole-under-bolt",
    "will-not-pass",
    "nut-not-flat",
    "near-limit",
    "nut-near-limit",
]
_TO_ENGINEER: tuple[PassCode, ...] = ("bent", "damaged", "off-plate", "past-cold-bend")
_TO_STRAIGHTEN: tuple[PassCode, ...] = ("will-not-pass", "nut-not-flat")


@dataclass(frozen=True)
class BendLimits:
    """What the crew may set, in degrees from plumb.

    nut_flat_deg : beyond it a nut no longer bears flat (1 in 20, a figure for nuts in steel work)
    cold_bend_deg : a bolt that leans more goes to the engineer and is not bent back (no source for sill bolts)
    """

    nut_flat_deg: float = NUT_BEARS_FLAT_DEG
    cold_bend_deg: float = FIELD_BEND_CEILING_DEG


@dataclass(frozen=True)
class HolePlace:
    """Where a hole's centre goes in the run frame, mm, and the half-widths of its 95 % intervals."""

    mark: str
    station_mm: float
    setback_mm: float
    u95_along_mm: float | None
    u95_across_mm: float | None


@dataclass(frozen=True)
class Passing:
    """Whether one bolt passes the stack; lengths mm, angles degrees.

    codes : why it is not "as it stands", all that apply; with ``nut-near-limit`` alone it is: the nut is in doubt, and
    the hole is not
    hole_needed_mm : for the lean as measured; ``_low`` and ``_high`` for the ends of its 95 % interval
    hole_allowed_mm : the hole the rule set allows, or the one that was given; None where neither says
    passes_up_to_deg : the lean that just passes that hole; None where the hole is not known or under the bolt
    nut_bears_flat : with the lean's interval
    least_move_mm : level, how far the tip must come toward plumb to pass and bear flat; 0 where it does. Its half-width
    is ``straightening.tip_move_u95_mm``, and its direction ``straightening.turn_deg`` with the ways named there
    lean_left_deg : the lean after that move
    hole : the hole's place: for the bolt as it leans, or over the foot where it is to be straightened; None to the
    engineer or without a lean
    """

    mark: str
    verdict: PassVerdict
    codes: tuple[PassCode, ...]
    hole_needed_mm: float | None
    hole_needed_low_mm: float | None
    hole_needed_high_mm: float | None
    hole_allowed_mm: float | None
    passes_up_to_deg: float | None
    nut_bears_flat: Verdict
    least_move_mm: float | None
    lean_left_deg: float | None
    straightening: Straightening | None
    hole: HolePlace | None


def hole_needed_mm(diameter_mm: float, lean_deg: float, thickness_mm: float) -> float:
    """The plumb hole that a bolt leaning by ``lean_deg`` (0 to under 90) needs through ``thickness_mm`` of wood."""
    lean = math.radians(lean_deg)
    return diameter_mm / math.cos(lean) + thickness_mm * math.tan(lean)


def lean_that_passes_deg(diameter_mm: float, hole_mm: float, thickness_mm: float) -> float | None:
    """The largest lean that passes a plumb hole: :func:`hole_needed_mm` solved for the lean; None under the bolt.

    d + t sin(lean) = H cos(lean) is a circle's chord: with R = hypot(H, t), lean = acos(d / R) - atan2(t, H).
    """
    if hole_mm < diameter_mm:
        return None
    angle = math.acos(diameter_mm / math.hypot(hole_mm, thickness_mm)) - math.atan2(thickness_mm, hole_mm)
    return math.degrees(max(angle, 0.0))


def hole_place(bolt: BoltRecord, stack_mm: float, lean_left_deg: float | None = None) -> HolePlace | None:
    """The hole's centre at half the height of the stack; None where foot, lean or stick-up is not to be relied on.

    stack_mm : the plates bored through together. A second plate bored by itself is crossed at one and a half of the
    thickness: give three times the thickness for it.

    lean_left_deg : the lean after straightening, the same way as now; None leaves the bolt as it leans. Nobody stops
    at an angle to the point: the half-widths then hold for a bolt left anywhere between plumb and twice that lean.
    """
    station_mm, setback_mm = bolt.station_mm, bolt.setback_mm
    slopes = slopes_of(bolt)
    if station_mm is None or setback_mm is None or slopes is None:
        return None
    (along, across), widths = slopes
    share = 1.0
    if lean_left_deg is not None:
        slope, slope_left = math.hypot(along, across), math.tan(math.radians(lean_left_deg))
        if slope_left < slope:
            share, widths = slope_left / slope, (slope_left, slope_left)
    half_mm = stack_mm / 2.0
    return HolePlace(
        bolt.mark,
        station_mm + share * along * half_mm,
        setback_mm + share * across * half_mm,
        _both(bolt.u95.station_mm, widths[0], half_mm),
        _both(bolt.u95.setback_mm, widths[1], half_mm),
    )


def slopes_of(bolt: BoltRecord) -> tuple[tuple[float, float], tuple[float | None, float | None]] | None:
    """Level over upright of the axis, along and across, and the half-widths of both; None without a lean to rely on."""
    along_mm, across_mm, stickup_mm = bolt.lean_along_mm, bolt.lean_across_mm, bolt.stickup_mm
    if bolt.status == "reshoot" or along_mm is None or across_mm is None or stickup_mm is None:
        return None
    upright_mm = math.sqrt(max(stickup_mm**2 - along_mm**2 - across_mm**2, 0.0))
    if upright_mm == 0.0:
        return None

    def width(level_mm: float, u95_mm: float | None) -> float | None:
        if u95_mm is None or bolt.u95.stickup_mm is None:
            return None
        # Tip and stick-up share their photos: the sum holds however they are correlated.
        return (u95_mm + abs(level_mm) / upright_mm * bolt.u95.stickup_mm) / upright_mm

    widths = (width(along_mm, bolt.u95.lean_along_mm), width(across_mm, bolt.u95.lean_across_mm))
    return (along_mm / upright_mm, across_mm / upright_mm), widths


def _both(foot_u95_mm: float | None, slope_u95: float | None, height_mm: float) -> float | None:
    """The half-width of foot plus slope times height, however the two are correlated."""
    return None if foot_u95_mm is None or slope_u95 is None else foot_u95_mm + slope_u95 * height_mm


def passing(
    bolt: BoltRecord,
    rules: RuleSet,
    stack_mm: float,
    plate_width_mm: float,
    limits: BendLimits | None = None,
    *,
    hole_mm: float | None = None,
    damaged: bool = False,
) -> Passing:
    """Judge one bolt against a stack of plates ``stack_mm`` thick, ``plate_width_mm`` wide on the chalk line.

    hole_mm : the hole to be drilled; None takes the largest the rule set allows
    damaged : the crew says the bolt is damaged (stripped, cracked, cut): photos do not show it
    """
    limits = limits or BendLimits()
    allowed_mm = rules.largest_hole_mm(bolt.diameter_mm) if hole_mm is None else hole_mm
    up_to_deg = None if allowed_mm is None else lean_that_passes_deg(bolt.diameter_mm, allowed_mm, stack_mm)
    move = straightening(bolt, limits.nut_flat_deg)
    codes = (*_place_codes(bolt, plate_width_mm, allowed_mm, damaged), *_hole_codes(bolt, allowed_mm))
    codes = (*codes, *_lean_codes(move, up_to_deg, limits))
    verdict = _verdict(codes)
    may_keep_deg = up_to_deg
    if allowed_mm is not None and set(codes) & set(_TO_STRAIGHTEN):
        may_keep_deg = lean_that_passes_deg(bolt.diameter_mm, allowed_mm, 2.0 * stack_mm)
    target_deg = min(limits.nut_flat_deg, math.inf if may_keep_deg is None else may_keep_deg)
    hole = None
    if verdict == "as it stands":
        hole = hole_place(bolt, stack_mm)
    elif verdict == "straighten":
        hole = hole_place(bolt, stack_mm, 0.0)
    needed = _needed_mm(bolt, move, stack_mm)
    return Passing(
        mark=bolt.mark,
        verdict=verdict,
        codes=codes,
        hole_needed_mm=needed[1],
        hole_needed_low_mm=needed[0],
        hole_needed_high_mm=needed[2],
        hole_allowed_mm=allowed_mm,
        passes_up_to_deg=up_to_deg,
        nut_bears_flat=_against(move, limits.nut_flat_deg),
        least_move_mm=None if move is None else _least_move_mm(bolt, move, target_deg),
        lean_left_deg=None if move is None else min(move.lean_deg, target_deg),
        straightening=move,
        hole=hole,
    )


def straightened_to(found: Passing, bolt: BoltRecord, lean_deg: float) -> Passing:
    """The same for a bolt that may keep no more than ``lean_deg``, where that is less than it was given."""
    move = found.straightening
    if move is None or found.lean_left_deg is None or found.lean_left_deg <= lean_deg:
        return found
    return replace(found, least_move_mm=_least_move_mm(bolt, move, lean_deg), lean_left_deg=lean_deg)


def _verdict(codes: tuple[PassCode, ...]) -> PassVerdict:
    """The engineer's before all; then whatever is in doubt besides the limits; then what surely asks for a move."""
    if any(code in _TO_ENGINEER for code in codes):
        return "engineer"
    doubts = set(codes) - set(_TO_STRAIGHTEN) - {"near-limit", "nut-near-limit"}
    if doubts:
        return "cannot tell"
    if any(code in _TO_STRAIGHTEN for code in codes):
        return "straighten"
    return "cannot tell" if "near-limit" in codes else "as it stands"


def _place_codes(
    bolt: BoltRecord, plate_width_mm: float, allowed_mm: float | None, damaged: bool
) -> tuple[PassCode, ...]:
    codes: list[PassCode] = []
    if any(reason.code == "bent" for reason in bolt.reasons):
        codes.append("bent")
    if damaged:
        codes.append("damaged")
    # A hole that breaks out of the plate's edge holds nothing: half of it must stay wood on either side.
    covered = under_plate(bolt, plate_width_mm, max(bolt.diameter_mm, allowed_mm or 0.0) / 2.0)
    if bolt.status == "reshoot" or bolt.setback_mm is None or bolt.u95.setback_mm is None:
        codes.append("no-setback")
    elif covered != "meets":
        codes.append("off-plate" if covered == "does not" else "near-plate-edge")
    return tuple(codes)


def _hole_codes(bolt: BoltRecord, allowed_mm: float | None) -> tuple[PassCode, ...]:
    if allowed_mm is None:
        return ("no-hole-size",)
    return ("hole-under-bolt",) if allowed_mm < bolt.diameter_mm else ()


def _against(move: Straightening | None, limit_deg: float) -> Verdict:
    """Whether the lean stays under a limit, with its interval."""
    if move is None or move.lean_u95_deg is None:
        return "cannot tell"
    if move.lean_deg + move.lean_u95_deg <= limit_deg:
        return "meets"
    return "does not" if move.lean_deg - move.lean_u95_deg > limit_deg else "cannot tell"


def _lean_codes(move: Straightening | None, up_to_deg: float | None, limits: BendLimits) -> tuple[PassCode, ...]:
    if move is None or move.lean_u95_deg is None:
        return ("no-lean",)
    codes: list[PassCode] = []
    through = "cannot tell" if up_to_deg is None else _against(move, up_to_deg)
    flat = _against(move, limits.nut_flat_deg)
    bend = _against(move, limits.cold_bend_deg)
    if bend != "meets" and (through, flat) != ("meets", "meets"):
        codes.append("past-cold-bend" if bend == "does not" else "near-cold-bend")
    if through == "does not":
        codes.append("will-not-pass")
    if flat == "does not":
        codes.append("nut-not-flat")
    # A hole that is not known has its own code.
    if through == "cannot tell" and up_to_deg is not None:
        codes.append("near-limit")
    if flat == "cannot tell":
        codes.append("nut-near-limit")
    return tuple(codes)


def _needed_mm(
    bolt: BoltRecord, move: Straightening | None, stack_mm: float
) -> tuple[float | None, float | None, float | None]:
    """The hole needed at the low end of the lean's interval, at the lean and at the high end."""
    if move is None:
        return None, None, None
    needed = hole_needed_mm(bolt.diameter_mm, move.lean_deg, stack_mm)
    if move.lean_u95_deg is None:
        return None, needed, None
    low_deg, high_deg = max(move.lean_deg - move.lean_u95_deg, 0.0), move.lean_deg + move.lean_u95_deg
    high = hole_needed_mm(bolt.diameter_mm, high_deg, stack_mm) if high_deg < 90.0 else math.inf
    return hole_needed_mm(bolt.diameter_mm, low_deg, stack_mm), needed, high


def _least_move_mm(bolt: BoltRecord, move: Straightening, target_deg: float) -> float | None:
    """The level move of a tip that swings about the foot at its stick-up, from its lean to the target."""
    if bolt.stickup_mm is None:
        return None
    return max(move.tip_move_mm - bolt.stickup_mm * math.sin(math.radians(target_deg)), 0.0)
