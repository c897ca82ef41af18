"""The report as a PDF for the clipboard: lists to mark from, the plan at 1:12, reasons, and safety."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

from sillwright.survey import PhotoRecord, RunRecord, Survey
from sillwright.tell.cardsheet import Paper
from sillwright.tell.lettering import BOLD, REGULAR, printable, register_pdf_fonts
from sillwright.tell.plan import plan_key, plan_rows
from sillwright.tell.plan_pdf import PlanDrawing, WayArrow
from sillwright.tell.reasons import explain
from sillwright.tell.rows import STATUS_WORDS, HoleRow, LeanRow, Shown, along_title, hole_rows, lean_rows, zero_words
from sillwright.tell.wording import (
    ADVISES,
    HOW_TO_READ,
    NO_BOLTS,
    SAFETY,
    STRAIGHTENING,
    corner_line,
    job_line,
    photo_line,
    reshoot_lines,
    run_facts,
    run_findings,
    scale_statement,
)

_PAGES = {"letter": LETTER, "a4": A4}
_MARGIN = 12.7 * mm
_CONTINUED_UP = 2.5 * mm  # the heading of a run that goes on stands this far over the text, in the top margin
_FRAME_PADDING = 6.0  # reportlab keeps this many points clear inside a page frame
INK, FAINT, RULE = HexColor("#1d262e"), HexColor("#5b656d"), HexColor("#c9c5ba")
CHECK, RESHOOT = HexColor("#7f4d00"), HexColor("#a31f1f")
CHECK_GROUND, RESHOOT_GROUND = HexColor("#f6ead2"), HexColor("#f7e0dc")

_BODY = ParagraphStyle("body", fontName=REGULAR, fontSize=8.6, leading=11.6, textColor=INK)
_SMALL = ParagraphStyle("small", parent=_BODY, fontSize=7.2, leading=9.4, textColor=FAINT)
_HEAD = ParagraphStyle("head", parent=_BODY, fontName=BOLD, fontSize=7.4, leading=9.4, textColor=FAINT)
_TITLE = ParagraphStyle("title", parent=_BODY, fontName=BOLD, keepWithNext=1)
_RUN = ParagraphStyle("run", parent=_TITLE, fontSize=13, leading=16, spaceBefore=10, spaceAfter=3)
_LIST = ParagraphStyle("list", parent=_TITLE, fontSize=10, leading=13, spaceBefore=8, spaceAfter=2)
_ITEM = ParagraphStyle("item", parent=_BODY, leftIndent=9, bulletIndent=1, spaceBefore=1.5)
_WARN = ParagraphStyle("warn", parent=_ITEM, textColor=RESHOOT)


def sheet_pdf(survey: Survey, made_on: date, paper: Paper = "letter") -> bytes:
    """The sheet as a PDF file's bytes, upright on Letter or A4. Print at 100 % for the plan to be 1 in to 1 ft."""
    register_pdf_fonts()
    buffer = io.BytesIO()
    document = _Sheet(
        buffer,
        pagesize=_PAGES[paper],
        leftMargin=_MARGIN - _FRAME_PADDING,
        rightMargin=_MARGIN - _FRAME_PADDING,
        topMargin=_MARGIN + 4 * mm,
        bottomMargin=_MARGIN + 6 * mm,
        title=f"{printable(survey.name)}: anchor bolts",
        author="sillwright",
        invariant=True,
    )
    width = document.width - 2 * _FRAME_PADDING
    story: list[Any] = [_title_block(survey, made_on, width)]
    again = reshoot_lines(survey)
    if again:
        story += [_text("Shoot again before marking", _LIST), *_items(again, _WARN)]
    for run in survey.runs:
        story += _run(survey, run, width)
    story += _corners(survey)
    story += [_text("How to read this sheet", _LIST), *_items((*HOW_TO_READ, STRAIGHTENING))]
    story += [_safety(width), *_photos(survey.photos)]
    footer = f"{printable(survey.name)}, {made_on.isoformat()}. {ADVISES}"
    document.build(story, onFirstPage=_page_rim(footer), onLaterPages=_page_rim(footer))
    return buffer.getvalue()


