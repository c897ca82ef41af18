"""The outline as taped, with the corners as measured: does it close, is it square, do the readings agree?"""

from __future__ import annotations

from collections.abc import Iterator

from sillwright.errors import JobError
from sillwright.plates.findings import PlanFinding
from sillwright.plates.inputs import PlanInputs
from sillwright.plates.record import OutlineFacts
from sillwright.plates.run_ends import JobEnds
from sillwright.plates.square import (
    Diagonal,
    DiagonalCheck,
    Squareness,
    check_diagonals,
    closure,
    corner_angle,
    diagonals,
    squareness,
)
from sillwright.plates.traverse import CornerAngle, Outline, Taped, adjust


def outline_facts(ends: JobEnds, inputs: PlanInputs) -> tuple[OutlineFacts | None, list[PlanFinding]]:
    """What the taped outline shows; None where none was taped, or where what was taped leaves its shape open."""
    walls = inputs.job.outline.wall
    if not walls:
        return None, []
    runs = tuple(wall.run for wall in walls)
    try:
        outline = _outline(ends, inputs)
        adjusted = adjust(outline)
    except JobError as fault:
        return None, [PlanFinding("outline-not-worked-out", key="[outline]", told=str(fault))]
    closes = closure(outline) if len(outline.angles) == len(walls) else None
    should: tuple[Diagonal, ...] = ()
    square: tuple[Squareness, ...] = ()
    findings = []
    try:
        should, square = diagonals(outline), squareness(outline, adjusted)
    except JobError as fault:
        findings.append(PlanFinding("outline-not-worked-out", "note", key="[outline]", told=str(fault)))
    both = _both_diagonals(outline)
    facts = OutlineFacts(
        runs, closes, adjusted.consistent, tuple(_named(one) for one in adjusted.suspects), should, both, square
    )
    return facts, [*findings, *_findings(facts)]


def _outline(ends: JobEnds, inputs: PlanInputs) -> Outline:
    walls = inputs.job.outline.wall
    names = tuple(str(count) for count in range(1, len(walls) + 1))
    taped = [Taped(names[k], names[(k + 1) % len(names)], wall.length_mm) for k, wall in enumerate(walls)]
    taped += [Taped(str(one.from_corner), str(one.to_corner), one.length_mm) for one in inputs.job.outline.diagonal]
    angles = []
    for k, name in enumerate(names):
        meeting = {walls[k - 1].run, walls[k].run}
        corner = next((one for one in ends.jointed if set(one.record.runs) == meeting), None)
        if corner is not None and corner.record.u95_deg:
            angles.append(corner_angle(name, corner.record, corner.turn))
    return Outline(names, tuple(taped), tuple(angles))


def _both_diagonals(outline: Outline) -> DiagonalCheck | None:
    """Where there are four walls and both diagonals were taped."""
    if len(outline.corners) != 4 or outline.taped_mm("1", "3") is None or outline.taped_mm("2", "4") is None:
        return None
    return check_diagonals(outline)


def _named(reading: Taped | CornerAngle) -> str:
    return reading.corner if isinstance(reading, CornerAngle) else f"{reading.from_corner} to {reading.to_corner}"


def _findings(facts: OutlineFacts) -> Iterator[PlanFinding]:
    if facts.consistent is False or (facts.diagonal_check is not None and not facts.diagonal_check.consistent):
        yield PlanFinding("outline-inconsistent", key="[outline]", facts=facts.suspects)
    for one in facts.squareness:
        if one.verdict == "out":
            yield PlanFinding("corner-out-of-square", value_mm=one.off_mm, facts=(one.corner,))
        elif one.verdict == "cannot tell":
            yield PlanFinding("corner-square-unsure", value_mm=one.off_mm, facts=(one.corner,))
