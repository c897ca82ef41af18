"""A run from above before and after, as two SVG pictures of one frame, to be laid over each other or side by side.

Stations, line and plate are at 1:12, one inch of paper to the foot. What differs would not be seen so small: each
bolt's foot is drawn where the first survey has it, and in the second picture off that by its difference times a factor;
leans and 95 % intervals are as many times too large. As in every drawing from above stations rise to the right and
nothing is mirrored. A bolt of which a number is missing is a query, and has neither foot nor lean.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sillwright.archive.align import from_first_edge, from_other_end
from sillwright.archive.compare import Pair, RunComparison
from sillwright.lengths import MM_PER_INCH, format_feet_inches
from sillwright.survey import BoltRecord, RunRecord
from sillwright.tell.markup import Markup, el, joined

REDUCTION = 12.0
ROW_FEET = 4
_MM_PER_FOOT = 12.0 * MM_PER_INCH
_TIMES = (10, 5, 2)  # the largest by which nothing is drawn longer than _REACH_MM
_REACH_MM = 120.0
_BLEED, _SIZE, _LINE, _RULE = 2.0, 3.1, 3.9, 6.0  # of the page, in mm; _LINE from one line of words to the next
_LABEL = 25.0  # the room a bolt's words take across
_LEVELS = 2
_PAPER, _INK, _FAINT, _WOOD = "#faf8f3", "#16202a", "#46525c", "#684424"
_FIRST, _SECOND = "#1f4e79", "#b34700"

Point = tuple[float, float]


@dataclass(frozen=True)
class ComparePlan:
    """The two pictures, in one frame; ``times`` is by what differences, leans and intervals are drawn too large."""

    before: Markup
    after: Markup
    times: int


@dataclass(frozen=True)
class _Foot:
    """A bolt in one of the two: how far it is from where it is drawn at home, and its lean, both in the run frame of
    the first; ``words`` are its numbers by its own record."""

    step_mm: Point
    lean_mm: Point | None
    u95_mm: Point
    words: str


@dataclass(frozen=True)
class _Spot:
    """A bolt at home on the wall; None where one of the two does not have it, ``unsure`` where a number is missing."""

    mark: str
    station_mm: float
    setback_mm: float
    before: _Foot | None
    after: _Foot | None
    unsure: bool = False


@dataclass(frozen=True)
class _Frame:
    """What both pictures share: the rows' first feet, which setbacks they hold, on how many levels words stand."""

    feet: tuple[int, ...]
    levels: int
    low_mm: float
    high_mm: float
    up: float
    plate_mm: float

    @property
    def top(self) -> float:
        """From a row's top to its highest setback: the words before, under the marks."""
        return self.levels * 2.0 * _LINE + 1.0

    @property
    def deep(self) -> float:
        """From the highest setback to the lowest."""
        return (self.high_mm - self.low_mm) / REDUCTION

    @property
    def height(self) -> float:
        """Of a row: below lie the words after, and the rule."""
        return self.top + self.deep + self.levels * _LINE + 1.0 + _RULE

    def at(self, first_foot: int, station_mm: float, setback_mm: float) -> Point:
        """A place of the run on a row."""
        from_top_mm = self.high_mm - setback_mm if self.up > 0.0 else setback_mm - self.low_mm
        return (station_mm - first_foot * _MM_PER_FOOT) / REDUCTION, self.top + from_top_mm / REDUCTION


def compare_plan(
    found: RunComparison, first: RunRecord, second: RunRecord, left_handed: bool, titles: tuple[str, str]
) -> ComparePlan:
    """Draw both. ``titles`` are what the pictures are called, for those who do not see them."""
    spots = tuple(_spots(found, first, second))
    times = _times(spots)
    frame = _frame(spots, first.plate_width_mm, left_handed, times)
    before, after = (_picture(frame, spots, times, title, side) for side, title in enumerate(titles))
    return ComparePlan(before, after, times)


def _spots(found: RunComparison, first: RunRecord, second: RunRecord) -> Iterator[_Spot]:
    for pair in found.pairs:
        yield _pair_spot(pair, 0.5 * first.plate_width_mm)
    seen = from_first_edge(first, second)
    if found.order == "turned":
        seen = from_other_end(seen)
    for record, bolt in zip(second.bolts, seen, strict=True):
        if record in found.new and bolt.station_mm is not None:
            yield _lone(bolt, record, bolt.station_mm - found.along_shift_mm, first, is_new=True)
    for bolt in found.gone:
        if bolt.station_mm is not None:
            yield _lone(bolt, bolt, bolt.station_mm, first, is_new=False)


