"""corrections.toml, beside job.toml: what a person saw in the photos and the measurement did not, as tables.

Every ``_px`` is a place in the photo as it is shown upright: at its full size, turned as its EXIF Orientation asks. The
centre of its top left pixel is (0, 0), x runs right and y down. Lengths are text with their unit.
"""

from __future__ import annotations

import fcntl
import math
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, StringConstraints

from sillwright.crew_file import checked, read_toml
from sillwright.errors import JobError
from sillwright.job_plates import Station
from sillwright.job_values import Name, Table, read_signed_length, within
from sillwright.toml_text import toml_text
from sillwright.whole_file import write_aside

CORRECTIONS = "corrections.toml"
BEFORE = "corrections-before.toml"
MOST_ENTRIES = 500  # a job has some hundred bolts, and hardly one in ten is corrected (common practice, no source)

SETBACK_RANGE_MM = (-500.0, 500.0)  # only a slip of the unit or the pen passes it (common practice, no source)


def _read_pixel(value: Any) -> tuple[float, float]:
    numbers = value if isinstance(value, (list, tuple)) else ()
    plain = [float(one) for one in numbers if isinstance(one, (int, float)) and not isinstance(one, bool)]
    if len(plain) != 2 or len(numbers) != 2 or not all(math.isfinite(one) for one in plain):
        raise ValueError("must be two numbers in square brackets, right and down in the photo, like [1203.5, 877]")
    return plain[0], plain[1]


Pixel = Annotated[tuple[float, float], BeforeValidator(_read_pixel)]
_PhotoName = Annotated[str, StringConstraints(min_length=1)]
_Setback = Annotated[float, BeforeValidator(read_signed_length), within(SETBACK_RANGE_MM)]


class _Entry(Table):
    """What every entry may say: who corrected it, and when, in free text."""

    run: Name
    by: Name | None = None
    on: Name | None = None


class BoltTable(_Entry):
    """``[[bolt]]``: where one photo shows the foot or the tip of a bolt; several of one bolt belong together.

    ``station`` and ``setback`` say which bolt: where the record had it; of one it has not, about where it stands.
    """

    photo: _PhotoName
    base_px: Pixel | None = None
    tip_px: Pixel | None = None
    station_mm: Station = Field(alias="station")
    setback_mm: _Setback = Field(alias="setback")
    kind: Literal["moved", "missed"]


class StrikeTable(_Entry):
    """``[[strike]]``: what the record has here is no bolt."""

    station_mm: Station = Field(alias="station")
    setback_mm: _Setback = Field(alias="setback")


class LineTable(_Entry):
    """``[[line]]``: two points of the chalk line in one photo."""

    photo: _PhotoName
    points_px: tuple[Pixel, Pixel]


class CorrectionsTable(Table):
    """The whole of corrections.toml."""

    bolt: tuple[BoltTable, ...] = ()
    strike: tuple[StrikeTable, ...] = ()
    line: tuple[LineTable, ...] = ()


_TABLES: dict[str, type[Table]] = {"": CorrectionsTable, "bolt": BoltTable, "strike": StrikeTable, "line": LineTable}


def read_corrections(folder: Path) -> CorrectionsTable | None:
    """The corrections in a job's folder, each key and value checked; None where there are none.

    Raises JobError with a sentence for each fault: what is wrong, where in the file, and what to do.
    """
    path = folder / CORRECTIONS
    if not path.exists():
        return None
    return checked(CorrectionsTable, _TABLES, read_toml(path, CORRECTIONS), path)


def change_corrections(folder: Path, change: Callable[[CorrectionsTable], CorrectionsTable]) -> CorrectionsTable:
    """Write what ``change`` makes of the corrections as they stand now; nobody else writes in between.

    A file that a person wrote, and that so may hold more than tables, is kept as corrections-before.toml. Where nothing
    is corrected any more there is no file. What ``change`` raises leaves all as it was. Raises JobError where the file
    cannot be read, or would hold too much.
    """
    path = folder / CORRECTIONS
    with _one_writer(folder):
        before = read_corrections(folder)
        after = change(before or CorrectionsTable())
        if len(after.bolt) + len(after.strike) + len(after.line) > MOST_ENTRIES:
            raise JobError(f"{path} would hold more than {MOST_ENTRIES} corrections. Shoot the bolts again instead.")
        if after == (before or CorrectionsTable()):
            return after
        content = path.read_bytes() if before is not None else b""
        if before is not None and content != corrections_text(before).encode():
            write_aside(folder / BEFORE, content)
        text = corrections_text(after)
        if text:
            write_aside(path, text.encode())
        else:
            path.unlink()
    return after


def corrections_text(table: CorrectionsTable) -> str:
    """The corrections as their file holds them; lengths are in millimetres, so that none is rounded."""
    bolts = [
        {"run": one.run, "photo": one.photo, "kind": one.kind, **_place(one)}
        | {"base_px": one.base_px, "tip_px": one.tip_px, **_said(one)}
        for one in table.bolt
    ]
    strikes = [{"run": one.run, **_place(one), **_said(one)} for one in table.strike]
    lines = [{"run": one.run, "photo": one.photo, "points_px": one.points_px, **_said(one)} for one in table.line]
    entries = {
        heading: [{key: value for key, value in entry.items() if value is not None} for entry in some]
        for heading, some in (("bolt", bolts), ("strike", strikes), ("line", lines))
        if some
    }
    return toml_text(entries) if entries else ""


def _place(entry: BoltTable | StrikeTable) -> dict[str, object]:
    return {"station": _mm_text(entry.station_mm), "setback": _mm_text(entry.setback_mm)}


def _said(entry: _Entry) -> dict[str, object]:
    return {"by": entry.by, "on": entry.on}


def _mm_text(length_mm: float) -> str:
    """All digits, without an exponent: the reader of lengths knows none, nor so many digits as to need one."""
    return f"{format(Decimal(repr(length_mm)), 'f') if abs(length_mm) > 1e-12 else '0'} mm"


@contextmanager
def _one_writer(folder: Path) -> Iterator[None]:
    """Be the one who writes the corrections of a folder; a second one waits. It ends with the process, however."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)
