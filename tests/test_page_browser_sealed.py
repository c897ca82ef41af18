"""Sealed packages in a real browser as large as a phone: searched, opened, audited, and compared with the slider.

Skipped, with the reason, where Chromium and its driver are not installed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from archive_jobs import a_job, sealed
from compare_runs import a_run, some_bolts
from page_server import Server, a_port, served, until
from sillwright.page.folder import AS_BUILT
from sillwright.survey import Survey
from sillwright.survey_file import write_survey
from test_page_browser import browser, faults_of, one, pytestmark, text_of

webdriver = pytest.importorskip("selenium.webdriver")
keys = pytest.importorskip("selenium.webdriver.common.keys")
__all__ = ["browser", "pytestmark"]  # the browser of the other tests, and their reason to be skipped

HOW_IT_STANDS = """
const after = document.querySelector('.both .after'), before = document.querySelector('.both .before');
const [one, other] = [before, after].map(part => part.getBoundingClientRect());
return {clip: after.style.clipPath, opacity: after.style.opacity,
        over: Math.abs(one.top - other.top) < 1 && Math.abs(one.left - other.left) < 1}
"""


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Server, str, str]]:
    """A job as it was sealed, and as it is measured now, with a bolt that moved."""
    folder = tmp_path_factory.mktemp("sealed")
    job = a_job(folder / "job", bolts=some_bolts())
    _, made = sealed(folder / "jobs" / AS_BUILT, job, signed_off="Q. Checker")
    now = folder / "jobs" / "lot"
    now.mkdir()
    (now / "job.toml").write_text((job.folder / "job.toml").read_text())
    (now / "IMG_1.jpg").write_bytes(job.photos[0].read_bytes())
    (now / "left-out").mkdir()
    (now / "left-out" / "IMG_2.jpg").write_bytes(job.photos[1].read_bytes())
    bolts = [replace(some_bolts()[0], setback_mm=80.0), *some_bolts()[1:]]
    write_survey(Survey("Lot 7, garage", (a_run(bolts),), (), ()), now / "out" / "survey.json")
    port = a_port()
    with served(folder / "jobs", port) as server:
        yield server, f"http://127.0.0.1:{port}", made.name


def test_a_package_is_opened_audited_and_compared_with_a_slider(
    package: tuple[Server, str, str],
    browser: webdriver.Chrome,
) -> None:
    server, address, name = package
    browser.get(f"{address}/join/{server.code}")
    one(browser, "button.main").click()
    until(lambda: text_of(browser, "h1") == "Jobs", "the list of jobs")

    browser.get(f"{address}/as-built?setback_over=5")
    assert "has no unit" in text_of(browser, ".wrong")
    assert faults_of(browser)[:-1] == []  # the last is that the browser logs the answer 422
    browser.get(f"{address}/as-built/{name}")
    assert faults_of(browser) == []
    browser.execute_script("document.querySelector('form[action$=\"/audit\"] button').click()")
    until(lambda: "Every file is as it was sealed" in text_of(browser, "main"), "the audit")
    assert faults_of(browser) == []

    browser.get(f"{address}/as-built/{name}/compare?with=now:lot")
    assert faults_of(browser) == []
    stands = browser.execute_script(HOW_IT_STANDS)
    assert stands == {"clip": "inset(0px 50% 0px 0px)", "opacity": "1", "over": True}
    slide = one(browser, "#slide")
    slide.send_keys(keys.Keys.END)
    assert browser.execute_script(HOW_IT_STANDS)["clip"] == "inset(0px 0% 0px 0px)"
    slide.send_keys(keys.Keys.HOME, *[keys.Keys.ARROW_RIGHT] * 3)
    assert browser.execute_script(HOW_IT_STANDS)["clip"] == "inset(0px 97% 0px 0px)"
    one(browser, "#blend").click()
    stands = browser.execute_script(HOW_IT_STANDS)
    assert (stands["clip"], stands["opacity"]) == ("none", "0.03")
    assert faults_of(browser) == []


def test_a_job_is_set_up_and_a_photo_taken_out_on_a_phone(
    package: tuple[Server, str, str], browser: webdriver.Chrome
) -> None:
    """The browser has joined above."""
    _, address, _ = package
    browser.get(f"{address}/new")
    browser.execute_script("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    assert faults_of(browser) == []
    for name, text in (("name", "Lot 9"), ("run0_name", "north"), ("run0_cards", "1-3"), ("stickup", "3 1/4")):
        one(browser, f"[name={name}]").send_keys(text)
    one(browser, "button.main").click()
    until(lambda: "has no unit" in text_of(browser, "main"), "the form with what is wrong")
    assert one(browser, "[name=run0_cards]").get_attribute("value") == "1-3"
    assert faults_of(browser)[:-1] == []  # the last is that the browser logs the answer 422
    one(browser, "[name=stickup]").send_keys(" in")
    one(browser, "button.main").click()
    until(lambda: text_of(browser, "h1") == "Lot 9", "the job")
    browser.get(f"{address}/jobs/lot-9/edit")
    assert faults_of(browser) == []

    browser.get(f"{address}/jobs/lot/1-north")
    browser.execute_script("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    assert faults_of(browser) == []
