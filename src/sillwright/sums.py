"""Lists of checksums that ``measure`` and ``plates`` leave beside what they wrote, so that it can be told later whether
files in a folder of results belong together. They are as ``sha256sum -c`` reads them.

``measure.sha256`` has all that one measurement wrote, apart from its copy of the job file, which is written on in
afterwards. ``plates.sha256`` has all that one plan wrote, and the files it was planned from.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from pathlib import Path

from sillwright.errors import JobError
from sillwright.whole_file import read_whole

MEASURED, PLANNED = "measure.sha256", "plates.sha256"


def sha256_of(path: Path) -> str:
    """The SHA-256 of a file in hexadecimal digits. Raises OSError where it cannot be read."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sums_of(folder: Path, paths: Iterable[Path]) -> dict[str, str]:
    """The SHA-256 of each file by its path in the folder, with forward slashes."""
    return {path.relative_to(folder).as_posix(): sha256_of(path) for path in paths}


def sums_bytes(sums: Mapping[str, str]) -> bytes:
    """The content of a list. No name may hold a line break or a backslash; none that sillwright writes does."""
    return "".join(f"{digest}  {name}\n" for name, digest in sorted(sums.items())).encode()


def read_sums(path: Path) -> dict[str, str]:
    """A list's checksums by name. Raises JobError where the file is no list."""
    try:
        lines = read_whole(path).decode("utf-8").split("\n")[:-1]
        found = [re.fullmatch(r"([0-9a-f]{64})  (.+)", line) for line in lines]
    except (OSError, ValueError) as fault:
        raise JobError(f"{path} cannot be read ({fault}). {_again(path)}") from fault
    if not found or not all(found):
        raise JobError(f"{path} is no list of checksums that sillwright wrote. {_again(path)}")
    return {one[2]: one[1] for one in found if one}


def _again(path: Path) -> str:
    return f"Run {path.stem} again."
