"""One run's sheet as text: its pieces, holes, washers, shims and ends, worked out once for paper and page."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from sillwright.lengths import format_feet_inches, format_inches
from sillwright.plates.corners import Joint
from sillwright.plates.piece import PlatePiece
from sillwright.plates.record import CornerPlan, EndKind, LayerEnd, PlannedPiece, PlatesPlan, RunEnd, RunPlan
from sillwright.tell.plate_hole_rows import HoleRow, hole_rows, holes_title
from sillwright.tell.plate_overview import NoHole, Overview, plate_overview
from sillwright.tell.plate_shim_rows import ShimRow, level_words, shim_lines, shim_rows
from sillwright.tell.plate_view import SQUARE_TO_DEG, end_words, in_order, side_words
from sillwright.tell.plate_washer_rows import WasherRow, washer_lines, washer_rows
from sillwright.tell.plate_words import STATES, joint_words, listed, mark_parts, station_words
from sillwright.tell.rows import angle_text, width_inches

CHECK_ANGLE = "CHECK THE ANGLE FIRST"
TAPE_WALL = "TAPE THE WALL FIRST"
SAW_STOPS_DEG, MOST_SAWS_STOP_DEG = 45.0, 60.0  # off square, of a blade's turn (common practice, no source)
END_WORDS: dict[EndKind, str] = {
    "corner": "corner with {other}",
    "station": "at {station}",
    "wall end": "where the concrete ends, {station}",
    "not said": "NOT SAID. Nothing says where the plate ends",
}
_UNSURE_LENGTH = ("length-unsure", "crossing-unsure")
_LAYERS_WORDS = {1: "one layer", 2: "two layers", 3: "three layers"}


@dataclass(frozen=True)
class PieceRow:
    """One piece: lengths along both edges, how the saw is set at each end, and what to do before cutting (``tag``)."""

    name: str
    layer: int
    line_edge: str
    far_edge: str
    longest: str
    low_cut: str
    high_cut: str
    stock: str
    tag: str = ""


@dataclass(frozen=True)
class RunRows:
    """What stands on one run's sheet besides its drawing and what comes before drilling.

    holes_title : with the drill, which is one for the whole job; where holes want different ones, each says its own
    """

    name: str
    state: str
    facts: tuple[str, ...]
    pieces: tuple[PieceRow, ...]
    holes_title: str
    holes: tuple[HoleRow, ...]
    washers: tuple[WasherRow, ...]
    washer_lines: tuple[str, ...]
    shims: tuple[ShimRow, ...]
    shim_lines: tuple[str, ...]
    levels: str
    ends: tuple[str, ...]


def run_rows(plan: PlatesPlan, run: RunPlan) -> RunRows:
    """The rows of one run."""
    holes, washers = hole_rows(plan, run), washer_rows(plan, run)
    return RunRows(
        name=run.name,
        state=STATES[run.status],
        facts=_facts(plan, run),
        pieces=tuple(_piece_row(plan, run, piece) for piece in run.pieces),
        holes_title=holes_title(holes),
        holes=holes,
        washers=washers,
        washer_lines=tuple(washer_lines(plan)) if washers else (),
        shims=shim_rows(run),
        shim_lines=tuple(shim_lines(plan, run)),
        levels=level_words(plan, run),
        ends=(*(line for end in (run.begins, run.ends) for line in _end_lines(plan, run, end)), *_length_lines(run)),
    )


def run_overview(plan: PlatesPlan, run: RunPlan, holes: tuple[HoleRow, ...]) -> Overview | None:
    """The drawing of the run; a bolt that has a place and gets no hole is a cross in it."""
    own = {bolt.mark: bolt for bolt in run.bolts}
    without = [
        NoHole(row.mark, bolt.station_mm, bolt.setback_mm)
        for row in holes
        if not row.cells and (bolt := own.get(row.mark)) is not None and not bolt.holes and bolt.status != "reshoot"
        if bolt.station_mm is not None and bolt.setback_mm is not None
    ]
    return plate_overview(
        [piece.plate for piece in run.pieces],
        doubtful=frozenset(row.mark for row in holes if row.doubtful),
        no_holes=without,
        left_handed=run.left_handed,
        parts=mark_parts(plan.lumber),
    )


def _facts(plan: PlatesPlan, run: RunPlan) -> tuple[str, ...]:
    lumber = plan.lumber
    color = f"{run.line_color} " if run.line_color else ""
    facts = [
        f"The {color}chalk line marks the {run.line_marks} edge of the plate. Plates {format_inches(lumber.width_mm)} "
        f"wide, {format_inches(lumber.thickness_mm)} thick, {_LAYERS_WORDS.get(lumber.layers, str(lumber.layers))}. "
        f"Bolts {lumber.bolt}."
    ]
    if run.pieces:
        facts.append(
            "Hook the tape on the low end of the piece (left as drawn, nearer the lowest-numbered card), at its "
            f"chalk-line edge. {side_words(run.left_handed)}"
        )
    return tuple(facts)


def _piece_row(plan: PlatesPlan, run: RunPlan, planned: PlannedPiece) -> PieceRow:
    piece, parts = planned.plate, mark_parts(plan.lumber)
    same = [other.plate for other in run.pieces if other.plate.layer == piece.layer]
    ends = []
    if piece.low_mm == min(other.low_mm for other in same):
        ends.append(run.begins)
    if piece.high_mm == max(other.high_mm for other in same):
        ends.append(run.ends)
    at_corner = [end for end in ends if end.kind == "corner"]
    tags = []
    if any(layer.layer == piece.layer and _angle_in_doubt(layer) for end in at_corner for layer in end.layers):
        tags.append(CHECK_ANGLE)
    if at_corner and any(one.code in _UNSURE_LENGTH and one.run == run.name for one in plan.findings):
        tags.append(TAPE_WALL)
    return PieceRow(
        piece.name,
        piece.layer,
        format_feet_inches(planned.line_edge_mm, parts),
        format_feet_inches(planned.far_edge_mm, parts),
        format_feet_inches(planned.longest_mm, parts),
        _saw_words(piece, "low"),
        _saw_words(piece, "high"),
        format_feet_inches(plan.sticks_mm.get(piece.name, planned.stock_mm)),
        ", ".join(tags),
    )


def _angle_in_doubt(layer: LayerEnd) -> bool:
    """Whether an end at a corner is not to be cut before somebody looked at the corner's angle."""
    return layer.status != "ok" or layer.cut_u95_deg is None


