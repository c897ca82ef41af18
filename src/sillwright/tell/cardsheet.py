"""Scale cards and the calibration sheet as PDF files: vector, exact scale, landscape.

Two cards share a sheet, though two grids with 10 mm of white above and below each need 2 x (90 + 20) = 220 mm, and a
landscape Letter sheet is 215.9 mm high, A4 210 mm. So they lie head to head: each has 10 mm at its foot and at both
short ends, and their heads share what is left, 215.9 - 2 x 100 = 15.9 mm on Letter and 210 - 2 x 100 = 10 mm on A4. As
printed, every grid has 10 mm of white or more all round. One cut halfway leaves 7.95 mm above each grid on Letter and
5 mm on A4. One card to a sheet keeps 10 mm all round after cutting too.

Everything is drawn in millimetres. A board is drawn from its zero mark, x to the right and y *up* as in PDF, so a
point (x_mm, y_mm) of the board frame in ``cards`` stands at (x_mm, -y_mm) here.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

import cv2
import numpy as np
import shapely
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas
from reportlab.platypus import Paragraph

from sillwright.cards import CALIBRATION_SHEET, CARD_COUNT, CARD_MARGIN_MM, CHECK_LENGTH_MM, BoardSpec, scale_card
from sillwright.errors import JobError
from sillwright.whole_file import write_aside

Paper = Literal["letter", "a4"]
PAPERS: tuple[Paper, ...] = get_args(Paper)

POINTS_PER_MM = 72.0 / 25.4
PAGE_MM: dict[Paper, tuple[float, float]] = {"letter": (279.4, 215.9), "a4": (297.0, 210.0)}  # landscape: width, height
PAPER_NAME: dict[Paper, str] = {"letter": "Letter", "a4": "A4"}
PAGE_MARGIN_MM = 6.0  # common practice, no source: office printers leave 3 to 6 mm of each edge bare

CUT_MARGIN_MM = 11.0  # 1 mm more than the card needs, for a knife that wanders
PAIR_END_CUT_MM = 10.2  # no more, as on Letter the paper beyond it must hold a line of words
CARD_TOP_MM = 9.0
SHEET_TOP_MM = 11.5
TICK_WIDTH_MM = 0.25
NOTE_SIZE_MM = 2.5
PAIR_NOTE_SIZE_MM = 2.35
COLUMN_GAP_MM = 7.0
PARAGRAPH_GAP_MM = 1.9
WALL_GAP_MM = 2.5

_BODY = ParagraphStyle("body", fontName="Helvetica", fontSize=3.35, leading=4.15)
_SMALL = ParagraphStyle("small", fontName="Helvetica", fontSize=2.75, leading=3.45)
_LARGE = ParagraphStyle("large", fontName="Helvetica", fontSize=5.0, leading=6.3)

_PRINT = """<b>1 Print</b> at <b>100 %</b> ("actual size"), never "fit to page". White matt paper. No plastic sleeve:
glare hides the card."""
# 240 mm is 9.4488 in: 9 7/16 in (9.4375) and 0.29 mm more, which is one part in 800 and worth saying.
_CHECK = """<b>2 Check</b> with a tape from tick to tick under the grid: <b>240 mm = 9&nbsp;7/16&nbsp;in</b> and a hair
(9.449&nbsp;in). Start at the 1&nbsp;in or 100&nbsp;mm mark: the hook has play."""
_IF_OFF = """<b>If it is off,</b> print again at 100 %. If it stays off, write what you taped in the job file, in mm if
your tape has mm. Under [cards]:<br/><font name='Courier-Bold'>check_length = "238.5 mm"</font>"""
_CUT = "<b>3 Cut</b> along the dashed line. Leave the white border on: the card cannot be read without it."
_CUT_PAIR = """<b>3 Cut</b> straight across halfway first, from mark to mark; then both ends off along the dashed lines.
Leave all other white on: the card cannot be read without it. It is meant to be narrower above the grid."""
_WIND = """<b>Wind?</b> Glue each card flat on a stiff board: no bubbles, no curl. Use one kind of board for all cards
and write its thickness in the job file. Under [cards]:<br/><font name='Courier-Bold'>thickness = "3 mm"</font>"""
_DAMP = "A damp, torn or curled card measures wrong. Print a new one."
_LAY = """<b>4 Lay</b> it flat on swept concrete, long side along the wall, between the chalk line and an edge of the
wall, on whichever side it fits. <b>Cover no chalk line and no bolt.</b>"""
_EITHER_WAY = "Words right way up or upside down from where you stand: either is fine."
_NUMBERS = """Numbers rise along the run, a card about every 3 ft (1 m), two or more in each photo. <b>Never two cards
with one number</b> on a job."""
CARD_COLUMNS = ((_PRINT, _CHECK, _IF_OFF), (_CUT, _WIND, _DAMP), (_LAY, _EITHER_WAY, _NUMBERS))
HOW_TO_COLUMNS = ((_PRINT, _CHECK, _IF_OFF), (_CUT_PAIR, _WIND, _DAMP), (_LAY, _EITHER_WAY, _NUMBERS))
CARD_NOTE = f"tick to tick {CHECK_LENGTH_MM:g} mm (9.449 in)"
# Short words on the paper that is cut away: at the left end low and high, at the right end low and high.
PAIR_STRIPS = (
    (
        "Print at 100 %. Tape tick to tick: 240 mm = 9 7/16 in and a hair",
        "If it is off: print again. More on the first page",
    ),
    ("Lay the long side along the wall, off the chalk and the bolts", "Never two cards with one number on a job"),
)

# 252 mm is 9.921 in and 168 mm is 6.614 in; both lie just under the sixteenth named.
SHEET_COLUMNS = (
    (
        """<b>Print</b> at <b>100 %</b> ("actual size"), never "fit to page", on white matt paper. <b>Check</b> with a
        tape, tick to tick: <b>252 mm</b> (just under 9 15/16 in) along, <b>168 mm</b> (just under 6 5/8 in) down. If
        either is off by more than 1/32 in (1 mm), print again.""",
    ),
    (
        """<b>Tape</b> it flat on plywood by all four edges: no bubbles, no curl. Do not cut it. <b>Photograph</b> it
        12 to 15 times, lens at 1x: near and far, tilted each way, and in each corner of the picture. Then run <font
        name='Courier-Bold'>sillwright calibrate</font> on the photos.""",
    ),
)


@dataclass(frozen=True)
class _Box:
    """A space on the page, mm from its bottom-left corner: left, top and width."""

    left_mm: float
    top_mm: float
    width_mm: float


@dataclass(frozen=True)
class _Foot:
    """How the ticks and words stand under a grid, mm down from it; capitals of Helvetica are 0.72 of the size."""

    tick_gap_mm: float = 2.5
    tick_length_mm: float = 5.0
    baseline_mm: float = 7.6
    label_left_mm: float = 4.0
    label_size_mm: float = 5.6  # capitals of 4 mm, to be read from standing height
    note_baseline_mm: float = 7.6
    note_size_mm: float = NOTE_SIZE_MM


# All within 4 mm, as 10 mm of paper less a bare edge of 6 mm leaves no more. The words stand under squares with a white
# rim (the second from the left, the last), so that white surrounds them.
_PAIR_FOOT = _Foot(0.9, 3.0, 3.85, 32.0, 4.0, 3.3, PAIR_NOTE_SIZE_MM)


def write_cards_pdf(path: Path, numbers: Sequence[int], paper: Paper = "letter", one_a_sheet: bool = False) -> None:
    """Write scale cards: a page that tells how to print, check, cut and lay them, then two cards to a landscape page.

    The second card of a page is turned half round; an odd number of cards leaves its place empty. With
    ``one_a_sheet`` each page holds one card and its own instructions, and there is no first page.

    The file asks the viewer not to scale it, and the same cards give the same bytes each time.

    Raises JobError where ``numbers`` is empty, repeats a number, or names a card there is not.
    """
    if not numbers:
        raise JobError("There are no cards to print: name at least one card number.")
    wrong = sorted({number for number in numbers if not 1 <= number <= CARD_COUNT})
    if wrong:
        raise JobError(f"There is no card {wrong[0]}: cards are numbered 1 to {CARD_COUNT}. Choose from those.")
    if len(set(numbers)) < len(numbers):
        raise JobError("A card number is named twice, and two cards with one number spoil a job: name each once.")
    names = ", ".join(str(number) for number in numbers)
    canvas, finish = _open_pdf(path, paper, "Scale card " + names if len(numbers) == 1 else "Scale cards " + names)
    if one_a_sheet:
        for number in numbers:
            _card_page(canvas, number, paper)
    else:
        _how_to_page(canvas, paper)
        for first in range(0, len(numbers), 2):
            _pair_page(canvas, numbers[first : first + 2], paper)
    finish()


def write_calibration_pdf(path: Path, paper: Paper = "letter") -> None:
    """Write the calibration sheet, one landscape page, with how to print, check and photograph it.

    The ticks on the short side matter as much as those on the long side: a print stretched one way only looks to
    ``calibrate`` like a lens with oblong pixels, while one that is evenly large or small does no harm.
    """
    canvas, finish = _open_pdf(path, paper, "Calibration sheet")
    spec = CALIBRATION_SHEET
    width_mm, height_mm = PAGE_MM[paper]
    left_mm = (width_mm - spec.width_mm) / 2.0
    with _in_mm_from(canvas, left_mm, height_mm - SHEET_TOP_MM):
        _draw_board(canvas, spec)
        _draw_label(canvas, spec, "CALIBRATION SHEET", "tick to tick 252 mm along, 168 mm down", _Foot())
        _draw_side_ticks(canvas, spec)
    text_top_mm = height_mm - SHEET_TOP_MM - spec.height_mm - 9.8
    _draw_columns(canvas, _Box(left_mm, text_top_mm, spec.width_mm), SHEET_COLUMNS, _SMALL)
    canvas.showPage()
    finish()


def _open_pdf(path: Path, paper: Paper, title: str) -> tuple[Any, Callable[[], None]]:
    """A canvas and the call that puts the finished file in its place."""
    buffer = io.BytesIO()
    width_mm, height_mm = PAGE_MM[paper]
    page_points = (width_mm * POINTS_PER_MM, height_mm * POINTS_PER_MM)
    canvas = Canvas(buffer, pagesize=page_points, pageCompression=1, invariant=1, initialFontName="Helvetica")
    canvas.setTitle(title)
    canvas.setAuthor("sillwright")
    canvas.setSubject(f"{PAPER_NAME[paper]}, landscape; print at 100 %")
    canvas.setViewerPreference("PrintScaling", "None")

    def finish() -> None:
        canvas.save()
        write_aside(path, buffer.getvalue())

    return canvas, finish


@contextmanager
def _in_mm_from(canvas: Any, left_mm: float, up_mm: float) -> Iterator[None]:
    """Draw in millimetres with (0, 0) moved to a place given in millimetres from the page's bottom-left corner."""
    canvas.saveState()
    canvas.scale(POINTS_PER_MM, POINTS_PER_MM)
    canvas.translate(left_mm, up_mm)
    yield
    canvas.restoreState()


