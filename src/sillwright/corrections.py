"""Corrections by hand as the measurement uses them: by run, in stored pixels, entries of one bolt put together."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from sillwright.corrections_file import BoltTable, CorrectionsTable, LineTable, Pixel, StrikeTable
from sillwright.crew_file import nearest
from sillwright.errors import PhotoError
from sillwright.lengths import format_feet_inches, format_inches
from sillwright.photo import PhotoFacts, read_facts, stored_from_view, turned_size

SAME_PLACE_MM = 12.7  # bolts stand inches apart, and the record's places are copied to 1/16 in
SHORTEST_LINE = 0.1  # of the photo's long side: two points nearer leave the line's direction open

Px = tuple[float, float]
"""A place in the stored pixels of a photo."""


@dataclass(frozen=True)
class HandMark:
    """What a person marked of one bolt in one photo, stored pixels; None for an end that was not marked."""

    photo: Path
    base_px: Px | None
    tip_px: Px | None


@dataclass(frozen=True)
class HandBolt:
    """One bolt moved or added by hand.

    entry : where it stands in the file; station_mm, setback_mm : where the record had it, or about where it stands
    """

    entry: str
    station_mm: float
    setback_mm: float
    kind: Literal["moved", "missed"]
    marks: tuple[HandMark, ...]


@dataclass(frozen=True)
class HandStrike:
    """A bolt of the record that is none."""

    entry: str
    station_mm: float
    setback_mm: float


@dataclass(frozen=True)
class HandLine:
    """Two points of the chalk line in one photo, stored pixels."""

    entry: str
    photo: Path
    points_px: tuple[Px, Px]


@dataclass(frozen=True)
class RunCorrections:
    """All that was corrected by hand on one run."""

    bolts: tuple[HandBolt, ...] = ()
    strikes: tuple[HandStrike, ...] = ()
    lines: tuple[HandLine, ...] = ()

    @property
    def entries(self) -> tuple[str, ...]:
        """Where each stands in the file."""
        of_bolts = tuple(one.entry for one in self.bolts)
        return (*of_bolts, *(one.entry for one in self.strikes), *(one.entry for one in self.lines))


NOTHING = RunCorrections()


def place_words(station_mm: float, setback_mm: float) -> str:
    """A place on a run as the file says it: ``station 4' 2", setback 2 3/4"``."""
    return f"station {format_feet_inches(station_mm)}, setback {format_inches(setback_mm)}"


def by_run(
    table: CorrectionsTable, photos: Mapping[str, Mapping[str, Path]]
) -> tuple[dict[str, RunCorrections], tuple[str, ...]]:
    """The corrections of each run, and a sentence for each thing in them that cannot be meant.

    ``photos`` are the files of each run, and of its corners, under the names the record has for them.
    """
    facts = _facts(table, photos)
    faults = [*_entry_faults(table, photos, facts), *_bolt_faults(table.bolt, table.strike)]
    if faults:
        return {}, tuple(dict.fromkeys(faults))
    return {name: _of_run(name, table, own, facts) for name, own in photos.items()}, ()


_Facts = Mapping[Path, PhotoFacts | None]


def _facts(table: CorrectionsTable, photos: Mapping[str, Mapping[str, Path]]) -> _Facts:
    """Size and turn of every photo that is named; None for one that cannot be read."""
    facts: dict[Path, PhotoFacts | None] = {}
    named = [(one.run, one.photo) for one in table.bolt] + [(one.run, one.photo) for one in table.line]
    for run, photo in named:
        path = photos.get(run, {}).get(photo)
        if path is not None and path not in facts:
            try:
                facts[path] = read_facts(path)
            except PhotoError:
                facts[path] = None
    return facts


def _of_run(run: str, table: CorrectionsTable, own: Mapping[str, Path], facts: _Facts) -> RunCorrections:
    """The corrections of one run; entries that mean the same bolt go together."""
    groups: list[list[tuple[int, BoltTable]]] = []
    for k, one in enumerate(table.bolt, start=1):
        if one.run == run:
            home = next((group for group in groups if _same_place(group[0][1], one)), None)
            if home is None:
                groups.append([(k, one)])
            else:
                home.append((k, one))
    bolts = []
    for group in groups:
        k, first = group[0]
        marks = tuple(
            HandMark(own[one.photo], *(_stored(facts[own[one.photo]], px) for px in (one.base_px, one.tip_px)))
            for _, one in group
        )
        bolts.append(HandBolt(f"bolt {k}", first.station_mm, first.setback_mm, first.kind, marks))
    strikes = [
        HandStrike(f"strike {k}", one.station_mm, one.setback_mm)
        for k, one in enumerate(table.strike, start=1)
        if one.run == run
    ]
    lines = []
    for k, line in enumerate(table.line, start=1):
        if line.run == run:
            first_px, second_px = (_stored(facts[own[line.photo]], px) for px in line.points_px)
            assert first_px is not None
            assert second_px is not None
            lines.append(HandLine(f"line {k}", own[line.photo], (first_px, second_px)))
    return RunCorrections(tuple(bolts), tuple(strikes), tuple(lines))


