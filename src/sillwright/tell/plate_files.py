"""The files of a plan beside plates.json: the one place that says which there are.

Each is made whole in memory before any is written, so that a fault in one leaves the folder as it was.
"""

from __future__ import annotations

from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path

from sillwright.errors import JobError
from sillwright.plates.record import PlatesPlan
from sillwright.plates.record_file import read_plan, to_bytes
from sillwright.sums import PLANNED, sums_bytes
from sillwright.tell.drill_sheets import StripPaper
from sillwright.tell.drill_strip import drill_strip
from sillwright.tell.plate_csv import holes_csv, pieces_csv
from sillwright.tell.plate_dxf import plates_dxf
from sillwright.tell.plate_sheet_html import plates_html
from sillwright.tell.plate_sheet_pdf import plates_pdf
from sillwright.tell.plate_words import mark_parts
from sillwright.tell.report import file_names
from sillwright.whole_file import write_aside

STRIP_FOLDER = "strips"
TABLES = ("plates.html", "plates.pdf", "holes.csv", "pieces.csv", "plates.dxf")


def plate_files(plan: PlatesPlan, paper: StripPaper) -> dict[str, bytes]:
    """Every file by its name in the results' folder; the sheets are on Letter where strips go on a roll.

    Raises JobError where a piece is too wide for the paper.
    """
    bolts_mm = {bolt.mark: bolt.diameter_mm for run in plan.runs for bolt in run.bolts}
    handed = {run.name: run.left_handed for run in plan.runs}
    parts = mark_parts(plan.lumber)
    files = {
        # A name that is no text at all (half a pair of UTF-16) is a question mark, as on the measuring sheet.
        "plates.html": plates_html(plan).encode("utf-8", "replace"),
        "plates.pdf": plates_pdf(plan, "a4" if paper == "a4" else "letter"),
        "holes.csv": holes_csv(plan.pieces, bolts_mm, parts),
        "pieces.csv": pieces_csv(plan.pieces, parts),
        "plates.dxf": plates_dxf(plan.pieces, bolts_mm=bolts_mm, left_handed=handed, parts=parts),
    }
    names = strip_names(plan)
    for piece in plan.pieces:
        strip = drill_strip(piece, bolts_mm=bolts_mm, left_handed=handed[piece.run], paper=paper, parts=parts)
        files[names[piece.name]] = strip.pdf
    return files


def strip_names(plan: PlatesPlan) -> dict[str, str]:
    """Where each piece's drilling strip goes, by the piece's name."""
    # A dot in a name would be taken for the ending of a file.
    plain = {piece.name: piece.name.replace(".", "-") for piece in plan.pieces}
    made = file_names(list(plain.values()))
    return {name: f"{STRIP_FOLDER}/{made[safe]}.pdf" for name, safe in plain.items()}


def write_plan(folder: Path, plan: PlatesPlan, paper: StripPaper, planned_from: Mapping[str, str]) -> dict[str, bytes]:
    """Write plates.json and every file beside it over what an earlier plan wrote and over nothing else, and take away
    its strips of pieces that are no more: an old strip would be drilled from. Returns what was written, by name.

    Last comes the list of checksums over them and over what the plan was made from, ``planned_from``.
    Raises JobError, before anything is written, where another file or folder is in the way.
    """
    files = {"plates.json": to_bytes(plan), **plate_files(plan, paper)}
    sums = {name: sha256(content).hexdigest() for name, content in files.items()}
    files[PLANNED] = sums_bytes({**planned_from, **sums})
    earlier = _earlier(folder)
    for name in files:
        path = folder / name
        if path.parent != folder and path.parent.exists() and not path.parent.is_dir():
            raise JobError(f"{path.parent} is a file where a folder is to go. Move it away, then plan again.")
        if path.is_dir() or (path.exists() and name not in earlier):
            raise JobError(f"{path} is there already, and no plan wrote it. Move it away, then plan again.")
    # The record goes first and tells what is there; a strip that is gone from it is then no file of this plan.
    for name in sorted(earlier - set(files)):
        (folder / name).unlink(missing_ok=True)
    for name, content in files.items():
        write_aside(folder / name, content)
    return files


def _earlier(folder: Path) -> set[str]:
    """The files an earlier plan left in the folder."""
    try:
        plan = read_plan(folder / "plates.json")
    except JobError:
        return set()
    return {"plates.json", PLANNED, *TABLES, *strip_names(plan).values()}