@contextmanager
def _turned(canvas: Any, left_mm: float, up_mm: float, turn_deg: float) -> Iterator[None]:
    """Draw with (0, 0) moved and then the axes turned, within a space that is in millimetres already."""
    canvas.saveState()
    canvas.translate(left_mm, up_mm)
    canvas.rotate(turn_deg)
    yield
    canvas.restoreState()


def _card_page(canvas: Any, number: int, paper: Paper) -> None:
    spec = scale_card(number)
    width_mm, height_mm = PAGE_MM[paper]
    left_mm = (width_mm - spec.width_mm) / 2.0
    zero_up_mm = height_mm - CARD_TOP_MM - CUT_MARGIN_MM
    with _in_mm_from(canvas, left_mm, zero_up_mm):
        _draw_board(canvas, spec)
        _draw_label(canvas, spec, f"CARD {number}", CARD_NOTE, _Foot())
        _draw_cut_line(canvas, spec)
    text_top_mm = zero_up_mm - spec.height_mm - CUT_MARGIN_MM - 6.0
    text_bottom_mm = _draw_columns(canvas, _Box(left_mm, text_top_mm, spec.width_mm), CARD_COLUMNS, _BODY)
    with _in_mm_from(canvas, left_mm, text_bottom_mm - WALL_GAP_MM):
        _draw_wall(canvas, spec.width_mm)
    canvas.showPage()


