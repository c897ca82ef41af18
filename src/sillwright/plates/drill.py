"""Holes put into the pieces that go over each bolt, layer by layer."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations

from sillwright.judge.checks import plate_edge
from sillwright.judge.passes import HolePlace
from sillwright.judge.verdicts import TOUCHES_MM, under_plate
from sillwright.plates.cover import Cover, Covered
from sillwright.plates.findings import PlanFinding
from sillwright.plates.holes import Drill, Drilling, in_piece, lies_on, marked_hole, place_of
from sillwright.plates.inputs import PlanInputs
from sillwright.plates.lay import LaidRun
from sillwright.plates.piece import Hole, HoleDoubt, PlatePiece
from sillwright.plates.record import HolePlan
from sillwright.survey import RunRecord


@dataclass(frozen=True)
class Drilled:
    """By run its pieces a layer, with holes; by mark where its holes are; what is to be said."""

    pieces: Mapping[str, tuple[tuple[PlatePiece, ...], ...]]
    holes: Mapping[str, tuple[tuple[HolePlan, Hole], ...]]
    findings: tuple[PlanFinding, ...]


def drill_pieces(
    laid: Mapping[str, LaidRun],
    records: Mapping[str, RunRecord],
    cover: Cover,
    work: Mapping[str, Drilling],
    inputs: PlanInputs,
) -> Drilled:
    """Every hole in every piece; one that would break out of its piece is left out and told of."""
    pieces: dict[str, tuple[tuple[PlatePiece, ...], ...]] = {}
    holes: dict[str, list[tuple[HolePlan, Hole]]] = {}
    findings: list[PlanFinding] = []
    off: dict[tuple[str, str], list[int]] = {}
    for name, run in laid.items():
        rows = []
        for layer, row in enumerate(run.pieces, start=1):
            held: dict[str, list[Hole]] = {piece.name: [] for piece in row}
            for covered in cover.under.get((name, layer), ()):
                one = work[covered.bolt.mark]
                if not one.drilled:
                    continue
                found = _hole(row, covered, one, records[name], inputs)
                if found is None:
                    off.setdefault((name, one.mark), []).append(layer)
                    continue
                piece, hole = found
                held[piece.name].append(hole)
                holes.setdefault(one.mark, []).append((_told(piece, hole), hole))
            drilled = tuple(
                replace(piece, holes=tuple(sorted(held[piece.name], key=lambda hole: hole.from_low_end_mm)))
                for piece in row
            )
            findings += [finding for piece in drilled for finding in too_near(piece)]
            rows.append(drilled)
        pieces[name] = tuple(rows)
    for (name, mark), layers in off.items():
        told: list[int | None] = list(layers) if len(layers) < inputs.job.plate.layers else [None]
        findings += [PlanFinding("hole-off-piece", run=name, marks=(mark,), layer=layer) for layer in told]
    return Drilled(pieces, {mark: tuple(found) for mark, found in holes.items()}, tuple(findings))


def too_near(piece: PlatePiece) -> Iterator[PlanFinding]:
    """Every two holes of a piece with less wood between them than the larger one's diameter (common practice, no
    source; at a corner bolts of both runs may stand in one plate)."""
    for one, other in combinations(piece.holes, 2):
        apart_mm = math.hypot(other.from_low_end_mm - one.from_low_end_mm, other.from_line_mm - one.from_line_mm)
        wood_mm = apart_mm - (one.drill_mm + other.drill_mm) / 2.0
        if wood_mm < max(one.drill_mm, other.drill_mm) - TOUCHES_MM:
            yield PlanFinding(
                "holes-too-near",
                run=piece.run,
                marks=(one.mark, other.mark),
                piece=piece.name,
                layer=piece.layer,
                value_mm=wood_mm if wood_mm > TOUCHES_MM else None,
            )


def _hole(
    row: tuple[PlatePiece, ...], covered: Covered, one: Drilling, run: RunRecord, inputs: PlanInputs
) -> tuple[PlatePiece, Hole] | None:
    """The piece that holds the whole hole, and the hole; None where none does."""
    drill = Drill(inputs.drill_mm, inputs.stack_mm, inputs.job.layout.mark_mm)
    doubts = _carried_doubts(covered, run.plate_width_mm, drill.drill_mm)
    edge = plate_edge(covered.bolt, run.plate_width_mm, inputs.rules, place_of(covered.bolt, one, inputs.stack_mm))
    if any(check.verdict != "meets" for check in edge):
        doubts = (*doubts, "little-edge")
    for piece in row:
        hole = marked_hole(piece, in_piece(piece, covered.bolt, run.scale_u95_ratio), one, drill, doubts)
        if hole and lies_on(piece, hole.from_low_end_mm, hole.from_line_mm, drill.drill_mm / 2.0):
            return piece, hole
    return None


def _carried_doubts(covered: Covered, width_mm: float, drill_mm: float) -> tuple[HoleDoubt, ...]:
    """What the neighbour's plate adds to a bolt's doubts: the corner's own, and how near it comes to that plate's edge
    (its own plate's is judged in ``judge.passes``)."""
    if covered.corner is None:
        return ()
    doubts: list[HoleDoubt] = [] if covered.corner.record.status == "ok" else ["angle-unsure"]
    if under_plate(covered.bolt, width_mm, drill_mm / 2.0) != "meets":
        doubts.append("near-plate-edge")
    return tuple(doubts)


def _told(piece: PlatePiece, hole: Hole) -> HolePlan:
    return HolePlan(
        piece.name,
        piece.run,
        piece.layer,
        piece.low_mm + hole.from_low_end_mm,
        hole.from_line_mm,
        hole.from_low_end_mm,
        hole.from_line_mm,
    )


def places(cover: Cover, run: str, work: Mapping[str, Drilling], inputs: PlanInputs) -> dict[str, HolePlace]:
    """By mark, where the bolts under a run's first plate will stand in it, in that run's frame and before marks."""
    found = {}
    for covered in cover.under.get((run, 1), ()):
        place = place_of(covered.bolt, work[covered.bolt.mark], inputs.stack_mm)
        if place is not None:
            found[covered.bolt.mark] = place
    return found


def bare_findings(cover: Cover, runs: Mapping[str, str]) -> Iterator[PlanFinding]:
    """Bolts that a layer leaves bare, a finding for each run and layer; ``runs`` by mark."""
    marks: dict[tuple[str, int], list[str]] = {}
    for mark, layers in cover.bare.items():
        for layer in layers:
            marks.setdefault((runs[mark], layer), []).append(mark)
    for (run, layer), there in marks.items():
        yield PlanFinding("bolt-beyond-plate", run=run, marks=tuple(there), layer=layer)
