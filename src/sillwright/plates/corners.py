"""Where two runs of plate meet: where each plate ends, and how its end is cut.

Frame of a corner: seen from the crossing of the two chalk lines, ``along`` counts on each line away from the crossing
and ``into`` square to it, positive into the angle between the lines. With that angle t, the place that lies ``a`` into
the angle from one line and ``b`` from the other stands ``(b + a cos t) / sin t`` along the first (plane geometry; both
plates' edges are such lines). Stations are millimetres on the run; a cut's sign is that of ``plates.piece``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sillwright.errors import JobError
from sillwright.judge.steps import own_u95_mm
from sillwright.survey import CornerRecord, RunRecord, Status, Survey

# An outside corner of the building points out of it, as on a plain rectangle; an inside corner is that of an L.
Turn = Literal["outside", "inside"]
Joint = Literal["mitre", "butt"]


@dataclass(frozen=True)
class PlateEnd:
    """One end of one layer of a run.

    station_mm, far_station_mm : where it ends on the chalk-line edge, and on the other edge
    cut_deg : how far it is cut off square, positive where the edge away from the chalk line is the longer one
    cut_u95_deg, moved_by_angle_mm, far_moved_by_angle_mm : how far the cut and each edge's end move, at most, within
    the 95 % interval of the corner's angle; None where the angle has no interval
    u95_mm, far_u95_mm : that with the interval of where the lines cross, the print scale left out, which is the whole
    length's; None where either is not given
    status : that of the corner: ``check`` is not to be cut from before its reasons are looked at
    """

    run: str
    layer: int
    end: Literal["low", "high"]
    joint: Literal["mitre", "through", "butt", "square"]
    station_mm: float
    far_station_mm: float
    cut_deg: float
    cut_u95_deg: float | None
    moved_by_angle_mm: float | None
    far_moved_by_angle_mm: float | None
    u95_mm: float | None
    far_u95_mm: float | None
    status: Status = "ok"

    @property
    def saw_deg(self) -> float:
        """What the saw is set to, from square: 0 is a square cut."""
        return abs(self.cut_deg)

    @property
    def long_point_mm(self) -> float:
        """Station of the corner of this end that reaches farthest out."""
        return (min if self.end == "low" else max)(self.station_mm, self.far_station_mm)

    @property
    def short_point_mm(self) -> float:
        """Station of the other corner of this end."""
        return (max if self.end == "low" else min)(self.station_mm, self.far_station_mm)


@dataclass(frozen=True)
class EdgeLengths:
    """Lengths of what lies between two ends: along each edge, and between long and between short points."""

    line_edge_mm: float
    far_edge_mm: float
    long_points_mm: float
    short_points_mm: float


@dataclass(frozen=True)
class Strip:
    """A run's plate as a corner sees it: how far its edges lie into the angle from its chalk line."""

    name: str
    width_mm: float
    far_mm: float
    line_is_outer: bool
    away: int  # +1 where stations rise away from the crossing
    crossing_mm: float

    @property
    def outer_mm(self) -> float:
        """Of the edge away from the building's inside."""
        return 0.0 if self.line_is_outer else self.far_mm

    @property
    def inner_mm(self) -> float:
        """Of the other edge."""
        return self.far_mm if self.line_is_outer else 0.0


def corner_ends(
    corner: CornerRecord,
    runs: Mapping[str, RunRecord],
    turn: Turn,
    *,
    joint: Joint = "mitre",
    through: str | None = None,
    layer: int = 1,
    crossing_mm: Mapping[str, float | None] | None = None,
) -> tuple[PlateEnd, PlateEnd]:
    """How the plates of a corner's two runs end there, in the order of ``corner.runs``.

    Mitred, the cut goes from where the outer edges cross to where the inner edges cross: with equal widths each plate
    is cut (180 - angle) / 2 off square. Butted, one plate runs through to the other's far side and the other butts
    against its face, both cut to the angle. ``through`` names the run that does so in layer 1 (the corner's first run
    where None); each further layer laps the other way (common practice, no source).

    ``crossing_mm`` is the 95 % interval of where the lines cross on each run (:func:`own_crossing_u95_mm`), taken as
    independent of the angle's.

    Raises JobError where the corner was not measured, its angle is not told from 0 or 180 degrees, or a name is wrong.
    """
    name = corner_name(corner)
    angle_deg = _angle_deg(corner)
    if joint not in ("mitre", "butt") or turn not in ("outside", "inside"):
        raise JobError(f"{name}: a joint is mitre or butt, and the corner an outside or inside one of the building.")
    if through is not None and through not in corner.runs:
        raise JobError(f'{name}: run "{through}" cannot run through, as it does not meet here. Name one of the two.')
    first, second = (strip_of(corner, run, runs, turn) for run in corner.runs)
    first_goes_through = (through in (None, corner.runs[0])) == (layer % 2 == 1)
    ends = []
    for own, other, goes_through in ((first, second, first_goes_through), (second, first, not first_goes_through)):
        kind: Literal["mitre", "through", "butt"]
        if joint == "mitre":
            kind = "mitre"
            cut_at = (other.outer_mm, other.inner_mm) if own.line_is_outer else (other.inner_mm, other.outer_mm)
        else:
            kind = "through" if goes_through else "butt"
            to_mm = (min if goes_through else max)(0.0, other.far_mm)
            cut_at = (to_mm, to_mm)
        u95_mm = None if crossing_mm is None else crossing_mm.get(own.name)
        ends.append(_end(own, kind, cut_at, angle_deg, corner, layer, u95_mm))
    return ends[0], ends[1]


