"""Correcting by hand: a photo large, with the run's bolts to be moved, added or struck out; and what stands so far."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from sillwright.corrections_file import BoltTable, CorrectionsTable, LineTable, Pixel
from sillwright.lengths import format_feet_inches, format_inches
from sillwright.page import queue
from sillwright.page.correcting import (
    KINDS,
    MOST_CHANGES,
    Change,
    Entry,
    Said,
    entries_of,
    read_standing,
    save,
    seen_in,
    take_back,
    token_of,
)
from sillwright.page.devices import LONGEST_NAME, keep_person, plain_name
from sillwright.page.folder import JobFolder, Place, job_named, place_of
from sillwright.page.large import PIECE_PX, WHOLE_PX, large_picture
from sillwright.page.looks import sha256_of
from sillwright.page.marked import KnownBolt, Spot, View, drawn_bolts, drawn_line, is_placed, known_bolts, spot_of_entry
from sillwright.page.measured import measured_run
from sillwright.page.refusal import Refusal
from sillwright.page.views import device_asking, job_path, off_the_loop, page_of, place_path, rendered, text_in, to
from sillwright.page.views_jobs import measuring
from sillwright.survey import PhotoRecord, RunRecord, Survey
from sillwright.tell.rows import in_wall_order

FIELDS = MOST_CHANGES * 6 + 20  # of the form with most marks


@dataclass(frozen=True)
class StandingLine:
    """One entry of corrections.toml as it is listed.

    kind : moved, missed, strike or line; mark : of the record's bolt that it is about, if there is one
    at : how far along and in from the line it names that bolt; ends : which ends it marks
    """

    kind: str
    mark: str
    at: tuple[str, str] | None
    photo: str
    ends: tuple[str, ...]
    by: str
    on: str
    token: str


@dataclass(frozen=True)
class PhotoLink:
    """A photo of the run that can be opened to be marked. ``marks`` are of the bolts measured in it; ``is_here`` where
    it is the one that is open."""

    name: str
    path: str
    marks: tuple[str, ...]
    is_here: bool


@dataclass(frozen=True)
class _Asked:
    """A run with its record and its corrections, for a request about them."""

    job: JobFolder
    place: Place
    survey: Survey
    run: RunRecord
    table: CorrectionsTable
    fault: str

    @property
    def path(self) -> str:
        return f"{place_path(self.job, self.place)}/correct"

    def photos(self) -> list[PhotoRecord]:
        """Those that were placed on the run."""
        return [photo for photo in self.survey.photos if is_placed(photo, self.run.name)]


def photo_path(run_path: str, photo: str, mark: str = "") -> str:
    """The address of a photo, opened to be marked; with a bolt's mark that bolt is chosen."""
    asked = f"?{urlencode({'bolt': mark})}" if mark else ""
    return f"{run_path}/correct/{quote(photo)}{asked}"


def corrections_page(request: Request) -> Response:
    """The photos of a run to open, and what was corrected on it; with ``?bolt=`` straight to a photo of that bolt."""
    asked = _asked(request)
    mark = request.query_params.get("bolt", "")
    bolt = next((bolt for bolt in asked.run.bolts if bolt.mark == mark), None)
    if bolt is not None:
        showing = [photo for photo in asked.photos() if photo.file in bolt.photos]
        nearest = min(showing, key=lambda photo: _off_middle(View(photo, asked.run.name), asked, mark), default=None)
        if nearest is not None:
            return to(photo_path(place_path(asked.job, asked.place), nearest.file, mark))
    return rendered(
        request,
        "corrections.html",
        job_path=job_path(asked.job),
        photos=_links(asked, ""),
        **_shared(request, asked),
    )


def correct_page(request: Request) -> Response:
    """One photo large, with what is drawn on it, and the form that says what is to change."""
    asked = _asked(request)
    photo, file = _photo(request, asked)
    view = View(photo, asked.run.name)
    known = {bolt.spot.key: bolt.mark for bolt in known_bolts(asked.run, asked.table)}
    return rendered(
        request,
        "correct.html",
        photo=photo.file,
        view=view,
        pictures=f"{place_path(asked.job, asked.place)}/large/{_sha256(request, file, photo)}",
        whole_px=WHOLE_PX,
        piece_px=PIECE_PX,
        bolts=drawn_bolts(view, asked.run, asked.table),
        known=known,
        line=drawn_line(view, asked.run),
        lines=[line.points_px for line in asked.table.line if (line.run, line.photo) == (asked.run.name, photo.file)],
        chosen=request.query_params.get("bolt", ""),
        seen=seen_in(asked.table, asked.run.name, photo.file),
        kinds=KINDS,
        photos=_links(asked, photo.file),
        longest_name=LONGEST_NAME,
        most=MOST_CHANGES,
        **_shared(request, asked),
    )


async def correct_posted(request: Request, form: FormData) -> Response:
    """Keep what was marked, and have the job measured again."""
    asked = await off_the_loop(_asked, request)
    photo, file = await off_the_loop(_photo, request, asked)
    await off_the_loop(_sha256, request, file, photo)
    said = _said(request, form)
    view = View(photo, asked.run.name)
    await off_the_loop(save, asked.job, asked.run, view, _changes(form), said, text_in(form, "seen"))
    return _measure_again(request, asked)


async def taken_back(request: Request, form: FormData) -> Response:
    """Take an entry back, and have the job measured again."""
    asked = await off_the_loop(_asked, request)
    await off_the_loop(take_back, asked.job, asked.run, text_in(form, "entry"))
    return _measure_again(request, asked)


