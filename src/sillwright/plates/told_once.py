"""One cause, one line: what checks and splice plans both say, or say because a bolt was not measured, is told once."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

from sillwright.judge.verdicts import Check
from sillwright.plates.findings import PlanFinding
from sillwright.plates.piece import PlatePiece
from sillwright.plates.splice_findings import NEAR
from sillwright.plates.splice_rule import AnchorRule
from sillwright.survey import BoltRecord

ASKS_FOR_ANCHORS = ("joint-needs-anchor", "end-needs-anchor", "spacing-too-wide", "too-few-bolts")
_SAME_MM = 0.01


def hanging_on(checks: Sequence[Check], without: Sequence[Check], again: set[str]) -> tuple[Check, ...]:
    """The checks that cannot be told because bolts are to be shot again.

    without : the same checks with the bolts ``again`` taken out of the record. What is about such a bolt hangs on it,
    and so does what could be told were it not there
    """
    found = {_about(check): check.verdict for check in without}
    return tuple(
        check
        for check in checks
        if check.verdict == "cannot tell"
        and (again & {check.subject, check.other} or found.get(_about(check), "cannot tell") != "cannot tell")
    )


def place_unknown(bolt: BoltRecord) -> bool:
    """Whether a bolt that need not be shot again has no place, or none whose half-width is known."""
    numbers = (bolt.station_mm, bolt.setback_mm, bolt.u95.station_mm, bolt.u95.setback_mm)
    return bolt.status != "reshoot" and any(number is None for number in numbers)


def closed_by(finding: PlanFinding, stations_mm: Sequence[float], most_mm: float | None) -> bool:
    """Whether a gap between bolts is too wide only because these, which stand in it, were not counted on."""
    low_mm, high_mm = finding.station_mm, finding.to_station_mm
    if finding.code != "spacing-too-wide" or low_mm is None or high_mm is None or most_mm is None:
        return False
    there_mm = sorted(at_mm for at_mm in stations_mm if low_mm < at_mm < high_mm)
    return bool(there_mm) and all(b - a <= most_mm for a, b in pairwise((low_mm, *there_mm, high_mm)))


def waits_for(finding: PlanFinding, again: Sequence[BoltRecord], rule: AnchorRule) -> bool:
    """Whether an anchor is asked for only because bolts to be shot again were not counted on: one that stands there, or
    has no place, may turn out to serve. Nothing is asked for before they are shot."""
    if finding.code not in ASKS_FOR_ANCHORS or not again:
        return False
    stations_mm = [bolt.station_mm for bolt in again if bolt.station_mm is not None]
    anywhere, at_mm, to_mm = len(again) - len(stations_mm), finding.station_mm, finding.to_station_mm
    if finding.code == "spacing-too-wide" and at_mm is not None and to_mm is not None:
        there_mm = [at_mm, *sorted(one for one in stations_mm if at_mm < one < to_mm), to_mm]
        most_mm = rule.spacing_most_mm or math.inf
        return sum(math.ceil((b - a) / most_mm) - 1 for a, b in pairwise(there_mm)) <= anywhere
    if finding.code in ("joint-needs-anchor", "end-needs-anchor") and at_mm is not None:
        return anywhere > 0 or any(abs(one - at_mm) <= (rule.end_most_mm or math.inf) for one in stations_mm)
    return True


def _about(check: Check) -> tuple[str, str, str]:
    """Of a piece's end the bolt that serves it may be another one."""
    return check.key, check.piece or check.subject, check.other


def asked_for_already(check: Check, first: Sequence[PlatePiece], splices: Sequence[PlanFinding]) -> bool:
    """Whether a check fails for want of an anchor that the first plate's joints ask for in the same place.

    first : the pieces of the first plate; splices : what is said of its splice plan
    """
    if check.key == "spacing" and check.verdict == "cannot tell":
        return any(
            one.code == "spacing-cannot-tell" and {check.subject, check.other} == set(one.marks) for one in splices
        )
    if check.verdict != "does not":
        return False
    if check.key == "spacing":
        return any(one.code == "spacing-too-wide" and {check.subject, check.other} == set(one.marks) for one in splices)
    codes = {"end-largest": ("joint-needs-anchor", "end-needs-anchor"), "bolts-a-piece": ("too-few-bolts",)}
    piece = next((one for one in first if one.name == check.piece), None)
    if piece is None:
        return False
    at_mm = piece.high_mm if check.other == "high end" else piece.low_mm
    return any(
        one.layer == 1
        and one.code in codes.get(check.key, ())
        and one.station_mm is not None
        and abs(one.station_mm - at_mm) < _SAME_MM
        for one in splices
    )


def splices_once(
    findings: Sequence[PlanFinding], no_hole: Collection[tuple[str, int]], too_near: Collection[str]
) -> Iterator[PlanFinding]:
    """What splice plans say, without what is said elsewhere or of a lower plate.

    no_hole : marks and layers whose hole is left out, which speaks for itself
    too_near : marks that a rule's check tells of as too near an end
    That anchors are to be approved stands in each line that asks for one.
    """
    asked = {one.layer for one in findings if one.code in ASKS_FOR_ANCHORS}
    told: set[str] = set(too_near)
    for one in findings:
        if one.code == "anchors-to-approve" and one.layer in asked:
            continue
        if one.code not in NEAR or not one.marks:
            yield one
            continue
        marks = tuple(mark for mark in one.marks if mark not in told and (mark, one.layer) not in no_hole)
        told |= set(marks)
        if marks:
            yield replace(one, marks=marks)
