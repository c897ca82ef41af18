"""One package held against its manifests: what is changed, missing or added, and what is made to do harm.

Nothing of a package is opened before its names are looked at: a link, a device, or a path in a manifest that leads out
of the package ends the examination there. What then stands is read by the bagit library, and its own findings are
given on.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Literal

import bagit

from sillwright.archive.package import BAGIT_TXT, plain_file, read_record
from sillwright.archive.seal import ALGORITHMS
from sillwright.errors import DamageError

FaultKind = Literal[
    "changed",  # the bytes are not those that were sealed
    "missing",
    "added",
    "unsafe",  # made to do harm to who reads it: not read
    "unreadable",  # the disk does not give it
    "malformed",  # not a bag of ours: ``told`` says why
    "not in log",
    "not the logged one",  # its manifests are not those that the log holds
    "package missing",  # in the log, and not in the store
    "log",  # the log itself: ``told`` says what
    "stamp",  # the time-stamp token: ``told`` says what
]
TAG_FILES = frozenset(
    [
        "bagit.txt",
        "bag-info.txt",
        *(f"{kind}-{algorithm}.txt" for algorithm in ALGORITHMS for kind in ("manifest", "tagmanifest")),
    ]
)
LARGEST_MANIFEST = 20_000_000  # bytes: a hundred thousand files
MOST_FILES = 100_000
_BLOCK = 1 << 20  # bytes read at a time


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong. ``path`` is relative to the package's folder; empty where it is of the whole."""

    kind: FaultKind
    path: str = ""
    told: str = ""


def examine(package: Path) -> tuple[Fault, ...]:
    """Everything wrong with one package by its own manifests, sorted by path; nothing where it is whole."""
    try:
        found, faults = _look(package)
        if not any(fault.kind in ("unsafe", "unreadable") for fault in faults):
            faults += _manifest_faults(package, found)
        if not any(fault.kind in ("unsafe", "unreadable", "malformed") for fault in faults):
            faults += _bag_faults(package)
            faults += _record_faults(package, faults)
    except OSError as fault:
        where = Path(fault.filename or package)
        inside = where.relative_to(package).as_posix() if where.is_relative_to(package) else ""
        faults = [Fault("unreadable", inside, fault.strerror or str(fault))]
    return tuple(sorted(dict.fromkeys(faults), key=lambda fault: (fault.path, fault.kind)))


def _look(package: Path) -> tuple[set[str], list[Fault]]:
    """Every file by its path, and faults of names and kinds of files. Links are never followed."""
    if not stat.S_ISDIR(os.lstat(package).st_mode):
        return set(), [Fault("unsafe", "", "is a link or a file where a package's folder should be")]
    found: set[str] = set()
    faults: list[Fault] = []
    for here, folders, names in os.walk(package, onerror=_raise):
        for name in [*folders, *names]:
            path = Path(here, name)
            inside = path.relative_to(package).as_posix()
            mode = os.lstat(path).st_mode
            if not stat.S_ISDIR(mode) and not stat.S_ISREG(mode):
                faults.append(Fault("unsafe", inside, "is a link" if stat.S_ISLNK(mode) else "is no plain file"))
            elif stat.S_ISREG(mode):
                found.add(inside)
        if len(found) > MOST_FILES:
            return found, [Fault("unsafe", "", f"holds more than {MOST_FILES} files")]
    faults += [Fault("added", path) for path in found if not path.startswith("data/") and path not in TAG_FILES]
    faults += [Fault("missing", path) for path in TAG_FILES - found]
    return found, faults


def _raise(fault: OSError) -> None:
    raise fault


