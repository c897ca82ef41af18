"""A crew's own rule set, as TOML: a named set to start from, and the figures to put in the place of its own.

    based_on = "irc-2021"
    seismic = true
    spacing_largest = "4 ft"
    end_least = "7 diameters"       # or a length, like "4 in"
    plate_edge_least = "1.5 diameters"  # judged where a set has no ``across``, or where the crew writes it
    across = "middle third"
    hole_over_largest = "1/4 in"
    overhang_largest = "1/2 in"
    bolts_least = 2
    short_wall_no_bolt = "none"     # "none" takes a rule away
    plate_washer_slot_length = "none"   # a plain round hole
    plate_washer_edge = "1/2 in"

Every length is text with its unit. No key is needed but those that differ.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StrictBool, StrictInt, ValidationError

from sillwright.crew_file import nearest
from sillwright.errors import JobError
from sillwright.fasteners import BOLT_SIZES
from sillwright.judge.rules import (
    DEFAULT_RULE_SET,
    RULE_SETS,
    AcrossFigure,
    CountFigure,
    DiametersFigure,
    LengthFigure,
    PlateWasherFigure,
    RuleSet,
    Source,
)
from sillwright.lengths import format_inches, parse_length_mm

ACROSS_SHARES = {"middle third": 1.0 / 3.0, "middle half": 1.0 / 2.0}
MOST_DIAMETERS = 40.0
_SMALLEST_BOLT_MM = min(size.diameter_mm for size in BOLT_SIZES)
# Bounds that only a slip of the unit or the pen passes (common practice, no source).
_BOUNDS_MM = {
    "bolt_diameter_least": (6.0, 40.0),
    "spacing_largest": (150.0, 5000.0),
    "spacing_tall_seismic": (150.0, 5000.0),
    "end_largest": (25.0, 2000.0),
    "end_least": (1.0, 1000.0),
    "hole_over_least": (0.0, 10.0),
    "hole_over_largest": (0.0, 25.0),
    "plate_edge_least": (1.0, 200.0),
    "concrete_edge_least": (5.0, 500.0),
    "overhang_largest": (0.0, 150.0),
    "bearing_least": (10.0, 450.0),
    "short_wall_one_bolt": (25.0, 2000.0),
    "short_wall_no_bolt": (25.0, 2000.0),
    "plate_washer_side": (25.0, 200.0),
    "plate_washer_thickness": (1.0, 25.0),
    "plate_washer_slot_over": (0.0, 10.0),
    "plate_washer_slot_length": (10.0, 100.0),
    "plate_washer_edge": (0.0, 100.0),
}
# Parts of one figure; every other key is a figure by itself.
_OF_THE_WASHER = {
    "plate_washer_side": "side_mm",
    "plate_washer_thickness": "thickness_mm",
    "plate_washer_slot_over": "slot_over_mm",
    "plate_washer_slot_length": "slot_length_mm",
}
_LENGTH_RULES = tuple(key for key in _BOUNDS_MM if key not in _OF_THE_WASHER)
_DIAMETERS = re.compile(r"(\d+(?:\.\d+)?)\s*(?:bolt\s+)?diameters?", re.ASCII | re.IGNORECASE)


def _length(value: Any) -> float:
    if not isinstance(value, str):
        raise ValueError('must be text with its unit, in quotes, like "12 in"')
    return parse_length_mm(value)


def _is_none(value: Any) -> bool:
    return isinstance(value, str) and value.strip().casefold() == "none"


def _length_or_none(value: Any) -> float | Literal["none"]:
    return "none" if _is_none(value) else _length(value)


def _length_or_diameters(value: Any) -> float | tuple[float] | Literal["none"]:
    """A length in mm, or a one-tuple of diameters."""
    found = _DIAMETERS.fullmatch(value.strip()) if isinstance(value, str) else None
    if not found:
        return _length_or_none(value)
    if not 0.0 < float(found[1]) <= MOST_DIAMETERS:
        raise ValueError(f"must be over 0 and at most {MOST_DIAMETERS:g} diameters")
    return (float(found[1]),)


def _across(value: Any) -> float | Literal["none"]:
    plain = " ".join(str(value).split()).casefold()
    if plain == "none":
        return "none"
    if plain not in ACROSS_SHARES:
        choices = ", ".join(f'"{name}"' for name in ACROSS_SHARES)
        raise ValueError(f'must be {choices} or "none"')
    return ACROSS_SHARES[plain]


def _based_on(value: Any) -> str:
    if value not in RULE_SETS:
        raise ValueError(f"must be one of {', '.join(RULE_SETS)}")
    return str(value)


_None = Literal["none"]
_Length = Annotated[float, BeforeValidator(_length)]
_Rule = Annotated[float | _None, BeforeValidator(_length_or_none)]


class OwnRules(BaseModel):
    """The keys of a crew's rule set; None where the crew left the named set's figure as it is."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    based_on: Annotated[str, BeforeValidator(_based_on)] = DEFAULT_RULE_SET
    seismic: StrictBool = False
    bolt_diameter_least: _Rule | None = None
    spacing_largest: _Rule | None = None
    spacing_tall_seismic: _Rule | None = None
    end_largest: _Rule | None = None
    end_least: Annotated[float | tuple[float] | _None, BeforeValidator(_length_or_diameters)] | None = None
    bolts_least: Annotated[StrictInt, Field(ge=0, le=50)] | None = None
    across: Annotated[float | _None, BeforeValidator(_across)] | None = None
    hole_over_least: _Rule | None = None
    hole_over_largest: _Rule | None = None
    plate_edge_least: Annotated[float | tuple[float] | _None, BeforeValidator(_length_or_diameters)] | None = None
    concrete_edge_least: _Rule | None = None
    overhang_largest: _Rule | None = None
    bearing_least: _Rule | None = None
    short_wall_one_bolt: _Rule | None = None
    short_wall_no_bolt: _Rule | None = None
    plate_washer_side: _Length | None = None
    plate_washer_thickness: _Length | None = None
    plate_washer_slot_over: _Length | None = None
    plate_washer_slot_length: _Rule | None = None
    plate_washer_edge: _Rule | None = None


