"""Place and serial numbers stay in the sealed originals, and come out of nothing else unless asked for."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image
from PIL.ExifTags import IFD

from archive_jobs import LATITUDE_DEG, LONGITUDE_DEG, SERIAL, SmallJob, a_job, list_sums, sealed
from sillwright.archive.catalogue import catalogue, refresh
from sillwright.archive.store import Store
from sillwright.archive.where import _degrees, photo_places
from sillwright.cli.app import app
from sillwright.survey import CameraRecord, ViewRecord
from sillwright.survey_file import read_survey
from sillwright.tell.report import write_report

SECRETS = (SERIAL.encode(), b"GPS", f"{LATITUDE_DEG:.3f}".encode(), f"{abs(LONGITUDE_DEG):.3f}".encode())
CAMERA = CameraRecord(32, 24, ((40.0, 0.0, 16.0), (0.0, 40.0, 12.0), (0.0, 0.0, 1.0)), (0.0, 0.0, 0.0, 0.0, 0.0))
DOWN = ViewRecord("north", ((1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, -1.0)), (-400.0, 0.0, 1400.0))


@pytest.fixture
def job(tmp_path: Path) -> SmallJob:
    """A job with its real report, made from photos that tell where they were taken."""
    made = a_job(tmp_path / "job")
    survey = read_survey(made.out / "survey.json")
    survey = replace(survey, photos=tuple(replace(photo, camera=CAMERA, views=(DOWN,)) for photo in survey.photos))
    write_report(survey, made.out, made.folder)
    list_sums(made.out)
    return made


@pytest.fixture
def store(tmp_path: Path, job: SmallJob) -> Store:
    return sealed(tmp_path / "store", job)[0]


def test_the_originals_keep_all_they_had(store, job):
    (name,) = store.names()
    path = store.package(name) / "data/job/IMG_1.jpg"
    assert path.read_bytes() == job.photos[0].read_bytes()
    assert SERIAL.encode() in path.read_bytes()


def test_sheets_pictures_and_records_in_a_package_tell_neither_place_nor_serial(store):
    (name,) = store.names()
    package = store.package(name)
    looked_at = [path for path in package.rglob("*") if path.is_file() and "data/job/IMG" not in path.as_posix()]
    assert {path.suffix for path in looked_at} >= {".pdf", ".html", ".json", ".jpg", ".toml", ".txt"}
    for path in looked_at:
        content = path.read_bytes()
        assert not [secret for secret in SECRETS if secret in content], path.name
        if path.suffix == ".jpg" and path.name != "run-north.jpg":
            with Image.open(path) as picture:
                assert not picture.getexif()


def test_the_pictures_in_the_page_carry_no_exif(store):
    import base64
    import re

    (name,) = store.names()
    page = (store.package(name) / "data/results/report.html").read_text()
    pictures = re.findall(r"data:image/jpeg;base64,([A-Za-z0-9+/=]+)", page)
    assert pictures
    for picture in pictures:
        with Image.open(io.BytesIO(base64.b64decode(picture))) as opened:
            assert not opened.getexif()


def test_what_find_and_compare_export_tells_neither(store, tmp_path):
    (name,) = store.names()
    for form in ("table", "csv", "json"):
        for words in (["find", store.folder], ["compare", store.package(name), store.package(name)]):
            done = CliRunner().invoke(app, [*map(str, words), "--as", form])
            assert not [secret for secret in SECRETS if secret in done.stdout.encode()]
    with catalogue(store) as connection:
        refresh(connection, store)


def test_asked_for_it_is_told_out_of_the_originals(store):
    (name,) = store.names()
    first, second = photo_places(store.package(name))
    assert (first.file, first.body_serial, first.taken) == ("IMG_1.jpg", SERIAL, "2026-05-22T14:03:07")
    assert first.latitude_deg == pytest.approx(LATITUDE_DEG, abs=1e-6)
    assert first.longitude_deg == pytest.approx(LONGITUDE_DEG, abs=1e-6)
    assert second.file == "IMG_2.jpg"
    done = CliRunner().invoke(app, ["find", str(store.folder), "--where-taken", "--as", "json"])
    assert json.loads(done.stdout)["photos"][0]["longitude_deg"] == pytest.approx(LONGITUDE_DEG, abs=1e-6)
    for form in ("table", "csv"):
        done = CliRunner().invoke(
            app, ["find", str(store.folder), "--where-taken", "--as", form], env={"COLUMNS": "200"}
        )
        assert f"{LATITUDE_DEG:.4f}" in done.stdout
        assert SERIAL in done.stdout


@pytest.mark.parametrize(
    ("parts", "side", "degrees"),
    [
        ((40.0, 30.0, 0.0), "S", -40.5),
        ((40.0, 30.0, 0.0), "N", 40.5),
        ((400.0, 0.0, 0.0), "N", None),
        ((float("nan"), 0.0, 0.0), "N", None),
        ((1.0, 2.0), "N", None),
        (("x", 2.0, 3.0), "N", None),
        (None, None, None),
        ((-1.0, 0.0, 0.0), "N", None),
    ],
)
def test_a_place_that_is_none_is_not_told(parts, side, degrees):
    assert _degrees(parts, side, "S", 90.0) == degrees


def test_a_photo_without_exif_tells_nothing_and_breaks_nothing(tmp_path):
    job = a_job(tmp_path / "job", photos=["a.jpg"])
    Image.new("RGB", (8, 8)).save(job.folder / "a.jpg")
    survey = (job.out / "survey.json").read_text()
    (job.out / "survey.json").write_text(survey.replace('"sha256": "', '"sha256_before": "'))
    list_sums(job.out)
    store, one = sealed(tmp_path / "store", job)
    (place,) = photo_places(store.package(one.name))
    assert (place.latitude_deg, place.body_serial, place.taken) == (None, "", "")
    assert Image.open(job.folder / "a.jpg").getexif().get_ifd(IFD.GPSInfo) == {}
