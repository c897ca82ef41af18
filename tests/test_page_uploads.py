"""Photos from phones: whole and checked in their run's folder, or not there at all, whatever is sent.

Header fields are those of draft-ietf-httpbis-resumable-upload, digests those of RFC 9530.
"""

from __future__ import annotations

import base64
import hashlib
import io
import os
import struct
import zlib
from pathlib import Path

import pillow_heif
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from page_site import NORTH, Phone, Site, a_jpeg, a_site
from sillwright.page import queue, uploads
from sillwright.page.uploads import STALE_S
from sillwright.photo import LARGEST_FILE_BYTES


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return a_site(tmp_path)


@pytest.fixture
def phone(site: Site) -> Phone:
    return site.joined()


def digest_of(content: bytes) -> str:
    return f"sha-256=:{base64.b64encode(hashlib.sha256(content).digest()).decode()}:"


def a_heic() -> bytes:
    stream = io.BytesIO()
    picture = Image.effect_noise((256, 192), 60.0).convert("RGB")
    pillow_heif.from_pillow(picture).save(stream, quality=90)
    return stream.getvalue()


def test_a_photo_stands_in_its_run_with_the_phones_number_and_is_to_be_looked_at(site: Site) -> None:
    content = a_jpeg(1)
    answer = site.joined().photo(content, "IMG_2047.JPG", repr_digest=digest_of(content))
    assert answer.status_code == 200
    assert answer.json() == {"photo": "north/photo-2047.jpg", "twice": False, "said": "kept as north/photo-2047.jpg."}
    assert (site.folder / "lot" / "north" / "photo-2047.jpg").read_bytes() == content
    assert [(task.kind, task.subject) for task in queue.tasks_of(site.store, "lot")] == [
        ("look", "1-north/north/photo-2047.jpg")
    ]
    assert list(site.store.pieces.iterdir()) == []


def test_a_heic_is_kept_as_one_whatever_it_is_called(site: Site) -> None:
    assert site.joined().photo(a_heic(), "IMG_7.jpg").json()["photo"] == "north/photo-7.heic"


def test_a_run_whose_pattern_takes_no_heic_says_so_and_keeps_none(site: Site) -> None:
    answer = site.joined().photo(a_heic(), "IMG_7.heic", place="/jobs/lot/2-east")
    assert answer.status_code == 409
    assert "east/*.jpg" in answer.json()["title"]
    assert site.photos("east") == []


def test_two_phones_with_the_same_number_get_two_names(site: Site) -> None:
    phones = [site.joined(), site.joined()]
    names = [phone.photo(a_jpeg(i), "IMG_0001.JPG").json()["photo"] for i, phone in enumerate(phones)]
    assert names == ["north/photo-0001.jpg", "north/photo-0001-2.jpg"]


def test_the_same_photo_twice_is_told_and_kept_once(site: Site) -> None:
    phone = site.joined()
    phone.photo(a_jpeg(1), "IMG_1.jpg")
    again = phone.photo(a_jpeg(1), "IMG_2.jpg").json()
    assert (again["twice"], again["photo"]) == (True, "north/photo-1.jpg")
    assert "not kept twice" in again["said"]
    assert site.photos() == ["photo-1.jpg"]


@given(steps=st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), max_size=8), seed=st.integers(0, 10**6))
@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_pieces_with_repeats_and_gaps_give_the_photo_or_say_where_to_go_on(
    site: Site, phone: Phone, steps: list[tuple[float, float]], seed: int
) -> None:
    content = a_jpeg(seed, (16, 16))
    address = phone.open(len(content)).headers["location"]
    held = 0
    for start_share, length_share in steps:
        start = held if start_share < 0.5 else round(start_share * len(content))
        end = min(start + round(length_share * len(content)), len(content))
        answer = phone.send(address, start, content[start:end])
        assert (answer.status_code == 204) == (start == held)
        held = end if start == held else held
        assert answer.headers["upload-offset"] == str(held)
    answer = phone.send(address, held, content[held:], last=True)
    assert answer.status_code == 200
    assert (site.folder / "lot" / answer.json()["photo"]).read_bytes() == content


