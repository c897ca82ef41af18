"""As-built packages in ``FOLDER/as-built``: a job sealed as the command does, and a list of what was sealed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from sillwright.archive.audit import audit_store
from sillwright.archive.catalogue import catalogue, refresh
from sillwright.archive.contents import read_contents
from sillwright.archive.keep import keep
from sillwright.archive.search import Query, Value, find, runs_of
from sillwright.archive.store import make_store, open_store
from sillwright.errors import SillwrightError
from sillwright.page.folder import AS_BUILT, JobFolder
from sillwright.tell.archive_words import audit_closing, audit_lines, not_told_lines

MOST_SHOWN = 200


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
    """The newest packages; ``more`` where there are more of them; ``faults`` a sentence for each that is not whole."""

    packages: tuple[SealedPackage, ...] = ()
    more: bool = False
    faults: tuple[str, ...] = ()


def seal_job(folder: Path, job: JobFolder, signed_off: str) -> str:
    """Seal what was measured of a job, with its photos and all that lies in ``out``; what came of it, in lines.

    Raises an error of this package where something is missing, or is not what was measured; then nothing was sealed.
    """
    contents = read_contents(job.out, job.path, job.path)
    store = make_store(folder / AS_BUILT)
    kept = keep(store, contents, signed_off=signed_off)
    how = "Sealed" if kept.sealed.is_new else "Sealed before, and left as it is"
    lines = [f"{how}: {kept.sealed.name}, {len(contents.files)} files.", *not_told_lines(contents.not_told)]
    try:
        with catalogue(store) as connection:
            lines += refresh(connection, store)
        audit = audit_store(store, workers=1)
        lines += [*audit_lines(audit), audit_closing(audit)]
    except SillwrightError as fault:  # it is sealed, and that is to be told first
        lines.append(str(fault))
    return "\n".join(lines)


def sealed_list(folder: Path) -> SealedList:
    """What was sealed, the newest day first; nothing where there is no store yet.

    Raises an error of this package where the store or its catalogue cannot be used.
    """
    if not (folder / AS_BUILT).exists():
        return SealedList()
    store = open_store(folder / AS_BUILT)
    with catalogue(store) as connection:
        faults = refresh(connection, store)
        found = find(connection, Query(limit=MOST_SHOWN))
        rows = [dict(zip(found.columns, row, strict=True)) for row in found.rows]
        runs = runs_of(connection, [str(row["package"]) for row in rows])
    return SealedList(tuple(_package(row, runs) for row in rows), found.more, tuple(faults))


def _package(row: Mapping[str, Value], runs: Mapping[str, tuple[str, ...]]) -> SealedPackage:
    name = str(row["package"])
    ok, check, reshoot = (int(row[status] or 0) for status in ("ok", "check", "reshoot"))
    return SealedPackage(
        name, str(row["job"]), runs.get(name, ()), str(row["day"] or ""), ok, check, reshoot, str(row["signed_off_by"])
    )
