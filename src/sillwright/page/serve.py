"""The server as a whole: where it listens, what it prints, its workers, and an end that leaves nothing running."""

from __future__ import annotations

import contextlib
import ipaddress
import signal
import socket
from collections.abc import Callable
from pathlib import Path
from types import FrameType

import uvicorn

from sillwright.errors import JobError
from sillwright.page.app import build_app
from sillwright.page.crew import Workers
from sillwright.page.devices import new_code
from sillwright.page.store import open_store
from sillwright.page.views import Page

LOOPBACK = "127.0.0.1"
_SHUTDOWN_S = 5
_MOST_CONNECTIONS = 200
_EVERY_ADDRESS = ("0.0.0.0", "::")


class _Server(uvicorn.Server):
    """Tells open event streams to end when it is told to: it would wait for them otherwise."""

    page: Page

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self.page.stopping.set()
        super().handle_exit(sig, frame)


def serve(folder: Path, port: int, host: str, workers: int, say: Callable[[str], None]) -> None:
    """Serve FOLDER until it is interrupted.

    host : the address to listen on; ``0.0.0.0`` for all of this machine's
    say : called with each line for the terminal

    Raises JobError where FOLDER is none, or the port cannot be listened on.
    """
    if not folder.is_dir():
        raise JobError(f"{folder} is not a folder. Name the one that holds the job folders.")
    store = open_store(folder)
    listener = _listener(host, port)
    port = listener.getsockname()[1]
    reached_by = _own_address() if host in _EVERY_ADDRESS else host
    page = Page(store, f"http://{_in_address(reached_by)}:{port}", alone=_is_loopback(host))
    names = frozenset() if _is_address(host) else frozenset({host.lower()})
    config = uvicorn.Config(
        build_app(page, names),
        log_level="warning",
        access_log=False,  # codes to join by stand in addresses
        server_header=False,
        timeout_graceful_shutdown=_SHUTDOWN_S,
        timeout_keep_alive=30,
        limit_concurrency=_MOST_CONNECTIONS,
        h11_max_incomplete_event_size=32_768,
        proxy_headers=False,
    )
    server = _Server(config)
    server.page = page
    own = LOOPBACK if host in (*_EVERY_ADDRESS, LOOPBACK) else _in_address(host)
    with Workers(store, workers):
        say(f"The page of {store.folder} is at {page.address}")
        say(f"Open it on this laptop with http://{own}:{port}/join/{new_code(store, page.clock(), laptop=True)}")
        say("The link works once, for ten minutes. Phones join by the code on that page." + _alone_words(page))
        say("End it with Ctrl-C. What is not done then goes on at the next start.")
        # uvicorn ends on SIGTERM in good order and then raises it again, which would end this process before the
        # workers are told.
        before = signal.signal(signal.SIGTERM, signal.SIG_IGN)
        try:
            with contextlib.suppress(KeyboardInterrupt):
                server.run(sockets=[listener])
        finally:
            signal.signal(signal.SIGTERM, before)
            listener.close()


def _alone_words(page: Page) -> str:
    return " It answers this laptop only: start it with --host 0.0.0.0 for phones to reach it." if page.alone else ""


def _listener(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # asyncio sends small answers at once only on sockets that say they are TCP: else each page waits 40 ms.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(128)  # who comes before the server is ready waits
    except OSError as fault:
        listener.close()
        raise JobError(
            f"nothing can listen on {host}, port {port} ({fault.strerror or fault}). Give another --port, or an "
            "address of this machine with --host."
        ) from fault
    return listener


def _own_address() -> str:
    """The address this machine has on its Wi-Fi: the one it would send from. Nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address of the documentation (RFC 5737)
        except OSError:
            return LOOPBACK
        return str(probe.getsockname()[0])


def _in_address(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def _is_loopback(host: str) -> bool:
    return host == "localhost" or (_is_address(host) and ipaddress.ip_address(host).is_loopback)
