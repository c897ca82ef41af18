"""Correcting by hand in a real browser, as large as a phone: by finger, mouse and key, on a photo of the demo.

The record is made from the demo's exact truth, so that nothing is measured first. Skipped, with the reason, where
Chromium and its driver are not installed.
"""

from __future__ import annotations

import hashlib
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import demo_site
import test_page_browser as phone_page
from judge_runs import a_run
from page_server import Server, a_port, served, until
from scenes import PHONE
from sillwright.corrections_file import read_corrections
from sillwright.job import load_job
from sillwright.page.marked import View
from sillwright.survey import BoltRecord, BoltU95, CameraRecord, PhotoRecord, RunRecord, Survey, ViewRecord
from sillwright.survey_file import write_survey
from sillwright.tell.frames import bolt_base_mm, bolt_tip_mm
from test_page_browser import faults_of, one, text_of

browser = phone_page.browser
pytestmark = phone_page.pytestmark
SHOTS = [shot for shot in demo_site.SHOTS if shot.file in ("north/IMG_2043.jpg", "north/IMG_2044.jpg")]
TURNED = SHOTS[1]  # stored lying on its side
JOB = '[camera]\nprofile = "phone.json"\n[[run]]\nname = "north"\nphotos = ["north/*.jpg"]\nline_marks = "inside"\n'
POINT = """
const { e, f } = document.querySelector('.held').parentNode.transform.baseVal[0].matrix;
return [e, f];
"""
PIECES = """
const loaded = performance.getEntriesByType('resource').filter(one => one.responseStatus === 200);
return loaded.some(one => /\\d-\\d[.]jpg$/.test(one.name));
"""
MIDDLE = "const box = document.querySelector(arguments[0]).getBoundingClientRect();"
MIDDLE += "return [box.x + box.width / 2, box.y + box.height / 2]"
ON_SCREEN = "const at = new DOMPoint(arguments[0], arguments[1])"
ON_SCREEN += ".matrixTransform(document.getElementById('scene').getScreenCTM()); return [at.x, at.y]"
SCALE = "return document.getElementById('stage').clientWidth / document.getElementById('scene').viewBox.baseVal.width"


def the_bolts() -> tuple[BoltRecord, ...]:
    """The north wall's bolts as they truly stand."""
    sure = BoltU95(*[0.5] * 6)
    found = []
    for k, bolt in enumerate(demo_site.truth()["runs"][0]["bolts"], start=1):
        names = ("station_mm", "setback_mm", "lean_along_mm", "lean_across_mm", "lean_deg", "stickup_mm")
        photos = tuple(shot.file for shot in SHOTS if shot.file in bolt["photos"])
        found.append(BoltRecord(f"N{k}", *[bolt[name] for name in names], "photos", 12.7, sure, photos, "ok"))
    return tuple(found)


def shown(shot: demo_site.Shot, sha256: str) -> PhotoRecord:
    """A photo as it was truly taken."""
    matrix = ((PHONE.fx, 0.0, PHONE.cx), (0.0, PHONE.fy, PHONE.cy), (0.0, 0.0, 1.0))
    camera = CameraRecord(PHONE.width_px, PHONE.height_px, matrix, tuple(PHONE.distortion.tolist()))
    rotation = tuple(tuple(map(float, row)) for row in shot.pose.rotation)
    view = ViewRecord("north", rotation, tuple(map(float, shot.pose.translation_mm)))
    return PhotoRecord(shot.file, True, "ok", (), sha256, shot.orientation, (), camera, (view,))


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Server, str, Path]]:
    """Two photos of the demo, and a record of them."""
    folder = tmp_path_factory.mktemp("jobs")
    lot = folder / "lot12"
    (lot / "north").mkdir(parents=True)
    (lot / "job.toml").write_text(f'name = "Lot 12"\n{JOB}')
    shutil.copy(phone_page.DEMO.parents[1] / "calibration" / "demo-phone.json", lot / "phone.json")
    photos = []
    for shot in SHOTS:
        shutil.copy(phone_page.DEMO / shot.file, lot / shot.file)
        photos.append(shown(shot, hashlib.sha256((lot / shot.file).read_bytes()).hexdigest()))
    run = RunRecord(**{**vars(a_run(the_bolts())), "name": "north"})
    parts = load_job(lot / "job.toml").measured_parts
    write_survey(Survey("Lot 12", (run,), (), tuple(photos), measured_with=parts), lot / "out" / "survey.json")
    port = a_port()
    with served(folder, port) as server:
        yield server, f"http://127.0.0.1:{port}", lot


