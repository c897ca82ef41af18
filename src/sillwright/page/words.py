"""The page's words, by language: ``words/en.toml`` and ``words/es.toml`` have the same keys.

Texts about photos and bolts come from ``tell``, in English; ``phrases`` of a file holds those that it translates, and
the phrasebook the longer ones, by their shapes.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files
from typing import Literal

from sillwright.page.phrasebook import Phrasebook, read_phrasebook

Language = Literal["en", "es"]
LANGUAGES: tuple[Language, ...] = ("en", "es")


@dataclass(frozen=True)
class Words:
    """One language. ``words("join.title")`` is a text; ``phrase`` turns a text of ``tell`` where it is known."""

    language: Language
    texts: Mapping[str, str]
    phrases: Mapping[str, str]
    book: Phrasebook | None = None

    def __call__(self, key: str, **values: str | int) -> str:
        """The text under a key, filled in. Raises KeyError for a key that is not in the files."""
        return self.texts[key].format(**values)

    def phrase(self, english: str) -> str:
        """A text of ``tell`` in this language: as a whole, by the phrases it is joined from, or by its shape; else as
        it was."""
        return _told(self.language, english) or english

    def knows(self, english: str) -> bool:
        """Whether a text of ``tell`` stands in this language."""
        return self.language == "en" or self.phrase(english) != english


_DEEPEST = 2
_JOINTS = (" and a little ", " and ", ", ")


@lru_cache(maxsize=5000)
def _told(language: Language, english: str, inner: int = 0) -> str | None:
    """``inner`` : in how many others it stands; a name may look like a sentence in a sentence without end."""
    words = words_of(language)
    if english in words.phrases:
        return words.phrases[english]
    for joint in _JOINTS:
        first, found, second = english.partition(joint)
        if found and first in words.phrases and second in words.phrases:
            return f"{words.phrases[first]}{words.phrases.get(joint, joint)}{words.phrases[second]}"
    if words.book is None or inner > _DEEPEST:
        return None
    return words.book.told(english, lambda part: _told(language, part, inner + 1))


@cache
def words_of(language: Language) -> Words:
    """The words of one language."""
    text = files("sillwright.page").joinpath("words", f"{language}.toml").read_text(encoding="utf-8")
    tables = tomllib.loads(text)
    phrases = tables.pop("phrases", {})
    return Words(
        language,
        {f"{table}.{key}": said for table, keys in tables.items() for key, said in keys.items()},
        phrases,
        None if language == "en" else read_phrasebook(language),
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
