"""The process that does what the queue holds: looks at photos, measures jobs, plans plates and seals packages, by the
package's calls.

It is started afresh (spawned) and leads a process group of its own, with the processes that measuring shares photos out
to; when the server is gone, however it ended, the whole group ends.
"""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from sillwright.errors import SillwrightError
from sillwright.job import load_job
from sillwright.job_output import (
    first_clash,
    holds_survey,
    job_copies,
    keep_job,
    list_measured,
    sources_of,
    sums_planned_from,
)
from sillwright.measure import measure_job
from sillwright.page import queue
from sillwright.page.folder import JobFolder, job_named, photos_of, place_of
from sillwright.page.looks import look_at
from sillwright.page.measured import drill_state
from sillwright.page.queue import Kind, Task
from sillwright.page.refusal import Refusal
from sillwright.page.sealing import seal_job
from sillwright.page.store import Store
from sillwright.plates.inputs import read_inputs
from sillwright.plates.plan import plan_job
from sillwright.survey_file import read_survey, write_survey
from sillwright.tell.plate_files import write_plan
from sillwright.tell.report import result_paths, write_report

_IDLE_S, _WATCH_S = 0.25, 0.5
_POLITE = 10  # pages are answered first
_MOST_PROCESSES = 8
_LOG = logging.getLogger("sillwright.page")


def work(folder: Path, kinds: Sequence[Kind], server: int) -> None:
    """Do tasks of those kinds until the server, process ``server``, is gone: the whole life of a worker process."""
    os.setpgrp()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the server tells when to end
    os.nice(_POLITE)
    threading.Thread(target=_end_with, args=(server,), daemon=True).start()
    store = Store(folder)
    while True:
        task = queue.take(store, kinds, os.getpid())
        if task is None:
            time.sleep(_IDLE_S)
        else:
            run_task(store, task)


def run_task(store: Store, task: Task) -> None:
    """Do one task; what goes wrong is kept with it as a sentence."""
    try:
        job = job_named(store.folder, task.job)
        said = ""
        if task.kind == "look":
            _look(store, job, task.subject)
        elif task.kind == "measure":
            _measure(store, job, task.number)
        elif task.kind == "plates":
            _plan(store, job)
        else:
            said = seal_job(store.folder, job, task.subject).replace(f"{store.folder}/", "")
        queue.end(store, task.number, said=said)
    except Refusal:
        queue.end(store, task.number, "What was asked for is no longer there.")
    except SillwrightError as fault:
        queue.end(store, task.number, job.told(fault))
    except OSError as fault:
        queue.end(store, task.number, f"The disk did not take a file: {fault.strerror or fault}.")
    except Exception as fault:  # a fault of ours must not stop the queue
        _LOG.exception("task %s of %s", task.kind, task.job)
        queue.end(store, task.number, f"A fault in sillwright stopped it ({type(fault).__name__}).")


def _look(store: Store, job: JobFolder, subject: str) -> None:
    key, _, name = subject.partition("/")
    place = place_of(job, key)
    for photo in photos_of(job, place):
        if photo.relative_to(job.path.resolve()).as_posix() == name:
            look_at(store, job, place, photo)


def _measure(store: Store, folder: JobFolder, number: int) -> None:
    """As the command does: survey.json, the copy of the job file, the report."""
    job = load_job(folder.job_file, only_with_photos=True)
    copies = job_copies(job, folder.job_file, folder.out).values()
    clash = first_clash(
        [*result_paths(job, folder.out), *copies], sources_of(job, folder.job_file), holds_survey(folder.out)
    )
    if clash is not None:
        raise SillwrightError(f"{clash.path} is in the way, and no measurement wrote it. Move it away on the laptop.")

    def tell(step: str, done: int, total: int) -> None:
        queue.progress(store, number, step, done, total)

    survey = measure_job(job, workers=_processes(len(job.photos)), progress=tell)
    write_survey(survey, folder.out / "survey.json")
    keep_job(job, folder.job_file, folder.out)
    list_measured(folder.out, write_report(survey, folder.out, job.folder).every)


def _plan(store: Store, folder: JobFolder) -> None:
    """As the command does; but since the page asked only for runs that were cleared, not where one is so no more."""
    survey = read_survey(folder.out / "survey.json")
    if not drill_state(store, folder, survey).cleared:
        raise SillwrightError("A run is not cleared to drill, so no plates were made. See the runs' foreman pages.")
    inputs = read_inputs(folder.out, survey, date.today().isoformat())
    planned_from = sums_planned_from(folder.out, inputs.job)
    write_plan(folder.out, plan_job(survey, inputs), "letter", planned_from)


def _processes(photos: int) -> int:
    """How many processes a job is worth here: one core is left for the pages and for first looks."""
    return max(min((os.cpu_count() or 1) - 1, _MOST_PROCESSES), 1) if photos > 2 else 1


def _end_with(server: int) -> None:
    while os.getppid() == server:
        time.sleep(_WATCH_S)
    os.killpg(os.getpgrp(), signal.SIGKILL)
