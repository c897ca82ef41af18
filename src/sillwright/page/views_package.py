"""A sealed package's own page: its bolts, photos and sheets, and how it stands when it is read again."""

from __future__ import annotations

from pathlib import PurePosixPath
from urllib.parse import quote

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response

from sillwright.archive.audit import Audit
from sillwright.errors import SillwrightError
from sillwright.page.compared import choices, folder_words
from sillwright.page.foreman_lines import VERDICT_KEYS, said_when
from sillwright.page.packages import (
    Package,
    audit_one,
    large_picture,
    read_package,
    sealed_file,
    small_picture,
)
from sillwright.page.refusal import Refusal
from sillwright.page.views import off_the_loop, page_of, rendered
from sillwright.page.views_plates import SHEET_POLICY
from sillwright.tell.archive_words import audit_closing, audit_lines, not_told_lines, stamp_lines
from sillwright.tell.frames import zero_card
from sillwright.tell.plate_words import check_sentence
from sillwright.tell.rows import zero_words
from sillwright.tell.wording import corner_line, run_findings

# As the sheets of a plan; the report has its pictures in itself.
_POLICY = f"{SHEET_POLICY}; img-src data:"
_KEPT = {"cache-control": "private, max-age=3600"}


def package_page(request: Request) -> Response:
    """The whole page of one package."""
    return _shown(request, None)


async def audit_posted(request: Request, form: FormData) -> Response:
    """Read every byte of the package again, and say what is not as it was sealed."""
    folder = page_of(request).store.folder
    try:
        found = await off_the_loop(audit_one, folder, request.path_params["name"])
    except SillwrightError as fault:
        raise _refusal(request, fault) from fault
    return await off_the_loop(_shown, request, found)


def thumbnail_file(request: Request) -> Response:
    """The small picture of a photo."""
    folder, name = page_of(request).store.folder, request.path_params["name"]
    return _picture(request, lambda: small_picture(folder, name, _number(request)))


def photo_file(request: Request) -> Response:
    """A photo as it was sealed, made smaller and without EXIF."""
    folder, name = page_of(request).store.folder, request.path_params["name"]
    return _picture(request, lambda: large_picture(folder, name, _number(request)))


def results_file(request: Request) -> Response:
    """A sheet, table or picture that was sealed: pages and pictures are shown, the rest is handed out."""
    try:
        file = sealed_file(page_of(request).store.folder, request.path_params["name"], request.path_params["file"])
    except SillwrightError as fault:
        raise _refusal(request, fault) from fault
    is_shown = file.media_type in ("text/html", "image/jpeg")
    name = quote(PurePosixPath(file.name).name, safe="")
    headers = {"content-disposition": f"{'inline' if is_shown else 'attachment'}; filename*=UTF-8''{name}"}
    if is_shown:
        headers["content-security-policy"] = _POLICY
    return Response(file.content, headers=headers, media_type=file.media_type)


def _shown(request: Request, audit: Audit | None) -> Response:
    folder, name = page_of(request).store.folder, request.path_params["name"]
    package: Package | None = None
    fault = ""
    try:
        package = read_package(folder, name)
    except Refusal:
        raise
    except SillwrightError as error:
        fault = folder_words(folder, error)
    return rendered(
        request,
        "package.html",
        200 if package is not None else 409,
        name=name,
        path=f"/as-built/{name}",
        package=package,
        fault=fault,
        choices=()
        if package is None
        else choices(page_of(request).store, name, package.record.job, package.record.lot),
        not_told=() if package is None else not_told_lines(package.record.not_told),
        findings=run_findings,
        zero=zero_words,
        zero_card=zero_card,
        corner=corner_line,
        sentence=check_sentence,
        said_when=said_when,
        verdicts=tuple(VERDICT_KEYS.values()),
        address=lambda file: f"/as-built/{name}/files/{quote(file)}",
        audited=audit is not None,
        audit_faults=() if audit is None else audit_lines(audit),
        audit_more=() if audit is None else (*stamp_lines(audit), audit_closing(audit)),
    )


def _picture(request: Request, read: object) -> Response:
    assert callable(read)
    try:
        content = read()
    except SillwrightError as fault:
        raise _refusal(request, fault) from fault
    return Response(content, headers=_KEPT, media_type="image/jpeg")


def _refusal(request: Request, fault: SillwrightError) -> Refusal:
    """What is wrong with a package, as a refusal; what is one already stays so."""
    if isinstance(fault, Refusal):
        return fault
    return Refusal(409, "package", said=folder_words(page_of(request).store.folder, fault))


def _number(request: Request) -> int:
    """The photo that an address asks for; 0, which no photo has, where it is no number."""
    text = request.path_params["number"]
    return int(text) if text.isascii() and text.isdecimal() and len(text) < 6 else 0
