"""A run's plates to scale for a sheet: pieces with their cuts and joints, holes, and running dimensions to drill from.

Drawn at 1:12 with the shapes of the plan, so that a PDF or an SVG can set it: one inch on paper is one foot on the
wall. Each piece is dimensioned from its own low end, where the tape is hooked. A run longer than a row goes on in the
next; layers stand above each other as they lie, the one on the concrete lowest.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sillwright.lengths import format_feet_inches, format_inches
from sillwright.plates.piece import PlatePiece
from sillwright.tell.lettering import register_pdf_fonts
from sillwright.tell.plan import FULL_ROW_MM, REDUCTION, Pen, PlanRow, Point, Ring, Stroke, Words
from sillwright.tell.plate_labels import FIGURE_MM, WORDS_MM, Label, Placed, place_labels
from sillwright.tell.plate_view import FIGURES_RULE, LOW_END, end_words, hole_doubts, in_order, outline_mm, side_words

_LEVEL_MM = 10.5
_TITLE_MM = 5.0
_FIRST_LEVEL_MM = 3.0
PAST_ENDS_MM = 30.0  # of the wall, at both ends of the run
_LEAST_ROW_MM = 140.0  # of paper: the words about an end need as much
_JOINT_MM = 3.0  # common practice, no source: ends closer than a saw's kerf are one joint


@dataclass(frozen=True)
class Window:
    """The stations one row shows, ``reduction`` times as long on the wall as on paper."""

    start_mm: float
    stop_mm: float
    reduction: float = REDUCTION

    def x(self, station_mm: float) -> float:
        """A station on the row, in mm of paper from its left."""
        return (station_mm - self.start_mm) / self.reduction

    def holds(self, station_mm: float) -> bool:
        """Whether a station stands in this row and in no other."""
        return self.start_mm <= station_mm < self.stop_mm

    @property
    def width(self) -> float:
        """Of the row, in mm of paper."""
        return (self.stop_mm - self.start_mm) / self.reduction


def plate_rows(
    pieces: Sequence[PlatePiece],
    run: str,
    *,
    bolts_mm: Mapping[str, float],
    left_handed: bool | None,
    parts: int = 16,
) -> tuple[PlanRow, ...]:
    """The drawing of one run's pieces, broken into rows of equal length; none where the run has no piece.

    bolts_mm : nominal bolt diameter by mark; a hole in doubt is marked CHECK (``plate_notes`` says why)
    left_handed : whether the run's frame is left-handed, as ``survey.left_handed`` tells
    parts : of an inch, that figures are written to
    """
    register_pdf_fonts()
    own = [piece for piece in in_order(pieces) if piece.run == run]
    if not own:
        return ()
    stations = [piece.low_mm + x for piece in own for x, _ in outline_mm(piece)]
    low_mm, high_mm = min(stations) - PAST_ENDS_MM, max(stations) + PAST_ENDS_MM
    high_mm = max(high_mm, low_mm + _LEAST_ROW_MM * REDUCTION)
    count = math.ceil((high_mm - low_mm) / (FULL_ROW_MM * REDUCTION))
    step_mm = (high_mm - low_mm) / count
    windows = [Window(low_mm + n * step_mm, low_mm + (n + 1) * step_mm) for n in range(count)]
    return tuple(_row(own, window, bolts_mm, -1.0 if left_handed else 1.0, parts) for window in windows)


def plate_key(left_handed: bool | None) -> str:
    """How to read the drawing."""
    return (
        "Large figures: along the chalk-line edge from the low end of the piece the hole is in. “in”: from the "
        "chalk-line edge to the middle of the hole. Thick line: chalk-line edge. A piece without an end line goes on "
        f"in the next row. CHECK: tape the bolt before drilling; see why below. {FIGURES_RULE} {LOW_END} "
        f"{side_words(left_handed)}"
    )


def plate_notes(pieces: Sequence[PlatePiece], run: str, bolts_mm: Mapping[str, float]) -> tuple[str, ...]:
    """Why holes of a run are marked CHECK."""
    return tuple(
        f"{hole.mark} in {piece.name}, layer {piece.layer}. {doubt}"
        for piece in in_order(pieces)
        if piece.run == run
        for hole in piece.holes
        for doubt in hole_doubts(piece, hole, bolts_mm)
    )


def _row(pieces: Sequence[PlatePiece], window: Window, bolts_mm: Mapping[str, float], up: float, parts: int) -> PlanRow:
    row = PlanRow(window.width, 0.0)
    for layer in sorted({piece.layer for piece in pieces}, reverse=True):
        own = [piece for piece in pieces if piece.layer == layer]
        shown = [piece for piece in own if _shows(piece, window)]
        if shown:
            _draw_layer(row, window, shown, own, bolts_mm, up, parts)
    return row


def _shows(piece: PlatePiece, window: Window) -> bool:
    stations = [piece.low_mm + x for x, _ in outline_mm(piece)]
    return min(stations) < window.stop_mm and max(stations) > window.start_mm


def _draw_layer(
    row: PlanRow,
    window: Window,
    shown: Sequence[PlatePiece],
    own: Sequence[PlatePiece],
    bolts_mm: Mapping[str, float],
    up: float,
    parts: int,
) -> None:
    """One layer below what the row already holds: hole figures off the far edge, ends off the chalk-line edge."""
    deep = max(piece.width_mm for piece in own) / REDUCTION
    holes = place_labels(
        [label for piece in shown for label in _hole_labels(piece, window, bolts_mm, parts)], window.width
    )
    ends = place_labels([label for piece in shown for label in _end_labels(piece, own, window, parts)], window.width)
    over, under = (holes, ends) if up > 0 else (ends, holes)
    title = f"Layer {own[0].layer}, {format_inches(shown[0].width_mm)} wide"
    row.words.append(Words(title, (0.0, row.height + 0.8 * _TITLE_MM), WORDS_MM, "start", "faint"))
    top = row.height + _TITLE_MM + _band(over)
    edge = top + deep if up > 0 else top  # where the chalk-line edge is
    for piece in shown:
        draw_piece(row, window, piece, edge, up)
    _draw_labels(row, over, edge, up, top, -1.0)
    _draw_labels(row, under, edge, up, top + deep, 1.0)
    row.height = top + deep + _band(under) + 2.0


def _hole_labels(piece: PlatePiece, window: Window, bolts_mm: Mapping[str, float], parts: int) -> list[Label]:
    labels = []
    for hole in piece.holes:
        station_mm = piece.low_mm + hole.from_low_end_mm
        if not window.holds(station_mm):
            continue
        doubtful = bool(hole_doubts(piece, hole, bolts_mm))
        words = f"{hole.mark}{' CHECK' if doubtful else ''}  in {format_feet_inches(hole.from_line_mm, parts)}"
        at = (window.x(station_mm), hole.from_line_mm / REDUCTION)
        figure = format_feet_inches(hole.from_low_end_mm, parts)
        labels.append(Label(at, words, figure, "middle", "check" if doubtful else "ink"))
    return labels


def _end_labels(piece: PlatePiece, own: Sequence[PlatePiece], window: Window, parts: int) -> list[Label]:
    """The ends of a piece that a row shows; where it shows neither, the piece's name alone."""
    labels = []
    low, high = f"{piece.name} low end", f"{piece.name} high end"
    if any(abs(other.high_mm - piece.low_mm) <= _JOINT_MM for other in own if other is not piece):
        low += " at the joint"
    if window.holds(piece.low_mm):
        labels.append(Label((window.x(piece.low_mm), 0.0), f"{low}, {end_words(piece, 'low')}", "0", "start"))
    if window.holds(piece.high_mm):
        length = format_feet_inches(piece.line_edge_mm, parts)
        labels.append(Label((window.x(piece.high_mm), 0.0), f"{high}, {end_words(piece, 'high')}", length, "end"))
    return labels or [Label((window.width / 2.0, 0.0), f"{piece.name} goes on", "", "middle", "faint")]


