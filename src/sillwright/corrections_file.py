"""corrections.toml, beside job.toml: what a person saw in the photos and the measurement did not, as tables.

Every ``_px`` is a place in the photo as it is shown upright: at its full size, turned as its EXIF Orientation asks. The
centre of its top left pixel is (0, 0), x runs right and y down. Lengths are text with their unit.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, StringConstraints

from sillwright.crew_file import checked, read_toml
from sillwright.job_plates import Station
from sillwright.job_values import Name, Table, read_signed_length, within

CORRECTIONS = "corrections.toml"

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
