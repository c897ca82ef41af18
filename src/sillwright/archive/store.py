"""The folder that keeps packages: where things lie in it, one writer at a time, and what a killed one left behind."""

from __future__ import annotations

import fcntl
import os
import shutil
import stat
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from sillwright.archive.package import is_name
from sillwright.errors import ArchiveError, DamageError
from sillwright.whole_file import write_aside

MARKER = "sillwright-store.txt"
LOCK = ".lock"
BUILDING = ".building-"
CATALOGUE_ASIDE = ".catalogue-new.sqlite"
_MARKER_TEXT = (
    b"As-built packages of sillwright. packages/ holds one bag (RFC 8493) each; log/ the Merkle log over them (RFC "
    b"9162);\nstamps/ time-stamp tokens (RFC 3161). catalogue.sqlite can be made again from packages/ at any time.\n"
)


@dataclass(frozen=True)
class Store:
    """A store's folder."""

    folder: Path

    @property
    def packages(self) -> Path:
        """Where the bags lie."""
        return self.folder / "packages"

    @property
    def log(self) -> Path:
        """Where the log lies."""
        return self.folder / "log"

    @property
    def entries(self) -> Path:
        """The log's own file: a line a package."""
        return self.log / "entries.txt"

    @property
    def unfinished(self) -> Path:
        """The entry of the package that gets its name now, until the log has it."""
        return self.log / "unfinished.txt"

    @property
    def catalogue(self) -> Path:
        """The SQLite file."""
        return self.folder / "catalogue.sqlite"

    @property
    def audit(self) -> Path:
        """Where audits note how far they came."""
        return self.folder / "audit"

    def token(self, name: str) -> Path:
        """Where a package's time-stamp token goes."""
        return self.folder / "stamps" / f"{name}.tsr"

    def package(self, name: str) -> Path:
        """A package's folder."""
        return self.packages / name

    def names(self) -> list[str]:
        """The packages that are there, sorted. What lies beside them under other names is for the audit to tell."""
        if not self.packages.is_dir():
            return []
        return sorted(entry.name for entry in os.scandir(self.packages) if is_name(entry.name))

    def strangers(self) -> list[str]:
        """What lies among the packages and cannot be one; what a killed writer left is not told of."""
        if not self.packages.is_dir():
            return []
        entries = os.scandir(self.packages)
        return sorted(entry.name for entry in entries if not is_name(entry.name) and not _is_leftover(entry))

    def stray_stamps(self, names: Collection[str]) -> list[str]:
        """What lies among the tokens and is of none of these packages."""
        folder = self.folder / "stamps"
        found = {entry.name for entry in os.scandir(folder)} if folder.is_dir() else set()
        return sorted(found - {self.token(name).name for name in names})


def open_store(folder: Path) -> Store:
    """A store that is there.

    Raises ArchiveError where the folder is none, DamageError where a part of it is not of its kind.
    """
    if not (folder / MARKER).is_file():
        raise ArchiveError(
            f"{folder} is no store of packages. Name the folder that was given to sillwright archive with -o."
        )
    store = Store(folder)
    _check_kinds(store)
    return store


def make_store(folder: Path) -> Store:
    """The store in a folder, made where there is none yet.

    Raises ArchiveError where something else lies in the folder, DamageError where its log is gone or a part of it is
    not of its kind, and OSError where it cannot be written.
    """
    store = Store(folder)
    _check_kinds(store)
    if not (folder / MARKER).is_file():
        strange = folder.exists() and (not folder.is_dir() or not _could_become_one(folder))
        if strange and not (folder / MARKER).is_file():  # another process may have made it one meanwhile
            raise ArchiveError(
                f"{folder} is there already and is no store of packages. Name a new folder with -o, or a store."
            )
        folder.mkdir(parents=True, exist_ok=True)
        with writing(store):
            if not (folder / MARKER).is_file():
                _begin_log(store)
                write_whole(folder / MARKER, _MARKER_TEXT)
    elif not store.entries.exists():
        with writing(store):
            _begin_log(store)
    store.packages.mkdir(exist_ok=True)
    return store