def _band(placed: Sequence[Placed]) -> float:
    """How high the band of labels is."""
    levels = max((one.level for one in placed), default=-1) + 1
    return levels * _LEVEL_MM + (_FIRST_LEVEL_MM if levels else 0.0)


def _draw_labels(row: PlanRow, placed: Sequence[Placed], edge: float, up: float, from_y: float, away: float) -> None:
    """Labels off one edge of the plate, ``away`` -1 up the page and 1 down, each with a leader to its place."""
    for one in placed:
        label = one.label
        near = from_y + away * (_FIRST_LEVEL_MM + one.level * _LEVEL_MM)
        words_y = (near - _LEVEL_MM if away < 0 else near) + WORDS_MM
        figure_y = words_y + FIGURE_MM
        row.words.append(Words(label.words, (one.text_x, words_y), WORDS_MM, one.side, label.ink, bold=True))
        if label.figure:
            row.words.append(Words(label.figure, (one.text_x, figure_y), FIGURE_MM, one.side, label.ink, bold=True))
        if label.ink != "faint":
            x, pole = label.at[0], 0.8 * _LEVEL_MM if one.beside else 0.0
            row.strokes.append(Stroke(((x, edge - up * label.at[1]), (x, near + away * pole)), "leader"))


def draw_piece(
    row: PlanRow, window: Window, piece: PlatePiece, edge: float, up: float, least_ring: float = 0.0
) -> None:
    """Its edges and cuts with the chalk-line edge thick, and its holes, no smaller than ``least_ring`` across half.

    edge : how far down the row its chalk-line edge lies; up : 1 where the plate lies above that edge, else -1
    """
    corners = [(piece.low_mm + x, y) for x, y in outline_mm(piece)]
    pens: tuple[Pen, ...] = ("chalk", "edge", "edge", "edge")
    for begin, end, pen in zip(corners, corners[1:] + corners[:1], pens, strict=True):
        part = _within(begin, end, window)
        if part:
            points = tuple((window.x(station_mm), edge - up * y / window.reduction) for station_mm, y in part)
            row.strokes.append(Stroke(points, pen))
    for hole in piece.holes:
        station_mm = piece.low_mm + hole.from_low_end_mm
        if window.holds(station_mm):
            centre = (window.x(station_mm), edge - up * hole.from_line_mm / window.reduction)
            row.rings.append(Ring(centre, max(hole.drill_mm / 2.0 / window.reduction, least_ring), "bolt"))


def _within(begin: Point, end: Point, window: Window) -> tuple[Point, Point] | None:
    """The part of a straight edge between the stations a row shows."""
    (a, y_a), (b, y_b) = begin, end
    if a == b:
        return (begin, end) if window.start_mm <= a <= window.stop_mm else None
    cuts = sorted(max(0.0, min(1.0, (limit - a) / (b - a))) for limit in (window.start_mm, window.stop_mm))
    if cuts[0] == cuts[1]:
        return None
    first, last = ((a + share * (b - a), y_a + share * (y_b - y_a)) for share in cuts)
    return first, last
