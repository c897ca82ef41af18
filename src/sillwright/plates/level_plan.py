"""The level readings of a job: what they show, and the shims each run's plates want."""

from __future__ import annotations

import math

from sillwright.plates.findings import PlanFinding
from sillwright.plates.inputs import PlanInputs
from sillwright.plates.levels import STEP_MM, Levels, Shim, levels_of, shim_places, shims
from sillwright.plates.piece import PlatePiece
from sillwright.plates.record import LevelFacts


def level_facts(inputs: PlanInputs) -> tuple[Levels | None, LevelFacts | None, list[PlanFinding]]:
    """All readings on one datum and what they show; None of both where there are none.

    With one plate only there is nothing to shim between: a fall past the tolerance is a finding.
    """
    if not inputs.level_points:
        return None, None, []
    levels, within_mm = levels_of(inputs.level_points), inputs.job.layout.level_within_mm
    fall_mm = levels.high.height_mm - levels.low.height_mm
    # The difference of two readings.
    u95_mm = math.sqrt(2.0) * levels.reading_u95_mm if levels.high != levels.low else 0.0
    facts = LevelFacts(levels.points, levels.high, levels.low, fall_mm, u95_mm, within_mm)
    findings = []
    if inputs.job.plate.layers == 1 and fall_mm > within_mm:
        low = levels.low
        findings.append(PlanFinding("not-level-one-plate", run=low.run, station_mm=low.station_mm, value_mm=fall_mm))
    return levels, facts, findings


def run_shims(
    levels: Levels | None, run: str, first_layer: tuple[PlatePiece, ...], inputs: PlanInputs
) -> tuple[tuple[Shim, ...], list[PlanFinding]]:
    """The shims between a run's first and second plate; none where it has one plate, or the job no readings."""
    if levels is None or inputs.job.plate.layers < 2 or not first_layer:
        return (), []
    if not any(point.run == run for point in levels.points):
        return (), [PlanFinding("levels-missing", run=run, key="[run.levels]")]
    bolts = [(hole.mark, piece.low_mm + hole.from_low_end_mm) for piece in first_layer for hole in piece.holes]
    rules = inputs.shim_rules
    places = shim_places(first_layer[0].low_mm, first_layer[-1].high_mm, bolts, rules=rules)
    return shims(levels, run, places, rules), []


def shim_beside_mm(found: tuple[Shim, ...], mark: str) -> float:
    """The highest shim beside a bolt, which the bolt has to reach through as well."""
    return max((STEP_MM * (shim.sixteenths or 0) for shim in found if mark in shim.place.bolts), default=0.0)
