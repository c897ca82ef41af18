"""Where the plates of each run begin and end: by the corners in the record, and by what the job file says.

What nobody says is not invented: that end is a finding, with what to write. Ends lie on whole marks from the low end of
the run's first plate, as the joints between them do, so that every length along the chalk line is one that can be
taped, and a hole has the same mark in both layers; no end moves by more than half a mark.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from sillwright.errors import JobError
from sillwright.job_plates import EndTable
from sillwright.plates.corners import (
    PlateEnd,
    check_angle,
    corner_ends,
    corner_name,
    corner_turn,
    crossing_u95_mm,
    edge_lengths,
    own_crossing_u95_mm,
    square_end,
    strip_of,
)
from sillwright.plates.findings import PlanFinding
from sillwright.plates.inputs import PlanInputs
from sillwright.plates.lap import JointedCorner
from sillwright.plates.record import CornerPlan, LayerEnd, RunEnd
from sillwright.survey import CornerRecord, RunRecord, Survey

End = Literal["low", "high"]
SHARP_CORNER_DO = (
    "If that angle is wrong, check which chalk line the photos of each [[run]] show, and measure again. "
    "If it is right, take this [[corner]] out, and write station under [run.begins] or [run.ends] of both runs."
)
_KEYS: dict[End, str] = {"low": "begins", "high": "ends"}


@dataclass(frozen=True)
class JobEnds:
    """Both ends of every run, by its name; the corners that can be cut to; all corners as the plan tells of them."""

    by_run: Mapping[str, tuple[RunEnd, RunEnd]]
    jointed: tuple[JointedCorner, ...]
    corners: tuple[CornerPlan, ...]
    findings: tuple[PlanFinding, ...]


@dataclass(frozen=True)
class _Met:
    """A corner at one end of a run, and that run's plates there, a layer each."""

    other: str
    ends: tuple[PlateEnd, ...]


def find_ends(survey: Survey, inputs: PlanInputs) -> JobEnds:
    """Both ends of every run. Raises JobError where job file and photos say different things of one end, where a corner
    is no corner, and where two ends leave no plate between them."""
    met: dict[tuple[str, End], _Met] = {}
    jointed, plans, findings = [], [], []
    for record in survey.corners:
        found = _joint(survey, record, inputs)
        table = inputs.corner_table(record.runs)
        codes = tuple(dict.fromkeys(finding.code for finding in record.reasons))
        turn = None if isinstance(found, PlanFinding) else found[0].turn
        plans.append(
            CornerPlan(
                record.runs,
                record.angle_deg,
                record.u95_deg,
                record.status,
                codes,
                table.joint,
                table.through,
                turn,
                dict(record.station_mm),
                {run.name: crossing_u95_mm(record, run) for run in survey.runs if run.name in record.station_mm},
            )
        )
        if isinstance(found, PlanFinding):
            findings.append(found)
            continue
        jointed.append(found[0])
        findings += _of_corner(found[0], inputs)
        for index, name in enumerate(record.runs):
            ends = tuple(pair[index] for pair in found[1])
            if (name, ends[0].end) in met:
                raise JobError(
                    f'run "{name}": by its photos two corners stand at the same end of it. Check the cards of its '
                    "corners' photos, and measure again."
                )
            met[name, ends[0].end] = _Met(record.runs[1 - index], ends)
    by_run = {}
    told = {frozenset(finding.corner) for finding in findings}
    for run in survey.runs:
        low, high = (_end(run, end, met, inputs) for end in ("low", "high"))
        for end, layers in (low, high):
            if end.kind == "corner" and not layers and frozenset((run.name, end.other)) not in told:
                findings.append(_not_in_record(run.name, end.other))
        findings += [_not_said(run, one) for one in (low[0], high[0]) if one.kind == "not said"]
        by_run[run.name] = _on_marks(low, high, inputs.job.layout.mark_mm, jointed)
    return JobEnds(by_run, tuple(jointed), tuple(plans), tuple(findings))


