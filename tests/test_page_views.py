"""What the jobsite page shows: jobs, first looks, bolts with their status, and what changed since."""

from __future__ import annotations

import asyncio
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from judge_runs import a_bolt, a_run
from page_site import NORTH, Site, a_jpeg, a_site
from sillwright.page import queue, worker
from sillwright.page.bolt_cards import bolt_cards, spoken_length
from sillwright.page.crew import EVERY_KIND
from sillwright.page.events import events_of, state_of
from sillwright.page.folder import job_named
from sillwright.page.store import writing
from sillwright.page.words import words_of
from sillwright.survey import BoltRecord, Finding, Survey
from sillwright.survey_file import write_survey
from sillwright.tell.rows import hole_rows, lean_rows

DEMO = Path(__file__).resolve().parents[1] / "demo_images" / "lot12"
HTML = {"accept": "text/html"}


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return a_site(tmp_path)


def measured(site: Site, *bolts: BoltRecord, **of_run: object) -> Survey:
    """Results of the run ``north`` beside its one photo."""
    site.joined().photo(a_jpeg(1), "IMG_1.jpg")
    survey = Survey("Lot 9", (replace(a_run(bolts), **of_run),), (), ())
    write_survey(survey, site.folder / "lot" / "out" / "survey.json")
    return survey


def articles(text: str) -> dict[str, str]:
    return {
        mark: whole for whole, mark in re.findall(r"(<article[^>]*aria-label=\"(\w+)\".*?</article>)", text, re.DOTALL)
    }


@pytest.mark.parametrize("name", ["%2e%2e%2fetc", "%2e%2e", ".sillwright-page", "lot%2f..", "nowhere"])
def test_a_job_is_one_of_those_that_are_there(site: Site, name: str) -> None:
    (site.folder / ".sillwright-page" / "job.toml").write_text((site.folder / "lot" / "job.toml").read_text())
    assert site.joined().client.get(f"/jobs/{name}", headers=HTML).status_code == 404


def test_a_link_out_of_the_folder_is_no_job(site: Site, tmp_path_factory: pytest.TempPathFactory) -> None:
    outside = tmp_path_factory.mktemp("outside")
    (outside / "job.toml").write_text((site.folder / "lot" / "job.toml").read_text())
    (site.folder / "linked").symlink_to(outside)
    phone = site.joined()
    assert "linked" not in phone.client.get("/").text
    assert phone.client.get("/jobs/linked").status_code == 404


def test_a_job_file_that_cannot_be_used_is_told_on_its_page(site: Site) -> None:
    (site.folder / "lot" / "job.toml").write_text("name = 5\n")
    phone = site.joined()
    assert "its job.toml cannot be used" in phone.client.get("/").text
    text = phone.client.get("/jobs/lot").text
    assert "there is no run" in text
    assert str(site.folder) not in text
    assert "Measure the job" not in text


