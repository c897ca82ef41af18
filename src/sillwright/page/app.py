"""The page's routes put together, with the guard before them."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from functools import partial
from importlib.resources import files
from pathlib import Path

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from sillwright.page import uploads
from sillwright.page.events import job_events
from sillwright.page.refusal import Refusal
from sillwright.page.safety import Bucket, Guard, all_joins, all_requests
from sillwright.page.views import LARGEST_FORM_BYTES, Page, off_the_loop, posted, refused
from sillwright.page.views_compare import compare_page
from sillwright.page.views_correct import FIELDS, correct_page, correct_posted, corrections_page, large, taken_back
from sillwright.page.views_foreman import foreman_page, word_posted
from sillwright.page.views_form import (
    LARGEST_JOB_FORM_BYTES,
    MOST_FIELDS,
    edit_page,
    edit_posted,
    new_page,
    new_posted,
)
from sillwright.page.views_jobs import job_page, jobs_page, measure_posted
from sillwright.page.views_join import join_page, join_posted, joined, language_posted
from sillwright.page.views_package import audit_posted, package_page, photo_file, results_file, thumbnail_file
from sillwright.page.views_plates import plates_file, plates_page, plates_posted
from sillwright.page.views_results import results_page
from sillwright.page.views_run import (
    LARGEST_UPLOAD_FORM_BYTES,
    MOST_FILES_A_FORM,
    left_out_posted,
    photos_part,
    photos_posted,
    picture,
    put_back_posted,
    run_page,
)
from sillwright.page.views_sealed import seal_page, seal_posted, sealed_page
from sillwright.page.views_uploads import LARGEST_PIECE_BYTES, upload_at, upload_begun

STATIC = {
    "page.css": "text/css",
    "page.js": "text/javascript",
    "upload.js": "text/javascript",
    "sha256.js": "text/javascript",
    "aloud.js": "text/javascript",
    "kept.js": "text/javascript",
    "correct.css": "text/css",
    "correct.js": "text/javascript",
    "correct-photo.js": "text/javascript",
    "compare.js": "text/javascript",
    "icon.svg": "image/svg+xml",
}
_SWEEP_S = 3600.0


def build_app(
    page: Page,
    host_names: frozenset[str] = frozenset(),
    requests: Bucket | None = None,
    joins: Bucket | None = None,
) -> Starlette:
    """The application. ``host_names`` are names the server may be called by, beside localhost and addresses."""
    app = Starlette(
        routes=_routes(),
        middleware=[
            Middleware(
                Guard,
                store=page.store,
                host_names=host_names,
                requests=requests or all_requests(),
                joins=joins or all_joins(),
            )
        ],
        exception_handlers={Refusal: refused, 404: _not_found},
        lifespan=_lifespan,
    )
    app.state.page = page
    return app


def _routes() -> list[Route]:
    """Every address there is, and how large a request to it may be."""
    form = partial(Route, methods=["POST"], max_body_size=LARGEST_FORM_BYTES)
    job_form = partial(Route, methods=["POST"], max_body_size=LARGEST_JOB_FORM_BYTES)
    return [
        Route("/join", join_page),
        Route("/join/{code}", join_page),
        form("/join", posted(join_posted, open_to_all=True)),
        form("/join/language", posted(language_posted, open_to_all=True)),
        Route("/joined", joined),
        Route("/static/{name}", static),
        Route("/service-worker.js", service_worker),
        Route("/pictures/{sha256}.jpg", picture),
        Route("/", jobs_page),
        Route("/as-built", sealed_page),
        Route("/as-built/{name}", package_page),
        form("/as-built/{name}/audit", posted(audit_posted)),
        Route("/as-built/{name}/compare", compare_page),
        Route("/as-built/{name}/small/{number}.jpg", thumbnail_file),
        Route("/as-built/{name}/photos/{number}.jpg", photo_file),
        Route("/as-built/{name}/files/{file:path}", results_file),
        Route("/new", new_page, methods=["GET"]),
        job_form("/new", posted(new_posted, files=1, fields=MOST_FIELDS)),
        Route("/uploads/{upload}", upload_at, methods=["HEAD", "PATCH", "DELETE"], max_body_size=LARGEST_PIECE_BYTES),
        Route("/jobs/{job}", job_page),
        Route("/jobs/{job}/edit", edit_page, methods=["GET"]),
        job_form("/jobs/{job}/edit", posted(edit_posted, files=1, fields=MOST_FIELDS)),
        form("/jobs/{job}/measure", posted(measure_posted)),
        Route("/jobs/{job}/events", job_events),
        Route("/jobs/{job}/plates", plates_page, methods=["GET"]),
        form("/jobs/{job}/plates", posted(plates_posted)),
        Route("/jobs/{job}/plates/{name:path}", plates_file),
        Route("/jobs/{job}/seal", seal_page, methods=["GET"]),
        form("/jobs/{job}/seal", posted(seal_posted)),
        Route("/jobs/{job}/{place}", run_page),
        Route("/jobs/{job}/{place}/list", photos_part),
        Route("/jobs/{job}/{place}/results", results_page),
        Route("/jobs/{job}/{place}/foreman", foreman_page),
        form("/jobs/{job}/{place}/word", posted(word_posted)),
        form("/jobs/{job}/{place}/leave-out", posted(left_out_posted)),
        form("/jobs/{job}/{place}/put-back", posted(put_back_posted)),
        Route(
            "/jobs/{job}/{place}/photos",
            posted(photos_posted, files=MOST_FILES_A_FORM),
            methods=["POST"],
            max_body_size=LARGEST_UPLOAD_FORM_BYTES,
        ),
        Route("/jobs/{job}/{place}/large/{sha256}/{name}.jpg", large),
        Route("/jobs/{job}/{place}/correct", corrections_page, methods=["GET"]),
        form("/jobs/{job}/{place}/correct", posted(taken_back)),
        Route("/jobs/{job}/{place}/correct/{photo:path}", correct_page, methods=["GET"]),
        form("/jobs/{job}/{place}/correct/{photo:path}", posted(correct_posted, fields=FIELDS)),
        Route("/jobs/{job}/{place}/uploads", upload_begun, methods=["POST"], max_body_size=LARGEST_PIECE_BYTES),
    ]


def static(request: Request) -> Response:
    """A style or script, of those there are."""
    name = request.path_params["name"]
    if name not in STATIC:
        raise Refusal(404, "no_page")
    return FileResponse(_static(name), media_type=STATIC[name], headers={"cache-control": "no-cache"})


def service_worker(request: Request) -> Response:
    """The script that keeps pages readable without a connection; it stands at the root, so that it sees every page."""
    return FileResponse(
        _static("service-worker.js"), media_type="text/javascript", headers={"cache-control": "no-cache"}
    )


async def _not_found(request: Request, fault: Exception) -> Response:
    return await refused(request, Refusal(404, "no_page"))


def _static(name: str) -> Path:
    return Path(str(files("sillwright.page").joinpath("static", name)))


@contextlib.asynccontextmanager
async def _lifespan(app: Starlette) -> AsyncIterator[None]:
    """Put uploads in order at the start, and take stale ones away every hour."""
    page: Page = app.state.page
    await off_the_loop(uploads.recover, page.store)
    sweeping = asyncio.create_task(_sweep(page))
    yield
    page.stopping.set()
    sweeping.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await sweeping


async def _sweep(page: Page) -> None:
    while True:
        await off_the_loop(uploads.sweep, page.store, page.clock())
        await asyncio.sleep(_SWEEP_S)
