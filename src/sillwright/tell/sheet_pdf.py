"""The report as a PDF for the clipboard: lists to mark from, the plan at 1:12, reasons, and safety."""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import date
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, KeepTogether, SimpleDocTemplate, Spacer, Table, TableStyle

from sillwright.survey import PhotoRecord, RunRecord, Survey
from sillwright.tell.cardsheet import Paper
from sillwright.tell.lettering import BOLD, REGULAR, printable, register_pdf_fonts
from sillwright.tell.pdf_parts import (
    BODY,
    CHECK,
    CHECK_GROUND,
    FAINT,
    FRAME_PADDING,
    HEAD,
    INK,
    ITEM,
    LIST,
    MARGIN,
    PAGES,
    RESHOOT,
    RESHOOT_GROUND,
    RULE,
    SMALL,
    TITLE,
    items,
    marked_up,
    table,
    text,
)
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

_CONTINUED_UP = 2.5 * mm  # the heading of a run that goes on stands this far over the text, in the top margin
_RUN = ParagraphStyle("run", parent=TITLE, fontSize=13, leading=16, spaceBefore=10, spaceAfter=3)
_WARN = ParagraphStyle("warn", parent=ITEM, textColor=RESHOOT)


def sheet_pdf(survey: Survey, made_on: date, paper: Paper = "letter") -> bytes:
    """The sheet as a PDF file's bytes, upright on Letter or A4. Print at 100 % for the plan to be 1 in to 1 ft."""
    register_pdf_fonts()
    buffer = io.BytesIO()
    document = _Sheet(
        buffer,
        pagesize=PAGES[paper],
        leftMargin=MARGIN - FRAME_PADDING,
        rightMargin=MARGIN - FRAME_PADDING,
        topMargin=MARGIN + 4 * mm,
        bottomMargin=MARGIN + 6 * mm,
        title=f"{printable(survey.name)}: anchor bolts",
        author="sillwright",
        invariant=True,
    )
    width = document.width - 2 * FRAME_PADDING
    story: list[Any] = [_title_block(survey, made_on, width)]
    again = reshoot_lines(survey)
    if again:
        story += [text("Shoot again before marking", LIST), *items(again, _WARN)]
    for run in survey.runs:
        story += _run(survey, run, width)
    story += _corners(survey)
    story += [text("How to read this sheet", LIST), *items((*HOW_TO_READ, STRAIGHTENING))]
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
            canvas.drawString(MARGIN, up, f"Run {printable(document.run_name)}, continued")
        canvas.setFont(REGULAR, 7)
        canvas.setFillColor(FAINT)
        canvas.drawString(MARGIN, MARGIN * 0.7, words[:110])
        canvas.drawRightString(document.pagesize[0] - MARGIN, MARGIN * 0.7, f"page {document.page}")
        canvas.restoreState()

    return draw


