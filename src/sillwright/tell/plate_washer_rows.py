"""The plate washers of one run's sheet as text, where the rules ask for them: how each lies on the top plate.

Every bolt that has a hole in a top plate of the run has a row, a neighbour's at a corner too.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sillwright.judge.plate_washer import WasherFit, WasherMove, WasherSide
from sillwright.judge.rules import PlateWasherFigure
from sillwright.judge.steps import ENDS
from sillwright.lengths import MM_PER_INCH, format_inches
from sillwright.plates.record import BoltPlan, PlatesPlan, RunPlan
from sillwright.tell.plate_words import listed, source_words, washer_size_words
from sillwright.tell.rows import shown

SIDES: dict[str, str] = {"chalk-line side": "chalk-line edge", "far side": "far edge"}
HANGS, UNSURE, MEETS = "HANGS OVER", "CANNOT TELL", "MEETS THAT OF"
_SIXTEENTH_MM = MM_PER_INCH / 16.0


@dataclass(frozen=True)
class WasherRow:
    """One bolt's plate washer: what it leaves to either edge where it is centred, how it lies, and near which edges.

    doubtful : it hangs over or meets a neighbour's, or that cannot be told
    """

    mark: str
    to_line: str
    to_far: str
    lies: str
    near: str
    doubtful: bool


def washer_rows(plan: PlatesPlan, run: RunPlan) -> tuple[WasherRow, ...]:
    """The rows of one run, in the order of the holes of its top plates."""
    bolts = {bolt.mark: bolt for each in plan.runs for bolt in each.bolts}
    top = max((piece.plate.layer for piece in run.pieces), default=0)
    pieces = sorted((one.plate for one in run.pieces if one.plate.layer == top), key=lambda one: one.low_mm)
    held = [bolts[hole.mark] for piece in pieces for hole in piece.holes if hole.mark in bolts]
    pairs = [one.marks for one in plan.findings if one.code == "plate-washers-overlap"]
    return tuple(
        _row(bolt, bolt.washer, [other for pair in pairs if bolt.mark in pair for other in pair if other != bolt.mark])
        for bolt in held
        if bolt.washer is not None and bolt.washer.run == run.name
    )


def washer_lines(plan: PlatesPlan) -> Iterator[str]:
    """What is asked for, and how to read the rows."""
    washer = plan.rules.plate_washer
    if washer is None:
        return
    yield f"Between top plate and nut goes a washer at least {washer_size_words(washer.side_mm, washer.thickness_mm)}."
    if washer.slot_length_mm > 0.0:
        yield _slot_words(plan, washer)
    edge = next((one for one in plan.rules.figures if one.key == "plate_washer_edge"), None)
    if edge is not None and edge.value_mm is not None:
        yield (
            f"On the sheathed side of a shear wall its edge is to come within {format_inches(edge.value_mm)} of the "
            f"plate's edge ({source_words(edge.source)}). Which side that is the photos do not show: the last column "
            "names the edges where it can."
        )


def _slot_words(plan: PlatesPlan, washer: PlateWasherFigure) -> str:
    shift_mm = math.floor(washer.shift_mm(plan.lumber.bolt_diameter_mm) / _SIXTEENTH_MM) * _SIXTEENTH_MM
    wide_mm = plan.lumber.bolt_diameter_mm + washer.slot_over_mm
    return (
        f"Its hole may be a slot from corner toward corner, {format_inches(wide_mm)} wide and "
        f"{format_inches(washer.slot_length_mm)} long at most, with a cut washer under the nut: so it goes "
        f"{format_inches(shift_mm)} toward an edge, and as far along the wall."
    )


def _row(bolt: BoltPlan, fit: WasherFit, beside: Sequence[str]) -> WasherRow:
    """beside : the marks whose washers lie over this one, or may"""
    line, far = (_left(side, fit.u95_across_mm) for side in fit.sides)
    lies = f"{_lies(fit)}; {MEETS} {listed(beside)}" if beside else _lies(fit)
    return WasherRow(bolt.mark, line, far, lies, _near(fit), bool(beside) or fit.on_wood != "meets")


def _left(side: WasherSide, u95_mm: float | None) -> str:
    """What is left between both edges; a washer that hangs over says so."""
    length = shown(side.centred_mm, u95_mm)
    words = f"{length.inches} {length.plus_minus}"
    return f"over by {words}" if side.centred_mm < 0.0 else words


def _lies(fit: WasherFit) -> str:
    if fit.on_wood == "cannot tell":
        return f"{UNSURE} whether all of it lies on the wood: tape the bolt"
    if fit.on_wood == "does not":
        return f"{HANGS} {_over_words(fit)}, moved as far as it goes: ask the engineer"
    move = fit.move
    if move is None or move.least_mm <= 0.0:
        return "on the wood, centred"
    ways = [*([f"the {SIDES[move.toward]}"] if move.toward else []), *([f"the {move.along}"] if move.along else [])]
    return f"on the wood, slotted: move it {_move_words(move)} toward {' and as far toward '.join(ways)}"


def _move_words(move: WasherMove) -> str:
    """The least sixteenth that is enough and not too much; where there is none, the middle between both."""
    up_mm = math.ceil(move.least_mm / _SIXTEENTH_MM) * _SIXTEENTH_MM
    return format_inches(up_mm if up_mm <= move.most_mm else (move.least_mm + move.most_mm) / 2.0, 32)


def _over_words(fit: WasherFit) -> str:
    """Which edge or end, and by how much."""
    length = shown(-fit.room_mm, fit.room_u95_mm)
    where = f"{fit.nearest} of {fit.piece}" if fit.nearest in ENDS else SIDES[fit.nearest]
    return f"the {where} by {length.inches} {length.plus_minus}"


def _near(fit: WasherFit) -> str:
    """The edges that it surely, or perhaps, comes near enough to; empty without such a rule, or until it lies well."""
    if any(side.near_enough is None for side in fit.sides):
        return ""
    surely = [SIDES[side.side] for side in fit.sides if side.near_enough == "meets"]
    perhaps = [SIDES[side.side] for side in fit.sides if side.near_enough == "cannot tell"]
    told = [*([listed(surely)] if surely else []), *([f"{UNSURE}: {listed(perhaps)}"] if perhaps else [])]
    return "; ".join(told) or "NEITHER EDGE"
