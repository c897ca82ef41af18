"""The one typeface of pictures and PDF sheets: Bitstream Vera, which comes with the PDF library.

It holds the letters of European languages. What it cannot draw is drawn as a question mark, never left out silently.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import reportlab
from PIL import ImageFont
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

REGULAR, BOLD = "SheetRegular", "SheetBold"
_FILES = {REGULAR: "Vera.ttf", BOLD: "VeraBd.ttf"}


@cache
def picture_font(size_px: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    """For drawing on pictures."""
    name = _FILES[BOLD if bold else REGULAR]
    return ImageFont.truetype(Path(reportlab.__file__).parent / "fonts" / name, size_px)


@cache
def register_pdf_fonts() -> None:
    """Make ``REGULAR`` and ``BOLD`` known to the PDF library, and bold what ``<b>`` asks for."""
    for name, file in _FILES.items():
        pdfmetrics.registerFont(TTFont(name, file))
    pdfmetrics.registerFontFamily(REGULAR, normal=REGULAR, bold=BOLD, italic=REGULAR, boldItalic=BOLD)


@cache
def _glyphs() -> frozenset[int]:
    faces: list[Any] = [TTFont(f"{name}Face", file).face for name, file in _FILES.items()]
    return frozenset.intersection(*(frozenset(face.charToGlyph) for face in faces))


def printable(text: str) -> str:
    """Text the typeface can draw: a question mark for each letter it lacks, one space for any white space."""
    spaced = " ".join(text.split())
    return "".join(letter if ord(letter) in _glyphs() and letter.isprintable() else "?" for letter in spaced)
