"""The form for a new job, and for one that is there: what a crew knows of it, written into its job.toml."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from hashlib import sha256
from typing import Any

from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import Response

from sillwright.errors import JobError
from sillwright.page import queue
from sillwright.page.field_fault import FieldFault
from sillwright.page.folder import JobFolder, change_job, job_named, make_job
from sillwright.page.job_form import (
    BOLTS,
    CORNER,
    ENDS,
    LAYOUT,
    OTHER_PLATE,
    PLATES,
    build,
    numbers_in,
    typed_of,
)
from sillwright.page.profiles import Choice, keep_profile, profiles_for
from sillwright.page.refusal import Refusal
from sillwright.page.views import job_path, page_of, rendered, to, words_for
from sillwright.page.words import Words
from sillwright.profile import MAX_FILE_BYTES
from sillwright.toml_text import toml_text

MOST_FIELDS = 900
LARGEST_JOB_FORM_BYTES = MAX_FILE_BYTES + 400_000
_NEW = {"plate": "2x6", "layers": "1", "bolt": "1/2 in"}
_FEWEST = {"run": 4, "corner": 2, "tape": 2}  # empty ones stand behind those there are, up to so many
_LONGEST = 400


def new_page(request: Request) -> Response:
    """The form for a new job."""
    return _form(request, None, _NEW, {})


async def new_posted(request: Request, form: FormData) -> Response:
    """Make the job, or show the form again with what is wrong beside each field."""
    folder = page_of(request).store.folder
    typed, faults = _typed(form), dict[str, list[FieldFault]]()
    typed |= await _sent_profile(request, form, faults)
    _check_profile(request, None, typed, faults)
    built = build(typed, {})
    faults |= built.faults
    if faults:
        return _form(request, None, typed, faults)
    try:
        made = make_job(folder, typed["name"], toml_text(built.document).encode())
    except JobError as fault:
        return _form(request, None, typed, {"name": [FieldFault(said=str(fault))]})
    return to(job_path(made))


def edit_page(request: Request) -> Response:
    """The form with what the job's file says."""
    job = _job(request)
    document, seen = _document(job)
    return _form(request, job, {**typed_of(document), "seen": seen}, {})


async def edit_posted(request: Request, form: FormData) -> Response:
    """Change the job's file, and keep the earlier one; or show the form again.

    Nothing waits between reading the file and writing it, so that of two people at once the second is told.
    """
    job = _job(request)
    typed, faults = _typed(form), dict[str, list[FieldFault]]()
    typed |= await _sent_profile(request, form, faults)
    document, seen = _document(job)
    _check_profile(request, job, typed, faults)
    built = build(typed, document)
    faults |= built.faults
    if typed.get("seen") != seen:
        faults.setdefault("", []).append(FieldFault("form.changed"))
    if faults:
        return _form(request, job, {**typed, "seen": seen}, faults)
    if queue.is_at_work(page_of(request).store, job.name):
        raise Refusal(409, "at_work")
    if built.document != document:
        change_job(job, toml_text(built.document).encode())
    return to(job_path(job))


def _job(request: Request) -> JobFolder:
    job = job_named(page_of(request).store.folder, request.path_params["job"])
    if job.table is None:
        raise Refusal(409, "job_file")
    return job


def _document(job: JobFolder) -> tuple[dict[str, Any], str]:
    """The job's file as it is now, and what tells it from any other."""
    content = job.job_file.read_bytes()
    return tomllib.loads(content.decode("utf-8-sig")), sha256(content).hexdigest()


def _typed(form: FormData) -> dict[str, str]:
    """Every text of the form, in one line, without what cannot be printed."""
    texts = ((name, value) for name, value in form.multi_items() if isinstance(value, str) and name.isascii())
    return {
        name: "".join(letter for letter in " ".join(value.split()) if letter.isprintable())[:_LONGEST]
        for name, value in texts
    }