def _saw_words(piece: PlatePiece, end: Literal["low", "high"]) -> str:
    return end_words(piece, end).replace(", long point on", "; long on")


def _end_lines(plan: PlatesPlan, run: RunPlan, end: RunEnd) -> Iterator[str]:
    """What is known of one end of the run: where it is, who said so, and how its layers are cut there."""
    name = f"{end.end.capitalize()} end"
    if end.kind == "not said":
        yield f"{name}: {END_WORDS[end.kind]}."
        return
    by_words: dict[str, list[str]] = {}
    for layer in end.layers:
        by_words.setdefault(_layer_end_words(run, end, layer), []).append(str(layer.layer))
    told = [f"Layer{'' if len(layers) == 1 else 's'} {listed(layers)}: {words}" for words, layers in by_words.items()]
    station = station_words(end.layers[0].station_mm) if end.layers else "the station given"
    where = END_WORDS[end.kind].format(other=end.other, station=station)
    corner = _corner_words(plan, run, end)
    yield " ".join([f"{name}: {where} (by the {end.said_by}).{corner}", *told]) + _saw_reach(plan, run, end)


def _length_lines(run: RunPlan) -> Iterator[str]:
    """How well the length between both ends is known, where a corner decides it."""
    if run.length_u95_mm is not None:
        yield (
            f"From end to end the plates' length is known to ± {width_inches(run.length_u95_mm)}, the print scale, the "
            "corners' angles and crossings all counted."
        )


def _layer_end_words(run: RunPlan, end: RunEnd, layer: LayerEnd) -> str:
    piece = next((one.plate for one in _outermost(run, end) if one.plate.layer == layer.layer), None)
    words = joint_words(layer, end.other)
    if layer.joint == "square":
        return f"{words}."
    cut = "" if piece is None else f", {end_words(piece, end.end)}"
    if layer.cut_u95_deg is None or layer.moved_by_angle_mm is None:
        moved = "The angle's ± is not known."
    else:
        moved = (
            f"The angle's ± turns the cut by up to {math.ceil(layer.cut_u95_deg * 100) / 100:.2f}° and moves "
            f"the end by up to {width_inches(layer.moved_by_angle_mm)}"
        )
        if layer.u95_mm is None:
            moved += "; the ± of where the lines cross is not known."
        else:
            moved += f"; with the ± of where the lines cross it may lie off by up to {width_inches(layer.u95_mm)}."
    return f"{words}{cut}. {moved}{f' {CHECK_ANGLE}.' if _angle_in_doubt(layer) else ''}"


def _saw_reach(plan: PlatesPlan, run: RunPlan, end: RunEnd) -> str:
    """What to do where a cut is past what saws are set to (common practice, no source); empty where it is not."""
    off_deg = max((layer.saw_deg for layer in end.layers), default=0.0)
    corner = _corner(plan, run, end)
    if off_deg < SAW_STOPS_DEG + SQUARE_TO_DEG or corner is None or corner.angle_deg is None:
        return ""
    other: dict[Joint, tuple[str, float]] = {
        "mitre": ("butt", abs(90.0 - corner.angle_deg)),
        "butt": ("mitre", (180.0 - corner.angle_deg) / 2.0),
    }
    joint, joint_deg = other[corner.joint]
    instead = f", or {joint} the corner, {joint_deg:.1f}° off square" if joint_deg < off_deg else ""
    return (
        f" Many saws stop at {SAW_STOPS_DEG:.0f}° off square and most at {MOST_SAWS_STOP_DEG:.0f}°. This cut is at "
        f"{off_deg:.1f}°: stand the piece on edge or make a jig{instead} (common practice, no source)."
    )


def _outermost(run: RunPlan, end: RunEnd) -> list[PlannedPiece]:
    """The piece of each layer that lies at this end."""
    by_layer: dict[int, PlannedPiece] = {}
    for plate in in_order([one.plate for one in run.pieces]):
        if end.end == "high" or plate.layer not in by_layer:
            by_layer[plate.layer] = next(one for one in run.pieces if one.plate is plate)
    return list(by_layer.values())


def _corner(plan: PlatesPlan, run: RunPlan, end: RunEnd) -> CornerPlan | None:
    """The corner at an end, where it was measured."""
    there = {run.name, end.other} if end.kind == "corner" else set()
    return next((one for one in plan.corners if set(one.runs) == there and one.angle_deg is not None), None)


def _corner_words(plan: PlatesPlan, run: RunPlan, end: RunEnd) -> str:
    corner = _corner(plan, run, end)
    if corner is None or corner.angle_deg is None:
        return ""
    turn = "" if corner.turn is None else f", {corner.turn} corner of the building"
    return f" {angle_text(corner.angle_deg, corner.u95_deg, 2)}{turn}."