def test_how_far_an_upload_is_can_be_asked(site: Site) -> None:
    content, phone = a_jpeg(1), site.joined()
    opened = phone.open(len(content))
    assert (opened.status_code, opened.headers["upload-offset"]) == (201, "0")
    assert f"max-size={LARGEST_FILE_BYTES}" in opened.headers["upload-limit"]
    phone.send(opened.headers["location"], 0, content[:100])
    held = phone.held(opened.headers["location"])
    told = {name: held.headers[name] for name in ("upload-offset", "upload-length", "upload-complete", "cache-control")}
    assert told == {
        "upload-offset": "100",
        "upload-length": str(len(content)),
        "upload-complete": "?0",
        "cache-control": "no-store",
    }
    phone.send(opened.headers["location"], 100, content[100:], last=True)
    assert phone.held(opened.headers["location"]).headers["upload-complete"] == "?1"


def test_chosen_again_after_the_tab_was_closed_a_photo_goes_on_where_it_was(site: Site, phone: Phone) -> None:
    content = a_jpeg(1)
    first = phone.open(len(content), repr_digest=digest_of(content))
    phone.send(first.headers["location"], 0, content[:500])
    again = phone.open(len(content), repr_digest=digest_of(content))
    assert (again.status_code, again.headers["upload-offset"]) == (201, "500")
    assert again.headers["location"] == first.headers["location"]
    other = phone.open(len(content), place="/jobs/lot/2-east", repr_digest=digest_of(content))
    assert other.headers["upload-offset"] == "0"
    stranger = site.joined().open(len(content), repr_digest=digest_of(content))
    assert stranger.headers["upload-offset"] == "0"
    assert phone.send(again.headers["location"], 500, content[500:], last=True).status_code == 200
    assert (site.folder / "lot" / "north" / "photo-0001.jpg").read_bytes() == content


def test_an_answer_that_got_lost_can_be_asked_for_again(site: Site) -> None:
    """The phone did not hear that its photo is there: it sends the end once more, and is told."""
    content, phone = a_jpeg(1), site.joined()
    address = phone.open(len(content)).headers["location"]
    first = phone.send(address, 0, content, last=True).json()
    again = phone.send(address, len(content), b"", last=True)
    assert (again.status_code, again.json()["photo"]) == (200, first["photo"])
    assert site.photos() == ["photo-0001.jpg"]


def test_a_photo_that_changed_on_its_way_is_not_kept(site: Site) -> None:
    answer = site.joined().photo(a_jpeg(1), repr_digest=digest_of(a_jpeg(2)))
    assert (answer.status_code, answer.json()["key"]) == (422, "digest")
    assert site.photos() == []
    assert list(site.store.pieces.iterdir()) == []


@pytest.mark.parametrize("length", ["-1", "0", "1.5", "", "1e3", "+5", "٣", str(LARGEST_FILE_BYTES + 1), "9" * 30])
def test_a_length_that_is_none_opens_nothing(site: Site, length: str) -> None:
    headers = length.encode() if not length.isascii() else length
    phone = site.joined()
    answer = phone.client.post(
        f"{NORTH}/uploads", headers={"x-sillwright-form": phone.form_token, "upload-length": headers}
    )
    assert answer.status_code in (400, 413)
    assert list(site.store.pieces.iterdir()) == []


@pytest.mark.parametrize("offset", ["-1", "5", "999999999", "x", ""])
def test_a_wrong_offset_writes_nothing(site: Site, offset: str) -> None:
    phone = site.joined()
    address = phone.open(1000).headers["location"]
    answer = phone.send(address, offset, b"abc")
    assert answer.status_code in (400, 409)
    assert phone.held(address).headers["upload-offset"] == "0"


def test_no_more_is_taken_than_was_said(site: Site) -> None:
    phone = site.joined()
    address = phone.open(10).headers["location"]
    assert phone.send(address, 0, b"x" * 5).status_code == 204
    answer = phone.send(address, 5, b"x" * 500)
    assert (answer.status_code, answer.json()["key"]) == (413, "too_much")
    assert int(phone.held(address).headers["upload-offset"]) <= 10


