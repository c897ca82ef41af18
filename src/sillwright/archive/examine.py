"""One package held against its manifests: what is changed, missing or added, and what is made to do harm.

Nothing of a package is opened before its names are looked at: a link, a device, or a path in a manifest that leads out
of the package ends the examination there. Whatever else is wrong, every file that any manifest tells of is read; where
nothing is wrong the bagit library is asked as well, and its own findings are given on.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
import unicodedata
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Literal

import bagit

from sillwright.archive.package import ALGORITHMS, BAGIT_TXT, plain_file, read_record
from sillwright.errors import DamageError

FaultKind = Literal[
    "changed",  # the bytes are not those that were sealed
    "missing",
    "added",
    "unsafe",  # made to do harm to who reads it: not read
    "unreadable",  # the disk does not give it
    "malformed",  # not a bag of ours: ``told`` says why
    "not in log",
    "unfinished",  # not in the log, and noted by the run that sealed it, which is at work or was cut off
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
MOST_DEEP = 60  # folders in folders; going down takes a call each
_NOTHING_ELSE = "Nothing else in this package was read"
_BLOCK = 1 << 20  # bytes read at a time


Digests = dict[str, list[tuple[str, str]]]
"""By path, what the manifests give it: an algorithm, and a checksum in hexadecimal digits, each."""


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong. ``path`` is relative to the package's folder; empty where it is of the whole."""

    kind: FaultKind
    path: str = ""
    told: str = ""


def examine(package: Path) -> tuple[Fault, ...]:
    """Everything wrong with one package by its own manifests, sorted by path; nothing where it is whole."""
    try:
        found, folders, faults = _look(package)
        listed: Digests = {}
        if not _hostile(faults):
            listed, of_manifests = _manifests(package, found)
            faults += of_manifests
        if not _hostile(faults):
            faults += _content_faults(package, found, folders, listed)
            if not faults:
                faults += _bag_faults(package)
            faults += _record_faults(package, faults)
    except OSError as fault:
        where = Path(fault.filename or package)
        inside = where.relative_to(package).as_posix() if where.is_relative_to(package) else ""
        faults = [Fault("unreadable", inside, f"{fault.strerror or fault}. {_NOTHING_ELSE}")]
    return tuple(sorted(dict.fromkeys(faults), key=lambda fault: (fault.path, fault.kind)))


def refuse_unsafe(package: Path) -> Digests:
    """Look at the names in a package and in its manifests before any of it is used; contents are not read. Gives back
    what the manifests tell of each file.

    Raises DamageError where one is made to do harm to who reads it, files would have to be fetched from elsewhere, or
    the disk does not give them.
    """
    listed: Digests = {}
    try:
        found, _, faults = _look(package)
        if not _hostile(faults):
            listed, of_manifests = _manifests(package, found)
            faults += of_manifests
    except OSError as fault:
        raise DamageError(f"{package.name} cannot be read from the disk ({fault.strerror or fault}).") from fault
    for one in faults:
        if one.kind == "unsafe":
            told = f"{one.path} {one.told}" if one.path else f"it {one.told}"
            raise DamageError(f"{package.name} is not safe to read: {told}. Nothing in it was read.")
    if "fetch.txt" in found:
        raise DamageError(
            f"{package.name} is not safe to read: its fetch.txt would have files fetched from elsewhere. Nothing in it "
            "was read."
        )
    return listed


def _hostile(faults: list[Fault]) -> bool:
    return any(fault.kind == "unsafe" for fault in faults)


def _look(package: Path) -> tuple[set[str], set[str], list[Fault]]:
    """Every file and every folder by its path, and faults of names and kinds of files. Links are never followed."""
    if not stat.S_ISDIR(os.lstat(package).st_mode):
        return set(), set(), [Fault("unsafe", "", "is a link or a file where a package's folder should be")]
    found: set[str] = set()
    inner: set[str] = set()
    faults: list[Fault] = []
    for here, folders, names in os.walk(package, onerror=_raise):
        if len(Path(here).parts) - len(package.parts) > MOST_DEEP:
            return found, inner, [Fault("unsafe", "", f"has folders more than {MOST_DEEP} deep in each other")]
        for name in [*folders, *names]:
            path = Path(here, name)
            inside = path.relative_to(package).as_posix()
            mode = os.lstat(path).st_mode
            if not stat.S_ISDIR(mode) and not stat.S_ISREG(mode):
                faults.append(Fault("unsafe", inside, "is a link" if stat.S_ISLNK(mode) else "is no plain file"))
            else:
                (found if stat.S_ISREG(mode) else inner).add(inside)
        if len(found) + len(inner) > MOST_FILES:
            return found, inner, [Fault("unsafe", "", f"holds more than {MOST_FILES} files")]
    faults += [Fault("added", path) for path in found if not path.startswith("data/") and path not in TAG_FILES]
    faults += [Fault("missing", path) for path in TAG_FILES - found]
    return found, inner, faults


def _raise(fault: OSError) -> None:
    raise fault


