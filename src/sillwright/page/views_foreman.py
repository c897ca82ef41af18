"""The foreman's page of a run: the strip, every bolt with its rules, a word on each, and whether it is cleared."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from markupsafe import Markup
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from sillwright.decisions import (
    LONGEST_WORD,
    Decision,
    Decisions,
    Verdict,
    bolt_as_it_stands,
    read_decisions,
    run_as_it_stands,
    write_decisions,
)
from sillwright.errors import JobError
from sillwright.judge.clearance import Cleared, clearance
from sillwright.page.devices import LONGEST_NAME, keep_person, plain_name
from sillwright.page.folder import JobFolder, Place, job_named, place_of
from sillwright.page.foreman_lines import SORTS, VERDICT_KEYS, View, bolt_lines, in_view, judged_token, said_when
from sillwright.page.measured import drill_state, last_word, measured_run
from sillwright.page.planned import Planned, read_planned, run_rules
from sillwright.page.refusal import Refusal
from sillwright.page.views import device_asking, job_path, page_of, place_path, rendered, text_in, to
from sillwright.page.views_jobs import measuring
from sillwright.survey import STATUS_ORDER, BoltRecord, RunRecord, Survey
from sillwright.tell.frames import zero_card
from sillwright.tell.plan import bars_times_of, plan_key, plan_rows
from sillwright.tell.plan_svg import plan_svg
from sillwright.tell.plate_words import check_sentence
from sillwright.tell.rows import VERDICT_WORDS
from sillwright.tell.wording import run_findings

_VERDICTS: dict[str, Verdict] = {"accept": "accepted", "back": "sent back"}


@dataclass(frozen=True)
class _Measured:
    """A run with its record, for a request about it."""

    job: JobFolder
    place: Place
    survey: Survey
    run: RunRecord


def foreman_page(request: Request) -> Response:
    """The whole page of one run."""
    page, asked = page_of(request), _measured(request)
    survey, run = asked.survey, asked.run
    state = drill_state(page.store, asked.job, survey)
    planned = read_planned(asked.job)
    rules = run_rules(asked.job, survey, run, planned if isinstance(planned, Planned) else None)
    found = state.of(run.name)
    lines = bolt_lines(survey, run, found, state.decisions, None if rules is None else rules.checks)
    view = View.of(request.query_params)
    times = bars_times_of(run)
    strip = [plan_svg(row, f"Run {run.name}", styled=False) for row in plan_rows(survey, run, times)]
    return rendered(
        request,
        "foreman.html",
        run=run,
        path=place_path(asked.job, asked.place),
        job_path=job_path(asked.job),
        job=asked.job,
        strip=[Markup(row) for row in strip],  # escaped in tell.markup
        strip_key=plan_key(run),
        times=times,
        zero_card=zero_card(run),
        lines=in_view(lines, view),
        count=len(lines),
        waiting=sum(line.waits for line in lines),
        found=found,
        whole_judged=judged_token(state.decisions, run, None),
        whole_may_accept=found.whole.standing in ("open", "sent back"),
        leaning=[line.bolt.mark for line in lines if line.lean.verdict != VERDICT_WORDS["leave"]],
        findings=run_findings(run),
        state=state,
        cleared=state.run_cleared(run.name),
        last=last_word(found),
        rules=rules,
        sentence=check_sentence,
        said_when=said_when,
        view=view,
        sorts=SORTS,
        statuses=STATUS_ORDER,
        verdicts=tuple(VERDICT_KEYS.values()),
        longest_word=LONGEST_WORD,
        longest_name=LONGEST_NAME,
        task=measuring(page.store, asked.job),
    )


def word_posted(request: Request, form: FormData) -> Response:
    """Keep a word on a bolt, or on the run as a whole, if what it was said of still stands.

    Forms run one at a time on the server's loop, so that nobody else's word comes between reading and writing.
    """
    page, asked, device = page_of(request), _measured(request), device_asking(request)
    person, word = plain_name(text_in(form, "by")), _plain_word(text_in(form, "word"))
    verdict = _VERDICTS.get(text_in(form, "verdict"))
    if verdict is None:
        raise Refusal(422, "no_verdict")
    if not person:
        raise Refusal(422, "no_name")
    if len(word) > LONGEST_WORD:
        raise Refusal(422, "long_word", most=LONGEST_WORD)
    if verdict == "accepted" and not word:
        raise Refusal(422, "no_word")
    decisions = _decisions(asked.job)
    bolt = _bolt(asked.run, text_in(form, "mark"))
    if text_in(form, "judged") != judged_token(decisions, asked.run, bolt):
        raise Refusal(409, "judged_changed")
    if verdict == "accepted" and _standing(asked.run, decisions, bolt).standing == "no number":
        if bolt is None:
            raise Refusal(409, "run_no_number")
        raise Refusal(409, "no_number")
    keep_person(page.store, device, person)
    said = Decision(
        run=asked.run.name,
        mark="" if bolt is None else bolt.mark,
        verdict=verdict,
        word=word,
        by=person,
        at=datetime.fromtimestamp(page.clock(), UTC),
        stood=run_as_it_stands(asked.run) if bolt is None else bolt_as_it_stands(bolt),
    )
    write_decisions(decisions.with_one(said), asked.job.out)
    view = View.of({name: text_in(form, name) for name in ("sort", "status", "rules", "waiting")})
    return to(f"{place_path(asked.job, asked.place)}/foreman{view.address()}#clearance")


def _measured(request: Request) -> _Measured:
    job = job_named(page_of(request).store.folder, request.path_params["job"])
    place = place_of(job, request.path_params["place"])
    survey, run = measured_run(job, place)
    return _Measured(job, place, survey, run)


def _decisions(job: JobFolder) -> Decisions:
    try:
        return read_decisions(job.out)
    except JobError as fault:
        raise Refusal(409, "decisions", said=job.told(fault)) from None


def _plain_word(text: str) -> str:
    """A word in one line, without what cannot be printed."""
    return "".join(letter for letter in " ".join(text.split()) if letter.isprintable()).strip()


def _bolt(run: RunRecord, mark: str) -> BoltRecord | None:
    """The bolt of that mark; None where the word is on the run as a whole."""
    if not mark:
        return None
    for bolt in run.bolts:
        if bolt.mark == mark:
            return bolt
    raise Refusal(409, "judged_changed")


def _standing(run: RunRecord, decisions: Decisions, bolt: BoltRecord | None) -> Cleared:
    found = clearance(run, decisions)
    return found.whole if bolt is None else next(one for one in found.bolts if one.mark == bolt.mark)