def touch(browser: object, kind: str, *places: tuple[float, float]) -> None:
    points = [{"x": x, "y": y, "id": k} for k, (x, y) in enumerate(places)]
    browser.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})


def mouse(browser: object, kind: str, x: float, y: float) -> None:
    told = {"type": kind, "x": x, "y": y, "button": "left", "buttons": 1, "clickCount": 1}
    browser.execute_cdp_cmd("Input.dispatchMouseEvent", told)


def click(browser: object, selector: str) -> None:
    browser.execute_script("document.querySelector(arguments[0]).click()", selector)


def test_a_bolt_is_moved_on_its_photo_by_finger_mouse_and_key_and_the_job_is_measured_again(
    site: tuple[Server, str, Path], browser: object
) -> None:
    server, address, lot = site
    browser.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
    browser.get(f"{address}/join/{server.code}")
    one(browser, "button.main").click()
    until(lambda: text_of(browser, "h1") == "Jobs", "the list of jobs")
    browser.get(f"{address}/jobs/lot12/1-north/correct/{TURNED.file}?bolt=N3")
    until(lambda: browser.execute_script(PIECES), "pieces at full size")
    assert "N3, foot" in text_of(browser, "#hint")
    assert faults_of(browser) == []

    # It stands where the photo shows it, as it is turned for viewing.
    record = next(bolt for bolt in the_bolts() if bolt.mark == "N3")
    placed = View(shown(TURNED, ""), "north")
    base_px, tip_px = (placed.pixel(end(record)) for end in (bolt_base_mm, bolt_tip_mm))
    assert browser.execute_script(POINT) == pytest.approx(base_px, abs=0.01)

    # By finger on the handle, which lies beside the point: so far on the screen, so far in the photo.
    click(browser, "#tip")
    scale = browser.execute_script(SCALE)
    assert scale > 0.5  # near enough to place a point to a pixel
    x, y = browser.execute_script(MIDDLE, ".held")
    touch(browser, "touchStart", (x, y))
    for part in (0.5, 1.0):
        touch(browser, "touchMove", (x + 30 * part, y - 24 * part))
    touch(browser, "touchEnd")
    by_finger = np.array(tip_px) + np.array([30.0, -24.0]) / scale
    assert browser.execute_script(POINT) == pytest.approx(by_finger, abs=0.05)
    assert "Not saved yet: 1" in text_of(browser, "#hint")

    # By two fingers the photo is zoomed and nothing is moved; a step is a pixel whatever the zoom.
    x, y = browser.execute_script(MIDDLE, "#stage")
    touch(browser, "touchStart", (x - 20, y), (x + 20, y))
    touch(browser, "touchMove", (x - 60, y), (x + 60, y))
    touch(browser, "touchEnd")
    assert browser.execute_script(SCALE) > 1.5 * scale
    click(browser, "[data-way='1 0']")
    one(browser, "#stage").send_keys("\ue015")  # arrow down
    assert browser.execute_script(POINT) == pytest.approx(by_finger + 1.0, abs=0.05)

    # By mouse, on the foot itself; undone, it is where it was.
    click(browser, "#all")
    click(browser, "#base")
    browser.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": False})
    scale = browser.execute_script(SCALE)
    x, y = browser.execute_script(MIDDLE, ".held")
    mouse(browser, "mousePressed", x, y)
    mouse(browser, "mouseMoved", x + 15, y + 15)
    mouse(browser, "mouseReleased", x + 15, y + 15)
    assert browser.execute_script(POINT) == pytest.approx(np.array(base_px) + 15.0 / scale, abs=0.1)
    click(browser, "#undo")
    assert browser.execute_script(POINT) == pytest.approx(base_px, abs=0.01)

    one(browser, "[name=by]").send_keys("A. Foreman")
    click(browser, "#save")
    until(lambda: "The job is being measured now" in text_of(browser, "main"), "the results, to be measured again")
    (entry,) = read_corrections(lot).bolt
    assert (entry.photo, entry.kind, entry.base_px, entry.by) == (TURNED.file, "moved", None, "A. Foreman")
    assert entry.tip_px == pytest.approx(by_finger + 1.0, abs=0.1)


