"""What a crew knows for cutting and drilling, as tables of job.toml: ends, stock, rules, levels, taped outline."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, StrictBool, StrictInt, StringConstraints, model_validator

from sillwright.job_values import Length, Name, Table, read_length, read_signed_length, within
from sillwright.lengths import MM_PER_INCH

FOOT_MM = 12.0 * MM_PER_INCH
DEFAULT_STOCK_MM = tuple(feet * FOOT_MM for feet in range(8, 21, 2))  # usual stock, 8 to 20 ft by 2

# Bounds that only a slip of the unit or the pen passes (common practice, no source).
STOCK_RANGE_MM = (300.0, 15_000.0)
STATION_RANGE_MM = (-100_000.0, 100_000.0)
STAGGER_RANGE_MM = (0.0, 3_000.0)
SEALER_RANGE_MM = (0.0, 20.0)
KERF_RANGE_MM = (0.0, 12.0)
OVERHANG_RANGE_MM = (0.0, 100.0)
SPACING_RANGE_MM = (50.0, 2_000.0)
TOLERANCE_RANGE_MM = (0.0, 25.4)
GAP_RANGE_MM = (0.0, 100.0)
WALL_RANGE_MM = (100.0, 100_000.0)


def _mark(value: Any) -> float:
    length_mm = read_length(value)
    for parts in (16, 32):
        if abs(length_mm - MM_PER_INCH / parts) < 1e-6:
            return length_mm
    raise ValueError('must be "1/16 in" or "1/32 in"')


Station = Annotated[float, BeforeValidator(read_signed_length), within(STATION_RANGE_MM)]
_FileName = Annotated[str, StringConstraints(min_length=1)]


class EndTable(Table):
    """``[run.begins]`` and ``[run.ends]``: where the plate stops at the end of lower and of higher stations.

    One of: the run it meets at a corner, the station of the plate's end on the chalk line, or the station where the
    concrete ends, which the plate is cut flush with.
    """

    corner: Name | None = None
    station_mm: Station | None = Field(default=None, alias="station")
    wall_end_mm: Station | None = Field(default=None, alias="wall_end")

    @model_validator(mode="after")
    def _one_of(self) -> Self:
        if sum(value is not None for value in (self.corner, self.station_mm, self.wall_end_mm)) != 1:
            raise ValueError(
                'must say one thing: corner = "the other run", station = "12 ft 3 in" (where the plate ends), '
                'or wall_end = "12 ft 3 in" (where the concrete ends)'
            )
        return self


class LevelsTable(Table):
    """``[run.levels]``: a table of readings along the run, and which way they count."""

    file: _FileName
    reads: Literal["rod", "height"] = "rod"


class LayoutTable(Table):
    """``[layout]``: rules, stock, and how the work is done.

    damaged : marks of bolts that are stripped, cracked or cut, which photos do not show; they are the engineer's
    """

    rules: Annotated[str, StringConstraints(min_length=1)] = "irc-2021"
    stock_mm: Annotated[tuple[Annotated[Length, within(STOCK_RANGE_MM)], ...], Field(min_length=1)] = Field(
        default=DEFAULT_STOCK_MM, alias="stock"
    )
    stagger_mm: Annotated[Length, within(STAGGER_RANGE_MM)] = Field(default=2.0 * FOOT_MM, alias="stagger")
    sealer_mm: Annotated[Length, within(SEALER_RANGE_MM)] = Field(default=MM_PER_INCH / 8.0, alias="sealer")
    kerf_mm: Annotated[Length, within(KERF_RANGE_MM)] = Field(default=MM_PER_INCH / 8.0, alias="kerf")
    overhang_mm: Annotated[Length, within(OVERHANG_RANGE_MM)] = Field(default=0.0, alias="overhang")
    hole_over_mm: Annotated[Length, within((0.0, 25.4))] | None = Field(default=None, alias="hole_over")
    mark_mm: Annotated[float, BeforeValidator(_mark)] = Field(default=MM_PER_INCH / 16.0, alias="marks")
    lean_limit_deg: Annotated[float, Field(gt=0.0, le=45.0)] | None = Field(default=None, alias="lean_limit")
    damaged: tuple[Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)], ...] = ()
    seismic: StrictBool = False
    level_within_mm: Annotated[Length, within(TOLERANCE_RANGE_MM)] = Field(
        default=MM_PER_INCH / 8.0, alias="level_within"
    )
    shim_every_mm: Annotated[Length, within(SPACING_RANGE_MM)] = Field(default=16.0 * MM_PER_INCH, alias="shim_every")
    shim_at_most_mm: Annotated[Length, within(GAP_RANGE_MM)] = Field(default=MM_PER_INCH / 4.0, alias="shim_at_most")
    waste_percent: Annotated[StrictInt, Field(ge=0, le=50)] = Field(default=10, alias="waste")


class WallTable(Table):
    """``[[outline.wall]]``: one taped wall of the building's outline, in order round it."""

    run: Name
    length_mm: Annotated[Length, within(WALL_RANGE_MM)] = Field(alias="length")


class DiagonalTable(Table):
    """``[[outline.diagonal]]``: a length taped between two corners; corner n is where wall n begins."""

    from_corner: StrictInt
    to_corner: StrictInt
    length_mm: Annotated[Length, within(WALL_RANGE_MM)] = Field(alias="length")


class OutlineTable(Table):
    """``[outline]``: the building's walls as taped, and its diagonals."""

    wall: tuple[WallTable, ...] = ()
    diagonal: tuple[DiagonalTable, ...] = ()
