"""A TOML file the crew writes: read, held against its tables, with a sentence for each fault.

What is meant is job.toml and what may lie beside it. Places are told as they stand in the file, by name where a table
has one, else counted from 1.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from sillwright.cards import CARD_COUNT
from sillwright.errors import JobError
from sillwright.job_values import Table
from sillwright.lengths import MM_PER_INCH, format_feet_inches, format_inches

LARGEST_FILE_BYTES = 1_000_000

Whole = TypeVar("Whole", bound=Table)


def read_toml(path: Path, name: str) -> dict[str, Any]:
    """The file as keys and values; ``name`` is what such a file is called.

    Raises JobError where it cannot be read, or is not TOML.
    """
    if path.is_dir():
        raise JobError(f"{path} is a folder. Name the {name} in it.")
    if path.exists() and not path.is_file():
        raise JobError(f"{path} is not a plain file. Name a {name}.")
    try:
        with path.open("rb") as stream:
            content = stream.read(LARGEST_FILE_BYTES + 1)
        if len(content) > LARGEST_FILE_BYTES:
            raise JobError(f"{path} is larger than any {name} needs to be. Name the right file.")
        return tomllib.loads(content.decode("utf-8-sig"))
    except OSError as fault:
        raise JobError(f"{path} cannot be read ({fault.strerror}). Name a {name} that is there.") from fault
    except UnicodeDecodeError as fault:
        raise JobError(f"{path} is not plain text. Save it as UTF-8 text.") from fault
    except (tomllib.TOMLDecodeError, RecursionError) as fault:
        raise JobError(
            f'{path} is not a TOML file: {fault}. Text stands in quotes; write inches as in, not as ", inside them.'
        ) from fault


def checked(model: type[Whole], tables: Mapping[str, type[Table]], document: dict[str, Any], path: Path) -> Whole:
    """A parsed file as ``model``; ``tables`` are the models by their headings, "" for the top.

    ``path`` is what the sentences call it. Raises JobError with a sentence for each fault: what is wrong, where in the
    file, and what to do.
    """
    faults = placed_faults(model, tables, document)
    if faults:
        raise job_error(path, [told for _, told in faults])
    return model.model_validate(document)


def placed_faults(
    model: type[Whole], tables: Mapping[str, type[Table]], document: dict[str, Any]
) -> list[tuple[tuple[int | str, ...], str]]:
    """A sentence for each fault of a parsed file, with the keys and counts that lead to it; none where it is a good
    one."""
    try:
        model.model_validate(document)
    except ValidationError as fault:
        places = [item["loc"] for item in fault.errors()]
        return [
            (item["loc"], _sentence(item, document, tables))
            for item in fault.errors()
            # A list whose items all failed is also "too short": only its items' faults are worth telling.
            if not any(place[: len(item["loc"])] == item["loc"] != place for place in places)
        ]
    return []


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
    "bolt": "[[bolt]]",
    "strike": "[[strike]]",
    "line": "[[line]]",
}
_EXAMPLES = {
    "cards": "[1, 2]",
    "runs": '["north", "east"]',
    "stock": '["12 ft", "16 ft"]',
    "points_px": "[[310, 1204], [2820, 1188]]",
}


def _sentence(fault: Any, document: dict[str, Any], tables: Mapping[str, type[Table]]) -> str:
    """One pydantic error as a sentence with its place in the file."""
    keys = [part for part in fault["loc"] if isinstance(part, str) and not part.startswith("function-")]
    place = _place(fault["loc"], document)
    kind = fault["type"]
    if kind == "extra_forbidden":
        table = tables[keys[-2] if len(keys) > 1 else ""]
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
        example = _EXAMPLES.get(key, '["north/*.jpg"]')
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