class _Sheet(SimpleDocTemplate):  # type: ignore[misc]  # reportlab carries no types
    """Pages that know which run they are in the midst of when they begin."""

    run_name = ""

    def afterFlowable(self, flowable: Any) -> None:
        """Note where a run begins and ends."""
        self.run_name = getattr(flowable, "run_name", self.run_name)


def _page_rim(words: str) -> Any:
    def draw(canvas: Any, document: Any) -> None:
        canvas.saveState()
        if document.run_name:
            canvas.setFont(BOLD, _RUN.fontSize)
            canvas.setFillColor(INK)
            up = document.pagesize[1] - document.topMargin + _CONTINUED_UP
            canvas.drawString(_MARGIN, up, f"Run {printable(document.run_name)}, continued")
        canvas.setFont(REGULAR, 7)
        canvas.setFillColor(FAINT)
        canvas.drawString(_MARGIN, _MARGIN * 0.7, words[:110])
        canvas.drawRightString(document.pagesize[0] - _MARGIN, _MARGIN * 0.7, f"page {document.page}")
        canvas.restoreState()

    return draw


def _text(words: str, style: ParagraphStyle = _BODY) -> Paragraph:
    """A paragraph of plain words: nothing in them is taken as markup."""
    return Paragraph(escape(printable(words)), style)


def _items(lines: Iterable[str], style: ParagraphStyle = _ITEM) -> list[Paragraph]:
    return [Paragraph(escape(printable(line)), style, bulletText="-") for line in lines]


def _title_block(survey: Survey, made_on: date, width: float) -> Table:
    runs = ", ".join(run.name for run in survey.runs) or "none"
    name = ParagraphStyle("name", parent=_BODY, fontName=BOLD, fontSize=13, leading=16)
    cells = [
        [_text("Job", _SMALL), _text("Runs", _SMALL), _text("Sheet made", _SMALL), _text("State", _SMALL)],
        [_text(survey.name, name), _text(runs), _text(made_on.isoformat()), _text(job_line(survey))],
    ]
    block = Table(cells, colWidths=[width * share for share in (0.37, 0.2, 0.16, 0.27)])
    block.setStyle(
        TableStyle(
            [
                ("BOX", (0, 0), (-1, -1), 1.2, INK),
                ("LINEAFTER", (0, 0), (-2, -1), 0.5, INK),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("TOPPADDING", (0, 1), (-1, 1), 0),
                ("BOTTOMPADDING", (0, 0), (-1, 0), 1),
            ]
        )
    )
    return block


def _run(survey: Survey, run: RunRecord, width: float) -> list[Any]:
    holes = hole_rows(run)
    findings = run_findings(run)
    begins, ends = _text(f"Run {run.name}", _RUN), Spacer(0, 0)
    begins.run_name, ends.run_name = run.name, ""
    story: list[Any] = [CondPageBreak(70 * mm), begins]
    if run.status != "ok" or findings:
        color = {"ok": INK, "check": CHECK, "reshoot": RESHOOT}[run.status]
        head = ParagraphStyle("state", parent=_LIST, textColor=color)
        story.append(_text(f"This run: {STATUS_WORDS[run.status]}", head))
        story += [*_items(findings or ("No reason was recorded.",)), Spacer(1, 4)]
    story += [_text(" ".join((*run_facts(survey, run), scale_statement(run))))]
    story += [_text("Hole-marking list", _LIST), _text(zero_words(run)), Spacer(1, 3), _hole_table(run, holes, width)]
    story += _items(f"{row.mark}. {sentence}" for row in holes for sentence in row.explained)
    drawings = [PlanDrawing(row) for row in plan_rows(survey, run)]
    key = _text(f"Printed at 100 %, 1 in on paper is 1 ft on the wall. {plan_key(run)}", _SMALL)
    story += [KeepTogether([_text("Plan", _LIST), drawings[0]]), *drawings[1:], key]
    story += [_text("Bolt-straightening list", _LIST), _lean_table(lean_rows(survey, run), width), ends]
    return story


