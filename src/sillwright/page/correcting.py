"""What a form says of a photo, put into corrections.toml: bolts moved, added and struck out, and the chalk line.

Forms say what is to change, not what the file is to be, so that people who mark different photos at once lose nothing.
Each form carries ``seen``, which stands for what it could take anything from: where that changed since, it is refused.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, TypeVar

from pydantic import ValidationError

from sillwright.corrections import SAME_PLACE_MM, SHORTEST_LINE, by_run
from sillwright.corrections_file import (
    BoltTable,
    CorrectionsTable,
    LineTable,
    Pixel,
    StrikeTable,
    change_corrections,
    read_corrections,
)
from sillwright.errors import JobError
from sillwright.measure.starts import APART_MM
from sillwright.page.folder import JobFolder
from sillwright.page.marked import KnownBolt, Spot, View, is_struck, known_bolts, photos_by_run, spot_of_entry
from sillwright.page.refusal import Refusal
from sillwright.survey import RunRecord

What = Literal["move", "add", "strike", "line"]
KINDS: tuple[What, ...] = ("move", "add", "strike", "line")
MOST_CHANGES = 20  # of one form

Entry = BoltTable | StrikeTable | LineTable
Kind = TypeVar("Kind", BoltTable, StrikeTable, LineTable)


@dataclass(frozen=True)
class Change:
    """One thing marked in a photo. ``spot`` says which bolt; ``first_px`` is its foot or the line's first point,
    ``second_px`` its tip or the line's second point."""

    what: What
    spot: Spot | None
    first_px: Pixel | None
    second_px: Pixel | None


@dataclass(frozen=True)
class Said:
    """Who says so, and when."""

    by: str
    on: str


def entries_of(table: CorrectionsTable, run: str) -> tuple[Entry, ...]:
    """All that stands of one run."""
    return (*_bolts(table, run), *_strikes(table, run), *_lines(table, run))


def token_of(*entries: Entry) -> str:
    """Stands for entries as they are."""
    plain = [[type(one).__name__, one.model_dump(mode="json")] for one in entries]
    return hashlib.sha256(json.dumps(plain).encode()).hexdigest()[:24]


def seen_in(table: CorrectionsTable, run: str, photo: str) -> str:
    """Stands for what a form about one photo could take anything from: the marks in it, and what was struck out and
    which line was chosen on the whole run."""
    return token_of(*(one for one in entries_of(table, run) if not isinstance(one, BoltTable) or one.photo == photo))


def read_standing(job: JobFolder) -> tuple[CorrectionsTable, str]:
    """The corrections of a job, none where there is no file; and, where the file cannot be read, why."""
    try:
        return read_corrections(job.path) or CorrectionsTable(), ""
    except JobError as fault:
        return CorrectionsTable(), job.told(fault)


def save(job: JobFolder, run: RunRecord, view: View, changes: Sequence[Change], said: Said, seen: str) -> None:
    """Put what was marked in one photo into the file. Raises Refusal, and leaves the file as it was, where it cannot be
    meant, or where somebody else changed since what it rests on."""
    if not changes:
        raise Refusal(422, "nothing_marked")
    if len(changes) > MOST_CHANGES:
        raise Refusal(422, "many_marked", most=MOST_CHANGES)
    measured_line = _lines(_measured_with(job), run.name)

    def change(table: CorrectionsTable) -> CorrectionsTable:
        if seen_in(table, run.name, view.photo.file) != seen:
            raise Refusal(409, "corrected_meanwhile")
        _hold_line(table, run.name, changes, measured_line)
        for one in changes:
            table = _changed(table, run, view, one, said)
        return table

    _write(job, change)


def take_back(job: JobFolder, run: RunRecord, token: str) -> None:
    """Take one entry out of the file. Raises Refusal where it is no longer there, or something else rests on it."""

    def change(table: CorrectionsTable) -> CorrectionsTable:
        entry = next((one for one in entries_of(table, run.name) if token_of(one) == token), None)
        if entry is None:
            raise Refusal(409, "corrected_meanwhile")
        left = without(table, entry)
        if isinstance(entry, LineTable) and (_bolts(left, run.name) or _strikes(left, run.name)):
            raise Refusal(409, "line_under_bolts")
        if isinstance(entry, BoltTable) and entry.kind == "missed" and _lacks_foot(left, entry):
            raise Refusal(409, "foot_under_tips")
        return left

    _write(job, change)


