"""All packages of a store against their manifests, and the log against itself: in parallel, and gone on with.

Notes of an audit that was cut off lie in the store, where whoever damages a package can write them too. They put what
was not read in front, and nothing more: a package is passed over for them only where that is asked for.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from sillwright.archive.examine import Fault, examine
from sillwright.archive.heads import Head, false_signatures, signed_by
from sillwright.archive.log import (
    TAG_MANIFESTS,
    Entry,
    covers,
    entry_of,
    is_unfinished,
    leaves,
    log_strangers,
    read_entries,
    read_heads,
)
from sillwright.archive.merkle import every_root
from sillwright.archive.notes import Line, Notes, fresh_and_whole, only_audit
from sillwright.archive.stamp import Stamp, check_token
from sillwright.archive.store import Store, held_still
from sillwright.errors import DamageError

_MOST_NAMED = 5  # missing heads
_STRAY_STAMP = "is of no package that is here. Name it as the package is named, with .tsr behind, or take it away"
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

    gone_on : how many packages were not read, as an audit that was cut off had noted them whole; 0 unless asked for
    log_faults : of the log and of the store's folder
    unsigned : packages that no head signed by the given key covers; None where no key was given
    not_noted : why it could not be noted how far the audit came; empty where it was
    no_room : whether that was for want of room on the disk
    """

    packages: tuple[PackageAudit, ...]
    log_faults: tuple[Fault, ...]
    head: Head | None
    gone_on: int
    unsigned: tuple[str, ...] | None = None
    not_noted: str = ""
    no_room: bool = False

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
    resume: bool = False,
    anew: bool = False,
    now: datetime | None = None,
) -> Audit:
    """Read every byte of every package; those first that an audit which was cut off did not come to.

    key : whose signature every package must be covered by; kept : an earlier head that somebody kept elsewhere
    roots : certificates that every time-stamp token there must lead to
    resume : do not read what an audit that was cut off in the last 24 hours noted as whole; it is counted
    anew : in the order of names, whatever an audit that was cut off had read
    Raises ArchiveError where another audit of the store is at work.
    """
    moment = now or datetime.now(UTC)
    with only_audit(store), closing(Notes(store)) as notes:
        with held_still(store):  # package, entry and head of one that is being sealed come one after the other
            log_faults, entries, heads = _log(store, kept)
            there = store.names()
        logged = {entry.name: entry for entry in entries or ()}
        read = {} if anew else notes.read()
        fresh = fresh_and_whole(read.values(), moment) if resume else []
        done = {name: PackageAudit(name, ()) for name in fresh if _stands(store, name, logged)}
        order = {name: place for place, name in enumerate(read, start=1)}
        names = [name for name in sorted({*there, *logged}) if name not in done]
        names.sort(key=lambda name: order.get(name, 0))  # read longest ago first, so that cut audits come round
        seen = dict(done)
        notes.begin(moment, read.values())
        with ThreadPoolExecutor(workers) as pool:
            for result in _examined(pool, store, names, None if entries is None else logged):
                notes.add(Line(result.name, result.faults, now or datetime.now(UTC)))
                seen[result.name] = result
                if progress is not None:
                    progress(len(seen), len(names) + len(done))
        notes.finish()
    log_faults += _strangers(store, seen)
    packages = tuple(_with_stamp(store, seen[name], roots) for name in sorted(seen))
    unsigned = None if key is None else _unsigned([one.name for one in packages], entries or [], heads, key)
    head = heads[-1] if heads else None
    return Audit(packages, tuple(log_faults), head, len(done), unsigned, notes.lost, notes.no_room)


def audit_package(store: Store, name: str, roots: Sequence[x509.Certificate] = ()) -> Audit:
    """Read every byte of one package of a store, and hold it against the log, and the log against itself.

    Nothing is noted, so that it does not matter whether an audit of the whole store is at work.
    """
    log_faults, entries, heads = _log(store, None)
    logged = None if entries is None else {entry.name: entry for entry in entries}
    one = _with_stamp(store, PackageAudit(name, examine_in_store(store, name, logged)), roots)
    return Audit((one,), tuple(log_faults), heads[-1] if heads else None, 0)


