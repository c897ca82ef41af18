"""An outline of taped walls and measured corners, laid out in a plane by least squares.

An outline is its corners in order, walked with the building on the left. Lengths are millimetres, angles degrees inside
the building. Places are in a plane with the first corner at (0, 0) and X along the first wall.

Least squares and the tests of its residuals follow W. Baarda, *A Testing Procedure for Use in Geodetic Networks*, 1968
(from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import chdtri

from sillwright.errors import JobError
from sillwright.lengths import MM_PER_INCH

# What NIST Handbook 44 s. 5.52 lets a 30 ft tape be wrong by, taken as one sigma of a taped wall with its reading.
TAPE_SIGMA_MM = MM_PER_INCH / 16.0
U95 = 1.96

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Taped:
    """A length taped between two corners of the outline: a wall between neighbours, else a diagonal."""

    from_corner: str
    to_corner: str
    length_mm: float
    sigma_mm: float = TAPE_SIGMA_MM


@dataclass(frozen=True)
class CornerAngle:
    """The angle inside the building at one corner, 0 to 360, with its 95 % interval."""

    corner: str
    angle_deg: float
    u95_deg: float


@dataclass(frozen=True)
class Outline:
    """Corners in order round the building, and what was read. Raises JobError where it cannot be an outline."""

    corners: tuple[str, ...]
    taped: tuple[Taped, ...]
    angles: tuple[CornerAngle, ...] = ()

    def __post_init__(self) -> None:
        if len(self.corners) < 3 or len(set(self.corners)) < len(self.corners):
            raise JobError("an outline needs three corners or more, each with its own name.")
        named = [name for one in self.taped for name in (one.from_corner, one.to_corner)]
        for name in [*named, *(one.corner for one in self.angles)]:
            if name not in self.corners:
                raise JobError(f'corner "{name}" is not one of the outline ({", ".join(self.corners)}).')
        for one in self.taped:
            if not (0.0 < one.length_mm < math.inf and one.sigma_mm > 0.0) or one.from_corner == one.to_corner:
                raise JobError(f"{_between(one)}: a taped length needs two corners, a length and a sigma above zero.")
        for angle in self.angles:
            if not (0.0 < angle.angle_deg < 360.0 and angle.u95_deg > 0.0):
                raise JobError(f"corner {angle.corner}: its angle must lie between 0 and 360 degrees, with a u95.")

    def taped_mm(self, from_corner: str, to_corner: str) -> tuple[float, float] | None:
        """What was taped between two corners with its sigma, the mean where more than once; None where never."""
        read = [one for one in self.taped if {one.from_corner, one.to_corner} == {from_corner, to_corner}]
        if not read:
            return None
        return sum(one.length_mm for one in read) / len(read), math.hypot(*(one.sigma_mm for one in read)) / len(read)

    def wall_mm(self, k: int) -> float:
        """The taped length of the wall from corner k to the next. Raises JobError where it was not taped."""
        ends = self.corners[k], self.corners[(k + 1) % len(self.corners)]
        read = self.taped_mm(*ends)
        if read is None:
            raise JobError(f"the wall from corner {ends[0]} to corner {ends[1]} was not taped. Tape it.")
        return read[0]


@dataclass(frozen=True)
class Residual:
    """One reading beside what the adjusted outline makes of it; in mm for a length, degrees for an angle.

    normalised : how many of its own sigmas it is off by; None where no other reading checks it
    """

    reading: Taped | CornerAngle
    adjusted: float
    residual: float
    normalised: float | None


@dataclass(frozen=True)
class Adjusted:
    """The likeliest outline by all readings.

    redundancy : how many readings there are beyond what the shape needs; misfit : sum of squared residuals over their
    variances; limit : what 95 of 100 sound sets stay below. consistent is None where nothing checks anything. suspects
    are the readings that may be the wrong one: those whose normalised residual stands behind the worst by no more than
    chance allows; several where the rest cannot tell between them.
    covariance_mm2 : of all places, x and y in turn, opened where the readings do not agree
    """

    corners: tuple[str, ...]
    places_mm: tuple[tuple[float, float], ...]
    residuals: tuple[Residual, ...]
    redundancy: int
    misfit: float
    limit: float | None
    consistent: bool | None
    suspects: tuple[Taped | CornerAngle, ...]
    covariance_mm2: Array = field(compare=False, repr=False)

    def distance_mm(self, from_corner: str, to_corner: str) -> tuple[float, float]:
        """Between any two corners, with its u95."""
        places = np.array(self.places_mm)
        pair = self.corners.index(from_corner), self.corners.index(to_corner)
        value_mm, row = _distance(places, *pair)
        return value_mm, U95 * math.sqrt(max(0.0, float(row @ self.covariance_mm2 @ row)))

    def angle_deg(self, corner: str) -> tuple[float, float]:
        """Inside the building at a corner, with its u95."""
        value, row = _inside_angle(np.array(self.places_mm), self.corners.index(corner))
        sigma = math.sqrt(max(0.0, float(row @ self.covariance_mm2 @ row)))
        return math.degrees(value), U95 * math.degrees(sigma)


def adjust(outline: Outline) -> Adjusted:
    """Adjust an outline by least squares to all its readings, each by its own sigma.

    Raises JobError where the readings leave the shape open, or a diagonal is too long for its walls.
    """
    n = len(outline.corners)
    readings: list[Taped | CornerAngle] = [*outline.taped, *outline.angles]
    # The first corner stays at the origin and the second on the X axis: 3 of the 2n numbers are not free.
    free = np.array([2, *range(4, 2 * n)])
    start = walk([outline.wall_mm(k) for k in range(n)], _starting_deg(outline))[:-1].ravel()

    def laid(unknowns: Array) -> Array:
        places = np.zeros(2 * n)
        places[free] = unknowns
        return places.reshape(n, 2)

    def misfits(unknowns: Array) -> Array:
        return np.array([_misfit(outline, one, laid(unknowns))[0] for one in readings])

    def slopes(unknowns: Array) -> Array:
        return np.array([_misfit(outline, one, laid(unknowns))[1][free] for one in readings])

    if len(readings) < len(free):
        raise _left_open(outline)
    solved = least_squares(misfits, start[free], slopes, x_scale="jac", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    jacobian = slopes(solved.x)
    singular = np.linalg.svd(jacobian, compute_uv=False)
    if singular[-1] < 1e-7 * singular[0]:
        raise _left_open(outline)
    covariance: Array = np.linalg.inv(jacobian.T @ jacobian).astype(np.float64)
    return _adjusted(outline, readings, laid(solved.x), misfits(solved.x), jacobian, covariance, free)


def _between(one: Taped) -> str:
    return f"corner {one.from_corner} to corner {one.to_corner}"


def _left_open(outline: Outline) -> JobError:
    known = {one.corner for one in outline.angles}
    unknown = [name for name in outline.corners if name not in known]
    where = f" of corner {', '.join(unknown)}" if unknown else ""
    return JobError(f"what was read leaves the outline's shape open. Tape a diagonal, or measure the angle{where}.")


def walk(walls_mm: Sequence[float], inside_deg: Sequence[float]) -> Array:
    """Where a walk round the outline comes to each corner, and at last back to the first: (n + 1, 2)."""
    headings = np.radians(np.cumsum([0.0, *(180.0 - deg for deg in inside_deg[1:])]))
    steps = np.array(walls_mm)[:, None] * np.column_stack([np.cos(headings), np.sin(headings)])
    return np.vstack([[0.0, 0.0], np.cumsum(steps, axis=0)])


def _starting_deg(outline: Outline) -> list[float]:
    """Rough inside angles to start from: as read, else from a diagonal across the corner, else what is left over."""
    n = len(outline.corners)
    found = {one.corner: one.angle_deg for one in outline.angles}
    for k, name in enumerate(outline.corners):
        read = outline.taped_mm(outline.corners[k - 1], outline.corners[(k + 1) % n])
        if name not in found and read is not None and n > 3:
            before, after = outline.wall_mm(k - 1 if k else n - 1), outline.wall_mm(k)
            cosine = (before**2 + after**2 - read[0] ** 2) / (2.0 * before * after)
            if abs(cosine) >= 1.0:
                raise JobError(
                    f"the two walls at corner {name} and the diagonal across it make no triangle. Tape the three again."
                )
            found[name] = math.degrees(math.acos(cosine))
    missing = n - len(found)
    share = ((n - 2) * 180.0 - sum(found.values())) / missing if missing else 0.0
    return [found.get(name, min(max(share, 20.0), 340.0)) for name in outline.corners]


def _distance(places: Array, i: int, j: int) -> tuple[float, Array]:
    """Between two corners, and how it moves with every x and y."""
    apart = places[j] - places[i]
    length = float(np.hypot(*apart))
    row = np.zeros(places.size)
    row[2 * j : 2 * j + 2] = apart / length
    row[2 * i : 2 * i + 2] = -apart / length
    return length, row


def _inside_angle(places: Array, k: int) -> tuple[float, Array]:
    """The angle inside the building at corner k in radians, 0 to 2 pi, and how it moves with every x and y."""
    n = len(places)
    row = np.zeros(places.size)
    bearings = []
    for other, sign in (((k - 1) % n, 1.0), ((k + 1) % n, -1.0)):
        dx, dy = places[other] - places[k]
        bearings.append(math.atan2(dy, dx))
        turn = np.array([-dy, dx]) / (dx**2 + dy**2)
        row[2 * other : 2 * other + 2] += sign * turn
        row[2 * k : 2 * k + 2] -= sign * turn
    return (bearings[0] - bearings[1]) % (2.0 * math.pi), row


def _misfit(outline: Outline, one: Taped | CornerAngle, places: Array) -> tuple[float, Array]:
    """Adjusted less read, in sigmas of the reading, with its derivatives."""
    if isinstance(one, Taped):
        pair = outline.corners.index(one.from_corner), outline.corners.index(one.to_corner)
        length_mm, row = _distance(places, *pair)
        return (length_mm - one.length_mm) / one.sigma_mm, row / one.sigma_mm
    angle, row = _inside_angle(places, outline.corners.index(one.corner))
    sigma = math.radians(one.u95_deg / U95)
    off = (angle - math.radians(one.angle_deg) + math.pi) % (2.0 * math.pi) - math.pi
    return off / sigma, row / sigma


def _adjusted(
    outline: Outline,
    readings: Sequence[Taped | CornerAngle],
    places: Array,
    misfits: Array,
    jacobian: Array,
    covariance: Array,
    free: NDArray[np.int_],
) -> Adjusted:
    redundancy = len(readings) - len(free)
    misfit = float(misfits @ misfits)
    limit = float(chdtri(redundancy, 0.05)) if redundancy else None
    consistent = None if limit is None else misfit <= limit
    # Of the residuals, in sigmas of the readings; where its diagonal is 0 no other reading checks that one.
    cofactors = np.eye(len(readings)) - jacobian @ covariance @ jacobian.T
    checked = np.diag(cofactors) > 1e-9
    spread = np.sqrt(np.where(checked, np.diag(cofactors), 1.0))
    normalised = np.where(checked, misfits / spread, 0.0)
    suspects: tuple[Taped | CornerAngle, ...] = ()
    if consistent is False:
        worst = int(np.argmax(np.abs(normalised)))
        alike = np.minimum(1.0, np.abs(cofactors[worst]) / (spread[worst] * spread))
        behind = abs(normalised[worst]) - np.abs(normalised)
        may_be = checked & (behind <= U95 * np.sqrt(2.0 * (1.0 - alike)) + 1e-6 * abs(normalised[worst]))
        suspects = tuple(one for one, suspect in zip(readings, may_be, strict=True) if suspect)
    whole = np.zeros((places.size, places.size))
    opened = max(1.0, misfit / redundancy) if redundancy else 1.0
    whole[np.ix_(free, free)] = covariance * opened
    return Adjusted(
        outline.corners,
        tuple((float(x), float(y)) for x, y in places),
        tuple(
            _residual(one, misfits[i], float(normalised[i]) if checked[i] else None) for i, one in enumerate(readings)
        ),
        redundancy,
        misfit,
        limit,
        consistent,
        suspects,
        whole,
    )


def _residual(one: Taped | CornerAngle, misfit: float, normalised: float | None) -> Residual:
    if isinstance(one, Taped):
        off = float(misfit) * one.sigma_mm
        return Residual(one, one.length_mm + off, off, normalised)
    off = float(misfit) * one.u95_deg / U95
    return Residual(one, one.angle_deg + off, off, normalised)
