"""What was found in the catalogue: as a table for people, and as CSV and JSON for programs.

The table has feet, inches and sixteenths; CSV and JSON have millimetres and degrees, under the catalogue's own names.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any

from rich.cells import cell_len
from rich.console import Console, Group, RenderableType
from rich.measure import Measurement
from rich.table import Table
from rich.text import Text

from sillwright.archive.search import Found, Value
from sillwright.archive.where import PhotoPlace
from sillwright.lengths import format_inches
from sillwright.survey import Status
from sillwright.tell.csv_cells import csv_table, csv_words
from sillwright.tell.rows import NOT_KNOWN, STATUS_WORDS, place_along, shown, with_width
from sillwright.tell.tables import plain_table, plain_text

_TITLES = {"packages": "Packages", "bolts": "Bolts", "broken": "Rules not met"}
# What stands in the table, under which heading; the rest is in CSV and JSON only.
_HEADINGS = {
    "packages": {
        "package": "Package", "lot": "Lot", "status": "Status", "bolts": "Bolts", "setback_most_mm": "Most in",
        "lean_most_deg": "Most lean", "broken": "Rules not met", "signed_off_by": "Signed off by",
    },
    "bolts": {
        "package": "Package", "run": "Run", "mark": "Bolt", "status": "Status", "station_mm": "Along",
        "setback_mm": "In from the line", "lean_deg": "Lean",
    },
    "broken": {
        "package": "Package", "run": "Run", "subject": "Of", "rule": "Rule", "measured_mm": "Measured",
        "limit_mm": "Limit", "source": "Source",
    },
}  # fmt: skip
_FOLDED = ("signed_off_by", "source")  # columns that may be broken over lines
_FOLDED_LEAST = 12  # letters that such a column has at least


@dataclass(frozen=True)
class FoundRows:
    """What a table holds; the first column is the package's name.

    columns : the catalogue's name of each; folded : the places of columns that may fold
    """

    title: str
    columns: tuple[str, ...]
    headings: tuple[str, ...]
    cells: tuple[tuple[str, ...], ...]
    folded: tuple[int, ...]


def find_table(found: Found, width: int = 80) -> RenderableType:
    """What was found, for a terminal of so many letters; to be printed so that lines may be longer than that.

    Nothing in it is cut. Where a table is too wide with the packages' names in it, they have numbers there and stand in
    full below, so that a name is never broken and can be copied. Where that is too wide as well, each row is a block.
    """
    return _laid(find_rows(found), width)


def find_rows(found: Found) -> FoundRows:
    """What was found, as cells for people."""
    headings = _HEADINGS[found.kind]
    rows = (dict(zip(found.columns, row, strict=True)) for row in found.rows)
    return FoundRows(
        _TITLES[found.kind],
        tuple(headings),
        tuple(headings.values()),
        tuple(tuple(_shown(column, cells) for column in headings) for cells in rows),
        tuple(place for place, column in enumerate(headings) if column in _FOLDED),
    )


def _laid(rows: FoundRows, width: int) -> RenderableType:
    names = {name: str(count) for count, name in enumerate(dict.fromkeys(row[0] for row in rows.cells), 1)}
    whole = _table(rows, {name: name for name in names})
    if _least_width(whole) <= width:
        return whole
    short = _table(rows, names)
    if _least_width(short) <= width:
        under = [plain_text(f"{number}  {name}") for name, number in names.items()]
        return Group(short, plain_text("The packages by number:"), *under)
    lines: list[Text] = []
    for before, row in zip((None, *rows.cells), rows.cells, strict=False):
        if before is None or before[0] != row[0]:
            lines += [Text(), plain_text(row[0], "bold")]
        else:
            lines.append(Text())
        lines += [plain_text(f"  {heading}: {cell}") for heading, cell in zip(rows.headings[1:], row[1:], strict=True)]
    return Group(plain_text(rows.title, "bold"), *lines)


def _table(rows: FoundRows, names: Mapping[str, str]) -> Table:
    """``names`` : what stands in the table for each package."""
    whole = [place for place in range(len(rows.headings)) if place not in rows.folded]
    table = plain_table(rows.title, rows.headings, whole)
    for row in rows.cells:
        table.add_row(*map(plain_text, (names[row[0]], *row[1:])))
    for place, column in enumerate(table.columns):
        longest = max(
            map(cell_len, (rows.headings[place], *(one.plain for one in column.cells if isinstance(one, Text))))
        )
        column.min_width = min(longest, _FOLDED_LEAST) if place in rows.folded else longest
    return table


def _least_width(table: Table) -> int:
    """How narrow a table can get without anything in it being cut."""
    console = Console(width=10_000)
    return Measurement.get(console, console.options, table).minimum


def find_closing(found: Found, limit: int) -> str:
    """How many there are, and what to do where not all are shown."""
    kind = {"packages": "package", "bolts": "bolt", "broken": "place where a rule is not met"}[found.kind]
    count = len(found.rows)
    many = kind if count == 1 else kind.replace("place", "places") if found.kind == "broken" else f"{kind}s"
    if found.more:
        return f"The newest {count} {many}; there are more. Ask for less, or give --limit 0 for all of them."
    return f"{count} {many}." if count else "Nothing found."


def find_csv(found: Found) -> bytes:
    """CSV, the columns under the catalogue's names."""
    return csv_table(found.columns, ([_cell(value) for value in row] for row in found.rows))