def large(request: Request) -> Response:
    """A picture of a photo to mark places on. It never changes."""
    asked = _asked(request)
    sha256 = request.path_params["sha256"]
    photo = next((photo for photo in asked.photos() if photo.sha256 == sha256), None)
    if photo is None:
        raise Refusal(404, "no_picture")
    file = _file(asked, photo)
    _sha256(request, file, photo)
    picture = large_picture(page_of(request).store, file, sha256, request.path_params["name"])
    return FileResponse(
        picture, media_type="image/jpeg", headers={"cache-control": "private, max-age=31536000, immutable"}
    )


def _asked(request: Request) -> _Asked:
    job = job_named(page_of(request).store.folder, request.path_params["job"])
    place = place_of(job, request.path_params["place"])
    survey, run = measured_run(job, place)
    table, fault = read_standing(job)
    return _Asked(job, place, survey, run, table, fault)


def _photo(request: Request, asked: _Asked) -> tuple[PhotoRecord, Path]:
    """The photo a request names, among those placed on the run, and its file."""
    name = request.path_params["photo"]
    photo = next((photo for photo in asked.photos() if photo.file == name), None)
    if photo is None:
        raise Refusal(404, "no_photo_placed")
    return photo, _file(asked, photo)


def _file(asked: _Asked, photo: PhotoRecord) -> Path:
    """A photo's file; of a record that names one outside of the job nothing is opened."""
    root = asked.job.path.resolve()
    file = (root / photo.file).resolve()
    if not file.is_relative_to(root) or not file.is_file():
        raise Refusal(409, "photo_changed")
    return file


def _sha256(request: Request, file: Path, photo: PhotoRecord) -> str:
    """The photo's SHA-256. Raises Refusal where the photo is not the one that was measured."""
    if sha256_of(page_of(request).store, file) != photo.sha256:
        raise Refusal(409, "photo_changed")
    return photo.sha256


def _shared(request: Request, asked: _Asked) -> dict[str, Any]:
    """What both pages show."""
    known = known_bolts(asked.run, asked.table)
    return {
        "run": asked.run,
        "path": asked.path,
        "run_path": place_path(asked.job, asked.place),
        "standing": [_line(one, known) for one in entries_of(asked.table, asked.run.name)],
        "fault": asked.fault,
        "task": measuring(page_of(request).store, asked.job),
    }


def _links(asked: _Asked, here: str) -> list[PhotoLink]:
    run_path = place_path(asked.job, asked.place)
    return [
        PhotoLink(
            photo.file,
            photo_path(run_path, photo.file),
            tuple(bolt.mark for bolt in in_wall_order(asked.run) if photo.file in bolt.photos),
            photo.file == here,
        )
        for photo in asked.photos()
    ]


def _line(entry: Entry, known: Sequence[KnownBolt]) -> StandingLine:
    by, on, token = entry.by or "", entry.on or "", token_of(entry)
    if isinstance(entry, LineTable):
        return StandingLine("line", "", None, entry.photo, (), by, on, token)
    spot = spot_of_entry(entry)
    kind = entry.kind if isinstance(entry, BoltTable) else "moved"  # what is struck out is a bolt of the photos
    mark = next((bolt.mark for bolt in known if bolt.kind == kind and bolt.spot.is_same(spot)), "")
    along, setback = format_feet_inches(spot.station_mm), format_inches(spot.setback_mm)
    if not isinstance(entry, BoltTable):
        return StandingLine("strike", mark, (along, setback), "", (), by, on, token)
    ends = tuple(end for end, px in (("base", entry.base_px), ("tip", entry.tip_px)) if px is not None)
    return StandingLine(entry.kind, mark, (along, setback), entry.photo, ends, by, on, token)


def _off_middle(view: View, asked: _Asked, mark: str) -> float:
    """How far from the middle of a photo it shows a bolt's foot, px."""
    for drawn in drawn_bolts(view, asked.run, asked.table):
        if drawn.bolt.mark == mark:
            return math.dist(drawn.base_px, (view.width_px / 2.0, view.height_px / 2.0))
    return math.inf


def _changes(form: FormData) -> list[Change]:
    """What the form says is to change; rows that say nothing are passed over."""
    columns = ("what", "bolt", "first_right", "first_down", "second_right", "second_down")
    rows = list(zip(*([str(value).strip() for value in form.getlist(name)] for name in columns), strict=False))
    changes = []
    for what, bolt, *numbers in rows:
        kind = next((kind for kind in KINDS if kind == what), None)
        if kind is None:
            if what:
                raise Refusal(422, "no_verdict")
            continue
        first, second = _pixel(numbers[0], numbers[1]), _pixel(numbers[2], numbers[3])
        changes.append(Change(kind, _spot(bolt), first, second))
    return changes


def _pixel(right: str, down: str) -> Pixel | None:
    """A place in the photo; None where nothing is written."""
    if not right and not down:
        return None
    x, y = _number(right), _number(down)
    if x is None or y is None:
        raise Refusal(422, "outside_photo")
    return x, y


def _spot(text: str) -> Spot | None:
    numbers = [_number(part) for part in text.split()]
    if len(numbers) != 2 or numbers[0] is None or numbers[1] is None:
        return None
    return Spot(numbers[0], numbers[1])


def _number(text: str) -> float | None:
    try:
        number = float(text[:40])
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _said(request: Request, form: FormData) -> Said:
    page, device = page_of(request), device_asking(request)
    person = plain_name(text_in(form, "by"))
    if not person:
        raise Refusal(422, "no_corrector")
    keep_person(page.store, device, person)
    moment = datetime.fromtimestamp(page.clock(), UTC).astimezone()
    return Said(person, moment.strftime("%Y-%m-%d %H:%M"))


def _measure_again(request: Request, asked: _Asked) -> Response:
    queue.ask(page_of(request).store, "measure", asked.job.name)
    return to(f"{place_path(asked.job, asked.place)}/results")
