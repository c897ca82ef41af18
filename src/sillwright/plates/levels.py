"""Rod or laser readings along the wall to heights, and the shims that bring the second plate level.

Heights are millimetres, and those of a wall count from its highest point, which sets the sill (*Tools of the Trade*,
"Square Deal"). Readings of all runs in one ``Levels`` are from one set-up of the instrument, or reduced to one.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sillwright.errors import JobError, LengthError
from sillwright.lengths import MM_PER_INCH, parse_length_mm

# A rod held on the ground under a level line of sight reads more where the ground is lower; a height reads less there.
Sense = Literal["larger is lower", "larger is higher"]

READING_U95_MM = MM_PER_INCH / 16.0  # a rod or tape read to the nearest sixteenth; common practice, no source
STEP_MM = MM_PER_INCH / 16.0  # shims come in sixteenths

_LARGEST_BYTES = 1_000_000
_MOST_ROWS = 10_000
_NEEDED = ("station", "reading")
_KNOWN = (*_NEEDED, "run", "note")
_HEADING = re.compile(r"([a-z]+)\s*(?:\(\s*([^()\d\s/-]+)\s*\))?", re.ASCII)
_EPSILON_MM = 1e-6  # sixteenths are not exact in binary


@dataclass(frozen=True)
class LevelPoint:
    """One reading as a height; ``run`` is empty where the readings name no run."""

    run: str
    station_mm: float
    height_mm: float


@dataclass(frozen=True)
class Levels:
    """Heights of a wall's top from its highest point (zero, all others below it), by run and station."""

    points: tuple[LevelPoint, ...]
    reading_u95_mm: float

    @property
    def high(self) -> LevelPoint:
        """The highest point: the first of several."""
        return max(self.points, key=lambda point: point.height_mm)

    @property
    def low(self) -> LevelPoint:
        """The lowest point: the first of several."""
        return min(self.points, key=lambda point: point.height_mm)


def levels_of(points: Sequence[LevelPoint], reading_u95_mm: float = READING_U95_MM) -> Levels:
    """Heights from any datum, brought to the highest and sorted.

    Raises JobError where there are none, a number is missing, or one place has two.
    """
    if not points:
        raise JobError("there are no level readings. Give one a row, with its station.")
    if not all(math.isfinite(number) for point in points for number in (point.station_mm, point.height_mm)):
        raise JobError("a level reading has no number. Read it again.")
    places = [(point.run, point.station_mm) for point in points]
    if len(set(places)) < len(places):
        twice = next(place for place in places if places.count(place) > 1)
        raise JobError(f"{_of_run(twice[0])}two level readings are given for one station. Keep the better one.")
    top_mm = max(point.height_mm for point in points)
    ordered = sorted(points, key=lambda point: (point.run, point.station_mm))
    return Levels(tuple(LevelPoint(p.run, p.station_mm, p.height_mm - top_mm) for p in ordered), reading_u95_mm)


def read_levels(path: Path, sense: Sense, reading_u95_mm: float = READING_U95_MM) -> Levels:
    """Read a CSV file of readings; see ``levels_from_csv``. Raises JobError where it cannot be read."""
    return levels_of(read_level_points(path, sense), reading_u95_mm)


def read_level_points(path: Path, sense: Sense) -> tuple[LevelPoint, ...]:
    """Read a CSV file of readings; see ``level_points``. Raises JobError where it cannot be read."""
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise JobError(f"{path.name} is larger than {_LARGEST_BYTES // 1000} kB. Give a table of readings only.")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as fault:
        raise JobError(f"{path.name} cannot be read as text ({fault}). Save it as CSV in UTF-8.") from fault
    return level_points(text, sense, path.name)


def levels_from_csv(text: str, sense: Sense, name: str, reading_u95_mm: float = READING_U95_MM) -> Levels:
    """Readings from one table, brought to the highest of them; see ``level_points``."""
    return levels_of(level_points(text, sense, name), reading_u95_mm)