def without(table: CorrectionsTable, *entries: Entry) -> CorrectionsTable:
    """The corrections less some of them."""
    gone = [id(one) for one in entries]
    return table.model_copy(
        update={
            "bolt": tuple(one for one in table.bolt if id(one) not in gone),
            "strike": tuple(one for one in table.strike if id(one) not in gone),
            "line": tuple(one for one in table.line if id(one) not in gone),
        }
    )


def _write(job: JobFolder, change: Callable[[CorrectionsTable], CorrectionsTable]) -> None:
    """Carry a change out, unless the measurement would then stop at what the file says."""
    photos = photos_by_run(job)

    def checked(table: CorrectionsTable) -> CorrectionsTable:
        after = change(table)
        faults = by_run(after, photos)[1]
        before = by_run(table, photos)[1] if faults else ()
        if len(faults) > len(before):
            raise Refusal(422, "corrections", said=" ".join(fault for fault in faults if fault not in before))
        return after

    try:
        change_corrections(job.path, checked)
    except JobError as fault:
        raise Refusal(409, "corrections", said=job.told(fault)) from None
    except OSError:
        raise Refusal(507, "not_written") from None


def _changed(table: CorrectionsTable, run: RunRecord, view: View, one: Change, said: Said) -> CorrectionsTable:
    """The corrections with one change more."""
    for px in (one.first_px, one.second_px):
        if px is not None and not view.holds(px):
            raise Refusal(422, "outside_photo")
    if one.what == "line":
        return _with_line(table, run, view, one, said)
    if one.what == "add":
        return _with_added(table, run, view, one, said)
    known = [bolt for bolt in known_bolts(run, table) if one.spot is not None and bolt.spot.is_same(one.spot)]
    bolt = min(known, key=lambda bolt: bolt.spot.off_mm(one.spot or bolt.spot), default=None)
    if bolt is None:
        raise Refusal(409, "bolt_gone")
    if one.what == "strike":
        return _with_strike(table, run, bolt, said)
    if is_struck(bolt, run.name, table):
        raise Refusal(409, "bolt_struck")
    if one.first_px is None and one.second_px is None:
        raise Refusal(422, "nothing_marked")
    return _with_mark(table, run, view, bolt, one, said)


def _with_mark(
    table: CorrectionsTable, run: RunRecord, view: View, bolt: KnownBolt, one: Change, said: Said
) -> CorrectionsTable:
    """A bolt's foot or tip marked in the photo; an end that was marked there before and is not now stays."""
    of_bolt = _entries_of_bolt(table, run.name, bolt)
    here = next((entry for entry in of_bolt if entry.photo == view.photo.file), None)
    spot = spot_of_entry(of_bolt[0]) if of_bolt else bolt.spot
    entry = _entry(
        BoltTable,
        run=run.name,
        photo=view.photo.file,
        kind=bolt.kind,
        station=_mm(spot.station_mm),
        setback=_mm(spot.setback_mm),
        base_px=one.first_px or (here.base_px if here is not None else None),
        tip_px=one.second_px or (here.tip_px if here is not None else None),
        by=said.by,
        on=said.on,
    )
    left = without(table, here) if here is not None else table
    return left.model_copy(update={"bolt": (*left.bolt, entry)})


def _with_added(table: CorrectionsTable, run: RunRecord, view: View, one: Change, said: Said) -> CorrectionsTable:
    """A bolt that was missed, known by where its foot meets the concrete; in a second photo it is the same bolt."""
    if one.first_px is None:
        raise Refusal(422, "no_foot")
    spot = view.on_concrete(one.first_px)
    if spot is None:
        raise Refusal(422, "off_the_wall")
    for bolt in known_bolts(run, table):
        stands_mm = _stands(bolt).off_mm(spot)
        if stands_mm > APART_MM or is_struck(bolt, run.name, table):
            continue
        marked_here = any(entry.photo == view.photo.file for entry in _entries_of_bolt(table, run.name, bolt))
        if bolt.kind == "moved" or marked_here:
            raise Refusal(409, "bolt_there")
        return _with_mark(table, run, view, bolt, one, said)
    rounded = Spot(round(spot.station_mm, 1), round(spot.setback_mm, 1))
    return _with_mark(table, run, view, KnownBolt(rounded, "missed", None), one, said)