def _strangers(store: Store, names: Collection[str]) -> list[Fault]:
    """What lies in the store and is none of it."""
    try:
        faults = [Fault("added", f"packages/{name}") for name in store.strangers()]
        faults += [Fault("added", f"log/{name}") for name in log_strangers(store)]
        return faults + [Fault("stamp", f"stamps/{name}", _STRAY_STAMP) for name in store.stray_stamps(names)]
    except OSError as fault:
        inside = Path(fault.filename or store.folder)
        where = inside.relative_to(store.folder).as_posix() if inside.is_relative_to(store.folder) else ""
        return [Fault("unreadable", where, fault.strerror or str(fault))]


def examine_in_store(store: Store, name: str, logged: dict[str, Entry] | None) -> tuple[Fault, ...]:
    """One package by its own manifests and by the log; ``logged`` is None where the log cannot be read."""
    package = store.package(name)
    if not os.path.lexists(package):
        return (Fault("package missing"),)
    faults = examine(package)
    if logged is None or any(fault.kind == "unsafe" for fault in faults):
        return faults
    if name not in logged:
        return (Fault("unfinished" if is_unfinished(store, name) else "not in log"), *faults)
    try:
        own = entry_of(package).digests
    except (OSError, DamageError):
        return (Fault("not the logged one"), *faults)
    each = zip(TAG_MANIFESTS, own, logged[name].digests, strict=True)
    return (*(Fault("not the logged one", list_name) for list_name, is_now, was in each if is_now != was), *faults)


def _with_stamp(store: Store, one: PackageAudit, roots: Sequence[x509.Certificate]) -> PackageAudit:
    token = store.token(one.name)
    if not os.path.lexists(token) or any(fault.kind in ("unsafe", "package missing") for fault in one.faults):
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
    faults += _missing_heads({head.tree_size for head in heads}, len(entries))
    if kept is not None and not covers(kept, entries):
        faults.append(
            Fault("log", "log/entries.txt", "is not the log that the kept head was taken from, or entries were changed")
        )
    return faults, entries, heads


def _missing_heads(sizes: set[int], entries: int) -> Iterator[Fault]:
    """There is a head for each entry, but for the last one where the run that made it was killed."""
    missing = [size for size in range(1, entries + 1) if size not in sizes]
    if missing == [entries]:
        yield Fault("log", "log/heads", "has no head for the last entry: run archive again")
    elif missing:
        some = ", ".join(map(str, missing[:_MOST_NAMED])) + (" and more" if len(missing) > _MOST_NAMED else "")
        yield Fault(
            "log",
            "log/heads",
            f"has no head for {len(missing)} of {entries} entries (number {some}): put them back from a copy. A run "
            "of an older sillwright that was killed may have left one out",
        )


def _unsigned(names: list[str], entries: list[Entry], heads: list[Head], key: Ed25519PublicKey) -> tuple[str, ...]:
    size = max((head.tree_size for head in heads if signed_by(head, key)), default=0)
    covered = {entry.name for entry in entries[:size]}
    return tuple(name for name in names if name not in covered)


def _stands(store: Store, name: str, logged: dict[str, Entry]) -> bool:
    """Whether a package seen earlier is still there, with the tag manifests that the log holds."""
    try:
        return entry_of(store.package(name)) == logged.get(name)
    except (OSError, DamageError):
        return False


def faults_of(audit: Audit) -> Iterable[tuple[str, Fault]]:
    """Each fault with the package it is of; those of the log and the store first, under an empty name."""
    yield from (("", fault) for fault in audit.log_faults)
    for one in audit.packages:
        yield from ((one.name, fault) for fault in one.faults)
