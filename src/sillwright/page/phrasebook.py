"""Sentences of ``tell`` in another language: they have fixed shapes with values put in, so each is recognised by its
shape, its values are taken out, and put into that shape as the other language has it.

``words/es_sentences.toml`` holds the shapes. Those of reasons are the templates of ``tell.reason_table``, by subject
and code; the others stand there in English, and a test holds that ``tell`` still says them so. What has no shape here,
or a value that cannot be told in the language, is not translated: the page then shows the English, marked as such.

A gap's name begins with what may stand in it:

- ``photos``, ``cards`` : ``photo a``, ``photos a, b and 3 more``; the names in it stay as they are
- ``along`` : a place along the run, which may be ``back``
- ``length`` : ``1.6 mm or about 1/16"``
- ``sentence`` : another sentence or phrase, which must be known too
- ``value`` : anything, which stays as it is
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from sillwright.tell.reasons import REASONS

_LONGEST = 1500  # of a sentence that is looked at: names in it may be anything
_GAP = re.compile(r"\{([a-z]+)\d*\}")
# Of the reason table: {photos|fallback}, and {photos?one/several}.
_PLACE = re.compile(r"\{(photos|first|rest|cards|length|along|out)\|([^{}]*)\}|\{(photos|cards)\?([^{}/]*)/([^{}/]*)\}")
_NAMED = {"photos": "photo", "first": "photo", "rest": "photo", "cards": "card"}

Telling = Callable[[str], str | None]
"""A sentence in the language; None where it is not known."""


@dataclass(frozen=True)
class Nouns:
    """The words that join values: each noun with its article for one and for several, and the like."""

    photo: tuple[str, str]
    card: tuple[str, str]
    both: str
    more: str
    back: str
    back_from_zero: str
    along: str
    about: str
    out_by: str
    beyond_line: str


@dataclass(frozen=True)
class Shape:
    """One shape: what it is in English, and how it is said.

    kinds : of what stands in its groups, in order
    gaps : the names of those, by which ``says`` has them; None where it is of the reason table and has its places
    """

    pattern: re.Pattern[str]
    kinds: tuple[str, ...]
    says: str
    gaps: tuple[str, ...] | None = None


@dataclass(frozen=True)
class Phrasebook:
    """The shapes of one language, tried in their order."""

    nouns: Nouns
    shapes: tuple[Shape, ...]

    def told(self, english: str, phrase: Telling) -> str | None:
        """A sentence in the language; None where it has no shape here. ``phrase`` tells what a ``sentence`` holds."""
        if len(english) > _LONGEST:
            return None
        for shape in self.shapes:
            match = shape.pattern.fullmatch(english)
            said = None if match is None else self._filled(shape, match.groups(), phrase)
            if said is not None:
                return said
        return None

    def _filled(self, shape: Shape, values: tuple[str | None, ...], phrase: Telling) -> str | None:
        said: list[str] = []
        for kind, value in zip(shape.kinds, values, strict=True):
            told = self._value(kind, value or "", phrase)
            if told is None:
                return None
            said.append(told)
        if shape.gaps is None:
            return self._reason(shape, values, said)
        by_gap = dict(zip(shape.gaps, said, strict=True))
        return _GAP.sub(lambda gap: by_gap[gap[0]], shape.says)

    def _reason(self, shape: Shape, values: tuple[str | None, ...], said: list[str]) -> str:
        """Fill in a template of the reason table; a value that was not given has the template's own fallback."""
        given = {kind: one for kind, one, value in zip(shape.kinds, said, values, strict=True) if value}
        several = {_NAMED[kind] for kind, value in zip(shape.kinds, values, strict=True) if _are_several(kind, value)}

        def fill(place: re.Match[str]) -> str:
            if place[3]:
                return place[5] if _NAMED[place[3]] in several else place[4]
            return given.get(place[1]) or place[2]

        told = _PLACE.sub(fill, shape.says)
        return f"{told[:1].upper()}{told[1:]}"

    def _value(self, kind: str, value: str, phrase: Telling) -> str | None:
        if kind in _NAMED:
            return self._names(self.nouns.photo if _NAMED[kind] == "photo" else self.nouns.card, value)
        if kind == "sentence":
            return phrase(value)
        if kind == "along":
            return self._along(value)
        if kind in ("length", "out"):
            return value.replace(" or about ", f" {self.nouns.about} ").replace("out by", self.nouns.out_by)
        return value.replace("beyond the line", self.nouns.beyond_line)

    def _names(self, noun: tuple[str, str], value: str) -> str:
        first, _, names = value.partition(" ")
        if not first.lower().endswith("s"):
            return f"{noun[0]} {names}"
        more = re.fullmatch(r"(.*) and (\d+) more", names)
        if more:
            return f"{noun[1]} {more[1]} {self.nouns.both} {more[2]} {self.nouns.more}"
        one, found, last = names.rpartition(" and ")
        # A name may hold the word itself: only where it stands once is it ours.
        plain = found and " and " not in one
        return f"{noun[1]} {one} {self.nouns.both} {last}" if plain else f"{noun[1]} {names}"

    def _along(self, value: str) -> str:
        for english, said in (
            (" back from the zero mark", self.nouns.back_from_zero),
            (" along", self.nouns.along),
            (" back", self.nouns.back),
        ):
            if value.endswith(english):
                return f"{self._value('length', value.removesuffix(english), lambda _: None)} {said}"
        return value


