"""What is asked of the catalogue, as SQL, and what comes back as rows.

Rows are packages; where something is asked of bolts they are bolts, and where a rule is asked for the places where it
is not met. The newest day comes first. A package says in its own row the most that any of its bolts has, and so does
each of its runs, so that most packages are passed over before a bolt is looked at.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, get_args

from sillwright.archive.package import is_name, lot_in
from sillwright.judge.verdicts import CheckKey
from sillwright.survey import Status

Value = str | float | int | None
RULES: tuple[str, ...] = get_args(CheckKey)

_PACKAGE = ("package.name AS package", "package.job", "package.lot", "package.day")
_COLUMNS = {
    "packages": (
        *_PACKAGE, "package.status", "package.bolts", "package.ok", 'package."check"', "package.reshoot",
        "package.setback_most_mm", "package.lean_most_deg", "package.broken", "package.signed_off_by",
        "package.sealed_at",
    ),
    "bolts": (
        *_PACKAGE, "bolt.run", "bolt.mark", "bolt.status", "bolt.station_mm", "bolt.setback_mm", "bolt.setback_u95_mm",
        "bolt.lean_deg", "bolt.lean_u95_deg", "bolt.stickup_mm",
    ),
    "broken": (
        *_PACKAGE, "broken.run", "broken.subject", "broken.rule", "broken.source", "broken.measured_mm",
        "broken.limit_mm", "bolt.status", "bolt.setback_mm", "bolt.lean_deg",
    ),
}  # fmt: skip
_JOINS = {
    "packages": "FROM package",
    "bolts": "FROM package {of_run} CROSS JOIN bolt {by} ON bolt.package = package.id",
    "broken": "FROM package CROSS JOIN broken ON broken.package = package.id {bolts} JOIN bolt "
    "ON bolt.package = package.id AND bolt.place = broken.bolt",
}
_OF_RUN = "CROSS JOIN run ON run.package = package.id"
_LAST = {"packages": "", "bolts": ", bolt.place", "broken": ", broken.place"}


@dataclass(frozen=True)
class Query:
    """What is looked for; everything given must hold, and what is left empty or None is not asked.

    job, lot, run : a part of the name for the job, the whole name for the others; large letters or small. A lot is also
    found as "Lot 12" where it was sealed as 12, and the other way round
    since, until : days as ISO 8601 writes them, both included
    rule : one of ``RULES``, or ``any``
    setback_over_mm, lean_over_deg : the number itself is over it, whatever its interval
    limit : how many rows at most; 0 for all
    """

    job: str = ""
    lot: str = ""
    run: str = ""
    since: str = ""
    until: str = ""
    status: Status | None = None
    rule: str = ""
    setback_over_mm: float | None = None
    lean_over_deg: float | None = None
    limit: int = 200

    @property
    def kind(self) -> Literal["packages", "bolts", "broken"]:
        """What the rows are."""
        if self.rule:
            return "broken"
        return "bolts" if self.run or _of_bolts(self) else "packages"


@dataclass(frozen=True)
class Found:
    """The rows; ``more`` where there are more than were asked for."""

    kind: Literal["packages", "bolts", "broken"]
    columns: tuple[str, ...]
    rows: tuple[tuple[Value, ...], ...]
    more: bool


@dataclass
class _Where:
    parts: list[str] = field(default_factory=list)
    values: list[Value] = field(default_factory=list)

    def add(self, part: str, *values: Value) -> None:
        self.parts.append(part)
        self.values += values

    @property
    def text(self) -> str:
        return f"WHERE {' AND '.join(self.parts)}" if self.parts else ""


def runs_of(connection: sqlite3.Connection, packages: Sequence[str]) -> dict[str, tuple[str, ...]]:
    """The runs of each package that have bolts, in the order of their record."""
    runs: dict[str, tuple[str, ...]] = {}
    for name in packages:
        rows = connection.execute(
            "SELECT bolt.run FROM package JOIN bolt ON bolt.package = package.id WHERE package.name = ? "
            "GROUP BY bolt.run ORDER BY min(bolt.place)",
            (name,),
        )
        runs[name] = tuple(str(run) for (run,) in rows)
    return runs


def find(connection: sqlite3.Connection, query: Query) -> Found:
    """Everything in the catalogue that the query asks for, the newest day first."""
    kind, where = query.kind, _where(query)
    order = f"ORDER BY package.day DESC, package.id DESC{_LAST[kind]}"
    limit = f"LIMIT {query.limit + 1:d}" if query.limit else ""
    source = _JOINS[kind].format(
        by=_index(query), of_run=_OF_RUN if query.run else "", bolts="CROSS" if _of_bolts(query) else "LEFT"
    )
    cursor = connection.execute(
        f"SELECT {', '.join(_COLUMNS[kind])} {source} {where.text} {order} {limit}", where.values
    )
    columns = tuple(str(column[0]) for column in cursor.description)
    rows = tuple(cursor.fetchall())
    if not all(_is_sound(name, cell) for row in rows for name, cell in zip(columns, row, strict=True)):
        raise sqlite3.DatabaseError("a cell holds what no measurement writes")
    if not all(is_name(str(row[columns.index("package")])) for row in rows):
        raise sqlite3.DatabaseError("a package has a name that none can have")
    more = bool(query.limit) and len(rows) > query.limit
    return Found(kind, columns, rows[: query.limit] if more else rows, more)


def _is_sound(column: str, cell: object) -> bool:
    if column.endswith(("_mm", "_deg")):
        return cell is None or (isinstance(cell, (int, float)) and math.isfinite(cell))
    return not isinstance(cell, bytes)


def thumbnails(connection: sqlite3.Connection, name: str) -> dict[str, bytes]:
    """The small picture of each photo of a package, as JPEG, by the photo's name in its survey.json."""
    rows = connection.execute(
        "SELECT file, jpeg FROM thumbnail JOIN package ON thumbnail.package = package.id WHERE name = ? ORDER BY file",
        (name,),
    )
    pictures = dict(rows.fetchall())
    if not all(isinstance(jpeg, bytes) for jpeg in pictures.values()):
        raise sqlite3.DatabaseError("a picture is none")
    return pictures