def _same_place(one: BoltTable | StrikeTable, other: BoltTable | StrikeTable) -> bool:
    off_mm = math.hypot(one.station_mm - other.station_mm, one.setback_mm - other.setback_mm)
    return one.run == other.run and off_mm <= SAME_PLACE_MM


def _stored(facts: PhotoFacts | None, px: Pixel | None) -> Px | None:
    """A place in the photo as it is shown, in its stored pixels."""
    if px is None or facts is None:
        return None
    x, y = stored_from_view(np.array(px), facts.orientation, facts.width_px, facts.height_px).tolist()
    return x, y


def _entry_faults(table: CorrectionsTable, photos: Mapping[str, Mapping[str, Path]], facts: _Facts) -> Iterator[str]:
    """What is wrong with entries one by one."""
    marked: list[tuple[str, BoltTable | LineTable]] = []
    marked += [(f"bolt {k}", one) for k, one in enumerate(table.bolt, start=1)]
    marked += [(f"line {k}", one) for k, one in enumerate(table.line, start=1)]
    runs = [(where, one.run) for where, one in marked]
    runs += [(f"strike {k}", one.run) for k, one in enumerate(table.strike, start=1)]
    for where, run in runs:
        if run not in photos:
            yield f'{where}, run: there is no run "{run}" in job.toml.{nearest(run, list(photos))}'
    for where, one in marked:
        own = photos.get(one.run, {})
        if own and one.photo not in own:
            yield f'{where}, photo: {one.photo!r} is no photo of run "{one.run}".{nearest(one.photo, list(own)[:8])}'
        elif own:
            yield from _pixel_faults(where, one, facts[own[one.photo]])


def _pixel_faults(where: str, one: BoltTable | LineTable, facts: PhotoFacts | None) -> Iterator[str]:
    """Places that do not lie in the photo, and a line whose points lie together."""
    if facts is None:
        yield f"{where}, photo: {one.photo!r} cannot be read as a photo. Mark it in another one."
        return
    width_px, height_px = turned_size(facts.width_px, facts.height_px, facts.orientation)
    marked = (
        [("points_px", px) for px in one.points_px]
        if isinstance(one, LineTable)
        else [(key, px) for key, px in (("base_px", one.base_px), ("tip_px", one.tip_px)) if px is not None]
    )
    for key, (x, y) in marked:
        if not (-0.5 <= x <= width_px - 0.5 and -0.5 <= y <= height_px - 0.5):
            yield (
                f"{where}, {key}: [{x:g}, {y:g}] lies outside {one.photo}, which is {width_px} pixels wide and "
                f"{height_px} high as it is shown upright. Count right and down from its top left corner."
            )
    if isinstance(one, LineTable) and math.dist(*one.points_px) < SHORTEST_LINE * max(width_px, height_px):
        yield f"{where}, points_px lie too near each other to say which way the line runs. Mark them far apart."


def _bolt_faults(bolts: tuple[BoltTable, ...], strikes: tuple[StrikeTable, ...]) -> Iterator[str]:
    """What entries say against each other, and bolts of which too little is marked."""
    for k, one in enumerate(bolts, start=1):
        if one.base_px is None and one.tip_px is None:
            yield f"bolt {k} marks neither base_px nor tip_px. Give one of them, or both."
        if one.kind == "missed" and all(other.base_px is None for other in bolts if _same_place(one, other)):
            yield f"bolt {k}: of a missed bolt the foot must be marked in one photo at least. Add its base_px."
        for m, other in enumerate(bolts[k:], start=k + 1):
            if not _same_place(one, other):
                continue
            if one.kind != other.kind:
                yield f"bolt {k} and bolt {m} are of one place, and of two kinds. Keep kind moved, or missed."
            for key in ("base_px", "tip_px"):
                if one.photo == other.photo and None not in (getattr(one, key), getattr(other, key)):
                    yield f"bolt {k} and bolt {m} both mark {key} of one bolt in {one.photo}. Keep one of them."
        for m, strike in enumerate(strikes, start=1):
            if one.kind == "moved" and _same_place(one, strike):
                yield f"bolt {k} moves the bolt that strike {m} takes out. Keep one of them."
    for k, struck in enumerate(strikes, start=1):
        for m, again in enumerate(strikes[k:], start=k + 1):
            if _same_place(struck, again):
                yield f"strike {k} and strike {m} are of one place. Keep one of them."
