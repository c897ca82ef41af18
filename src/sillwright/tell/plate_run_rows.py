"""One run's sheet as text: its pieces, holes, shims and ends, worked out once for paper and page.

No figure stands here for a bolt that has no hole in the plan. A hole that something speaks against carries a tag in
words and ``doubtful``, so that no sheet can print its figures as if they were sure.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from sillwright.lengths import MM_PER_INCH, format_feet_inches, format_inches
from sillwright.plates.piece import Hole, PlatePiece
from sillwright.plates.record import BoltPlan, EndKind, LayerEnd, PlannedPiece, PlatesPlan, RunEnd, RunPlan
from sillwright.tell.plate_overview import NoHole, Overview, plate_overview
from sillwright.tell.plate_view import end_words, hole_doubts, in_order, side_words
from sillwright.tell.plate_word_table import SHIM_HEIGHTS, SHIM_UNSURE, SHIM_VERDICTS
from sillwright.tell.plate_words import (
    STATES,
    drill_words,
    joint_words,
    listed,
    mark_parts,
    shim_height_words,
    shim_place_words,
    station_words,
)
from sillwright.tell.rows import angle_text, shown, width_inches

STRAIGHTEN, TAPE, BOTH = "STRAIGHTEN FIRST", "TAPE FIRST", "STRAIGHTEN, THEN TAPE"
ENGINEER, RESHOOT, BARE, NO_HOLE = "NO HOLE: ENGINEER", "NO HOLE: SHOOT AGAIN", "NO HOLE: NO PLATE OVER IT", "NO HOLE"
CHECK_ANGLE = "CHECK THE ANGLE FIRST"
TAPE_WALL = "TAPE THE WALL FIRST"
BOX_KEY = (
    "A box is for one bolt: tick it once its holes are drilled. A box with a question mark is not to be drilled from "
    "yet: its figures stand in brackets. Do what is said beside it, and write down what the tape reads. A box with a "
    "cross has no hole."
)
END_WORDS: dict[EndKind, str] = {
    "corner": "corner with {other}",
    "station": "at {station}",
    "wall end": "where the concrete ends, {station}",
    "not said": "NOT SAID. Nothing says where the plate ends",
}
_LAYERS_WORDS = {1: "one layer", 2: "two layers", 3: "three layers"}
_MM_PER_SIXTY_FOURTH = MM_PER_INCH / 64.0


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
class HoleCell:
    """A bolt's hole in one layer: the piece, and how far along it from its low end."""

    layer: int
    piece: str
    along: str
    metric: str


@dataclass(frozen=True)
class NoCell:
    """A layer in which a bolt has no hole on this run, and where it has one or why it has none."""

    layer: int
    says: str


@dataclass(frozen=True)
class HoleRow:
    """One bolt: its holes layer by layer, how far in from the chalk-line edge, and the drill.

    without : the layers that have no hole of it on this run
    tag : why its figures are not to be drilled from, in capitals; empty where they are
    doubtful : there are figures, and something speaks against them
    notes : sentences; for a sure hole how far a mark may be off
    """

    mark: str
    cells: tuple[HoleCell, ...]
    without: tuple[NoCell, ...]
    across: str
    across_metric: str
    drill: str
    tag: str
    doubtful: bool
    notes: tuple[str, ...]


@dataclass(frozen=True)
class ShimRow:
    """One place for a shim: how far from the first plate's low end, under what, its height or who is to be asked there.

    doubtful : nothing is to be set before it was read again or somebody was asked
    """

    at: str
    place: str
    height: str
    doubtful: bool


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
    shims: tuple[ShimRow, ...]
    shim_lines: tuple[str, ...]
    levels: str
    ends: tuple[str, ...]


def run_rows(plan: PlatesPlan, run: RunPlan) -> RunRows:
    """The rows of one run."""
    holes = _hole_rows(plan, run)
    return RunRows(
        name=run.name,
        state=STATES[run.status],
        facts=_facts(plan, run),
        pieces=tuple(_piece_row(plan, run, piece) for piece in run.pieces),
        holes_title=_holes_title(holes),
        holes=holes,
        shims=_shim_rows(plan, run),
        shim_lines=tuple(_shim_lines(run)),
        levels=_levels(plan, run),
        ends=tuple(line for end in (run.begins, run.ends) for line in _end_lines(plan, run, end)),
    )


