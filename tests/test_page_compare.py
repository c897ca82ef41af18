"""Two surveys of one job compared on the page: which can be, the table, and both pictures in one frame."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from html import unescape
from pathlib import Path

import numpy as np
import pytest

from archive_jobs import let_write
from compare_runs import a_run, leaning, some_bolts
from page_site import Site, a_site
from sillwright.archive.compare import compare_run
from sillwright.survey import BoltRecord, RunRecord, Survey
from sillwright.survey_file import write_survey
from sillwright.tell.compare_plan import compare_plan
from test_page_sealed import seal, store

HTML = {"accept": "text/html"}


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return a_site(tmp_path / "site")


def later() -> list[BoltRecord]:
    """The bolts once more: the second moved in by 1/4 in, the third straightened, the last gone, and one new."""
    bolts = some_bolts()
    moved = replace(bolts[1], mark="N2", setback_mm=78.4)
    return [bolts[0], moved, leaning(bolts[2], 0.0, 0.0), bolts[3], replace(bolts[3], mark="N9", station_mm=4000.0)]


def measured_now(site: Site, bolts: Sequence[BoltRecord], name: str = "Lot 7, garage") -> None:
    (site.folder / "lot" / "job.toml").write_text(f'name = "{name}"\n[[run]]\nname = "north"\nphotos = ["*.jpg"]\n')
    write_survey(Survey(name, (a_run(bolts),), (), ()), site.folder / "lot" / "out" / "survey.json")


def rows_of(text: str) -> dict[str, str]:
    rows = re.findall(r'<th scope="row">([^<]*)</th>(.*?)</tr>', unescape(text), re.DOTALL)
    return {mark: re.sub(r"<[^>]+>|\s+", " ", cells) for mark, cells in rows}


def test_a_package_offers_its_jobs_other_packages_and_what_is_measured_now(site: Site) -> None:
    first = seal(site, bolts=tuple(some_bolts()))
    second = seal(site, bolts=tuple(later()), shade=20)
    other = seal(site, "Lot 8", shade=60)
    measured_now(site, later())
    text = site.joined().client.get(f"/as-built/{first}").text
    offered = re.findall(r'<option value="((?:sealed|now):[^"]+)"', text)
    assert offered == ["now:lot", f"sealed:{second}"]
    assert "now:" not in site.joined().client.get(f"/as-built/{other}").text


@pytest.mark.parametrize("now", [True, False])
def test_what_moved_was_straightened_is_new_or_gone_is_told_bolt_by_bolt(site: Site, now: bool) -> None:
    first = seal(site, bolts=tuple(some_bolts()))
    second = seal(site, bolts=tuple(later()), shade=20)
    measured_now(site, later())
    key = "now:lot" if now else f"sealed:{second}"
    text = site.joined().client.get(f"/as-built/{first}/compare", params={"with": key}).text
    rows = rows_of(text)
    assert set(rows) == {"N1", "N2", "N3", "N4", "N5", "N9"}
    assert "no difference that shows" in rows["N1"]
    assert "moved" in rows["N2"]
    assert '+1/4" ± 1/32"*' in rows["N2"] or '+1/4" ± 1/16"*' in rows["N2"]
    assert "straightened" in rows["N3"]
    assert "only in the first" in rows["N5"]
    assert "only in the second" in rows["N9"]
    assert "1 moved, 1 straightened, 2 with no difference that shows, 1 new, 1 gone" in text
    assert "a star marks what is more than about" in text
    assert "--align" not in text
    assert f"/as-built/{first}/photos/1.jpg" in text


def test_the_earlier_package_is_before_whichever_was_opened(site: Site) -> None:
    first = seal(site, bolts=tuple(some_bolts()))
    second = seal(site, bolts=tuple(later()), shade=20)
    phone = site.joined()
    for name, other in ((first, second), (second, first)):
        text = phone.client.get(f"/as-built/{name}/compare", params={"with": f"sealed:{other}"}).text
        told = re.sub(r"<[^>]+>|\s+", " ", text[text.index("<dl") : text.index("</dl>")])
        assert re.search(rf"Before +{first} .*After +{second}", told)
        assert "1 new, 1 gone" in text


def test_a_shift_along_may_be_taken_off_or_left(site: Site) -> None:
    first = seal(site, bolts=tuple(some_bolts()))
    shifted = [replace(bolt, station_mm=bolt.station_mm + 30.0) for bolt in some_bolts()]
    measured_now(site, shifted)

    def text(align: str) -> str:
        asked = {"with": "now:lot", "align": align}
        return unescape(site.joined().client.get(f"/as-built/{first}/compare", params=asked).text)

    assert "5 with no difference that shows" in text("along")
    assert "choose “spacing only” above; if it did not, “as they are”" in text("agreed")
    assert "5 moved" in text("none")
    assert "5 with no difference that shows" in text("' OR 1=1")


@pytest.mark.parametrize("key", ["", "now:", "now:..", "now:no", "sealed:..", "sealed:no", "x", "now:as-built"])
def test_what_is_not_there_is_not_compared(site: Site, key: str) -> None:
    first = seal(site)
    answer = site.joined().client.get(f"/as-built/{first}/compare", params={"with": key}, headers=HTML)
    assert answer.status_code == 404


def test_a_package_is_not_compared_with_itself_or_with_what_is_not_measured(site: Site) -> None:
    first = seal(site)
    phone = site.joined()
    assert phone.client.get(f"/as-built/{first}/compare", params={"with": f"sealed:{first}"}).status_code == 404
    assert phone.client.get(f"/as-built/{first}/compare", params={"with": "now:lot"}).json()["key"] == "not_measured"


def test_a_package_that_was_changed_is_not_compared(site: Site) -> None:
    first = seal(site)
    second = seal(site, shade=20)
    let_write(store(site))
    survey = store(site).package(second) / "data" / "results" / "survey.json"
    survey.write_bytes(survey.read_bytes().replace(b"70.0", b"60.0"))
    answer = site.joined().client.get(f"/as-built/{first}/compare", params={"with": f"sealed:{second}"})
    assert (answer.status_code, answer.json()["key"]) == (409, "package")


def test_marks_are_shown_as_text_in_table_and_picture(site: Site) -> None:
    first = seal(site)
    measured_now(site, [replace(some_bolts()[0], mark="<script>alert(1)</script>")])
    text = site.joined().client.get(f"/as-built/{first}/compare", params={"with": "now:lot"}).text
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert" in text
    assert not re.search(r"<style|\sstyle=|\son\w+=", text)


def plan_of(first: RunRecord, second: RunRecord, left_handed: bool = False) -> tuple[str, str, int]:
    plan = compare_plan(compare_run(first, second), first, second, left_handed, ("before", "after"))
    return plan.before, plan.after, plan.times


def feet_of(picture: str, ink: str) -> list[tuple[float, float]]:
    """The feet of a picture, left to right: squares before, discs after."""
    if ink == "before":
        found = re.findall(r'<rect x="([-\d.]+)" y="([-\d.]+)" width="1.8"', picture)
        return [(float(x) + 0.9, float(y) + 0.9) for x, y in found]
    return [(float(x), float(y)) for x, y in re.findall(r'<circle cx="([-\d.]+)" cy="([-\d.]+)" r="1.1"', picture)]


def test_both_pictures_have_one_frame_and_a_bolt_that_stands_still_one_place() -> None:
    before, after, times = plan_of(a_run(some_bolts()), a_run(later()))
    frames = [re.search(r'viewBox="([^"]+)"', picture)[1] for picture in (before, after)]
    assert frames[0] == frames[1]
    ones, others = feet_of(before, "before"), feet_of(after, "after")
    assert len(ones) == len(others) == 5
    assert ones[0] == pytest.approx(others[0], abs=0.011)
    moved = others[1][1] - ones[1][1]
    assert moved == pytest.approx(-times * 6.4 / 12.0, abs=0.02)  # in from the line is up the page


def test_a_left_handed_run_has_its_plate_down_the_page() -> None:
    before, after, times = plan_of(a_run(some_bolts()), a_run(later()), left_handed=True)
    moved = feet_of(after, "after")[1][1] - feet_of(before, "before")[1][1]
    assert moved == pytest.approx(times * 6.4 / 12.0, abs=0.02)


def test_a_new_bolt_stands_where_it_is_seen_from_the_first_ones_end() -> None:
    extra = replace(some_bolts()[3], mark="N9", station_mm=4000.0)
    shifted = [replace(bolt, station_mm=bolt.station_mm + 30.0) for bolt in [*some_bolts(), extra]]
    _, after, _ = plan_of(a_run(some_bolts()), a_run(shifted))
    straight = plan_of(a_run(some_bolts()), a_run([*some_bolts(), extra]))[1]
    assert np.allclose(feet_of(after, "after"), feet_of(straight, "after"), atol=0.02)


def test_a_bolt_without_a_number_has_no_foot_and_no_lean() -> None:
    second = [replace(some_bolts()[0], status="reshoot"), *some_bolts()[1:]]
    before, after, _ = plan_of(a_run(some_bolts()), a_run(second))
    for picture in (before, after):
        assert ">?</text>" in picture
    assert len(feet_of(before, "before")) == len(feet_of(after, "after")) == 4


def test_runs_without_a_bolt_are_drawn() -> None:
    before, after, _ = plan_of(a_run([]), a_run([]))
    assert before.startswith("<svg")
    assert after.startswith("<svg")
