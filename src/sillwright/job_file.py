"""job.toml as tables: its keys, their values in millimetres, and a sentence for each fault in them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, StrictInt, StringConstraints

from sillwright.cards import CHECK_LENGTH_MM
from sillwright.crew_file import checked, placed_faults, read_toml
from sillwright.fasteners import BoltSize, bolt_size
from sillwright.job_plates import DiagonalTable, EndTable, LayoutTable, LevelsTable, OutlineTable, WallTable
from sillwright.job_values import (
    NOMINAL_WIDTH_IN,
    Card,
    Length,
    Name,
    Patterns,
    Table,
    read_bolt,
    read_plate_size,
    within,
)
from sillwright.lengths import MM_PER_INCH

DEFAULT_PLATE = "2x6"
DEFAULT_BOLT = "1/2 in"

# Bounds that only a slip of the unit or the pen passes (common practice, no source).
PLATE_WIDTH_RANGE_MM = (30.0, 450.0)
STICKUP_RANGE_MM = (5.0, 500.0)
CARD_THICKNESS_RANGE_MM = (0.0, 30.0)
CHECK_LENGTH_RANGE_MM = (CHECK_LENGTH_MM * 0.9, CHECK_LENGTH_MM * 1.03)  # fit-to-page shrinks by up to 7 %
TAPE_RANGE_MM = (100.0, 100_000.0)


class PlateTable(Table):
    """``[plate]``: a nominal size or a width, and how many layers."""

    size: Annotated[str | None, BeforeValidator(read_plate_size)] = None
    width_mm: Annotated[Length, within(PLATE_WIDTH_RANGE_MM)] | None = Field(default=None, alias="width")
    layers: Annotated[StrictInt, Field(ge=1, le=3)] = 1

    @property
    def actual_width_mm(self) -> float:
        """The plate's true width."""
        return self.width_mm or NOMINAL_WIDTH_IN[self.size or DEFAULT_PLATE] * MM_PER_INCH


class BoltsTable(Table):
    """``[bolts]``: the nominal diameter, and the stick-up where it is known."""

    bolt: Annotated[BoltSize, BeforeValidator(read_bolt)] = Field(
        default_factory=lambda: bolt_size(DEFAULT_BOLT), alias="diameter"
    )
    stickup_mm: Annotated[Length, within(STICKUP_RANGE_MM)] | None = Field(default=None, alias="stickup")


class CardsTable(Table):
    """``[cards]``: the board under the paper, and the taped length between the check ticks."""

    thickness_mm: Annotated[Length, within(CARD_THICKNESS_RANGE_MM)] = Field(default=0.0, alias="thickness")
    check_length_mm: Annotated[Length, within(CHECK_LENGTH_RANGE_MM)] | None = Field(default=None, alias="check_length")


class CameraTable(Table):
    """``[camera]``: the profile that a calibration wrote."""

    profile: Annotated[str, StringConstraints(min_length=1)] | None = None


class TapeTable(Table):
    """``[[run.tape]]``: a length taped between the zero marks of two cards."""

    from_card: Card
    to_card: Card
    length_mm: Annotated[Length, within(TAPE_RANGE_MM)] = Field(alias="length")


class RunTable(Table):
    """``[[run]]``: one wall run."""

    name: Name
    photos: Patterns
    cards: Annotated[tuple[Card, ...], Field(min_length=1)] | None = None
    line_marks: Literal["outside", "inside"] = "outside"
    tape: tuple[TapeTable, ...] = ()
    begins: EndTable | None = None
    ends: EndTable | None = None
    levels: LevelsTable | None = None


class CornerTable(Table):
    """``[[corner]]``: photos that show two chalk lines crossing, and how the plates meet there."""

    runs: tuple[Name, Name]
    photos: Patterns
    joint: Literal["mitre", "butt"] = "butt"
    through: Name | None = None


class JobTable(Table):
    """The whole of job.toml."""

    name: Name
    plate: PlateTable = Field(default_factory=PlateTable)
    bolts: BoltsTable = Field(default_factory=BoltsTable)
    cards: CardsTable = Field(default_factory=CardsTable)
    camera: CameraTable = Field(default_factory=CameraTable)
    run: Annotated[tuple[RunTable, ...], Field(min_length=1)]
    corner: tuple[CornerTable, ...] = ()
    layout: LayoutTable = Field(default_factory=LayoutTable)
    outline: OutlineTable = Field(default_factory=OutlineTable)


def read_job_file(path: Path) -> JobTable:
    """Read a job.toml and check its keys and values one by one.

    Raises JobError where the file is not TOML, and as :func:`check_document` does.
    """
    return check_document(read_toml(path, "job.toml"), path)


def check_document(document: dict[str, Any], path: Path) -> JobTable:
    """Check the keys and values of a parsed job file; ``path`` is what the sentences call it.

    Raises JobError with a sentence for each fault: what is wrong, where in the file, and what to do.
    """
    return checked(JobTable, _TABLES, document, path)


def document_faults(document: dict[str, Any]) -> list[tuple[tuple[int | str, ...], str]]:
    """A sentence for each thing wrong with a parsed job file's keys and values, with where it stands."""
    return placed_faults(JobTable, _TABLES, document)


_TABLES: dict[str, type[Table]] = {
    "": JobTable,
    "plate": PlateTable,
    "bolts": BoltsTable,
    "cards": CardsTable,
    "camera": CameraTable,
    "run": RunTable,
    "tape": TapeTable,
    "corner": CornerTable,
    "begins": EndTable,
    "ends": EndTable,
    "levels": LevelsTable,
    "layout": LayoutTable,
    "outline": OutlineTable,
    "wall": WallTable,
    "diagonal": DiagonalTable,
}