def crossing_u95_mm(corner: CornerRecord, run: RunRecord) -> float | None:
    """Half-width of the 95 % interval of the crossing's station on one of its runs; None where nothing says.

    Derived, since the record gives it none: :func:`own_crossing_u95_mm`, and the print's scale over the station.
    """
    lines_mm, station_mm = own_crossing_u95_mm(corner, run), corner.station_mm.get(run.name)
    if lines_mm is None or station_mm is None:
        return None
    return math.hypot(lines_mm, run.scale_u95_ratio * station_mm)


def own_crossing_u95_mm(corner: CornerRecord, run: RunRecord) -> float | None:
    """The part of it that the print scale does not explain: how well places of the run are known besides, by the widest
    of its bolts, for either of the two lines that cross.

    Off by d, the other line moves the crossing by d / sin(angle), and the run's own one by d / tan(angle) (plane
    geometry); the sum holds however they are correlated.
    """
    angle_deg = corner.angle_deg
    own_mm = [own_u95_mm(bolt, run.scale_u95_ratio) for bolt in run.bolts if bolt.status != "reshoot"]
    known_mm = [mm for mm in own_mm if mm is not None]
    if run.name not in corner.station_mm or angle_deg is None or not known_mm:
        return None
    angle = math.radians(angle_deg)
    if math.sin(angle) <= 0.0:
        return None
    return max(known_mm) * (1.0 + abs(math.cos(angle))) / math.sin(angle)


def square_end(
    run: str, end: Literal["low", "high"], station_mm: float, *, layer: int = 1, u95_mm: float | None = None
) -> PlateEnd:
    """A run's end away from any corner, cut square at a station."""
    return PlateEnd(run, layer, end, "square", station_mm, station_mm, 0.0, 0.0, 0.0, 0.0, u95_mm, u95_mm)


def check_angle(corner: CornerRecord) -> None:
    """Raises JobError where a corner was not measured, or its angle is not told from 0 or 180 degrees."""
    _angle_deg(corner)


def edge_lengths(low: PlateEnd, high: PlateEnd) -> EdgeLengths:
    """The lengths between the two ends of one layer of a run, splices left out.

    Raises JobError where they are not the low and the high end of one layer, or leave no plate between them.
    """
    if (low.run, low.layer, low.end, high.end) != (high.run, high.layer, "low", "high"):
        raise JobError(f'run "{low.run}": its plate needs a low and a high end of the same layer.')
    line_mm, far_mm = high.station_mm - low.station_mm, high.far_station_mm - low.far_station_mm
    if line_mm <= 0.0 or far_mm <= 0.0:
        raise JobError(
            f'run "{low.run}": its two ends leave no plate between them. Check the angles and the crossings of the '
            "corners at its ends, and which side of the line the plate lies on (line_marks)."
        )
    return EdgeLengths(
        line_mm, far_mm, high.long_point_mm - low.long_point_mm, high.short_point_mm - low.short_point_mm
    )


def corner_turn(survey: Survey, corner: CornerRecord) -> Turn:
    """Whether a corner is an outside or an inside one of the building, by the photos that see both its runs.

    Each such photo shows which side of a run's chalk line the other run leaves on, and line_marks says which edge of
    the plate that line is. Raises JobError where no photo sees both runs, or the photos speak against line_marks.
    """
    name = corner_name(corner)
    runs = {run.name: run for run in survey.runs}
    found: list[set[Turn]] = []
    for photo in survey.photos:
        views = {view.run: np.array(view.rotation) for view in photo.views}
        if all(run in views and run in runs for run in corner.runs):
            turns: set[Turn] = set()
            for run, other in (corner.runs, corner.runs[::-1]):
                toward_other = _away(corner, runs[other]) * views[other][:, 0]
                plate_in_angle = float(views[run][:, 1] @ toward_other) > 0.0
                turns.add("outside" if plate_in_angle == (runs[run].line_marks == "outside") else "inside")
            found.append(turns)
    if not found:
        raise JobError(
            f"{name}: no photo of it was placed on both runs, so which way the building turns is not known. Say "
            "whether it is an outside or an inside corner."
        )
    if any(len(turns) > 1 for turns in found):
        raise JobError(
            f"{name}: by one run's line_marks it is an outside corner of the building, by the other's an inside one. "
            "Check line_marks of both runs on the wall, correct the job file, and measure again."
        )
    if any(turns != found[0] for turns in found):
        raise JobError(
            f"{name}: by some of its photos the building turns one way there, by others the other way, as happens "
            "where the two lines run on nearly in one. Check the angle on the wall and the cards in those photos, and "
            "measure again; where it is one straight wall, write both as one [[run]]."
        )
    return found[0].pop()