def read_phrasebook(language: str) -> Phrasebook:
    """The phrasebook of a language; one without shapes where it has none."""
    file = files("sillwright.page").joinpath("words", f"{language}_sentences.toml")
    tables: Mapping[str, Any] = tomllib.loads(file.read_text(encoding="utf-8"))
    nouns: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value for key, value in tables["nouns"].items()
    }
    return Phrasebook(Nouns(**nouns), (*_reasons(tables["reasons"]), *map(_shape, tables["shapes"].items())))


def _reasons(said: Mapping[str, Mapping[str, Mapping[str, str]]]) -> Iterable[Shape]:
    for reason in REASONS:
        row = said.get(reason.subject, {}).get(reason.code)
        if row is not None:
            kinds: list[str] = []
            pattern = _reason_pattern(f"{reason.says}: {reason.do}.", kinds)
            yield Shape(re.compile(pattern, re.DOTALL), tuple(kinds), f"{row['says']}: {row['do']}.")


def _reason_pattern(template: str, kinds: list[str]) -> str:
    """A regular expression for what ``tell.reasons`` makes of a template, a group for each value."""
    parts, at = [], 0
    for place in _PLACE.finditer(template):
        parts.append(re.escape(template[at : place.start()]))
        at = place.end()
        if place[3]:
            parts.append(f"(?:{re.escape(place[4])}|{re.escape(place[5])})")
            continue
        kinds.append(place[1])
        fallback = re.escape(place[2])
        value = {"length": r"[\d.,]+ mm.*?", "along": r"[\d.,]+ mm.*? (?:back from the zero mark|along)"}.get(place[1])
        value = value or (r" \(out by .*?\)" if place[1] == "out" else rf"(?i:{_NAMED[place[1]]}s?) .+?")
        parts.append(f"(?:({value})|(?i:{fallback}))")
    return "".join([*parts, re.escape(template[at:])])


def _shape(pair: tuple[str, str]) -> Shape:
    english, said = pair
    found = tuple(_GAP.finditer(english))
    parts, at = [], 0
    for gap in found:
        parts += [re.escape(english[at : gap.start()]), "(.+)" if gap[1] == "sentence" else "(.+?)"]
        at = gap.end()
    pattern = "".join([*parts, re.escape(english[at:])])
    return Shape(re.compile(pattern, re.DOTALL), tuple(gap[1] for gap in found), said, tuple(gap[0] for gap in found))


def _are_several(kind: str, value: str | None) -> bool:
    return kind in _NAMED and bool(value) and str(value).partition(" ")[0].lower().endswith("s")
