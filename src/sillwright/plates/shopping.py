"""What to buy for a job's plates: lumber, sealer, hardware, shims, bits and chalk, as plain data.

Lengths are millimetres. Every waste share stands on its line, and is the crew's to change; the defaults are common
practice, without a source.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from sillwright.errors import JobError
from sillwright.fasteners import bolt_size
from sillwright.judge.rules import PlateWasherFigure
from sillwright.plates.levels import Shim
from sillwright.plates.piece import PlatePiece
from sillwright.survey import RunRecord

Item = Literal["treated-lumber", "lumber", "sill-sealer", "nut", "washer", "plate-washer", "shim", "drill-bit", "chalk"]

_SAME_MM = 0.01  # stock shorter than its pieces by less than this is not short


@dataclass(frozen=True)
class StockCount:
    """How many sticks of one length the cut list takes."""

    length_mm: float
    width_mm: float
    thickness_mm: float
    treated: bool
    count: int


@dataclass(frozen=True)
class ShoppingRules:
    """What the list is made by.

    plate_washer : IRC R403.1.6 asks for a nut and washer on each bolt, and R602.11.1 for plate washers on braced wall
    lines in seismic design categories D0 to D2; over a slotted one goes a standard cut washer. None: cut washers alone
    treated_layers : layers of treated wood: the first, on concrete (IRC R317.1)
    waste shares : added to what is needed. The cut list's stock already holds its own offcuts
    """

    plate_washer: PlateWasherFigure | None = None
    treated_layers: tuple[int, ...] = (1,)
    lumber_waste: float = 0.0
    sealer_waste: float = 0.10
    nut_waste: float = 0.05
    washer_waste: float = 0.05
    shim_waste: float = 0.10
    bit_waste: float = 0.0
    chalk_waste: float = 0.0

    def __post_init__(self) -> None:
        for name, share in vars(self).items():
            if name.endswith("_waste") and not 0.0 <= share < math.inf:
                raise JobError(f"shopping list: {name} is {share}. Give a share of zero or more, like 0.1 for a tenth.")


@dataclass(frozen=True)
class ShoppingLine:
    """One thing to buy. ``quantity`` is what is needed and the waste share of it, whole where it is counted.

    Only what tells the thing from others is given: length, width and thickness of lumber, width of sealer, diameter and
    size of what goes on a bolt, side (``width_mm``), thickness and slot of a plate washer, sixteenths of a shim,
    diameter of a bit, run and colour of chalk (None where no colour was measured).
    """

    item: Item
    unit: Literal["each", "mm"]
    needed: float
    quantity: float
    waste_share: float
    length_mm: float | None = None
    width_mm: float | None = None
    thickness_mm: float | None = None
    diameter_mm: float | None = None
    size: str | None = None
    sixteenths: int | None = None
    run: str | None = None
    color: str | None = None
    slot_width_mm: float | None = None
    slot_length_mm: float | None = None


RULES = ShoppingRules()


def shopping_list(
    runs: Sequence[RunRecord],
    pieces: Sequence[PlatePiece],
    stock: Iterable[StockCount],
    shims: Iterable[Shim] = (),
    rules: ShoppingRules = RULES,
) -> tuple[ShoppingLine, ...]:
    """Everything to buy, in a fixed order. Each bolt in the record gets its nut and washer, whatever its status.

    Raises JobError where a bolt's size is not known, or the stock is shorter than the pieces to be cut from it.
    """
    bought = tuple(stock)
    _enough(bought, pieces, rules)
    return (
        *_lumber(bought, rules),
        *_sealer(pieces, rules),
        *_hardware(runs, rules),
        *_shims(shims, rules),
        *_bits(pieces, rules),
        *_chalk(runs, rules),
    )


def _same(mm: float) -> float:
    """One number for lengths that differ by no more than binary fractions make of inches."""
    return round(mm, 6)


def _whole(needed: int, waste_share: float) -> int:
    # 20 and a twentieth is 21, not the 22 that binary fractions would make of it.
    return math.ceil(needed * (1.0 + waste_share) - 1e-9)


def _enough(stock: Sequence[StockCount], pieces: Sequence[PlatePiece], rules: ShoppingRules) -> None:
    """Stock shorter than what is cut from it is another job's, or lacks a layer."""
    have: dict[tuple[bool, float, float], float] = {}
    want: dict[tuple[bool, float, float], float] = {}
    for stick in stock:
        if stick.count < 0 or not 0.0 < stick.length_mm < math.inf:
            raise JobError("shopping list: a stick of stock needs a length above zero, and a count of zero or more.")
        key = stick.treated, _same(stick.width_mm), _same(stick.thickness_mm)
        have[key] = have.get(key, 0.0) + stick.length_mm * stick.count
    for piece in pieces:
        key = piece.layer in rules.treated_layers, _same(piece.width_mm), _same(piece.thickness_mm)
        # Slanted ends may be cut out of each other: the mean of both edges is the least that a piece can take.
        want[key] = want.get(key, 0.0) + (piece.line_edge_mm + piece.far_edge_mm) / 2.0
    for key, length_mm in want.items():
        treated, width_mm, thickness_mm = key
        if length_mm > have.get(key, 0.0) + _SAME_MM:
            raise JobError(
                f"shopping list: the stock of {'treated' if treated else 'untreated'} lumber {width_mm:.0f} mm wide "
                f"and {thickness_mm:.0f} mm thick is shorter than the pieces to cut from it. Make the cut list again, "
                "with all pieces."
            )


