"""A piece of plate at full size on paper, to lay on the wood and drill through: one long page or sheets to join.

The paper is laid print side up on the plate's top, so it is drawn as seen from above, stations rising to the right.
Black on white throughout. Whatever the paper says by its size it also says in figures, as paper stretches when damp and
printers shrink what they are given.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import shapely
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from sillwright.errors import JobError
from sillwright.lengths import MM_PER_INCH, format_feet_inches
from sillwright.plates.piece import Hole, PlatePiece
from sillwright.tell.cardsheet import PAGE_MARGIN_MM, POINTS_PER_MM
from sillwright.tell.drill_sheets import (
    FAR_BAND_MM,
    LINE_BAND_MM,
    OVERLAP_MM,
    ROLL_WIDTH_MM,
    StripPaper,
    StripSheets,
    cross_mm,
    place_words,
    strip_sheets,
)
from sillwright.tell.lettering import BOLD, REGULAR, printable, register_pdf_fonts
from sillwright.tell.plate_view import FIGURES_RULE, LOW_END, both_units, end_words, hole_doubts, outline_mm, side_words
from sillwright.tell.plate_words import drill_inches
from sillwright.tell.wording import ADVISES

# (inches, mm) between the check ticks, the longest that stands clear of the match marks
CHECKS = ((8.0, 200.0), (6.0, 150.0), (5.0, 125.0), (4.0, 100.0))
MATCH_OFF_MM = 6.0  # how far outside the plate's edges the match marks stand
MATCH_ARM_MM = 4.0
_LETTER_MM = 3.4
_MATCH_CLEAR_MM = MATCH_ARM_MM + 6.4  # a match mark with its letters, to either side of its middle
_WHEN_LAID = "Before drilling hold a tape along the foot ticks from the low end."
_NAME_EVERY_MM = 900.0
_MM_PER_FOOT = 12 * MM_PER_INCH
_TICK_MM = 3.5
_CLEAR_OF_END_MM = 15.0  # no foot tick closer to the high end, where the cut runs through its figure
_HEAD_LINES = 3
_HEAD_WIDE_MM = 500.0  # on a roll the head stands at the low end, no longer than one can read from one place
_MARK_MM, _FIGURE_MM, _SMALL_MM = 8.0, 7.0, 3.1
_DOUBT_WIDE_MM = 78.0


@dataclass(frozen=True)
class DrillStrip:
    """A finished strip: the file, how many sheets, which paper and which way round, and what is doubtful in it."""

    pdf: bytes
    sheets: int
    how: str
    doubts: tuple[str, ...]


@dataclass(frozen=True)
class _Line:
    """One line of words beside a hole: a figure and what it is, or small words alone."""

    figure: str
    words: str
    size_mm: float

    @property
    def wide_mm(self) -> float:
        return float(stringWidth(self.figure, BOLD, self.size_mm) + stringWidth(self.words, REGULAR, _SMALL_MM)) + (
            1.5 if self.figure and self.words else 0.0
        )

    @property
    def high_mm(self) -> float:
        return 1.15 * self.size_mm


def drill_strip(
    piece: PlatePiece,
    *,
    bolts_mm: Mapping[str, float],
    left_handed: bool | None,
    paper: StripPaper = "letter",
    roll_width_mm: float = ROLL_WIDTH_MM,
    parts: int = 16,
) -> DrillStrip:
    """The full-size drilling strip of a piece as a PDF, the same bytes each time.

    bolts_mm : nominal bolt diameter by the mark of its hole; a hole that may bind on its bolt, or that cannot be
        judged, says so beside its figures
    left_handed : whether the run's frame is left-handed, as ``survey.left_handed`` tells
    paper : sheets of Letter or A4, or one page for a roll
    parts : into how many an inch is marked

    Raises JobError where the strip is too wide for the paper, and where a hole's middle does not lie on the piece.
    """
    wood = shapely.Polygon(outline_mm(piece))
    for hole in piece.holes:
        if not wood.intersects(shapely.Point(hole.from_low_end_mm, hole.from_line_mm)):
            raise JobError(
                f"hole {hole.mark} does not lie on piece {piece.name} of run {piece.run}: it is "
                f"{both_units(hole.from_low_end_mm)} from the low end and {both_units(hole.from_line_mm)} from the "
                "chalk-line edge. Check the bolt, the plate's width and where the pieces meet."
            )
    register_pdf_fonts()
    sheets = strip_sheets(piece, paper, roll_width_mm)
    buffer = io.BytesIO()
    size = tuple(side_mm * POINTS_PER_MM for side_mm in sheets.page_mm)
    canvas = Canvas(buffer, pagesize=size, pageCompression=1, invariant=1, initialFontName="Helvetica")
    canvas.setTitle(f"Drilling strip {printable(piece.name)}")
    canvas.setAuthor("sillwright")
    canvas.setSubject(f"{sheets.how}; print at 100 %")
    canvas.setViewerPreference("PrintScaling", "None")
    up = -1.0 if left_handed else 1.0
    for sheet in range(sheets.count):
        _Page(canvas, piece, sheets, sheet, up, parts).draw(bolts_mm, side_words(left_handed))
    canvas.save()
    doubts = tuple(f"{hole.mark}. {words}" for hole in piece.holes for words in hole_doubts(piece, hole, bolts_mm))
    return DrillStrip(buffer.getvalue(), sheets.count, sheets.how, doubts)


def sheet_letters(sheet: int) -> str:
    """A, B ... Z, AA, AB ... for sheets counted from 0."""
    letters = ""
    sheet += 1
    while sheet:
        sheet, rest = divmod(sheet - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


class _Page:
    """One sheet. Everything of the piece is drawn on every sheet and clipped, so that overlaps agree by themselves."""

    def __init__(self, canvas: Any, piece: PlatePiece, sheets: StripSheets, sheet: int, up: float, parts: int) -> None:
        self.canvas, self.piece, self.sheets, self.sheet, self.up = canvas, piece, sheets, sheet, up
        self.parts = parts
        below_mm = LINE_BAND_MM if up > 0 else FAR_BAND_MM + piece.width_mm
        self.edge_up_mm = PAGE_MARGIN_MM + below_mm  # of the chalk-line edge on the page

    def draw(self, bolts_mm: Mapping[str, float], side: str) -> None:
        """Draw the sheet and end the page."""
        canvas = self.canvas
        canvas.saveState()
        canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
        self._head(side)
        self._check_ticks()
        path = canvas.beginPath()
        path.rect(PAGE_MARGIN_MM, PAGE_MARGIN_MM, self.sheets.printed_mm, self.sheets.page_mm[1] - 2 * PAGE_MARGIN_MM)
        canvas.clipPath(path, stroke=0, fill=0)
        canvas.translate(PAGE_MARGIN_MM - self.sheets.starts_mm[self.sheet], self.edge_up_mm)
        self._edges()
        self._ends()
        self._foot_ticks()
        low_mm, high_mm = self.sheets.own_mm(self.sheet)
        for hole in self.piece.holes:
            if (
                low_mm < hole.from_low_end_mm + hole.drill_mm / 2.0
                and hole.from_low_end_mm - hole.drill_mm / 2.0 < high_mm
            ):
                self._hole(hole)
        self._hole_words(bolts_mm)
        self._joins()
        canvas.restoreState()
        canvas.showPage()

    def _font(self, name: str, size_mm: float) -> None:
        self.canvas.setFont(name, size_mm)

    def _head(self, side: str) -> None:
        canvas, piece, sheet = self.canvas, self.piece, self.sheet
        top_mm = self.sheets.page_mm[1] - PAGE_MARGIN_MM
        cut_off_mm = OVERLAP_MM / 2.0 + 1.0 if sheet else 0.0
        left_mm, wide_mm = PAGE_MARGIN_MM + cut_off_mm, min(self.sheets.printed_mm - cut_off_mm, _HEAD_WIDE_MM)
        letters = f"{sheet_letters(sheet)}: " if self.sheets.count > 1 else ""
        count = f"{letters}sheet {sheet + 1} of {self.sheets.count}"
        title = printable(f"Run {piece.run}, piece {piece.name}, layer {piece.layer}")
        room_mm = wide_mm - stringWidth(count, BOLD, 5.0) - 6.0
        self._font(BOLD, min(5.0, 5.0 * room_mm / stringWidth(title, BOLD, 5.0)))
        canvas.drawString(left_mm, top_mm - 4.4, title)
        self._font(BOLD, 5.0)
        canvas.drawRightString(left_mm + wide_mm, top_mm - 4.4, count)
        join = ""
        if sheet:
            join = f"Cut along the dashes, lay it on sheet {sheet_letters(sheet - 1)}, halves of crosses to crosses. "
        first = f"{self.sheets.how}. " if not sheet else ""
        words = f"Print at 100 %, tape the ticks. {join}{first}{_WHEN_LAID} {FIGURES_RULE} {side} {LOW_END} {ADVISES}"
        size_mm = _SMALL_MM
        while len(lines := simpleSplit(words, REGULAR, size_mm, wide_mm)) > _HEAD_LINES:
            size_mm *= 0.97
        self._font(REGULAR, size_mm)
        for place, line in enumerate(lines):
            canvas.drawString(left_mm, top_mm - 8.8 - 3.8 * place, line)

    def _check_ticks(self) -> None:
        """Two lengths from one tick, inches below the line and millimetres above it."""
        canvas = self.canvas
        sheets, sheet = self.sheets, self.sheet
        low_mm, high_mm = sheets.own_mm(sheet)
        low_mm += _MATCH_CLEAR_MM if sheet else 0.0
        high_mm -= _MATCH_CLEAR_MM if sheet + 1 < sheets.count else 0.0
        high_mm = min(high_mm, low_mm + _HEAD_WIDE_MM)
        inches, long_mm = next((pair for pair in CHECKS if pair[0] * MM_PER_INCH <= high_mm - low_mm), CHECKS[-1])
        middle_mm = (low_mm + high_mm) / 2.0 - sheets.starts_mm[sheet] + PAGE_MARGIN_MM
        left_mm = middle_mm - inches * MM_PER_INCH / 2.0
        up_mm = self.edge_up_mm + self.up * (self.piece.width_mm + MATCH_OFF_MM)
        canvas.setLineWidth(0.12)
        canvas.line(left_mm, up_mm, left_mm + inches * MM_PER_INCH, up_mm)
        canvas.setLineWidth(0.25)
        canvas.line(left_mm, up_mm - _TICK_MM, left_mm, up_mm + _TICK_MM)
        canvas.line(left_mm + long_mm, up_mm, left_mm + long_mm, up_mm + _TICK_MM)
        canvas.line(left_mm + inches * MM_PER_INCH, up_mm, left_mm + inches * MM_PER_INCH, up_mm - _TICK_MM)
        self._font(BOLD, _SMALL_MM)
        canvas.drawRightString(left_mm + long_mm - 1.5, up_mm + 0.8, f"tick to tick {long_mm:g} mm")
        canvas.drawRightString(left_mm + long_mm - 1.5, up_mm - 0.8 - 0.75 * _SMALL_MM, f"tick to tick {inches:g} in")
        self._font(REGULAR, _SMALL_MM)
        across = f"across, edge to edge of the plate: {both_units(self.piece.width_mm)}"
        canvas.drawString(left_mm + 1.5, up_mm + 0.8, across)

    def _edges(self) -> None:
        canvas = self.canvas
        low_line, high_line, high_far, low_far = [(x, self.up * y) for x, y in outline_mm(self.piece)]
        canvas.setLineWidth(0.3)
        for begin, end in ((high_line, high_far), (high_far, low_far), (low_far, low_line)):
            canvas.line(*begin, *end)
        canvas.setLineWidth(0.6)
        canvas.line(*low_line, *high_line)
        self._name_line_edge(low_line[0], high_line[0])

    def _name_line_edge(self, low_mm: float, high_mm: float) -> None:
        """Outside the edge, between the match marks."""
        sheets, last = self.sheets, self.sheet + 1 == self.sheets.count
        own_mm = sheets.own_mm(self.sheet)
        begin_mm = max(low_mm, own_mm[0] + (_MATCH_CLEAR_MM if self.sheet else 0.0))
        end_mm = min(high_mm, own_mm[1] - (0.0 if last else _MATCH_CLEAR_MM))
        words = "CHALK-LINE EDGE"
        self._font(BOLD, 5.0)
        if end_mm - begin_mm < stringWidth(words, BOLD, 5.0):
            return
        count = max(1, round((end_mm - begin_mm) / _NAME_EVERY_MM))
        for place in range(count):
            middle_mm = begin_mm + (end_mm - begin_mm) * (place + 0.5) / count
            self.canvas.drawCentredString(middle_mm, -self.up * MATCH_OFF_MM - 1.8, words)

    def _ends(self) -> None:
        """Words that name an end, set up the page beyond it."""
        canvas, piece = self.canvas, self.piece
        xs = [x for x, _ in outline_mm(piece)]
        length = f"chalk-line edge {both_units(piece.line_edge_mm, self.parts)} end to end"
        low = ("LOW END", f"cut {end_words(piece, 'low')}")
        high = ("HIGH END", f"cut {end_words(piece, 'high')}", length)
        for at_mm, lines in ((min(xs) - 9.5, low), (max(xs) + 7.5, high)):
            canvas.saveState()
            canvas.translate(at_mm, self.up * piece.width_mm / 2.0)
            canvas.rotate(90)
            for place, words in enumerate(lines):
                font, size_mm = (REGULAR, _SMALL_MM) if place else (BOLD, 5.0)
                self._font(font, min(size_mm, 0.95 * piece.width_mm / stringWidth(words, font, 1.0)))
                canvas.drawCentredString(0.0, -5.0 * place, words)
            canvas.restoreState()

    def _foot_ticks(self) -> None:
        """A tick at each whole foot from the low end, to hold a tape against when the sheets are joined."""
        canvas = self.canvas
        canvas.setLineWidth(0.25)
        self._font(REGULAR, _SMALL_MM)
        for foot in range(1, int(self.piece.line_edge_mm // _MM_PER_FOOT) + 1):
            x_mm = foot * _MM_PER_FOOT
            if self.piece.line_edge_mm - x_mm < _CLEAR_OF_END_MM:
                continue
            canvas.line(x_mm, 0.0, x_mm, self.up * 5.0)
            base_mm = self.up * 3.6 - 0.36 * _SMALL_MM
            canvas.drawString(x_mm + 1.0, base_mm, f"{foot}'")

    def _hole(self, hole: Hole) -> None:
        canvas = self.canvas
        x_mm, y_mm, reach_mm = hole.from_low_end_mm, self.up * hole.from_line_mm, cross_mm(hole.drill_mm)
        canvas.setLineWidth(0.35)
        canvas.circle(x_mm, y_mm, hole.drill_mm / 2.0)
        canvas.setLineWidth(0.18)
        canvas.line(x_mm - reach_mm, y_mm, x_mm + reach_mm, y_mm)
        canvas.line(x_mm, y_mm - reach_mm, x_mm, y_mm + reach_mm)
        # The mark again at the hole itself: where holes stand close, its figures may have to stand nearer another.
        mark, room_mm = printable(hole.mark), reach_mm - 1.5
        self._font(BOLD, min(3.6, room_mm / max(stringWidth(mark, BOLD, 1.0), 1e-3)))
        canvas.drawString(x_mm + 1.5, y_mm + hole.drill_mm / 2.0 + 1.8, mark)

    def _hole_words(self, bolts_mm: Mapping[str, float]) -> None:
        own_mm = self.sheets.own_mm(self.sheet)
        own = [hole for hole in self.piece.holes if own_mm[0] <= hole.from_low_end_mm < own_mm[1]]
        blocks = [_lines(hole, hole_doubts(self.piece, hole, bolts_mm), self.parts) for hole in own]
        sizes_mm = [(max(line.wide_mm for line in lines), sum(line.high_mm for line in lines)) for lines in blocks]
        places = place_words(self.piece, self.up, own_mm, sizes_mm)
        for lines, (left_mm, top_mm, share) in zip(blocks, places, strict=True):
            self.canvas.saveState()
            self.canvas.translate(left_mm, top_mm)
            self.canvas.scale(share, share)
            self._write(lines)
            self.canvas.restoreState()

    def _write(self, lines: Sequence[_Line]) -> None:
        down_mm = 0.0
        for line in lines:
            base_mm = -down_mm - 0.85 * line.size_mm
            self._font(BOLD, line.size_mm)
            self.canvas.drawString(0.0, base_mm, line.figure)
            after_mm = stringWidth(line.figure, BOLD, line.size_mm) + 1.5 if line.figure else 0.0
            self._font(REGULAR, _SMALL_MM)
            self.canvas.drawString(after_mm, base_mm, line.words)
            down_mm += line.high_mm

    def _joins(self) -> None:
        """Match marks outside both edges of the plate, and the dashes through them along which a sheet is cut."""
        canvas, sheets = self.canvas, self.sheets
        marks_mm = sorted((-self.up * MATCH_OFF_MM, self.up * (self.piece.width_mm + MATCH_OFF_MM)))
        for seam in (self.sheet - 1, self.sheet):
            if not 0 <= seam < sheets.count - 1:
                continue
            x_mm = sheets.seam_mm(seam)
            canvas.setLineWidth(0.25)
            self._font(BOLD, _LETTER_MM)
            for y_mm in marks_mm:
                canvas.line(x_mm - MATCH_ARM_MM, y_mm, x_mm + MATCH_ARM_MM, y_mm)
                canvas.line(x_mm, y_mm - MATCH_ARM_MM, x_mm, y_mm + MATCH_ARM_MM)
                canvas.drawRightString(x_mm - MATCH_ARM_MM - 0.6, y_mm - 0.36 * _LETTER_MM, sheet_letters(seam))
                canvas.drawString(x_mm + MATCH_ARM_MM + 0.6, y_mm - 0.36 * _LETTER_MM, sheet_letters(seam + 1))
        if self.sheet:
            x_mm, clear_mm = sheets.seam_mm(self.sheet - 1), MATCH_ARM_MM + 1.0
            ends_mm = (-self.edge_up_mm, sheets.page_mm[1] - self.edge_up_mm)
            canvas.setLineWidth(0.2)
            canvas.setDash(2.0, 2.0)
            canvas.line(x_mm, ends_mm[0], x_mm, marks_mm[0] - clear_mm)
            canvas.line(x_mm, marks_mm[0] + clear_mm, x_mm, marks_mm[1] - clear_mm)
            canvas.line(x_mm, marks_mm[1] + clear_mm, x_mm, ends_mm[1])
            canvas.setDash()


def _lines(hole: Hole, doubts: Sequence[str], parts: int) -> list[_Line]:
    along, across = (format_feet_inches(mm, parts) for mm in (hole.from_low_end_mm, hole.from_line_mm))
    inches, metric = drill_inches(hole.drill_mm), f"{hole.drill_mm:.1f} mm"
    lines = [
        _Line(printable(hole.mark), f"drill {f'{inches} ({metric})' if inches else metric}", _MARK_MM),
        _Line(along, f"from the low end, {hole.from_low_end_mm:.1f} mm", _FIGURE_MM),
        _Line(across, f"from the chalk-line edge, {hole.from_line_mm:.1f} mm", _FIGURE_MM),
    ]
    for doubt in doubts:
        for place, words in enumerate(simpleSplit(doubt, REGULAR, _SMALL_MM, _DOUBT_WIDE_MM)):
            lines.append(_Line("CHECK" if not place else "", words, _SMALL_MM))
    return lines
