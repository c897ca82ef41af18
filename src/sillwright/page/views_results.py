"""The results of a run: a large card a bolt, none without its status, and what has changed since they were measured."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from sillwright.page.bolt_cards import bolt_cards
from sillwright.page.folder import job_named, place_of
from sillwright.page.measured import drill_state, measured_run
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
    state = drill_state(page.store, job, survey)
    of_run = next(found for found in state.runs if found.run == run.name)
    sent_back = {one.mark: one.said for one in of_run.bolts if one.standing == "sent back" and one.said is not None}
    return rendered(
        request,
        "results.html",
        title=run.name,
        run=run,
        path=place_path(job, place),
        job_path=job_path(job),
        cards=bolt_cards(survey, run, words_for(request), sent_back),
        findings=run_findings(run),
        again=reshoot_lines(survey),
        facts=run_facts(survey, run),
        zero=zero_words(run),
        zero_card=zero_card(run),
        scale=scale_statement(run),
        straightening=STRAIGHTENING,
        safety=SAFETY,
        changed=state.changed,
        task=measuring(page.store, job),
    )
