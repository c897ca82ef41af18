"""Who gets an answer from the jobsite page, and what every answer forbids a browser to do."""

from __future__ import annotations

import re
import socket
from pathlib import Path

import pytest
from starlette.routing import Route

from page_site import BASE, NORTH, Phone, Site, a_jpeg, a_site
from sillwright.page.devices import CODE_LASTS_S, MOST_CODES, device_of, join, new_code
from sillwright.page.refusal import Refusal
from sillwright.page.safety import COOKIE, Bucket, host_is_ours
from sillwright.page.serve import _listener


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return a_site(tmp_path)


def addresses(site: Site) -> list[tuple[str, str]]:
    """(method, address) of every route, filled with what is there."""
    photo = site.joined().photo(a_jpeg(1)).json()
    assert photo["photo"]
    values = {"job": "lot", "place": "1-north", "upload": "0" * 32, "sha256": "0" * 64, "name": "page.js", "code": "x"}
    values["photo"] = photo["photo"]
    values |= {"number": "1", "file": "report.html"}
    found = []
    for route in site.app.routes:
        assert isinstance(route, Route)
        path = re.sub(r"\{(\w+)(?::path)?\}", lambda name: values[name[1]], route.path)
        found += [(method, path) for method in sorted(route.methods or ())]
    return found


def test_without_a_token_nothing_answers_but_the_join_page_and_its_style(site: Site) -> None:
    stranger = site.stranger()
    for method, path in addresses(site):
        answer = stranger.request(method, path)
        if path.startswith("/join") and path != "/joined":
            continue
        assert answer.status_code == 401, (method, path)
        assert answer.text in ("", "Join first: scan the code on the laptop.")
        shown = stranger.request(method, path, headers={"accept": "text/html"})
        assert shown.status_code in (401, 303)
    assert stranger.get("/static/page.css").status_code == 200
    for path in ("/static/page.js", "/static/../app.py", "/.sillwright-page/page.sqlite", "/lot/job.toml", "/nowhere"):
        assert stranger.get(path).status_code == 401


def test_the_join_page_tells_nothing_of_the_jobs(site: Site) -> None:
    text = site.stranger().get("/join").text
    assert "Lot 9" not in text
    assert "lot" not in re.sub(r"<[^>]*>", "", text).lower().split()


def test_what_changes_something_wants_the_devices_own_form_token(site: Site) -> None:
    phone, other = site.joined(), site.joined()
    for method, path in addresses(site):
        if method in ("GET", "HEAD") or path.startswith("/join"):
            continue
        for token in ("", "0" * 64, other.form_token):
            headers = {"x-sillwright-form": token} if token else {}
            answer = phone.client.request(method, path, headers=headers)
            assert (answer.status_code, answer.json()["key"]) == (403, "form_token"), (method, path)
    assert phone.client.post(f"/new?form={other.form_token}", data={"name": "x"}).status_code == 403
    assert phone.client.post(f"{NORTH}/photos?form={other.form_token}").status_code == 403
    assert [path.name for path in site.folder.iterdir() if not path.name.startswith(".")] == ["lot"]


def test_a_form_from_another_page_is_refused(site: Site) -> None:
    phone = site.joined()
    fields = {"form_token": phone.form_token}
    for origin in ("http://evil.example", "null", "http://127.0.0.1:9", "https://127.0.0.1:8080"):
        assert phone.client.post("/jobs/lot/measure", data=fields, headers={"origin": origin}).status_code == 403
        assert site.stranger().post("/join", data={"code": "x"}, headers={"origin": origin}).status_code == 403
    assert phone.client.post("/jobs/lot/measure", data=fields, headers={"origin": BASE}).status_code == 409  # no photos


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8080", "127.0.0.1.evil.example", "a@127.0.0.1", "", "[::1"]
)
def test_another_host_name_is_not_answered(site: Site, host: str) -> None:
    for client in (site.stranger(), site.joined().client):
        assert client.get("/join", headers={"host": host}).status_code == 421


@pytest.mark.parametrize(
    "host", ["127.0.0.1:8080", "192.168.1.4:8080", "[fe80::1]:8080", "localhost:8080", "LOCALHOST"]
)
def test_addresses_and_the_machines_own_name_are(host: str) -> None:
    assert host_is_ours(host, frozenset())
    assert host_is_ours("truck.local:80", frozenset({"truck.local"}))


def test_every_answer_forbids_scripts_of_others_frames_and_guessed_types(site: Site) -> None:
    phone = site.joined()
    for answer in (
        phone.client.get("/"),
        site.stranger().get("/"),
        phone.client.get("/nowhere"),
        phone.client.get("/static/page.js"),
    ):
        policy = dict(part.strip().split(" ", 1) for part in answer.headers["content-security-policy"].split(";"))
        assert policy["default-src"] == "'none'"
        assert policy["script-src"] == policy["style-src"] == "'self'"
        assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] in ("same-origin", "no-referrer")


