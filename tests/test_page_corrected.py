"""The photos that are marked on the page, who may mark them, and what follows from a correction."""

from __future__ import annotations

import hashlib
import io
import re
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from page_correct import (
    CHECK,
    HTML,
    N1,
    N2,
    PHOTO,
    a_picture,
    key_of,
    opened,
    photographed,
    recorded,
    row,
    send,
    standing,
    waiting,
    write,
)
from page_site import NORTH, Phone, Site, a_site, accept
from sillwright import corrections_file
from sillwright.camera import rotation_from_vector
from sillwright.corrections_file import CORRECTIONS
from sillwright.job import load_job
from sillwright.page import queue
from sillwright.page.large import PIECE_PX
from sillwright.page.marked import View
from sillwright.survey import Finding, PhotosAlone, ViewRecord


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return a_site(tmp_path)


def test_a_photo_that_is_not_the_one_measured_is_not_marked(site: Site) -> None:
    photographed(site, N1, N2)
    phone = site.joined()
    text = opened(phone)
    pictures = re.search(r'data-pictures="([^"]+)"', text)[1]
    (site.folder / "lot" / PHOTO).write_bytes(a_picture(orientation=8))
    for answer in (
        phone.client.get(f"{NORTH}/correct/{PHOTO}", headers=HTML),
        phone.client.get(f"{pictures}/whole.jpg", headers=HTML),
        send(phone, row("move", key_of(text, "N2"), (450.0, 749.0))),
    ):
        assert (answer.status_code, "not the one that was measured" in answer.text) == (409, True)
    assert not (site.folder / "lot" / CORRECTIONS).exists()


def test_a_file_that_cannot_be_read_is_told_and_not_written_over(site: Site) -> None:
    photographed(site, N1, N2)
    (site.folder / "lot" / CORRECTIONS).write_text("[[strike]]\nrun = 5\n")
    phone = site.joined()
    text = opened(phone)
    assert re.search(r'What was corrected before cannot be read.*<span lang="en">corrections.toml: strike 1, run', text)
    answer = send(phone, row("move", key_of(text, "N2"), (450.0, 749.0)))
    assert (answer.status_code, "Nothing was kept: corrections.toml" in answer.text) == (409, True)
    assert str(site.folder) not in answer.text
    assert (site.folder / "lot" / CORRECTIONS).read_text() == "[[strike]]\nrun = 5\n"


def test_what_would_stop_the_measurement_is_refused_with_its_sentence(site: Site) -> None:
    """An entry of a person marks the same end in the same photo, under a place a little off."""
    photographed(site, N1, N2)
    twice = '[[bolt]]\nrun = "north"\nphoto = "north/IMG_1.jpg"\nkind = "{}"\nstation = "141 cm"\nsetback = "77 mm"\n'
    (site.folder / "lot" / CORRECTIONS).write_text(twice.format("missed") + "base_px = [449, 742]\n")
    phone = site.joined()
    answer = send(phone, row("move", key_of(opened(phone), "N2"), (450.0, 749.0)))
    assert (answer.status_code, "of two kinds" in answer.text) == (422, True)
    assert len(standing(site).bolt) == 1