def level_points(text: str, sense: Sense, name: str) -> tuple[LevelPoint, ...]:
    """Readings from a table: a header row, then one row a reading, with columns station and reading in any order.

    Heights are as read (on a rod, below the line of sight), so that tables of one set-up may be put together.

    Columns run and note may be there too. Each length has its unit in the cell or in the header, like ``station (ft)``;
    a cell's own unit goes before the header's. Raises JobError, naming row and column of every fault.
    """
    if sense not in ("larger is lower", "larger is higher"):
        raise JobError(
            f'{name}: say whether a "larger is lower" reading, as on a rod, or "larger is higher" was taken.'
        )
    rows = _rows(text, name)
    columns = _columns(rows[0][1], name)
    points, first_seen, faults = [], dict[tuple[str, float], int](), []
    for number, cells in rows[1:]:
        try:
            point = _point(cells, columns, sense)
        except LengthError as fault:
            faults.append(f"{name}, row {number}, {fault}")
            continue
        before = first_seen.setdefault((point.run, point.station_mm), number)
        if before != number:
            faults.append(f"{name}, row {number}, column station: row {before} gives it too. Keep the better reading.")
        points.append(point)
    if faults:
        raise JobError("\n".join(faults))
    if not points:
        raise JobError(f"{name} has no readings under its header. Give one a row.")
    return tuple(points)


