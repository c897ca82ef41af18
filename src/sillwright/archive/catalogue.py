"""The catalogue of a store: an SQLite file that can be thrown away, and made again from the packages at any time.

It is written ahead (WAL), a package a transaction, so that a killed writer leaves whole packages in it and readers
never wait. What it holds is never more than what the packages say; nothing is proved from it.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from sillwright.archive.catalogue_rows import PackageRows, read_rows
from sillwright.archive.catalogue_tables import MIGRATIONS, VERSION
from sillwright.archive.package import is_name
from sillwright.archive.store import Store
from sillwright.errors import ArchiveError, DamageError, SillwrightError

_WAIT_S = 30.0  # for another writer


@contextmanager
def catalogue(store: Store) -> Iterator[sqlite3.Connection]:
    """The store's catalogue, opened, and brought to this version's tables.

    Raises DamageError where the file is damaged, and ArchiveError where a newer version of sillwright made it, or the
    disk does not take it.
    """
    try:
        with closing(_connect(store.catalogue)) as connection:
            yield connection
    except sqlite3.OperationalError as fault:
        raise ArchiveError(
            f"{store.catalogue} cannot be used ({fault}). See that the disk has room and lets you write there."
        ) from fault
    except sqlite3.DatabaseError as fault:
        raise DamageError(
            f"{store.catalogue} is damaged ({fault}). It holds nothing of its own: sillwright find {store.folder} "
            "--rebuild makes it again from the packages."
        ) from fault


def remake(store: Store) -> list[str]:
    """Throw the catalogue away and make it again from every package; a sentence for each that cannot be read.

    Call it as the one writer of the store.
    """
    for ending in ("", "-wal", "-shm"):
        Path(f"{store.catalogue}{ending}").unlink(missing_ok=True)
    with catalogue(store) as connection:
        return refresh(connection, store)


def refresh(connection: sqlite3.Connection, store: Store) -> list[str]:
    """Bring the catalogue in step with which packages are there; a sentence for each that cannot be read.

    A package never changes, so that its name is enough to know it by.
    """
    known = {name for (name,) in connection.execute("SELECT name FROM package")}
    listed = {entry.name for entry in os.scandir(store.packages)} if store.packages.is_dir() else set()
    gone = known - listed
    if gone:
        with _transaction(connection):
            connection.executemany("DELETE FROM package WHERE name = ?", [(name,) for name in gone])
    faults = []
    for name in sorted(filter(is_name, listed - known)):  # names are looked at for the new ones: all take long
        try:
            add(connection, [read_rows(store.package(name))])
        except SillwrightError as fault:
            faults.append(str(fault))
        except OSError as fault:
            faults.append(f"{name} cannot be read from the disk ({fault.strerror}).")
    return faults


def add(connection: sqlite3.Connection, packages: Iterable[PackageRows]) -> None:
    """Put packages in, in one transaction; one of the same name is replaced."""
    with _transaction(connection):
        for rows in packages:
            connection.execute("DELETE FROM package WHERE name = ?", rows.package[:1])
            number = _insert(connection, "package", "NULL", [rows.package])
            for table, some in (
                ("run", rows.runs),
                ("bolt", rows.bolts),
                ("broken", rows.broken),
                ("reason", rows.reasons),
                ("thumbnail", rows.thumbnails),
            ):
                _insert(connection, table, str(number), some)


def version_of(connection: sqlite3.Connection) -> int:
    """Which version of the tables the file has."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _insert(connection: sqlite3.Connection, table: str, first: str, rows: Iterable[tuple[object, ...]]) -> int | None:
    """Insert rows behind a first column; the number of the last one."""
    last = None
    some = list(rows)
    if some:
        marks = ", ".join([first, *"?" * len(some[0])])
        cursor = connection.cursor()
        if len(some) == 1:
            last = cursor.execute(f"INSERT INTO {table} VALUES ({marks})", some[0]).lastrowid
        else:
            cursor.executemany(f"INSERT INTO {table} VALUES ({marks})", some)
    return last


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = NORMAL")
        _migrate(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _migrate(connection: sqlite3.Connection, path: Path) -> None:
    """Take the tables to this version, all steps or none of them."""
    if version_of(connection) == VERSION:
        return
    with _transaction(connection):
        version = version_of(connection)  # another process may have been quicker
        if version > VERSION:
            raise ArchiveError(
                f"{path} was made by a newer sillwright. Use that one, or take the file away: it is made again from "
                "the packages."
            )
        for script in MIGRATIONS[version:]:
            for statement in script.split(";\n"):
                if statement.strip():
                    connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {VERSION}")


@contextmanager
def _transaction(connection: sqlite3.Connection) -> Iterator[None]:
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        with suppress(sqlite3.Error):  # a full disk rolls back by itself
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")
