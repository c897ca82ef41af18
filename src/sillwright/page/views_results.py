"""The results of a run: a large card a bolt, none without its status, and what has changed since they were measured."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from sillwright.page.bolt_cards import bolt_cards
from sillwright.page.folder import job_named, place_of
from sillwright.page.measured import changed_since, measured_run
from sillwright.page.views import job_path, page_of, place_path, rendered, words_for
from sillwright.page.views_jobs import measuring
from sillwright.tell.frames import zero_card
from sillwright.tell.rows import zero_words
from sillwright.tell.wording import SAFETY, STRAIGHTENING, reshoot_lines, run_facts, run_findings, scale_statement


def results_page(request: Request) -> Response:
    """The cards of one run."""
    page = page_of(request)
    job = job_named(page.store.folder, request.path_params["job"])
    place = place_of(job, request.path_params["place"])
    survey, run = measured_run(job, place)
    return rendered(
        request,
        "results.html",
        title=run.name,
        run=run,
        path=place_path(job, place),
        job_path=job_path(job),
        cards=bolt_cards(survey, run, words_for(request)),
        findings=run_findings(run),
        again=reshoot_lines(survey),
        facts=run_facts(survey, run),
        zero=zero_words(run),
        zero_card=zero_card(run),
        scale=scale_statement(run),
        straightening=STRAIGHTENING,
        safety=SAFETY,
        changed=changed_since(page.store, job, survey),
        task=measuring(page.store, job),
    )
