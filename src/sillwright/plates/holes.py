"""Where the hole of each bolt goes in a piece, what speaks against drilling it, and what is left for the mark.

A bolt that goes as it stands is drilled for where it crosses the middle of the plates' stack (``judge/passes.py``); one
that is straightened first, over the foot it pivots on. Nothing is drilled for a bolt that is the engineer's, or whose
numbers cannot be relied on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from sillwright.judge.passes import HolePlace, Passing, hole_place
from sillwright.judge.room import lean_over_foot_deg, taken_mm
from sillwright.judge.steps import Piece, from_end_mm
from sillwright.plates.piece import Hole, HoleDoubt, PlatePiece
from sillwright.survey import BoltRecord

_NO_HOLE = {"no-setback", "near-cold-bend"}
_EPS_MM = 1e-6


@dataclass(frozen=True)
class Drilling:
    """What is to be done about one bolt.

    drilled : whether it gets a hole at all
    over_foot : the hole goes over the foot: the bolt is straightened first, or its lean is not known
    """

    mark: str
    drilled: bool
    over_foot: bool
    straighten_first: bool
    doubts: tuple[HoleDoubt, ...]


@dataclass(frozen=True)
class Drill:
    """What all holes of a job are drilled with and through, and the step of its marks, mm."""

    drill_mm: float
    stack_mm: float
    mark_mm: float


def drilling(bolt: BoltRecord, passing: Passing) -> Drilling:
    """Decide for one bolt by what was judged of it; a doubt of the record goes with the hole."""
    codes = set(passing.codes)
    placed = bolt.status != "reshoot" and bolt.station_mm is not None and bolt.setback_mm is not None
    drilled = placed and passing.verdict != "engineer" and not codes & _NO_HOLE
    straighten = drilled and bool(codes & {"will-not-pass", "nut-not-flat"})
    no_lean = "no-lean" in codes or bolt.stickup_mm is None
    known: list[tuple[HoleDoubt, bool]] = [
        ("straighten-first", straighten),
        ("record-check", bolt.status == "check"),
        ("near-plate-edge", "near-plate-edge" in codes),
        ("no-lean", no_lean),
        ("cannot-tell", "near-limit" in codes and not straighten),
    ]
    doubts = tuple(code for code, holds in known if holds)
    return Drilling(bolt.mark, drilled, straighten or no_lean, straighten, doubts if drilled else ())


def place_of(bolt: BoltRecord, work: Drilling, stack_mm: float) -> HolePlace | None:
    """The hole's middle in the bolt's frame, not yet on a mark; None where none is drilled."""
    if not work.drilled:
        return None
    place = None if work.over_foot else hole_place(bolt, stack_mm)
    if place is None:
        assert bolt.station_mm is not None
        assert bolt.setback_mm is not None
        return HolePlace(bolt.mark, bolt.station_mm, bolt.setback_mm, bolt.u95.station_mm, bolt.u95.setback_mm)
    return place


def in_piece(piece: PlatePiece, bolt: BoltRecord, scale_u95_ratio: float) -> BoltRecord:
    """The bolt with its station's half-width as it counts from the piece's low end: over that length of the print's
    scale only, since the piece goes down over bolts that all share it."""
    away = from_end_mm(bolt, Piece(piece.name, piece.low_mm, piece.high_mm), "low end", scale_u95_ratio)
    return replace(bolt, u95=replace(bolt.u95, station_mm=None if away is None else away[1]))


def marked_hole(
    piece: PlatePiece,
    bolt: BoltRecord,
    work: Drilling,
    drill: Drill,
    doubts: tuple[HoleDoubt, ...] = (),
) -> Hole | None:
    """The hole on the nearest marks from the piece's low end and chalk-line edge; what that rounds off is in its u95.
    None where none is drilled.

    bolt : as it counts from the piece's low end (:func:`in_piece`)
    doubts : what this piece adds to the bolt's own
    """
    place, mark_mm = place_of(bolt, work, drill.stack_mm), drill.mark_mm
    if place is None:
        return None
    along_mm, across_mm = place.station_mm - piece.low_mm, place.setback_mm
    marked_along_mm, marked_across_mm = to_mark_mm(along_mm, mark_mm), to_mark_mm(across_mm, mark_mm)
    at_mm = (piece.low_mm + marked_along_mm, marked_across_mm)
    straighten = work.straighten_first
    return Hole(
        work.mark,
        marked_along_mm,
        marked_across_mm,
        drill.drill_mm,
        _with(place.u95_along_mm, marked_along_mm - along_mm),
        _with(place.u95_across_mm, marked_across_mm - across_mm),
        tuple(dict.fromkeys((*work.doubts, *doubts))),
        taken_mm(bolt, at_mm, drill.stack_mm, plumb=work.over_foot),
        lean_over_foot_deg(bolt, at_mm, drill.drill_mm, drill.stack_mm) if straighten else None,
    )


def _with(u95_mm: float | None, rounded_mm: float) -> float | None:
    return None if u95_mm is None else u95_mm + abs(rounded_mm)


def to_mark_mm(length_mm: float, mark_mm: float) -> float:
    """A length to the nearest whole mark."""
    return round(length_mm / mark_mm) * mark_mm


def lies_on(piece: PlatePiece, along_mm: float, across_mm: float, radius_mm: float) -> bool:
    """Whether a disc lies within a piece, its middle from the piece's low end along the chalk-line edge and from it."""
    low, high = math.radians(piece.low_cut_deg), math.radians(piece.high_cut_deg)
    to_low_mm = (along_mm + across_mm * math.tan(low)) * math.cos(low)
    to_high_mm = (piece.line_edge_mm + across_mm * math.tan(high) - along_mm) * math.cos(high)
    return min(to_low_mm, to_high_mm, across_mm, piece.width_mm - across_mm) >= radius_mm - _EPS_MM


def play_mm(hole: Hole, diameter_mm: float) -> float:
    """What a hole leaves a plumb bolt in its middle, each way."""
    return (hole.drill_mm - diameter_mm) / 2.0


def surely_passes(hole: Hole, diameter_mm: float) -> bool:
    """Whether the plate goes down wherever in their 95 % intervals the bolt's foot and lean are."""
    return hole.taken_mm is not None and hole.taken_mm <= play_mm(hole, diameter_mm) + _EPS_MM


def mark_within_mm(hole: Hole, diameter_mm: float) -> float | None:
    """How far the hole may be drilled from its mark, whichever way, for the plate still to go down: what lean,
    half-widths and rounding leave of the play; 0 where nothing is left, None where one of them is not known."""
    if hole.taken_mm is None or "no-lean" in hole.doubts:
        return None
    return max(0.0, play_mm(hole, diameter_mm) - hole.taken_mm)
