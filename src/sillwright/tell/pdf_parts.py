"""What the PDF sheets are put together from: paper, inks, type, paragraphs and tables in one manner."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import Paragraph, Table, TableStyle

from sillwright.tell.lettering import BOLD, REGULAR, printable

PAGES = {"letter": LETTER, "a4": A4}
MARGIN = 12.7 * mm
FRAME_PADDING = 6.0  # reportlab keeps this many points clear inside a page frame
INK, FAINT, RULE = HexColor("#1d262e"), HexColor("#5b656d"), HexColor("#c9c5ba")
CHECK, RESHOOT = HexColor("#7f4d00"), HexColor("#a31f1f")
CHECK_GROUND, RESHOOT_GROUND = HexColor("#f6ead2"), HexColor("#f7e0dc")

BODY = ParagraphStyle("body", fontName=REGULAR, fontSize=8.6, leading=11.6, textColor=INK)
SMALL = ParagraphStyle("small", parent=BODY, fontSize=7.2, leading=9.4, textColor=FAINT)
HEAD = ParagraphStyle("head", parent=BODY, fontName=BOLD, fontSize=7.4, leading=9.4, textColor=FAINT)
TITLE = ParagraphStyle("title", parent=BODY, fontName=BOLD, keepWithNext=1)
LIST = ParagraphStyle("list", parent=TITLE, fontSize=10, leading=13, spaceBefore=8, spaceAfter=2)
ITEM = ParagraphStyle("item", parent=BODY, leftIndent=9, bulletIndent=1, spaceBefore=1.5)


def text(words: str, style: ParagraphStyle = BODY) -> Paragraph:
    """A paragraph of plain words: nothing in them is taken as markup."""
    return Paragraph(escape(printable(words)), style)


def items(lines: Iterable[str], style: ParagraphStyle = ITEM) -> list[Paragraph]:
    """Plain lines, each with a dash before it."""
    return [Paragraph(escape(printable(line)), style, bulletText="-") for line in lines]


def marked_up(markup: str, style: ParagraphStyle = BODY) -> Paragraph:
    """A paragraph of markup; whoever makes it escapes what comes from the record."""
    return Paragraph(markup, style)


def table(cells: list[list[Any]], widths: list[float], extra: list[tuple[Any, ...]]) -> Table:
    """A table with its first row as a heading, on each page it goes on to; ``extra`` are style commands."""
    made = Table(cells, colWidths=widths, repeatRows=1)
    made.setStyle(
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
    return made
