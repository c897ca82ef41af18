"""What was found in the catalogue: as a table for people, and as CSV and JSON for programs.

The table has feet, inches and sixteenths; CSV and JSON have millimetres and degrees, under the catalogue's own names.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from typing import Any

from rich.console import Console, Group, RenderableType
from rich.measure import Measurement
from rich.table import Table

from sillwright.archive.search import Found, Value
from sillwright.archive.where import PhotoPlace
from sillwright.lengths import format_inches
from sillwright.survey import Status
from sillwright.tell.csv_cells import csv_table, csv_words
from sillwright.tell.rows import STATUS_WORDS, place_along
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


def find_table(found: Found, width: int = 80) -> RenderableType:
    """The table for a terminal of so many letters.

    A package's name is never broken, so that it can be copied: where the table would be too wide with names in it, they
    have numbers there, and stand in full below.
    """
    place = found.columns.index("package")
    names = {name: str(count) for count, name in enumerate(dict.fromkeys(str(row[place]) for row in found.rows), 1)}
    whole = _table(found, {name: name for name in names})
    console = Console(width=10_000)  # as wide as it needs to be: what is asked is how narrow it can get
    if Measurement.get(console, console.options, whole).minimum <= width:
        return whole
    under = [plain_text(f"{number}  {name}") for name, number in names.items()]
    return Group(_table(found, names), plain_text("The packages by number:"), *under)


def _table(found: Found, names: Mapping[str, str]) -> Table:
    """``names`` : what stands in the table for each package."""
    headings = _HEADINGS[found.kind]
    whole = [place for place, column in enumerate(headings) if column not in _FOLDED]
    table = plain_table(_TITLES[found.kind], list(headings.values()), whole)
    for row in found.rows:
        cells = dict(zip(found.columns, row, strict=True))
        shown = {
            column: names[str(cells[column])] if column == "package" else _shown(column, cells) for column in headings
        }
        table.add_row(*map(plain_text, shown.values()))
    return table


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


def places_table(places: Sequence[PhotoPlace]) -> RenderableType:
    """Where each photo was taken, as a table for a terminal."""
    table = plain_table("Photos", ("Package", "Photo", "Taken", "Latitude", "Longitude", "Camera", "Lens"), (2, 3, 4))
    for place in places:
        where = (place.latitude_deg, place.longitude_deg)
        cells = (place.package, place.file, place.taken, *("–" if one is None else f"{one:.6f}" for one in where))
        table.add_row(*map(plain_text, (*cells, place.body_serial, place.lens_serial)))
    return table


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
        if column.endswith("_deg"):
            return f"{value:.1f}°"
        if column == "station_mm":
            return place_along(value)
        if column.endswith("_mm"):
            return format_inches(value)
    return str(value)


def _status(value: Value) -> Status:
    return "reshoot" if value == "reshoot" else "check" if value == "check" else "ok"