def _hole_table(run: RunRecord, rows: Sequence[HoleRow], width: float) -> Any:
    if not rows:
        return _text(NO_BOLTS)
    names = ("Bolt", along_title(run), "From previous bolt", "In from the line", "Status and why", "Taped")
    cells: list[list[Any]] = [[_text(name, _HEAD) for name in names]]
    extra: list[tuple[Any, ...]] = []
    for line, row in enumerate(rows, start=1):
        why = _marked_up(f"<b>{STATUS_WORDS[row.status]}</b> {escape(printable('; '.join(row.why)))}")
        mark = _marked_up(f"<b>{escape(printable(row.mark))}</b>")
        if row.status == "reshoot":
            cells.append([mark, _text("no number: shoot it again"), "", "", why, ""])
            extra.append(("SPAN", (1, line), (3, line)))
        else:
            cells.append([mark, _number(row.along), _number(row.from_previous), _number(row.setback), why, ""])
        ground = {"check": CHECK_GROUND, "reshoot": RESHOOT_GROUND}.get(row.status)
        if ground is not None:
            extra.append(("BACKGROUND", (0, line), (-1, line), ground))
    extra.append(("LINEBEFORE", (-1, 0), (-1, -1), 0.5, RULE))
    return _table(cells, [width * share for share in (0.09, 0.2, 0.19, 0.18, 0.22, 0.12)], extra)


def _lean_table(rows: Sequence[LeanRow], width: float) -> Any:
    if not rows:
        return _text(NO_BOLTS)
    names = ("Bolt", "Lean", "What to do", "Tip must come", "", "Which way", "Why")
    cells: list[list[Any]] = [[_text(name, _HEAD) for name in names]]
    for row in rows:
        arrow = "" if row.arrow_deg is None else WayArrow(row.arrow_deg)
        mark = _marked_up(f"<b>{escape(printable(row.mark))}</b>")
        lean, verdict = _text(row.lean or "–"), _text(row.verdict)
        cells.append([mark, lean, verdict, _number(row.tip_move), arrow, _text(row.way), _text("; ".join(row.why))])
    return _table(cells, [width * share for share in (0.09, 0.13, 0.14, 0.17, 0.06, 0.22, 0.19)], [])


def _table(cells: list[list[Any]], widths: list[float], extra: list[tuple[Any, ...]]) -> Table:
    table = Table(cells, colWidths=widths, repeatRows=1)
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LINEBELOW", (0, 0), (-1, 0), 0.8, INK),
                ("LINEBELOW", (0, 1), (-1, -1), 0.4, RULE),
                ("LEFTPADDING", (0, 0), (-1, -1), 3),
                ("RIGHTPADDING", (0, 0), (-1, -1), 3),
                ("TOPPADDING", (0, 0), (-1, -1), 3),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 4),
                *extra,
            ]
        )
    )
    return table


def _marked_up(markup: str) -> Paragraph:
    """A paragraph of markup; whoever makes it escapes what comes from the record."""
    return Paragraph(markup, _BODY)


def _number(number: Shown | None) -> Any:
    if number is None:
        return _text("–")
    first = f"<b>{escape(number.inches)}</b> {escape(number.plus_minus)}"
    return [_marked_up(first), _text(number.metric, _SMALL)]


def _corners(survey: Survey) -> list[Any]:
    if not survey.corners:
        return []
    lines = [
        " ".join([corner_line(corner), *(explain(reason, "corner") for reason in corner.reasons)])
        for corner in survey.corners
    ]
    return [_text("Corners", _LIST), *_items(lines)]


def _safety(width: float) -> KeepTogether:
    inside = [_text("Before you strike, drill or bend", _LIST), *_items(SAFETY)]
    box = Table([[inside]], colWidths=[width])
    box.setStyle(TableStyle([("BOX", (0, 0), (-1, -1), 1.2, INK), ("BOTTOMPADDING", (0, 0), (-1, -1), 6)]))
    return KeepTogether([Spacer(1, 8), box])


def _photos(photos: Sequence[PhotoRecord]) -> list[Any]:
    lines = [
        f"{photo.file}: {photo_line(photo)}. " + " ".join(explain(reason, "photo") for reason in photo.reasons)
        for photo in photos
    ]
    return [_text("Photos", _LIST), *_items(lines)]
