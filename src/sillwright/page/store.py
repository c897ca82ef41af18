"""What the page keeps of its own, in ``FOLDER/.sillwright-page``: one SQLite file, pieces of uploads, small pictures.

The file is written ahead (WAL), so that pages can be read while a worker writes, and a process that is killed leaves
whole transactions. Jobs, photos and results are not in it: those are the files that the commands read and write.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from sillwright.errors import JobError

OWN_FOLDER = ".sillwright-page"
_WAIT_S = 20.0  # for another writer

# Version by version; ``PRAGMA user_version`` says how far a file is. Moments are seconds since 1970, UTC.
_MIGRATIONS = (
    """
CREATE TABLE device (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    token_hash TEXT NOT NULL UNIQUE,   -- SHA-256 of its token, which is nowhere here
    laptop INTEGER NOT NULL,           -- 1: may show codes for others to join by
    joined_at REAL NOT NULL
);
CREATE TABLE join_code (
    code_hash TEXT PRIMARY KEY,
    laptop INTEGER NOT NULL,           -- what the one who joins by it becomes
    expires_at REAL NOT NULL
);
CREATE TABLE upload (
    id TEXT PRIMARY KEY,
    device INTEGER NOT NULL REFERENCES device (id),
    job TEXT NOT NULL,                 -- the job's folder
    place TEXT NOT NULL,
    phone_name TEXT NOT NULL,          -- what the phone calls the photo, to be shown and never opened
    length INTEGER NOT NULL,           -- bytes; how many are held is the size of the piece on disk
    sha256 TEXT,                       -- as the phone says; once the photo is whole, as it is
    state TEXT NOT NULL,               -- receiving, moving, kept
    photo TEXT,                        -- moving and kept: where to, relative to the job's folder
    begun_at REAL NOT NULL
);
CREATE TABLE task (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,                -- look, measure, plates
    job TEXT NOT NULL,
    subject TEXT NOT NULL,             -- look: place and photo
    state TEXT NOT NULL,               -- waiting, running, done, failed
    tries INTEGER NOT NULL DEFAULT 0,
    worker INTEGER,                    -- process that runs it
    step TEXT NOT NULL DEFAULT '',
    done INTEGER NOT NULL DEFAULT 0,
    total INTEGER NOT NULL DEFAULT 0,
    said TEXT NOT NULL DEFAULT ''      -- failed: the sentence that says why
);
CREATE UNIQUE INDEX task_once ON task (kind, job, subject) WHERE state = 'waiting';
CREATE UNIQUE INDEX task_alone ON task (job) WHERE state = 'running' AND kind <> 'look';
CREATE TABLE photo_file (
    path TEXT PRIMARY KEY,             -- relative to FOLDER
    size INTEGER NOT NULL,
    written_ns INTEGER NOT NULL,
    sha256 TEXT NOT NULL
);
CREATE TABLE look (
    sha256 TEXT NOT NULL,
    asked TEXT NOT NULL,               -- fingerprint of what of the job it was looked at for
    status TEXT NOT NULL,
    reasons TEXT NOT NULL,             -- JSON: findings as in survey.json
    cards TEXT NOT NULL,               -- JSON: numbers
    PRIMARY KEY (sha256, asked)
)
""",
    # Who gives words on it, as they wrote their name.
    "ALTER TABLE device ADD COLUMN person TEXT NOT NULL DEFAULT ''",
)
VERSION = len(_MIGRATIONS)


@dataclass(frozen=True)
class Store:
    """Where the page keeps what is its own. ``folder`` is FOLDER, absolute and resolved."""

    folder: Path

    @property
    def file(self) -> Path:
        """The SQLite file."""
        return self.folder / OWN_FOLDER / "page.sqlite"

    @property
    def pieces(self) -> Path:
        """Unfinished uploads, a file each."""
        return self.folder / OWN_FOLDER / "pieces"

    @property
    def pictures(self) -> Path:
        """Small pictures of photos, by the photo's SHA-256."""
        return self.folder / OWN_FOLDER / "pictures"

    @property
    def large(self) -> Path:
        """Photos large, to mark places on: a folder each, by the photo's SHA-256."""
        return self.folder / OWN_FOLDER / "large"

    def written(self) -> tuple[int, int]:
        """Something that is another whenever anything was written to the file."""
        ahead = Path(f"{self.file}-wal")
        held = (ahead if ahead.exists() else self.file).stat()
        return held.st_mtime_ns, held.st_size


def open_store(folder: Path) -> Store:
    """The store of FOLDER, made where there is none and brought to this version's tables.

    Raises JobError where the file was made by a newer sillwright, or is damaged.
    """
    store = Store(folder.resolve())
    for own in (store.file.parent, store.pieces, store.pictures, store.large):
        own.mkdir(mode=0o700, parents=True, exist_ok=True)
    try:
        with reading(store) as connection:
            connection.execute("PRAGMA journal_mode = WAL")
        with writing(store) as connection:
            _migrate(connection, store)
    except sqlite3.DatabaseError as fault:
        raise JobError(
            f"{store.file} cannot be used ({fault}). Move it away: phones join again, and no photo is lost."
        ) from fault
    store.file.chmod(0o600)
    return store


@contextmanager
def reading(store: Store) -> Iterator[sqlite3.Connection]:
    """A connection of one's own, each statement by itself."""
    with closing(sqlite3.connect(store.file, timeout=_WAIT_S, isolation_level=None)) as connection:
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = NORMAL")
        yield connection


@contextmanager
def writing(store: Store) -> Iterator[sqlite3.Connection]:
    """A connection in one transaction, all of it or nothing; one writer at a time."""
    with reading(store) as connection:
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
        except BaseException:
            with suppress(sqlite3.Error):  # a full disk rolls back by itself
                connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")


def _migrate(connection: sqlite3.Connection, store: Store) -> None:
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if version > VERSION:
        raise JobError(f"{store.file} was made by a newer sillwright. Use that one, or move the file away.")
    for script in _MIGRATIONS[version:]:
        for statement in script.split(";\n"):
            connection.execute(statement)
    connection.execute(f"PRAGMA user_version = {VERSION}")
