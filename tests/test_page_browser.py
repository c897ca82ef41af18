"""The jobsite page in a real browser, as large as a phone: join, send photos, see them looked at, measure, read bolts.

Skipped, with the reason, where Chromium and its driver are not installed. The rules of accessibility are axe-core's
(WCAG 2 A and AA); targets are held to 48 px.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import pytest

from page_server import Server, a_port, served, until

webdriver = pytest.importorskip("selenium.webdriver")
axe = pytest.importorskip("axe_core_python")
CHROMIUM, DRIVER = shutil.which("chromium") or shutil.which("chromium-browser"), shutil.which("chromedriver")
pytestmark = pytest.mark.skipif(
    not (CHROMIUM and DRIVER), reason="Chromium and chromedriver are not installed: apt-get install chromium-driver"
)

DEMO = Path(__file__).resolve().parents[1] / "demo_images" / "lot12"
PHONE_PX = (390, 844)
LEAST_TARGET_PX = 48
SMALL_TARGETS = """
return [...document.querySelectorAll('button, .button, label.main, input:not([type=hidden]):not(.unseen)')]
  .filter(one => one.offsetParent !== null && one.getBoundingClientRect().height < arguments[0])
  .map(one => one.outerHTML)
"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Server, str]]:
    """The demo's job without its photos."""
    root = tmp_path_factory.mktemp("site")
    shutil.copytree(DEMO.parents[1] / "calibration", root / "calibration")  # where the job file looks for the phone
    folder = root / "jobs"
    (folder / "lot12").mkdir(parents=True)
    for path in DEMO.iterdir():
        if path.is_file():
            shutil.copy(path, folder / "lot12")
    port = a_port()
    with served(folder, port) as server:
        yield server, f"http://127.0.0.1:{port}"


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
    width_px, height_px = PHONE_PX
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width_px, "height": height_px, "deviceScaleFactor": 1, "mobile": True},
    )
    yield driver
    driver.quit()


def one(browser: webdriver.Chrome, selector: str) -> object:
    return browser.find_element("css selector", selector)


def text_of(browser: webdriver.Chrome, selector: str) -> str:
    """What stands in the first such element; nothing where there is none now."""
    return browser.execute_script("return document.querySelector(arguments[0])?.innerText ?? ''", selector)


def faults_of(browser: webdriver.Chrome) -> list[str]:
    """What axe-core finds serious, targets that are too small for gloves, and what the browser itself complains of."""
    browser.execute_script((files(axe) / "axe.min.js").read_text(encoding="utf-8"))
    found = browser.execute_async_script(
        "const done = arguments[0], rules = {runOnly: ['wcag2a', 'wcag2aa']};"
        "axe.run(rules).then(found => done(found.violations), fault => done([{id: '' + fault}]))"
    )
    serious = [
        f"{fault['id']}: {fault.get('nodes', [{}])[0].get('html', '')}"
        for fault in found
        if fault.get("impact") in (None, "serious", "critical")
    ]
    small = browser.execute_script(SMALL_TARGETS, LEAST_TARGET_PX)
    wide = browser.execute_script("return document.documentElement.scrollWidth > window.innerWidth")
    said = [entry["message"] for entry in browser.get_log("browser") if entry["level"] == "SEVERE"]
    said = [message for message in said if "favicon.ico" not in message]  # asked for by itself; no stranger is answered
    return [*serious, *small, *(["wider than the phone"] if wide else []), *said]


def test_a_carpenter_joins_sends_photos_and_reads_the_bolts_on_a_phone(
    site: tuple[Server, str], browser: webdriver.Chrome
) -> None:
    server, address = site
    browser.get(f"{address}/jobs/lot12")
    assert "/join" in browser.current_url
    browser.get_log("browser")  # that nothing is shown to a stranger, the browser calls an error
    browser.get(f"{address}/join/{server.code}")
    assert faults_of(browser) == []
    one(browser, "button.main").click()
    until(lambda: text_of(browser, "h1") == "Jobs", "the list of jobs")
    assert faults_of(browser) == []

    browser.get(f"{address}/jobs/lot12/1-north")
    photos = sorted((DEMO / "north").glob("*.jpg"))[:2]
    one(browser, "#choose").send_keys("\n".join(str(path) for path in photos))
    until(lambda: text_of(browser, "#photos").count("good") == 2, "both photos looked at, and good")
    assert faults_of(browser) == []

    browser.get(f"{address}/jobs/lot12")
    assert faults_of(browser) == []
    browser.execute_script("document.querySelector('form[action$=\"/measure\"] button').click()")
    until(lambda: browser.find_elements("css selector", 'a[href$="/results"]'), "the bolts")
    browser.get(f"{address}/jobs/lot12/1-north/results")
    said = text_of(browser, "main")
    assert "In from the line" in said
    assert "Seen in one photo only" in said  # two photos cannot show every bolt twice
    assert faults_of(browser) == []

    browser.execute_script("document.querySelector('button[name=language][value=es]').click()")
    until(lambda: "Desde la línea" in text_of(browser, "main"), "the same in Spanish")
    assert faults_of(browser) == []

    for page in ("jobs/lot12/1-north/foreman", "jobs/lot12/plates", "jobs/lot12/seal", "as-built"):
        browser.get(f"{address}/{page}")
        assert faults_of(browser) == [], page
