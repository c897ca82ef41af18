"""A folder with a small job, the jobsite page over it, and devices that joined."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path

import cv2
import numpy as np
from httpx2 import Response
from starlette.applications import Starlette
from starlette.testclient import TestClient

from plate_jobs import a_photo, a_run
from sillwright.job import load_job
from sillwright.page import queue, worker
from sillwright.page.app import build_app
from sillwright.page.crew import EVERY_KIND
from sillwright.page.devices import form_token_of, new_code
from sillwright.page.queue import Task
from sillwright.page.safety import COOKIE, FORM_TOKEN_HEADER, Bucket
from sillwright.page.store import Store, open_store
from sillwright.page.views import Page
from sillwright.survey import BoltRecord, Survey
from sillwright.survey_file import write_survey

BASE = "http://127.0.0.1:8080"
NORTH = "/jobs/lot/1-north"
JOB = """name = "Lot 9"

[[run]]
name = "north"
photos = ["north/*"]

[[run]]
name = "east"
photos = ["east/*.jpg"]
"""

ONE_RUN = """name = "Lot 9"

[plate]
size = "2x6"

[[run]]
name = "north"
photos = ["north/*"]
begins = { station = "-200 mm" }
ends = { wall_end = "3000 mm" }
"""


def a_jpeg(seed: int, size: tuple[int, int] = (60, 80)) -> bytes:
    """A small photo of nothing, another one for each seed."""
    pixels = np.random.default_rng(seed).integers(0, 255, (*size, 3), dtype=np.uint8)
    return cv2.imencode(".jpg", pixels)[1].tobytes()


class Clock:
    """Seconds that pass only when told to."""

    def __init__(self) -> None:
        self.now_s = 1_000_000.0

    def __call__(self) -> float:
        return self.now_s


@dataclass
class Site:
    """The folder, the application over it, and its state."""

    folder: Path
    app: Starlette
    page: Page
    clock: Clock

    @property
    def store(self) -> Store:
        return self.page.store

    def stranger(self) -> TestClient:
        """A device that has not joined."""
        return TestClient(self.app, base_url=BASE, follow_redirects=False, raise_server_exceptions=True)

    def joined(self, *, laptop: bool = False) -> Phone:
        """A device that has."""
        client = self.stranger()
        code = new_code(self.store, self.clock(), laptop=laptop)
        answer = client.post("/join", data={"code": code, "name": "a phone"})
        assert answer.status_code == 303, answer.text
        return Phone(client, form_token_of(client.cookies[COOKIE]))

    def photos(self, run: str = "north") -> list[str]:
        """The names in a run's folder, hidden ones too."""
        folder = self.folder / "lot" / run
        return sorted(path.name for path in folder.iterdir()) if folder.exists() else []


@dataclass
class Phone:
    """A device that joined, and what it sends as the page's script does."""

    client: TestClient
    form_token: str
    extra: dict[str, str] = field(default_factory=dict)

    def open(self, length: int | str, name: str = "IMG_0001.jpg", place: str = NORTH, **headers: str) -> Response:
        told = {"upload-length": str(length), "content-disposition": f'attachment; filename="{name}"'}
        return self.client.post(f"{place}/uploads", headers={**self._token, **told, **_dashed(headers)})

    def send(self, address: str, offset: int | str, piece: bytes, *, last: bool = False, **headers: str) -> Response:
        told = {"upload-offset": str(offset), "upload-complete": "?1" if last else "?0"}
        return self.client.patch(address, content=piece, headers={**self._token, **told, **_dashed(headers)})

    def photo(self, content: bytes, name: str = "IMG_0001.jpg", place: str = NORTH, **headers: str) -> Response:
        """A whole photo in one piece; the answer that ended it."""
        opened = self.open(len(content), name, place, **headers)
        if opened.status_code != 201:
            return opened
        return self.send(opened.headers["location"], 0, content, last=True)

    def held(self, address: str) -> Response:
        return self.client.head(address)

    def post(self, path: str, **fields: str) -> Response:
        return self.client.post(path, data={"form_token": self.form_token, **fields})

    def fill(self, path: str, **fields: str) -> Response:
        """A form that may bring a file: its token stands in the address."""
        return self.client.post(f"{path}?form={self.form_token}", data=fields)

    @property
    def _token(self) -> dict[str, str]:
        return {FORM_TOKEN_HEADER: self.form_token}


def a_site(folder: Path, **buckets: Bucket) -> Site:
    """A site with one job of two runs."""
    (folder / "lot").mkdir(parents=True, exist_ok=True)
    (folder / "lot" / "job.toml").write_text(JOB)
    clock = Clock()
    page = Page(open_store(folder), BASE, clock=clock)
    return Site(folder, build_app(page, **buckets), page, clock)


def _dashed(headers: dict[str, str]) -> dict[str, str]:
    return {name.replace("_", "-"): value for name, value in headers.items()}


def measured(site: Site, *bolts: BoltRecord, **of_run: object) -> Survey:
    """Results of the run ``north`` of a job that is that run alone, as they would be of the one photo that is there."""
    (site.folder / "lot" / "job.toml").write_text(ONE_RUN)
    if not site.photos():
        site.joined().photo(a_jpeg(1), "IMG_1.jpg")
    photo = replace(a_photo(90.0), file=f"north/{site.photos()[0]}")
    content = (site.folder / "lot" / photo.file).read_bytes()
    photo = replace(
        photo, sha256=sha256(content).hexdigest(), views=tuple(view for view in photo.views if view.run == "north")
    )
    run = replace(a_run("north", bolts, 1, (0.0, 3000.0), 1.0), **{"status": "ok", **of_run})
    job = load_job(site.folder / "lot" / "job.toml")
    survey = Survey("Lot 9", (run,), (), (photo,), measured_with=job.measured_parts)
    write_survey(survey, site.folder / "lot" / "out" / "survey.json")
    (site.folder / "lot" / "out" / "job.toml").write_text(ONE_RUN)
    return survey


def done(site: Site) -> Task:
    """Do all that waits; the last of it, as the queue remembers it."""
    number = 0
    while (task := queue.take(site.store, EVERY_KIND, 1)) is not None:
        worker.run_task(site.store, task)
        number = task.number
    return next(task for task in queue.tasks_of(site.store, "lot") if task.number == number)


def row_of(text: str, mark: str) -> str:
    """The row of one bolt on the foreman's page."""
    found = re.search(rf'<tr id="bolt-{mark}".*?</tr>', text, re.DOTALL)
    assert found is not None, mark
    return found[0]


def judged(text: str, mark: str = "") -> str:
    """What the form on a bolt, or on the run as a whole, carries of what is judged."""
    found = re.search(rf'name="mark" value="{mark}">\s*<input type="hidden" name="judged" value="(\w+)"', text)
    assert found is not None, mark
    return found[1]


def accept(phone: Phone, mark: str = "", word: str = "taped it", **fields: str) -> Response:
    """Accept a bolt, or the run as a whole, as it stands on the page now."""
    token = judged(phone.client.get(f"{NORTH}/foreman").text, mark)
    told = {"verdict": "accept", "mark": mark, "judged": token, "word": word, "by": "A. Foreman", **fields}
    return phone.post(f"{NORTH}/word", **told)
