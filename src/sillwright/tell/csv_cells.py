"""Tables as CSV, for a spreadsheet or another program.

RFC 4180: comma, quotes doubled, lines ended by CR LF; UTF-8 with a byte order mark, without which common spreadsheets
take it for another encoding.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

_FORMULA = "=+-@\t"  # a cell that begins so is worked out by a spreadsheet


def csv_words(text: str) -> str:
    """Words that somebody chose, kept from being taken for a formula."""
    return f"'{text}" if text.startswith(tuple(_FORMULA)) else text


def csv_table(columns: Sequence[str], lines: Iterable[Sequence[str]]) -> bytes:
    """The whole file."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows(lines)
    return stream.getvalue().encode("utf-8-sig")
