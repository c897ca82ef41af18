"""The whole of archiving, in order, as the one writer: a package sealed and put into the log, or nothing."""

from __future__ import annotations

import shutil
import time
from dataclasses import dataclass
from datetime import UTC, datetime

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from sillwright.archive.contents import Contents
from sillwright.archive.heads import Head
from sillwright.archive.log import append, read_entries
from sillwright.archive.seal import Check, Sealed, seal
from sillwright.archive.store import BUILDING, Store, clear_leftovers, writing
from sillwright.errors import DamageError


@dataclass(frozen=True)
class Kept:
    """A package, and the log's head that covers it."""

    sealed: Sealed
    head: Head


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

    Raises ArchiveError, DamageError or OSError; then neither the packages nor the log have changed.
    """
    with writing(store):
        clear_leftovers(store)
        sealed = seal(store, contents, signed_off=signed_off, lot=lot, now=datetime.now(UTC), check=check)
        try:
            return Kept(sealed, append(store, sealed.name, time.time_ns() // 1_000_000, key))
        except BaseException:
            if sealed.is_new and not _is_logged(store, sealed.name):
                _take_back(store, sealed.name)
            raise


def _is_logged(store: Store, name: str) -> bool:
    try:
        return any(entry.name == name for entry in read_entries(store))
    except DamageError:
        return False


def _take_back(store: Store, name: str) -> None:
    aside = store.packages / f"{BUILDING}{name}"
    store.package(name).rename(aside)
    shutil.rmtree(aside)