def _with_strike(table: CorrectionsTable, run: RunRecord, bolt: KnownBolt, said: Said) -> CorrectionsTable:
    """A bolt that is none. Where it was moved that falls away; one that a person added is taken back."""
    left = without(table, *_entries_of_bolt(table, run.name, bolt))
    if bolt.kind == "missed" or is_struck(bolt, run.name, table):
        return left
    entry = _entry(
        StrikeTable,
        run=run.name,
        station=_mm(bolt.spot.station_mm),
        setback=_mm(bolt.spot.setback_mm),
        by=said.by,
        on=said.on,
    )
    return left.model_copy(update={"strike": (*left.strike, entry)})


def _with_line(table: CorrectionsTable, run: RunRecord, view: View, one: Change, said: Said) -> CorrectionsTable:
    """Which line is the chalk line, in the photo; in other photos it may have been marked too."""
    if one.first_px is None or one.second_px is None:
        raise Refusal(422, "line_short")
    apart_px = Spot(*one.first_px).off_mm(Spot(*one.second_px))
    if apart_px < SHORTEST_LINE * max(view.width_px, view.height_px):
        raise Refusal(422, "line_short")
    points = (one.first_px, one.second_px)
    entry = _entry(LineTable, run=run.name, photo=view.photo.file, points_px=points, by=said.by, on=said.on)
    kept = tuple(line for line in table.line if (line.run, line.photo) != (run.name, view.photo.file))
    return table.model_copy(update={"line": (*kept, entry)})


def _hold_line(
    table: CorrectionsTable, run: str, changes: Sequence[Change], measured_line: Sequence[LineTable]
) -> None:
    """Setbacks count from the line, and by them bolts are known: so the line comes first, and is measured by itself."""
    of_line = [one for one in changes if one.what == "line"]
    if of_line and (len(changes) > 1 or _bolts(table, run) or _strikes(table, run)):
        raise Refusal(409, "line_first")
    if not of_line and _lines(table, run) != measured_line:
        raise Refusal(409, "line_not_measured")


def _measured_with(job: JobFolder) -> CorrectionsTable:
    """The corrections that the record was measured with, as ``measure`` left their copy beside it."""
    try:
        return read_corrections(job.out) or CorrectionsTable()
    except JobError:
        return CorrectionsTable()


def _stands(bolt: KnownBolt) -> Spot:
    """Where a bolt is now: as measured, corrections with it, else where it was added."""
    record = bolt.record
    if record is None or record.station_mm is None or record.setback_mm is None:
        return bolt.spot
    return Spot(record.station_mm, record.setback_mm)


def _entries_of_bolt(table: CorrectionsTable, run: str, bolt: KnownBolt) -> list[BoltTable]:
    return [
        entry for entry in _bolts(table, run) if entry.kind == bolt.kind and spot_of_entry(entry).is_same(bolt.spot)
    ]


def _lacks_foot(table: CorrectionsTable, entry: BoltTable) -> bool:
    """Whether marks of an added bolt are left, and its foot is in none of them."""
    rest = [
        one
        for one in _bolts(table, entry.run)
        if one.kind == "missed" and spot_of_entry(one).off_mm(spot_of_entry(entry)) <= SAME_PLACE_MM
    ]
    return bool(rest) and all(one.base_px is None for one in rest)


def _bolts(table: CorrectionsTable, run: str) -> list[BoltTable]:
    return [one for one in table.bolt if one.run == run]


def _strikes(table: CorrectionsTable, run: str) -> list[StrikeTable]:
    return [one for one in table.strike if one.run == run]


def _lines(table: CorrectionsTable, run: str) -> list[LineTable]:
    return [one for one in table.line if one.run == run]


def _mm(length_mm: float) -> str:
    return f"{length_mm:.3f} mm"


def _entry(table: type[Kind], **values: object) -> Kind:
    """An entry, held to what the file may hold."""
    try:
        return table.model_validate({key: value for key, value in values.items() if value is not None})
    except ValidationError:
        raise Refusal(422, "off_the_wall") from None
