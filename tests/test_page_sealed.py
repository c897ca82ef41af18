"""Sealed packages on the page: one opened, its photos and sheets, an audit of it, and the list searched."""

from __future__ import annotations

import io
import os
import re
from html import unescape
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from archive_jobs import SERIAL, a_job, let_write, make_manifests_again, sealed
from judge_runs import a_bolt
from page_site import Phone, Site, a_site
from sillwright.archive.store import Store, open_store
from sillwright.page.folder import AS_BUILT
from sillwright.survey import BoltRecord

HTML = {"accept": "text/html"}
N1, N2 = a_bolt("N1", 400.0, 70.0, 0.5), a_bolt("N2", 1200.0, 150.0, 0.5, status="check")


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return a_site(tmp_path / "site")


def seal(site: Site, name: str = "Lot 7, garage", bolts: tuple[BoltRecord, ...] = (N1, N2), **of_job: object) -> str:
    """Seal a small job in the site's store; the package's name."""
    job = a_job(site.folder.parent / f"job-{len(list(site.folder.parent.iterdir()))}", name, bolts=bolts, **of_job)
    _, made = sealed(site.folder / AS_BUILT, job, signed_off="Q. Checker")
    let_write(store(site))
    return made.name


def store(site: Site) -> Store:
    return open_store(site.folder / AS_BUILT)


def text_of(phone: Phone, path: str, **headers: str) -> str:
    return unescape(phone.client.get(path, headers={**HTML, **headers}).text)


def test_a_package_shows_its_job_its_bolts_photos_and_sheets(site: Site) -> None:
    name = seal(site)
    phone = site.joined()
    assert f'href="/as-built/{name}"' in phone.client.get("/as-built").text
    text = text_of(phone, f"/as-built/{name}")
    for said in ("Lot 7, garage", "Q. Checker", "2026-05-22", "Run north", "No plates were planned when this was"):
        assert said in text
    rows = dict(re.findall(r'<th scope="row">(N\d)</th>(.*?)</tr>', text, re.DOTALL))
    assert '2 3/4"' in rows["N1"]
    assert "70.0 ± 0.5 mm" in rows["N1"]
    assert "CHECK" in rows["N2"]
    assert "wants a word" in rows["N2"]
    for photo in (1, 2):
        assert f"/as-built/{name}/photos/{photo}.jpg" in text
        assert f'src="/as-built/{name}/small/{photo}.jpg"' in text
    assert f'href="/as-built/{name}/files/report.html"' in text


def test_a_photo_comes_out_smaller_and_without_what_the_phone_wrote_of_place_and_camera(site: Site) -> None:
    name = seal(site)
    original = store(site).package(name) / "data" / "job" / "IMG_1.jpg"
    assert SERIAL.encode() in original.read_bytes()
    phone = site.joined()
    phone.client.get("/as-built")  # the catalogue takes it in
    for kind in ("photos", "small"):
        answer = phone.client.get(f"/as-built/{name}/{kind}/1.jpg")
        assert (answer.status_code, answer.headers["content-type"]) == (200, "image/jpeg")
        assert SERIAL.encode() not in answer.content
        with Image.open(io.BytesIO(answer.content)) as picture:
            assert not picture.getexif()
            assert max(picture.size) <= 2000


