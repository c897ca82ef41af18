"""One rule held against one measured number: the guard band, and what a check says.

A number within its 95 % half-width of a limit is neither in nor out of it: JCGM 106:2012, 8.3, guard bands (from
memory). So a verdict other than "cannot tell" needs the whole interval on one side.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sillwright.judge.rules import Source
from sillwright.survey import BoltRecord

Verdict = Literal["meets", "does not", "cannot tell"]
Bound = Literal["at least", "at most"]
CheckKey = Literal[
    "bolt-diameter",
    "spacing",
    "end-largest",
    "end-least",
    "bolts-a-piece",
    "short-wall-middle",
    "across",
    "plate-edge",
    "concrete-edge",
    "overhang",
    "bearing",
    "stick-up",
    "washer-on-wood",
    "washer-edge",
    "cut-washer",
]
PlateSide = Literal["chalk-line side", "far side"]

# Lengths are sums of floats: a limit met to a millionth of a millimetre is met.
TOUCHES_MM = 1e-6


@dataclass(frozen=True)
class Check:
    """One rule held against one bolt or piece; lengths in mm.

    subject : the bolt's mark, the piece's or the run's name
    other : what the length runs to: another bolt's mark, ``low end`` or ``high end``, ``chalk-line side`` or
    ``far side``, ``middle of the piece``; empty where there is no such thing
    piece : the piece of plate it is about, where it is about one
    bound : which side of ``limit_mm`` meets the rule
    u95_from : where the half-width comes from: ``record`` (the bolt's own), ``stated`` (by the caller for a step) or
    ``derived`` (from both bolts, or from the bolt and the print scale; see ``steps.derived_step_u95_mm``)
    count, count_least : in place of the lengths, where bolts are counted
    doubtful : a bolt that this rests on is ``check`` or ``reshoot`` in the record: look at its reasons first
    """

    key: CheckKey
    subject: str
    verdict: Verdict
    measured_mm: float | None
    u95_mm: float | None
    limit_mm: float | None
    source: Source
    bound: Bound = "at least"
    other: str = ""
    piece: str = ""
    u95_from: Literal["record", "stated", "derived"] = "record"
    count: int | None = None
    count_least: int | None = None
    doubtful: bool = False


def verdict_of(measured_mm: float | None, u95_mm: float | None, limit_mm: float | None, bound: Bound) -> Verdict:
    """Guard-banded: on the limit with no width meets; anything not known cannot be told."""
    if measured_mm is None or u95_mm is None or limit_mm is None:
        return "cannot tell"
    to_spare_mm = measured_mm - limit_mm if bound == "at least" else limit_mm - measured_mm
    if to_spare_mm - u95_mm >= -TOUCHES_MM:
        return "meets"
    return "does not" if to_spare_mm + u95_mm < -TOUCHES_MM else "cannot tell"


def under_plate(bolt: BoltRecord, plate_width_mm: float, clear_mm: float) -> Verdict:
    """Whether a plate on the chalk line covers the bolt with ``clear_mm`` of wood from its centre to either edge."""
    if bolt.status == "reshoot":
        return "cannot tell"
    sides = {
        verdict_of(bolt.setback_mm, bolt.u95.setback_mm, clear_mm, "at least"),
        verdict_of(bolt.setback_mm, bolt.u95.setback_mm, plate_width_mm - clear_mm, "at most"),
    }
    return worst_of(sides)


def worst_of(verdicts: set[Verdict]) -> Verdict:
    """``does not`` before ``cannot tell`` before ``meets``; ``meets`` where there are none."""
    order: tuple[Verdict, ...] = ("does not", "cannot tell")
    return next((verdict for verdict in order if verdict in verdicts), "meets")
