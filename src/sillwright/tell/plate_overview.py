"""A run's plates on one sheet: all layers to scale, pieces, joints, cuts and holes, each bolt by its mark.

The figures stand in the sheet's lists; ``plate_drawing`` draws the same at 1:12 with running dimensions. The scale is
the largest of those on an architect's rule at which the run goes in one row, or from 1/4 in to the foot on in as many
rows as leave the sheet room for its lists.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sillwright.lengths import format_feet_inches
from sillwright.plates.piece import PlatePiece
from sillwright.tell.lettering import register_pdf_fonts
from sillwright.tell.plan import FULL_ROW_MM, Ink, PlanRow, Point, Stroke, Words
from sillwright.tell.plate_drawing import PAST_ENDS_MM, Window, draw_piece
from sillwright.tell.plate_labels import FIGURE_MM, WORDS_MM, Label, Placed, place_labels
from sillwright.tell.plate_view import in_order, outline_mm

# 1 in, 3/4, 1/2, 3/8, 1/4, 3/16, 1/8, 3/32 and 1/16 in to the foot.
SCALES = {12: "1", 16: "3/4", 24: "1/2", 32: "3/8", 48: "1/4", 64: "3/16", 96: "1/8", 128: "3/32", 192: "1/16"}
MOST_HIGH_MM = 120.0  # half a page
_ONE_ROW_UP_TO = 48  # at a larger scale a run is drawn only if it goes in one row; at a smaller one, in small letters
_LEVEL_MM = 6.2
_SMALL_LEVEL_MM = 4.0
_FIRST_LEVEL_MM = 1.6
_TITLE_MM = 4.2
_LEAST_ROW_MM = 90.0
_LEAST_RING_MM = 0.7  # a hole smaller than this on paper is drawn so large all the same
_CROSS_MM = 1.6
_MOST_ROWS = 8


@dataclass(frozen=True)
class NoHole:
    """A bolt that gets no hole, where it stands: it is drawn as a cross."""

    mark: str
    station_mm: float
    setback_mm: float


@dataclass(frozen=True)
class Overview:
    """The rows of the drawing, all at 1 to ``reduction``."""

    rows: tuple[PlanRow, ...]
    reduction: int

    @property
    def key(self) -> str:
        """How to read it."""
        return (
            f"To scale, {SCALES[self.reduction]} in to the foot (1:{self.reduction}) when printed at 100 %; holes are "
            "drawn larger. Thick line: chalk-line edge. ?: figures in doubt. Cross: no hole. Go by the figures, never "
            "by the drawing."
        )


def plate_overview(
    pieces: Sequence[PlatePiece],
    *,
    doubtful: frozenset[str],
    no_holes: Sequence[NoHole] = (),
    left_handed: bool | None,
    parts: int = 16,
) -> Overview | None:
    """The drawing of one run's pieces; None where there are none.

    doubtful : marks whose figures are not to be drilled from
    left_handed : whether the plate lies to the right of its line for who looks toward higher stations
    """
    register_pdf_fonts()
    if not pieces:
        return None
    own = in_order(pieces)
    stations = [piece.low_mm + x for piece in own for x, _ in outline_mm(piece)]
    stations += [one.station_mm for one in no_holes]
    low_mm, high_mm = min(stations) - PAST_ENDS_MM, max(stations) + PAST_ENDS_MM
    found = None
    for reduction in SCALES:
        stop_mm = max(high_mm, low_mm + _LEAST_ROW_MM * reduction)
        count = math.ceil((stop_mm - low_mm) / (FULL_ROW_MM * reduction))
        if count > (1 if reduction < _ONE_ROW_UP_TO else _MOST_ROWS):
            continue
        step_mm = (stop_mm - low_mm) / count
        windows = [Window(low_mm + n * step_mm, low_mm + (n + 1) * step_mm, reduction) for n in range(count)]
        drawn = _Drawn(own, doubtful, tuple(no_holes), -1.0 if left_handed else 1.0, parts)
        found = Overview(tuple(drawn.row(window) for window in windows), reduction)
        if sum(row.height for row in found.rows) <= MOST_HIGH_MM:
            return found
    return found


@dataclass(frozen=True)
class _Drawn:
    """What is drawn, whichever window shows it."""

    pieces: Sequence[PlatePiece]
    doubtful: frozenset[str]
    no_holes: tuple[NoHole, ...]
    up: float
    parts: int

    def row(self, window: Window) -> PlanRow:
        row = PlanRow(window.width, 0.0)
        for layer in sorted({piece.layer for piece in self.pieces}, reverse=True):
            shown = [piece for piece in self.pieces if piece.layer == layer and _shows(piece, window)]
            if shown:
                self._layer(row, window, layer, shown)
        return row

    def _layer(self, row: PlanRow, window: Window, layer: int, shown: Sequence[PlatePiece]) -> None:
        """One layer below what the row already holds: marks off the far edge, pieces off the chalk-line edge."""
        deep = max(piece.width_mm for piece in shown) / window.reduction
        without = [one for one in self.no_holes if window.holds(one.station_mm)]
        marks = place_labels([*self._marks(window, shown), *self._crossed(window, without)], window.width)
        names = place_labels([self._name(window, piece) for piece in shown], window.width)
        above, below = _band(marks), _band(names)
        if self.up < 0:
            above, below = below, above
        top = row.height + above
        if len({piece.layer for piece in self.pieces}) > 1:
            title = "Layer 1, on the concrete" if layer == 1 else f"Layer {layer}"
            row.words.append(Words(title, (0.0, row.height + 0.8 * _TITLE_MM), WORDS_MM, "start", "faint"))
            top += _TITLE_MM
        edge = top + deep if self.up > 0 else top
        for piece in shown:
            draw_piece(row, window, piece, edge, self.up, _LEAST_RING_MM)
        for one in without:
            _draw_cross(row, (window.x(one.station_mm), edge - self.up * one.setback_mm / window.reduction))
        far = edge - self.up * deep
        _draw_labels(row, marks, far, -self.up, leaders=True)
        _draw_labels(row, names, edge, self.up, leaders=False)
        row.height = top + deep + below + 1.5

    def _marks(self, window: Window, shown: Sequence[PlatePiece]) -> list[Label]:
        labels = []
        for piece in shown:
            for hole in piece.holes:
                station_mm = piece.low_mm + hole.from_low_end_mm
                if window.holds(station_mm):
                    doubt = hole.mark in self.doubtful
                    at = (window.x(station_mm), 0.0)
                    words = f"{hole.mark} ?" if doubt else hole.mark
                    labels.append(_mark_label(window, at, words, "check" if doubt else "ink"))
        return labels

    def _crossed(self, window: Window, without: Sequence[NoHole]) -> list[Label]:
        at = [(window.x(one.station_mm), 0.0) for one in without]
        return [
            _mark_label(window, place, f"{one.mark} no hole", "reshoot") for place, one in zip(at, without, strict=True)
        ]

    def _name(self, window: Window, piece: PlatePiece) -> Label:
        """Name and length of a piece under the part of it that the row shows."""
        ends = [min(max(mm, window.start_mm), window.stop_mm) for mm in (piece.low_mm, piece.high_mm)]
        middle = window.x(sum(ends) / 2.0)
        goes_on = "" if piece.high_mm <= window.stop_mm else ", goes on"
        figure = f"{piece.name}: {format_feet_inches(piece.line_edge_mm, self.parts)}{goes_on}"
        return Label((middle, 0.0), figure, "", "middle", "faint")


def _shows(piece: PlatePiece, window: Window) -> bool:
    stations = [piece.low_mm + x for x, _ in outline_mm(piece)]
    return min(stations) < window.stop_mm and max(stations) > window.start_mm


def _mark_label(window: Window, at: Point, words: str, ink: Ink) -> Label:
    """Large where there is room for it."""
    large = window.reduction <= _ONE_ROW_UP_TO
    return Label(at, "" if large else words, words if large else "", "middle", ink)


def _level_mm(placed: Sequence[Placed]) -> float:
    return _LEVEL_MM if any(one.label.figure for one in placed) else _SMALL_LEVEL_MM


def _band(placed: Sequence[Placed]) -> float:
    levels = max((one.level for one in placed), default=-1) + 1
    return levels * _level_mm(placed) + (_FIRST_LEVEL_MM if levels else 0.0)


def _draw_labels(row: PlanRow, placed: Sequence[Placed], from_y: float, away: float, *, leaders: bool) -> None:
    """Labels off one edge, ``away`` -1 up the page and 1 down, with a leader from the edge to each."""
    level_mm = _level_mm(placed)
    for one in placed:
        words, size = (one.label.figure, FIGURE_MM) if one.label.figure else (one.label.words, WORDS_MM)
        near = from_y + away * (_FIRST_LEVEL_MM + one.level * level_mm)
        base = (near if away < 0 else near + level_mm) - 0.25 * size
        ink = "ink" if one.label.ink == "faint" else one.label.ink
        row.words.append(Words(words, (one.text_x, base), size, one.side, ink, bold=True))
        if leaders:
            x, pole = one.label.at[0], 0.8 * level_mm if one.beside else 0.0
            row.strokes.append(Stroke(((x, from_y), (x, near + away * pole)), "leader"))


def _draw_cross(row: PlanRow, at: tuple[float, float]) -> None:
    x, y = at
    for sign in (-1.0, 1.0):
        ends = ((x - _CROSS_MM, y - sign * _CROSS_MM), (x + _CROSS_MM, y + sign * _CROSS_MM))
        row.strokes.append(Stroke(ends, "bolt"))