def test_a_disk_that_takes_nothing_is_told(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    photographed(site, N1, N2)
    phone = site.joined()

    def full(*_: object) -> None:
        raise OSError("No space left on device")

    monkeypatch.setattr(corrections_file, "write_aside", full)
    answer = send(phone, row("strike", key_of(opened(phone), "N2")))
    assert (answer.status_code, "could not write it" in answer.text) == (507, True)
    assert not (site.folder / "lot" / CORRECTIONS).exists()
    assert "measure" not in waiting(site.store)


def test_clearance_lapses_with_a_correction_and_comes_only_with_a_new_word(site: Site) -> None:
    photographed(site, N1, CHECK)
    phone = site.joined()
    accept(phone, "N2")
    assert "CLEARED TO DRILL" in opened(phone, f"{NORTH}/foreman")
    send(phone, row("move", key_of(opened(phone), "N2"), (451.0, 747.0)))
    text = opened(phone, f"{NORTH}/foreman")
    assert "CLEARED TO DRILL" not in text
    assert "It waits for a new measurement" in text
    # Measured again with it, the number is another, and the word on the old one does not count.
    survey = recorded(site)
    alone = PhotosAlone(N2.station_mm, N2.setback_mm, None, None, None, None, N2.u95)
    by_hand = replace(CHECK, setback_mm=72.0, reasons=(Finding("corrected-by-hand"),), photos_alone=alone)
    parts = load_job(site.folder / "lot" / "job.toml").measured_parts
    write(site, replace(survey, runs=(replace(survey.runs[0], bolts=(N1, by_hand)),), measured_with=parts))
    text = opened(phone, f"{NORTH}/foreman")
    assert "It waits for a new measurement" not in text
    assert "CLEARED TO DRILL" not in text
    assert "No longer counts" in text


def test_pictures_are_upright_jpegs_without_exif_and_cut_to_the_pixel(site: Site) -> None:
    photographed(site, N1, N2)
    phone = site.joined()
    pictures = re.search(r'data-pictures="([^"]+)"', opened(phone))[1]
    answers = {name: phone.client.get(f"{pictures}/{name}.jpg") for name in ("whole", "0-0", "0-1")}
    shown = {}
    for name, answer in answers.items():
        assert (answer.status_code, answer.headers["content-type"]) == (200, "image/jpeg")
        assert b"SECRET" not in answer.content
        assert b"Exif" not in answer.content
        shown[name] = cv2.imdecode(
            np.frombuffer(answer.content, np.uint8), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
        )
    assert shown["whole"].shape == (1500, 900, 3)
    assert (shown["0-0"].shape, shown["0-1"].shape) == ((PIECE_PX, 900, 3), (1500 - PIECE_PX, 900, 3))
    # The red corner of the first stored pixels, 300 wide and 200 high, is at the top right, 200 wide and 300 high.
    red = shown["0-0"][:, :, 2] > 200
    assert red[5:290, 705:895].all()
    assert not red[310:].any()
    assert not red[:, :690].any()
    for name in ("5-5", "0-2", "1-0", "..%2fpage", "whole%00"):
        assert phone.client.get(f"{pictures}/{name}.jpg").status_code == 404
    unknown = re.sub(r"/large/\w+", f"/large/{'0' * 64}", pictures)
    assert phone.client.get(f"{unknown}/whole.jpg").status_code == 404
    assert site.stranger().get(f"{pictures}/whole.jpg").status_code == 401


def test_a_large_photo_comes_small_first_and_what_a_phone_wrote_as_heic_comes_as_jpeg(site: Site) -> None:
    content = a_picture((3000, 1500), 1, "HEIC")
    photographed(site, N1, content=content)
    phone = site.joined()
    survey = recorded(site)
    record = replace(survey.photos[0], sha256=hashlib.sha256(content).hexdigest())
    write(site, replace(survey, photos=(record,)))
    pictures = re.search(r'data-pictures="([^"]+)"', opened(phone))[1]
    whole = phone.client.get(f"{pictures}/whole.jpg").content
    assert Image.open(io.BytesIO(whole)).format == "JPEG"
    assert Image.open(io.BytesIO(whole)).size == (2000, 1000)
    assert Image.open(io.BytesIO(phone.client.get(f"{pictures}/2-1.jpg").content)).size == (3000 - 2048, 1500 - 1024)


def test_a_bolts_card_leads_to_a_photo_that_shows_it(site: Site) -> None:
    photographed(site, replace(N1, photos=()), replace(N2, photos=(PHOTO,)))
    phone = site.joined()
    assert f'href="{NORTH}/correct?bolt=N2"' in opened(phone, f"{NORTH}/results")
    answer = phone.client.get(f"{NORTH}/correct?bolt=N2")
    assert answer.headers["location"] == f"{NORTH}/correct/{PHOTO}?bolt=N2"
    assert 'data-chosen="N2"' in opened(phone, answer.headers["location"])
    assert f'href="{NORTH}/correct/{PHOTO}"' in opened(phone, f"{NORTH}/correct?bolt=N1")
    assert f'href="{NORTH}/correct/{PHOTO}"' in opened(phone, NORTH)


def test_a_measurement_that_failed_is_told_where_the_bolts_are(site: Site) -> None:
    photographed(site, N1, N2)
    queue.ask(site.store, "measure", "lot")
    task = queue.take(site.store, ("measure",), 1)
    queue.end(site.store, task.number, "corrections.toml: bolt 1: no bolt was found there.")
    assert "no bolt was found there" in opened(site.joined(), f"{NORTH}/results")


def test_a_run_that_was_not_measured_has_nothing_to_correct(site: Site) -> None:
    answer = site.joined().client.get(f"{NORTH}/correct", headers=HTML)
    assert (answer.status_code, "has not been measured yet" in answer.text) == (409, True)


def test_without_a_form_token_nothing_is_corrected(site: Site) -> None:
    photographed(site, N1, N2)
    phone = site.joined()
    stale = Phone(phone.client, "0" * 64)
    assert send(stale, row("strike", key_of(opened(phone), "N2"))).status_code == 403
    assert not (site.folder / "lot" / CORRECTIONS).exists()


def test_names_and_places_in_the_file_are_shown_as_text(site: Site) -> None:
    photographed(site, N1, N2)
    phone = site.joined()
    assert send(phone, row("strike", key_of(opened(phone), "N2")), by="<b>J.</b>").status_code == 303
    assert "&lt;b&gt;J.&lt;/b&gt;" in opened(phone, f"{NORTH}/correct")
    assert "<b>J.</b>" not in opened(phone, f"{NORTH}/correct")


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.parametrize("hand", [1.0, -1.0])
def test_a_foot_is_found_again_from_its_pixel_whatever_the_turn_and_the_hand(
    site: Site, orientation: int, hand: float
) -> None:
    photo = photographed(site, N1).photo
    tilted = rotation_from_vector(np.radians([8.0, -11.0, 30.0])) @ np.diag([1.0, -hand, -1.0])
    centre_mm = np.array([1500.0, 60.0, 1300.0])
    placed = ViewRecord("north", tilted, tuple(-tilted @ centre_mm))
    view = View(replace(photo, orientation=orientation, views=(placed,)), "north")
    foot_px = view.pixel(np.array([1432.1, 71.3, 0.0]))
    found = view.on_concrete(foot_px)
    assert (found.station_mm, found.setback_mm) == pytest.approx((1432.1, 71.3), abs=1e-6)
    assert view.left_handed == (hand < 0)
