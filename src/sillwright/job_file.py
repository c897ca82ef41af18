"""job.toml as tables: its keys, their values in millimetres, and a sentence for each fault in them."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, StrictInt, StringConstraints, ValidationError

from sillwright.cards import CARD_COUNT, CHECK_LENGTH_MM
from sillwright.errors import JobError
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
from sillwright.lengths import MM_PER_INCH, format_feet_inches, format_inches

LARGEST_JOB_BYTES = 1_000_000

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
    return check_document(_read_toml(path), path)


def check_document(document: dict[str, Any], path: Path) -> JobTable:
    """Check the keys and values of a parsed job file; ``path`` is what the sentences call it.

    Raises JobError with a sentence for each fault: what is wrong, where in the file, and what to do.
    """
    try:
        return JobTable.model_validate(document)
    except ValidationError as fault:
        places = [item["loc"] for item in fault.errors()]
        told = [
            _sentence(item, document)
            for item in fault.errors()
            # A list whose items all failed is also "too short": only its items' faults are worth telling.
            if not any(place[: len(item["loc"])] == item["loc"] != place for place in places)
        ]
        raise job_error(path, told) from None


def _read_toml(path: Path) -> dict[str, Any]:
    if path.is_dir():
        raise JobError(f"{path} is a folder. Name the job.toml in it.")
    if path.exists() and not path.is_file():
        raise JobError(f"{path} is not a plain file. Name a job.toml.")
    try:
        with path.open("rb") as stream:
            content = stream.read(LARGEST_JOB_BYTES + 1)
        if len(content) > LARGEST_JOB_BYTES:
            raise JobError(f"{path} is larger than any job file. Name the job.toml.")
        return tomllib.loads(content.decode("utf-8-sig"))
    except OSError as fault:
        raise JobError(f"{path} cannot be read ({fault.strerror}). Name a job.toml that is there.") from fault
    except UnicodeDecodeError as fault:
        raise JobError(f"{path} is not plain text. Save it as UTF-8 text.") from fault
    except (tomllib.TOMLDecodeError, RecursionError) as fault:
        raise JobError(
            f'{path} is not a TOML file: {fault}. Text stands in quotes; write inches as in, not as ", inside them.'
        ) from fault


def job_error(path: Path, faults: Sequence[str]) -> JobError:
    """One error for all faults of a file, a line each, none twice."""
    return JobError("\n".join(f"{path.name}: {fault}" for fault in dict.fromkeys(faults)))


_HEADINGS = {
    "run": "[[run]]",
    "tape": "[[run.tape]]",
    "corner": "[[corner]]",
    "wall": "[[outline.wall]]",
    "diagonal": "[[outline.diagonal]]",
    "begins": "[run.begins]",
    "ends": "[run.ends]",
    "levels": "[run.levels]",
}
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


def _sentence(fault: Any, document: dict[str, Any]) -> str:
    """One pydantic error as a sentence with its place in the file."""
    keys = [part for part in fault["loc"] if isinstance(part, str) and not part.startswith("function-")]
    place = _place(fault["loc"], document)
    kind = fault["type"]
    if kind == "extra_forbidden":
        table = _TABLES[keys[-2] if len(keys) > 1 else ""]
        known = [field.alias or name for name, field in table.model_fields.items()]
        return f"{place} is not a key this file has.{nearest(keys[-1], known)}"
    if kind in ("missing", "too_short") and keys == ["run"]:
        return "there is no run. Write a heading [[run]], with its name and photos below it."
    if kind == "missing" and keys[-1] == "runs":
        return f"{_place(fault['loc'][:-1], document)} names one run only. A corner joins two."
    if kind == "missing":
        return f"{place} is missing. Add it."
    if keys[-1] in ("cards", "from_card", "to_card") and _is_number(fault["input"]):
        listed = fault["loc"][:-1] if keys[-1] == "cards" else fault["loc"]
        return (
            f"{_place(listed, document)}: {fault['input']!r} is no card number. Cards are numbered 1 to {CARD_COUNT}, "
            "without quotes."
        )
    if kind in ("value_error", "assertion_error"):
        told = str(fault["ctx"]["error"])
        return f"{place} {told}." if told.startswith("must") else f"{place}: {told}"
    return f"{place} {_wrong_value(kind, fault, keys[-1])}"


def _wrong_value(kind: str, fault: Any, key: str) -> str:
    context = fault.get("ctx", {})
    written = f"is {fault['input']!r}"[:80]
    if kind == "greater_than":
        return f"{written}, and must be more than {context['gt']:g}."
    if kind in ("greater_than_equal", "less_than_equal"):
        bound = "at least" if kind == "greater_than_equal" else "at most"
        limit = context.get("ge", context.get("le"))
        if isinstance(fault["input"], int | float):
            return f"{written}, and must be {bound} {limit:g}."
        return (
            f"{written}, and must be {bound} {limit:g} mm (about {_feet_inches(limit)}). Check the number and its unit."
        )
    if kind == "literal_error":
        return f"{written}, and must be {context['expected'].replace(chr(39), chr(34))}."
    if kind in ("tuple_type", "list_type") and _HEADINGS.get(key, "").startswith("[["):
        return f"must be a list of tables: write its heading in double brackets, {_HEADINGS[key]}."
    if kind in ("tuple_type", "list_type"):
        example = {"cards": "[1, 2]", "runs": '["north", "east"]', "stock": '["12 ft", "16 ft"]'}.get(
            key, '["north/*.jpg"]'
        )
        return f"must be a list in square brackets, like {example}."
    if kind in ("model_type", "model_attributes_type"):
        return f"must be a table: write a heading {_HEADINGS.get(key, f'[{key}]')} with its keys below."
    if kind == "int_type":
        return f"{written}, and must be a whole number without quotes."
    if kind == "float_type" or kind == "float_parsing":
        return f"{written}, and must be a number without quotes."
    if kind == "bool_type":
        return f"{written}, and must be true or false, without quotes."
    if kind == "string_type":
        return f"{written}, and must be text in quotes."
    if kind in ("too_short", "string_too_short"):
        return "is empty. Fill it in."
    if kind == "too_long" and key == "runs":
        return "names more than two runs. A corner joins two."
    if kind == "string_pattern_mismatch":
        return f"{written}, and must be one line of plain text."
    return f"{written}: {fault['msg']}."


def _is_number(value: Any) -> bool:
    """Whether it was meant as one number, in quotes or not."""
    return isinstance(value, (int, float)) or (isinstance(value, str) and value.strip().isdecimal())


def _feet_inches(mm: float) -> str:
    return format_inches(mm, 16) if mm < 12 * MM_PER_INCH else format_feet_inches(mm, 2)


def _place(loc: tuple[int | str, ...], document: dict[str, Any]) -> str:
    """``run "north", tape 2, length``: where in the file, by name where a table has one, else counted from 1."""
    words: list[str] = []
    here: Any = document
    for part in loc:
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            here = None
        if isinstance(part, int):
            name = here.get("name") if isinstance(here, dict) else None
            words[-1] += f' "{name}"' if isinstance(name, str) and name.isprintable() and name else f" {part + 1}"
        else:
            # A table within a [[run]] is headed [run.begins].
            heading = f"run.{part}" if words and words[0].startswith("run ") else part
            words.append(f"[{heading}]" if isinstance(here, dict) else part)
    return ", ".join(words)


def nearest(word: str, known: Sequence[str]) -> str:
    """A closing sentence: the known word nearest to a misspelt one, or all there are."""
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    return f" Did you mean {near[0]}?" if near else f" It has {', '.join(known)}."
