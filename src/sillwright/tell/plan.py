"""The plan strip: a run from above at 1:12, drawn from its numbers, as lines and words a PDF or an SVG can set.

One inch on paper is one foot on the wall. A run longer than a row goes on in the next. Shapes are in millimetres of
paper from a row's top-left corner, y down. As everywhere, stations rise to the right and nothing is mirrored.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from sillwright.judge.straighten import straightening
from sillwright.lengths import MM_PER_INCH
from sillwright.survey import BoltRecord, RunRecord, Survey, left_handed
from sillwright.tell.frames import card_outline_mm, reach_mm, setback_span_mm, zero_card
from sillwright.tell.rows import STATUS_WORDS, page_turn_deg, shown, shown_status

REDUCTION = 12.0
ROW_FEET = 7
_MM_PER_FOOT = 12 * MM_PER_INCH
FULL_ROW_MM = ROW_FEET * MM_PER_INCH
_ARROW_MM = 7.0
_TEXT_MM = 2.6
_SMALL_MM = 2.1
_LEVELS = 2
_LEVEL_MM = 6.8
_LABEL_MM = 25.0  # the room a bolt's two lines of words take across
_RULE_MM = 7.0
_BAR_TIMES = (50, 20, 10, 5, 2)
_BAR_END_MM = 0.7
_NEAR_CORNER_MM = 600.0  # a corner this far past the last card or bolt is still drawn

Pen = Literal["chalk", "plate", "edge", "card", "bolt", "rule", "arrow", "leader", "bar"]
Ink = Literal["ink", "faint", "card", "check", "reshoot"]
Anchor = Literal["start", "middle", "end"]
Point = tuple[float, float]


@dataclass(frozen=True)
class Stroke:
    """A line through points."""

    points: tuple[Point, ...]
    pen: Pen


@dataclass(frozen=True)
class Ring:
    """A circle."""

    centre: Point
    radius: float
    pen: Pen


@dataclass(frozen=True)
class Words:
    """One line of text on its baseline."""

    text: str
    at: Point
    size: float
    anchor: Anchor = "middle"
    ink: Ink = "ink"
    bold: bool = False


@dataclass
class PlanRow:
    """One row of the plan."""

    width: float
    height: float
    strokes: list[Stroke] = field(default_factory=list)
    rings: list[Ring] = field(default_factory=list)
    words: list[Words] = field(default_factory=list)


@dataclass(frozen=True)
class _Sheet:
    """From stations and setbacks of one row to paper."""

    start_mm: float
    stop_mm: float
    wall_top_mm: float
    up: float
    top: float
    bottom: float

    def __call__(self, station_mm: float, setback_mm: float) -> Point:
        return (
            (station_mm - self.start_mm) / REDUCTION,
            self.top + self.up * (self.wall_top_mm - setback_mm) / REDUCTION,
        )

    def holds(self, station_mm: float) -> bool:
        """Whether a station is drawn on this row."""
        return self.start_mm <= station_mm < self.stop_mm


def plan_rows(survey: Survey, run: RunRecord, bars_times: int = 0) -> tuple[PlanRow, ...]:
    """The run's plan, broken into rows of at most seven feet, each starting on a whole foot.

    bars_times : how many times as long as it is each bolt's 95 % interval is drawn (see ``bars_times_of``); 0 for none
    """
    handed = bool(left_handed(survey, run.name))
    low_mm, high_mm = reach_mm(run, handed)
    corners = [corner.station_mm[run.name] for corner in survey.corners if run.name in corner.station_mm]
    near = [at_mm for at_mm in corners if low_mm - _NEAR_CORNER_MM < at_mm < high_mm + _NEAR_CORNER_MM]
    low_mm, high_mm = min(low_mm, *near, low_mm), max(high_mm, *near, high_mm)
    first_foot = math.floor((low_mm - 40.0) / _MM_PER_FOOT)
    last_foot = math.ceil((high_mm + 40.0) / _MM_PER_FOOT)
    starts = range(first_foot, last_foot, ROW_FEET)
    rows = [_row(survey, run, handed, foot, min(foot + ROW_FEET, last_foot), bars_times) for foot in starts]
    return tuple(rows)


def bars_times_of(run: RunRecord) -> int:
    """How many times as long as they are a run's 95 % intervals can be drawn, none wider than the plate: at a twelfth
    of their size they would not be seen."""
    widths_mm = [
        2.0 * u95_mm
        for bolt in run.bolts
        if shown_status(run, bolt) != "reshoot"
        for u95_mm in (bolt.u95.station_mm, bolt.u95.setback_mm)
        if u95_mm is not None
    ]
    widest_mm = max(widths_mm, default=0.0)
    return next((times for times in _BAR_TIMES if times * widest_mm <= run.plate_width_mm), 1)


def _row(survey: Survey, run: RunRecord, handed: bool, first_foot: int, last_foot: int, bars_times: int) -> PlanRow:
    low_mm, high_mm = setback_span_mm(run, handed)
    start_mm, stop_mm = first_foot * _MM_PER_FOOT, last_foot * _MM_PER_FOOT
    width = (last_foot - first_foot) * MM_PER_INCH
    labels = _place_labels(run, start_mm, stop_mm, width)
    top = (max((label.level for label in labels), default=-1) + 1) * _LEVEL_MM + 2.0
    deep = (high_mm - low_mm) / REDUCTION
    sheet = _Sheet(start_mm, stop_mm, low_mm if handed else high_mm, -1.0 if handed else 1.0, top, top + deep)
    row = PlanRow(width, top + deep + _RULE_MM)
    _draw_wall(row, sheet, run)
    _draw_cards(row, sheet, run, handed)
    _draw_rule(row, sheet, first_foot, last_foot)
    _draw_corners(row, sheet, survey, run)
    for label in labels:
        _draw_bolt(row, sheet, run, label, left_handed(survey, run.name))
        row.strokes += _bars(sheet, run, label.bolt, bars_times) if bars_times else []
    return row


@dataclass(frozen=True)
class _Label:
    """Where the words of one bolt stand: the middle of them across, and the level over the wall."""

    bolt: BoltRecord
    station_mm: float
    middle: float
    level: int


def _place_labels(run: RunRecord, start_mm: float, stop_mm: float, width: float) -> list[_Label]:
    """The row's bolts from left to right, their words on two levels where they stand close."""
    labels: list[_Label] = []
    filled = [-math.inf] * _LEVELS
    held = [(b.station_mm, b) for b in run.bolts if b.station_mm is not None and start_mm <= b.station_mm < stop_mm]
    for station_mm, bolt in sorted(held, key=lambda pair: pair[0]):
        x = (station_mm - start_mm) / REDUCTION
        middle = min(max(x, _LABEL_MM / 2), max(width - _LABEL_MM / 2, _LABEL_MM / 2))
        left = middle - _LABEL_MM / 2
        level = next((n for n in range(_LEVELS) if filled[n] <= left), min(range(_LEVELS), key=filled.__getitem__))
        filled[level] = left + _LABEL_MM
        labels.append(_Label(bolt, station_mm, middle, level))
    return labels


