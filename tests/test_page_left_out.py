"""A bad photo taken out of a run on the page, and put back: moved aside, never deleted, and not found by a command."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from page_site import NORTH, Phone, Site, a_jpeg, a_site
from sillwright.job import load_job
from sillwright.job_photos import LEFT_OUT, find_photos
from sillwright.page import queue

HTML = {"accept": "text/html"}


@pytest.fixture
def site(tmp_path: Path) -> Site:
    made = a_site(tmp_path)
    phone = made.joined()
    for number in (1, 2):
        phone.photo(a_jpeg(number), f"IMG_{number}.jpg")
    return made


def out(site: Site) -> list[str]:
    folder = site.folder / "lot" / "north" / LEFT_OUT
    return sorted(path.name for path in folder.iterdir()) if folder.exists() else []


def leave_out(phone: Phone, photo: str = "north/photo-1.jpg", how: str = "leave-out") -> object:
    return phone.post(f"{NORTH}/{how}", photo=photo)


def measured_photos(site: Site) -> list[str]:
    job = load_job(site.folder / "lot" / "job.toml", only_with_photos=True)
    return [photo.name for photo in job.photos]


def test_a_photo_taken_out_is_kept_aside_and_the_commands_do_not_find_it(site: Site) -> None:
    content = (site.folder / "lot" / "north" / "photo-1.jpg").read_bytes()
    phone = site.joined()
    assert "/leave-out" in phone.client.get(NORTH).text
    answer = leave_out(phone)
    assert (answer.status_code, answer.headers["location"]) == (303, f"{NORTH}#photos")
    assert measured_photos(site) == ["photo-2.jpg"]
    assert (site.folder / "lot" / "north" / LEFT_OUT / "photo-1.jpg").read_bytes() == content
    assert not [task for task in queue.tasks_of(site.store, "lot") if task.kind == "measure"]
    for path in (NORTH, f"{NORTH}/list"):
        text = phone.client.get(path).text
        assert "Taken out" in text
        assert re.search(r'put-back"><[^>]+><input type="hidden" name="photo" value="north/left-out/photo-1.jpg"', text)


def test_it_is_put_back_as_it_was(site: Site) -> None:
    phone = site.joined()
    leave_out(phone)
    assert leave_out(phone, "north/left-out/photo-1.jpg", "put-back").status_code == 303
    assert measured_photos(site) == ["photo-1.jpg", "photo-2.jpg"]
    assert out(site) == []
    assert "Taken out" not in phone.client.get(NORTH).text


@pytest.mark.parametrize("pattern", ["north/*", "north/*.jpg", "**/*.jpg", "*/*.jpg", "**/*"])
def test_no_pattern_finds_what_was_left_out_unless_it_names_the_folder(site: Site, pattern: str) -> None:
    leave_out(site.joined())
    folder = (site.folder / "lot").resolve()
    found = {photo.relative_to(folder).as_posix() for photo in find_photos(folder, [pattern], "", [])}
    assert "north/photo-2.jpg" in found
    assert not [name for name in found if LEFT_OUT in name]
    named = find_photos(folder, [f"north/{LEFT_OUT}/*.jpg"], "", [])
    assert [photo.name for photo in named] == ["photo-1.jpg"]


@pytest.mark.parametrize("pattern", ["north/*.jpg", "**/*.jpg", "*/photo-*.jpg"])
def test_what_was_left_out_is_told_whatever_the_pattern(site: Site, pattern: str) -> None:
    job_file = site.folder / "lot" / "job.toml"
    job_file.write_text(f'name = "Lot 9"\n[[run]]\nname = "north"\nphotos = ["{pattern}"]\n')
    phone = site.joined()
    assert leave_out(phone).status_code == 303
    assert "north/left-out/photo-1.jpg" in phone.client.get(NORTH).text
    assert leave_out(phone, "north/left-out/photo-1.jpg", "put-back").status_code == 303
    assert measured_photos(site) == ["photo-1.jpg", "photo-2.jpg"]


@pytest.mark.parametrize(
    "name",
    ["", "photo-1.jpg", "../lot/north/photo-1.jpg", "north/../north/photo-1.jpg", "/etc/passwd", "job.toml",
     "north/photo-9.jpg", "north/photo-1.jpg\x00", "north/left-out/photo-1.jpg", "east/photo-1.jpg"],
)  # fmt: skip
@pytest.mark.parametrize("how", ["leave-out", "put-back"])
def test_only_a_photo_of_that_run_is_moved(site: Site, name: str, how: str) -> None:
    answer = leave_out(site.joined(), name, how)
    assert (answer.status_code, answer.json()["key"]) == (404, "no_photo")
    assert site.photos() == ["photo-1.jpg", "photo-2.jpg"]
    assert (site.folder / "lot" / "job.toml").exists()


def test_the_second_of_two_who_take_it_out_is_told(site: Site) -> None:
    leave_out(site.joined())
    assert leave_out(site.joined()).json()["key"] == "no_photo"
    assert out(site) == ["photo-1.jpg"]


def test_a_photo_that_was_taken_out_does_not_come_back_unasked(site: Site) -> None:
    phone = site.joined()
    leave_out(phone)
    answer = phone.photo(a_jpeg(1), "IMG_1.jpg")
    assert (answer.status_code, answer.json()["key"]) == (409, "left_out")
    assert measured_photos(site) == ["photo-2.jpg"]


def test_a_new_photo_does_not_take_the_name_of_one_that_was_taken_out(site: Site) -> None:
    phone = site.joined()
    leave_out(phone)
    assert phone.photo(a_jpeg(3), "IMG_1.jpg").json()["photo"] == "north/photo-1-2.jpg"
    leave_out(phone, "north/left-out/photo-1.jpg", "put-back")
    assert set(measured_photos(site)) == {"photo-1.jpg", "photo-1-2.jpg", "photo-2.jpg"}


def test_nothing_is_written_over(site: Site) -> None:
    phone = site.joined()
    leave_out(phone)
    (site.folder / "lot" / "north" / "photo-1.jpg").write_bytes(a_jpeg(9))
    assert leave_out(phone).json()["key"] == "name_taken"
    assert leave_out(phone, "north/left-out/photo-1.jpg", "put-back").json()["key"] == "name_taken"
    assert (site.folder / "lot" / "north" / "photo-1.jpg").read_bytes() == a_jpeg(9)
    assert (site.folder / "lot" / "north" / LEFT_OUT / "photo-1.jpg").read_bytes() == a_jpeg(1)


def test_while_the_job_is_measured_its_photos_stay(site: Site) -> None:
    phone = site.joined()
    phone.post("/jobs/lot/measure")
    queue.take(site.store, ("measure",), 1)
    assert leave_out(phone).json()["key"] == "at_work"
    assert site.photos() == ["photo-1.jpg", "photo-2.jpg"]


def test_a_photo_that_somebody_marked_in_stays_as_the_job_could_not_be_read_without(site: Site) -> None:
    text = '[[line]]\nrun = "north"\nphoto = "north/photo-1.jpg"\npoints_px = [[1, 2], [3, 4]]\n'
    (site.folder / "lot" / "corrections.toml").write_text(text)
    phone = site.joined()
    assert leave_out(phone).json()["key"] == "left_out_corrected"
    assert leave_out(phone, "north/photo-2.jpg").status_code == 303
    (site.folder / "lot" / "corrections.toml").write_text("[[line]]\nrun = 5\n")
    assert leave_out(phone).json()["key"] == "leaving_corrections"


def test_results_say_that_photos_have_changed_since(site: Site) -> None:
    from page_site import measured
    from plate_jobs import bolts

    measured(site, *bolts("N", (0.0, 1000.0)))
    (site.folder / "lot" / "north" / "photo-2.jpg").unlink()
    phone = site.joined()
    warning = "have changed since these numbers were measured"
    assert warning not in phone.client.get(f"{NORTH}/results").text
    leave_out(phone)
    assert warning in phone.client.get(f"{NORTH}/results").text
    leave_out(phone, "north/left-out/photo-1.jpg", "put-back")
    assert warning not in phone.client.get(f"{NORTH}/results").text


def test_a_photo_of_two_places_says_that_it_is_taken_out_of_both(site: Site) -> None:
    (site.folder / "lot" / "job.toml").write_text(
        'name = "Lot 9"\n[[run]]\nname = "north"\nphotos = ["north/*"]\n[[run]]\nname = "east"\nphotos = ["east/*"]\n'
        '[[corner]]\nruns = ["north", "east"]\nphotos = ["north/photo-2*"]\n'
    )
    text = site.joined().client.get(NORTH).text
    assert text.count("It is taken out of north + east too.") == 1
