"""Joining: the page a scanned code opens, and the code that the laptop shows."""

from __future__ import annotations

from dataclasses import dataclass

import segno
from markupsafe import Markup
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from sillwright.page.devices import CODE_LASTS_S, join, joined_count, new_code
from sillwright.page.refusal import Refusal
from sillwright.page.safety import COOKIE, LANGUAGE_COOKIE
from sillwright.page.views import Page, device_asking, page_of, rendered, text_in, to
from sillwright.page.words import LANGUAGES

_YEAR_S = 365 * 24 * 3600


def join_page(request: Request) -> Response:
    """The code that was scanned, or a field to type it, and a button: opening a link must not use a code up."""
    return rendered(request, "join.html", code=request.path_params.get("code", ""), fault="")


def join_posted(request: Request, form: FormData) -> Response:
    """Use the code up and give the device its token."""
    page = page_of(request)
    try:
        token = join(page.store, text_in(form, "code"), text_in(form, "name"), page.clock())
    except Refusal as fault:
        return rendered(request, "join.html", fault.status_code, code="", fault=fault.key)
    answer = to("/")
    # No "secure": the laptop has no certificate on a jobsite's Wi-Fi. See README.
    answer.set_cookie(COOKIE, token, max_age=_YEAR_S, httponly=True, samesite="strict", path="/")
    return answer


@dataclass(frozen=True)
class Invitation:
    """What the laptop shows for one phone to join by; ``joined`` changes once somebody did."""

    picture: Markup
    link: str
    code: str
    minutes: int
    joined: int


def invitation(page: Page) -> Invitation:
    """A fresh code as a QR picture."""
    code = new_code(page.store, page.clock())
    link = f"{page.address}/join/{code}"
    picture = segno.make(link, error="m").svg_inline(omitsize=True, border=4, light="#fff", dark="#000")
    return Invitation(Markup(picture), link, code, int(CODE_LASTS_S / 60), joined_count(page.store))  # made of squares


def joined(request: Request) -> Response:
    """How many devices have joined: the laptop's page asks, to show a fresh code when one was used."""
    if not device_asking(request).laptop:
        raise Refusal(403, "laptop_only")
    return JSONResponse({"joined": joined_count(page_of(request).store)})


def language_posted(request: Request, form: FormData) -> Response:
    """Keep the language that was picked, and go back to where it was."""
    back = text_in(form, "here")
    answer = to(back if back.startswith("/") and not back.startswith(("//", "/\\")) else "/")
    picked = text_in(form, "language")
    if picked in LANGUAGES:
        answer.set_cookie(LANGUAGE_COOKIE, picked, max_age=_YEAR_S, httponly=True, samesite="strict", path="/")
    return answer