def _rows(text: str, name: str) -> list[tuple[int, list[str]]]:
    """Rows that hold anything, with their line in the file."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows = []
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((reader.line_num, [cell.strip() for cell in cells]))
            if len(rows) > _MOST_ROWS:
                raise JobError(f"{name} has more than {_MOST_ROWS} rows. Give a table of readings only.")
    except csv.Error as fault:
        raise JobError(
            f'{name}, row {reader.line_num}: it cannot be read ({fault}). Close quotes, and write inches as "in".'
        ) from fault
    if not rows:
        raise JobError(f"{name} is empty. Its first row names the columns: station, reading.")
    return rows


def _columns(header: Sequence[str], name: str) -> dict[str, tuple[int, str]]:
    """Where each column stands, and the unit its header gives."""
    columns: dict[str, tuple[int, str]] = {}
    for i, cell in enumerate(header):
        match = _HEADING.fullmatch(cell.casefold())
        if match is None or match[1] not in _KNOWN:
            raise JobError(
                f"{name}, row 1: column {cell!r} is not known. Columns are {', '.join(_KNOWN)}, parted by commas."
            )
        if match[1] in columns:
            raise JobError(f"{name}, row 1: column {match[1]} is there twice. Keep one.")
        unit = match[2] or ""
        if unit:
            try:
                parse_length_mm(f"1 {unit}")
            except LengthError as fault:
                raise JobError(f"{name}, row 1, column {match[1]}: {unit!r} is no unit of length. {fault}") from fault
        columns[match[1]] = (i, unit)
    for needed in _NEEDED:
        if needed not in columns:
            raise JobError(f"{name}, row 1: there is no column {needed}. The first row names the columns.")
    return columns


def _point(cells: Sequence[str], columns: dict[str, tuple[int, str]], sense: Sense) -> LevelPoint:
    station_mm = _length_mm(cells, columns, "station", allow_negative=True)
    reading_mm = _length_mm(cells, columns, "reading", allow_negative=sense == "larger is higher")
    where = columns.get("run")
    run = cells[where[0]] if where and where[0] < len(cells) else ""
    if where and not run:
        raise LengthError("column run: it is empty. Name the run in each row, or leave the column out.")
    return LevelPoint(run, station_mm, -reading_mm if sense == "larger is lower" else reading_mm)


def _length_mm(
    cells: Sequence[str], columns: dict[str, tuple[int, str]], column: str, *, allow_negative: bool
) -> float:
    i, unit = columns[column]
    cell = cells[i] if i < len(cells) else ""
    if not cell:
        raise LengthError(f"column {column}: it is empty. Give the length, or take the row out.")
    if unit:
        try:
            return parse_length_mm(f"{cell} {unit}", allow_negative=allow_negative)
        except LengthError:
            pass  # it has its own unit, or is no length: what follows tells
    try:
        return parse_length_mm(cell, allow_negative=allow_negative)
    except LengthError as fault:
        raise LengthError(f"column {column}: {fault}") from fault


@dataclass(frozen=True)
class ShimRules:
    """What shims are set by; every figure is the crew's to change.

    spacing_mm : joists or studs. 16 in both: common practice, no source
    bolt_side_mm : from a bolt's middle to the shim on either side of it; common practice, no source
    tolerance_mm : how far a shim's top may lie above or below level. Half a step is the best that steps can do
    limit_mm : lowest spot still to be shimmed: 1/4 in, with steel ("Square Deal"; wood crushes)
    grout_mm : from here non-shrink grout ("Square Deal"). Between the two the engineer is asked
    apart_mm : readings farther apart say too little of what lies between: 4 to 8 ft is told (a framing book)
    same_place_mm : places nearer than this take one shim
    """

    spacing_mm: float = 16.0 * MM_PER_INCH
    bolt_side_mm: float = 2.0 * MM_PER_INCH
    tolerance_mm: float = STEP_MM / 2.0
    limit_mm: float = MM_PER_INCH / 4.0
    grout_mm: float = MM_PER_INCH
    apart_mm: float = 96.0 * MM_PER_INCH
    same_place_mm: float = MM_PER_INCH

    def __post_init__(self) -> None:
        if not self.tolerance_mm >= STEP_MM / 2.0 - _EPSILON_MM:
            raise JobError(
                "level tolerance: shims in steps of 1/16 in come within 1/32 in of level, no nearer. Allow that much."
            )
        if not 0.0 < self.limit_mm < self.grout_mm:
            raise JobError("shims: the lowest spot to shim must be above zero, and less than where grout begins.")
        if not min(self.spacing_mm, self.bolt_side_mm, self.apart_mm, self.same_place_mm) > 0.0:
            raise JobError("shims: spacing, distance from a bolt and between readings must be above zero.")


@dataclass(frozen=True)
class ShimPlace:
    """Where a shim is wanted: under a joist or stud, an end of the plate, and beside which bolts."""

    station_mm: float
    joist: bool = False
    end: bool = False
    bolts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Shim:
    """What one place asks for.

    gap_mm, u95_mm : from the wall's top there up to level with the highest point; None beyond the readings. The
    interval is that of the readings; what the wall does between them is not in it
    sixteenths, left_mm : the shim's height in steps of 1/16 in and what is then still missing to level (negative: it
    stands above); None where no shim is to be set
    doubtful : the gap's interval reaches past a limit, or the readings beside it are too far apart
    """

    run: str
    place: ShimPlace
    gap_mm: float | None
    u95_mm: float | None
    sixteenths: int | None
    left_mm: float | None
    verdict: Literal["none", "shim", "engineer", "grout", "not read"]
    doubtful: bool


RULES = ShimRules()


def shim_places(
    low_mm: float,
    high_mm: float,
    bolts: Iterable[tuple[str, float]],
    *,
    first_joist_mm: float | None = None,
    rules: ShimRules = RULES,
) -> tuple[ShimPlace, ...]:
    """Places for shims between two stations: each joist, both ends, and both sides of each bolt (mark and station).

    Joists count from ``first_joist_mm``, the low end where None. One that would stand on a bolt is carried by the two
    shims beside that bolt. Raises JobError where the stations leave no length.
    """
    if not low_mm < high_mm:
        raise JobError("shims: the plate's high end must lie past its low end.")
    within = [(mark, at) for mark, at in bolts if low_mm <= at <= high_mm]
    from_mm = low_mm if first_joist_mm is None else first_joist_mm
    steps = range(
        math.ceil((low_mm - from_mm) / rules.spacing_mm - 1e-9),
        math.floor((high_mm - from_mm) / rules.spacing_mm + 1e-9) + 1,
    )
    joists = [from_mm + k * rules.spacing_mm for k in steps]
    wanted = [ShimPlace(low_mm, end=True), ShimPlace(high_mm, end=True)]
    wanted += [ShimPlace(at, joist=True) for at in joists if all(abs(at - b) >= rules.bolt_side_mm for _, b in within)]
    for mark, at in within:
        carries = any(abs(at - joist) < rules.bolt_side_mm for joist in joists)
        sides = (at - rules.bolt_side_mm, at + rules.bolt_side_mm)
        wanted += [ShimPlace(side, carries, bolts=(mark,)) for side in sides if low_mm <= side <= high_mm]
    return _joined(wanted, rules.same_place_mm)


def _joined(wanted: Sequence[ShimPlace], near_mm: float) -> tuple[ShimPlace, ...]:
    """Places nearer than ``near_mm`` as one, which stays where the first of them in ``wanted`` is."""
    kept: list[ShimPlace] = []
    for place in wanted:
        near = next((i for i, one in enumerate(kept) if abs(one.station_mm - place.station_mm) < near_mm), None)
        if near is None:
            kept.append(place)
        else:
            one = kept[near]
            marks = tuple(dict.fromkeys((*one.bolts, *place.bolts)))
            kept[near] = ShimPlace(one.station_mm, one.joist or place.joist, one.end or place.end, marks)
    return tuple(sorted(kept, key=lambda place: place.station_mm))


def shims(levels: Levels, run: str, places: Sequence[ShimPlace], rules: ShimRules = RULES) -> tuple[Shim, ...]:
    """The least shims between first and second plate that bring each place level with the highest point of all runs.

    Between readings the wall is taken as straight; beyond the first and last of a run nothing is claimed but that the
    wall is as high there as at the reading itself, where the place is ``same_place_mm`` or less away. Raises
    JobError where the run has no readings.
    """
    points = [point for point in levels.points if point.run == run]
    if not points:
        raise JobError(f"{_of_run(run)}there are no level readings. Take some at both ends and along it.")
    return tuple(_shim(levels, run, points, place, rules) for place in places)


def _shim(levels: Levels, run: str, points: Sequence[LevelPoint], place: ShimPlace, rules: ShimRules) -> Shim:
    first, last = (pick(p.station_mm for p in points) for pick in (min, max))
    at = place.station_mm
    if first - rules.same_place_mm < at < last + rules.same_place_mm:
        at = min(max(at, first), last)  # where the rod stood, as nearly as anybody holds it
    before = max((p for p in points if p.station_mm <= at + _EPSILON_MM), key=lambda p: p.station_mm, default=None)
    after = min((p for p in points if p.station_mm >= at - _EPSILON_MM), key=lambda p: p.station_mm, default=None)
    if before is None or after is None:
        return Shim(run, place, None, None, None, None, "not read", True)
    span_mm = max(0.0, after.station_mm - before.station_mm)
    share = (at - before.station_mm) / span_mm if span_mm > 0.0 else 0.0
    gap_mm = max(0.0, -(before.height_mm + share * (after.height_mm - before.height_mm)))
    u95_mm = levels.reading_u95_mm * _noise(levels.high, before, after, share)
    limits = (rules.limit_mm, rules.grout_mm)
    doubtful = span_mm > rules.apart_mm + _EPSILON_MM or any(
        abs(gap_mm - limit) < u95_mm - _EPSILON_MM for limit in limits
    )
    steps = max(0, math.ceil((gap_mm - rules.tolerance_mm - _EPSILON_MM) / STEP_MM))
    if not steps:
        return Shim(run, place, gap_mm, u95_mm, 0, gap_mm, "none", doubtful)
    if gap_mm >= rules.grout_mm - _EPSILON_MM:
        return Shim(run, place, gap_mm, u95_mm, None, None, "grout", doubtful)
    if gap_mm > rules.limit_mm + _EPSILON_MM:
        return Shim(run, place, gap_mm, u95_mm, None, None, "engineer", doubtful)
    return Shim(run, place, gap_mm, u95_mm, steps, gap_mm - steps * STEP_MM, "shim", doubtful)


def _noise(high: LevelPoint, before: LevelPoint, after: LevelPoint, share: float) -> float:
    """How the readings' errors add up in a gap: the highest point less the mean of the two beside the place."""
    counts = [(high, 1.0), (before, share - 1.0), (after, -share)]
    return math.sqrt(sum(sum(c for p, c in counts if p == point) ** 2 for point in {high, before, after}))


def _of_run(run: str) -> str:
    return f'run "{run}": ' if run else ""
