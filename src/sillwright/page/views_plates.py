"""The plates of a job: made when every run is cleared, told in words, and their sheets handed out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from urllib.parse import quote

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from sillwright.page import queue
from sillwright.page.folder import JobFolder, job_named
from sillwright.page.measured import DrillState, drill_state, last_word, measured
from sillwright.page.planned import MEDIA_TYPES, Planned, planned_file, read_planned
from sillwright.page.refusal import Refusal
from sillwright.page.store import Store
from sillwright.page.views import job_path, page_of, place_path, rendered, to
from sillwright.page.views_jobs import measuring, task_of
from sillwright.plates.findings import PlanFinding
from sillwright.tell.plate_findings import about, explain_plan, notes, to_decide
from sillwright.tell.plate_tables import added_anchors
from sillwright.tell.plate_words import STATES

# The sheet has its style and its drawings' widths in itself. It gets that, no script, no address of any kind, and no
# share in this page's origin.
SHEET_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'; "
    "sandbox"
)


@dataclass(frozen=True)
class RunLine:
    """One run: whether it is cleared, and where its foreman's page is."""

    name: str
    path: str
    cleared: bool
    waiting: int


def plates_page(request: Request) -> Response:
    """Which runs are cleared, the button, and what was planned."""
    page = page_of(request)
    job = job_named(page.store.folder, request.path_params["job"])
    survey = measured(job)
    state = drill_state(page.store, job, survey)
    planned = read_planned(job)
    plan = planned.plan if isinstance(planned, Planned) else None
    return rendered(
        request,
        "plates.html",
        job=job,
        path=job_path(job),
        state=state,
        runs=run_lines(job, state),
        last=max(filter(None, map(last_word, state.runs)), key=lambda one: one.at, default=None),
        why=planned if isinstance(planned, str) else "",
        plan=plan,
        plan_state=STATES[plan.status] if plan is not None else "",
        decide=[] if plan is None else [*_told(to_decide(plan.findings)), *added_anchors(plan)],
        notes=[] if plan is None else _told(notes(plan.findings)),
        files=[(name, f"{job_path(job)}/plates/{quote(name)}") for name in _names(planned)],
        own_job_file=_is_own_job_file(job),
        task=task_of(page.store, job, "plates"),
        measuring=measuring(page.store, job),
    )


def plates_posted(request: Request, form: FormData) -> Response:
    """Ask for the plates to be planned, where every run is cleared."""
    page = page_of(request)
    job = job_named(page.store.folder, request.path_params["job"])
    _check_cleared(page.store, job)
    queue.ask(page.store, "plates", job.name)
    return to(f"{job_path(job)}/plates")


def plates_file(request: Request) -> Response:
    """One sheet, strip or table of the plan; none while a run is not cleared."""
    page = page_of(request)
    job = job_named(page.store.folder, request.path_params["job"])
    _check_cleared(page.store, job)
    planned = read_planned(job)
    if planned == "old":
        raise Refusal(409, "plan_old")
    if not isinstance(planned, Planned):
        raise Refusal(404, "no_file")
    name = request.path_params["name"]
    content = planned_file(job, planned, name)
    path = PurePosixPath(name)
    is_page = path.suffix == ".html"
    headers = {"content-disposition": f'{"inline" if is_page else "attachment"}; filename="{path.name}"'}
    if is_page:
        headers["content-security-policy"] = SHEET_POLICY
    return Response(content, headers=headers, media_type=MEDIA_TYPES[path.suffix])


def run_lines(job: JobFolder, state: DrillState) -> list[RunLine]:
    """Each measured run with its clearance."""
    paths = {place.runs: f"{place_path(job, place)}/foreman" for place in job.places}
    return [
        RunLine(one.run, paths.get((one.run,), job_path(job)), state.run_cleared(one.run), len(one.waiting))
        for one in state.runs
    ]


def _check_cleared(store: Store, job: JobFolder) -> None:
    """Raises Refusal where a run is not cleared."""
    survey = measured(job)
    if not drill_state(store, job, survey).cleared:
        raise Refusal(409, "not_cleared")


def _names(planned: Planned | str) -> Sequence[str]:
    return tuple(planned.files) if isinstance(planned, Planned) else ()


def _told(findings: Sequence[PlanFinding]) -> list[str]:
    return [f"{about(finding)}: {explain_plan(finding)}" for finding in findings]


def _is_own_job_file(job: JobFolder) -> bool:
    """Whether the copy of the job file that plates are planned from is the job's own, byte for byte."""
    try:
        return (job.out / "job.toml").read_bytes() == job.job_file.read_bytes()
    except OSError:
        return False
