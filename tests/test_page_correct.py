"""Correcting by hand on the page: what a form writes, what it leaves alone, and what is refused."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from page_correct import (
    N1,
    N2,
    N3,
    PHOTO,
    STORED_PX,
    a_picture,
    drawn,
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
from page_site import NORTH, Site, a_site
from sillwright.corrections_file import BEFORE, CORRECTIONS, CorrectionsTable, change_corrections
from sillwright.job import load_job
from sillwright.page.marked import View
from sillwright.survey import Finding, PhotosAlone


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return a_site(tmp_path)


def test_a_moved_bolt_is_written_in_upright_pixels_and_the_job_waits_to_be_measured(site: Site) -> None:
    photographed(site, N1, N2)
    phone = site.joined()
    text = opened(phone)
    # Straight down at the foot, and its tip as seen from over it, shown turned a quarter.
    assert drawn(text, "N2")["base"] == "449.00 750.00"
    answer = send(phone, row("move", key_of(text, "N2"), (451.5, 747.2)))
    assert (answer.status_code, answer.headers["location"]) == (303, f"{NORTH}/results")
    (entry,) = standing(site).bolt
    assert (entry.run, entry.photo, entry.kind, entry.base_px, entry.tip_px) == (
        "north",
        PHOTO,
        "moved",
        (451.5, 747.2),
        None,
    )
    assert (entry.station_mm, entry.setback_mm) == (1400.0, 70.0)
    assert (entry.by, entry.on[:4]) == ("A. Foreman", "1970")
    assert waiting(site.store).count("measure") == 1
    assert "The job is being measured now" in opened(phone, f"{NORTH}/results")
    assert 'value="A. Foreman"' in opened(phone)
    # The measurement takes the file as it was written, and stored pixels are meant.
    (bolt,) = load_job(site.folder / "lot" / "job.toml").runs[0].corrections.bolts
    assert bolt.marks[0].base_px == (747.2, STORED_PX[1] - 1 - 451.5)


def test_other_ends_and_other_entries_stay(site: Site) -> None:
    photographed(site, N1, N2)
    by_a_person = (
        '# keep me\n[[strike]]\nrun = "north"\nstation = "40 cm"\nsetback = "2 3/4 in"\n'
        f'[[bolt]]\nrun = "north"\nphoto = "{PHOTO}"\nkind = "moved"\nstation = "140 cm"\nsetback = "70 mm"\n'
        "tip_px = [440, 750.5]\n"
    )
    (site.folder / "lot" / CORRECTIONS).write_text(by_a_person)
    phone = site.joined()
    text = opened(phone)
    assert drawn(text, "N2")["tip"] == "440.00 750.50"
    assert drawn(text, "N1")["struck"] == "yes"
    assert send(phone, row("move", key_of(text, "N2"), (450.0, 749.0))).status_code == 303
    (entry,) = standing(site).bolt
    assert (entry.base_px, entry.tip_px) == ((450.0, 749.0), (440.0, 750.5))
    assert len(standing(site).strike) == 1
    assert (site.folder / "lot" / BEFORE).read_text() == by_a_person


def test_a_bolt_that_was_corrected_is_known_by_where_the_photos_alone_had_it(site: Site) -> None:
    alone = PhotosAlone(N2.station_mm - 40.0, 71.0, None, None, None, None, N2.u95)
    moved = replace(N2, status="check", reasons=(Finding("corrected-by-hand"),), photos_alone=alone)
    photographed(site, N1, moved)
    phone = site.joined()
    key = key_of(opened(phone), "N2")
    assert send(phone, row("move", key, (451.0, 748.0))).status_code == 303
    (entry,) = standing(site).bolt
    assert (entry.station_mm, entry.setback_mm) == (1360.0, 71.0)
    results = opened(phone, f"{NORTH}/results")
    assert "Corrected by hand.</b> The photos alone said: in from the line 2 13/16&#34; ± 1/32&#34;" in results


def test_a_missed_bolt_is_added_where_its_foot_meets_the_concrete(site: Site) -> None:
    view = photographed(site, N1, N2)
    phone = site.joined()
    foot = view.pixel(np.array([1800.0, 68.0, 0.0]))
    assert send(phone, row("add", "", foot, (420.0, 1100.0))).status_code == 303
    (entry,) = standing(site).bolt
    assert entry.kind == "missed"
    assert (entry.station_mm, entry.setback_mm) == pytest.approx((1800.0, 68.0), abs=0.1)
    text = opened(phone)
    assert "The bolt 5&#39; 10 7/8&#34; along and 2 11/16&#34; in: added,</b> foot and tip marked" in text
    # Not measured yet it can be moved all the same, and marking its foot again is no second bolt.
    assert send(phone, row("move", key_of(text, "not measured yet"), (410.0, 1055.0))).status_code == 303
    assert standing(site).bolt[0].base_px == (410.0, 1055.0)
    assert len(standing(site).bolt) == 1
    # Measured, it has a mark, and its entry is still its own.
    by_hand = replace(N3, station_mm=1803.0, mark="N3", reasons=(Finding("corrected-by-hand"),), status="check")
    survey = recorded(site)
    write(site, replace(survey, runs=(replace(survey.runs[0], bolts=(N1, N2, by_hand)),)))
    text = opened(phone)
    assert "N3: added," in text
    assert "The photos alone showed no bolt here." in opened(phone, f"{NORTH}/results")
    # Struck out, a bolt that somebody added is just taken back.
    assert send(phone, row("strike", key_of(text, "N3"))).status_code == 303
    assert standing(site) == CorrectionsTable()


def test_a_false_bolt_is_struck_out_and_what_was_moved_of_it_falls_away(site: Site) -> None:
    photographed(site, N1, N2)
    phone = site.joined()
    key = key_of(opened(phone), "N2")
    send(phone, row("move", key, (450.0, 749.0)))
    assert send(phone, row("strike", key)).status_code == 303
    assert standing(site).bolt == ()
    (strike,) = standing(site).strike
    assert (strike.station_mm, strike.setback_mm) == (1400.0, 70.0)
    answer = send(phone, row("move", key, (450.0, 749.0)))
    assert (answer.status_code, "was struck out" in answer.text) == (409, True)
    load_job(site.folder / "lot" / "job.toml")


def test_a_bolt_added_where_something_was_struck_out_is_a_bolt_of_its_own(site: Site) -> None:
    photographed(site, N1, N2)
    phone = site.joined()
    rows = row("strike", key_of(opened(phone), "N2")), row("add", "", (449.0, 752.0))
    assert send(phone, *rows).status_code == 303
    # Measured, what was struck out is gone, and the added one has its mark.
    survey = recorded(site)
    added = replace(N2, status="check", reasons=(Finding("corrected-by-hand"),))
    write(site, replace(survey, runs=(replace(survey.runs[0], bolts=(N1, added)),)))
    text = opened(phone)
    assert "N2: added," in text
    assert "along and 2 3/4&#34; in: struck out" in text
    assert "struck" not in drawn(text, "N2")
    assert send(phone, row("move", key_of(text, "N2"), (449.0, 751.0))).status_code == 303
    assert (standing(site).bolt[0].base_px, len(standing(site).strike)) == ((449.0, 751.0), 1)
    load_job(site.folder / "lot" / "job.toml")


def test_an_entry_is_taken_back_and_the_last_one_leaves_no_file(site: Site) -> None:
    photographed(site, N1, N2)
    phone = site.joined()
    text = opened(phone)
    send(phone, row("move", key_of(text, "N1"), (449.0, 36.0)))
    send(phone, row("strike", key_of(text, "N2")))
    tokens = re.findall(r'name="entry" value="(\w+)"', opened(phone, f"{NORTH}/correct"))
    assert len(tokens) == 2
    assert phone.post(f"{NORTH}/correct", entry=tokens[0]).status_code == 303
    assert (standing(site).bolt, len(standing(site).strike)) == ((), 1)
    gone = phone.client.post(f"{NORTH}/correct", data={"form_token": phone.form_token, "entry": tokens[0]})
    assert (gone.status_code, gone.json()["key"]) == (409, "corrected_meanwhile")
    assert phone.post(f"{NORTH}/correct", entry=tokens[1]).status_code == 303
    assert not (site.folder / "lot" / CORRECTIONS).exists()


def test_the_chalk_line_goes_by_itself_and_first(site: Site) -> None:
    view = photographed(site, N1, N2)
    phone = site.joined()
    ends = [view.pixel(np.array([x, 1.0, 0.0])) for x in (500.0, 2200.0)]
    line = row("line", "", *ends)
    key = key_of(opened(phone), "N2")
    together = send(phone, row("move", key, (450.0, 749.0)), line)
    assert (together.status_code, "The chalk line goes first" in together.text) == (409, True)
    assert send(phone, line).status_code == 303
    (entry,) = standing(site).line
    assert entry.points_px == tuple(ends)
    early = send(phone, row("move", key, (450.0, 749.0)))
    assert (early.status_code, "not measured yet" in early.text) == (409, True)
    # Measured with it, as the copy beside the record says, bolts can be corrected, and the line stays under them.
    (site.folder / "lot" / "out" / CORRECTIONS).write_bytes((site.folder / "lot" / CORRECTIONS).read_bytes())
    assert send(phone, row("move", key, (450.0, 749.0))).status_code == 303
    text = opened(phone, f"{NORTH}/correct")
    of_line = re.findall(r'name="entry" value="(\w+)"', text)[-1]
    answer = phone.post(f"{NORTH}/correct", entry=of_line)
    assert (answer.status_code, answer.json()["key"]) == (409, "line_under_bolts")
    assert send(phone, line).status_code == 409
    assert len(standing(site).line) == 1


def test_the_only_foot_of_an_added_bolt_is_not_taken_from_under_its_tips(site: Site) -> None:
    view = photographed(site, N1, N2)
    phone = site.joined()
    send(phone, row("add", "", view.pixel(np.array([1800.0, 68.0, 0.0]))))
    (foot,) = standing(site).bolt
    other = replace(recorded(site).photos[0], file="north/IMG_2.jpg")
    (site.folder / "lot" / other.file).write_bytes(a_picture())
    write(site, replace(recorded(site), photos=(*recorded(site).photos, other)))
    tip = foot.model_copy(update={"photo": other.file, "base_px": None, "tip_px": (420.0, 1100.0)})
    change_corrections(site.folder / "lot", lambda table: table.model_copy(update={"bolt": (foot, tip)}))
    tokens = re.findall(r'name="entry" value="(\w+)"', opened(phone, f"{NORTH}/correct"))
    assert phone.post(f"{NORTH}/correct", entry=tokens[0]).json()["key"] == "foot_under_tips"
    assert phone.post(f"{NORTH}/correct", entry=tokens[1]).status_code == 303
    assert standing(site).bolt == (foot,)


FAR = (449.0, 5000.0)
UNFIT: dict[str, Callable[[str, View], tuple[list[dict[str, str]], dict[str, str]]]] = {
    "outside_photo": lambda key, view: ([row("move", key, FAR)], {}),
    "outside_photo of nan": lambda key, view: ([row("move", key, (float("nan"), 5.0))], {}),
    "outside_photo of inf": lambda key, view: ([row("move", key, (5.0, float("inf")))], {}),
    "outside_photo of words": lambda key, view: ([{**row("move", key), "first_right": "x", "first_down": "5"}], {}),
    "outside_photo of half": lambda key, view: ([{**row("move", key), "first_right": "5"}], {}),
    "nothing_marked": lambda key, view: ([], {}),
    "nothing_marked of a bolt": lambda key, view: ([row("move", key)], {}),
    "bolt_gone": lambda key, view: ([row("move", "9000 70", (449.0, 750.0))], {}),
    "bolt_gone of no bolt": lambda key, view: ([row("strike", "")], {}),
    "bolt_gone of nonsense": lambda key, view: ([row("strike", "nan nan")], {}),
    "bolt_there": lambda key, view: ([row("add", "", view.pixel(np.array([1405.0, 75.0, 0.0])))], {}),
    "no_foot": lambda key, view: ([row("add", "", None, (449.0, 750.0))], {}),
    "off_the_wall": lambda key, view: ([row("add", "", view.pixel(np.array([1400.0, 690.0, 0.0])))], {}),
    "line_short": lambda key, view: ([row("line", "", (449.0, 750.0), (449.0, 760.0))], {}),
    "line_short of one point": lambda key, view: ([row("line", "", (449.0, 750.0))], {}),
    "many_marked": lambda key, view: ([row("move", key, (449.0, 750.0 + k)) for k in range(21)], {}),
    "no_corrector": lambda key, view: ([row("move", key, (449.0, 751.0))], {"by": " \x07 "}),
    "no_verdict": lambda key, view: ([row("nonsense", key, (449.0, 751.0))], {}),
    "corrected_meanwhile": lambda key, view: ([row("move", key, (449.0, 751.0))], {"seen": "0" * 24}),
    "no_photo_placed": lambda key, view: ([row("move", key, (449.0, 751.0))], {"photo": "north/IMG_9.jpg"}),
    "no_photo_placed elsewhere": lambda key, view: (
        [row("move", key, (449.0, 751.0))],
        {"photo": "%2e%2e/%2e%2e/job.toml"},
    ),
}


@pytest.mark.parametrize("case", UNFIT)
def test_what_cannot_be_meant_is_refused_with_its_sentence_and_nothing_is_written(site: Site, case: str) -> None:
    view = photographed(site, N1, N2)
    phone = site.joined()
    rows, fields = UNFIT[case](key_of(opened(phone), "N2"), view)
    answer = send(phone, *rows, headers={}, **fields)
    assert answer.status_code in (404, 409, 422)
    assert answer.json()["key"] == case.split()[0]
    assert not (site.folder / "lot" / CORRECTIONS).exists()
    assert "measure" not in waiting(site.store)


def test_two_who_mark_the_same_photo_the_second_is_told_to_look_again(site: Site) -> None:
    photographed(site, N1, N2)
    first, second = site.joined(), site.joined()
    text = opened(second)
    seen = re.search(r'name="seen" value="(\w+)"', text)[1]
    assert send(first, row("move", key_of(text, "N2"), (450.0, 749.0))).status_code == 303
    answer = send(second, row("move", key_of(text, "N1"), (450.0, 36.0)), seen=seen)
    assert (answer.status_code, "Somebody else corrected this meanwhile" in answer.text) == (409, True)
    assert standing(site).bolt[0].base_px == (450.0, 749.0)
    assert len(standing(site).bolt) == 1


def test_two_who_mark_two_photos_at_once_lose_nothing(site: Site) -> None:
    photographed(site, N1, N2)
    other = replace(recorded(site).photos[0], file="north/IMG_2.jpg")
    (site.folder / "lot" / other.file).write_bytes(a_picture())
    write(site, replace(recorded(site), photos=(*recorded(site).photos, other)))
    first, second = site.joined(), site.joined()
    seen = re.search(r'name="seen" value="(\w+)"', opened(second, f"{NORTH}/correct/{other.file}"))[1]
    key = key_of(opened(first), "N2")
    assert send(first, row("move", key, (450.0, 749.0))).status_code == 303
    assert send(second, row("move", key, (450.5, 749.5)), photo=other.file, seen=seen).status_code == 303
    assert [entry.photo for entry in standing(site).bolt] == [PHOTO, other.file]
