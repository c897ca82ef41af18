"""The job's own sheet in the plates' PDF: what to decide, cut, buy and check."""

from __future__ import annotations

from typing import Any

from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, KeepTogether, Spacer, Table, TableStyle

from sillwright.plates.record import PlatesPlan
from sillwright.tell.pdf_parts import BODY, CHECK_GROUND, HEAD, INK, LIST, SMALL, items, table, text
from sillwright.tell.plate_job_rows import JobRows
from sillwright.tell.plate_page import TickBox
from sillwright.tell.plate_wording import ADVISES_NOTHING_STRUCTURAL, HOW_JUDGED, PLATES_SAFETY


def job_story(plan: PlatesPlan, job: JobRows, width: float) -> list[Any]:
    """The job's sheet as flowables, ``width`` points wide."""
    story: list[Any] = [text(f"The job: {job.state}", LIST), text(ADVISES_NOTHING_STRUCTURAL)]
    if job.decide:
        story += [text("To decide first", LIST), *items(job.decide)]
    if job.notes:
        story += [text("To know", LIST), *items(job.notes)]
    if job.sticks:
        story += [CondPageBreak(35 * mm), text("Cut list, stick by stick", LIST), text(job.stock_line, SMALL)]
        story += [_sticks(job, width)]
    story += [CondPageBreak(35 * mm), text("Shopping list", LIST), _shopping(job, width)]
    story += [KeepTogether([text("Square and closed", LIST), *items((*job.corners, *job.outline))])]
    if job.rule_rows:
        story += [CondPageBreak(45 * mm), text(f"Rules: {job.rules}", LIST), text(HOW_JUDGED, SMALL)]
        story += [_rules(job, width), *items(job.rule_lines)]
    photos = f"Photos: {job.photos}. Fingerprint of them all (SHA-256): {plan.photos.fingerprint_sha256}"
    box = Table([[[text("Before you strike, drill or bend", LIST), *items(PLATES_SAFETY)]]], colWidths=[width])
    box.setStyle(TableStyle([("BOX", (0, 0), (-1, -1), 1.2, INK), ("BOTTOMPADDING", (0, 0), (-1, -1), 6)]))
    return [*story, Spacer(1, 6), text(photos, SMALL), Spacer(1, 6), KeepTogether([box])]


def _sticks(job: JobRows, width: float) -> Table:
    cells: list[list[Any]] = [[text(name, HEAD) for name in ("Done", "Stick", "Wood", "Pieces, in this order", "Left")]]
    for row in job.sticks:
        cells.append(
            [TickBox("", "", 10.0), text(row.stick, _BIG), text(row.kind), text(row.pieces, _BIG), text(row.left)]
        )
    return table(cells, [width * share for share in (0.06, 0.13, 0.12, 0.57, 0.12)], [])


def _shopping(job: JobRows, width: float) -> Table:
    cells: list[list[Any]] = [[text(name, HEAD) for name in ("Got", "How many", "What")]]
    cells += [[TickBox("", "", 10.0), text(amount), text(what)] for amount, what in job.shopping]
    return table(cells, [width * share for share in (0.06, 0.32, 0.62)], [])


def _rules(job: JobRows, width: float) -> Table:
    names = ("Rule", "Asks", "Meets", "DOES NOT MEET", "CANNOT TELL", "Source")
    cells: list[list[Any]] = [[text(name, HEAD) for name in names]]
    extra: list[tuple[Any, ...]] = []
    for line, row in enumerate(job.rule_rows, start=1):
        cells.append([text(cell) for cell in (row.rule, row.asks, row.meets, row.fails, row.unsure, row.source)])
        if row.fails or row.unsure:
            extra.append(("BACKGROUND", (0, line), (-1, line), CHECK_GROUND))
    return table(cells, [width * share for share in (0.23, 0.15, 0.08, 0.16, 0.16, 0.22)], extra)


_BIG = BODY.clone("big", fontSize=10.5, leading=13)