def _manifests(package: Path, found: set[str]) -> tuple[Digests, list[Fault]]:
    """What all manifests give, as far as they can be read, and what they say that no manifest of ours says."""
    faults: list[Fault] = []
    for name in sorted(TAG_FILES & found):
        if (package / name).stat().st_size > LARGEST_MANIFEST:
            faults.append(Fault("unsafe", name, "is too large to be one that sillwright archive wrote"))
    if faults:
        return {}, faults
    if "bagit.txt" in found and (package / "bagit.txt").read_bytes() != BAGIT_TXT.encode():
        faults.append(Fault("malformed", "bagit.txt", "does not declare a bag as ours are declared"))
    digests: Digests = {}
    listed: dict[str, set[str]] = {}
    for name in sorted(TAG_FILES & found):
        if "manifest-" not in name:
            continue
        algorithm = name.removesuffix(".txt").rsplit("-", 1)[1]
        lines, of_lines = _listed(package / name)
        faults += [Fault("malformed", name, told) for told in of_lines]
        is_tag = name.startswith("tag")
        for path, digest in lines:
            if not _is_safe(path):
                faults.append(Fault("unsafe", name, f"names {path!r}, which leads out of the package"))
            elif is_tag == path.startswith("data/"):
                faults.append(Fault("malformed", name, f"names {path!r}, which is not its to name"))
            else:
                digests.setdefault(path, []).append((algorithm, digest))
        listed[name] = {path for path, _ in lines}
        if len(lines) != len(listed[name]):
            faults.append(Fault("malformed", name, "names a file twice"))
    for kind in ("manifest", "tagmanifest"):
        first, second = (listed.get(f"{kind}-{algorithm}.txt", set()) for algorithm in ALGORITHMS)
        if f"{kind}-sha256.txt" in listed and f"{kind}-sha512.txt" in listed and first != second:
            faults.append(Fault("malformed", f"{kind}-sha512.txt", f"names other files than {kind}-sha256.txt"))
    return digests, faults


def _listed(path: Path) -> tuple[list[tuple[str, str]], list[str]]:
    """The paths in a manifest with their checksums, and what is wrong with lines that are none."""
    lines: list[tuple[str, str]] = []
    wrong: list[str] = []
    for line in path.read_bytes().split(b"\n"):
        words = line.decode("utf-8", "backslashreplace")
        parts = words.split(" ", 1)
        name = parts[-1].lstrip(" *")
        if re.fullmatch("[0-9a-fA-F]+", parts[0]) and len(parts) == 2 and name.strip():
            lines.append((name, parts[0].lower()))
        elif line:
            wrong.append(words)
    more = f", and {len(wrong) - 1} more" if len(wrong) > 1 else ""
    return lines, [f"has a line that is no checksum: {wrong[0][:80]!r}{more}"] if wrong else []


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


def _content_faults(package: Path, found: set[str], folders: set[str], listed: Digests) -> list[Fault]:
    """What is missing, added or changed by the manifests' word, whatever else is wrong."""
    faults = []
    by_letters = {unicodedata.normalize("NFC", path): path for path in found}  # some disks spell letters otherwise
    known = {path: by_letters.get(unicodedata.normalize("NFC", path)) for path in listed}
    for path, there in known.items():
        if there is None:
            faults.append(Fault("missing", path))
        else:
            faults += checksum_faults(package / there, path, listed[path])
    if any(path.startswith("data/") for path in listed):
        sealed = set(known.values())
        faults += [Fault("added", path) for path in found if path.startswith("data/") and path not in sealed]
    full = {str(parent) for path in (*found, *listed) for parent in PurePosixPath(path).parents}
    return faults + [Fault("added", f"{folder}/") for folder in folders - full]


def _bag_faults(package: Path) -> list[Fault]:
    """What the bagit library says of a package in which nothing was found wrong."""
    try:
        bagit.Bag(str(package)).validate(fast=True)
    except (bagit.BagError, ValueError, LookupError, TypeError) as fault:
        return [Fault("malformed", "", " ".join(str(fault).split()))]
    return []


def checksum_faults(file: Path, path: str, expected: list[tuple[str, str]]) -> list[Fault]:
    """Whether a file has the checksums that the manifests give it; read once for all of them."""
    running = {algorithm: hashlib.new(algorithm) for algorithm, _ in expected}
    try:
        with file.open("rb") as stream:
            while block := stream.read(_BLOCK):
                for one in running.values():
                    one.update(block)
    except FileNotFoundError:
        return [Fault("missing", path)]
    except OSError as fault:
        return [Fault("unreadable", path, fault.strerror or str(fault))]
    off = {algorithm for algorithm, digest in expected if running[algorithm].hexdigest() != digest}
    if off and off < running.keys():  # the file is what one list says: so the other was changed, not the file
        kind, told = "manifest" if path.startswith("data/") else "tagmanifest", f"gives {path!r} a false checksum"
        return [Fault("malformed", f"{kind}-{algorithm}.txt", told) for algorithm in sorted(off)]
    return [Fault("changed", path)] if off else []


def _record_faults(package: Path, faults: list[Fault]) -> list[Fault]:
    if any(fault.path == "data/package.json" for fault in faults):
        return []
    try:
        plain_file(package, f"data/{read_record(package).job_file}")
    except (DamageError, OSError) as fault:
        return [Fault("malformed", "data/package.json", str(fault))]
    return []
