"""The page of a run or corner: take photos, see at once which are good, and why others are not."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from sillwright.page import uploads
from sillwright.page.folder import JobFolder, Place, job_named, left_out_of, photos_of, place_of
from sillwright.page.leaving_out import leave_out, put_back
from sillwright.page.looks import PhotoLook, looks_of, picture_path, sha256_of
from sillwright.page.marked import is_placed
from sillwright.page.measured import survey_of
from sillwright.page.refusal import Refusal
from sillwright.page.store import Store
from sillwright.page.views import (
    device_asking,
    job_path,
    off_the_loop,
    page_of,
    place_path,
    rendered,
    text_in,
    to,
    words_for,
)
from sillwright.page.views_correct import photo_path
from sillwright.page.views_jobs import ask_for_looks, measuring
from sillwright.page.words import Words
from sillwright.photo import LARGEST_FILE_BYTES
from sillwright.survey import Survey
from sillwright.tell.reasons import explain, title

MOST_FILES_A_FORM = 30
LARGEST_UPLOAD_FORM_BYTES = 400_000_000  # 30 photos of 12 MP are half of it; it is held on the disk meanwhile
_PIECE_BYTES = 1 << 20


@dataclass(frozen=True)
class PhotoLine:
    """One photo as it is shown: its verdict, what is behind it as title and sentence, and its small picture.

    file : relative to the job's folder; also : the other runs and corners that have it
    correct : where it is corrected by hand, once it was measured
    """

    name: str
    status: str
    reasons: tuple[tuple[str, str], ...]
    picture: str
    file: str
    also: tuple[str, ...] = ()
    correct: str = ""


def run_page(request: Request) -> Response:
    """The whole page."""
    page = page_of(request)
    job, place = _place(request)
    survey, _ = survey_of(job)
    measured = survey is not None and any((run.name,) == place.runs for run in survey.runs)
    path = place_path(job, place)
    photos, looks_fault = photo_lines(page.store, job, place, survey)
    return rendered(
        request,
        "run.html",
        job=job,
        place=place,
        title=" + ".join(place.runs),
        path=path,
        job_path=job_path(job),
        results=f"{path}/results" if measured else None,
        photos=photos,
        left_out=left_out_lines(page.store, job, place),
        fault=looks_fault,
        task=measuring(page.store, job),
        most_bytes=LARGEST_FILE_BYTES,
        most_files=MOST_FILES_A_FORM,
    )


def photos_part(request: Request) -> Response:
    """The list of photos alone, which the page sets in anew when one was looked at."""
    job, place = _place(request)
    photos, looks_fault = photo_lines(page_of(request).store, job, place, survey_of(job)[0])
    left_out = left_out_lines(page_of(request).store, job, place)
    path = place_path(job, place)
    return rendered(request, "photos.html", photos=photos, left_out=left_out, fault=looks_fault, path=path)


def picture(request: Request) -> Response:
    """A small picture of a photo. It never changes."""
    sha256 = request.path_params["sha256"]
    path = picture_path(page_of(request).store, sha256)
    if not re.fullmatch(r"[0-9a-f]{64}", sha256) or not path.is_file():
        raise Refusal(404, "no_picture")
    return FileResponse(
        path, media_type="image/jpeg", headers={"cache-control": "private, max-age=31536000, immutable"}
    )


async def photos_posted(request: Request, form: FormData) -> Response:
    """Photos from a plain form, for browsers without JavaScript: the same checks as the uploads in pieces."""
    words = words_for(request)
    job, place = await off_the_loop(_place, request)
    said = []
    for part in form.getlist("photos")[:MOST_FILES_A_FORM]:
        if isinstance(part, UploadFile) and part.filename:
            said.append(f"{part.filename}: {await _take(request, words, job, place, part)}")
    return rendered(
        request, "sent.html", said=said or [words("run.none_chosen")], path=place_path(job, place), title=place.runs[0]
    )


async def left_out_posted(request: Request, form: FormData) -> Response:
    """Take a photo out of the run; it stays in the job's folder."""
    return await _moved(request, form, leave_out)


