"""A folder with a small job, the jobsite page over it, and devices that joined."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from httpx2 import Response
from starlette.applications import Starlette
from starlette.testclient import TestClient

from sillwright.page.app import build_app
from sillwright.page.devices import form_token_of, new_code
from sillwright.page.safety import COOKIE, FORM_TOKEN_HEADER, Bucket
from sillwright.page.store import Store, open_store
from sillwright.page.views import Page

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