async def _sent_profile(request: Request, form: FormData, faults: dict[str, list[FieldFault]]) -> dict[str, str]:
    """Keep a profile that came with the form, and choose it, so that it need not be sent again after another fault."""
    part = form.get("profile_file")
    if not isinstance(part, UploadFile) or not part.filename:
        return {}
    kept = keep_profile(page_of(request).store.folder, await part.read(MAX_FILE_BYTES + 1))
    if kept is None:
        faults["profile_file"] = [FieldFault("form.no_profile")]
        return {}
    return {"profile": kept}


def _check_profile(
    request: Request, job: JobFolder | None, typed: Mapping[str, str], faults: dict[str, list[FieldFault]]
) -> None:
    """A job names a profile of those that are offered, and no other file."""
    if typed.get("profile") and typed["profile"] not in {one.path for one in _profiles(request, job)}:
        faults["profile"] = [FieldFault("search.not_listed")]


def _profiles(request: Request, job: JobFolder | None) -> tuple[Choice, ...]:
    named = "" if job is None or job.table is None else job.table.camera.profile or ""
    return profiles_for(page_of(request).store.folder, None if job is None else job.path, named)


def _form(
    request: Request, job: JobFolder | None, typed: Mapping[str, str], faults: Mapping[str, list[FieldFault]]
) -> Response:
    runs = _shown(typed, "run")
    of_run = {
        run: {name.removeprefix(f"run{run}_"): "" for name in typed if name.startswith(f"run{run}_")} for run in runs
    }
    wrong = {int(match[1]) for name in faults if (match := re.match(r"run(\d+)_", name))}
    return rendered(
        request,
        "job_form.html",
        422 if faults else 200,
        job=job,
        path="/new" if job is None else f"{job_path(job)}/edit",
        typed=typed,
        faults=faults,
        options=_options(words_for(request), typed, runs, _profiles(request, job)),
        runs=runs,
        open_runs=wrong,
        tapes={run: _shown(of_run[run], "tape") for run in runs},
        corners=_shown(typed, "corner"),
        open_layout=any(typed.get(name) or faults.get(name) for name in LAYOUT),
    )


def _options(
    words: Words, typed: Mapping[str, str], runs: Sequence[int], profiles: Sequence[Choice]
) -> dict[str, list[tuple[str, str]]]:
    """What each field of a choice offers: the value, and what is read."""
    names = {run: typed.get(f"run{run}_name") or words("new.run", number=count) for count, run in enumerate(runs, 1)}
    meets = [(f"{CORNER}{run}", words("form.meets", name=name)) for run, name in names.items()]
    ends = {
        end: [
            ("", words("form.not_said")),
            *meets,
            ("station", words("form.end_station")),
            ("wall_end", words(wall)),
        ]
        for end, wall in zip(ENDS, ("form.begins_wall", "form.ends_wall"), strict=True)
    }
    return {
        "plate": [*((one, one) for one in PLATES), (OTHER_PLATE, words("form.other_plate"))],
        "layers": [(one, one) for one in ("1", "2", "3")],
        "bolt": [(one, one) for one in BOLTS],
        "profile": [
            ("", words("form.no_profile_named")),
            *((one.path, f"{one.phone} ({one.path})" if one.phone else one.path) for one in profiles),
        ],
        "line": [("outside", words("new.outside")), ("inside", words("new.inside"))],
        "run": [("", words("form.not_said")), *((str(run), name) for run, name in names.items())],
        "joint": [("butt", words("form.butt")), ("mitre", words("form.mitre"))],
        **ends,
    }


def _shown(typed: Mapping[str, str], kind: str) -> list[int]:
    """Those that there are, with empty ones behind them: one at least."""
    there = numbers_in(typed, kind)
    last = there[-1] + 1 if there else 0
    empty = max(_FEWEST[kind] - len(there), 1)
    return [*there, *range(last, last + empty)]
