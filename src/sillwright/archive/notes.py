"""How far an audit came, kept so that one that was cut off goes on where it was.

``audit/running.jsonl`` has a line for its beginning and one a package; a line that was cut off does not count. When it
is done the file becomes ``audit/last.jsonl``. Where the disk takes none of it, the audit goes on all the same.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import TextIO

from sillwright.archive.examine import Fault
from sillwright.archive.package import is_name, read_plain
from sillwright.archive.store import LOCK, Store, sync_folder
from sillwright.errors import ArchiveError, DamageError
from sillwright.whole_file import write_aside

GOES_ON_FOR = timedelta(hours=24)  # what was read longer ago than this is never passed over: it may have changed


@dataclass(frozen=True)
class Line:
    """That a package was read, what was found, and when."""

    name: str
    faults: tuple[Fault, ...]
    at: datetime


def fresh_and_whole(lines: Iterable[Line], now: datetime) -> list[str]:
    """The packages found whole in the last 24 hours. What was found damaged may have been mended."""
    return [line.name for line in lines if not line.faults and timedelta(0) <= now - line.at <= GOES_ON_FOR]


def _as_json(line: Line) -> str:
    faults = [asdict(fault) for fault in line.faults]
    return json.dumps({"name": line.name, "faults": faults, "at": line.at.isoformat()})


class Notes:
    """The notes of one audit at work.

    lost : why they cannot be written; empty where they can
    no_room : whether that is for want of room on the disk
    """

    def __init__(self, store: Store) -> None:
        self.lost = ""
        self.no_room = False
        self._running, self._last = store.audit / "running.jsonl", store.audit / "last.jsonl"
        self._stream: TextIO | None = None

    def read(self) -> dict[str, Line]:
        """What an audit that was cut off noted, by package, what was read longest ago first; nothing where the notes
        make no sense."""
        found: dict[str, Line] = {}
        try:
            lines = read_plain(self._running).decode("utf-8").split("\n")[:-1]
            begun = datetime.fromisoformat(json.loads(lines[0])["begun"])
            for one in map(json.loads, lines[1:]):
                at = datetime.fromisoformat(one["at"]) if "at" in one else begun  # older notes have no "at"
                if not is_name(one["name"]) or at.tzinfo is None:
                    return {}
                found.pop(str(one["name"]), None)
                if not all(isinstance(word, str) for fault in one["faults"] for word in fault.values()):
                    return {}
                faults = tuple(Fault(**fault) for fault in one["faults"])
                found[str(one["name"])] = Line(str(one["name"]), faults, at)
        except (OSError, DamageError, ValueError, KeyError, IndexError, TypeError, AttributeError, RecursionError):
            return {}
        return found

    def begin(self, now: datetime, earlier: Iterable[Line]) -> None:
        """Open the file anew, with what earlier notes had."""
        lines = [json.dumps({"begun": now.isoformat()}), *map(_as_json, earlier)]
        try:
            write_aside(self._running, "".join(f"{line}\n" for line in lines).encode())
            self._stream = self._running.open("a", encoding="utf-8")
        except OSError as fault:
            self._lose(fault)

    def add(self, line: Line) -> None:
        """Note one line."""
        if self._stream is None:
            return
        try:
            self._stream.write(_as_json(line) + "\n")
            self._stream.flush()
        except OSError as fault:
            self._lose(fault)

    def finish(self) -> None:
        """The audit is done."""
        try:
            if self._stream is not None:
                os.fsync(self._stream.fileno())
                self._stream.close()
                self._running.replace(self._last)
                sync_folder(self._last.parent)
        except OSError as fault:
            self._lose(fault)
        if self.lost:
            with suppress(OSError):  # half of the notes would have the next audit leave out what this one read
                self._running.unlink(missing_ok=True)

    def close(self) -> None:
        """Let go of the file, whatever happened."""
        if self._stream is not None:
            with suppress(OSError):
                self._stream.close()
            self._stream = None

    def _lose(self, fault: OSError) -> None:
        self.lost = f"{self._running} cannot be written ({fault.strerror or fault})"
        self.no_room = fault.errno in (errno.ENOSPC, errno.EDQUOT)
        self.close()


@contextmanager
def only_audit(store: Store) -> Iterator[None]:
    """Be the one audit of a store. Raises ArchiveError where another is at work.

    Where no lock can be kept there, no notes can be either, and two audits do not meet.
    """
    with ExitStack() as stack:
        try:
            store.audit.mkdir(exist_ok=True)
            handle = stack.enter_context((store.audit / LOCK).open("a"))
        except OSError:
            handle = None
        if handle is not None:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as fault:
                raise ArchiveError(
                    f"another audit of {store.folder} is at work. Wait for it, then start again."
                ) from fault
        yield
