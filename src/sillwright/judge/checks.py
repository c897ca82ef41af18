"""The record of a run held against a rule set, one small function a rule; see ``verdicts`` for the guard band.

Stations of a run share the print scale. A step between two bolts therefore has no width of its own in the record:
``steps.derived_step_u95_mm`` derives one that errs on the wide side, or the caller states one; each check says which.

A bolt that no plate covers holds no plate: it does not count for spacing, ends or number. A bolt that is ``reshoot``,
or perhaps beyond the plate's edge, may count or not, and what rests on it "cannot tell". What was missed outright
leaves no trace in the record and cannot be told of here.

Across the plate a bolt is judged where it leaves the concrete, unless its hole is given (``passes.hole_place``): a bolt
that leans 5 degrees crosses a 1 1/2 in plate 1/16 in from its foot.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from types import MappingProxyType
from typing import Literal

from sillwright.judge.ends import piece_checks
from sillwright.judge.overhang import EDGE_U95_MM, faces, overhang_checks, setback_at_mm
from sillwright.judge.passes import HolePlace
from sillwright.judge.rules import RuleSet, Source
from sillwright.judge.steps import Piece, derived_step_u95_mm, on_piece, standing
from sillwright.judge.verdicts import Check, Verdict, verdict_of
from sillwright.survey import BoltRecord, RunRecord


def bolt_diameter(bolt: BoltRecord, rules: RuleSet) -> tuple[Check, ...]:
    """The stated diameter; where the photos show another one (``diameter-off``) it cannot be told.

    At least 1/2 in: IRC 2018 to 2024 R403.1.6; NBC 2020 9.23.6.1.(2) has its own (``rules`` says how each was read).
    """
    figure = rules.bolt_diameter_least
    if figure is None:
        return ()
    verdict = verdict_of(bolt.diameter_mm, 0.0, figure.value_mm, "at least")
    if any(reason.code == "diameter-off" for reason in bolt.reasons):
        verdict = "cannot tell"
    return (
        Check(
            "bolt-diameter",
            bolt.mark,
            verdict,
            bolt.diameter_mm,
            0.0,
            figure.value_mm,
            figure.source,
            doubtful=_doubtful(bolt),
        ),
    )


def across_plate(
    bolt: BoltRecord, plate_width_mm: float, rules: RuleSet, hole: HolePlace | None = None
) -> tuple[Check, ...]:
    """The bolt's centre against the middle part of the width (see ``rules.AcrossFigure``), by the limit nearest it.

    The middle third: IRC 2018 to 2024 R403.1.6 (``rules`` says how it was read).
    hole : where the bolt will stand in the plate; None judges it where it leaves the concrete
    """
    if rules.across is None:
        return ()
    bolt = _in_its_hole(bolt, hole)
    low_mm, largest_mm = rules.across.limits_mm(plate_width_mm)
    low = _of_bolt("across", bolt, bolt.setback_mm, low_mm, rules.across.source)
    high_verdict = _trusted(bolt, verdict_of(bolt.setback_mm, bolt.u95.setback_mm, largest_mm, "at most"))
    high = replace(low, verdict=high_verdict, limit_mm=largest_mm, bound="at most")
    return (low if (bolt.setback_mm or 0.0) <= plate_width_mm / 2.0 else high,)


def _in_its_hole(bolt: BoltRecord, hole: HolePlace | None) -> BoltRecord:
    if hole is None:
        return bolt
    return replace(bolt, setback_mm=hole.setback_mm, u95=replace(bolt.u95, setback_mm=hole.u95_across_mm))


def plate_edge(
    bolt: BoltRecord, plate_width_mm: float, rules: RuleSet, hole: HolePlace | None = None
) -> tuple[Check, ...]:
    """The bolt's centre from the nearer edge of the plate, where the set has no middle part of the width.

    1 1/2 diameters: NDS 2015 to 2024, 12.5.1, Table 12.5.1C (from memory). That is for load along the plate, or away
    from that edge; the loaded edge of a plate that is pushed square to the wall asks for 4 diameters there, which a
    record does not show.
    hole : as for :func:`across_plate`
    """
    figure, limit_mm = rules.plate_edge_asked, rules.plate_edge_mm(bolt.diameter_mm)
    if figure is None or limit_mm is None:
        return ()
    bolt = _in_its_hole(bolt, hole)
    at_mm = bolt.setback_mm
    away_mm = None if at_mm is None else min(at_mm, plate_width_mm - at_mm)
    side = "chalk-line side" if at_mm is None or at_mm <= plate_width_mm / 2.0 else "far side"
    return (replace(_of_bolt("plate-edge", bolt, away_mm, limit_mm, figure.source), other=side),)


def concrete_edges(
    bolt: BoltRecord, run: RunRecord, rules: RuleSet, edge_u95_mm: float = EDGE_U95_MM
) -> tuple[Check, ...]:
    """The bolt's centre from either edge of the wall's top; "cannot tell" where an edge was not seen.

    1 3/4 in: IBC 2012 to 2018, 1905.1.8, for ACI 318 (from memory); the IRC sets have none.
    """
    figure = rules.concrete_edge_least
    if figure is None:
        return ()
    seen = faces(run)
    checks = []
    for side, edge, sign in (("chalk-line side", seen.line_side, 1.0), ("far side", seen.far_side, -1.0)):
        away_mm = u95_mm = None
        if edge is not None and bolt.setback_mm is not None and bolt.station_mm is not None:
            away_mm = sign * (bolt.setback_mm - setback_at_mm(edge, bolt.station_mm)) / math.hypot(1.0, edge.slope)
            u95_mm = None if bolt.u95.setback_mm is None else math.hypot(bolt.u95.setback_mm, edge_u95_mm)
        verdict = _trusted(bolt, verdict_of(away_mm, u95_mm, figure.value_mm, "at least"))
        found = _of_bolt("concrete-edge", bolt, away_mm, figure.value_mm, figure.source)
        checks.append(replace(found, verdict=verdict, u95_mm=u95_mm, other=side))
    return tuple(checks)


def _of_bolt(
    key: Literal["across", "plate-edge", "concrete-edge"],
    bolt: BoltRecord,
    measured_mm: float | None,
    least_mm: float,
    source: Source,
) -> Check:
    u95_mm = bolt.u95.setback_mm
    verdict = _trusted(bolt, verdict_of(measured_mm, u95_mm, least_mm, "at least"))
    return Check(key, bolt.mark, verdict, measured_mm, u95_mm, least_mm, source, doubtful=_doubtful(bolt))


def _trusted(bolt: BoltRecord, verdict: Verdict) -> Verdict:
    return "cannot tell" if bolt.status == "reshoot" else verdict


def _doubtful(*bolts: BoltRecord) -> bool:
    return any(bolt.status != "ok" for bolt in bolts)


def spacing(run: RunRecord, rules: RuleSet, step_u95_mm: float | None = None) -> tuple[Check, ...]:
    """Each step between neighbours under the plate, in the order of stations.

    At most 6 ft: IRC 2018 to 2024 R403.1.6; NBC 2020 9.23.6.1.(2) has its own (``rules`` says how each was read).
    """
    figure = rules.spacing_largest
    if figure is None:
        return ()
    placed, unplaced = standing(run)
    checks = []
    for first, second in pairwise(placed):
        step_mm = second.station_mm - first.station_mm
        u95_mm = step_u95_mm
        if u95_mm is None:
            u95_mm = derived_step_u95_mm(first.bolt, second.bolt, run.scale_u95_ratio)
        verdict = verdict_of(step_mm, u95_mm, figure.value_mm, "at most")
        if not (first.sure and second.sure) or (verdict == "does not" and unplaced):
            verdict = "cannot tell"
        checks.append(
            Check(
                key="spacing",
                subject=first.bolt.mark,
                verdict=verdict,
                measured_mm=step_mm,
                u95_mm=u95_mm,
                limit_mm=figure.value_mm,
                source=figure.source,
                bound="at most",
                other=second.bolt.mark,
                u95_from="derived" if step_u95_mm is None else "stated",
                doubtful=_doubtful(first.bolt, second.bolt),
            )
        )
    return tuple(checks)


def check_piece(
    run: RunRecord,
    piece: Piece,
    rules: RuleSet,
    step_u95_mm: float | None = None,
    holes: Mapping[str, HolePlace] = MappingProxyType({}),
) -> tuple[Check, ...]:
    """Everything about one piece: its bolts' number, ends, steps and places across, and their diameters and edges.

    step_u95_mm : the half-width of each step between neighbours, where the caller knows one
    holes : by bolt mark, where holes are placed already
    """
    on_it = {bolt.mark for bolt in run.bolts if on_piece(bolt, piece, run.scale_u95_ratio) != "does not"}
    own = replace(run, bolts=tuple(bolt for bolt in run.bolts if bolt.mark in on_it))
    bolt_checks = [check for bolt in own.bolts for check in _bolt_checks(bolt, run, rules, holes.get(bolt.mark))]
    return (
        *piece_checks(run, piece, rules),
        *spacing(own, rules, step_u95_mm),
        *bolt_checks,
        *overhang_checks(run, rules, (piece.low_mm, piece.high_mm)),
    )


def check_run(
    run: RunRecord,
    rules: RuleSet,
    pieces: Sequence[Piece] = (),
    step_u95_mm: float | None = None,
    holes: Mapping[str, HolePlace] = MappingProxyType({}),
) -> tuple[Check, ...]:
    """Everything about one run, nothing twice: steps over all joints, each piece's ends and number, each bolt.

    ``step_u95_mm`` and ``holes`` as for :func:`check_piece`.
    """
    ends_mm = [end_mm for piece in pieces for end_mm in (piece.low_mm, piece.high_mm)]
    stations_mm = ends_mm or [bolt.station_mm for bolt in run.bolts if bolt.station_mm is not None]
    return (
        *[check for piece in pieces for check in piece_checks(run, piece, rules)],
        *spacing(run, rules, step_u95_mm),
        *[check for bolt in run.bolts for check in _bolt_checks(bolt, run, rules, holes.get(bolt.mark))],
        *(overhang_checks(run, rules, (min(stations_mm), max(stations_mm))) if stations_mm else ()),
    )


def _bolt_checks(bolt: BoltRecord, run: RunRecord, rules: RuleSet, hole: HolePlace | None) -> tuple[Check, ...]:
    return (
        *bolt_diameter(bolt, rules),
        *across_plate(bolt, run.plate_width_mm, rules, hole),
        *plate_edge(bolt, run.plate_width_mm, rules, hole),
        *concrete_edges(bolt, run, rules),
    )
