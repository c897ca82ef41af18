"""A run measured from one photo straight down, and what a phone sends to correct it by hand."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import numpy as np
import pillow_heif
from httpx2 import Response
from PIL import Image
from PIL.ExifTags import Base

from page_site import NORTH, Phone, Site, measured
from plate_jobs import bolts
from sillwright.corrections_file import CorrectionsTable, read_corrections
from sillwright.page import queue
from sillwright.page.marked import View
from sillwright.page.store import Store
from sillwright.survey import CameraRecord, Finding, Survey, ViewRecord
from sillwright.survey_file import read_survey, write_survey

HTML = {"accept": "text/html"}
PHOTO = "north/IMG_1.jpg"
STORED_PX = (1500, 900)  # wide, high; shown upright it is 900 wide and 1500 high
ORIENTATION = 6
N1, N2, N3 = bolts("N", (400.0, 1400.0, 2000.0))
CHECK = replace(N2, status="check", reasons=(Finding("bent"),))


def a_picture(size: tuple[int, int] = STORED_PX, orientation: int = ORIENTATION, kind: str = "JPEG") -> bytes:
    """A photo with a red corner at its first stored pixels, and a serial number in its EXIF."""
    pixels = np.full((size[1], size[0], 3), 150, np.uint8)
    pixels[:200, :300] = (250, 20, 20)
    exif = Image.Exif()
    exif[Base.Orientation], exif[Base.Make] = orientation, "SECRET-PHONE"
    stream = io.BytesIO()
    if kind == "HEIC":
        heif = pillow_heif.from_pillow(Image.fromarray(pixels))
        heif.save(stream, quality=90, exif=exif.tobytes())
    else:
        Image.fromarray(pixels).save(stream, format=kind, exif=exif, quality=95)
    return stream.getvalue()


def photographed(site: Site, *found: object, line: str = "", content: bytes | None = None) -> View:
    """The run measured from one photo straight down on station 1400, and how that photo shows it."""
    photo = site.folder / "lot" / PHOTO
    photo.parent.mkdir(exist_ok=True)
    photo.write_bytes(content or a_picture())
    survey = measured(site, *found)
    (record,) = survey.photos
    focal_px = 1000.0
    matrix = ((focal_px, 0.0, STORED_PX[0] / 2), (0.0, focal_px, STORED_PX[1] / 2), (0.0, 0.0, 1.0))
    down = ((1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, -1.0))
    record = replace(
        record,
        orientation=ORIENTATION,
        camera=CameraRecord(*STORED_PX, matrix, (0.0,) * 5),
        views=(ViewRecord("north", down, (-1400.0, 70.0, 1400.0)),),
    )
    write(site, replace(survey, photos=(record,)))
    return View(record, "north")


def write(site: Site, survey: Survey) -> None:
    write_survey(survey, site.folder / "lot" / "out" / "survey.json")


def recorded(site: Site) -> Survey:
    return read_survey(site.folder / "lot" / "out" / "survey.json")


def standing(site: Site) -> CorrectionsTable:
    return read_corrections(site.folder / "lot") or CorrectionsTable()


def opened(phone: Phone, asked: str = f"{NORTH}/correct/{PHOTO}") -> str:
    answer = phone.client.get(asked, headers=HTML)
    assert answer.status_code == 200, answer.text
    return answer.text


def key_of(text: str, mark: str) -> str:
    return re.search(rf'<option value="([^"]+)">{mark}</option>', text)[1]


def drawn(text: str, mark: str) -> dict[str, str]:
    group = re.search(rf'<g class="bolt-drawn[^>]*data-mark="{mark}"[^>]*>', text)[0]
    return dict(re.findall(r'data-(\w+)="([^"]*)"', group))


def row(what: str, key: str = "", first: tuple[float, float] | None = None, second=None) -> dict[str, str]:
    right = {"first": first, "second": second}
    told = {"what": what, "bolt": key}
    for end, px in right.items():
        told |= {f"{end}_right": "" if px is None else str(px[0]), f"{end}_down": "" if px is None else str(px[1])}
    return told


def send(phone: Phone, *rows: dict[str, str], photo: str = PHOTO, headers=HTML, **fields: str) -> Response:
    """As the page's script posts rows, with what the page shows now."""
    text = phone.client.get(f"{NORTH}/correct/{PHOTO}", headers=HTML).text
    seen = re.search(r'name="seen" value="(\w+)"', text)
    told: dict[str, str | list[str]] = {"seen": seen[1] if seen else "", "by": "A. Foreman", **fields}
    for one in rows:
        for name, value in one.items():
            told[name] = [*told.get(name, []), value]
    told["form_token"] = phone.form_token
    return phone.client.post(f"{NORTH}/correct/{photo}", data=told, headers=headers)


def waiting(store: Store) -> list[str]:
    return [task.kind for task in queue.tasks_of(store, "lot") if task.state == "waiting"]