def test_bolts_are_added_and_struck_out_and_the_line_is_chosen_by_tapping(
    site: tuple[Server, str, Path], browser: object
) -> None:
    _, address, _ = site
    browser.get(f"{address}/jobs/lot12/1-north/correct/{SHOTS[0].file}")
    until(lambda: "Tap a bolt" in text_of(browser, "#hint"), "the photo")
    fields = "return [...document.querySelectorAll('#rows input')].map(field => field.name + '=' + field.value)"
    browser.execute_script(
        "document.querySelector('[name=by]').value = 'A. Foreman'; window.send = window.fetch;"
        "window.fetch = () => Promise.reject();"
    )
    x, y = browser.execute_script(MIDDLE, "#stage")

    def tap(right: float, down: float) -> None:
        mouse(browser, "mousePressed", x + right, y + down)
        mouse(browser, "mouseReleased", x + right, y + down)

    click(browser, "#add")
    tap(-40, 0)
    tap(-40, -30)
    browser.execute_script("window.confirm = () => false")
    click(browser, "#chips button")
    click(browser, "#strike")
    assert "Not saved yet: 1" in text_of(browser, "#hint")
    browser.execute_script("window.confirm = () => true")
    click(browser, "#strike")
    assert browser.find_elements("css selector", ".held") == []  # nothing of it can be moved any more
    click(browser, "#line")
    assert "The chalk line goes first, by itself" in text_of(browser, "#hint")
    click(browser, "#save")
    rows = browser.execute_script(fields)
    until(lambda: "No connection" in text_of(browser, "#hint"), "what could not be sent")
    assert [row for row in rows if row.startswith("what=")] == ["what=strike", "what=add"]
    assert re.fullmatch(r"bolt=[\d.]+ [\d.]+", rows[1])
    assert [row for row in rows[7:] if row.endswith("=")] == ["bolt="]  # all four numbers of the added one are there

    for _ in range(3):
        click(browser, "#undo")
    click(browser, "#all")
    click(browser, "#line")
    tap(-150, 0)
    tap(-148, 0)
    assert "too near the first point" in text_of(browser, "#hint")
    tap(150, 5)
    click(browser, "#save")
    assert browser.execute_script(fields)[0] == "what=line"
    assert faults_of(browser) == []
    click(browser, "#undo")
    click(browser, "#undo")
    click(browser, "#save")
    assert "Nothing was marked" in text_of(browser, "#hint")

    # What is refused stays on the screen, with the reason: here a bolt added where one stands.
    browser.execute_script("window.fetch = window.send")
    click(browser, "#chips button")
    there = next(bolt for bolt in the_bolts() if bolt.mark == text_of(browser, "#chips button"))
    click(browser, "#add")
    x, y = browser.execute_script(ON_SCREEN, *map(float, View(shown(SHOTS[0], ""), "north").pixel(bolt_base_mm(there))))
    mouse(browser, "mousePressed", x, y)
    mouse(browser, "mouseReleased", x, y)
    click(browser, "#save")
    until(lambda: "there already" in text_of(browser, "#hint"), "why it was refused")
    assert all("409" in fault for fault in faults_of(browser))
    click(browser, "#undo")
    browser.get(f"{address}/jobs/lot12/1-north/correct")
    assert "N3: moved, tip marked" in text_of(browser, "main")
    assert faults_of(browser) == []