def _pair_page(canvas: Any, numbers: Sequence[int], paper: Paper) -> None:
    """One or two cards head to head, the second turned half round, with the lines to cut along."""
    width_mm, height_mm = PAGE_MM[paper]
    waste_mm = (width_mm - CHECK_LENGTH_MM) / 2.0 - PAIR_END_CUT_MM
    with _in_mm_from(canvas, 0.0, 0.0):
        for number, turn_deg in zip(numbers, (0.0, 180.0), strict=False):
            spec = scale_card(number)
            with _turned(canvas, width_mm / 2.0, height_mm / 2.0, turn_deg):
                canvas.translate(-spec.width_mm / 2.0, CARD_MARGIN_MM + spec.height_mm - height_mm / 2.0)
                _draw_board(canvas, spec)
                _draw_label(canvas, spec, f"CARD {number}", CARD_NOTE, _PAIR_FOOT)
        _draw_pair_cuts(canvas, width_mm, height_mm, waste_mm)
        canvas.setFont("Helvetica", PAIR_NOTE_SIZE_MM)
        across_mm = 0.6 * PAGE_MARGIN_MM + 0.4 * waste_mm
        for end_mm, words in zip((across_mm, width_mm - across_mm), PAIR_STRIPS, strict=True):
            for share, line in zip((0.26, 0.74), words, strict=True):
                with _turned(canvas, end_mm, height_mm * share, 90.0):
                    canvas.drawCentredString(0.0, -0.25 * PAIR_NOTE_SIZE_MM, line)  # its own height halved
    canvas.showPage()


