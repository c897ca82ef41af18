"""The page as its own process, killed while photos come in and while it measures: the next start loses nothing."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import threading
import time
from pathlib import Path

import httpx2
import pytest

from page_server import Server, a_port, served, until
from page_site import JOB, NORTH, a_jpeg
from sillwright.page import queue
from sillwright.page.devices import form_token_of
from sillwright.page.safety import COOKIE
from sillwright.page.store import Store
from sillwright.survey_file import read_survey

DEMO = Path(__file__).resolve().parents[1] / "demo_images" / "lot12"


def a_phone(server: Server, port: int) -> httpx2.Client:
    client = httpx2.Client(base_url=f"http://127.0.0.1:{port}", timeout=60)
    assert client.post("/join", data={"code": server.code}).status_code == 303
    client.headers["x-sillwright-form"] = form_token_of(client.cookies[COOKIE])
    return client


def of_group(pid: int) -> list[str]:
    """Processes that were started below one, by what they were started with."""
    listed = subprocess.run(["ps", "-eo", "pid,pgid,args"], capture_output=True, text=True, check=True).stdout
    return [line for line in listed.splitlines() if re.match(rf"\s*\d+\s+{pid}\s", line)]


def running_worker(store: Store) -> int | None:
    from sillwright.page.store import reading

    with reading(store) as connection:
        row = connection.execute("SELECT worker FROM task WHERE state = 'running' AND kind = 'measure'").fetchone()
    return None if row is None else int(row["worker"])


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "lot").mkdir()
    (tmp_path / "lot" / "job.toml").write_text(JOB)
    return tmp_path


def test_killed_at_any_moment_of_an_upload_no_finished_photo_is_lost_and_none_is_half_there(folder: Path) -> None:
    port = a_port()
    photos = {f"IMG_{n}.jpg": a_jpeg(n, (120, 160)) for n in range(1, 13)}
    said_kept: set[str] = set()
    with served(folder, port) as server:
        phone = a_phone(server, port)
        killer = threading.Timer(0.4, server.kill)
        killer.start()
        addresses: dict[str, str] = {}
        try:
            for name, content in photos.items():
                headers = {"upload-length": str(len(content)), "content-disposition": f'attachment; filename="{name}"'}
                addresses[name] = phone.post(f"{NORTH}/uploads", headers=headers).headers["location"]
                for at in range(0, len(content), 4000):
                    piece, last = content[at : at + 4000], at + 4000 >= len(content)
                    told = {"upload-offset": str(at), "upload-complete": "?1" if last else "?0"}
                    answer = phone.patch(addresses[name], content=piece, headers=told)
                assert answer.status_code == 200
                said_kept.add(name)
                time.sleep(0.02)
        except httpx2.HTTPError:
            pass
        killer.join()
    there = {path.read_bytes() for path in (folder / "lot").glob("north/*")}
    assert {photos[name] for name in said_kept} <= there <= set(photos.values())
    assert len(said_kept) < len(photos), "it was killed too late to tell"
    with served(folder, port):
        for name, content in photos.items():
            held = phone.head(addresses[name]) if name in addresses else None
            at = 0
            if held is None or held.status_code != 204:
                headers = {"upload-length": str(len(content)), "content-disposition": f'attachment; filename="{name}"'}
                addresses[name] = phone.post(f"{NORTH}/uploads", headers=headers).headers["location"]
            else:
                at = int(held.headers["upload-offset"])
            told = {"upload-offset": str(at), "upload-complete": "?1"}
            assert phone.patch(addresses[name], content=content[at:], headers=told).status_code == 200
    kept = [path.read_bytes() for path in (folder / "lot").glob("north/*")]
    assert sorted(kept) == sorted(photos.values())


def test_killed_while_it_measures_the_next_start_finishes(folder: Path) -> None:
    port = a_port()
    (folder / "lot" / "north").mkdir()
    for number in (2050, 2051):
        (folder / "lot" / "north" / f"{number}.jpg").write_bytes((DEMO / "east" / f"IMG_{number}.jpg").read_bytes())
    store = Store(folder)
    with served(folder, port) as server:
        phone = a_phone(server, port)
        assert phone.post("/jobs/lot/measure").status_code == 303
        until(lambda: running_worker(store) is not None, "no worker took it")
        worker = running_worker(store)
        server.kill()
        assert worker is not None
        until(lambda: not of_group(worker), "the worker outlived its server")
    assert not (folder / "lot" / "out" / "survey.json").exists()
    with served(folder, port) as server:
        until(lambda: all(task.state == "done" for task in queue.tasks_of(store, "lot")), "it was not finished")
        survey = read_survey(folder / "lot" / "out" / "survey.json")
        assert len(survey.runs[0].bolts) == 3
        # Told to end it ends, with all it started, and in good order.
        workers = _children(server.process.pid)
        server.process.send_signal(signal.SIGTERM)
        assert server.process.wait(timeout=30) == 0
        until(lambda: not any(_lives(pid) for pid in workers), "a worker was left")


def _children(pid: int) -> list[int]:
    listed = subprocess.run(["ps", "-eo", "pid,ppid"], capture_output=True, text=True, check=True).stdout
    pairs = [tuple(map(int, line.split())) for line in listed.splitlines()[1:]]
    return [child for child, parent in pairs if parent == pid]


def _lives(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True
