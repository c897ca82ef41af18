"""Lengths along a run: pieces, which bolts stand on them, and the 95 % half-widths of steps and end distances.

All stations of a run stretch together with the print scale, so a step is far surer than the two stations it lies
between: the scale counts over the length of the step only. The same holds from a bolt to the end of a piece, since a
piece is laid out in the run's frame and goes down over its bolts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from sillwright.judge.verdicts import Verdict, under_plate, verdict_of, worst_of
from sillwright.survey import BoltRecord, RunRecord

End = Literal["low end", "high end"]
ENDS: tuple[End, ...] = ("low end", "high end")


@dataclass(frozen=True)
class Piece:
    """One piece of plate: the stations of its ends on the chalk-line edge, mm.

    low_cut_deg, high_cut_deg : how far each end is cut off square, positive where the far edge is the longer one there
    short_wall : the piece is a whole wall between offset braced wall panels, which a rule set may excuse from bolts
    """

    name: str
    low_mm: float
    high_mm: float
    low_cut_deg: float = 0.0
    high_cut_deg: float = 0.0
    short_wall: bool = False

    def end_at_mm(self, end: End, setback_mm: float) -> float:
        """The station of an end, on a line parallel to the chalk line at this setback."""
        if end == "low end":
            return self.low_mm - setback_mm * math.tan(math.radians(self.low_cut_deg))
        return self.high_mm + setback_mm * math.tan(math.radians(self.high_cut_deg))


def own_u95_mm(bolt: BoltRecord, scale_u95_ratio: float) -> float | None:
    """The part of a station's half-width that the print scale does not explain; None where the station has none.

    Never under the setback's, which has next to no scale in it: the same foot, seen in the same photos.
    """
    if bolt.station_mm is None or bolt.u95.station_mm is None:
        return None
    without = math.sqrt(max(bolt.u95.station_mm**2 - (scale_u95_ratio * bolt.station_mm) ** 2, 0.0))
    return min(max(without, bolt.u95.setback_mm or 0.0), bolt.u95.station_mm)


def derived_step_u95_mm(first: BoltRecord, second: BoltRecord, scale_u95_ratio: float) -> float | None:
    """The half-width of the step between two bolts: both own parts summed, and the scale's share of the step.

    The sum holds however the two are correlated. Never over the plain sum of the two stations' half-widths.
    """
    own = own_u95_mm(first, scale_u95_ratio), own_u95_mm(second, scale_u95_ratio)
    if own[0] is None or own[1] is None or first.station_mm is None or second.station_mm is None:
        return None
    by_scale_mm = scale_u95_ratio * (second.station_mm - first.station_mm)
    plain_mm = (first.u95.station_mm or 0.0) + (second.u95.station_mm or 0.0)
    return min(math.hypot(own[0] + own[1], by_scale_mm), plain_mm)


def from_end_mm(bolt: BoltRecord, piece: Piece, end: End, scale_u95_ratio: float) -> tuple[float, float | None] | None:
    """How far a bolt stands inside an end of a piece, negative beyond it, with its half-width; None without a station.

    Where the end is cut off square, the end is taken where the cut meets the bolt's own line.
    """
    if bolt.station_mm is None:
        return None
    at_mm = piece.end_at_mm(end, bolt.setback_mm or 0.0)
    away_mm = bolt.station_mm - at_mm if end == "low end" else at_mm - bolt.station_mm
    own_mm = own_u95_mm(bolt, scale_u95_ratio)
    if own_mm is None or bolt.u95.station_mm is None:
        return away_mm, None
    along_mm = min(math.hypot(own_mm, scale_u95_ratio * away_mm), bolt.u95.station_mm)
    cut_deg = piece.low_cut_deg if end == "low end" else piece.high_cut_deg
    if cut_deg == 0.0:
        return away_mm, along_mm
    if bolt.setback_mm is None or bolt.u95.setback_mm is None:
        return away_mm, None
    return away_mm, along_mm + bolt.u95.setback_mm * abs(math.tan(math.radians(cut_deg)))


def on_piece(bolt: BoltRecord, piece: Piece, scale_u95_ratio: float) -> Verdict:
    """Whether a bolt stands between the ends of a piece, by its station alone."""
    found = set()
    for end in ENDS:
        away = from_end_mm(bolt, piece, end, scale_u95_ratio)
        found.add("cannot tell" if away is None else verdict_of(*away, 0.0, "at least"))
    return worst_of(found)


@dataclass(frozen=True)
class Standing:
    """A bolt with a station that stands, or unless ``sure`` may stand, under the plate."""

    bolt: BoltRecord
    station_mm: float
    sure: bool


def standing(run: RunRecord) -> tuple[tuple[Standing, ...], int]:
    """The bolts under the plate in the order of stations, and how many more may stand anywhere on the run."""
    placed, unplaced = [], 0
    for bolt in run.bolts:
        covered = under_plate(bolt, run.plate_width_mm, bolt.diameter_mm / 2.0)
        if covered != "does not" and bolt.station_mm is None:
            unplaced += 1
        elif covered != "does not" and bolt.station_mm is not None:
            placed.append(Standing(bolt, bolt.station_mm, covered == "meets" and bolt.u95.station_mm is not None))
    return tuple(sorted(placed, key=lambda held: held.station_mm)), unplaced