def _draw_pair_cuts(canvas: Any, width_mm: float, height_mm: float, waste_mm: float) -> None:
    """Dashes down both ends; for the cut halfway two marks outside them, as the strip between the grids stays bare."""
    for edge_mm, dashes_mm in ((PAGE_MARGIN_MM, waste_mm), (width_mm - PAGE_MARGIN_MM, width_mm - waste_mm)):
        canvas.setLineWidth(0.4)
        canvas.line(edge_mm, height_mm / 2.0, dashes_mm, height_mm / 2.0)
        canvas.setLineWidth(0.2)
        canvas.setDash(2.0, 2.0)
        canvas.line(dashes_mm, PAGE_MARGIN_MM, dashes_mm, height_mm - PAGE_MARGIN_MM)
        canvas.setDash()


def _how_to_page(canvas: Any, paper: Paper) -> None:
    wide_mm = CHECK_LENGTH_MM
    left_mm, title_mm = (PAGE_MM[paper][0] - wide_mm) / 2.0, PAGE_MM[paper][1] - 22.0
    with _in_mm_from(canvas, left_mm, title_mm):
        canvas.setFont("Helvetica-Bold", 8.0)
        canvas.drawString(0.0, 0.0, "How to use these cards")
    text_bottom_mm = _draw_columns(canvas, _Box(left_mm, title_mm - 9.0, wide_mm), HOW_TO_COLUMNS, _LARGE)
    with _in_mm_from(canvas, left_mm, text_bottom_mm - 10.0):
        _draw_wall(canvas, wide_mm)
    canvas.showPage()


