"""The worker processes of a server: started, watched, started again where one died, ended with it."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import Sequence
from multiprocessing import get_context
from multiprocessing.process import BaseProcess

from sillwright.page import queue
from sillwright.page.queue import Kind
from sillwright.page.store import Store
from sillwright.page.worker import work

_WATCH_S = 1.0
EVERY_KIND: tuple[Kind, ...] = ("look", "measure", "plates", "seal")
_MEASURE_FIRST: tuple[Kind, ...] = ("measure", "plates", "seal", "look")


class Workers:
    """So many processes. Where there are two or more the first keeps to looks, so that a photo never waits behind a
    measurement, and the others measure before they help it; one alone looks first."""

    def __init__(self, store: Store, count: int) -> None:
        self._store = store
        self._kinds: list[Sequence[Kind]] = [EVERY_KIND] if count == 1 else [("look",), *[_MEASURE_FIRST] * (count - 1)]
        self._processes: list[BaseProcess] = []
        self._stopping = threading.Event()
        self._watch = threading.Thread(target=self._restart_dead, daemon=True)

    def __enter__(self) -> Workers:
        queue.put_back(self._store)
        self._processes = [self._started(kinds) for kinds in self._kinds]
        self._watch.start()
        return self

    def __exit__(self, *_: object) -> None:
        """End them, with the processes they share photos out to; what they were at waits for the next start."""
        self._stopping.set()
        self._watch.join()
        for process in self._processes:
            _end(process)
        queue.put_back(self._store)

    def _started(self, kinds: Sequence[Kind]) -> BaseProcess:
        process = get_context("spawn").Process(target=work, args=(self._store.folder, kinds, os.getpid()))
        process.start()
        return process

    def _restart_dead(self) -> None:
        while not self._stopping.wait(_WATCH_S):
            for number, process in enumerate(self._processes):
                if not process.is_alive() and process.pid is not None:
                    _end(process)  # and what it had started
                    queue.put_back(self._store, process.pid)
                    self._processes[number] = self._started(self._kinds[number])


def _end(process: BaseProcess) -> None:
    """End a worker and its group, which it leads as soon as it has started."""
    if process.pid is not None:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)
    process.kill()
    process.join()
