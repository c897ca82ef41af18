"""What all views share: the page's state, templates with the words of the one who asks, forms, refusals."""

from __future__ import annotations

import re
import time
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from threading import Event
from typing import Any, TypeVar
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from sillwright.page.devices import Device
from sillwright.page.folder import JobFolder, Place
from sillwright.page.refusal import Refusal
from sillwright.page.safety import FORM_TOKEN_HEADER, LANGUAGE_COOKIE, check_form_token
from sillwright.page.store import Store
from sillwright.page.words import LANGUAGES, Words, chosen_language, words_of
from sillwright.tell.wording import ADVISES

T = TypeVar("T")
LARGEST_FORM_BYTES = 100_000
_WORD = re.compile(r"[^\W\d_]{3}")  # what has none is a number with its unit, which reads alike


def _templates() -> Environment:
    """Templates that escape all they are given; a value that is missing is a fault, not a gap."""
    return Environment(
        loader=PackageLoader("sillwright.page", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@dataclass
class Page:
    """The state of a running server. ``address`` is where phones find it, ``alone`` that none can, as it answers this
    laptop only; ``clock`` gives seconds since 1970."""

    store: Store
    address: str
    alone: bool = False
    stopping: Event = field(default_factory=Event)
    clock: Callable[[], float] = time.time
    templates: Environment = field(default_factory=_templates)


def page_of(request: Request) -> Page:
    """The server's state."""
    page = request.app.state.page
    assert isinstance(page, Page)
    return page


def device_asking(request: Request) -> Device:
    """The device that asks; the guard lets no other through."""
    device = request.state.device
    if not isinstance(device, Device):
        raise Refusal(401, "join_first")
    return device


def words_for(request: Request) -> Words:
    """The language picked, or the browser's."""
    picked = request.cookies.get(LANGUAGE_COOKIE)
    return words_of(chosen_language(picked, request.headers.get("accept-language", "")))


def rendered(request: Request, template: str, status_code: int = 200, **values: object) -> Response:
    """A template with what every page needs."""
    words = words_for(request)
    device = request.state.device
    text = (
        page_of(request)
        .templates.get_template(template)
        .render(
            say=words,
            language=words.language,
            languages=LANGUAGES,
            device=device,
            form_token=device.form_token if device is not None else "",
            here=request.url.path if request.method == "GET" else "/",
            advises=ADVISES,
            told=lambda english: _told(words, english),
            phrase=words.phrase,
            **values,
        )
    )
    return HTMLResponse(text, status_code, {"vary": "cookie, accept-language"})


def posted(
    view: Callable[[Request, FormData], Response | Awaitable[Response]],
    *,
    open_to_all: bool = False,
    files: int = 0,
    fields: int = 60,
) -> Callable[[Request], Awaitable[Response]]:
    """A view that changes something: it runs only with the device's form token, in the form or as a header."""

    async def endpoint(request: Request) -> Response:
        header = request.headers.get(FORM_TOKEN_HEADER)
        if not open_to_all and header is not None:
            check_form_token(device_asking(request), header)
        elif not open_to_all and files:
            # Files are not taken in before the token is known: it stands in the address of such a form alone.
            check_form_token(device_asking(request), request.query_params.get("form"))
        async with request.form(max_files=files, max_fields=fields) as form:
            if not open_to_all and header is None and not files:
                given = form.get("form_token")
                check_form_token(device_asking(request), given if isinstance(given, str) else None)
            answer = view(request, form)
            return await answer if not isinstance(answer, Response) else answer

    return endpoint


async def off_the_loop(work: Callable[..., T], *given: Any) -> T:
    """Do what waits for a disk or a decoder in a thread."""
    return await run_in_threadpool(work, *given)


def text_in(form: FormData, name: str) -> str:
    """A text field of a form; empty where it is missing or a file."""
    value = form.get(name)
    return value.strip() if isinstance(value, str) else ""


def to(path: str) -> RedirectResponse:
    """Go on there, with a GET."""
    return RedirectResponse(path, 303)


def job_path(job: JobFolder | str) -> str:
    """The address of a job's page."""
    return f"/jobs/{quote(job if isinstance(job, str) else job.name, safe='')}"


def place_path(job: JobFolder | str, place: Place) -> str:
    """The address of a run's or corner's page."""
    return f"{job_path(job)}/{place.key}"


async def refused(request: Request, fault: Exception) -> Response:
    """A refusal as a page, or as problem details (RFC 9457) for a script."""
    assert isinstance(fault, Refusal)
    words = words_for(request)
    said = words(f"refusal.{fault.key}", **fault.values)
    headers = {} if fault.offset is None else {"upload-offset": str(fault.offset)}
    if "text/html" in request.headers.get("accept", ""):
        answer = rendered(request, "refusal.html", fault.status_code, said=said)
        answer.headers.update(headers)
        return answer
    body: Mapping[str, object] = {"status": fault.status_code, "title": said, "key": fault.key}
    return JSONResponse(body, fault.status_code, headers, media_type="application/problem+json")


def _told(words: Words, english: str) -> Markup:
    """A text of ``tell``, in the page's language or marked as English."""
    if words.knows(english) or not _WORD.search(english):
        return Markup("{}").format(words.phrase(english))
    return Markup('<span lang="en">{}</span>').format(english)