def _manifest_faults(package: Path, found: set[str]) -> list[Fault]:
    """What the manifests themselves say that no manifest of ours says."""
    faults: list[Fault] = []
    if "bagit.txt" in found and (package / "bagit.txt").read_bytes() != BAGIT_TXT.encode():
        faults.append(Fault("malformed", "bagit.txt", "does not declare a bag as ours are declared"))
    listed: dict[str, set[str]] = {}
    for name in sorted(TAG_FILES & found):
        if "manifest-" not in name:
            continue
        if (package / name).stat().st_size > LARGEST_MANIFEST:
            faults.append(Fault("unsafe", name, "is too large for a manifest"))
            continue
        try:
            paths = list(_listed(package / name))
        except ValueError as fault:
            faults.append(Fault("malformed", name, str(fault)))
            continue
        is_tag = name.startswith("tag")
        for path in paths:
            if not _is_safe(path):
                faults.append(Fault("unsafe", name, f"names {path!r}, which leads out of the package"))
            elif is_tag == path.startswith("data/"):
                faults.append(Fault("malformed", name, f"names {path!r}, which is not its to name"))
        if len(paths) != len(set(paths)):
            faults.append(Fault("malformed", name, "names a file twice"))
        listed[name] = set(paths)
    for kind in ("manifest", "tagmanifest"):
        first, second = (listed.get(f"{kind}-{algorithm}.txt", set()) for algorithm in ALGORITHMS)
        if f"{kind}-sha256.txt" in listed and f"{kind}-sha512.txt" in listed and first != second:
            faults.append(Fault("malformed", f"{kind}-sha512.txt", f"names other files than {kind}-sha256.txt"))
    return faults


def _listed(path: Path) -> Iterator[str]:
    """The paths in a manifest. Raises ValueError at a line that is none."""
    for line in path.read_text(encoding="utf-8").split("\n"):
        if not line:
            continue
        parts = line.split(" ", 1)
        if len(parts) != 2 or not parts[1].strip():
            raise ValueError(f"has a line that is no checksum: {line[:80]!r}")
        yield parts[1].lstrip(" *")


def _is_safe(path: str) -> bool:
    parts = PurePosixPath(path).parts
    return (
        bool(parts)
        and not path.startswith(("/", "~"))
        and "\\" not in path
        and "\x00" not in path
        and ".." not in parts
        and not (len(parts[0]) > 1 and parts[0][1] == ":")
    )


def _bag_faults(package: Path) -> list[Fault]:
    """What is missing and added by the library's word, and every checksum of what is there, whatever is missing."""
    try:
        bag = bagit.Bag(str(package))
        missing, added = bag.compare_manifests_with_fs()
        faults = [Fault("missing", path) for path in missing] + [Fault("added", path) for path in added]
        gone = set(missing)
        for path, expected in bag.entries.items():
            if path not in gone:
                faults += _checksum_faults(package / bag.normalized_filesystem_names.get(path, path), path, expected)
        if not faults:
            bag.validate(fast=True)
    except (bagit.BagError, ValueError, LookupError, TypeError) as fault:
        return [Fault("malformed", "", " ".join(str(fault).split()))]
    return faults


def _checksum_faults(file: Path, path: str, expected: dict[str, str]) -> list[Fault]:
    """Whether a file has the checksums that the manifests give it; read once for all of them."""
    running = {algorithm: hashlib.new(algorithm) for algorithm in expected}
    try:
        with file.open("rb") as stream:
            while block := stream.read(_BLOCK):
                for one in running.values():
                    one.update(block)
    except FileNotFoundError:
        return [Fault("missing", path)]
    except OSError as fault:
        return [Fault("unreadable", path, fault.strerror or str(fault))]
    same = all(running[algorithm].hexdigest() == digest.lower() for algorithm, digest in expected.items())
    return [] if same else [Fault("changed", path)]


def _record_faults(package: Path, faults: list[Fault]) -> list[Fault]:
    if any(fault.path == "data/package.json" for fault in faults):
        return []
    try:
        plain_file(package, f"data/{read_record(package).job_file}")
    except (DamageError, OSError) as fault:
        return [Fault("malformed", "data/package.json", str(fault))]
    return []
