"""The whole of archiving, in order, as the one writer: a package sealed and put into the log, or nothing."""

from __future__ import annotations

import shutil
import time
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from sillwright.archive.contents import Contents
from sillwright.archive.examine import examine
from sillwright.archive.heads import Head
from sillwright.archive.log import append, is_unfinished, read_entries, read_unfinished
from sillwright.archive.seal import Check, Sealed, seal
from sillwright.archive.store import BUILDING, Store, clear_leftovers, writing
from sillwright.errors import DamageError


@dataclass(frozen=True)
class Kept:
    """A package, and the log's head that covers it.

    finished : another one that a run which was killed had sealed, and that was put into the log first; empty: none
    """

    sealed: Sealed
    head: Head
    finished: str = ""


def keep(
    store: Store,
    contents: Contents,
    *,
    signed_off: str = "",
    lot: str = "",
    key: Ed25519PrivateKey | None = None,
    check: Check | None = None,
) -> Kept:
    """Seal the contents and put their digest into the log, signed where a key is given; ``check`` is as in ``seal``.

    Raises ArchiveError, DamageError or OSError; then neither the packages nor the log have changed, but that a package
    sealed by a run that was killed may have got its entry.
    """
    with writing(store), ExitStack() as at_last:
        clear_leftovers(store)
        finished = _finish(store, key)
        at_last.callback(store.unfinished.unlink, missing_ok=True)
        sealed = seal(store, contents, signed_off=signed_off, lot=lot, now=datetime.now(UTC), check=check)
        try:
            return Kept(sealed, append(store, sealed.name, _now_ms(), key), finished)
        except BaseException:
            if sealed.is_new and not _is_logged(store, sealed.name):
                _take_back(store, sealed.name)
            raise


def _finish(store: Store, key: Ed25519PrivateKey | None) -> str:
    """Put into the log what a killed run had sealed, where it is whole and is what that run noted; its name."""
    noted = read_unfinished(store)
    if noted is None or _is_logged(store, noted.name) or not is_unfinished(store, noted.name):
        return ""
    if examine(store.package(noted.name)):
        return ""  # the audit tells of it
    append(store, noted.name, _now_ms(), key)
    return noted.name


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


def _is_logged(store: Store, name: str) -> bool:
    try:
        return any(entry.name == name for entry in read_entries(store))
    except DamageError:
        return False


def _take_back(store: Store, name: str) -> None:
    aside = store.packages / f"{BUILDING}{name}"
    store.package(name).rename(aside)
    shutil.rmtree(aside)
