"""A job measured again from its package alone, held against the numbers that were sealed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from sillwright.survey import Survey
from sillwright.survey_file import to_json

SAME_WITHIN = 1e-6  # mm, degrees or shares: what is left between machines whose processors round otherwise
# What says by what a record was made, and not what it found.
_NOT_NUMBERS = frozenset(["software", "libraries", "profile_sha256"])


@dataclass(frozen=True)
class Differences:
    """What two records of one job do not agree in.

    largest, largest_at : the largest difference between two numbers, and where it is; 0 and empty where there is none
    places : where they differ by more than ``SAME_WITHIN``, and by how much: without end in words or length
    """

    largest: float
    largest_at: str
    places: tuple[tuple[str, float], ...]

    @property
    def same(self) -> bool:
        """Whether measuring again gave the same."""
        return not self.places


def differences(sealed: Survey, again: Survey) -> Differences:
    """Every number, word and list of the one against the other's; cameras and poses too."""
    found: list[tuple[str, float]] = []
    first, second = (
        {key: value for key, value in to_json(one).items() if key not in _NOT_NUMBERS} for one in (sealed, again)
    )
    _walk("survey.json", first, second, found)
    largest_at, largest = max(found, key=lambda one: one[1], default=("", 0.0))
    return Differences(largest, largest_at, tuple(one for one in found if one[1] > SAME_WITHIN))


def _walk(at: str, first: Any, second: Any, found: list[tuple[str, float]]) -> None:
    """Note where two values of JSON differ, and by how much; without end where they are not numbers."""
    if isinstance(first, dict) and isinstance(second, dict) and first.keys() == second.keys():
        for key in first:
            _walk(f"{at}, {key}", first[key], second[key], found)
    elif isinstance(first, list) and isinstance(second, list) and len(first) == len(second):
        for count, (one, other) in enumerate(zip(first, second, strict=True), start=1):
            _walk(f"{at} {_label(one, count)}", one, other, found)
    elif _is_number(first) and _is_number(second):
        if first != second:
            found.append((at, abs(first - second)))
    elif first != second:
        found.append((at, math.inf))


def _label(one: Any, count: int) -> str:
    """What a member of a list is called by: its mark, name or file, where it has one."""
    if isinstance(one, dict):
        return str(one.get("mark") or one.get("file") or one.get("name") or count)
    return str(count)


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
