"""Phones that send photos to the jobsite page all at once while it measures, as a table.

    python tests/page_phones.py [--phones 4] [--photos 30] [--workers 2]

Not a test: run it by hand, on a machine with nothing else to do. The page runs as its own process on loopback over a
copy of the demo job, which is measured meanwhile; every phone sends whole 12 MP photos of its own in pieces, as the
page's script does, and one more device opens pages all the time. At the end every photo must lie in the folder byte
for byte. No part of it waits longer than ten minutes.
"""

from __future__ import annotations

import argparse
import hashlib
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import cycle, islice
from multiprocessing import get_context
from pathlib import Path

import httpx2
import numpy as np
from rich.console import Console
from rich.table import Table

from page_server import Server, a_port
from sillwright.page import queue
from sillwright.page.devices import form_token_of, new_code
from sillwright.page.queue import Task
from sillwright.page.safety import COOKIE
from sillwright.page.store import open_store

ROOT = Path(__file__).resolve().parents[1]
PIECE_BYTES = 512 * 1024  # as upload.js sends them
PAGES = ("/", "/jobs/lot12", "/jobs/lot12/1-north", "/jobs/lot12/1-north/results", "/jobs/lot12/1-north/foreman")
PLACE = "/jobs/lot12/1-north"
LONGEST_S = 600.0


@dataclass
class Told:
    """What came of it.

    lost : photos that do not lie in the folder as they were sent
    answers_s : how long each page took while photos came in; later_s : after that, until the job was measured
    memory_mb : the most each process had, by what it is
    """

    sent: int
    lost: int
    upload_s: float
    measured: str
    answers_s: list[float]
    later_s: list[float]
    memory_mb: dict[str, float]


def distinct(photo: bytes, name: str) -> bytes:
    """The same JPEG with a comment of its own behind its first marker."""
    words = name.encode()
    return photo[:2] + b"\xff\xfe" + (len(words) + 2).to_bytes(2, "big") + words + photo[2:]


def joined(folder: Path, port: int) -> httpx2.Client:
    """A device that joined the page."""
    client = httpx2.Client(base_url=f"http://127.0.0.1:{port}", timeout=120)
    code = new_code(open_store(folder), time.time())
    assert client.post("/join", data={"code": code}).status_code == 303
    client.headers["x-sillwright-form"] = form_token_of(client.cookies[COOKIE])
    return client


def send(phone: httpx2.Client, photo: bytes, name: str, place: str) -> None:
    """One photo in pieces; a refusal for too many requests is waited out, as the script does."""
    headers = {"upload-length": str(len(photo)), "content-disposition": f'attachment; filename="{name}"'}
    opened = phone.post(f"{place}/uploads", headers=headers)
    assert opened.status_code == 201, opened.text
    at = 0
    while at < len(photo):
        end = min(at + PIECE_BYTES, len(photo))
        told = {"upload-offset": str(at), "upload-complete": "?1" if end == len(photo) else "?0"}
        answer = phone.patch(opened.headers["location"], content=photo[at:end], headers=told)
        if answer.status_code == 429:
            time.sleep(1.0)
            continue
        assert answer.status_code in (200, 204), answer.text
        at = end


def most_memory_mb(server: Server) -> dict[str, float]:
    """The most memory the server and each process below it had so far; of one that ended, nothing."""
    found = {}
    own = str(server.process.pid)
    parents = {}
    for status in Path("/proc").glob("[0-9]*/status"):
        try:
            facts = dict(line.split(":", 1) for line in status.read_text().splitlines())
        except (OSError, ValueError):
            continue
        parents[status.parent.name] = facts["PPid"].strip()
        if "VmHWM" in facts:
            found[status.parent.name] = int(facts["VmHWM"].split()[0]) / 1024.0

    def is_below(process: str) -> bool:
        while process in parents and process != own:
            process = parents[process]
        return process == own

    below = {pid: most for pid, most in found.items() if pid != own and is_below(pid)}
    return {"server": found.get(own, 0.0), **{f"worker {pid}": most for pid, most in below.items()}}


