"""The plan as a PDF for the wall: the job's sheet, then a sheet for each run to work from, legible in rain.

Every page carries job, run, date, rules and the photos' fingerprint, since sheets get parted. Figures to drill from are
14 points high at least; one in doubt stands in brackets and thin, beside a box with a question mark.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Frame,
    KeepTogether,
    NextPageTemplate,
    PageBreak,
    PageTemplate,
    Spacer,
    Table,
    TableStyle,
)

from sillwright.plates.record import PlatesPlan, RunPlan
from sillwright.tell.cardsheet import Paper
from sillwright.tell.lettering import BOLD, REGULAR, printable, register_pdf_fonts
from sillwright.tell.pdf_parts import (
    BODY,
    CHECK_GROUND,
    FRAME_PADDING,
    HEAD,
    INK,
    LIST,
    MARGIN,
    PAGES,
    RULE,
    SMALL,
    items,
    marked_up,
    table,
    text,
)
from sillwright.tell.plan_pdf import PlanDrawing, WayArrow
from sillwright.tell.plate_before import Before, StraightenRow, before_drilling
from sillwright.tell.plate_hole_rows import BOX_KEY, HoleRow
from sillwright.tell.plate_job_pdf import job_story
from sillwright.tell.plate_job_rows import JobRows, job_rows
from sillwright.tell.plate_page import NumberedCanvas, TickBox, draw_header
from sillwright.tell.plate_run_rows import PieceRow, RunRows, run_overview, run_rows
from sillwright.tell.plate_shim_rows import ShimRow
from sillwright.tell.plate_wording import BEFORE_TITLES, RUN_CAUTIONS, WASHER_NEAR, WASHER_TO_FAR, WASHER_TO_LINE

HEADER_MM = 14.5
_FOOT = 0.6 * MARGIN
FIGURE_POINTS = 14.0  # to be read at arm's length in rain (common practice, no source)
_FIGURE = ParagraphStyle("figure", parent=BODY, fontName=BOLD, fontSize=FIGURE_POINTS, leading=15)
_DOUBTFUL = ParagraphStyle("doubtful", parent=_FIGURE, fontName=REGULAR)
_HOLES_TITLE = ParagraphStyle("holes", parent=LIST, fontSize=FIGURE_POINTS, leading=17, keepWithNext=0)
_UNDER = ParagraphStyle("under", parent=SMALL, leading=8)
_SAW_TEXT = ParagraphStyle("saw", parent=BODY, fontSize=8, leading=10)
_TAG = ParagraphStyle("tag", parent=BODY, fontName=BOLD, fontSize=9, leading=10.5)
_SHIM = ParagraphStyle("shim", parent=BODY, fontName=BOLD, fontSize=10.5, leading=12)
_SHIMS_ACROSS = 4
_KEPT_WHOLE = 8  # so many bolts stand on one page together
# Widths in points; feet, inches and sixteenths take 107 at 14 points.
_LENGTH, _ACROSS, _BOLT, _NOTE_LEAST, _SAW, _STOCK = 112.0, 80.0, 64.0, 74.0, 94.0, 46.0


def plates_pdf(plan: PlatesPlan, paper: Paper = "letter") -> bytes:
    """The whole file, upright on Letter or A4; the same each time for the same plan."""
    register_pdf_fonts()
    buffer = io.BytesIO()
    job = job_rows(plan)
    document = BaseDocTemplate(
        buffer, pagesize=PAGES[paper], title=f"{printable(plan.job)}: plates", author="sillwright", invariant=True
    )
    across, high = PAGES[paper]
    names = ["", *(run.name for run in plan.runs)]
    templates = []
    for number, name in enumerate(names):
        frame = Frame(
            MARGIN - FRAME_PADDING,
            _FOOT,
            across - 2 * (MARGIN - FRAME_PADDING),
            high - _FOOT - 0.8 * MARGIN - HEADER_MM * mm,
        )
        templates.append(PageTemplate(f"sheet{number}", [frame], onPage=_rim(job, name), pagesize=PAGES[paper]))
    document.addPageTemplates(templates)
    width = across - 2 * MARGIN
    story: list[Any] = job_story(plan, job, width)
    for number, run in enumerate(plan.runs, start=1):
        story += [NextPageTemplate(f"sheet{number}"), PageBreak(), *_run_story(plan, run, width)]
    document.build(story, canvasmaker=NumberedCanvas)
    return buffer.getvalue()


def _rim(job: JobRows, run: str) -> Any:
    def draw(canvas: Any, document: Any) -> None:
        draw_header(canvas, document.pagesize, HEADER_MM * mm, job, run)

    return draw


def _run_story(plan: PlatesPlan, run: RunPlan, width: float) -> list[Any]:
    rows = run_rows(plan, run)
    before = before_drilling(plan, run, rows.holes)
    story: list[Any] = [text(f"Run {rows.name}: {rows.state}", LIST), text(" ".join(rows.facts))]
    story += _before(before, width)
    overview = run_overview(plan, run, rows.holes)
    if overview is not None:
        drawings = [PlanDrawing(row) for row in overview.rows]
        heading = text("Plan of the plates, from above", LIST)
        story += [KeepTogether([heading, drawings[0]]), *drawings[1:], text(overview.key, SMALL)]
    if rows.pieces:
        story += [KeepTogether([text("Pieces to cut", LIST), _pieces(rows.pieces, width)])]
    if rows.holes:
        listed = _holes(plan, rows, width)
        if len(rows.holes) <= _KEPT_WHOLE:
            story += [KeepTogether([text(rows.holes_title, _HOLES_TITLE), listed])]
        else:
            story += [CondPageBreak(70 * mm), text(rows.holes_title, _HOLES_TITLE), listed]
        story += [text(BOX_KEY, SMALL)]
    story += _washers(rows, width)
    story += _shims(rows, width)
    level = [] if rows.shims or rows.shim_lines else [rows.levels]
    ends = [text("Ends, corners and level", LIST), *items((*rows.ends, *level))]
    return [*story, KeepTogether([*ends, Spacer(1, 4), text(" ".join(("Mind.", *RUN_CAUTIONS)), SMALL)])]


def _before(before: Before, width: float) -> list[Any]:
    inside: list[Any] = []
    for name, title in BEFORE_TITLES.items():
        lines = getattr(before, name)
        if not lines:
            continue
        inside.append(text(title, _TAG))
        inside += [_straighten(lines, width)] if name == "straighten" else items(lines)
        inside.append(Spacer(1, 3))
    if not inside:
        return []
    # One row a line, so that the box may go on on the next page.
    box = Table([[one] for one in inside], colWidths=[width])
    box.setStyle(
        TableStyle(
            [
                ("BOX", (0, 0), (-1, -1), 1.4, INK),
                ("TOPPADDING", (0, 0), (-1, -1), 1),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
            ]
        )
    )
    return [Spacer(1, 4), box]


def _straighten(rows: Sequence[StraightenRow], width: float) -> Table:
    cells: list[list[Any]] = [
        [text(name, HEAD) for name in ("Bolt", "Tip comes at least", "To plumb", "", "Which way")]
    ]
    for row in rows:
        arrow = "" if row.arrow_deg is None else WayArrow(row.arrow_deg)
        cells.append([TickBox(row.mark, ""), text(row.move, _FIGURE), text(row.plumb), arrow, text(row.way, _SAW_TEXT)])
    return table(cells, [(width - 12) * share for share in (0.12, 0.24, 0.13, 0.05, 0.46)], [])


def _pieces(rows: Sequence[PieceRow], width: float) -> Table:
    names = ("Piece", "Chalk-line edge", "Far edge", "Low end, saw", "High end, saw", "Stock")
    cells: list[list[Any]] = [[text(name, HEAD) for name in names]]
    extra: list[tuple[Any, ...]] = []
    for line, row in enumerate(rows, start=1):
        style, edge, far = _FIGURE, row.line_edge, row.far_edge
        name: list[Any] = [text(row.name, _TAG)]
        if row.tag:
            style, edge, far = _DOUBTFUL, f"({edge})", f"({far})"
            name.append(text(row.tag, _TAG))
            extra.append(("BACKGROUND", (0, line), (-1, line), CHECK_GROUND))
        cells.append(
            [
                name,
                text(edge, style),
                text(far, style),
                text(row.low_cut, _SAW_TEXT),
                text(row.high_cut, _SAW_TEXT),
                text(row.stock),
            ]
        )
    return table(cells, [width - 2 * (_LENGTH + _SAW) - _STOCK, _LENGTH, _LENGTH, _SAW, _SAW, _STOCK], extra)


def _holes(plan: PlatesPlan, rows: RunRows, width: float) -> Table:
    """One line a bolt: its box, how far along the piece of each layer, how far in, and what holds it up.

    Where three layers leave no room for a last column, what holds a bolt up stands under its mark.
    """
    layers = list(range(1, plan.lumber.layers + 1))
    rest = width - _BOLT - len(layers) * _LENGTH - _ACROSS
    beside = rest >= _NOTE_LEAST
    names = ["Bolt", *(f"Layer {layer}, from low end" for layer in layers), "In from line", *[""] * beside]
    cells: list[list[Any]] = [[text(name, HEAD) for name in names]]
    extra: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 1), (-1, -1), "MIDDLE"),
        ("TOPPADDING", (0, 1), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 1), (-1, -1), 3),
    ]
    for line, row in enumerate(rows.holes, start=1):
        cells.append(_hole_cells(row, layers, beside))
        if row.tag:
            extra.append(("BACKGROUND", (0, line), (-1, line), CHECK_GROUND))
        if not row.cells:
            extra.append(("SPAN", (1, line), (-1, line)))
    last = (
        [_BOLT, *[_LENGTH] * len(layers), _ACROSS, rest]
        if beside
        else [_BOLT + rest, *[_LENGTH] * len(layers), _ACROSS]
    )
    return table(cells, last, extra)


def _hole_cells(row: HoleRow, layers: Sequence[int], beside: bool) -> list[Any]:
    box = TickBox(row.mark, "?" if row.doubtful else "" if row.cells else "x")
    if not row.cells:
        said = f"<b>{escape(printable(row.tag))}</b> {escape(printable(' '.join(row.notes)))}"
        return [box, marked_up(said), *[""] * (len(layers) + beside)]
    style = _DOUBTFUL if row.doubtful else _FIGURE

    def figure(words: str, under: str) -> list[Any]:
        return [text(f"({words})" if row.doubtful else words, style), text(under, _UNDER)]

    by_layer: dict[int, Any] = {cell.layer: figure(cell.along, f"{cell.piece}, {cell.metric}") for cell in row.cells}
    by_layer |= {cell.layer: text(cell.says) for cell in row.without}
    along = [by_layer[layer] for layer in layers]
    note = [text(row.tag, _TAG), text("taped: ________", _UNDER)] if row.tag else [text(" ".join(row.notes), _UNDER)]
    across = figure(row.across, row.across_metric)
    return [box, *along, across, note] if beside else [[box, *note], *along, across]


def _washers(rows: RunRows, width: float) -> list[Any]:
    if not rows.washers:
        return []
    near = any(row.near for row in rows.washers)
    names = ("Bolt", WASHER_TO_LINE, WASHER_TO_FAR, "How it lies", *([WASHER_NEAR] if near else []))
    cells: list[list[Any]] = [[text(name, HEAD) for name in names]]
    extra: list[tuple[Any, ...]] = []
    for line, row in enumerate(rows.washers, start=1):
        cells.append(
            [
                TickBox(row.mark, "?" if row.doubtful else ""),
                *map(text, (row.to_line, row.to_far, row.lies)),
                *([text(row.near)] if near else []),
            ]
        )
        if row.doubtful:
            extra.append(("BACKGROUND", (0, line), (-1, line), CHECK_GROUND))
    shares = (0.12, 0.19, 0.19, 0.28, 0.22) if near else (0.12, 0.22, 0.22, 0.44)
    head = [text("Plate washers", LIST), *items(rows.washer_lines), Spacer(1, 2)]
    return [CondPageBreak(50 * mm), *head, table(cells, [width * share for share in shares], extra)]


def _shims(rows: RunRows, width: float) -> list[Any]:
    if not rows.shims:
        return [text("Level", LIST), text(rows.levels), *items(rows.shim_lines)] if rows.shim_lines else []
    down = -(-len(rows.shims) // _SHIMS_ACROSS)
    columns = [rows.shims[at : at + down] for at in range(0, len(rows.shims), down)]
    cells = [[_shim_cell(column[line]) if line < len(column) else "" for column in columns] for line in range(down)]
    grid = Table(cells, colWidths=[width / _SHIMS_ACROSS] * len(columns), hAlign="LEFT")
    grid.setStyle(
        TableStyle(
            [
                ("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE),
                ("LINEBEFORE", (1, 0), (-1, -1), 0.4, RULE),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("TOPPADDING", (0, 0), (-1, -1), 1),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
            ]
        )
    )
    head = [text("Level and shims", LIST), text(rows.levels), *items(rows.shim_lines), Spacer(1, 2)]
    return [CondPageBreak(40 * mm), *head, grid]


def _shim_cell(row: ShimRow) -> Any:
    height = escape(printable(row.height))
    shown = height if row.doubtful else f"<b>{height}</b>"
    plain = ParagraphStyle("plain", parent=_SHIM, fontName=REGULAR)
    first = marked_up(f"{escape(printable(row.at))}: {shown}", plain)
    return [first, text(row.place, SMALL)]