def _draw_board(canvas: Any, spec: BoardSpec) -> None:
    """The whole grid as one filled outline, so that no renderer can leave a hairline between two of its parts."""
    path = canvas.beginPath()
    square_mm = spec.square_mm
    markers = spec.marker_squares()
    for row in range(spec.squares_y):
        for column in range(spec.squares_x):
            if (column, row) not in markers:
                path.rect(column * square_mm, -(row + 1) * square_mm, square_mm, square_mm)
    inset_mm = (square_mm - spec.marker_mm) / 2.0
    for place, (column, row) in enumerate(markers):
        zero_mm = np.array([column * square_mm + inset_mm, -row * square_mm - inset_mm])
        for ring_mm in _marker_rings_mm(spec, spec.first_id + place):
            points_mm = zero_mm + ring_mm * (1.0, -1.0)
            path.moveTo(*points_mm[0])
            for point_mm in points_mm[1:-1]:
                path.lineTo(*point_mm)
            path.close()
    canvas.setFillGray(0.0)
    canvas.drawPath(path, stroke=0, fill=1, fillMode=FILL_EVEN_ODD)


def _marker_rings_mm(spec: BoardSpec, marker_id: int) -> Iterator[np.ndarray]:
    """The closed outlines of one marker, to be filled even-odd: each shape (n, 2), mm, y down from its top left."""
    name = getattr(cv2.aruco, f"DICT_{spec.dictionary}")
    dictionary = cv2.aruco.getPredefinedDictionary(name)
    size = dictionary.markerSize
    bits = cv2.aruco.Dictionary.getBitsFromByteList(dictionary.bytesList[marker_id : marker_id + 1], size)
    cell_mm = spec.marker_mm / (size + 2)  # one black cell of border on each side
    # Joined in whole cells, where neighbouring edges meet exactly, and scaled afterwards.
    white = shapely.union_all([shapely.box(x + 1, y + 1, x + 2, y + 2) for y, x in np.argwhere(bits)])
    outlines = [shapely.box(0, 0, size + 2, size + 2), *shapely.get_parts(white)]
    for outline in outlines:
        for ring in (outline.exterior, *outline.interiors):
            yield np.asarray(ring.simplify(0).coords) * cell_mm


def _draw_label(canvas: Any, spec: BoardSpec, label: str, note: str, foot: _Foot) -> None:
    """The words under the grid and, in line with its two ends, the check ticks of the long side."""
    canvas.setLineWidth(TICK_WIDTH_MM)
    tick_mm = -spec.height_mm - foot.tick_gap_mm
    for x_mm in (0.0, spec.width_mm):
        canvas.line(x_mm, tick_mm, x_mm, tick_mm - foot.tick_length_mm)
    canvas.setFont("Helvetica-Bold", foot.label_size_mm)
    canvas.drawString(foot.label_left_mm, -spec.height_mm - foot.baseline_mm, label)
    canvas.setFont("Helvetica", foot.note_size_mm)
    canvas.drawRightString(spec.width_mm - 3.0, -spec.height_mm - foot.note_baseline_mm, note)


def _draw_side_ticks(canvas: Any, spec: BoardSpec) -> None:
    canvas.setLineWidth(TICK_WIDTH_MM)
    start_mm = spec.width_mm + _Foot.tick_gap_mm
    for y_mm in (0.0, -spec.height_mm):
        canvas.line(start_mm, y_mm, start_mm + _Foot.tick_length_mm, y_mm)