def _joint(
    survey: Survey, record: CornerRecord, inputs: PlanInputs
) -> tuple[JointedCorner, list[tuple[PlateEnd, PlateEnd]]] | PlanFinding:
    """How the plates of a corner end, a layer each; a finding where it was not measured well enough to say."""
    table, runs = inputs.corner_table(record.runs), {run.name: run for run in survey.runs}
    layers = range(1, inputs.job.plate.layers + 1)
    try:
        # Before the turn, which photos of two lines that run on in one tell either way.
        check_angle(record)
        turn = corner_turn(survey, record)
        crossing_mm = {name: own_crossing_u95_mm(record, run) for name, run in runs.items()}
        ends = [
            corner_ends(
                record, runs, turn, joint=table.joint, through=table.through, layer=layer, crossing_mm=crossing_mm
            )
            for layer in layers
        ]
        first, second = (strip_of(record, run, runs, turn) for run in record.runs)
    except JobError as fault:
        if record.angle_deg is not None and record.status != "reshoot" and _is_straight(record):
            told = str(fault).removeprefix(f"{corner_name(record)}: ")
            raise JobError(f"job.toml: [[corner]] {' and '.join(record.runs)}: {told}") from fault
        return PlanFinding("corner-not-usable", corner=record.runs, told=str(fault))
    return JointedCorner(record, turn, table.joint, (first, second)), ends


def _is_straight(record: CornerRecord) -> bool:
    angle_deg, u95_deg = record.angle_deg or 0.0, record.u95_deg or 0.0
    return not (angle_deg - u95_deg > 0.0 and angle_deg + u95_deg < 180.0)


def _of_corner(corner: JointedCorner, inputs: PlanInputs) -> list[PlanFinding]:
    found = []
    if corner.record.status != "ok":
        codes = tuple(dict.fromkeys(finding.code for finding in corner.record.reasons))
        found.append(PlanFinding("corner-check", corner=corner.record.runs, facts=codes))
    if corner.joint == "mitre" and inputs.job.plate.layers > 1:
        found.append(PlanFinding("mitre-not-lapped", "note", corner=corner.record.runs))
    return found


def _end(
    run: RunRecord, end: End, met: Mapping[tuple[str, End], _Met], inputs: PlanInputs
) -> tuple[RunEnd, tuple[PlateEnd, ...]]:
    """One end of a run, with its plates there, not yet on marks."""
    table = inputs.run_table(run.name)
    said = table.begins if end == "low" else table.ends
    at, across = met.get((run.name, end)), met.get((run.name, "high" if end == "low" else "low"))
    where = f'job.toml: run "{run.name}", [run.{_KEYS[end]}]'
    if at is not None:
        if said is not None and said.corner != at.other:
            raise JobError(
                f'{where}: by the photos this end is the corner with "{at.other}". Take [run.{_KEYS[end]}] out, or '
                f'write corner = "{at.other}" in it.'
            )
        return RunEnd(end, "corner", "survey" if said is None else "job file", at.other), at.ends
    if said is None:
        return RunEnd(end, "not said", ""), ()
    if said.corner is not None:
        if across is not None and across.other == said.corner:
            raise JobError(
                f'{where}: by the photos the corner with "{said.corner}" stands at the other end. Write it under '
                f"[run.{_KEYS['high' if end == 'low' else 'low']}]: stations rise with the card numbers."
            )
        return RunEnd(end, "corner", "job file", said.corner), ()
    return _square(run, end, said, inputs.job.plate.layers)


def _square(run: RunRecord, end: End, said: EndTable, layers: int) -> tuple[RunEnd, tuple[PlateEnd, ...]]:
    station_mm = said.station_mm if said.station_mm is not None else said.wall_end_mm
    assert station_mm is not None
    kind: Literal["station", "wall end"] = "station" if said.station_mm is not None else "wall end"
    ends = tuple(square_end(run.name, end, station_mm, layer=layer) for layer in range(1, layers + 1))
    return RunEnd(end, kind, "job file"), ends