def _holes_title(holes: tuple[HoleRow, ...]) -> str:
    drills = list(dict.fromkeys(row.drill for row in holes if row.drill))
    if len(drills) == 1:
        return f"Holes: drill {drills[0]}"
    return "Holes" if not drills else f"Holes: drills {listed(drills)}, see each bolt"


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
    if at_corner and any(one.code == "length-unsure" and one.run == run.name for one in plan.findings):
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


def _hole_rows(plan: PlatesPlan, run: RunPlan) -> tuple[HoleRow, ...]:
    """Every bolt of the run, and every neighbour's bolt that a piece of it goes over, in the order of stations."""
    bolts = {bolt.mark: bolt for each in plan.runs for bolt in each.bolts}
    drilled: dict[str, list[tuple[PlannedPiece, Hole]]] = {}
    at_mm: dict[str, float] = {}
    for planned in sorted(run.pieces, key=lambda one: one.plate.layer):
        for hole in planned.plate.holes:
            drilled.setdefault(hole.mark, []).append((planned, hole))
            at_mm.setdefault(hole.mark, planned.plate.low_mm + hole.from_low_end_mm)
    for bolt in run.bolts:
        at_mm.setdefault(bolt.mark, math.inf if bolt.station_mm is None else bolt.station_mm)
    marks = sorted(at_mm, key=lambda mark: (at_mm[mark], mark))
    return tuple(_hole_row(plan, mark, bolts.get(mark), drilled.get(mark, []), run) for mark in marks)


def _hole_row(
    plan: PlatesPlan, mark: str, bolt: BoltPlan | None, drilled: list[tuple[PlannedPiece, Hole]], run: RunPlan
) -> HoleRow:
    if not drilled:
        assert bolt is not None
        tag, notes = _no_hole(bolt, run)
        return HoleRow(mark, (), (), "", "", "", tag, False, notes)
    parts = mark_parts(plan.lumber)
    bolts_mm = {} if bolt is None else {mark: bolt.diameter_mm}
    doubts = dict.fromkeys(doubt for piece, hole in drilled for doubt in hole_doubts(piece.plate, hole, bolts_mm))
    straighten = any("straighten-first" in hole.doubts for _, hole in drilled)
    others = len(doubts) - straighten
    tag = BOTH if straighten and others else STRAIGHTEN if straighten else TAPE if others else ""
    cells = tuple(
        HoleCell(
            piece.plate.layer,
            piece.plate.name,
            format_feet_inches(hole.from_low_end_mm, parts),
            f"{hole.from_low_end_mm:.1f} mm",
        )
        for piece, hole in drilled
    )
    across = dict.fromkeys(
        (format_inches(hole.from_line_mm, parts), f"{hole.from_line_mm:.1f} mm") for _, hole in drilled
    )
    notes = tuple(doubts)
    if not notes and bolt is not None and bolt.mark_within_mm is not None:
        notes = (_within(bolt.mark_within_mm),)
    return HoleRow(
        mark,
        cells,
        tuple(_without(plan, bolt, {cell.layer for cell in cells})),
        " / ".join(inches for inches, _ in across),
        " / ".join(metric for _, metric in across),
        " / ".join(dict.fromkeys(drill_words(hole.drill_mm) for _, hole in drilled)),
        tag,
        bool(doubts),
        notes,
    )


def _without(plan: PlatesPlan, bolt: BoltPlan | None, drilled: set[int]) -> Iterator[NoCell]:
    """Each layer that a bolt has no hole in on this run; at a corner its hole there is in the neighbour's plate."""
    for layer in range(1, plan.lumber.layers + 1):
        if layer not in drilled:
            runs = dict.fromkeys(hole.run for hole in (bolt.holes if bolt else ()) if hole.layer == layer)
            yield NoCell(layer, f"see run {listed(list(runs))}" if runs else "NO HOLE in this layer")


def _within(within_mm: float) -> str:
    """How far a mark may be off, rounded down: it is room that is left."""
    steps = math.floor(within_mm / _MM_PER_SIXTY_FOURTH + 1e-9)
    if not steps:
        return 'Mark with a knife: less than 1/64" to spare.'
    return f"The mark may be off by {format_inches(steps * _MM_PER_SIXTY_FOURTH, 64)} at most."