def _draw_wall(row: PlanRow, sheet: _Sheet, run: RunRecord) -> None:
    ends = (sheet.start_mm, sheet.stop_mm)
    for edge in run.edges:
        row.strokes.append(Stroke(tuple(sheet(x, edge.setback_at_zero_mm + edge.slope * x) for x in ends), "edge"))
    row.strokes.append(Stroke(tuple(sheet(x, run.plate_width_mm) for x in ends), "plate"))
    row.strokes.append(Stroke(tuple(sheet(x, 0.0) for x in ends), "chalk"))


def _draw_cards(row: PlanRow, sheet: _Sheet, run: RunRecord, handed: bool) -> None:
    """Cards whose middle lies on the row, or which stick out over its end far enough to be seen."""
    for card in run.cards:
        outline_mm = card_outline_mm(card, handed)
        corners = [sheet(float(x_mm), float(y_mm)) for x_mm, y_mm in outline_mm]
        held = [(min(max(x, 0.0), row.width), y) for x, y in corners]
        if max(x for x, _ in held) - min(x for x, _ in held) < 1.0:
            continue
        row.strokes.append(Stroke((*held, held[0]), "card"))
        x, y = sum(x for x, _ in held) / 4, sum(y for _, y in held) / 4
        _, line_y = sheet(0.0, 0.0)
        if abs(y - line_y) < _SMALL_MM:  # a card that lies on the line has its number beside the line
            y = line_y + math.copysign(_SMALL_MM, y - line_y)
        row.words.append(Words(f"card {card.number}", (x, y + 0.35 * _SMALL_MM), _SMALL_MM, ink="card"))
        zero = sheet(card.station_mm, card.setback_mm)
        if 0.0 <= zero[0] <= row.width:
            row.rings.append(Ring(zero, 0.7, "card"))


def _draw_rule(row: PlanRow, sheet: _Sheet, first_foot: int, last_foot: int) -> None:
    base = sheet.bottom + 1.2
    row.strokes.append(Stroke(((0.0, base), (row.width, base)), "rule"))
    for inch in range((last_foot - first_foot) * 12 + 1):
        x = inch * MM_PER_INCH / 12
        deep = 2.2 if inch % 12 == 0 else 1.4 if inch % 6 == 0 else 0.7
        row.strokes.append(Stroke(((x, base), (x, base + deep)), "rule"))
    for foot in range(first_foot, last_foot + 1):
        anchor: Anchor = "start" if foot == first_foot else "end" if foot == last_foot else "middle"
        text = f"{foot}'" if foot >= 0 else f"back {-foot}'"
        row.words.append(Words(text, ((foot - first_foot) * MM_PER_INCH, base + 5.0), _SMALL_MM, anchor))


