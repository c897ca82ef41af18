"""Plates and packages from the page: none before a run is cleared, only the plan's own files, and sealing is told."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest

from page_site import BASE, NORTH, ONE_RUN, Site, a_jpeg, a_site, accept, done, measured
from plate_jobs import bolts
from sillwright.archive.audit import audit_store
from sillwright.archive.store import open_store
from sillwright.decisions import DECISIONS_FILE
from sillwright.page import queue
from sillwright.page.folder import AS_BUILT, job_named
from sillwright.page.planned import Planned, read_planned
from sillwright.page.store import _MIGRATIONS, reading
from sillwright.page.store import open_store as open_page_store
from sillwright.survey import Finding

HTML = {"accept": "text/html"}
PLATES = "/jobs/lot/plates"
N1, N2, N3, N4 = bolts("N", (0.0, 1000.0, 2000.0, 2900.0))
DOUBTFUL = replace(N2, status="check", reasons=(Finding("bent"),))


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return a_site(tmp_path)


@pytest.fixture
def planned(site: Site) -> Site:
    """A site whose one run is cleared, and its plates planned."""
    measured(site, N1, N2, N3, N4)
    site.joined().post(PLATES)
    assert done(site).said == ""
    return site


def out(site: Site) -> Path:
    return site.folder / "lot" / "out"


def files(site: Site) -> list[str]:
    return re.findall(rf'href="({PLATES}/[^"]+)"', site.joined().client.get(PLATES).text)


def test_no_plates_are_made_before_every_run_is_cleared(site: Site) -> None:
    measured(site, N1, DOUBTFUL, N3, N4)
    phone = site.joined()
    text = phone.client.get(PLATES).text
    assert "Make the plates" not in text
    assert "1 to decide" in text
    answer = phone.post(PLATES)
    assert (answer.status_code, answer.json()["key"]) == (409, "not_cleared")
    accept(phone, "N2")
    assert "Make the plates" in phone.client.get(PLATES).text
    assert phone.post(PLATES).status_code == 303
    assert "Waiting to be planned" in phone.client.get(PLATES).text
    assert done(site).state == "done"
    assert (out(site) / "plates.json").exists()


def test_a_word_that_lapsed_while_the_plates_waited_stops_them(site: Site) -> None:
    measured(site, N1, DOUBTFUL, N3, N4)
    phone = site.joined()
    accept(phone, "N2")
    phone.post(PLATES)
    measured(site, N1, replace(DOUBTFUL, setback_mm=71.0), N3, N4)
    task = done(site)
    assert (task.state, "not cleared" in task.said) == ("failed", True)
    assert not (out(site) / "plates.json").exists()
    assert task.said in unescape(phone.client.get(PLATES).text)


def test_what_the_plan_says_and_its_files_are_on_the_page(planned: Site) -> None:
    text = planned.joined().client.get(PLATES).text
    plan = json.loads((out(planned) / "plates.json").read_text())
    assert ("To decide first" in text) == any(one["weight"] == "decide" for one in plan["findings"])
    assert {address.removeprefix(f"{PLATES}/") for address in files(planned)} == {
        "plates.html", "plates.pdf", "holes.csv", "pieces.csv", "plates.dxf", "strips/north-1-1.pdf",
    }  # fmt: skip


def test_each_file_is_handed_out_as_what_it_is_and_as_it_was_planned(planned: Site) -> None:
    phone = planned.joined()
    kinds = {"pdf": "application/pdf", "csv": "text/csv; charset=utf-8", "dxf": "image/vnd.dxf"}
    for address in files(planned):
        answer = phone.client.get(address)
        assert answer.status_code == 200, address
        assert answer.content == (out(planned) / address.removeprefix(f"{PLATES}/")).read_bytes()
        assert answer.headers["x-content-type-options"] == "nosniff"
        ending = address.rsplit(".", 1)[1]
        if ending != "html":
            assert answer.headers["content-type"] == kinds[ending]
            assert answer.headers["content-disposition"].startswith("attachment;")


def test_the_sheet_runs_no_script_and_reaches_no_address(planned: Site) -> None:
    answer = planned.joined().client.get(f"{PLATES}/plates.html")
    assert answer.headers["content-type"].startswith("text/html")
    policy = dict((part.strip() + " ").split(" ", 1) for part in answer.headers["content-security-policy"].split(";"))
    assert policy["default-src"].strip() == "'none'"
    assert policy["style-src"].strip() == "'unsafe-inline'"
    assert "script-src" not in policy
    assert policy["sandbox"].strip() == ""
    assert policy["frame-ancestors"].strip() == "'none'"


@pytest.mark.parametrize(
    "name",
    [
        "survey.json",
        "plates.json",
        "plates.sha256",
        "job.toml",
        "decisions.json",
        "../job.toml",
        "%2e%2e/job.toml",
        "..%2fjob.toml",
        "strips/../survey.json",
        "strips/..%2f..%2fjob.toml",
        "%2fetc%2fpasswd",
        "/etc/passwd",
        "strips",
        "strips/",
        "PLATES.PDF",
        "plates.pdf/",
        "plates.pdf%00",
        "strips%5cnorth-1-1.pdf",
        "",
    ],
)
def test_no_name_but_those_of_the_plan_opens_anything(planned: Site, name: str) -> None:
    answer = planned.joined().client.get(f"{BASE}{PLATES}/{name}", headers=HTML)
    assert answer.status_code in (303, 307, 404), (name, answer.status_code)
    assert "Lot 9" not in answer.text
    assert "root:" not in answer.text


def test_a_file_that_was_changed_is_not_handed_out(planned: Site) -> None:
    (out(planned) / "holes.csv").write_text("N1,0\n")
    phone = planned.joined()
    assert "a file of them was changed" in phone.client.get(PLATES).text
    for address in (f"{PLATES}/holes.csv", f"{PLATES}/plates.pdf"):
        assert phone.client.get(address).json()["key"] == "plan_old"
    assert files(planned) == []


def test_plates_of_other_numbers_are_told_and_not_handed_out(planned: Site) -> None:
    measured(planned, replace(N1, setback_mm=65.0), N2, N3, N4)
    phone = planned.joined()
    assert "planned from other numbers" in phone.client.get(PLATES).text
    assert phone.client.get(f"{PLATES}/plates.pdf").status_code == 409
    assert "before the plates are planned" in phone.client.get(f"{NORTH}/foreman").text


def test_a_bolt_sent_back_after_the_plan_takes_its_sheets_away(planned: Site) -> None:
    phone = planned.joined()
    assert "as the plates are planned" in phone.client.get(f"{NORTH}/foreman").text
    accept(phone, "N1", verdict="back")
    assert files(planned) == []
    assert phone.client.get(f"{PLATES}/plates.pdf").json()["key"] == "not_cleared"


def test_a_list_of_checksums_that_leads_out_of_the_folder_is_no_plans(planned: Site) -> None:
    path = out(planned) / "plates.sha256"
    path.write_text(path.read_text() + f"{'0' * 64}  ../job.toml\n")
    assert read_planned(job_named(planned.folder, "lot")) == "broken"
    path.unlink()
    assert read_planned(job_named(planned.folder, "lot")) == "broken"
    assert "Make them again" in planned.joined().client.get(PLATES).text


def test_the_plan_that_belongs_is_read(planned: Site) -> None:
    assert isinstance(read_planned(job_named(planned.folder, "lot")), Planned)


def test_a_job_file_that_is_not_the_one_planned_from_is_told(planned: Site) -> None:
    assert "another than the job" not in planned.joined().client.get(PLATES).text
    (planned.folder / "lot" / "job.toml").write_text(f'{ONE_RUN}\n[layout]\nstock = ["8 ft"]\n')
    assert "another than the job" in planned.joined().client.get(PLATES).text


def test_a_job_is_sealed_with_its_decisions_and_told(site: Site) -> None:
    measured(site, N1, DOUBTFUL, N3, N4)
    phone = site.joined()
    accept(phone, "N2")
    phone.post(PLATES)
    assert phone.post("/jobs/lot/seal", signed_off="Q. Checker").status_code == 303
    assert "Waiting to be sealed" in phone.client.get("/jobs/lot/seal").text
    task = done(site)
    assert (task.kind, task.state) == ("seal", "done"), task.said
    text = phone.client.get("/jobs/lot/seal").text
    assert "Sealed: lot-9" in text
    assert "1 package, 0 with faults. The log has 1 entry;" in text
    assert str(site.folder) not in text
    store = open_store(site.folder / AS_BUILT)
    (name,) = store.names()
    sealed = store.package(name) / "data" / "results" / DECISIONS_FILE
    assert sealed.read_bytes() == (out(site) / DECISIONS_FILE).read_bytes()
    assert not audit_store(store, workers=1).damaged
    listed = phone.client.get("/as-built").text
    row = re.sub(r"<[^>]+>|\s+", " ", listed[listed.index("<tbody>") :])
    assert re.search(r"Lot 9 +north +\d{4}-\d\d-\d\d +3 +1 +0 +Q\. Checker +lot-9", row)


def test_sealing_what_was_changed_is_refused_and_told(planned: Site) -> None:
    (out(planned) / "holes.csv").write_text("N1,0\n")
    phone = planned.joined()
    phone.post("/jobs/lot/seal", signed_off="Q")
    assert done(planned).state == "failed"
    text = phone.client.get("/jobs/lot/seal").text
    assert "Nothing was sealed:" in text
    assert "holes.csv is not as it was" in text
    assert "Nothing has been sealed yet" in phone.client.get("/as-built").text


def test_a_package_has_somebody_who_signs_it_off(site: Site) -> None:
    phone = site.joined()
    assert phone.post("/jobs/lot/seal", signed_off="Q").json()["key"] == "not_measured"
    measured(site, N1)
    assert phone.post("/jobs/lot/seal", signed_off=" \t").json()["key"] == "no_name"
    assert queue.tasks_of(site.store, "lot")[-1].kind != "seal"


def test_the_store_of_packages_is_no_job_and_no_job_takes_its_name(planned: Site) -> None:
    phone = planned.joined()
    phone.post("/jobs/lot/seal", signed_off="Q")
    done(planned)
    assert phone.client.get(f"/jobs/{AS_BUILT}").status_code == 404
    answer = phone.fill("/new", name="As built", run0_name="north", plate="2x6", layers="1", bolt="1/2 in")
    assert answer.headers["location"] == f"/jobs/{AS_BUILT}-2"


def test_measuring_again_leaves_decisions_where_they_are(site: Site) -> None:
    phone = site.joined()
    phone.photo(a_jpeg(1), "IMG_1.jpg")
    (out(site)).mkdir()
    (out(site) / DECISIONS_FILE).write_text("kept")
    phone.post("/jobs/lot/measure")
    task = done(site)
    assert (task.kind, task.state) == ("measure", "done"), task.said
    assert (out(site) / "survey.json").exists()
    assert (out(site) / DECISIONS_FILE).read_text() == "kept"


def test_a_store_of_the_version_before_keeps_its_devices(tmp_path: Path) -> None:
    store = open_page_store(tmp_path / "new")
    with reading(store) as connection:
        connection.execute("DROP TABLE device")
        connection.execute(_MIGRATIONS[0].split(";\n")[0])
        connection.execute("INSERT INTO device VALUES (7, 'a phone', 'hash', 0, 1.0)")
        connection.execute("PRAGMA user_version = 1")
    with reading(open_page_store(tmp_path / "new")) as connection:
        assert tuple(connection.execute("SELECT id, name, person FROM device").fetchone()) == (7, "a phone", "")