def _title_block(survey: Survey, made_on: date, width: float) -> Table:
    runs = ", ".join(run.name for run in survey.runs) or "none"
    name = ParagraphStyle("name", parent=BODY, fontName=BOLD, fontSize=13, leading=16)
    cells = [
        [text("Job", SMALL), text("Runs", SMALL), text("Sheet made", SMALL), text("State", SMALL)],
        [text(survey.name, name), text(runs), text(made_on.isoformat()), text(job_line(survey))],
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
    begins, ends = text(f"Run {run.name}", _RUN), Spacer(0, 0)
    begins.run_name, ends.run_name = run.name, ""
    story: list[Any] = [CondPageBreak(70 * mm), begins]
    if run.status != "ok" or findings:
        color = {"ok": INK, "check": CHECK, "reshoot": RESHOOT}[run.status]
        head = ParagraphStyle("state", parent=LIST, textColor=color)
        story.append(text(f"This run: {STATUS_WORDS[run.status]}", head))
        story += [*items(findings or ("No reason was recorded.",)), Spacer(1, 4)]
    story += [text(" ".join((*run_facts(survey, run), scale_statement(run))))]
    story += [text("Hole-marking list", LIST), text(zero_words(run)), Spacer(1, 3), _hole_table(run, holes, width)]
    story += items(f"{row.mark}. {sentence}" for row in holes for sentence in row.explained)
    drawings = [PlanDrawing(row) for row in plan_rows(survey, run)]
    key = text(f"Printed at 100 %, 1 in on paper is 1 ft on the wall. {plan_key(run)}", SMALL)
    story += [KeepTogether([text("Plan", LIST), drawings[0]]), *drawings[1:], key]
    story += [text("Bolt-straightening list", LIST), _lean_table(lean_rows(survey, run), width), ends]
    return story


def _hole_table(run: RunRecord, rows: Sequence[HoleRow], width: float) -> Any:
    if not rows:
        return text(NO_BOLTS)
    names = ("Bolt", along_title(run), "From previous bolt", "In from the line", "Status and why", "Taped")
    cells: list[list[Any]] = [[text(name, HEAD) for name in names]]
    extra: list[tuple[Any, ...]] = []
    for line, row in enumerate(rows, start=1):
        why = marked_up(f"<b>{STATUS_WORDS[row.status]}</b> {escape(printable('; '.join(row.why)))}")
        mark = marked_up(f"<b>{escape(printable(row.mark))}</b>")
        if row.status == "reshoot":
            cells.append([mark, text("no number: shoot it again"), "", "", why, ""])
            extra.append(("SPAN", (1, line), (3, line)))
        else:
            cells.append([mark, _number(row.along), _number(row.from_previous), _number(row.setback), why, ""])
        ground = {"check": CHECK_GROUND, "reshoot": RESHOOT_GROUND}.get(row.status)
        if ground is not None:
            extra.append(("BACKGROUND", (0, line), (-1, line), ground))
    extra.append(("LINEBEFORE", (-1, 0), (-1, -1), 0.5, RULE))
    return table(cells, [width * share for share in (0.09, 0.2, 0.19, 0.18, 0.22, 0.12)], extra)


def _lean_table(rows: Sequence[LeanRow], width: float) -> Any:
    if not rows:
        return text(NO_BOLTS)
    names = ("Bolt", "Lean", "What to do", "Tip must come", "", "Which way", "Why")
    cells: list[list[Any]] = [[text(name, HEAD) for name in names]]
    for row in rows:
        arrow = "" if row.arrow_deg is None else WayArrow(row.arrow_deg)
        mark = marked_up(f"<b>{escape(printable(row.mark))}</b>")
        lean, verdict = text(row.lean or "–"), text(row.verdict)
        cells.append([mark, lean, verdict, _number(row.tip_move), arrow, text(row.way), text("; ".join(row.why))])
    return table(cells, [width * share for share in (0.09, 0.13, 0.14, 0.17, 0.06, 0.22, 0.19)], [])


def _number(number: Shown | None) -> Any:
    if number is None:
        return text("–")
    first = f"<b>{escape(number.inches)}</b> {escape(number.plus_minus)}"
    return [marked_up(first), text(number.metric, SMALL)]


def _corners(survey: Survey) -> list[Any]:
    if not survey.corners:
        return []
    lines = [
        " ".join([corner_line(corner), *(explain(reason, "corner") for reason in corner.reasons)])
        for corner in survey.corners
    ]
    return [text("Corners", LIST), *items(lines)]


def _safety(width: float) -> KeepTogether:
    inside = [text("Before you strike, drill or bend", LIST), *items(SAFETY)]
    box = Table([[inside]], colWidths=[width])
    box.setStyle(TableStyle([("BOX", (0, 0), (-1, -1), 1.2, INK), ("BOTTOMPADDING", (0, 0), (-1, -1), 6)]))
    return KeepTogether([Spacer(1, 8), box])


def _photos(photos: Sequence[PhotoRecord]) -> list[Any]:
    lines = [
        f"{photo.file}: {photo_line(photo)}. " + " ".join(explain(reason, "photo") for reason in photo.reasons)
        for photo in photos
    ]
    return [text("Photos", LIST), *items(lines)]
