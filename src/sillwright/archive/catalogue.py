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
from sillwright.archive.catalogue_tables import MIGRATIONS, READ_AGAIN_BELOW, VERSION
from sillwright.archive.package import is_name
from sillwright.archive.store import CATALOGUE_ASIDE, Store
from sillwright.errors import ArchiveError, DamageError, SillwrightError

_WAIT_S = 30.0  # for another writer
_OF_THE_DISK = frozenset(
    [
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_PERM,
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_CANTOPEN,
    ]
)

_NOT_WRITTEN = _OF_THE_DISK - {sqlite3.SQLITE_BUSY}


@contextmanager
def catalogue(store: Store) -> Iterator[sqlite3.Connection]:
    """The store's catalogue, opened, and brought to this version's tables; in memory where the store is not written in.

    Raises DamageError where the file is damaged, and ArchiveError where a newer version of sillwright made it, or the
    disk does not take it.
    """
    with _told(store), closing(_opened(store)) as connection:
        yield connection


def _opened(store: Store) -> sqlite3.Connection:
    if not is_writable(store):
        return _in_memory(store)
    try:
        return _connect(store.catalogue)
    except sqlite3.DatabaseError as fault:
        if not store.catalogue.exists() or _kind(fault) not in _NOT_WRITTEN:
            raise
        return _in_memory(store)


def is_writable(store: Store) -> bool:
    """Whether this process may write the catalogue where it belongs."""
    may_write = os.access(store.folder, os.W_OK)
    return may_write and (not store.catalogue.exists() or os.access(store.catalogue, os.W_OK))


@contextmanager
def _told(store: Store) -> Iterator[None]:
    """What SQLite says of a catalogue, as sentences."""
    try:
        yield
    except (sqlite3.DatabaseError, UnicodeDecodeError) as fault:  # a damaged name cannot even be told by SQLite
        if _kind(fault) in _OF_THE_DISK:
            raise ArchiveError(
                f"{store.catalogue} cannot be used ({fault}). See that the disk has room and lets you write there."
            ) from fault
        raise DamageError(
            f"{store.catalogue} is damaged ({fault}). It holds nothing of its own: sillwright find {store.folder} "
            "--rebuild makes it again from the packages."
        ) from fault


def _kind(fault: Exception) -> int:
    """SQLite's primary result code, which is the low byte of an extended one; 0 for what did not come from SQLite."""
    return int(getattr(fault, "sqlite_errorcode", 0)) & 0xFF


def remake(store: Store) -> list[str]:
    """Make the catalogue again from every package; a sentence for each that cannot be read.

    It is made aside, and is put into the old one's file when it is whole. Call it as the one writer of the store.
    Raises ArchiveError where the disk does not take it; the old one is then as it was.
    """
    aside = store.folder / CATALOGUE_ASIDE
    _remove(aside)
    try:
        with _told(store), closing(_connect(aside)) as connection:
            faults = refresh(connection, store)
            connection.execute("PRAGMA journal_mode = DELETE")  # all in the one file, which may be renamed
            _put_in_place(connection, aside, store.catalogue)
    finally:
        _remove(aside)
    return faults


def _put_in_place(new: sqlite3.Connection, aside: Path, path: Path) -> None:
    """Put a whole catalogue where another one may be read and written at this moment.

    SQLite's own backup does it in one transaction on that file, which others see as any other change. A file renamed
    over it would have them go on in a file that is gone, with what was written ahead in the way of the new one's. Only
    a file that SQLite itself cannot use is exchanged as a whole: nobody is at work on that.
    """
    try:
        with closing(sqlite3.connect(path, timeout=_WAIT_S)) as there:
            there.execute("PRAGMA journal_mode = WAL")
            new.backup(there)
    except (sqlite3.DatabaseError, UnicodeDecodeError) as fault:
        if _kind(fault) in _OF_THE_DISK:
            raise
        _remove(path)
        aside.replace(path)


def _remove(database: Path) -> None:
    for ending in ("", "-wal", "-shm", "-journal"):
        Path(f"{database}{ending}").unlink(missing_ok=True)


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
        except (sqlite3.IntegrityError, ValueError, TypeError, OverflowError) as fault:
            # Whatever somebody wrote into one package, the others are to be found.
            faults.append(f"{name} holds what no measurement writes ({_first_words(fault)}), so it is left out.")
    return faults


def _first_words(fault: Exception) -> str:
    return str(fault).encode("ascii", "backslashreplace").decode()[:200]


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


def _in_memory(store: Store) -> sqlite3.Connection:
    """What the file holds, or nothing where it cannot be read, in a catalogue that nobody keeps."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    try:
        address = f"{store.catalogue.resolve().as_uri()}?mode=ro&immutable=1"  # without a lock, which is a file
        with closing(sqlite3.connect(address, uri=True)) as there:
            there.backup(connection)
        connection.execute("PRAGMA integrity_check(1)").fetchone()
        return _prepared(connection, store.catalogue)
    except (sqlite3.Error, OSError):
        connection.close()
        return _prepared(sqlite3.connect(":memory:", isolation_level=None), store.catalogue)


def _prepared(connection: sqlite3.Connection, path: Path) -> sqlite3.Connection:
    connection.execute("PRAGMA foreign_keys = ON")
    if connection.execute("SELECT 1 FROM sqlite_master WHERE type IN ('trigger', 'view')").fetchone():
        raise sqlite3.DatabaseError("it would do more than hold rows")
    _migrate(connection, path)
    return connection


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = NORMAL")
        _prepared(connection, path)
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
        if 0 < version < READ_AGAIN_BELOW:
            connection.execute("DELETE FROM package")  # all are read again, as new ones are
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
