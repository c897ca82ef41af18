"""All packages of a store against their manifests, and the log against itself: in parallel, and gone on with.

How far an audit came is kept in ``audit/running.jsonl``, a line a package, so that one that was killed goes on where it
was. A line that was cut off does not count. When it is done the file becomes ``audit/last.jsonl``.
"""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TextIO

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from sillwright.archive.examine import Fault, examine
from sillwright.archive.heads import Head, false_signatures, signed_by
from sillwright.archive.log import Entry, covers, entry_of, leaves, read_entries, read_heads
from sillwright.archive.merkle import every_root
from sillwright.archive.stamp import Stamp, check_token
from sillwright.archive.store import Store, sync_folder
from sillwright.errors import ArchiveError, DamageError

GOES_ON_FOR = timedelta(hours=24)  # an audit cut off longer ago than this begins anew: what it saw may have changed
_AT_A_TIME = 64  # packages handed out before results are waited for

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class PackageAudit:
    """One package's result; ``stamp`` is its time-stamp token, where it has one that holds."""

    name: str
    faults: tuple[Fault, ...]
    stamp: Stamp | None = None


@dataclass(frozen=True)
class Audit:
    """The result of a whole store.

    gone_on : how many packages an audit that was cut off had seen already
    log_faults : of the log and of the store's folder
    unsigned : packages that no head signed by the given key covers; None where no key was given
    """

    packages: tuple[PackageAudit, ...]
    log_faults: tuple[Fault, ...]
    head: Head | None
    gone_on: int
    unsigned: tuple[str, ...] | None = None

    @property
    def damaged(self) -> bool:
        """Whether anything at all is wrong."""
        return bool(self.log_faults) or bool(self.unsigned) or any(one.faults for one in self.packages)


def audit_store(
    store: Store,
    *,
    workers: int,
    progress: Progress | None = None,
    key: Ed25519PublicKey | None = None,
    kept: Head | None = None,
    roots: Sequence[x509.Certificate] = (),
    anew: bool = False,
    now: datetime | None = None,
) -> Audit:
    """Read every byte of every package.

    key : whose signature every package must be covered by; kept : an earlier head that somebody kept elsewhere
    roots : certificates that every time-stamp token there must lead to
    anew : do not go on with an audit that was cut off
    Raises ArchiveError where another audit of the store is at work, OSError where nothing can be noted down.
    """
    moment = now or datetime.now(UTC)
    with _only_audit(store):
        log_faults, entries, heads = _log(store, kept)
        logged = {entry.name: entry for entry in entries or ()}
        running = store.audit / "running.jsonl"
        done = {} if anew else _done(running, moment)
        done = {name: one for name, one in done.items() if _stands(store, name, logged)}
        names = [name for name in sorted({*store.names(), *logged}) if name not in done]
        seen = dict(done)
        with _notes(running, moment, bool(done)) as notes, ThreadPoolExecutor(workers) as pool:
            for result in _examined(pool, store, names, None if entries is None else logged):
                _note(notes, {"name": result.name, "faults": [asdict(fault) for fault in result.faults]})
                seen[result.name] = result
                if progress is not None:
                    progress(len(seen), len(names) + len(done))
        running.replace(store.audit / "last.jsonl")
    log_faults += [Fault("added", f"packages/{name}") for name in store.strangers()]
    packages = tuple(_with_stamp(store, seen[name], roots) for name in sorted(seen))
    unsigned = None if key is None else _unsigned([one.name for one in packages], entries or [], heads, key)
    return Audit(packages, tuple(log_faults), heads[-1] if heads else None, len(done), unsigned)


def examine_in_store(store: Store, name: str, logged: dict[str, Entry] | None) -> tuple[Fault, ...]:
    """One package by its own manifests and by the log; ``logged`` is None where the log cannot be read."""
    package = store.package(name)
    if not os.path.lexists(package):
        return (Fault("package missing"),)
    faults = examine(package)
    if logged is None or any(fault.kind in ("unsafe", "unreadable") for fault in faults):
        return faults
    if name not in logged:
        return (Fault("not in log"), *faults)
    try:
        same = entry_of(package) == logged[name]
    except OSError:
        same = False
    return faults if same else (Fault("not the logged one"), *faults)


def _with_stamp(store: Store, one: PackageAudit, roots: Sequence[x509.Certificate]) -> PackageAudit:
    token = store.token(one.name)
    if not token.exists() or any(fault.kind in ("unsafe", "unreadable", "package missing") for fault in one.faults):
        return one
    try:
        return replace(one, stamp=check_token(token, store.package(one.name), roots))
    except (DamageError, OSError) as fault:
        return replace(one, faults=(*one.faults, Fault("stamp", "", str(fault))))


