"""A piece of plate seen from above, and the words about it that every strip, drawing and table shares.

Points are in the piece's own frame, mm: x along the chalk-line edge from the low end, y across from that edge. Where
the run's frame is left-handed the plate lies to the right of the chalk line for whoever looks toward higher stations,
so that seen from above, with stations rising to the right, the chalk-line edge is the upper one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Literal

import shapely

from sillwright.lengths import format_feet_inches
from sillwright.plates.holes import play_mm, surely_passes
from sillwright.plates.piece import Hole, HoleDoubt, PlatePiece
from sillwright.tell.plate_words import play_words
from sillwright.tell.rows import width_inches

End = Literal["low", "high"]
Point = tuple[float, float]

SQUARE_TO_DEG = 0.05  # less is no angle: no saw is set finer than a tenth of a degree (common practice, no source)
LOW_END = "Low end: the end at the lower station, nearer the lowest-numbered card."
HOLE_DOUBTS: dict[HoleDoubt, str] = {
    "record-check": "The photos leave this bolt in doubt: read the reason on the measuring sheet, and tape it first.",
    "cannot-tell": "Whether the plate goes down over this bolt as it leans cannot be told: try it before drilling.",
    "near-plate-edge": "The hole may break out of the plate's edge: tape this bolt before drilling.",
    "little-edge": "Too near the plate's edge, or perhaps so: tape this bolt, and ask the engineer before drilling.",
    "no-lean": "The bolt's lean is not known, and the hole is over its foot: hold a square to it before drilling.",
    "straighten-first": "The hole is where this bolt stands once it is straightened: straighten it first.",
    "angle-unsure": "The corner's angle is in doubt, and with it this hole: tape this bolt before drilling.",
}
FIGURES_RULE = "Where a tape and this paper disagree, go by the figures."


def outline_mm(piece: PlatePiece) -> tuple[Point, Point, Point, Point]:
    """The corners: low end and high end of the chalk-line edge, then high end and low end of the far edge."""
    low_mm, high_mm = (piece.width_mm * math.tan(math.radians(cut)) for cut in (piece.low_cut_deg, piece.high_cut_deg))
    length_mm = piece.line_edge_mm
    return (0.0, 0.0), (length_mm, 0.0), (length_mm + high_mm, piece.width_mm), (-low_mm, piece.width_mm)


def in_order(pieces: Sequence[PlatePiece]) -> list[PlatePiece]:
    """Pieces by layer from the concrete up, each layer by station."""
    return sorted(pieces, key=lambda piece: (piece.layer, piece.low_mm, piece.name))


def end_words(piece: PlatePiece, end: End) -> str:
    """How an end is cut: ``square``, or so many degrees off it and which edge keeps the long point."""
    cut_deg = piece.low_cut_deg if end == "low" else piece.high_cut_deg
    if abs(cut_deg) < SQUARE_TO_DEG:
        return "square"
    return f"{abs(cut_deg):.1f}° off square, long point on the {'far' if cut_deg > 0 else 'chalk-line'} edge"


def side_words(left_handed: bool | None) -> str:
    """On which side of its chalk-line edge the plate is drawn, and what to do where the record does not say."""
    if left_handed is None:
        return (
            "The record does not say on which side of the chalk line the plate lies; it is drawn left of it, looking "
            "from the low end. Check at the wall: where it lies right of it, everything here is turned over."
        )
    side = "right" if left_handed else "left"
    return f"Seen from above. Looking from the low end, the plate lies {side} of its chalk-line edge."


def hole_doubts(piece: PlatePiece, hole: Hole, bolts_mm: Mapping[str, float]) -> tuple[str, ...]:
    """Why not to drill a hole before it is taped, each a sentence; empty where nothing speaks against it.

    bolts_mm : nominal bolt diameter by mark. A hole is larger than its bolt by the clearance; half of it is what lean,
    ± and rounding may take together, or the plate may not go on (``judge.room``).
    """
    doubts = [HOLE_DOUBTS[doubt] for doubt in hole.doubts]
    if not shapely.Polygon(outline_mm(piece)).contains(_disc(hole)):
        doubts.append("The hole runs off the piece: do not drill, check the piece and the bolt.")
    bolt_mm = bolts_mm.get(hole.mark)
    if hole.taken_mm is None:
        doubts.append("± not known: tape this bolt before drilling.")
    if bolt_mm is None:
        doubts.append("The bolt's size is not known: hole and ± were not compared. Tape it.")
    elif hole.taken_mm is not None and not surely_passes(hole, bolt_mm):
        straighten = "straighten-first" in hole.doubts
        doubts.append(
            f"{'Straightened, its' if straighten else 'Lean,'} ± and rounding may take "
            f"{width_inches(hole.taken_mm)} ({math.ceil(hole.taken_mm * 10 - 1e-9) / 10:.1f} mm), but the hole leaves "
            f"{play_words(play_mm(hole, bolt_mm))} each way: tape this bolt before drilling."
        )
    return tuple(doubts)


def _disc(hole: Hole) -> shapely.Polygon:
    return shapely.Point(hole.from_low_end_mm, hole.from_line_mm).buffer(hole.drill_mm / 2.0)


def both_units(mm: float, parts: int = 16) -> str:
    """A length as feet and inches to 1/``parts`` in, and in mm."""
    return f"{format_feet_inches(mm, parts)} ({mm:.1f} mm)"