def rule_set_from_toml(text: str, name: str) -> RuleSet:
    """A crew's rule set under ``name`` from TOML text; every figure it changes has the crew as its source.

    Raises JobError with a line for each fault: the key, what is wrong with it and what to write.
    """
    try:
        own = OwnRules.model_validate(tomllib.loads(text))
    except (tomllib.TOMLDecodeError, RecursionError) as fault:
        raise JobError(f'rule set "{name}" is not TOML: {fault}. Text stands in quotes, like "12 in".') from fault
    except ValidationError as fault:
        told = dict.fromkeys(_sentence(item) for item in fault.errors())
        raise JobError("\n".join(f'rule set "{name}": {sentence}' for sentence in told)) from None
    rules = _replaced(RULE_SETS[own.based_on], own, name)
    faults = [*_out_of_bounds(own), *_at_odds(rules)]
    if faults:
        raise JobError("\n".join(f'rule set "{name}": {sentence}' for sentence in faults))
    return rules


def _replaced(based_on: RuleSet, own: OwnRules, name: str) -> RuleSet:
    crew = Source(name, "", "", "crew")
    changes: dict[str, Any] = {}
    for key in _LENGTH_RULES:
        written = getattr(own, key)
        if isinstance(written, float):
            changes[key] = LengthFigure(written, crew)
        elif isinstance(written, tuple):
            changes[key] = DiametersFigure(written[0], crew)
        elif written is not None:
            changes[key] = None
    if own.bolts_least is not None:
        changes["bolts_least"] = CountFigure(own.bolts_least, crew) if own.bolts_least else None
    if own.across is not None:
        changes["across"] = AcrossFigure(own.across, crew) if isinstance(own.across, float) else None
    if any(getattr(own, key) is not None for key in _OF_THE_WASHER):
        changes["plate_washer"] = _washer(based_on.plate_washer, own, name, crew)
    return replace(based_on, name=name, seismic=own.seismic, **changes)


def _washer(given: PlateWasherFigure | None, own: OwnRules, name: str, crew: Source) -> PlateWasherFigure:
    if given is None and (own.plate_washer_side is None or own.plate_washer_thickness is None):
        lacking = "plate_washer_side" if own.plate_washer_side is None else "plate_washer_thickness"
        raise JobError(
            f'rule set "{name}": {lacking} is missing, and {own.based_on} has no plate washer to take it from. Add it.'
        )
    # A set that has no plate washer has no slot either: a plain round hole.
    given = given or PlateWasherFigure(0.0, 0.0, 0.0, 0.0, crew)
    written = {part: getattr(own, key) for key, part in _OF_THE_WASHER.items()}
    changes = {part: 0.0 if value == "none" else value for part, value in written.items() if value is not None}
    return replace(given, source=crew, **changes)


def _out_of_bounds(own: OwnRules) -> list[str]:
    faults = []
    for key, (least_mm, largest_mm) in _BOUNDS_MM.items():
        written = getattr(own, key)
        if isinstance(written, float) and not least_mm <= written <= largest_mm:
            faults.append(
                f"{key} is {written:g} mm ({format_inches(written)}), and must be {least_mm:g} to {largest_mm:g} mm. "
                "Check the number and its unit."
            )
    return faults


def _at_odds(rules: RuleSet) -> list[str]:
    """Figures that no bolt could meet together."""
    pairs = (
        ("hole_over_least", _mm(rules.hole_over_least), "hole_over_largest", _mm(rules.hole_over_largest)),
        ("short_wall_no_bolt", _mm(rules.short_wall_no_bolt), "short_wall_one_bolt", _mm(rules.short_wall_one_bolt)),
        ("end_least", rules.end_least_mm(_SMALLEST_BOLT_MM), "end_largest", _mm(rules.end_largest)),
    )
    return [
        f"{less} ({low_mm:g} mm) is larger than {more} ({high_mm:g} mm). Change one of the two."
        for less, low_mm, more, high_mm in pairs
        if low_mm is not None and high_mm is not None and low_mm > high_mm
    ]


def _mm(figure: LengthFigure | None) -> float | None:
    return None if figure is None else figure.value_mm


def _sentence(fault: Any) -> str:
    key = str(fault["loc"][0])
    written = f"{fault['input']!r}"[:60]
    if fault["type"] == "extra_forbidden":
        return f"{key} is not a key of a rule set.{nearest(key, tuple(OwnRules.model_fields))}"
    if fault["type"] == "value_error":
        told = str(fault["ctx"]["error"])
        return f"{key} {told}; it is {written}." if told.startswith("must") else f"{key}: {told}"
    if key == "seismic":
        return f"{key} is {written}, and must be true or false, without quotes."
    if key == "bolts_least":
        return f"{key} is {written}, and must be a whole number from 0 to 50, without quotes; 0 takes the rule away."
    return f"{key} is {written}: {fault['msg']}."
