"""The jobs of the folder, and the page of one job."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from sillwright.errors import JobError
from sillwright.job import load_job
from sillwright.page import queue
from sillwright.page.folder import JobFolder, Place, job_named, jobs_in, photos_of
from sillwright.page.looks import PhotoLook, looks_of
from sillwright.page.measured import DrillState, drill_state, survey_of
from sillwright.page.queue import Kind, Task
from sillwright.page.refusal import Refusal
from sillwright.page.store import Store
from sillwright.page.uploads import look_subject
from sillwright.page.views import device_asking, job_path, page_of, place_path, rendered, to
from sillwright.page.views_join import invitation
from sillwright.survey import STATUS_ORDER, Status, Survey
from sillwright.tell.rows import shown_status


@dataclass(frozen=True)
class PlaceLine:
    """One run or corner of a job's page: how its photos look, how its bolts came out."""

    title: str
    path: str
    is_run: bool
    good: int
    look_again: int
    reshoot: int
    not_looked: int
    results: str | None
    bolts: tuple[tuple[Status, int], ...]
    cleared: bool = False

    @property
    def photos(self) -> int:
        """How many photos it has."""
        return self.good + self.look_again + self.reshoot + self.not_looked


def jobs_page(request: Request) -> Response:
    """Every job; on the laptop also the code for phones to join by."""
    page = page_of(request)
    lines = [(job.title, job_path(job), job.fault) for job in jobs_in(page.store.folder)]
    invited = invitation(page) if device_asking(request).laptop else None
    return rendered(request, "jobs.html", jobs=lines, invited=invited, alone=page.alone)


def job_page(request: Request) -> Response:
    """One job: its runs and corners, what is being done, and the button that measures it."""
    page = page_of(request)
    job = job_named(page.store.folder, request.path_params["job"])
    survey, fault = survey_of(job)
    state = drill_state(page.store, job, survey) if survey is not None else None
    looks = {place: looks_of(page.store, job, place) for place in job.places}
    ask_for_looks(page.store, job, looks)
    lines = [_line(job, place, looks[place], survey, state) for place in job.places]
    return rendered(
        request,
        "job.html",
        job=job,
        path=job_path(job),
        lines=lines,
        photos=sum(line.photos for line in lines),
        task=measuring(page.store, job),
        survey=survey,
        fault=fault,
    )


def measure_posted(request: Request, form: FormData) -> Response:
    """Ask for the job to be measured."""
    page = page_of(request)
    job = job_named(page.store.folder, request.path_params["job"])
    if job.table is None:
        raise Refusal(409, "job_file")
    if not any(photos_of(job, place) for place in job.places if place.kind == "run"):
        raise Refusal(409, "no_photos")
    queue.ask(page.store, "measure", job.name)
    return to(job_path(job))


def measuring(store: Store, job: JobFolder) -> Task | None:
    """The measurement of a job that runs or waits, else the one that ended last, if any."""
    return task_of(store, job, "measure")


def task_of(store: Store, job: JobFolder, kind: Kind) -> Task | None:
    """What of a kind is under way for a job, else what ended last, if anything."""
    tasks = [task for task in queue.tasks_of(store, job.name) if task.kind == kind]
    under_way = [task for task in tasks if task.state in ("running", "waiting")]
    return under_way[0] if under_way else tasks[-1] if tasks else None


def job_fault(job: JobFolder) -> str:
    """Why no photo can be looked at or measured by this job file as it stands; empty where they can."""
    try:
        load_job(job.job_file, only_with_photos=True)
    except JobError as fault:
        return job.told(fault)
    return ""


def ask_for_looks(store: Store, job: JobFolder, photos: Mapping[Place, tuple[PhotoLook, ...]]) -> str:
    """Have every photo looked at that was not, such as those copied into the folder by hand; none while the job file
    does not let them be, as each would fail and be asked for again. Returns what in it keeps them from it."""
    subjects = [
        look_subject(place.key, photo.file) for place, some in photos.items() for photo in some if photo.look is None
    ]
    fault = job_fault(job) if subjects else ""
    if not fault:
        queue.ask_for_each(store, "look", job.name, subjects)
    return fault


def _line(
    job: JobFolder, place: Place, looks: Sequence[PhotoLook], survey: Survey | None, state: DrillState | None
) -> PlaceLine:
    statuses = [photo.look.status if photo.look is not None else "" for photo in looks]
    run = next((run for run in survey.runs if (run.name,) == place.runs), None) if survey is not None else None
    bolts = [shown_status(run, bolt) for bolt in run.bolts] if run is not None else []
    path = place_path(job, place)
    return PlaceLine(
        title=" + ".join(place.runs),
        path=path,
        is_run=place.kind == "run",
        good=statuses.count("ok"),
        look_again=statuses.count("check"),
        reshoot=statuses.count("reshoot"),
        not_looked=statuses.count(""),
        results=f"{path}/results" if run is not None else None,
        bolts=tuple((status, bolts.count(status)) for status in STATUS_ORDER),
        cleared=run is not None and state is not None and state.run_cleared(run.name),
    )
