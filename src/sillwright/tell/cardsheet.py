"""Scale cards and the calibration sheet as PDF files: vector, exact scale, one board to a landscape page.

Two cards do not share a page: two grids with 10 mm of white above and below each need 2 x 110 = 220 mm, and Letter
is 215.9 mm high when laid landscape, A4 210 mm.

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

from sillwright.cards import CALIBRATION_SHEET, CARD_COUNT, CHECK_LENGTH_MM, BoardSpec, scale_card
from sillwright.errors import JobError
from sillwright.survey import write_aside

Paper = Literal["letter", "a4"]
PAPERS: tuple[Paper, ...] = get_args(Paper)

POINTS_PER_MM = 72.0 / 25.4
PAGE_MM: dict[Paper, tuple[float, float]] = {"letter": (279.4, 215.9), "a4": (297.0, 210.0)}  # landscape: width, height
PAPER_NAME: dict[Paper, str] = {"letter": "Letter", "a4": "A4"}
PAGE_MARGIN_MM = 6.0  # common practice, no source: office printers leave 3 to 6 mm of each edge bare

CUT_MARGIN_MM = 11.0  # 1 mm more than the card needs, for a knife that wanders
CARD_TOP_MM = 9.0
SHEET_TOP_MM = 11.5
TICK_GAP_MM = 2.5
TICK_LENGTH_MM = 5.0
TICK_WIDTH_MM = 0.25
LABEL_BASELINE_MM = 7.6
LABEL_SIZE_MM = 5.6  # capitals of Helvetica are 0.72 of the size: 4 mm, to be read from standing height
NOTE_SIZE_MM = 2.5
COLUMN_GAP_MM = 7.0
PARAGRAPH_GAP_MM = 1.9
WALL_GAP_MM = 2.5

_BODY = ParagraphStyle("body", fontName="Helvetica", fontSize=3.35, leading=4.15)
_SMALL = ParagraphStyle("small", fontName="Helvetica", fontSize=2.75, leading=3.45)

# 240 mm is 9.4488 in: 9 7/16 in (9.4375) and 0.29 mm more, which is one part in 800 and worth saying.
CARD_COLUMNS: tuple[tuple[str, ...], ...] = (
    (
        "<b>1 Print</b> at <b>100 %</b> (&quot;actual size&quot;), never &quot;fit to page&quot;. "
        "White matt paper. No plastic sleeve: glare hides the card.",
        "<b>2 Check</b> with a tape from tick to tick under the grid: <b>240 mm = 9 7/16 in</b> and a hair "
        "(9.449 in). Start at the 1 in or 100 mm mark: the hook has play.",
        "<b>If it is off,</b> print again at 100 %. If it stays off, write what you taped in the job file, in mm if "
        "your tape has mm. Under [cards]:<br/><font name='Courier-Bold'>check_length = &quot;238.5 mm&quot;</font>",
    ),
    (
        "<b>3 Cut</b> along the dashed line. Leave the white border on: the card cannot be read without it.",
        "<b>Wind?</b> Glue each card flat on a stiff board: no bubbles, no curl. Use one kind of board for all cards "
        "and write its thickness in the job file. Under [cards]:<br/>"
        "<font name='Courier-Bold'>thickness = &quot;3 mm&quot;</font>",
        "A damp, torn or curled card measures wrong. Print a new one.",
    ),
    (
        "<b>4 Lay</b> it flat on swept concrete, long side along the wall, between the chalk line and an edge of "
        "the wall, on whichever side it fits. <b>Cover no chalk line and no bolt.</b>",
        "Words right way up or upside down from where you stand: either is fine.",
        "Numbers rise along the run, a card about every 3 ft (1 m), two or more in each photo. "
        "<b>Never two cards with one number</b> on a job.",
    ),
)

# 252 mm is 9.921 in and 168 mm is 6.614 in; both lie just under the sixteenth named.
SHEET_COLUMNS: tuple[tuple[str, ...], ...] = (
    (
        "<b>Print</b> at <b>100 %</b> (&quot;actual size&quot;), never &quot;fit to page&quot;, on white matt paper. "
        "<b>Check</b> with a tape, tick to tick: <b>252 mm</b> (just under 9 15/16 in) along, <b>168 mm</b> (just "
        "under 6 5/8 in) down. If either is off by more than 1/32 in (1 mm), print again.",
    ),
    (
        "<b>Tape</b> it flat on plywood by all four edges: no bubbles, no curl. Do not cut it. <b>Photograph</b> it "
        "12 to 15 times, lens at 1x: near and far, tilted each way, and in each corner of the picture. Then run "
        "<font name='Courier-Bold'>sillwright calibrate</font> on the photos.",
    ),
)


@dataclass(frozen=True)
class _Box:
    """A space on the page, mm from its bottom-left corner: left, top and width."""

    left_mm: float
    top_mm: float
    width_mm: float


def write_cards_pdf(path: Path, numbers: Sequence[int], paper: Paper = "letter") -> None:
    """Write scale cards, one to a landscape page, each with how to print, check and lay it.

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
    for number in numbers:
        _card_page(canvas, number, paper)
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
        _draw_label(canvas, spec, "CALIBRATION SHEET", "tick to tick 252 mm along, 168 mm down")
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


def _card_page(canvas: Any, number: int, paper: Paper) -> None:
    spec = scale_card(number)
    width_mm, height_mm = PAGE_MM[paper]
    left_mm = (width_mm - spec.width_mm) / 2.0
    zero_up_mm = height_mm - CARD_TOP_MM - CUT_MARGIN_MM
    with _in_mm_from(canvas, left_mm, zero_up_mm):
        _draw_board(canvas, spec)
        _draw_label(canvas, spec, f"CARD {number}", f"tick to tick {CHECK_LENGTH_MM:g} mm (9.449 in)")
        _draw_cut_line(canvas, spec)
    text_top_mm = zero_up_mm - spec.height_mm - CUT_MARGIN_MM - 6.0
    text_bottom_mm = _draw_columns(canvas, _Box(left_mm, text_top_mm, spec.width_mm), CARD_COLUMNS, _BODY)
    with _in_mm_from(canvas, left_mm, text_bottom_mm - WALL_GAP_MM):
        _draw_wall(canvas, spec.width_mm)
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


def _draw_label(canvas: Any, spec: BoardSpec, label: str, note: str) -> None:
    """The words under the grid and, in line with its two ends, the check ticks of the long side."""
    foot_mm = -spec.height_mm
    canvas.setLineWidth(TICK_WIDTH_MM)
    for x_mm in (0.0, spec.width_mm):
        canvas.line(x_mm, foot_mm - TICK_GAP_MM, x_mm, foot_mm - TICK_GAP_MM - TICK_LENGTH_MM)
    canvas.setFont("Helvetica-Bold", LABEL_SIZE_MM)
    canvas.drawString(4.0, foot_mm - LABEL_BASELINE_MM, label)
    canvas.setFont("Helvetica", NOTE_SIZE_MM)
    canvas.drawRightString(spec.width_mm - 3.0, foot_mm - LABEL_BASELINE_MM, note)


def _draw_side_ticks(canvas: Any, spec: BoardSpec) -> None:
    canvas.setLineWidth(TICK_WIDTH_MM)
    start_mm = spec.width_mm + TICK_GAP_MM
    for y_mm in (0.0, -spec.height_mm):
        canvas.line(start_mm, y_mm, start_mm + TICK_LENGTH_MM, y_mm)


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