def _examined(
    pool: ThreadPoolExecutor, store: Store, names: list[str], logged: dict[str, Entry] | None
) -> Iterator[PackageAudit]:
    for start in range(0, len(names), _AT_A_TIME):
        some = names[start : start + _AT_A_TIME]
        for name, faults in zip(some, pool.map(lambda one: examine_in_store(store, one, logged), some), strict=True):
            yield PackageAudit(name, faults)


def _log(store: Store, kept: Head | None) -> tuple[list[Fault], list[Entry] | None, list[Head]]:
    """What is wrong with the log, its entries (None: not to be read), and its heads."""
    try:
        entries, heads = read_entries(store), read_heads(store)
    except (DamageError, OSError) as fault:
        return [Fault("log", "log", str(fault))], None, []
    faults = []
    if len({entry.name for entry in entries}) != len(entries):
        faults.append(Fault("log", "log/entries.txt", "names a package twice"))
    roots = list(every_root(leaves(entries)))
    for head in heads:
        path = f"log/heads/{head.tree_size:08d}.json"
        if not 0 < head.tree_size <= len(roots):
            faults.append(Fault("log", path, "is of a log with more entries than there are: some were taken away"))
        elif roots[head.tree_size - 1] != head.root:
            faults.append(Fault("log", path, "does not agree with the entries: some were changed, moved or replaced"))
        faults += [Fault("log", path, f"has a false signature of the key {one[:16]}") for one in false_signatures(head)]
    if entries and (not heads or heads[-1].tree_size < len(entries)):
        faults.append(Fault("log", "log/heads", "has no head for the last entry: run archive again"))
    if kept is not None and not covers(kept, entries):
        faults.append(
            Fault("log", "log/entries.txt", "is not the log that the kept head was taken from, or entries were changed")
        )
    return faults, entries, heads


def _unsigned(names: list[str], entries: list[Entry], heads: list[Head], key: Ed25519PublicKey) -> tuple[str, ...]:
    size = max((head.tree_size for head in heads if signed_by(head, key)), default=0)
    covered = {entry.name for entry in entries[:size]}
    return tuple(name for name in names if name not in covered)


@contextmanager
def _only_audit(store: Store) -> Iterator[None]:
    store.audit.mkdir(exist_ok=True)
    with (store.audit / ".lock").open("a") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as fault:
            raise ArchiveError(f"another audit of {store.folder} is at work. Wait for it, then start again.") from fault
        yield


def _done(running: Path, now: datetime) -> dict[str, PackageAudit]:
    """What an audit that was cut off had found whole. What it found damaged is looked at again: it may be mended."""
    try:
        lines = running.read_text(encoding="utf-8").split("\n")[:-1]
        begun = datetime.fromisoformat(json.loads(lines[0])["begun"])
        if not timedelta(0) <= now - begun <= GOES_ON_FOR:
            return {}
        results = [json.loads(line) for line in lines[1:]]
        return {one["name"]: PackageAudit(one["name"], ()) for one in results if not one["faults"]}
    except (OSError, ValueError, KeyError, IndexError, TypeError):
        return {}


def _stands(store: Store, name: str, logged: dict[str, Entry]) -> bool:
    """Whether a package seen earlier is still there, with the tag manifests that the log holds."""
    try:
        return entry_of(store.package(name)) == logged.get(name)
    except OSError:
        return False


@contextmanager
def _notes(running: Path, now: datetime, goes_on: bool) -> Iterator[TextIO]:
    """The file that notes are written to; a line that was cut off is taken away first."""
    if goes_on:
        content = running.read_bytes()
        with running.open("r+b") as stream:
            stream.truncate(content.rfind(b"\n") + 1)
    with running.open("a" if goes_on else "w", encoding="utf-8") as notes:
        if not goes_on:
            _note(notes, {"begun": now.isoformat()})
        yield notes
        os.fsync(notes.fileno())
    sync_folder(running.parent)


def _note(notes: TextIO, what: dict[str, Any]) -> None:
    notes.write(json.dumps(what) + "\n")
    notes.flush()


def faults_of(audit: Audit) -> Iterable[tuple[str, Fault]]:
    """Each fault with the package it is of; those of the log and the store first, under an empty name."""
    yield from (("", fault) for fault in audit.log_faults)
    for one in audit.packages:
        yield from ((one.name, fault) for fault in one.faults)