def _draw_corners(row: PlanRow, sheet: _Sheet, survey: Survey, run: RunRecord) -> None:
    """Where another run's chalk line crosses this one's, if it lies on the row."""
    for corner in survey.corners:
        at_mm = corner.station_mm.get(run.name)
        if at_mm is None or run.name not in corner.runs or corner.status == "reshoot" or not sheet.holds(at_mm):
            continue
        other = corner.runs[1] if corner.runs[0] == run.name else corner.runs[0]
        x, y = sheet(at_mm, 0.0)
        row.strokes.append(Stroke(((x, y - 3.0), (x, y + 3.0)), "chalk"))
        row.words.append(Words(f"line of {other}", (x + 0.8, y - 1.0), _SMALL_MM, "start"))


def _draw_bolt(row: PlanRow, sheet: _Sheet, run: RunRecord, label: _Label, handed: bool | None) -> None:
    """A bolt with its setback drawn from the line; one to shoot again only as a query where it was seen."""
    bolt, status = label.bolt, shown_status(run, label.bolt)
    numbered = status != "reshoot" and bolt.setback_mm is not None
    setback_mm = bolt.setback_mm if numbered and bolt.setback_mm is not None else 0.5 * run.plate_width_mm
    x, y = sheet(label.station_mm, setback_mm)
    base = sheet.top - 1.6 - label.level * _LEVEL_MM
    row.strokes.append(Stroke(((x, y), (x, base + 0.6)), "leader"))
    ink: Ink = "ink" if status == "ok" else status
    mark = bolt.mark if status == "ok" else f"{bolt.mark} {STATUS_WORDS[status]}"
    if not numbered:
        row.words.append(Words(mark, (label.middle, base), _TEXT_MM, ink=ink, bold=True))
        row.words.append(Words("?", (x, y + 0.35 * _TEXT_MM), _TEXT_MM, ink="reshoot", bold=True))
        return
    setback = shown(setback_mm, bolt.u95.setback_mm, behind="beyond the line")
    row.words.append(Words(mark, (label.middle, base - 1.15 * _TEXT_MM), _TEXT_MM, ink=ink, bold=True))
    row.words.append(Words(f"in {setback.inches} {setback.plus_minus}", (label.middle, base), _SMALL_MM, ink=ink))
    row.strokes.append(Stroke((sheet(label.station_mm, 0.0), (x, y)), "leader"))
    radius = max(0.5 * bolt.diameter_mm / REDUCTION, 0.5)
    row.rings.append(Ring((x, y), radius, "bolt"))
    found = straightening(bolt)
    turn_deg = page_turn_deg(found, handed) if found is not None and found.verdict == "straighten" else None
    if turn_deg is not None:
        row.strokes += _arrow((x, y), math.radians(turn_deg), 1.4 * radius)


def _bars(sheet: _Sheet, run: RunRecord, bolt: BoltRecord, times: int) -> list[Stroke]:
    """A bolt's 95 % intervals along and across, ``times`` as long as they are, a tick at each end; none of a number
    that is not shown or whose interval is not known."""
    if shown_status(run, bolt) == "reshoot" or bolt.station_mm is None or bolt.setback_mm is None:
        return []
    strokes = []
    for u95_mm, x_mm, y_mm in ((bolt.u95.station_mm, 1.0, 0.0), (bolt.u95.setback_mm, 0.0, 1.0)):
        if u95_mm is None:
            continue
        ends = [
            sheet(bolt.station_mm + side * times * u95_mm * x_mm, bolt.setback_mm + side * times * u95_mm * y_mm)
            for side in (-1.0, 1.0)
        ]
        strokes.append(Stroke(tuple(ends), "bar"))
        for x, y in ends:
            off_x, off_y = _BAR_END_MM * y_mm, _BAR_END_MM * x_mm
            strokes.append(Stroke(((x - off_x, y - off_y), (x + off_x, y + off_y)), "bar"))
    return strokes


def _arrow(at: Point, turn: float, gap: float) -> list[Stroke]:
    """An arrow away from a bolt; its length says nothing, its way is the way the tip must come."""
    along = (math.cos(turn), -math.sin(turn))
    side = (-along[1], along[0])
    start = (at[0] + gap * along[0], at[1] + gap * along[1])
    tip = (at[0] + _ARROW_MM * along[0], at[1] + _ARROW_MM * along[1])
    barbs = [
        (tip[0] - 1.6 * along[0] + s * 0.8 * side[0], tip[1] - 1.6 * along[1] + s * 0.8 * side[1]) for s in (1, -1)
    ]
    return [Stroke((start, tip), "arrow"), Stroke((barbs[0], tip, barbs[1]), "arrow")]


def plan_key(run: RunRecord) -> str:
    """How to read the plan."""
    number = zero_card(run)
    zero = "" if number is None else f"0' is the zero mark of card {number}. "
    return (
        f"{zero}Thick line: chalk line. Dashed: far edge of the plate. Thin lines: edges of the wall. Ring on a card: "
        "its zero mark. Arrow: the way the tip must come; its length says nothing."
    )
