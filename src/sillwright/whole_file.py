"""Files that are written whole or not at all, and read whole: only plain ones, none larger than could be ours.

A pipe would be waited for without end, and a file of many gigabytes would take all memory before anything in it could
be found wrong.
"""

from __future__ import annotations

import errno
import os
import stat
import tempfile
from pathlib import Path

LARGEST_BYTES = 200_000_000  # a record of ten thousand bolts has a tenth of it


def read_whole(path: Path, most_bytes: int = LARGEST_BYTES) -> bytes:
    """The content of a file. Raises OSError where it cannot be read, is no plain file, or is larger than that."""
    found = path.stat()
    if not stat.S_ISREG(found.st_mode) and not stat.S_ISDIR(found.st_mode):
        raise OSError(errno.EINVAL, "it is no plain file", str(path))
    if found.st_size > most_bytes:
        raise OSError(
            errno.EFBIG, f"it has more than {most_bytes // 1_000_000} MB, and none of its kind has", str(path)
        )
    return path.read_bytes()


def write_aside(path: Path, content: bytes) -> None:
    """Write a file beside its final place, flush it to disk, then rename it there."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, aside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        Path(aside).chmod(0o644)
        Path(aside).replace(path)
    except BaseException:
        Path(aside).unlink(missing_ok=True)
        raise