def _pair_spot(pair: Pair, middle_mm: float) -> _Spot:
    one, other = pair.first, pair.second
    mark = one.mark if one.mark == other.mark else f"{one.mark} → {other.mark}"
    home_mm = one.station_mm or 0.0
    if pair.station is None or pair.setback is None or one.setback_mm is None:
        return _Spot(mark, home_mm, middle_mm, None, None, unsure=True)
    lean_mm = (one.lean_along_mm or 0.0, one.lean_across_mm or 0.0)
    leans: tuple[Point | None, Point | None] = (None, None)
    if pair.lean_along is not None and pair.lean_across is not None:
        leans = (lean_mm, (lean_mm[0] + pair.lean_along.mm, lean_mm[1] + pair.lean_across.mm))
    return _Spot(
        mark,
        home_mm,
        one.setback_mm,
        _Foot((0.0, 0.0), leans[0], _u95(one), _numbers(one)),
        _Foot((pair.station.mm, pair.setback.mm), leans[1], _u95(other), _numbers(other)),
    )


def _lone(bolt: BoltRecord, record: BoltRecord, station_mm: float, first: RunRecord, *, is_new: bool) -> _Spot:
    """A bolt that only one has, as it is seen from the first one's end and edge."""
    if bolt.setback_mm is None or bolt.status == "reshoot":
        return _Spot(bolt.mark, station_mm, 0.5 * first.plate_width_mm, None, None, unsure=True)
    known = bolt.lean_along_mm is not None and bolt.lean_across_mm is not None
    lean_mm = (bolt.lean_along_mm or 0.0, bolt.lean_across_mm or 0.0) if known else None
    foot = _Foot((0.0, 0.0), lean_mm, _u95(bolt), _numbers(record))
    before, after = (None, foot) if is_new else (foot, None)
    return _Spot(bolt.mark, station_mm, bolt.setback_mm, before, after)


def _u95(bolt: BoltRecord) -> Point:
    return bolt.u95.station_mm or 0.0, bolt.u95.setback_mm or 0.0


def _numbers(bolt: BoltRecord) -> str:
    """A bolt's setback and lean, short: the table beside the picture has the ±."""
    setback = "" if bolt.setback_mm is None else format_feet_inches(bolt.setback_mm)
    lean = "" if bolt.lean_deg is None else f"{bolt.lean_deg:.1f}°"
    return ", ".join(part for part in (setback, lean) if part)


def _times(spots: Sequence[_Spot]) -> int:
    feet = [foot for spot in spots for foot in (spot.before, spot.after) if foot is not None]
    longest_mm = max(
        (math.hypot(*size) for foot in feet for size in (foot.step_mm, foot.lean_mm or (0.0, 0.0))), default=0
    )
    return next((times for times in _TIMES if times * longest_mm <= _REACH_MM), 1)


def _frame(spots: Sequence[_Spot], plate_mm: float, left_handed: bool, times: int) -> _Frame:
    stations = [spot.station_mm for spot in spots] or [0.0]
    first_foot = math.floor((min(stations) - 150.0) / _MM_PER_FOOT)
    last_foot = math.ceil((max(stations) + 150.0) / _MM_PER_FOOT)
    across = [0.0, plate_mm]
    for spot in spots:
        for foot in (spot.before, spot.after):
            if foot is not None:
                foot_mm = spot.setback_mm + times * foot.step_mm[1]
                across += [foot_mm, foot_mm + times * (foot.lean_mm or (0.0, 0.0))[1]]
    low_mm, high_mm = max(min(across), -plate_mm) - 25.0, min(max(across), 2.0 * plate_mm) + 25.0
    feet = tuple(range(first_foot, last_foot, ROW_FEET))
    levels = max((level for foot in feet for _, _, level in _placed(_on_row(spots, foot), foot)), default=0) + 1
    return _Frame(feet, levels, low_mm, high_mm, -1.0 if left_handed else 1.0, plate_mm)


def _picture(frame: _Frame, spots: Sequence[_Spot], times: int, title: str, side: int) -> Markup:
    width = ROW_FEET * MM_PER_INCH
    rows = []
    for place, first_foot in enumerate(frame.feet):
        parts = [*_wall(frame, first_foot, width), *_bolts(frame, first_foot, _on_row(spots, first_foot), times, side)]
        rows.append(el("g", joined(*parts), transform=f"translate(0 {_n(place * frame.height)})"))
    height = len(frame.feet) * frame.height
    box = {"x": _n(-_BLEED), "y": "0", "width": _n(width + 2.0 * _BLEED), "height": _n(height)}
    return el(
        "svg",
        el("title", title),
        el("rect", **box, fill=_PAPER),
        joined(*rows),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"{-_BLEED} 0 {_n(width + 2.0 * _BLEED)} {_n(height)}",
        class_="compared",
        role="img",
    )