def one_phone(folder: Path, port: int, number: int, photos: int) -> list[str]:
    """Send a phone's photos, in a process of its own as a phone has; the SHA-256 of each."""
    source = [path.read_bytes() for path in sorted((ROOT / "demo_images" / "lot12").glob("*/*.jpg"))]
    client, digests = joined(folder, port), []
    for count, photo in enumerate(islice(cycle(source), photos)):
        name = f"IMG_{number}{count:03d}.jpg"
        content = distinct(photo, name)
        digests.append(hashlib.sha256(content).hexdigest())
        send(client, content, name, PLACE)
    return digests


def answers_s(client: httpx2.Client, until: Callable[[], bool]) -> Iterator[float]:
    """How long each page took, one after the other, as long as that is not so."""
    begun = time.monotonic()
    for page in cycle(PAGES):
        if until() or time.monotonic() - begun > LONGEST_S:
            return
        asked = time.monotonic()
        assert client.get(page).status_code in (200, 404, 409)
        yield time.monotonic() - asked
        time.sleep(0.15)


def phones_at_once(folder: Path, phones: int, photos: int, workers: int) -> Told:
    """Serve a folder with a copy of the demo job, and have phones send photos to it while it measures."""
    job = folder / "lot12"
    shutil.copytree(ROOT / "demo_images" / "lot12", job)
    shutil.copytree(ROOT / "calibration", folder.parent / "calibration")  # where job.toml looks for the profile
    port = a_port()
    server = Server(folder, port, workers)
    try:
        asker = joined(folder, port)
        token = asker.headers["x-sillwright-form"]
        assert asker.post("/jobs/lot12/measure", data={"form_token": token}).status_code == 303
        begun = time.monotonic()
        with ProcessPoolExecutor(phones, mp_context=get_context("spawn")) as pool:
            sending = [pool.submit(one_phone, folder, port, number, photos) for number in range(1, phones + 1)]
            while_sent = list(answers_s(asker, lambda: all(one.done() for one in sending)))
            upload_s = time.monotonic() - begun
            sent = [digest for one in sending for digest in one.result()]
        store = open_store(folder)

        def ended() -> list[Task]:
            measurements = [task for task in queue.tasks_of(store, "lot12") if task.kind == "measure"]
            return [task for task in measurements if task.state in ("done", "failed")]

        later = list(answers_s(asker, lambda: bool(ended())))
        there = {hashlib.sha256(path.read_bytes()).hexdigest() for path in (job / "north").iterdir()}
        lost = sum(digest not in there for digest in sent)
        measured = ", ".join(f"{task.state} {task.said}".strip() for task in ended()) or "no"
        return Told(len(sent), lost, upload_s, measured, while_sent, later, most_memory_mb(server))
    finally:
        server.kill()


def main(words: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--phones", type=int, default=4)
    parser.add_argument("--photos", type=int, default=30)
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args(words)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "jobs" / "site"
        folder.mkdir(parents=True)
        told = phones_at_once(folder, asked.phones, asked.photos, asked.workers)
    answered, later = (
        " / ".join(f"{np.quantile(some, share):.2f} s" for share in (0.5, 0.95, 1.0)) if some else "-"
        for some in (told.answers_s, told.later_s)
    )
    workers = [most_mb for name, most_mb in told.memory_mb.items() if name != "server"]
    table = Table(title=f"{asked.phones} phones, {asked.photos} photos each, while the demo job is measured")
    table.add_column("what")
    table.add_column("how much")
    for what, much in (
        ("photos sent", str(told.sent)),
        ("lost", str(told.lost)),
        ("all sent after", f"{told.upload_s:.0f} s"),
        ("measured meanwhile", told.measured),
        ("pages opened, while photos came in and after", f"{len(told.answers_s)} and {len(told.later_s)}"),
        ("answered while photos came in: half / 95 % / all", answered),
        ("after that, while it measured", later),
        ("most memory, server", f"{told.memory_mb['server']:.0f} MB"),
        ("most memory, a process beside it", f"{max(workers, default=0.0):.0f} MB"),
    ):
        table.add_row(what, much)
    Console().print(table)


if __name__ == "__main__":
    main()