def _on_marks(
    low: tuple[RunEnd, tuple[PlateEnd, ...]],
    high: tuple[RunEnd, tuple[PlateEnd, ...]],
    mark_mm: float,
    corners: Sequence[JointedCorner],
) -> tuple[RunEnd, RunEnd]:
    """Both ends with their layers on whole marks from the first plate's low end, where that is known."""
    if low[1] and high[1]:
        for below, above in zip(low[1], high[1], strict=True):
            try:
                edge_lengths(below, above)
            except JobError as fault:
                eaten = _eaten_by(below.run, low, high, corners)
                told = f"job.toml: {fault} Check [run.begins] and [run.ends] too."
                raise JobError(told if eaten is None else _no_plate(below.run, eaten)) from fault
    origin_mm = low[1][0].station_mm if low[1] else None
    ends = []
    for end, layers in (low, high):
        ended = tuple(LayerEnd.of(one, _to_mark_mm(one.station_mm, origin_mm, mark_mm)) for one in layers)
        ends.append(RunEnd(end.end, end.kind, end.said_by, end.other, ended))
    return ends[0], ends[1]


def _eaten_by(
    run: str,
    low: tuple[RunEnd, tuple[PlateEnd, ...]],
    high: tuple[RunEnd, tuple[PlateEnd, ...]],
    corners: Sequence[JointedCorner],
) -> JointedCorner | None:
    """Of the corners at a run's ends the one farthest from square, where the joints leave no plate and not where the
    run begins and ends: by the crossings alone there would be one."""
    held = [one for one in corners if run in one.record.runs and one.other(run) in (low[0].other, high[0].other)]
    crossing_mm = {one.other(run): next(s.crossing_mm for s in one.strips if s.name == run) for one in held}
    low_mm, high_mm = (crossing_mm.get(end.other, ends[0].station_mm) for end, ends in (low, high))
    if not held or low_mm >= high_mm:
        return None
    return max(held, key=lambda one: abs((one.record.angle_deg or 90.0) - 90.0))


def _no_plate(run: str, corner: JointedCorner) -> str:
    """What to do where a corner leaves a run no plate."""
    angle_deg, joint = corner.record.angle_deg or 90.0, "mitred" if corner.joint == "mitre" else "butted"
    told = (
        f'job.toml: [[corner]] {" and ".join(corner.record.runs)}: {joint} at {angle_deg:.2f} degrees, run "{run}" has '
        "no plate left between its two ends. "
    )
    if angle_deg > 90.0 and corner.joint == "butt":
        return f'{told}Write joint = "mitre" there, or, where the two lines run on in one, write both as one [[run]].'
    return f"{told}{SHARP_CORNER_DO} Look at the stations written there, too."


def _to_mark_mm(station_mm: float, origin_mm: float | None, mark_mm: float) -> float:
    if origin_mm is None:
        return 0.0
    away_mm = station_mm - origin_mm
    return round(away_mm / mark_mm) * mark_mm - away_mm


def _not_in_record(run: str, other: str) -> PlanFinding:
    """A corner that the job file names and nobody measured: a record older than the job file."""
    return PlanFinding(
        "corner-not-usable", run=run, corner=(run, other), told="It is not in survey.json. Measure again"
    )


def _not_said(run: RunRecord, end: RunEnd) -> PlanFinding:
    """With the outermost bolt at that end, to go by."""
    stations_mm = [bolt.station_mm for bolt in run.bolts if bolt.station_mm is not None]
    outermost_mm = (min if end.end == "low" else max)(stations_mm, default=None)
    return PlanFinding("end-not-said", run=run.name, key=f"[run.{_KEYS[end.end]}]", station_mm=outermost_mm)