def _wall(frame: _Frame, first_foot: int, width: float) -> Iterator[Markup]:
    """Chalk line, far edge of the plate, and a rule in feet."""
    for setback_mm, ink, pen, dashes in ((0.0, _INK, 0.6, "none"), (frame.plate_mm, _WOOD, 0.3, "2.4 1.4")):
        _, y = frame.at(first_foot, 0.0, setback_mm)
        yield _stroke((0.0, y), (width, y), ink, pen, dashes)
    base = frame.height - _RULE + 0.8
    yield _stroke((0.0, base), (width, base), _INK, 0.18)
    for foot in range(ROW_FEET + 1):
        x, at_foot = foot * MM_PER_INCH, first_foot + foot
        yield _stroke((x, base), (x, base + 1.4), _INK, 0.18)
        anchor = "start" if foot == 0 else "end" if foot == ROW_FEET else "middle"
        yield _words(f"{at_foot}'" if at_foot >= 0 else f"back {-at_foot}'", (x, base + 4.3), _FAINT, anchor)


def _on_row(spots: Sequence[_Spot], first_foot: int) -> list[_Spot]:
    """The bolts of a row from left to right."""
    held = [spot for spot in spots if first_foot <= spot.station_mm / _MM_PER_FOOT < first_foot + ROW_FEET]
    return sorted(held, key=lambda one: one.station_mm)


def _placed(spots: Sequence[_Spot], first_foot: int) -> Iterator[tuple[_Spot, float, int]]:
    """Each bolt of a row, where the middle of its words stands across, and on which level."""
    filled = [-math.inf] * _LEVELS
    for spot in spots:
        x = (spot.station_mm - first_foot * _MM_PER_FOOT) / REDUCTION
        middle = min(max(x, 0.5 * _LABEL), ROW_FEET * MM_PER_INCH - 0.5 * _LABEL)
        level = next((n for n in range(_LEVELS) if filled[n] <= middle - 0.5 * _LABEL), _LEVELS - 1)
        filled[level] = middle + 0.5 * _LABEL
        yield spot, middle, level


def _bolts(frame: _Frame, first_foot: int, spots: Sequence[_Spot], times: int, side: int) -> Iterator[Markup]:
    for spot, middle, level in _placed(spots, first_foot):
        home = frame.at(first_foot, spot.station_mm, spot.setback_mm)
        head = frame.top - 1.0 - level * 2.0 * _LINE
        yield _words(spot.mark, (middle, head - _LINE), _INK, "middle", bold=True)
        if spot.unsure:
            yield _words("?", (home[0], home[1] + 0.35 * _SIZE), _INK, "middle", bold=True)
            continue
        foot = (spot.before, spot.after)[side]
        if foot is None:
            continue
        ink = (_FIRST, _SECOND)[side]
        below = frame.top + frame.deep + _LINE + level * _LINE
        yield _words(foot.words, (middle, head if side == 0 else below), ink, "middle")
        yield from _foot(frame, first_foot, spot, foot, times, ink, is_open=side == 0)


def _foot(
    frame: _Frame, first_foot: int, spot: _Spot, foot: _Foot, times: int, ink: str, *, is_open: bool
) -> Iterator[Markup]:
    """The box of its interval, its lean from foot to tip, and the foot: a square before, a disc after."""
    at_mm = spot.station_mm + times * foot.step_mm[0], spot.setback_mm + times * foot.step_mm[1]
    x, y = frame.at(first_foot, *at_mm)
    half_x, half_y = (max(times * u95_mm / REDUCTION, 0.05) for u95_mm in foot.u95_mm)
    box = {"x": _n(x - half_x), "y": _n(y - half_y), "width": _n(2.0 * half_x), "height": _n(2.0 * half_y)}
    yield el("rect", **box, fill=ink, fill_opacity=0.15, stroke=ink, stroke_width=0.15)
    if foot.lean_mm is not None:
        tip = frame.at(first_foot, at_mm[0] + times * foot.lean_mm[0], at_mm[1] + times * foot.lean_mm[1])
        yield _stroke((x, y), tip, ink, 0.55)
        yield el("circle", cx=_n(tip[0]), cy=_n(tip[1]), r=0.6, fill=ink)
    if is_open:
        yield el(
            "rect", x=_n(x - 0.9), y=_n(y - 0.9), width=1.8, height=1.8, fill=_PAPER, stroke=ink, stroke_width=0.45
        )
    else:
        yield el("circle", cx=_n(x), cy=_n(y), r=1.1, fill=ink)


def _stroke(start: Point, end: Point, ink: str, pen: float, dashes: str = "none") -> Markup:
    return el(
        "line", x1=_n(start[0]), y1=_n(start[1]), x2=_n(end[0]), y2=_n(end[1]), stroke=ink, stroke_width=pen,
        stroke_dasharray=dashes,
    )  # fmt: skip


def _words(text: str, at: Point, ink: str, anchor: str, *, bold: bool = False) -> Markup:
    return el(
        "text", text, x=_n(at[0]), y=_n(at[1]), fill=ink, font_size=_SIZE, text_anchor=anchor,
        font_weight="bold" if bold else "normal",
    )  # fmt: skip


def _n(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