def corner_name(corner: CornerRecord) -> str:
    """How sentences call a corner."""
    return f"corner of {corner.runs[0]} and {corner.runs[1]}"


def _angle_deg(corner: CornerRecord) -> float:
    known = corner.angle_deg is not None and math.isfinite(corner.angle_deg)
    if not known or corner.status == "reshoot" or not set(corner.runs) <= set(corner.station_mm):
        raise JobError(
            f"{corner_name(corner)}: it was not measured, so nothing can be cut to it. Photograph it again with both "
            "chalk lines, their crossing and a card of each run in view."
        )
    angle_deg, u95_deg = float(corner.angle_deg or 0.0), corner.u95_deg or 0.0
    if not (angle_deg - u95_deg > 0.0 and angle_deg + u95_deg < 180.0):
        told = "180, so the two lines run on in one. Take this [[corner]] out, write both as one [[run]]"
        if angle_deg < 90.0:
            told = "0, so the two lines lie on each other. Check which line the photos of each [[run]] show"
        is_deg = f"its angle of {angle_deg:.2f} degrees (± {u95_deg:.2f})"
        raise JobError(f"{corner_name(corner)}: {is_deg} is not told from {told}, and measure again.")
    return angle_deg


def _away(corner: CornerRecord, run: RunRecord) -> int:
    """+1 where the run's stations rise away from the crossing, judged by its cards as the angle is."""
    stations_mm = [card.station_mm for card in run.cards]
    if not stations_mm:
        raise JobError(f'{corner_name(corner)}: run "{run.name}" has no cards, so which way it leaves is not known.')
    return 1 if sum(stations_mm) / len(stations_mm) > corner.station_mm[run.name] else -1


def strip_of(corner: CornerRecord, name: str, runs: Mapping[str, RunRecord], turn: Turn) -> Strip:
    """A run's plate as a corner sees it. Raises JobError where the run is not in the record, or has no cards."""
    if name not in runs:
        raise JobError(
            f'{corner_name(corner)}: run "{name}" is not in the record. Measure the job again with both runs.'
        )
    run = runs[name]
    outer = run.line_marks == "outside"
    # The building, and with it the plate of an outside line, lies in the angle at an outside corner.
    side = 1.0 if outer == (turn == "outside") else -1.0
    crossing_mm = corner.station_mm[name]
    return Strip(name, run.plate_width_mm, side * run.plate_width_mm, outer, _away(corner, run), crossing_mm)


def _along_mm(own_into_mm: float, other_into_mm: float, angle_deg: float) -> float:
    angle = math.radians(angle_deg)
    return (other_into_mm + own_into_mm * math.cos(angle)) / math.sin(angle)


def _shape(own: Strip, cut_at_mm: tuple[float, float], angle_deg: float) -> tuple[float, float, float]:
    """How far from the crossing the plate begins on its chalk-line edge and its other edge, and how it is cut."""
    line_mm = _along_mm(0.0, cut_at_mm[0], angle_deg)
    far_mm = _along_mm(own.far_mm, cut_at_mm[1], angle_deg)
    return line_mm, far_mm, math.degrees(math.atan2(line_mm - far_mm, own.width_mm))


def _end(
    own: Strip,
    joint: Literal["mitre", "through", "butt"],
    cut_at_mm: tuple[float, float],
    angle_deg: float,
    corner: CornerRecord,
    layer: int,
    crossing_u95_mm: float | None,
) -> PlateEnd:
    line_mm, far_mm, cut_deg = _shape(own, cut_at_mm, angle_deg)
    line_moved_mm = far_moved_mm = cut_moved_deg = line_u95_mm = far_u95_mm = None
    if corner.u95_deg is not None:
        # Both ends of the interval, not a slope: a sharp corner moves by much more one way than the other.
        either = [_shape(own, cut_at_mm, angle_deg + sign * corner.u95_deg) for sign in (-1.0, 1.0)]
        line_moved_mm = max(abs(line - line_mm) for line, _, _ in either)
        far_moved_mm = max(abs(far - far_mm) for _, far, _ in either)
        cut_moved_deg = max(abs(cut - cut_deg) for _, _, cut in either)
        if crossing_u95_mm is not None:
            line_u95_mm, far_u95_mm = (math.hypot(moved, crossing_u95_mm) for moved in (line_moved_mm, far_moved_mm))
    return PlateEnd(
        run=own.name,
        layer=layer,
        end="low" if own.away > 0 else "high",
        joint=joint,
        station_mm=own.crossing_mm + own.away * line_mm,
        far_station_mm=own.crossing_mm + own.away * far_mm,
        cut_deg=cut_deg,
        cut_u95_deg=cut_moved_deg,
        moved_by_angle_mm=line_moved_mm,
        far_moved_by_angle_mm=far_moved_mm,
        u95_mm=line_u95_mm,
        far_u95_mm=far_u95_mm,
        status=corner.status,
    )
