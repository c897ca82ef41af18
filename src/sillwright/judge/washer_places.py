"""Where a square washer with a diagonal slot can lie round its bolt, and where all of it then lies on a piece of wood.

The slot runs from corner toward corner and the washer may be turned, so that from where it is centred it goes along
four rays, as far along the wall as across the plate (geometry). A piece of plate is convex and its ends are straight:
what is left between the washer's corners and an edge or end changes alike with every millimetre of the move.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from sillwright.judge.steps import End, Piece
from sillwright.judge.verdicts import TOUCHES_MM, PlateSide

_EVEN = 1e-12


@dataclass(frozen=True)
class Ray:
    """One way a washer goes: +1 or -1 toward higher stations, and +1 or -1 toward the far edge."""

    along: float
    across: float


RAYS = (Ray(1.0, 1.0), Ray(-1.0, 1.0), Ray(1.0, -1.0), Ray(-1.0, -1.0))


@dataclass(frozen=True)
class Room:
    """What a washer leaves to one edge or end of the piece by one of its corners, mm; negative: it hangs over.

    centred_mm : where it is centred on its bolt; to an end it is counted along the wall
    by_along, by_across : how that changes with a millimetre toward higher stations, and toward the far edge
    u95_mm : half-width of its 95 % interval; None where not known
    """

    to: PlateSide | End
    centred_mm: float
    by_along: float
    by_across: float
    u95_mm: float | None

    def moved_mm(self, ray: Ray, move_mm: float) -> float:
        """What is left with the washer moved so far along a ray."""
        return self.centred_mm + move_mm * self._slope(ray)

    def up_to(self, limit_mm: float) -> Room:
        """What is left until this room reaches a limit: at least 0 where it is at most that."""
        return replace(self, centred_mm=limit_mm - self.centred_mm, by_along=-self.by_along, by_across=-self.by_across)

    def _slope(self, ray: Ray) -> float:
        return ray.along * self.by_along + ray.across * self.by_across


def rooms_of(
    at_mm: tuple[float, float],
    u95_mm: dict[PlateSide | End, float | None],
    piece: Piece,
    plate_width_mm: float,
    half_mm: float,
) -> tuple[Room, ...]:
    """To both edges and, by the two corners in front, to both ends; ``at_mm`` are the bolt's station and setback."""
    station_mm, setback_mm = at_mm
    rooms = [
        Room("chalk-line side", setback_mm - half_mm, 0.0, 1.0, u95_mm["chalk-line side"]),
        Room("far side", plate_width_mm - setback_mm - half_mm, 0.0, -1.0, u95_mm["far side"]),
    ]
    ends: tuple[tuple[End, float, float], ...] = (
        ("low end", 1.0, piece.low_cut_deg),
        ("high end", -1.0, piece.high_cut_deg),
    )
    for end, way, cut_deg in ends:
        for corner_mm in (setback_mm - half_mm, setback_mm + half_mm):
            centred_mm = way * (station_mm - piece.end_at_mm(end, corner_mm)) - half_mm
            rooms.append(Room(end, centred_mm, way, math.tan(math.radians(cut_deg)), u95_mm[end]))
    return tuple(rooms)


def span_mm(rooms: Sequence[Room], ray: Ray, shift_mm: float, *, surely: bool) -> tuple[float, float] | None:
    """The least and the largest move along a ray that leave every room surely, or else perhaps, at 0 or more; None
    where no move up to ``shift_mm`` does. Without a half-width nothing is sure, and anything may be."""
    low_mm, high_mm = 0.0, shift_mm
    for room in rooms:
        if room.u95_mm is None:
            if surely:
                return None
            continue
        slope = room.moved_mm(ray, 1.0) - room.centred_mm
        spare_mm = room.centred_mm + TOUCHES_MM - (room.u95_mm if surely else -room.u95_mm)
        if abs(slope) < _EVEN:
            if spare_mm < 0.0:
                return None
        elif slope > 0.0:
            low_mm = max(low_mm, -spare_mm / slope)
        else:
            high_mm = min(high_mm, -spare_mm / slope)
    return (low_mm, high_mm) if low_mm <= high_mm else None


def tightest(rooms: Sequence[Room], shift_mm: float, *, surely: bool) -> tuple[Room, float]:
    """Of the place that leaves the most to spare, the room that is least there, and what it leaves; half-widths are
    taken off (``surely``) or added before places are compared."""
    sign = -1.0 if surely else 1.0

    def spare_mm(room: Room, ray: Ray, move_mm: float) -> float:
        return room.moved_mm(ray, move_mm) + sign * (room.u95_mm or 0.0)

    def worst(place: tuple[Ray, float]) -> Room:
        return min(rooms, key=lambda room: spare_mm(room, *place))

    places = [(ray, move_mm) for ray in RAYS for move_mm in _turning_points(rooms, ray, shift_mm, sign=sign)]
    best = max(places, key=lambda place: spare_mm(worst(place), *place))
    return worst(best), worst(best).moved_mm(*best)


def _turning_points(rooms: Sequence[Room], ray: Ray, shift_mm: float, *, sign: float) -> Iterator[float]:
    """Where along a ray the least of the rooms can be largest: at its ends, and where two rooms are alike."""
    yield 0.0
    yield shift_mm
    for index, one in enumerate(rooms):
        for other in rooms[:index]:
            slope = (one.moved_mm(ray, 1.0) - one.centred_mm) - (other.moved_mm(ray, 1.0) - other.centred_mm)
            if abs(slope) >= _EVEN:
                apart_mm = other.centred_mm - one.centred_mm + sign * ((other.u95_mm or 0.0) - (one.u95_mm or 0.0))
                if 0.0 < apart_mm / slope < shift_mm:
                    yield apart_mm / slope