def test_a_large_photo_is_made_smaller_and_turned_as_it_is_viewed(tmp_path: Path) -> None:
    from sillwright.page.pictures import smaller

    path = tmp_path / "a.jpg"
    exif = Image.Exif()
    exif[0x0112] = 6  # to be turned a quarter clockwise
    pixels = np.zeros((600, 900, 3), np.uint8)
    pixels[:, :450] = 255  # the left half is white, so the upper half when it is turned
    Image.fromarray(pixels).save(path, "JPEG", exif=exif)
    for longest in (300, 800):
        seen = cv2.imdecode(np.frombuffer(smaller(path, longest), np.uint8), cv2.IMREAD_GRAYSCALE)
        assert seen.shape == (longest, round(longest * 2 / 3))
        assert seen[longest // 4].min() > 240
        assert seen[-longest // 4].max() < 15


def test_the_report_is_opened_under_a_policy_that_runs_nothing(site: Site) -> None:
    name = seal(site)
    answer = site.joined().client.get(f"/as-built/{name}/files/report.html")
    assert answer.text == "<p>report</p>"
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "sandbox" in policy
    assert "script-src" not in policy
    assert "allow-" not in policy
    for file in ("survey.json", "job.toml"):
        answer = site.joined().client.get(f"/as-built/{name}/files/{file}")
        assert answer.headers["content-disposition"].startswith("attachment")
        assert answer.headers["content-type"] == "application/octet-stream"


@pytest.mark.parametrize(
    "path",
    [
        "files/../package.json", "files/..%2fpackage.json", "files/%2e%2e/%2e%2e/bagit.txt", "files//etc/passwd",
        "files/measure.sha256", "files/nothing.pdf", "files/", "files/report.html%00", "files/REPORT.HTML",
        "photos/0.jpg", "photos/3.jpg", "photos/-1.jpg", "photos/1e0.jpg", "photos/99999999999.jpg",
        "photos/%C2%B2.jpg",
        "small/9.jpg", "photos/x.jpg",
    ],
)  # fmt: skip
def test_nothing_but_the_packages_own_results_and_photos_is_given_out(site: Site, path: str) -> None:
    name = seal(site)
    answer = site.joined().client.get(f"/as-built/{name}/{path}", headers=HTML)
    assert answer.status_code in (303, 307, 404), answer.status_code
    assert "root:" not in answer.text
    assert "BagIt" not in answer.text


@pytest.mark.parametrize("name", ["%2e%2e", "nowhere", "lot-7%2f..", ".building-x", "Lot", "packages", "x" * 300])
def test_a_package_is_one_of_those_that_are_there(site: Site, name: str) -> None:
    seal(site)
    (store(site).packages / ".building-x").mkdir()
    for path in (f"/as-built/{name}", f"/as-built/{name}/files/report.html", f"/as-built/{name}/photos/1.jpg"):
        assert site.joined().client.get(path, headers=HTML).status_code in (303, 307, 404), path
    assert site.joined().post(f"/as-built/{name}/audit").status_code in (404, 405)


def test_what_was_changed_since_is_not_shown_and_the_page_says_so(site: Site) -> None:
    name = seal(site)
    phone = site.joined()
    folder = store(site).package(name) / "data"
    assert phone.client.get("/as-built").status_code == 200  # the catalogue holds it, as it was
    survey = folder / "results" / "survey.json"
    kept = survey.read_bytes()
    survey.write_bytes(kept.replace(b"70.0", b"60.0"))
    answer = phone.client.get(f"/as-built/{name}", headers=HTML)
    assert answer.status_code == 409
    assert "results/survey.json is not as it was sealed" in answer.text
    assert "N1" not in answer.text
    assert str(site.folder) not in answer.text
    survey.write_bytes(kept)
    for inside, path in (
        ("results/report.html", "files/report.html"),
        ("job/IMG_1.jpg", "photos/1.jpg"),
    ):
        (folder / inside).write_bytes((folder / inside).read_bytes() + b" ")
        answer = phone.client.get(f"/as-built/{name}/{path}")
        assert (answer.status_code, answer.json()["key"]) == (409, "package")
        assert "not as it was sealed" in answer.json()["title"]


def test_a_package_made_to_do_harm_is_refused_with_a_sentence(site: Site) -> None:
    name = seal(site)
    folder = store(site).package(name)
    (folder / "data" / "results" / "link.html").symlink_to("/etc/passwd")
    phone = site.joined()
    answer = phone.client.get(f"/as-built/{name}", headers=HTML)
    assert answer.status_code == 409
    assert "is not safe to read" in answer.text
    for path in ("files/report.html", "files/link.html", "photos/1.jpg"):
        assert phone.client.get(f"/as-built/{name}/{path}").json()["key"] == "package"
    text = unescape(phone.post(f"/as-built/{name}/audit").text)
    assert "Not everything is as it was sealed" in text
    assert "not safe to read" in text


def test_a_manifest_that_leads_out_of_the_package_opens_nothing(site: Site) -> None:
    name = seal(site)
    folder = store(site).package(name)
    (site.folder / "secret.html").write_text("secret")
    path = folder / "manifest-sha256.txt"
    path.write_text(path.read_text() + f"{'0' * 64}  data/results/../../../../../secret.html\n")
    answer = site.joined().client.get(f"/as-built/{name}/files/../../../../../secret.html")
    assert "secret" not in answer.text
    assert "leads out" in unescape(site.joined().client.get(f"/as-built/{name}", headers=HTML).text)


def test_a_record_out_of_its_mind_is_told_and_names_are_text(site: Site) -> None:
    name = seal(site)
    record = store(site).package(name) / "data" / "package.json"
    record.write_text(record.read_text().replace("Lot 7, garage", "<script>alert(1)</script>"))
    make_manifests_again(store(site).package(name))
    text = site.joined().client.get(f"/as-built/{name}", headers=HTML).text
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert" in text
    record.write_text("[]")
    make_manifests_again(store(site).package(name))
    answer = site.joined().client.get(f"/as-built/{name}", headers=HTML)
    assert answer.status_code == 409
    assert "cannot be read as the record of a package" in answer.text


def test_an_audit_on_request_reads_every_byte_and_holds_it_against_the_log(site: Site) -> None:
    name, other = seal(site), seal(site, "Lot 8", shade=20)
    phone = site.joined()
    text = unescape(phone.post(f"/as-built/{name}/audit").text)
    assert "Every file is as it was sealed" in text
    assert "1 package, 0 with faults. The log has 2 entries" in text
    photo = store(site).package(name) / "data" / "job" / "IMG_2.jpg"
    photo.write_bytes(photo.read_bytes()[:-1])
    text = unescape(phone.post(f"/as-built/{name}/audit").text)
    assert "Not everything is as it was sealed" in text
    assert f"{name}/data/job/IMG_2.jpg: changed" in text
    make_manifests_again(store(site).package(name))
    text = unescape(phone.post(f"/as-built/{name}/audit").text)
    assert "not as the log has it" in text
    assert "Every file is as it was sealed" in unescape(phone.post(f"/as-built/{other}/audit").text)
    assert not store(site).audit.exists()  # no notes, by which an audit of all would go


def test_an_audit_wants_the_devices_form_token(site: Site) -> None:
    name = seal(site)
    assert site.joined().client.post(f"/as-built/{name}/audit").status_code == 403


def test_the_list_is_searched_by_job_lot_run_day_status_and_numbers(site: Site) -> None:
    garage = seal(site)
    shed = seal(site, "Shed", (a_bolt("S1", 300.0, 60.0, 0.5),), shade=20)
    phone = site.joined()

    def found(**asked: str) -> set[str]:
        text = phone.client.get("/as-built", params=asked).text
        return {name for name in (garage, shed) if f'href="/as-built/{name}"' in text}

    assert found() == {garage, shed}
    assert found(job="GARAGE") == {garage}
    assert found(lot="lot 7") == {garage}
    assert found(run="North") == {garage, shed}
    assert found(run="east") == set()
    assert found(since="2026-05-22", until="2026-05-22") == {garage, shed}
    assert found(until="2026-05-21") == set()
    assert found(status="check") == {garage}
    assert found(setback_over='5 1/2"') == {garage}
    assert found(setback_over="160 mm") == set()
    assert found(lean_over="0", job="shed") == set()
    assert found(rule="spacing") == set()
    text = unescape(phone.client.get("/as-built", params={"setback_over": "5 1/2 in"}).text)
    assert "N2" in text
    assert '5 29/32" ±' in text or '5 7/8" ±' in text
    assert "N1" not in text
    assert "Nothing sealed is like that" in phone.client.get("/as-built", params={"run": "east"}).text


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"setback_over": "5 1/2"}, "has no unit"),
        ({"setback_over": "-1 in"}, "is negative"),
        ({"setback_over": "<b>"}, "is not a length"),
        ({"lean_over": "nan"}, "Write a number of degrees"),
        ({"lean_over": "91"}, "Write a number of degrees"),
        ({"since": "22.5.2026"}, "Write the day as year"),
        ({"since": "2026-05-22", "until": "2026-05-21"}, "Exchange the two"),
        ({"status": "ok' OR 1=1 --"}, "Choose one of the list"),
        ({"rule": "x"}, "Choose one of the list"),
    ],
)
def test_what_is_not_understood_is_told_beside_its_field_and_kept_as_typed(
    site: Site, asked: dict[str, str], says: str
) -> None:
    name = seal(site)
    answer = site.joined().client.get("/as-built", params=asked, headers=HTML)
    text = unescape(answer.text)
    field = list(asked)[-1]
    assert answer.status_code == 422
    assert says in text[text.index(f'name="{field}"') :]
    assert f'id="wrong-{field}"' in answer.text
    assert f"/as-built/{name}" not in text
    if field not in ("status", "rule"):
        assert f'value="{asked[field]}"' in text
    assert "<b>" not in answer.text[answer.text.index("</summary>") : answer.text.index("</form>", 2000)]


def test_a_search_of_strange_text_finds_nothing_and_breaks_nothing(site: Site) -> None:
    seal(site)
    for asked in ("%", "'; DROP TABLE package; --", "\x00", "é" * 5000, "<script>alert(1)</script>"):
        answer = site.joined().client.get("/as-built", params={"job": asked}, headers=HTML)
        assert answer.status_code == 200
        assert "Nothing sealed is like that" in answer.text
        assert "<script>alert" not in answer.text


def test_a_pipe_in_place_of_a_photo_does_not_hang_the_page(site: Site) -> None:
    name = seal(site)
    photo = store(site).package(name) / "data" / "job" / "IMG_1.jpg"
    photo.unlink()
    os.mkfifo(photo)
    answer = site.joined().client.get(f"/as-built/{name}/photos/1.jpg")
    assert answer.json()["key"] == "package"


def test_the_page_of_a_package_speaks_spanish(site: Site) -> None:
    name = seal(site)
    text = text_of(site.joined(), f"/as-built/{name}", **{"accept-language": "es"})
    assert "Auditar este paquete" in text
    assert "Tramo north" in text