def test_an_upload_belongs_to_the_device_that_opened_it(site: Site) -> None:
    one, other = site.joined(), site.joined()
    address = one.open(1000).headers["location"]
    assert other.send(address, 0, b"abc").status_code == 404
    assert other.held(address).status_code == 404
    assert other.client.delete(address, headers={"x-sillwright-form": other.form_token}).status_code == 404
    assert one.send(address, 0, b"abc").status_code == 204


def test_a_dropped_upload_leaves_nothing(site: Site) -> None:
    phone = site.joined()
    address = phone.open(1000).headers["location"]
    phone.send(address, 0, b"abc")
    assert phone.client.delete(address, headers={"x-sillwright-form": phone.form_token}).status_code == 204
    assert phone.held(address).status_code == 404
    assert list(site.store.pieces.iterdir()) == []


def a_bomb() -> bytes:
    """A PNG of some kilobytes that says it has 900 megapixels."""
    side = 30_000
    packed = zlib.compress(b"\0" * 1_000_000, 9)

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")


HOSTILE = {
    "bomb": (a_bomb(), "more than any phone takes"),
    "script": (b"#!/bin/sh\nrm -rf /\n" * 20, "is not a JPEG, HEIC, PNG or TIFF photo"),
    "page": (b"<script>alert(1)</script>", "is not a JPEG"),
    "svg": (b'<svg xmlns="http://www.w3.org/2000/svg" onload="x()"/>', "is not a JPEG"),
    "cut-heic": (a_heic()[: len(a_heic()) // 2], "is damaged"),
    "cut-jpeg": (a_jpeg(1)[:-400], "is cut short"),
    "zip": (b"PK\x03\x04" + b"\0" * 100, "is not a JPEG"),
}


@pytest.mark.parametrize("kind", HOSTILE)
def test_what_is_no_photo_gets_a_clear_answer_and_is_gone(site: Site, kind: str) -> None:
    content, says = HOSTILE[kind]
    answer = site.joined().photo(content, "IMG_1.jpg")
    assert answer.status_code == 415
    assert says in answer.json()["title"]
    assert str(site.folder) not in answer.text
    assert site.photos() == []
    assert list(site.store.pieces.iterdir()) == []


@pytest.mark.parametrize(
    "name",
    ["../../../etc/passwd.jpg", "/etc/cron.d/7.jpg", "..\\..\\7.jpg", ".htaccess", "7.jpg\x00.png", "con.jpg",
     "a" * 400, "out/survey.json", "job.toml", "%2e%2e%2f7.jpg", "~root/7", "<b>7</b>.jpg"],
)  # fmt: skip
def test_no_name_leads_out_of_the_runs_folder(site: Site, name: str) -> None:
    before = {path for path in site.folder.rglob("*") if ".sillwright-page" not in path.parts}
    phone = site.joined()
    headers = {"x-sillwright-form": phone.form_token, "upload-length": str(len(a_jpeg(1)))}
    headers["content-disposition"] = "attachment; filename*=UTF-8''" + "".join(f"%{b:02x}" for b in name.encode())
    address = phone.client.post(f"{NORTH}/uploads", headers=headers).headers["location"]
    answer = phone.send(address, 0, a_jpeg(1), last=True)
    assert answer.status_code == 200
    new = {path for path in site.folder.rglob("*") if ".sillwright-page" not in path.parts} - before
    kept = [path for path in new if path.is_file()]
    assert [path.parent for path in kept] == [site.folder / "lot" / "north"]
    assert kept[0].name.startswith("photo-")
    assert kept[0].suffix == ".jpg"


def test_thousands_of_tiny_files_end_at_a_limit(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    phone = site.joined()
    opened = [phone.open(1).status_code for _ in range(200)]
    assert opened.count(201) == uploads.MOST_UNFINISHED_A_DEVICE
    assert set(opened) == {201, 429}
    assert len(list(site.store.pieces.iterdir())) == uploads.MOST_UNFINISHED_A_DEVICE
    monkeypatch.setattr(uploads, "MOST_PHOTOS_A_RUN", 5)
    other = site.joined()
    answers = [other.photo(a_jpeg(i, (8, 8)), f"{i}.jpg") for i in range(8)]
    assert [answer.status_code for answer in answers] == [200] * 5 + [409] * 3
    assert len(site.photos()) == 5


def test_a_disk_that_is_nearly_full_takes_no_photo(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads, "LEAST_FREE_BYTES", 1 << 60)
    answer = site.joined().open(1000)
    assert (answer.status_code, answer.json()["key"]) == (507, "disk")


def test_a_disk_that_fails_in_the_middle_is_told_and_loses_nothing(
    site: Site, phone: Phone, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = a_jpeg(1)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(uploads, "_move", full)
        opened = phone.open(len(content))
        answer = phone.send(opened.headers["location"], 0, content, last=True)
    assert (answer.status_code, answer.json()["key"]) == (507, "disk")
    assert site.photos() == []
    assert phone.send(opened.headers["location"], len(content), b"", last=True).status_code == 200
    assert site.photos() == ["photo-0001.jpg"]


def test_pieces_nobody_went_on_with_are_taken_away_after_a_day(site: Site, phone: Phone) -> None:
    old, young = (phone.open(1000).headers["location"] for _ in range(2))
    for address, age_s in ((old, STALE_S + 1), (young, 0.5 * STALE_S)):
        grown_s = site.clock() - age_s
        os.utime(site.store.pieces / address.rsplit("/", 1)[1], (grown_s, grown_s))
    stray = site.store.pieces / "stray"
    stray.write_bytes(b"x")
    os.utime(stray, (0, 0))
    uploads.sweep(site.store, site.clock())
    assert phone.held(old).status_code == 404
    assert phone.held(young).status_code == 204
    assert [f"/uploads/{piece.name}" for piece in site.store.pieces.iterdir()] == [young]


@pytest.mark.parametrize("moved", [False, True])
def test_killed_between_its_note_and_its_move_a_photo_is_found_again(site: Site, moved: bool) -> None:
    """The note of where a photo goes is written before it is moved; either may be the last thing that happened."""
    content, phone = a_jpeg(1), site.joined()
    address = phone.open(len(content)).headers["location"]
    phone.send(address, 0, content)
    upload = uploads.find(site.store, address.rsplit("/", 1)[1], 1)
    target = site.folder / "lot" / "north" / "photo-1.jpg"
    noted = uploads.Upload(
        **{**upload.__dict__, "photo": "north/photo-1.jpg", "sha256": hashlib.sha256(content).hexdigest()}
    )
    uploads._set_state(site.store, noted, "moving")
    if moved:
        uploads._move(uploads.piece_of(site.store, upload), target)
    uploads.recover(site.store)
    assert phone.send(address, len(content), b"", last=True).status_code == 200
    assert [(site.folder / "lot" / "north" / name).read_bytes() for name in site.photos()] == [content]
    assert [task.kind for task in queue.tasks_of(site.store, "lot")] == ["look"]


def test_a_plain_form_sends_photos_with_the_same_checks(site: Site) -> None:
    phone = site.joined()
    files = [
        ("photos", ("IMG_5.jpg", a_jpeg(1), "image/jpeg")),
        ("photos", ("evil.jpg", b"#!/bin/sh", "image/jpeg")),
        ("photos", ("IMG_6.jpg", a_jpeg(1), "image/jpeg")),
    ]
    answer = phone.client.post(f"{NORTH}/photos?form={phone.form_token}", files=files)
    assert answer.status_code == 200
    assert "IMG_5.jpg: kept as north/photo-5.jpg" in answer.text
    assert "evil.jpg is not a JPEG" in answer.text
    assert "IMG_6.jpg: is here already" in answer.text
    assert site.photos() == ["photo-5.jpg"]


def test_a_png_that_unpacks_to_more_than_a_laptop_has_is_refused_by_its_header(site: Site) -> None:
    stream = io.BytesIO()
    Image.new("1", (8000, 8000)).save(stream, "PNG")  # a few kilobytes
    answer = site.joined().photo(stream.getvalue(), "IMG_1.png")
    assert answer.status_code == 415
    assert answer.json()["key"] == "unpacked"
    assert site.photos() == []