def test_photos_are_looked_at_once_and_shown_with_their_reason_the_bad_ones_first(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sillwright.measure.glance import Glance
    from sillwright.page import looks

    seen: list[str] = []

    def glance(_: object, __: object, photo: Path) -> Glance:
        seen.append(photo.name)
        return Glance("ok", (), (1, 2)) if "1" in photo.name else Glance("reshoot", (Finding("blurred"),), ())

    monkeypatch.setattr(looks, "glance", glance)
    phone = site.joined()
    phone.photo(a_jpeg(1), "IMG_1.jpg")
    phone.photo(a_jpeg(2), "IMG_2.jpg")
    assert phone.client.get(NORTH).text.count("being looked at") == 2
    while (task := queue.take(site.store, EVERY_KIND, 1)) is not None:
        worker.run_task(site.store, task)
    text = phone.client.get(f"{NORTH}/list").text
    assert text.index("photo-2.jpg") < text.index("photo-1.jpg")
    assert re.search(r'status reshoot">re-shoot<', text)
    assert "came out blurred" in text
    for picture in re.findall(r'src="(/pictures/[^"]+)"', text):
        answer = phone.client.get(picture)
        assert (answer.status_code, answer.content[:2]) == (200, b"\xff\xd8")
    # Moved to another name it is the same photo: it is not looked at again.
    (site.folder / "lot" / "north" / "photo-1.jpg").rename(site.folder / "lot" / "north" / "other-1.jpg")
    phone.client.get(NORTH)
    while (task := queue.take(site.store, EVERY_KIND, 1)) is not None:
        worker.run_task(site.store, task)
    assert seen == ["photo-1.jpg", "photo-2.jpg"]
    assert "other-1.jpg" in phone.client.get(f"{NORTH}/list").text


def test_a_bolt_that_is_not_ok_never_looks_like_one_that_is(site: Site) -> None:
    ok = a_bolt("N1", 100.0)
    doubtful = replace(a_bolt("N2", 500.0), status="check", reasons=(Finding("bent"),))
    bad = replace(a_bolt("N3", 900.0), status="reshoot", reasons=(Finding("views-disagree"),))
    measured(site, ok, doubtful, bad)
    shown = articles(site.joined().client.get(f"{NORTH}/results").text)
    assert [re.search(r'class="bolt (\w+)"', shown[mark])[1] for mark in shown] == ["ok", "check", "reshoot"]
    assert "CHECK" in shown["N2"]
    assert "Why" in shown["N2"]
    assert "RE-SHOOT" in shown["N3"]
    assert "No number to drill from" in shown["N3"]
    assert not re.search(r'\d+/\d+"|\d mm', re.sub(r"<details.*?</details>", "", shown["N3"], flags=re.DOTALL))
    assert not re.search(r"\d+ (inch|feet|half|sixteenth)", shown["N3"])


def test_no_bolt_is_ok_on_a_run_that_is_to_be_shot_again(site: Site) -> None:
    measured(site, a_bolt("N1", 100.0), status="reshoot", reasons=(Finding("misfit"),))
    shown = articles(site.joined().client.get(f"{NORTH}/results").text)
    assert 'class="bolt check"' in shown["N1"]


def test_numbers_and_words_are_those_of_the_sheets(site: Site) -> None:
    leaning = replace(a_bolt("N1", 1234.5, u95_mm=0.4), lean_along_mm=-3.0, lean_across_mm=9.0, lean_deg=6.1)
    survey = measured(site, leaning, a_bolt("N2", -70.0))
    text = site.joined().client.get(f"{NORTH}/results").text.replace("&#34;", '"').replace("&#39;", "'")
    (run,) = survey.runs
    for row in hole_rows(run):
        assert row.along is not None
        assert row.setback is not None
        for number in (row.along, row.setback):
            assert f"<b>{number.inches}</b> {number.plus_minus}<small>{number.metric}" in text
    lean = lean_rows(survey, run)[1]
    assert lean.tip_move is not None
    assert f"<b>{lean.tip_move.inches}</b> {lean.tip_move.plus_minus}" in text
    assert lean.way in text


def test_photos_or_a_job_file_changed_since_are_told(site: Site) -> None:
    phone = site.joined()
    phone.photo(a_jpeg(1), "IMG_1.jpg")
    queue.ask(site.store, "measure", "lot")
    task = queue.take(site.store, ("measure",), 1)
    assert task is not None
    worker.run_task(site.store, task)
    warning = "have changed since these numbers were measured"
    assert warning not in phone.client.get(f"{NORTH}/results").text
    kept = (site.folder / "lot" / "job.toml").read_text()
    (site.folder / "lot" / "job.toml").write_text(kept + '[plate]\nsize = "2x4"\n')
    assert warning in phone.client.get(f"{NORTH}/results").text
    (site.folder / "lot" / "job.toml").write_text(kept)
    (site.folder / "lot" / "north" / "photo-1.jpg").write_bytes(a_jpeg(7))
    assert warning in phone.client.get(f"{NORTH}/results").text
    (site.folder / "lot" / "north" / "photo-1.jpg").write_bytes(a_jpeg(1))
    assert warning not in phone.client.get(f"{NORTH}/results").text
    phone.photo(a_jpeg(2), "IMG_2.jpg")
    assert warning in phone.client.get(f"{NORTH}/results").text


def test_a_run_that_was_not_measured_says_so(site: Site) -> None:
    answer = site.joined().client.get(f"{NORTH}/results", headers=HTML)
    assert answer.status_code == 409
    assert "has not been measured yet" in answer.text


@pytest.mark.parametrize(
    ("sixteenths", "said"),
    [
        (0, "0 inches"),
        (1, "1 sixteenth of an inch"),
        (8, "a half of an inch"),
        (16, "1 inch"),
        (43, "2 and 11 sixteenths inches"),
        (44, "2 and 3 quarters inches"),
        (12 * 16, "1 foot"),
        (5 * 192 + 43, "5 feet 2 and 11 sixteenths inches"),
        (192 + 2, "1 foot 1 eighth of an inch"),
    ],
)
def test_lengths_are_said_as_people_say_them(sixteenths: int, said: str) -> None:
    assert spoken_length(sixteenths * 25.4 / 16, words_of("en")) == said


def test_what_is_read_aloud_says_the_doubt_before_the_number(site: Site) -> None:
    doubtful = replace(a_bolt("N2", 500.0), status="check", reasons=(Finding("bent"),))
    bad = replace(a_bolt("N3", 900.0), status="reshoot")
    survey = measured(site, doubtful, bad)
    for language, check in (("en", "Check it first."), ("es", "Revíselo primero.")):
        first, second = bolt_cards(survey, survey.runs[0], words_of(language))
        assert first.aloud.index(check) < re.search(r"\d (and|y|inch|feet|pulg|pie)", first.aloud).start()
        assert not re.search(r"\d", second.aloud.replace("N 3", ""))


def test_measuring_is_asked_for_with_a_press_and_told_while_it_goes_on(site: Site) -> None:
    phone = site.joined()
    assert phone.post("/jobs/lot/measure").status_code == 409
    phone.photo(a_jpeg(1))
    assert phone.post("/jobs/lot/measure").headers["location"] == "/jobs/lot"
    assert "Waiting to be measured" in phone.client.get("/jobs/lot").text
    task = queue.take(site.store, ("measure",), 1)
    assert task is not None
    queue.progress(site.store, task.number, "looking at photos", 3, 9)
    assert "looking at photos, 3 of 9" in phone.client.get("/jobs/lot").text
    queue.end(site.store, task.number, "The wall fell over.")
    assert "The wall fell over." in phone.client.get("/jobs/lot").text


def test_events_tell_each_change_once_and_end_with_the_server(site: Site) -> None:
    states = iter(["a", "a", "b", "b"])

    def state() -> str:
        found = next(states, None)
        if found is None:
            site.page.stopping.set()
        return found or "b"

    async def all_of_them() -> list[str]:
        return [piece async for piece in events_of(site.page, state)]

    told = asyncio.run(all_of_them())
    assert [piece for piece in told if piece.startswith("event: job")] == [
        "event: job\ndata: a\n\n",
        "event: job\ndata: b\n\n",
    ]
    assert told[-1].startswith("event: end")


def test_a_quiet_stream_has_a_heartbeat(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    from sillwright.page import events

    monkeypatch.setattr(events, "HEARTBEAT_S", 1.0)
    monkeypatch.setattr(events, "LONGEST_S", 2.0)

    async def all_of_them() -> list[str]:
        return [piece async for piece in events_of(site.page, lambda: "a")]

    assert ": still here\n\n" in asyncio.run(all_of_them())


def test_the_event_stream_is_one_and_tells_how_far_it_is(site: Site) -> None:
    phone = site.joined()
    phone.photo(a_jpeg(1))
    queue.ask(site.store, "measure", "lot")
    told = json.loads(state_of(site.store, job_named(site.folder, "lot")))
    assert [task["state"] for task in told["tasks"]] == ["waiting"]
    assert set(told["photos"]) == {"1-north", "2-east"}
    site.page.stopping.set()
    answer = phone.client.get("/jobs/lot/events")
    assert answer.headers["content-type"].startswith("text/event-stream")
    assert answer.text.endswith("event: end\ndata: {}\n\n")


def test_a_small_job_is_measured_as_the_command_does(site: Site) -> None:
    """Two photos of the demo, which are a run of their own: sent, looked at, measured."""
    phone = site.joined()
    for number in (2050, 2051):
        content = (DEMO / "east" / f"IMG_{number}.jpg").read_bytes()
        assert phone.photo(content, f"IMG_{number}.jpg").status_code == 200
    phone.post("/jobs/lot/measure")
    while (task := queue.take(site.store, EVERY_KIND, 1)) is not None:
        worker.run_task(site.store, task)
    (task,) = queue.tasks_of(site.store, "lot")
    assert (task.state, task.said) == ("done", "")
    out = site.folder / "lot" / "out"
    assert {path.name for path in out.iterdir()} >= {"survey.json", "report.html", "report.pdf", "job.toml", "pictures"}
    text = phone.client.get(f"{NORTH}/results").text
    assert len(articles(text)) == 3
    assert phone.client.get(NORTH).text.count('status ok">good') == 2
    assert "good" in phone.client.get("/jobs/lot").text


def test_a_job_file_that_lets_no_photo_be_looked_at_is_told_and_looks_are_not_asked_for_in_vain(site: Site) -> None:
    phone = site.joined()
    phone.photo(a_jpeg(1), "IMG_1.jpg")
    job_file = site.folder / "lot" / "job.toml"
    job_file.write_text(job_file.read_text() + '\n[camera]\nprofile = "gone.json"\n')
    with writing(site.store) as connection:
        connection.execute("DELETE FROM task")
    page = phone.client.get(NORTH).text
    assert "gone.json" in page
    assert "not looked at" in page
    assert "being looked at" not in page
    assert queue.tasks_of(site.store, "lot") == ()
