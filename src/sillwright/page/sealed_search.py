"""The list of sealed packages searched: what a form asks, as typed, held against what can be asked, and the answer."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import date
from pathlib import Path
from typing import get_args

from sillwright.archive.catalogue import catalogue, refresh
from sillwright.archive.search import RULES, Query, Value, find, runs_of
from sillwright.archive.store import open_store
from sillwright.errors import LengthError
from sillwright.lengths import parse_length_mm
from sillwright.page.field_fault import FieldFault
from sillwright.page.folder import AS_BUILT
from sillwright.survey import Status
from sillwright.tell.find_tables import FoundRows, find_rows

MOST_SHOWN = 200
LONGEST_ASKED = 80
STATUSES: tuple[Status, ...] = get_args(Status)
_ANY_RULE = "any"
_MOST_DEG = 90.0


@dataclass(frozen=True)
class Asked:
    """What the form asks, as it was typed."""

    job: str = ""
    lot: str = ""
    run: str = ""
    since: str = ""
    until: str = ""
    status: str = ""
    rule: str = ""
    setback_over: str = ""
    lean_over: str = ""

    @classmethod
    def of(cls, address: Mapping[str, str]) -> Asked:
        """Out of an address; what is longer than anybody asks is cut."""
        return cls(**{one.name: address.get(one.name, "").strip()[:LONGEST_ASKED] for one in fields(cls)})

    @property
    def anything(self) -> bool:
        """Whether anything is asked."""
        return self != Asked()


@dataclass(frozen=True)
class SealedPackage:
    """One package of the list. ``day`` : as its record says, when its last photo was taken, else when it was sealed."""

    name: str
    job: str
    runs: tuple[str, ...]
    day: str
    ok: int
    check: int
    reshoot: int
    signed_off_by: str


@dataclass(frozen=True)
class SealedList:
    """The newest that was asked for: packages, or ``rows`` of bolts or of rules not met, each with its package first.

    more : whether there is more of it; faults : a sentence for each package that is not whole
    """

    packages: tuple[SealedPackage, ...] = ()
    rows: FoundRows | None = None
    more: bool = False
    faults: tuple[str, ...] = ()


def query_of(asked: Asked) -> tuple[Query, dict[str, FieldFault]]:
    """What the catalogue is asked, and what is wrong with a field, by its name."""
    faults: dict[str, FieldFault] = {}
    since, until = _day(asked.since, "since", faults), _day(asked.until, "until", faults)
    if since and until and since > until:
        faults["until"] = FieldFault("search.days_turned")
    status: Status | None = next((one for one in STATUSES if one == asked.status), None)
    if asked.status and status is None:
        faults["status"] = FieldFault("search.not_listed")
    if asked.rule and asked.rule not in (*RULES, _ANY_RULE):
        faults["rule"] = FieldFault("search.not_listed")
    query = Query(
        job=asked.job,
        lot=asked.lot,
        run=asked.run,
        since=since,
        until=until,
        status=status,
        rule=asked.rule,
        setback_over_mm=_length_mm(asked.setback_over, "setback_over", faults),
        lean_over_deg=_angle_deg(asked.lean_over, "lean_over", faults),
        limit=MOST_SHOWN,
    )
    return query, faults


def sealed_list(folder: Path, query: Query) -> SealedList:
    """What was sealed and is asked for, the newest day first; nothing where there is no store yet.

    Raises an error of this package where the store or its catalogue cannot be used.
    """
    if not (folder / AS_BUILT).exists():
        return SealedList()
    store = open_store(folder / AS_BUILT)
    with catalogue(store) as connection:
        faults = refresh(connection, store)
        found = find(connection, query)
        if found.kind != "packages":
            return SealedList(rows=find_rows(found), more=found.more, faults=tuple(faults))
        rows = [dict(zip(found.columns, row, strict=True)) for row in found.rows]
        runs = runs_of(connection, [str(row["package"]) for row in rows])
    return SealedList(tuple(_package(row, runs) for row in rows), None, found.more, tuple(faults))


def of_one_job(folder: Path, job: str, lot: str) -> tuple[SealedPackage, ...]:
    """The packages of a job, by its name or its lot, the newest day first."""
    by_name = sealed_list(folder, Query(job=job, limit=MOST_SHOWN)).packages if job else ()
    by_lot = sealed_list(folder, Query(lot=lot, limit=MOST_SHOWN)).packages if lot else ()
    named = [one for one in by_name if one.job.casefold() == job.casefold()]
    once = {one.name: one for one in (*named, *by_lot)}
    return tuple(sorted(once.values(), key=lambda one: one.day, reverse=True))


def _day(text: str, name: str, faults: dict[str, FieldFault]) -> str:
    try:
        return date.fromisoformat(text).isoformat() if text else ""
    except ValueError:
        faults[name] = FieldFault("search.no_day")
        return ""


def _length_mm(text: str, name: str, faults: dict[str, FieldFault]) -> float | None:
    try:
        return parse_length_mm(text) if text else None
    except LengthError as fault:
        faults[name] = FieldFault(said=str(fault))
        return None


def _angle_deg(text: str, name: str, faults: dict[str, FieldFault]) -> float | None:
    if not text:
        return None
    try:
        angle_deg = float(text.removesuffix("°").strip().replace(",", "."))
    except ValueError:
        angle_deg = math.nan
    if not 0.0 <= angle_deg <= _MOST_DEG:
        faults[name] = FieldFault("search.no_angle")
        return None
    return angle_deg


def _package(row: Mapping[str, Value], runs: Mapping[str, tuple[str, ...]]) -> SealedPackage:
    name = str(row["package"])
    ok, check, reshoot = (int(row[status] or 0) for status in ("ok", "check", "reshoot"))
    return SealedPackage(
        name,
        str(row["job"]),
        runs.get(name, ()),
        str(row["day"] or ""),
        ok,
        check,
        reshoot,
        str(row["signed_off_by"] or ""),
    )