def _draw_cut_line(canvas: Any, spec: BoardSpec) -> None:
    canvas.saveState()
    canvas.setLineWidth(0.2)
    canvas.setDash(2.0, 2.0)
    canvas.rect(
        -CUT_MARGIN_MM,
        -spec.height_mm - CUT_MARGIN_MM,
        spec.width_mm + 2.0 * CUT_MARGIN_MM,
        spec.height_mm + 2.0 * CUT_MARGIN_MM,
    )
    canvas.restoreState()


def _draw_columns(canvas: Any, box: _Box, columns: tuple[tuple[str, ...], ...], style: Any) -> float:
    """Set text in columns of one width; how far up the page, in mm, the longest of them ends."""
    width_mm = (box.width_mm - COLUMN_GAP_MM * (len(columns) - 1)) / len(columns)
    longest_mm = 0.0
    for place, texts in enumerate(columns):
        down_mm = -PARAGRAPH_GAP_MM
        with _in_mm_from(canvas, box.left_mm + place * (width_mm + COLUMN_GAP_MM), box.top_mm):
            for text in texts:
                paragraph = Paragraph(text, style)
                down_mm += PARAGRAPH_GAP_MM + paragraph.wrapOn(canvas, width_mm, box.top_mm)[1]
                paragraph.drawOn(canvas, 0.0, -down_mm)
        longest_mm = max(longest_mm, down_mm)
    return box.top_mm - longest_mm


def _draw_wall(canvas: Any, width_mm: float) -> None:
    """A wall seen from above: three cards beside a chalk line, bolts between them. Down from (0, 0), not to scale."""
    wall_mm, line_mm, card_top_mm, card_tall_mm, card_wide_mm = 22.0, 18.0, 2.5, 12.0, 30.0
    canvas.setFillGray(0.9)
    canvas.rect(0.0, -wall_mm, width_mm, wall_mm, stroke=0, fill=1)
    canvas.setLineWidth(0.6)
    canvas.setStrokeColorRGB(0.1, 0.25, 0.75)
    canvas.line(0.0, -line_mm, width_mm, -line_mm)
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(0.2)
    lefts_mm = [width_mm * share - card_wide_mm / 2.0 for share in (0.14, 0.5, 0.86)]
    for number, left_mm in enumerate(lefts_mm, start=1):
        canvas.setFillGray(1.0)
        canvas.rect(left_mm, -card_top_mm - card_tall_mm, card_wide_mm, card_tall_mm, stroke=1, fill=1)
        canvas.setFillGray(0.0)
        canvas.setFont("Helvetica-Bold", 4.0)
        canvas.drawCentredString(left_mm + card_wide_mm / 2.0, -card_top_mm - 7.4, f"CARD {number}")
    for share in (0.3, 0.7):
        canvas.circle(width_mm * share, -9.0, 1.6, stroke=0, fill=1)
    canvas.setFont("Helvetica", 2.9)
    canvas.drawString(width_mm * 0.3 + 3.0, -10.0, "bolt")
    canvas.drawString(2.0, -line_mm + 1.0, "chalk line")
    canvas.drawString(0.0, -wall_mm - 4.0, "Wall from above. Numbers rise along the run")
    _draw_arrow(canvas, 61.0, 71.0, -wall_mm - 3.0)
    canvas.drawRightString(
        width_mm,
        -wall_mm - 4.0,
        "Taping card to card: from the top-left corner of one grid to the same corner of the next",
    )


def _draw_arrow(canvas: Any, from_mm: float, to_mm: float, up_mm: float) -> None:
    canvas.setLineWidth(0.3)
    canvas.line(from_mm, up_mm, to_mm - 1.5, up_mm)
    path = canvas.beginPath()
    path.moveTo(to_mm, up_mm)
    path.lineTo(to_mm - 2.4, up_mm + 0.9)
    path.lineTo(to_mm - 2.4, up_mm - 0.9)
    path.close()
    canvas.drawPath(path, stroke=0, fill=1)