async def put_back_posted(request: Request, form: FormData) -> Response:
    """Put a photo back that was taken out."""
    return await _moved(request, form, put_back)


def left_out_lines(store: Store, job: JobFolder, place: Place) -> tuple[PhotoLine, ...]:
    """The photos that were taken out."""
    root = job.path.resolve()
    return tuple(
        PhotoLine(photo.name, "", (), _shown(store, sha256_of(store, photo)), photo.relative_to(root).as_posix())
        for photo in left_out_of(job, place)
    )


def photo_lines(store: Store, job: JobFolder, place: Place, survey: Survey | None) -> tuple[tuple[PhotoLine, ...], str]:
    """Every photo, what wants to be shot again first; those not looked at yet are asked for. Beside them what in the
    job file keeps these from being looked at."""
    looks = looks_of(store, job, place)
    fault = ask_for_looks(store, job, {place: looks})
    order = {"reshoot": 0, "check": 1, "": 2, "ok": 3}
    measured = survey.photos if survey is not None and place.kind == "run" else ()
    placed = {photo.file for photo in measured if is_placed(photo, place.runs[0])}
    run_path = place_path(job, place)
    others = {
        " + ".join(one.runs): {photo.relative_to(job.path.resolve()).as_posix() for photo in photos_of(job, one)}
        for one in job.places
        if one.key != place.key
    }
    lines = [
        _photo_line(
            store,
            photo,
            tuple(title for title, files in others.items() if photo.file in files),
            photo_path(run_path, photo.file) if photo.file in placed else "",
        )
        for photo in looks
    ]
    return tuple(sorted(lines, key=lambda line: order[line.status])), fault


async def _take(request: Request, words: Words, job: JobFolder, place: Place, part: UploadFile) -> str:
    """Keep one file of a form, and say what became of it."""
    page = page_of(request)
    device = device_asking(request).number
    try:
        upload = await off_the_loop(
            uploads.begin, page.store, device, job, place, part.filename or "", part.size or 0, None, page.clock()
        )
        piece = uploads.piece_of(page.store, upload)
        with piece.open("wb") as stream:
            while piece_bytes := await part.read(_PIECE_BYTES):
                stream.write(piece_bytes)
        kept = await off_the_loop(uploads.finish, page.store, upload)
    except Refusal as fault:
        return words(f"refusal.{fault.key}", **fault.values)
    return words("run.twice" if kept.twice else "run.kept", photo=kept.photo)


def _photo_line(store: Store, photo: PhotoLook, also: tuple[str, ...], correct: str) -> PhotoLine:
    name, shown = photo.file.rsplit("/", 1)[-1], _shown(store, photo.sha256)
    if photo.look is None:
        return PhotoLine(name, "", (), shown, photo.file, also, correct)
    # Of a good photo the title is enough; what is to be mended is told in full.
    good = photo.look.status == "ok"
    reasons = tuple((title(one, "photo"), "" if good else explain(one, "photo")) for one in photo.look.reasons)
    return PhotoLine(name, photo.look.status, reasons, shown, photo.file, also, correct)


def _shown(store: Store, sha256: str | None) -> str:
    """The address of a photo's small picture; empty where there is none."""
    return f"/pictures/{sha256}.jpg" if sha256 is not None and picture_path(store, sha256).is_file() else ""


async def _moved(request: Request, form: FormData, move: Callable[[Store, JobFolder, Place, str], None]) -> Response:
    job, place = await off_the_loop(_place, request)
    await off_the_loop(move, page_of(request).store, job, place, text_in(form, "photo"))
    return to(f"{place_path(job, place)}#photos")


def _place(request: Request) -> tuple[JobFolder, Place]:
    job = job_named(page_of(request).store.folder, request.path_params["job"])
    return job, place_of(job, request.path_params["place"])