def test_no_page_has_a_script_or_style_in_it(site: Site) -> None:
    phone = site.joined(laptop=True)
    phone.photo(a_jpeg(1))
    for path in ("/", "/new", "/jobs/lot", NORTH, "/join", "/nowhere"):
        text = phone.client.get(path, headers={"accept": "text/html"}).text
        assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:|<script(?! src=\"/static/)", text), path
        assert not re.search(r"(src|href|action)=\"(?!/|#)", text), path


def test_names_are_shown_as_text(site: Site) -> None:
    (site.folder / "lot" / "job.toml").write_text(
        'name = "<script>alert(1)</script>"\n[[run]]\nname = "a\\"><img src=x>"\nphotos = ["north/*"]\n'
    )
    phone = site.joined()
    for path in ("/", "/jobs/lot"):
        text = phone.client.get(path, headers={"accept": "text/html"}).text
        assert "<script>alert" not in text
        assert "<img src=x>" not in text


def test_a_code_lets_one_device_in_once(site: Site) -> None:
    code = new_code(site.store, site.clock())
    assert site.stranger().post("/join", data={"code": code}).status_code == 303
    assert site.stranger().post("/join", data={"code": code}).status_code == 403


def test_opening_the_link_does_not_use_the_code_up(site: Site) -> None:
    code = new_code(site.store, site.clock())
    client = site.stranger()
    for _ in range(3):
        assert code in client.get(f"/join/{code}").text
    assert client.post("/join", data={"code": code}).status_code == 303


def test_a_code_is_too_old_after_ten_minutes_and_few_are_open(site: Site) -> None:
    code = new_code(site.store, site.clock())
    site.clock.now_s += CODE_LASTS_S + 1
    with pytest.raises(Refusal):
        join(site.store, code, "", site.clock())
    first = new_code(site.store, site.clock())
    for step in range(MOST_CODES):
        new_code(site.store, site.clock() + 1 + step)
    with pytest.raises(Refusal):
        join(site.store, first, "", site.clock())


def test_a_code_may_be_typed_carelessly(site: Site) -> None:
    code = new_code(site.store, site.clock())
    typed = code.lower().replace("-", " ").replace("0", "o").replace("1", "l")
    assert site.stranger().post("/join", data={"code": typed}).status_code == 303


def test_the_token_is_a_cookie_no_script_reads_and_is_nowhere_on_disk(site: Site) -> None:
    code = new_code(site.store, site.clock())
    answer = site.stranger().post("/join", data={"code": code})
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    token = answer.cookies[COOKIE]
    assert device_of(site.store, token) is not None
    held = b"".join(path.read_bytes() for path in site.store.file.parent.glob("page.sqlite*"))
    assert token.encode() not in held
    assert code.replace("-", "").encode() not in held
    assert site.store.file.stat().st_mode & 0o077 == 0


def test_only_the_laptop_shows_codes(site: Site) -> None:
    laptop, phone = site.joined(laptop=True), site.joined()
    assert "/join/" in laptop.client.get("/").text
    assert "/join/" not in phone.client.get("/").text.replace("/join/language", "")
    assert phone.client.get("/joined").status_code == 403


def test_codes_cannot_be_tried_in_numbers(tmp_path: Path) -> None:
    now = [0.0]
    site = a_site(tmp_path, joins=Bucket(10, 1 / 6, clock=lambda: now[0]))
    client = site.stranger()
    tried = [client.post("/join", data={"code": f"{n:012d}"}).status_code for n in range(30)]
    assert tried == [403] * 10 + [429] * 20
    now[0] += 6.1
    assert client.post("/join", data={"code": "x"}).status_code == 403
    assert client.post("/join", data={"code": "x"}).status_code == 429


def test_no_one_asks_without_end(tmp_path: Path) -> None:
    now = [0.0]
    site = a_site(tmp_path, requests=Bucket(50, 10, clock=lambda: now[0]))
    client = site.stranger()
    statuses = [client.get("/join").status_code for _ in range(60)]
    assert statuses == [200] * 50 + [429] * 10
    now[0] += 1.0
    assert [client.get("/join").status_code for _ in range(12)] == [200] * 10 + [429] * 2


def test_a_form_larger_than_any_is_not_read(site: Site) -> None:
    phone: Phone = site.joined()
    answer = phone.client.post("/jobs/lot/measure", data={"form_token": phone.form_token, "name": "x" * 200_000})
    assert answer.status_code == 413
    assert phone.fill("/new", name="x" * 2_000_000).status_code == 413


def test_going_back_after_a_change_of_language_stays_on_this_page(site: Site) -> None:
    for here in ("//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)"):
        answer = site.stranger().post("/join/language", data={"here": here, "language": "es"})
        assert answer.headers["location"] == "/"
    assert site.stranger().post("/join/language", data={"here": "/new", "language": "es"}).headers["location"] == "/new"


def test_small_answers_are_not_held_back() -> None:
    """asyncio turns Nagle's algorithm (RFC 896) off only on sockets that say they are TCP."""
    listener = _listener("127.0.0.1", 0)
    try:
        assert listener.proto == socket.IPPROTO_TCP
    finally:
        listener.close()