def _lumber(stock: Sequence[StockCount], rules: ShoppingRules) -> Iterator[ShoppingLine]:
    counts: Counter[tuple[bool, float, float, float]] = Counter()
    for stick in stock:
        width_mm, thickness_mm, length_mm = map(_same, (stick.width_mm, stick.thickness_mm, stick.length_mm))
        counts[not stick.treated, width_mm, thickness_mm, length_mm] += stick.count
    for (untreated, width_mm, thickness_mm, length_mm), count in sorted(counts.items()):
        if count:
            yield ShoppingLine(
                "lumber" if untreated else "treated-lumber",
                "each",
                count,
                _whole(count, rules.lumber_waste),
                rules.lumber_waste,
                length_mm=length_mm,
                width_mm=width_mm,
                thickness_mm=thickness_mm,
            )


def _sealer(pieces: Sequence[PlatePiece], rules: ShoppingRules) -> Iterator[ShoppingLine]:
    """Under the first layer, from long point to long point."""
    lengths: dict[float, float] = {}
    for piece in pieces:
        if piece.layer == 1:
            width_mm = _same(piece.width_mm)
            lengths[width_mm] = lengths.get(width_mm, 0.0) + piece.longest_mm
    for width_mm, needed_mm in sorted(lengths.items()):
        quantity_mm = needed_mm * (1.0 + rules.sealer_waste)
        yield ShoppingLine("sill-sealer", "mm", needed_mm, quantity_mm, rules.sealer_waste, width_mm=width_mm)


def _hardware(runs: Sequence[RunRecord], rules: ShoppingRules) -> Iterator[ShoppingLine]:
    sizes = Counter(bolt_size(bolt.diameter_mm) for run in runs for bolt in run.bolts)
    plate, slotted = rules.plate_washer, rules.plate_washer is not None and rules.plate_washer.slot_length_mm > 0.0
    kinds: list[tuple[Item, float]] = [("nut", rules.nut_waste)]
    if plate is None or slotted:
        kinds.append(("washer", rules.washer_waste))
    if plate is not None:
        kinds.append(("plate-washer", rules.washer_waste))
    for item, waste_share in kinds:
        for size, count in sorted(sizes.items(), key=lambda pair: pair[0].diameter_mm):
            quantity = _whole(count, waste_share)
            line = ShoppingLine(item, "each", count, quantity, waste_share, diameter_mm=size.diameter_mm)
            line = replace(line, size=size.name)
            if item == "plate-washer" and plate is not None:
                line = replace(line, width_mm=plate.side_mm, thickness_mm=plate.thickness_mm)
                if slotted:
                    slot_mm = size.diameter_mm + plate.slot_over_mm
                    line = replace(line, slot_width_mm=slot_mm, slot_length_mm=plate.slot_length_mm)
            yield line


def _shims(shims: Iterable[Shim], rules: ShoppingRules) -> Iterator[ShoppingLine]:
    heights = Counter(shim.sixteenths for shim in shims if shim.sixteenths)
    for sixteenths, count in sorted(heights.items()):
        quantity = _whole(count, rules.shim_waste)
        yield ShoppingLine("shim", "each", count, quantity, rules.shim_waste, sixteenths=sixteenths)


def _bits(pieces: Sequence[PlatePiece], rules: ShoppingRules) -> Iterator[ShoppingLine]:
    """One of each size: the holes of a job do not wear a bit out."""
    for drill_mm in sorted({_same(hole.drill_mm) for piece in pieces for hole in piece.holes}):
        quantity = _whole(1, rules.bit_waste)
        yield ShoppingLine("drill-bit", "each", 1, quantity, rules.bit_waste, diameter_mm=drill_mm)


def _chalk(runs: Sequence[RunRecord], rules: ShoppingRules) -> Iterator[ShoppingLine]:
    for run in runs:
        quantity = _whole(1, rules.chalk_waste)
        yield ShoppingLine("chalk", "each", 1, quantity, rules.chalk_waste, run=run.name, color=run.line_color)
