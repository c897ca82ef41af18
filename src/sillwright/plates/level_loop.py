"""A line of levels: backsights and foresights carried from a benchmark, by height of instrument.

The method is that of US Navy NAVEDTRA 14081: a backsight on a known point gives the instrument's height, a foresight
taken from that gives the next point's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sillwright.errors import JobError


@dataclass(frozen=True)
class Shot:
    """One row of a level book: foresight from the set-up so far, backsight from the next; both at a turning point."""

    point: str
    backsight_mm: float | None = None
    foresight_mm: float | None = None


@dataclass(frozen=True)
class Carried:
    """One point's height: as carried, and less its share of the closing error (the same where none is known)."""

    point: str
    height_mm: float
    adjusted_mm: float


@dataclass(frozen=True)
class LevelLine:
    """Heights in the order of the book. ``misclosure_mm`` is carried less known, None where the line does not close."""

    heights: tuple[Carried, ...]
    misclosure_mm: float | None


def run_levels(benchmark_mm: float, shots: Sequence[Shot], ends_at_mm: float | None = None) -> LevelLine:
    """Carry heights from a benchmark through a level book.

    The first row is the backsight on the benchmark. Where the last row comes back to it by name, or ``ends_at_mm``
    is its known height, the closing error is shared out alike among the set-ups (common practice, no source).

    Raises JobError naming the row that lacks a sight.
    """
    if not shots or shots[0].backsight_mm is None or shots[0].foresight_mm is not None:
        raise JobError("level book, row 1: it must be the backsight on the benchmark, and no foresight.")
    heights = [benchmark_mm]
    setups = [0]
    instrument_mm, setup = benchmark_mm + shots[0].backsight_mm, 1
    for number, shot in enumerate(shots[1:], start=2):
        if shot.foresight_mm is None:
            raise JobError(f"level book, row {number}: {shot.point} has no foresight, so its height is not known.")
        heights.append(instrument_mm - shot.foresight_mm)
        setups.append(setup)
        if shot.backsight_mm is not None:
            instrument_mm, setup = heights[-1] + shot.backsight_mm, setup + 1
    if shots[-1].backsight_mm is not None and len(shots) > 1:
        raise JobError(f"level book, row {len(shots)}: {shots[-1].point} has a backsight and nothing is read from it.")
    if ends_at_mm is None and len(shots) > 1 and shots[-1].point == shots[0].point:
        ends_at_mm = benchmark_mm
    off_mm = None if ends_at_mm is None else heights[-1] - ends_at_mm
    each_mm = (off_mm or 0.0) / max(1, setups[-1])
    return LevelLine(
        tuple(
            Carried(shot.point, height, height - each_mm * count)
            for shot, height, count in zip(shots, heights, setups, strict=True)
        ),
        off_mm,
    )
