"""The kinds of values that job.toml holds, each with the sentence for what is wrong with one."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StrictInt, StringConstraints

from sillwright.cards import CARD_COUNT
from sillwright.fasteners import BoltSize, bolt_size
from sillwright.lengths import parse_length_mm

# Dry widths of nominal lumber (American Softwood Lumber Standard PS 20), in inches.
NOMINAL_WIDTH_IN = {"2x4": 3.5, "2x6": 5.5, "2x8": 7.25, "2x10": 9.25, "2x12": 11.25}


def read_length(value: Any) -> float:
    """A length as text with its unit, in millimetres."""
    if not isinstance(value, str):
        raise ValueError('must be text with its unit, in quotes, like "5 1/2 in"')
    return parse_length_mm(value)


def read_signed_length(value: Any) -> float:
    """A place as text with its unit, in millimetres, on either side of zero."""
    if not isinstance(value, str):
        raise ValueError('must be text with its unit, in quotes, like "-5 1/2 in"')
    return parse_length_mm(value, allow_negative=True)


def read_bolt(value: Any) -> BoltSize:
    """A listed bolt, by its nominal diameter."""
    if not isinstance(value, str):
        raise ValueError('must be text with its unit, in quotes, like "1/2 in"')
    return bolt_size(value)


def read_plate_size(value: Any) -> str:
    """A nominal lumber size, as ``NOMINAL_WIDTH_IN`` spells it."""
    plain = re.sub(r"\s+", "", str(value)).casefold().replace("×", "x")
    if plain not in NOMINAL_WIDTH_IN:
        raise ValueError(f"must be one of {', '.join(NOMINAL_WIDTH_IN)}; for another plate give width instead")
    return plain


def within(bounds_mm: tuple[float, float]) -> Any:
    """The bounds, both included, that a length must keep."""
    return Field(ge=bounds_mm[0], le=bounds_mm[1])


Length = Annotated[float, BeforeValidator(read_length)]
Name = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=80, pattern=r"^[^\x00-\x1f]*$")]
Card = Annotated[StrictInt, Field(ge=1, le=CARD_COUNT)]
Patterns = Annotated[tuple[str, ...], Field(min_length=1)]


class Table(BaseModel):
    """A table of job.toml: no key but those it names."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)
