"""The plate against the foundation's faces: how far it hangs over, and how much of its width lies on concrete.

No figure for overhang was found in the IRC. By inspectors' and crews' word anything from none to the plate's thickness
(1 1/2 in) is held to (forum threads; an IBC reading, 1807.1.6.1, says none): so the limit is the crew's.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import fmean

from sillwright.judge.rules import LengthFigure, RuleSet, Source
from sillwright.judge.verdicts import Bound, Check, CheckKey, PlateSide, verdict_of
from sillwright.survey import EdgeRecord, RunRecord

# The record gives edges no width. On drawn walls they are true to 2.5 mm; real arrises are broken and rounded, so twice
# that is taken (no source).
EDGE_U95_MM = 5.0
NO_FIGURE = Source("IRC, no figure found", "", "", "second-hand")


@dataclass(frozen=True)
class Faces:
    """The wall's top edges by side: the one the chalk line is snapped along, and the far one; None where not seen."""

    line_side: EdgeRecord | None
    far_side: EdgeRecord | None


def setback_at_mm(edge: EdgeRecord, station_mm: float) -> float:
    """Where an edge lies across the run at a station."""
    return edge.setback_at_zero_mm + edge.slope * station_mm


def faces(run: RunRecord) -> Faces:
    """Tell the two edges apart by the bolts, which stand between them; of several on a side the nearest counts."""
    setbacks_mm = [bolt.setback_mm for bolt in run.bolts if bolt.setback_mm is not None and bolt.status != "reshoot"]
    stations_mm = [bolt.station_mm for bolt in run.bolts if bolt.station_mm is not None] or [0.0]
    middle_mm = fmean(setbacks_mm) if setbacks_mm else run.plate_width_mm / 2.0
    at_mm = fmean(stations_mm)
    near = [edge for edge in run.edges if setback_at_mm(edge, at_mm) < middle_mm]
    far = [edge for edge in run.edges if setback_at_mm(edge, at_mm) >= middle_mm]
    return Faces(
        max(near, key=lambda edge: setback_at_mm(edge, at_mm), default=None),
        min(far, key=lambda edge: setback_at_mm(edge, at_mm), default=None),
    )


def unseen_sides(run: RunRecord) -> tuple[PlateSide, ...]:
    """The sides on which no edge of the concrete was seen, so that no overhang there can be told."""
    seen = faces(run)
    sides: tuple[tuple[PlateSide, EdgeRecord | None], ...] = (
        ("chalk-line side", seen.line_side),
        ("far side", seen.far_side),
    )
    return tuple(side for side, edge in sides if edge is None)


def overhang_checks(
    run: RunRecord, rules: RuleSet, stations_mm: Sequence[float], edge_u95_mm: float = EDGE_U95_MM
) -> tuple[Check, ...]:
    """Overhang on either side, and bearing, of a plate on the chalk line, at the worst of these stations (the ends do).

    With a limit set, a side whose edge was not seen "cannot tell". Without one, an overhang that there may be is told
    as "cannot tell" with :data:`NO_FIGURE`, and of an edge not seen nothing is said here (:func:`unseen_sides`). A
    negative overhang is concrete that shows beside the plate.

    Limits are the crew's: no figure was found in the IRC; that none hangs over is a reading of IBC 2018 1807.1.6.1
    (second-hand).
    """
    seen, width_mm = faces(run), run.plate_width_mm
    over: dict[str, float | None] = {
        "chalk-line side": _most(seen.line_side, stations_mm, lambda at_mm: at_mm),
        "far side": _most(seen.far_side, stations_mm, lambda at_mm: width_mm - at_mm),
    }
    checks = [
        _check(run, "overhang", side, over_mm, edge_u95_mm, rules.overhang_largest, "at most")
        for side, over_mm in over.items()
        if rules.overhang_largest is not None or (over_mm is not None and over_mm + edge_u95_mm > 0.0)
    ]
    if rules.bearing_least is not None:
        hangs_mm = [None if over_mm is None else max(over_mm, 0.0) for over_mm in over.values()]
        known_mm = [hang_mm for hang_mm in hangs_mm if hang_mm is not None]
        bears_mm = width_mm - sum(known_mm) if len(known_mm) == len(hangs_mm) else None
        both_u95_mm = math.hypot(edge_u95_mm, edge_u95_mm)
        checks.append(_check(run, "bearing", "", bears_mm, both_u95_mm, rules.bearing_least, "at least"))
    return tuple(checks)


def _most(edge: EdgeRecord | None, stations_mm: Sequence[float], over: Callable[[float], float]) -> float | None:
    if edge is None:
        return None
    return max((over(setback_at_mm(edge, at_mm)) for at_mm in stations_mm), default=None)


def _check(
    run: RunRecord,
    key: CheckKey,
    side: str,
    measured_mm: float | None,
    u95_mm: float,
    figure: LengthFigure | None,
    bound: Bound,
) -> Check:
    limit_mm, source = (None, NO_FIGURE) if figure is None else (figure.value_mm, figure.source)
    return Check(
        key=key,
        subject=run.name,
        verdict=verdict_of(measured_mm, u95_mm, limit_mm, bound),
        measured_mm=measured_mm,
        u95_mm=None if measured_mm is None else u95_mm,
        limit_mm=limit_mm,
        source=source,
        bound=bound,
        other=side,
        doubtful=run.status != "ok",
    )
