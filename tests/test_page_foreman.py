"""A foreman's words on the page: what counts, what is refused, what lapses, and when a run shows as cleared."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from page_site import NORTH, Site, a_jpeg, a_site, accept, judged, measured, row_of
from plate_jobs import bolts, leaning
from sillwright.decisions import DECISIONS_FILE, Decisions, read_decisions
from sillwright.survey import Finding, PhotoRecord
from sillwright.survey_file import write_survey

HTML = {"accept": "text/html"}
CLEARED = "CLEARED TO DRILL"
N1, N2, N3, N4 = bolts("N", (0.0, 1000.0, 2000.0, 2900.0))
DOUBTFUL = replace(N2, status="check", reasons=(Finding("bent"),))
NUMBERLESS = replace(N3, status="reshoot", reasons=(Finding("views-disagree"),))


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return a_site(tmp_path)


def page(site: Site, asked: str = "") -> str:
    return site.joined().client.get(f"{NORTH}/foreman{asked}", headers=HTML).text


def kept(site: Site) -> Decisions:
    return read_decisions(site.folder / "lot" / "out")


def marks(text: str) -> list[str]:
    return re.findall(r'<tr id="bolt-(\w+)"', text)


def test_a_doubtful_bolt_is_accepted_with_a_word_and_then_the_run_is_cleared(site: Site) -> None:
    measured(site, N1, DOUBTFUL)
    phone = site.joined()
    assert CLEARED not in page(site)
    answer = accept(phone, "N2", "taped it: 2 3/4 in")
    assert answer.status_code == 303
    text = phone.client.get(f"{NORTH}/foreman").text
    assert f"<h2>{CLEARED}</h2>" in text
    assert "Last word: A. Foreman, 1970-01-1" in text
    assert "taped it: 2 3/4 in" in row_of(text, "N2")
    (said,) = kept(site).said
    assert (said.run, said.mark, said.verdict, said.by) == ("north", "N2", "accepted", "A. Foreman")
    assert CLEARED in phone.client.get("/jobs/lot").text


def test_the_name_is_remembered_on_the_device_and_on_no_other(site: Site) -> None:
    measured(site, DOUBTFUL)
    phone = site.joined()
    accept(phone, "N2")
    assert 'value="A. Foreman"' in phone.client.get(f"{NORTH}/foreman").text
    assert 'value="A. Foreman"' not in page(site)


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"word": ""}, "no_word"),
        ({"word": " \n\t "}, "no_word"),
        ({"word": "\x07\u200e"}, "no_word"),
        ({"word": "x" * 401}, "long_word"),
        ({"by": " "}, "no_name"),
        ({"verdict": "accepted"}, "no_verdict"),
        ({"verdict": ""}, "no_verdict"),
    ],
)
def test_a_word_that_is_not_whole_is_refused_and_not_kept(site: Site, fields: dict[str, str], says: str) -> None:
    measured(site, DOUBTFUL)
    answer = accept(site.joined(), "N2", **fields)
    assert (answer.status_code, answer.json()["key"]) == (422, says)
    assert kept(site) == Decisions()


def test_a_bolt_without_a_number_cannot_be_accepted(site: Site) -> None:
    measured(site, N1, NUMBERLESS)
    answer = accept(site.joined(), "N3")
    assert (answer.status_code, answer.json()["key"]) == (409, "no_number")
    assert kept(site) == Decisions()
    row = row_of(page(site), "N3")
    assert 'value="accept"' not in row
    assert "No number to drill from" in row
    assert not re.search(r'\d+/\d+"|\d mm|\d°', re.sub(r"<details.*?</details>", "", row, flags=re.DOTALL))
    assert CLEARED not in page(site)


def test_a_run_that_is_to_be_shot_again_cannot_be_accepted(site: Site) -> None:
    measured(site, N1, status="reshoot", reasons=(Finding("misfit"),))
    answer = accept(site.joined())
    assert (answer.status_code, answer.json()["key"]) == (409, "run_no_number")
    assert CLEARED not in page(site)


def test_words_lapse_when_a_number_changes_and_are_shown_as_lapsed(site: Site) -> None:
    measured(site, N1, DOUBTFUL)
    accept(site.joined(), "N2", "taped it")
    assert CLEARED in page(site)
    measured(site, N1, replace(DOUBTFUL, setback_mm=70.5))
    text = page(site)
    assert CLEARED not in text
    assert "No longer counts" in row_of(text, "N2")
    assert "taped it" in row_of(text, "N2")


def test_a_word_on_numbers_that_changed_since_the_page_was_made_is_refused(site: Site) -> None:
    measured(site, N1, DOUBTFUL)
    phone = site.joined()
    token = judged(page(site), "N2")
    measured(site, N1, replace(DOUBTFUL, lean_across_mm=3.0))
    fields = {"verdict": "accept", "mark": "N2", "word": "taped", "by": "A"}
    answer = phone.post(f"{NORTH}/word", judged=token, **fields)
    assert (answer.status_code, answer.json()["key"]) == (409, "judged_changed")
    assert phone.post(f"{NORTH}/word", judged="", **fields).status_code == 409
    assert phone.post(f"{NORTH}/word", judged=token, **{**fields, "mark": "N9"}).status_code == 409
    assert kept(site) == Decisions()


def test_of_two_people_at_once_the_second_is_told_to_look_again(site: Site) -> None:
    measured(site, N1, DOUBTFUL)
    first, second = site.joined(), site.joined()
    token = judged(page(site), "N2")
    fields = {"mark": "N2", "judged": token, "word": "looked", "by": "B"}
    assert first.post(f"{NORTH}/word", verdict="back", **fields).status_code == 303
    answer = second.post(f"{NORTH}/word", verdict="accept", **fields)
    assert (answer.status_code, answer.json()["key"]) == (409, "judged_changed")
    assert [one.verdict for one in kept(site).said] == ["sent back"]
    assert "sent back" in row_of(page(site), "N2")


def test_a_bolt_that_is_ok_can_be_sent_back_and_accepted_again(site: Site) -> None:
    measured(site, N1)
    assert CLEARED in page(site)
    phone = site.joined()
    assert accept(phone, "N1", "", verdict="back").status_code == 303
    assert CLEARED not in page(site)
    assert accept(phone, "N1").status_code == 303
    assert CLEARED in page(site)


def test_what_is_said_of_the_whole_run_wants_a_word_of_its_own(site: Site) -> None:
    measured(site, N1, status="check", reasons=(Finding("stands-unmeasured", (), (), 1500.0),))
    assert CLEARED not in page(site)
    assert accept(site.joined()).status_code == 303
    assert CLEARED in page(site)
    assert [one.mark for one in kept(site).said] == [""]


def test_numbers_that_are_no_longer_of_the_photos_are_never_cleared(site: Site) -> None:
    measured(site, N1)
    assert CLEARED in page(site)
    site.joined().photo(a_jpeg(2), "IMG_2.jpg")
    text = page(site)
    assert CLEARED not in text
    assert "have changed since these numbers were measured" in text
    assert CLEARED not in site.joined().client.get("/jobs/lot").text


def test_a_photo_that_cannot_be_read_holds_the_run_up_only_once_it_can(site: Site) -> None:
    survey = measured(site, N1)
    broken = site.folder / "lot" / "north" / "photo-2.jpg"
    broken.write_text("no photo")
    record = PhotoRecord("north/photo-2.jpg", False, "reshoot", (Finding("unreadable"),))
    write_survey(replace(survey, photos=(*survey.photos, record)), site.folder / "lot" / "out" / "survey.json")
    assert CLEARED in page(site)
    broken.write_bytes(a_jpeg(2))
    assert CLEARED not in page(site)
    broken.unlink()
    assert CLEARED not in page(site)


def test_decisions_that_cannot_be_read_clear_nothing_and_are_left_as_they_are(site: Site) -> None:
    measured(site, N1)
    path = site.folder / "lot" / "out" / DECISIONS_FILE
    path.write_text("scribble")
    text = page(site)
    assert CLEARED not in text
    assert "decisions.json" in text
    assert str(site.folder) not in text
    answer = site.joined().post(f"{NORTH}/word", verdict="accept", mark="N1", judged="x", word="x", by="A")
    assert (answer.status_code, answer.json()["key"]) == (409, "decisions")
    assert path.read_text() == "scribble"


def test_the_list_is_sorted_and_picked_out_by_plain_addresses(site: Site) -> None:
    far = replace(N4, setback_mm=100.0)
    measured(site, replace(N1, setback_mm=60.0), DOUBTFUL, NUMBERLESS, leaning(far, 8.0, 0.0))
    assert marks(page(site)) == ["N1", "N2", "N3", "N4"]
    assert marks(page(site, "?sort=in")) == ["N4", "N2", "N1", "N3"]
    assert marks(page(site, "?sort=status")) == ["N3", "N2", "N1", "N4"]
    assert marks(page(site, "?sort=word"))[:2] == ["N2", "N3"]
    assert marks(page(site, "?status=check")) == ["N2"]
    assert marks(page(site, "?waiting=1")) == ["N2", "N3"]
    assert marks(page(site, "?rules=fails")) == ["N4"]  # past the middle third
    assert marks(page(site, "?sort=%22%3Cx&status=x&rules=y&waiting=z")) == ["N1", "N2", "N3", "N4"]
    assert "No bolt is like that" in page(site, "?status=check&rules=fails")


def test_a_word_goes_back_to_the_list_as_it_was_sorted(site: Site) -> None:
    measured(site, N1, DOUBTFUL)
    answer = accept(site.joined(), "N2", sort="in", status="check", rules="//evil.example", waiting="1")
    assert answer.headers["location"] == f"{NORTH}/foreman?sort=in&status=check&waiting=1#clearance"


def test_rules_are_told_before_the_plates_are_planned_and_that_they_are(site: Site) -> None:
    measured(site, N1, replace(N2, setback_mm=100.0))
    text = page(site)
    assert "before the plates are planned" in text
    assert "DOES NOT MEET" in row_of(text, "N2")
    (site.folder / "lot" / "out" / "job.toml").unlink()
    assert "Plan the plates to see the rules" in page(site)


def test_names_and_words_are_shown_as_text(site: Site) -> None:
    measured(site, N1, replace(DOUBTFUL, mark="N2"))
    accept(site.joined(), "N2", "<script>alert(1)</script>", by='"><img src=x>')
    text = page(site)
    assert "&lt;script&gt;alert(1)" in text
    assert "<script>alert" not in text
    assert "<img src=x>" not in text


def test_the_page_has_no_style_or_script_in_it_and_every_address_is_its_own(site: Site) -> None:
    measured(site, N1, DOUBTFUL, NUMBERLESS)
    for path in (f"{NORTH}/foreman", "/jobs/lot/plates", "/jobs/lot/seal", "/as-built"):
        text = site.joined().client.get(path, headers=HTML).text
        assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:|<script(?! src=\"/static/)", text), path
        assert not re.search(r"(src|href|action)=\"(?!/|#|\?)", text), path


def test_the_strip_shows_every_bolt_with_its_bars(site: Site) -> None:
    measured(site, N1, DOUBTFUL, NUMBERLESS)
    text = page(site)
    strip = "".join(re.findall(r"<svg.*?</svg>", text, re.DOTALL))
    assert all(f">{mark}" in strip for mark in ("N1", "N2 CHECK", "N3 RE-SHOOT"))
    assert strip.count("pen-bar") == 2 * 6  # two bars with two ends each, of the two that have numbers
    assert "drawn 50 times as long" in text


def test_a_run_that_was_not_measured_says_so(site: Site) -> None:
    answer = site.joined().client.get(f"{NORTH}/foreman", headers=HTML)
    assert answer.status_code == 409
    assert "has not been measured yet" in answer.text


def test_the_page_is_in_spanish_too(site: Site) -> None:
    measured(site, N1, DOUBTFUL)
    text = site.joined().client.get(f"{NORTH}/foreman", headers={"accept-language": "es"}).text
    assert "No está listo para taladrar" in text
    assert "falta decidir" in text


def test_a_bolt_that_was_sent_back_never_looks_or_sounds_ok_to_the_carpenter(site: Site) -> None:
    measured(site, *bolts("N", (600.0, 1200.0)))
    phone = site.joined()
    assert accept(phone, "N1", "see why it leans", verdict="back").status_code == 303
    cards = phone.client.get(f"{NORTH}/results").text
    card = re.search(r'<article[^>]*aria-label="N1".*?</article>', cards, re.DOTALL)[0]
    assert "see why it leans" in card
    assert 'class="bolt reshoot"' in card
    assert "Sent back by the foreman" in card
    assert ">OK<" not in card
    other = re.search(r'<article[^>]*aria-label="N2".*?</article>', cards, re.DOTALL)[0]
    assert ">OK<" in other


def test_numbers_that_are_older_than_the_photos_are_read_aloud_with_that_said_first(site: Site) -> None:
    measured(site, *bolts("N", (600.0, 1200.0)))
    phone = site.joined()
    phone.photo(a_jpeg(7), "IMG_7.jpg")
    cards = phone.client.get(f"{NORTH}/results").text
    assert re.search(r'data-aloud="([^"]*)', cards)[1].startswith(
        "Photos, job.toml or corrections by hand have changed"
    )
