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


def press(browser: webdriver.Chrome, selector: str) -> None:
    """Click what may lie below the edge of the screen."""
    browser.execute_script("document.querySelector(arguments[0]).click()", selector)


def join(server: Server, address: str, browser: webdriver.Chrome) -> None:
    browser.get(f"{address}/jobs/lot12")
    assert "/join" in browser.current_url
    browser.get_log("browser")  # that nothing is shown to a stranger, the browser calls an error
    browser.get(f"{address}/join/{server.code}")
    assert faults_of(browser) == []
    one(browser, "button.main").click()
    until(lambda: text_of(browser, "h1") == "Jobs", "the list of jobs")
    assert faults_of(browser) == []


def send_photos(address: str, browser: webdriver.Chrome, place: str, folder: str) -> None:
    browser.get(f"{address}/jobs/lot12/{place}")
    photos = sorted((DEMO / folder).glob("*.jpg"))
    one(browser, "#choose").send_keys("\n".join(str(path) for path in photos))
    until(lambda: text_of(browser, "#photos").count("good") == len(photos), f"the photos of {folder}, and all good")
    assert faults_of(browser) == []


def is_measured(address: str, browser: webdriver.Chrome) -> bool:
    browser.get(f"{address}/jobs/lot12/1-north/results")
    said = text_of(browser, "main")
    return "In from the line" in said and "measured now" not in said


def accept_all(address: str, browser: webdriver.Chrome, place: str) -> None:
    """The foreman's word on all that is not ok, as long as anything waits for one."""
    for _ in range(20):
        browser.get(f"{address}/jobs/lot12/{place}/foreman")
        if "CLEARED TO DRILL" in text_of(browser, "#clearance.yes h2").upper():
            return
        mark = one(browser, "#clearance li a").get_attribute("href").rpartition("#")[2]
        browser.execute_script(
            "const form = document.querySelector(`#${arguments[0]} form.word`);"
            "form.word.value = 'taped it: as measured'; form.by.value = 'A. Foreman';"
            "form.querySelector('button[value=accept]').click()",
            mark,
        )
        until(lambda: browser.execute_script("return document.readyState") == "complete", "the foreman's page again")
    raise AssertionError(text_of(browser, "#clearance"))


def test_a_crew_goes_from_photos_on_a_phone_to_cleared_bolts_sheets_and_a_sealed_package(
    site: tuple[Server, str], browser: webdriver.Chrome
) -> None:
    server, address = site
    join(server, address, browser)
    for place, folder in (("1-north", "north"), ("2-east", "east"), ("3-north-and-east", "corner")):
        send_photos(address, browser, place, folder)

    browser.get(f"{address}/jobs/lot12")
    assert faults_of(browser) == []
    press(browser, 'form[action$="/measure"] button')
    until(lambda: browser.find_elements("css selector", 'a[href$="/results"]'), "the bolts")
    until(lambda: is_measured(address, browser), "the cards")
    assert "Corrected by hand" not in text_of(browser, "main")
    assert faults_of(browser) == []
    press(browser, "button[name=language][value=es]")
    until(lambda: "Desde la línea" in text_of(browser, "main"), "the same in Spanish")
    assert faults_of(browser) == []
    press(browser, "button[name=language][value=en]")

    # The tip of one bolt, a pixel to the right.
    browser.get(f"{address}/jobs/lot12/1-north/correct?bolt=N2")
    until(lambda: "N2, foot" in text_of(browser, "#hint"), "the photo, with the bolt chosen")
    press(browser, "#tip")
    press(browser, "[data-way='1 0']")
    browser.execute_script("document.querySelector('[name=by]').value = 'A. Carpenter'")
    press(browser, "#save")
    until(lambda: "/correct" not in browser.current_url, "the corrections' arrival")
    until(lambda: is_measured(address, browser), "measured again")
    assert text_of(browser, "main").count("Corrected by hand") == 1
    assert faults_of(browser) == []

    for place in ("1-north", "2-east"):
        accept_all(address, browser, place)
        assert faults_of(browser) == []

    browser.get(f"{address}/jobs/lot12/plates")
    press(browser, 'form[action$="/plates"] button')
    until(lambda: "plates.pdf" in text_of(browser, "main"), "the sheets")
    assert faults_of(browser) == []

    browser.get(f"{address}/jobs/lot12/seal")
    one(browser, "[name=signed_off]").send_keys("A. Foreman")
    press(browser, 'form[action$="/seal"] button')
    until(lambda: "Sealed: lot-12-garage" in text_of(browser, "main"), "the package")
    assert faults_of(browser) == []
    browser.get(f"{address}/as-built")
    assert "A. Foreman" in text_of(browser, "main")
    assert faults_of(browser) == []
    (package,) = list((server.folder / "as-built" / "packages").iterdir())
    assert list(package.rglob("corrections.toml"))
    assert (package / "data" / "results" / "plates.pdf").is_file()
