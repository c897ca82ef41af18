"""The page's words, by language: ``words/en.toml`` and ``words/es.toml`` have the same keys.

Texts about photos and bolts come from ``tell``, in English; ``phrases`` of a file holds those that it translates.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Literal

Language = Literal["en", "es"]
LANGUAGES: tuple[Language, ...] = ("en", "es")


@dataclass(frozen=True)
class Words:
    """One language. ``words("join.title")`` is a text; ``phrase`` turns a text of ``tell`` where it is known."""

    language: Language
    texts: Mapping[str, str]
    phrases: Mapping[str, str]

    def __call__(self, key: str, **values: str | int) -> str:
        """The text under a key, filled in. Raises KeyError for a key that is not in the files."""
        return self.texts[key].format(**values)

    def phrase(self, english: str) -> str:
        """A text of ``tell`` in this language, as a whole or by the phrases it is joined from; else as it was."""
        if english in self.phrases:
            return self.phrases[english]
        for joint in _JOINTS:
            first, found, second = english.partition(joint)
            if found and first in self.phrases and second in self.phrases:
                return f"{self.phrases[first]}{self.phrases[joint]}{self.phrases[second]}"
        return english

    def knows(self, english: str) -> bool:
        """Whether a text of ``tell`` stands in this language."""
        return self.language == "en" or self.phrase(english) != english


_JOINTS = (" and a little ", " and ")


@cache
def words_of(language: Language) -> Words:
    """The words of one language."""
    text = files("sillwright.page").joinpath("words", f"{language}.toml").read_text(encoding="utf-8")
    tables = tomllib.loads(text)
    phrases = tables.pop("phrases", {})
    return Words(
        language, {f"{table}.{key}": said for table, keys in tables.items() for key, said in keys.items()}, phrases
    )


def chosen_language(picked: str | None, accepts: str) -> Language:
    """The language that was picked, else the first of ``Accept-Language`` that there is, by its weight (RFC 9110,
    12.5.4), else English."""
    weighted = []
    for order, part in enumerate(accepts.split(",")[:20]):
        tag, _, parameters = part.strip().partition(";")
        try:
            weight = float(parameters.strip().removeprefix("q=")) if parameters.strip() else 1.0
        except ValueError:
            weight = 0.0
        weighted.append((-weight, order, tag.strip()[:2].lower()))
    wanted = [picked or "", *(tag for weight, _, tag in sorted(weighted) if weight < 0)]
    return next((language for tag in wanted for language in LANGUAGES if tag == language), "en")