def _check_kinds(store: Store) -> None:
    """Raise DamageError where a link stands for a part of the store, or a pipe, a file or a folder for another thing.

    What lies elsewhere is not kept by this store, and writing through a link would change what it leads to.
    """
    folders = (store.packages, store.log, store.log / "heads", store.folder / "stamps", store.audit)
    files = [store.folder / MARKER, store.entries, store.unfinished]
    files += [folder / LOCK for folder in (store.folder, store.audit)]
    databases = (store.catalogue, store.folder / CATALOGUE_ASIDE)
    files += [Path(f"{path}{ending}") for path in databases for ending in ("", "-wal", "-shm", "-journal")]
    for path in (*folders, *files):
        try:
            mode = os.lstat(path).st_mode
        except FileNotFoundError:
            continue
        except NotADirectoryError:
            break  # the store's folder is a file, which is told of elsewhere
        if not (stat.S_ISDIR(mode) if path in folders else stat.S_ISREG(mode)):
            kind = "folder" if path in folders else "file"
            what = "a link" if stat.S_ISLNK(mode) else f"no {kind}"
            raise DamageError(
                f"{path} is {what} where a {kind} of the store should be, so nothing in this store was read or "
                f"changed. Put the {kind} itself there, or take away what stands there."
            )


def has_log(store: Store) -> bool:
    """Whether the store's log is there. Raises DamageError where it is not, and packages lie in the store."""
    if os.path.lexists(store.entries):
        return True
    if store.names():
        raise DamageError(
            f"{store.entries} is missing, and packages lie in the store: without the log nothing shows that none of "
            "them was changed or taken away. Put back the folder log from a backup. Where there is none, leave this "
            "store as it is, and begin a new one with archive -o; each package can still be audited by its own folder."
        )
    return False


def _begin_log(store: Store) -> None:
    """An empty log, from the very first: one that is missing later was taken away."""
    if not has_log(store):
        store.log.mkdir(exist_ok=True)
        write_whole(store.entries, b"")


@contextmanager
def writing(store: Store) -> Iterator[None]:
    """Be the one writer of a store; a second one waits. The system lets go of it when a process ends, however."""
    with (store.folder / LOCK).open("a") as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield


@contextmanager
def held_still(store: Store) -> Iterator[None]:
    """Have no writer change the store meanwhile, where that can be had; several may read at once."""
    try:
        handle = os.open(store.folder / LOCK, os.O_RDONLY | os.O_NOFOLLOW)
    except OSError:  # nobody has written here, or nobody may
        yield
        return
    try:
        with suppress(OSError):  # some disks keep no locks
            fcntl.flock(handle, fcntl.LOCK_SH)
        yield
    finally:
        os.close(handle)


def clear_leftovers(store: Store) -> None:
    """Take away what a killed writer was building. Only the one writer may: nothing it finds is being built."""
    for entry in list(os.scandir(store.packages)):
        if _is_leftover(entry):
            try:
                shutil.rmtree(entry.path)
            except RecursionError as fault:
                raise DamageError(
                    f"{entry.path} has folders in each other without end, which no run left behind. Take it away."
                ) from fault
    for path in store.folder.glob(f"{CATALOGUE_ASIDE}*"):
        path.unlink()


def _is_leftover(entry: os.DirEntry[str]) -> bool:
    """Whether this is a package that was being built. A file or link of such a name is somebody else's."""
    return entry.name.startswith(BUILDING) and entry.is_dir(follow_symlinks=False)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file aside and rename it, and have the disk keep both."""
    write_aside(path, content)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Have the disk keep which names stand in a folder."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _could_become_one(folder: Path) -> bool:
    """An empty folder, or one where the making of a store was cut off."""
    began = all(entry.name in (LOCK, "log") or entry.name.startswith(f".{MARKER}.") for entry in os.scandir(folder))
    log = folder / "log"
    return began and not (log.exists() and any(path.is_dir() or path.stat().st_size for path in log.rglob("*")))