def _no_hole(bolt: BoltPlan, run: RunPlan) -> tuple[str, tuple[str, ...]]:
    elsewhere = list(dict.fromkeys(hole.run for hole in bolt.holes))
    if elsewhere:
        return f"SEE RUN {elsewhere[0]}", (f"The plate of run {elsewhere[0]} goes over it: drill it there.",)
    if bolt.status == "reshoot":
        return RESHOOT, ("It was not measured: shoot it again, or tape it on the wall.",)
    if bolt.passing.verdict == "engineer":
        return ENGINEER, ("Ask the engineer before any plate goes on.",)
    if run.pieces and not bolt.under_run:
        return BARE, ("No piece goes over it: check where the run begins and ends, and ask the engineer.",)
    return NO_HOLE, ("Nothing is marked for it: see before drilling.",)


def _shim_rows(plan: PlatesPlan, run: RunPlan) -> tuple[ShimRow, ...]:
    return tuple(
        ShimRow(
            format_feet_inches(shim.place.station_mm - run.first_low_mm),
            shim_place_words(shim),
            shim_height_words(shim),
            shim.doubtful or shim.verdict not in ("none", "shim"),
        )
        for shim in run.shims
        if shim.verdict != "none" or shim.doubtful
    )


def _shim_lines(run: RunPlan) -> Iterator[str]:
    """What each verdict asks for, once, with the places counted."""
    if not run.shims:
        return
    yield "Shims go between first and second plate, from the first plate's low end along the chalk-line edge."
    for verdict in ("engineer", "grout", "not read"):
        there = [shim for shim in run.shims if shim.verdict == verdict]
        if there:
            deepest_mm = max((shim.gap_mm for shim in there if shim.gap_mm is not None), default=None)
            gap = "" if deepest_mm is None else f" (up to {format_inches(deepest_mm)} under level)"
            yield f"{SHIM_HEIGHTS[verdict]}, {_places(len(there))}{gap}. {SHIM_VERDICTS[verdict]}."
    unsure = sum(shim.doubtful and shim.verdict != "not read" for shim in run.shims)
    if unsure:
        yield f"In brackets, {_places(unsure)}: {SHIM_UNSURE}"
    none = sum(shim.verdict == "none" and not shim.doubtful for shim in run.shims)
    if none:
        yield f"{_places(none)} more {'wants' if none == 1 else 'want'} no shim."


def _places(count: int) -> str:
    return f"{count} place{'' if count == 1 else 's'}"


def _levels(plan: PlatesPlan, run: RunPlan) -> str:
    """High and low point of the job, and of this run beside them."""
    facts = plan.levels
    if facts is None:
        return "No level readings were given: no shims are planned."
    fall = shown(facts.fall_mm, facts.fall_u95_mm)
    high, low = (f"run {point.run} at {station_words(point.station_mm)}" for point in (facts.high, facts.low))
    told = f"Highest: {high}. Lowest: {low}, {fall.inches} {fall.plus_minus} below it."
    own = [point for point in facts.points if point.run == run.name]
    if not own:
        return f"{told} This run has no readings."
    lowest = min(own, key=lambda point: point.height_mm)
    down = format_inches(-lowest.height_mm)
    return (
        f"{told} Lowest read on this run: {down} below the highest, at "
        f"{station_words(lowest.station_mm)}. Held level within {format_inches(facts.within_mm, 32)}."
    )


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
    yield " ".join([f"{name}: {where} (by the {end.said_by}).{_corner_words(plan, run, end)}", *told])


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
            f"the end by up to {width_inches(layer.moved_by_angle_mm)}."
        )
    return f"{words}{cut}. {moved}{f' {CHECK_ANGLE}.' if _angle_in_doubt(layer) else ''}"


def _outermost(run: RunPlan, end: RunEnd) -> list[PlannedPiece]:
    """The piece of each layer that lies at this end."""
    by_layer: dict[int, PlannedPiece] = {}
    for plate in in_order([one.plate for one in run.pieces]):
        if end.end == "high" or plate.layer not in by_layer:
            by_layer[plate.layer] = next(one for one in run.pieces if one.plate is plate)
    return list(by_layer.values())


def _corner_words(plan: PlatesPlan, run: RunPlan, end: RunEnd) -> str:
    if end.kind != "corner":
        return ""
    for corner in plan.corners:
        if set(corner.runs) == {run.name, end.other} and corner.angle_deg is not None:
            turn = "" if corner.turn is None else f", {corner.turn} corner of the building"
            return f" {angle_text(corner.angle_deg, corner.u95_deg, 2)}{turn}."
    return ""