def find_json(found: Found, places: Sequence[PhotoPlace] | None = None) -> str:
    """JSON: what the rows are, whether there are more, and each row under the catalogue's names.

    places : of the photos, where somebody asked for them
    """
    body: dict[str, Any] = {found.kind: [dict(zip(found.columns, row, strict=True)) for row in found.rows]}
    body["more"] = found.more
    if places is not None:
        body["photos"] = [asdict(place) for place in places]
    return json.dumps(body, indent=1, ensure_ascii=False)


def places_table(places: Sequence[PhotoPlace], width: int = 80) -> RenderableType:
    """Where each photo was taken, for a terminal of so many letters, laid as ``find_table`` lays what was found."""
    headings = ("Package", "Photo", "Taken", "Latitude", "Longitude", "Camera", "Lens")
    rows = []
    for place in places:
        where = ("–" if one is None else f"{one:.6f}" for one in (place.latitude_deg, place.longitude_deg))
        rows.append((place.package, place.file, place.taken, *where, place.body_serial, place.lens_serial))
    return _laid(
        FoundRows("Photos", tuple(field.name for field in fields(PhotoPlace)), headings, tuple(rows), ()), width
    )


def places_csv(places: Sequence[PhotoPlace]) -> bytes:
    """The same as CSV."""
    columns = tuple(field.name for field in fields(PhotoPlace))
    return csv_table(columns, ([_cell(value) for value in asdict(place).values()] for place in places))


def _cell(value: Value) -> str:
    if value is None:
        return ""
    return csv_words(value) if isinstance(value, str) else f"{value:.9g}" if isinstance(value, float) else str(value)


def _shown(column: str, cells: Mapping[str, Value]) -> str:
    """A value for people; a bolt that must be shot again has no number here either."""
    value = cells[column]
    if value is None:
        return "–"
    if column == "status":
        return STATUS_WORDS[_status(value)]
    if isinstance(value, (int, float)):
        if cells.get("status") == "reshoot" and "mark" in cells:
            return "no number"
        if column == "lean_deg":
            return _lean(value, cells.get("lean_u95_deg"))
        if column.endswith("_deg"):
            return f"{value:.1f}°"
        if column == "station_mm":
            return place_along(value)
        if column == "setback_mm":
            told = shown(value, _number(cells.get("setback_u95_mm")), behind="beyond the line")
            return f"{told.inches} {told.plus_minus}"
        if column.endswith("_mm"):
            return format_inches(value)
    return str(value)


def _status(value: Value) -> Status:
    return "reshoot" if value == "reshoot" else "check" if value == "check" else "ok"


def _lean(deg: float, u95_deg: Value) -> str:
    known = _number(u95_deg)
    return f"{deg:.1f}° {NOT_KNOWN}" if known is None else f"{with_width(deg, known, 1)}°"


def _number(value: Value) -> float | None:
    return float(value) if isinstance(value, (int, float)) else None
