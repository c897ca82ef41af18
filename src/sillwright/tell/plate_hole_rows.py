"""The holes of one run's sheet as text, a row a bolt.

No figure stands here for a bolt that has no hole in the plan. A hole that something speaks against carries a tag in
words and ``doubtful``, so that no sheet can print its figures as if they were sure.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from sillwright.lengths import MM_PER_INCH, format_feet_inches, format_inches
from sillwright.plates.piece import Hole
from sillwright.plates.record import BoltPlan, PlannedPiece, PlatesPlan, RunPlan
from sillwright.tell.plate_view import hole_doubts
from sillwright.tell.plate_words import drill_words, listed, mark_parts

STRAIGHTEN, TAPE, BOTH = "STRAIGHTEN FIRST", "TAPE FIRST", "STRAIGHTEN, THEN TAPE"
ENGINEER, RESHOOT, BARE, NO_HOLE = "NO HOLE: ENGINEER", "NO HOLE: SHOOT AGAIN", "NO HOLE: NO PLATE OVER IT", "NO HOLE"
BOX_KEY = (
    "A box is for one bolt: tick it once its holes are drilled. A box with a question mark is not to be drilled from "
    "yet: its figures stand in brackets. Do what is said beside it, and write down what the tape reads. A box with a "
    "cross has no hole."
)
_MM_PER_SIXTY_FOURTH = MM_PER_INCH / 64.0
_LEAST_STEPS = 2  # a wood bit wanders by 1/32 in or so (common practice, no source)


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
    notes : sentences; for a sure hole how near its mark to drill
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


def holes_title(holes: tuple[HoleRow, ...]) -> str:
    """The heading, with the drill where all holes want the same one."""
    drills = list(dict.fromkeys(row.drill for row in holes if row.drill))
    if len(drills) == 1:
        return f"Holes: drill {drills[0]}"
    return "Holes" if not drills else f"Holes: drills {listed(drills)}, see each bolt"


def hole_rows(plan: PlatesPlan, run: RunPlan) -> tuple[HoleRow, ...]:
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
    """How far a hole may be drilled from its mark, rounded down: what lean, ± and rounding leave of the room."""
    steps = math.floor(within_mm / _MM_PER_SIXTY_FOURTH + 1e-9)
    if steps < _LEAST_STEPS:
        return 'Less than 1/32" to spare: drill right on the mark, or have a larger hole approved.'
    return f"Drill within {format_inches(steps * _MM_PER_SIXTY_FOURTH, 64)} of the mark."


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
