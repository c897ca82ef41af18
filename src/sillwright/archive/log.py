"""A store's append-only log: one entry a package, with the heads its Merkle tree had.

``log/entries.txt`` has a line for each package in the order they were sealed: its name, then the SHA-256 of its two tag
manifests, which hold the checksums of everything else. The line without its line feed is the leaf. ``log/heads/`` has
the head that the tree got with each.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from sillwright.archive.heads import Head, head_bytes, head_from, sign
from sillwright.archive.merkle import leaf_hash, tree_root
from sillwright.archive.package import is_name, read_inside, read_plain
from sillwright.archive.store import Store, has_log, write_whole
from sillwright.errors import DamageError

TAG_MANIFESTS = ("tagmanifest-sha256.txt", "tagmanifest-sha512.txt")


@dataclass(frozen=True)
class Entry:
    """One line of the log; digests in hexadecimal digits."""

    name: str
    digests: tuple[str, str]

    @property
    def line(self) -> bytes:
        """The leaf."""
        return " ".join((self.name, *self.digests)).encode("ascii")


def entry_of(package: Path) -> Entry:
    """What the log must hold of a package as it lies there.

    Raises OSError where its tag manifests cannot be read, DamageError where they are no plain files.
    """
    first, second = (sha256(read_inside(package, name)).hexdigest() for name in TAG_MANIFESTS)
    return Entry(package.name, (first, second))


def note_unfinished(store: Store, building: Path, name: str) -> None:
    """Note the entry that a finished package will have, before it gets its name: killed in between, it can be told from
    a package that somebody put there, or whose entry was taken away."""
    write_whole(store.unfinished, replace(entry_of(building), name=name).line + b"\n")


def read_unfinished(store: Store) -> Entry | None:
    """The entry noted last whose package is not known to be in the log; None where there is none, or no sense in it."""
    try:
        return parse_entry(read_plain(store.unfinished).decode("ascii").removesuffix("\n"))
    except (OSError, DamageError, ValueError):
        return None


def is_unfinished(store: Store, name: str) -> bool:
    """Whether a package is the one noted last, with the tag manifests it had then."""
    try:
        return entry_of(store.package(name)) == read_unfinished(store)
    except (OSError, DamageError):
        return False


def read_entries(store: Store) -> list[Entry]:
    """All entries. Raises DamageError where a line is not one, or there is no log over the packages that are there."""
    if not has_log(store):
        return []
    path, entries = store.entries, []
    for count, line in enumerate(read_plain(path).splitlines(keepends=True), start=1):
        try:
            if not line.endswith(b"\n"):
                raise ValueError("cut short")
            entries.append(parse_entry(line.decode("ascii").removesuffix("\n")))
        except ValueError as fault:
            raise DamageError(
                f"{path}, line {count} is no entry of a log. Put back the file from a copy; the packages themselves "
                "can still be checked one by one with sillwright audit."
            ) from fault
    return entries


def parse_entry(line: str) -> Entry:
    """An entry from its line. Raises ValueError where it is none."""
    name, *digests = line.split(" ")
    if not is_name(name) or len(digests) != 2 or any(len(bytes.fromhex(digest)) != 32 for digest in digests):
        raise ValueError(line)
    entry = Entry(name, (digests[0], digests[1]))
    if entry.line != line.encode():
        raise ValueError(line)
    return entry


def leaves(entries: list[Entry]) -> list[bytes]:
    """The leaf hashes of a log."""
    return [leaf_hash(entry.line) for entry in entries]


def append(store: Store, name: str, now_ms: int, key: Ed25519PrivateKey | None = None) -> Head:
    """Put a package into the log where it is not yet, and give the head that covers it, signed where a key is given.

    Call it as the one writer. Raises DamageError where the log holds another package under that name, or does not
    agree with its own last head: a log that was tampered with is not gone on with.
    """
    entries = read_entries(store)
    entry = entry_of(store.package(name))
    known = next((other for other in entries if other.name == name), None)
    if known is not None and known != entry:
        raise DamageError(
            f"the log holds another package under the name {name} than lies in the store: one of the two was changed. "
            f"Run sillwright audit {store.folder}"
        )
    last, covered = last_head(store), 0
    if last is not None:
        covered = last.tree_size
    if last is not None and not covers(last, entries):
        raise DamageError(
            f"{store.log} does not agree with its own last head: entries were changed or taken away. Nothing was "
            "added to it. Put back the log from a copy."
        )
    if covered < len(entries) - 1:
        raise DamageError(
            f"{store.log / 'heads'} has no head for the last {len(entries) - covered} entries, and a run that was "
            "killed leaves out one at most. Nothing was added. Put back the log from a copy."
        )
    if last is None or covered < len(entries):  # of a run that was killed in between
        last = _add_head(store, entries, now_ms) if entries else None
    if last is None or known is None:
        entries.append(entry)
        before = store.entries.stat().st_size if store.entries.exists() else 0
        write_whole(store.entries, b"".join(one.line + b"\n" for one in entries))
        try:
            last = _add_head(store, entries, now_ms)
        except BaseException:  # a full disk: what was there is to be as it was, and cutting a file short needs no room
            os.truncate(store.entries, before)
            raise
    if key is not None and sign(last, key) != last:
        last = sign(last, key)
        write_whole(head_path(store, last.tree_size), head_bytes(last))
    return last


def _add_head(store: Store, entries: list[Entry], now_ms: int) -> Head:
    head = Head(len(entries), tree_root(leaves(entries)).hex(), now_ms)
    write_whole(head_path(store, head.tree_size), head_bytes(head))
    return head


def covers(head: Head, entries: list[Entry]) -> bool:
    """Whether a log's first entries are those that the head was written over."""
    return head.tree_size <= len(entries) and tree_root(leaves(entries[: head.tree_size])) == head.root


def head_path(store: Store, size: int) -> Path:
    """Where the head of a tree of that size lies."""
    return store.log / "heads" / f"{size:08d}.json"


def read_heads(store: Store) -> list[Head]:
    """All heads, by size. Raises DamageError where a file is none, or is under another one's name."""
    heads = []
    for path in sorted((store.log / "heads").glob("[0-9]*.json")):
        head = head_from(read_plain(path), path)
        if head_path(store, head.tree_size).name != path.name:
            raise DamageError(
                f"{path} is the head of a log of {head.tree_size} entries. Put back the file from a copy."
            )
        heads.append(head)
    return heads


def log_strangers(store: Store) -> list[str]:
    """What lies in the log and is none of its files, by its path in it; what a killed writer left is not told of."""
    strangers = []
    for folder in (store.log, store.log / "heads"):
        for entry in os.scandir(folder) if folder.is_dir() else ():
            inside = Path(entry.path).relative_to(store.log).as_posix()
            if not re.fullmatch(
                r"(entries|unfinished)\.txt|heads|heads/\d{8,}\.json|(heads/)?\.[\w.]+\.(txt|json)\..+", inside
            ):
                strangers.append(inside)
    return sorted(strangers)


def last_head(store: Store) -> Head | None:
    """The head of the largest size; None where there is none."""
    paths = sorted((store.log / "heads").glob("[0-9]*.json"))
    return head_from(read_plain(paths[-1]), paths[-1]) if paths else None
