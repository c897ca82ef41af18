"""The jobsite page as a process of its own, and what waits for it."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

_LONG_S = 240.0  # under load every process takes its time to start


def a_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Server:
    """``sillwright page`` in a process of its own."""

    def __init__(self, folder: Path, port: int, workers: int = 1) -> None:
        self.folder = folder
        command = [sys.executable, "-m", "sillwright", "page", str(folder), "--port", str(port)]
        self.process = subprocess.Popen(
            [*command, "--workers", str(workers)], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        assert self.process.stdout is not None
        self.said = ""
        while "works once" not in self.said:
            line = self.process.stdout.readline()
            assert line, self.said
            self.said += line
        self.code = re.search(r"/join/([0-9A-Z-]+)", self.said)[1]

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()


@contextmanager
def served(folder: Path, port: int) -> Iterator[Server]:
    server = Server(folder, port)
    try:
        yield server
    finally:
        if server.process.poll() is None:
            server.kill()


def until(done: Callable[[], object], what: str) -> None:
    begun = time.monotonic()
    while not done():
        assert time.monotonic() - begun < _LONG_S, what
        time.sleep(0.2)
