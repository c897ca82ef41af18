"""As-built packages: one sealed with a press, and the list of those that were."""

from __future__ import annotations

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from sillwright.errors import SillwrightError
from sillwright.page import queue
from sillwright.page.devices import LONGEST_NAME, plain_name
from sillwright.page.folder import AS_BUILT, job_named
from sillwright.page.measured import drill_state, measured
from sillwright.page.refusal import Refusal
from sillwright.page.sealed_search import MOST_SHOWN, STATUSES, Asked, SealedList, query_of, sealed_list
from sillwright.page.views import job_path, page_of, rendered, text_in, to
from sillwright.page.views_jobs import task_of
from sillwright.page.views_plates import run_lines
from sillwright.tell.plate_word_table import RULE_TITLES

_NAMES = ("package", "run", "mark", "subject", "source")  # columns of what was found that hold names, and no words


def sealed_page(request: Request) -> Response:
    """The list of packages, or of what is asked for in them."""
    folder = page_of(request).store.folder
    asked = Asked.of(request.query_params)
    query, wrong = query_of(asked)
    found, fault = SealedList(), ""
    if not wrong:
        try:
            found = sealed_list(folder, query)
        except SillwrightError as error:
            fault = str(error).replace(f"{folder}/", "")
    return rendered(
        request,
        "sealed.html",
        422 if wrong else 200,
        found=found,
        fault=fault,
        store=AS_BUILT,
        asked=asked,
        wrong=wrong,
        statuses=STATUSES,
        rules=RULE_TITLES,
        names=_NAMES,
        most=MOST_SHOWN,
    )


def seal_page(request: Request) -> Response:
    """What would be sealed of a job, who signs off, and what came of it."""
    page = page_of(request)
    job = job_named(page.store.folder, request.path_params["job"])
    survey = measured(job)
    state = drill_state(page.store, job, survey)
    return rendered(
        request,
        "seal.html",
        job=job,
        path=job_path(job),
        state=state,
        runs=run_lines(job, state),
        store=AS_BUILT,
        longest_name=LONGEST_NAME,
        task=task_of(page.store, job, "seal"),
    )


def seal_posted(request: Request, form: FormData) -> Response:
    """Ask for the job to be sealed."""
    page = page_of(request)
    job = job_named(page.store.folder, request.path_params["job"])
    signed_off = " ".join(plain_name(text_in(form, "signed_off")).split())
    if not signed_off:
        raise Refusal(422, "no_name")
    if not (job.out / "survey.json").exists():
        raise Refusal(409, "not_measured")
    queue.ask(page.store, "seal", job.name, signed_off)
    return to(f"{job_path(job)}/seal")