def thumbnail(connection: sqlite3.Connection, name: str, file: str) -> bytes | None:
    """The small picture of one photo of a package, as JPEG; None where there is none."""
    row = connection.execute(
        "SELECT jpeg FROM thumbnail JOIN package ON thumbnail.package = package.id WHERE name = ? AND file = ?",
        (name, file),
    ).fetchone()
    return None if row is None else bytes(row[0])


def _of_bolts(query: Query) -> bool:
    """Whether something is asked of single bolts; a rule is then broken by one, and SQLite must not start with it."""
    return any(one is not None for one in (query.status, query.setback_over_mm, query.lean_over_deg))


def _index(query: Query) -> str:
    """The index to go by within a package; left to itself SQLite reads all its bolts, to have them in order."""
    if query.setback_over_mm is not None:
        return "INDEXED BY bolt_by_setback"
    return "" if query.lean_over_deg is None else "INDEXED BY bolt_by_lean"


def _where(query: Query) -> _Where:
    where = _Where()
    if query.job:
        where.add("instr(package.job_folded, ?) > 0", query.job.casefold())
    if query.lot:
        lot = query.lot.casefold().strip()
        where.add("package.lot_folded IN (?, ?, ?)", lot, lot_in(lot) or lot, f"lot {lot}")
    if query.since:
        where.add("package.day >= ?", query.since)
    if query.until:
        where.add("package.day <= ?", query.until)
    if query.rule:
        where.add("package.broken > 0")
        if query.rule != "any":
            where.add("broken.rule = ?", query.rule)
    _pass_over(where, "package", query)
    if query.run:
        where.add(f"{'broken' if query.rule else 'bolt'}.run_folded = ?", query.run.casefold())
    if query.run and not query.rule:
        where.add("run.run_folded = ?", query.run.casefold())
        _pass_over(where, "run", query)
    if query.status is not None:
        where.add("bolt.status = ?", query.status)
    if query.setback_over_mm is not None:
        where.add("bolt.setback_mm > ?", query.setback_over_mm)
    if query.lean_over_deg is not None:
        where.add("bolt.lean_deg > ?", query.lean_over_deg)
    return where


def _pass_over(where: _Where, whole: str, query: Query) -> None:
    """What a package, or a run of it, must say of all its bolts before one is looked at."""
    if query.status is not None:
        where.add(f'{whole}."{query.status}" > 0')
    if query.setback_over_mm is not None:
        where.add(f"{whole}.setback_most_mm > ?", query.setback_over_mm)
    if query.lean_over_deg is not None:
        where.add(f"{whole}.lean_most_deg > ?", query.lean_over_deg)
