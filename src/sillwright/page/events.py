"""What goes on in a job, told to its open pages as it happens: server-sent events (HTML standard, 9.2).

A page is told again only when something changed; in between a comment keeps the connection from being taken for dead.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import time
from collections.abc import AsyncIterator, Callable

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from sillwright.page import queue
from sillwright.page.folder import JobFolder, job_named
from sillwright.page.looks import looks_of
from sillwright.page.store import Store
from sillwright.page.views import Page, off_the_loop, page_of

HEARTBEAT_S, POLL_S = 15.0, 0.5
_FILES_S = 5.0
LONGEST_S = 3600.0  # then the browser asks anew


async def job_events(request: Request) -> Response:
    """The events of one job."""
    page = page_of(request)
    job = await off_the_loop(job_named, page.store.folder, request.path_params["job"])
    return StreamingResponse(
        events_of(page, _when_written(page.store, lambda: state_of(page.store, job))),
        media_type="text/event-stream",
        headers={"x-accel-buffering": "no"},
    )


async def events_of(page: Page, state: Callable[[], str]) -> AsyncIterator[str]:
    """The stream: the state at first and whenever it is another one, until the server stops."""
    yield "retry: 3000\n\n"
    last, quiet_s, all_s = "", 0.0, 0.0
    while not page.stopping.is_set() and all_s < LONGEST_S:
        now = await off_the_loop(state)
        if now != last:
            last, quiet_s = now, 0.0
            yield f"event: job\ndata: {now}\n\n"
        elif quiet_s >= HEARTBEAT_S:
            quiet_s = 0.0
            yield ": still here\n\n"
        await asyncio.sleep(POLL_S)
        quiet_s, all_s = quiet_s + POLL_S, all_s + POLL_S
    yield "event: end\ndata: {}\n\n"


def _when_written(store: Store, state: Callable[[], str]) -> Callable[[], str]:
    """The state, worked out anew only when the store was written to, and every few seconds for files that were copied
    into a run by hand."""
    before: tuple[object, str] = (None, "")

    def asked() -> str:
        nonlocal before
        token = (store.written(), int(time.monotonic() / _FILES_S))
        if token != before[0]:
            before = (token, state())
        return before[1]

    return asked


def state_of(store: Store, job: JobFolder) -> str:
    """What the pages of a job show that changes, as JSON: how far the measurement is, and for each run or corner a
    word that differs when the list of its photos does."""
    tasks = [task for task in queue.tasks_of(store, job.name) if task.kind != "look"]
    photos = {}
    for place in job.places:
        looks = [
            (photo.file, photo.look.status if photo.look is not None else "") for photo in looks_of(store, job, place)
        ]
        photos[place.key] = hashlib.sha256(json.dumps(looks).encode()).hexdigest()[:12]
    told = [
        {
            "kind": task.kind,
            "number": task.number,
            "state": task.state,
            "step": task.step,
            "done": task.done,
            "total": task.total,
        }
        for task in tasks
    ]
    return json.dumps({"tasks": told, "photos": photos})
