"""The plan strip and the list's arrows as PDF drawings, at their true size on paper."""

from __future__ import annotations

import math
from typing import Any

from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm
from reportlab.platypus import Flowable

from sillwright.tell.lettering import BOLD, REGULAR, printable
from sillwright.tell.plan import Pen, PlanRow, Point

_COLORS = {
    "chalk": "#1d262e",
    "plate": "#684424",
    "edge": "#1d262e",
    "card": "#0c705c",
    "bolt": "#941674",
    "arrow": "#941674",
    "rule": "#1d262e",
    "leader": "#5b656d",
    "bar": "#1d262e",
    "ink": "#1d262e",
    "faint": "#5b656d",
    "check": "#7f4d00",
    "reshoot": "#a31f1f",
}
_WIDTHS_MM: dict[Pen, float] = {"chalk": 0.6, "plate": 0.3, "edge": 0.25, "bolt": 0.4, "arrow": 0.45, "leader": 0.14}
_DASH_MM = (2.4, 1.4)


class PlanDrawing(Flowable):  # type: ignore[misc]  # reportlab carries no types
    """One row of the plan."""

    def __init__(self, row: PlanRow) -> None:
        super().__init__()
        self.row = row
        self.width, self.height = row.width * mm, row.height * mm
        self.spaceAfter = 4

    def wrap(self, _available_width: float, _available_height: float) -> tuple[float, float]:
        """The room it takes, in points."""
        return self.width, self.height

    def draw(self) -> None:
        """Set every shape; the page's y runs up, the row's down."""
        canvas = self.canv
        for stroke in self.row.strokes:
            self._pen(canvas, stroke.pen)
            path = canvas.beginPath()
            path.moveTo(*self._place(stroke.points[0]))
            for point in stroke.points[1:]:
                path.lineTo(*self._place(point))
            canvas.drawPath(path)
        for ring in self.row.rings:
            self._pen(canvas, ring.pen)
            canvas.circle(*self._place(ring.centre), ring.radius * mm)
        for words in self.row.words:
            canvas.setFont(BOLD if words.bold else REGULAR, words.size * mm)
            canvas.setFillColor(HexColor(_COLORS[words.ink]))
            draw = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}
            draw[words.anchor](*self._place(words.at), printable(words.text))

    def _place(self, point: Point) -> tuple[float, float]:
        return point[0] * mm, self.height - point[1] * mm

    def _pen(self, canvas: Any, pen: Pen) -> None:
        canvas.setStrokeColor(HexColor(_COLORS[pen]))
        canvas.setLineWidth(_WIDTHS_MM.get(pen, 0.18) * mm)
        canvas.setDash(*([length * mm for length in _DASH_MM],) if pen == "plate" else ())


class WayArrow(Flowable):  # type: ignore[misc]  # reportlab carries no types
    """A small arrow for a list, pointing so many degrees counterclockwise from the right."""

    _SIZE = 5.0 * mm

    def __init__(self, turn_deg: float) -> None:
        super().__init__()
        self.turn_deg = turn_deg
        self.width = self.height = self._SIZE

    def wrap(self, _available_width: float, _available_height: float) -> tuple[float, float]:
        """The room it takes, in points."""
        return self._SIZE, self._SIZE

    def draw(self) -> None:
        """A shaft through the middle with a head."""
        canvas, half = self.canv, self._SIZE / 2
        canvas.saveState()
        canvas.translate(half, half)
        canvas.rotate(math.fmod(self.turn_deg, 360.0))
        canvas.setStrokeColor(HexColor(_COLORS["arrow"]))
        canvas.setLineWidth(0.5 * mm)
        canvas.line(-half, 0, half, 0)
        canvas.line(0.25 * half, 0.55 * half, half, 0)
        canvas.line(0.25 * half, -0.55 * half, half, 0)
        canvas.restoreState()
