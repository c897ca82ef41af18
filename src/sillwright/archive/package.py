"""One as-built package as data: ``data/package.json`` of a bag, what lies where in it, and how it is named.

A package is a bag as RFC 8493 has it. Under ``data/``:

- ``results/``: the folder that ``measure`` and ``plates`` wrote, byte for byte;
- ``job/``: the job file and its photos, byte for byte, laid so that measuring ``job_file`` works as it stands. A job
  file may name a profile above its own folder (``../../phone.json``): then the job's folder lies as many folders down
  in ``job/``, and the profile where that path leads;
- ``package.json``: this record.
"""

from __future__ import annotations

import json
import os
import re
import stat
from dataclasses import asdict, dataclass, field
from functools import cache
from pathlib import Path, PurePosixPath
from typing import Literal

from pydantic import TypeAdapter

from sillwright.errors import DamageError
from sillwright.survey_file import is_text
from sillwright.whole_file import LARGEST_BYTES

ALGORITHMS = ("sha256", "sha512")  # of the manifests

SCHEMA: Literal["sillwright-package-1"] = "sillwright-package-1"
RECORD = "package.json"
RESULTS = "results"
BAGIT_TXT = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"  # RFC 8493, 2.1.1; the library writes 0.97
JOB = "job"

_LONGEST_STEM = 60
_LARGEST_RECORD = 1_000_000  # bytes; a real one has about 1 kB


@dataclass(frozen=True)
class SignOff:
    """Who signed off, as they wrote it, and when, in UTC by the clock of the computer. Nobody checks the name."""

    by: str
    at: str


@dataclass(frozen=True)
class PackageRecord:
    """What a package says of itself. Paths are relative to ``data/``.

    day, day_from : the last day on which a photo was taken, by the cameras' clocks; where no photo says, the day of
    sealing
    sealed_at : UTC, as ISO 8601 writes it
    measured_by, measured_with : the program, and the libraries, that computed the numbers, as survey.json says
    sealed_with : those installed where the package was sealed
    not_told : what nothing showed to belong to the numbers when it was sealed: ``profile``, ``report`` or ``plates``;
    or ``libraries``, where the record does not say which computed it
    """

    job: str
    lot: str
    day: str
    day_from: Literal["photos", "sealing"]
    sealed_at: str
    signed_off: SignOff | None
    job_file: str
    profile: str | None
    photos: int
    measured_by: str
    measured_with: dict[str, str] = field(default_factory=dict)
    sealed_with: dict[str, str] = field(default_factory=dict)
    not_told: tuple[str, ...] = ()
    schema: Literal["sillwright-package-1"] = SCHEMA


def to_bytes(record: PackageRecord) -> bytes:
    """The content of package.json."""
    return json.dumps(asdict(record), indent=1, ensure_ascii=False).encode() + b"\n"


def read_record(package: Path) -> PackageRecord:
    """The record in a package's folder. Raises DamageError where it is not there, or is not one."""
    path = package / "data" / RECORD
    try:
        if plain_file(package, f"data/{RECORD}").stat().st_size > _LARGEST_RECORD:
            raise DamageError(f"{path} is not a record that sillwright archive wrote. Do not rely on this package.")
        record = _adapter().validate_json(path.read_bytes())
    except (OSError, ValueError) as fault:
        raise DamageError(
            f"{path} cannot be read as the record of a package ({_first_line(fault)}). Fetch the package again from "
            "where it was copied from."
        ) from fault
    if not all(is_text(words) for words in (record.job, record.lot, record.signed_off.by if record.signed_off else "")):
        raise DamageError(f"{path} has letters in it that no text has. Do not rely on this package.")
    return record


def plain_file(package: Path, inside: str) -> Path:
    """A file of a package, by a path that something in the package names.

    Raises DamageError where the path leads out of the package, or it or a folder on the way is a link; OSError where
    there is no such file.
    """
    named = PurePosixPath(inside)
    if "\0" in inside:
        raise DamageError(f"{package.name} names a file {inside!r}, which no file can be called, so it is not read.")
    if named.is_absolute() or ".." in named.parts:
        raise DamageError(f"{package.name} names a file {inside!r} outside of it, so it is not read.")
    path = package
    for part in ("", *named.parts):
        path = path / part
        if stat.S_ISLNK(os.lstat(path).st_mode):
            raise DamageError(f"{package.name} has a link in it, at {path.name}, so it is not read.")
    if not stat.S_ISREG(os.lstat(path).st_mode):
        raise DamageError(f"{package.name} has no plain file {inside}, so it is not read.")
    return path


def read_plain(path: Path) -> bytes:
    """The content of a file of a store, by a path that sillwright made.

    Raises DamageError where a link, a pipe or another thing stands there, which might never end, or a file larger than
    any of a store is; OSError where nothing does.
    """
    if not stat.S_ISREG(os.lstat(path).st_mode):
        raise DamageError(f"{path} is a link or no plain file, so it is not read. Put back the file from a copy.")
    if path.stat().st_size > LARGEST_BYTES:
        raise DamageError(f"{path} is larger than any file of a store, so it is not read. Put it back from a copy.")
    return path.read_bytes()


def read_inside(package: Path, inside: str) -> bytes:
    """The content of a file of a package. Raises as :func:`plain_file` and :func:`read_plain` do."""
    return read_plain(plain_file(package, inside))


def name_stem(job: str, day: str) -> str:
    """A package's name, before a number is put behind it where the name is taken: lower case, digits, hyphens.

    So names that differ in case only, or in letters a file system writes in two ways, never lie side by side.
    """
    plain = re.sub(r"[^a-z0-9]+", "-", job.casefold()).strip("-")[:_LONGEST_STEM].strip("-")
    return f"{plain or 'job'}-{day}"


def is_name(name: str) -> bool:
    """Whether this can be the name of a package in a store."""
    return re.fullmatch(r"[a-z0-9][a-z0-9-]{0,199}", name, re.ASCII) is not None


def lot_in(job: str) -> str:
    """The lot that a job's name speaks of: ``12`` in ``Lot 12, garage``; empty where it speaks of none."""
    found = re.search(r"\blot\s+(?:no\.?\s*|#\s*)?([\w-]+)", job, re.IGNORECASE)
    return found[1] if found else ""


def _first_line(fault: Exception) -> str:
    return str(fault).splitlines()[0] if str(fault) else type(fault).__name__


@cache
def _adapter() -> TypeAdapter[PackageRecord]:
    return TypeAdapter(PackageRecord)
