"""How far an audit came, kept so that one that was cut off goes on where it was.

``audit/running.jsonl`` has a line for its beginning and one a package; a line that was cut off does not count. When it
is done the file becomes ``audit/last.jsonl``. Where the disk takes none of it, the audit goes on all the same.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import datetime, timedelta
from typing import Any, TextIO

from sillwright.archive.package import read_plain
from sillwright.archive.store import Store, sync_folder
from sillwright.errors import ArchiveError, DamageError

GOES_ON_FOR = timedelta(hours=24)  # an audit cut off longer ago than this begins anew: what it saw may have changed


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

    def done(self, now: datetime) -> list[str]:
        """The packages that an audit that was cut off had found whole. What it found damaged may have been mended."""
        try:
            lines = read_plain(self._running).decode("utf-8").split("\n")[:-1]
            begun = datetime.fromisoformat(json.loads(lines[0])["begun"])
            if not timedelta(0) <= now - begun <= GOES_ON_FOR:
                return []
            results = [json.loads(line) for line in lines[1:]]
            return [str(one["name"]) for one in results if not one["faults"]]
        except (OSError, DamageError, ValueError, KeyError, IndexError, TypeError):
            return []

    def begin(self, now: datetime, goes_on: bool) -> None:
        """Open the file, anew or after a line that was cut off, which is taken away first."""
        try:
            self._running.parent.mkdir(exist_ok=True)  # tells here why it cannot be, where the lock passed over it
            if goes_on:
                content = self._running.read_bytes()
                with self._running.open("r+b") as stream:
                    stream.truncate(content.rfind(b"\n") + 1)
            elif os.path.lexists(self._running):
                self._running.unlink()
            self._stream = self._running.open("a", encoding="utf-8")
        except OSError as fault:
            self._lose(fault)
        if not goes_on:
            self.add({"begun": now.isoformat()})

    def add(self, what: dict[str, Any]) -> None:
        """Note one line."""
        if self._stream is None:
            return
        try:
            self._stream.write(json.dumps(what) + "\n")
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
            handle = stack.enter_context((store.audit / ".lock").open("a"))
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
