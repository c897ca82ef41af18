"""The form for a new job and for one that is there: what is typed becomes a job file, and nothing of it is lost."""

from __future__ import annotations

import re
import tomllib
from html import unescape
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archive_jobs import a_profile
from page_site import NORTH, Phone, Site, a_jpeg, a_site
from sillwright.job import load_job
from sillwright.job_file import check_document, read_job_file
from sillwright.page import queue
from sillwright.page.job_form import build, cards_in, typed_of
from sillwright.profile import write_profile
from sillwright.toml_text import toml_text

DEMO = Path(__file__).resolve().parents[1] / "demo_images" / "lot12" / "job.toml"
HTML = {"accept": "text/html"}
WHOLE = {"name": "Lot 7", "plate": "2x6", "layers": "1", "bolt": "1/2 in", "run0_name": "north"}


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return a_site(tmp_path)


def fields_of(text: str) -> dict[str, str]:
    """What the form would send: every field, and the option that is picked of each choice."""
    found = dict(re.findall(r'<input (?:type="hidden" )?name="(\w+)" value="([^"]*)"', text))
    for name, options in re.findall(r'<select name="(\w+)"[^>]*>(.*?)</select>', text, re.DOTALL):
        values = re.findall(r'<option value="([^"]*)"( selected)?>', options)
        found[name] = next((value for value, picked in values if picked), values[0][0])
    return {name: unescape(value) for name, value in found.items() if name not in ("here", "form_token")}


def edited(phone: Phone, **changes: str) -> object:
    """Load the form of the job, change some fields, and send it."""
    fields = fields_of(phone.client.get("/jobs/lot/edit").text)
    return phone.fill("/jobs/lot/edit", **{**fields, **changes})


def job_file(site: Site) -> Path:
    return site.folder / "lot" / "job.toml"


def test_a_new_job_is_a_job_file_the_commands_read(site: Site) -> None:
    phone = site.joined()
    fields = {"name": 'Lot "7", \\ é', "plate": "2x4", "layers": "2", "bolt": "5/8 in", "run0_line": "inside"}
    answer = phone.fill("/new", **fields, run0_name="north", run1_name="out", run2_name="North", run2_line="inside")
    assert answer.status_code == 303, answer.text
    folder = site.folder / answer.headers["location"].rsplit("/", 1)[1]
    phone.photo(a_jpeg(1), place=f"{answer.headers['location']}/1-north")
    phone.photo(a_jpeg(2), place=f"{answer.headers['location']}/2-out")
    job = load_job(folder / "job.toml", only_with_photos=True)
    assert (job.name, job.plate_layers, job.bolt.name) == ('Lot "7", \\ é', 2, "5/8-11 UNC")
    assert [(run.name, run.line_marks) for run in job.runs] == [("north", "inside"), ("out", "outside")]
    assert {photo.parent.name for photo in job.photos} == {"north", "out-photos"}
    assert len({run.photos for run in read_job_file(folder / "job.toml").run}) == 3


def test_lengths_cards_tapes_ends_and_corners_are_typed_as_on_site(site: Site) -> None:
    answer = site.joined().fill(
        "/new", **WHOLE, run1_name="east", stickup='3 1/4"', thickness="3 mm", check_length="9 7/16 in",
        run0_cards="1-4, 6", run1_cards="7 to 8", run0_tape0_from="1", run0_tape0_to="6", run0_tape0_length="7' 3\"",
        run0_begins="wall_end", run0_begins_at="-1 ft", run0_ends="corner1", run1_begins="corner0",
        run1_ends="station", run1_ends_at="4' 9\"", corner0_first="0", corner0_second="1", corner0_joint="mitre",
        stock="8 ft, 12 ft", hole_over="1/8 in", shim_at_most="3/8 in",
    )  # fmt: skip
    assert answer.status_code == 303, answer.text
    table = read_job_file(site.folder / "lot-7" / "job.toml")
    north, east = table.run
    assert (table.bolts.stickup_mm, table.cards.thickness_mm) == (82.55, 3.0)
    assert table.cards.check_length_mm == pytest.approx(239.7, abs=0.02)
    assert (north.cards, east.cards) == ((1, 2, 3, 4, 6), (7, 8))
    assert [(tape.from_card, tape.to_card, tape.length_mm) for tape in north.tape] == [(1, 6, 2209.8)]
    assert north.begins.wall_end_mm == -304.8
    assert (north.ends.corner, east.begins.corner) == ("east", "north")
    assert east.ends.station_mm == pytest.approx(1447.8)
    (corner,) = table.corner
    assert (corner.runs, corner.joint, corner.photos) == (("north", "east"), "mitre", ("corner-north-east/*",))
    assert table.layout.stock_mm == (2438.4, 3657.6)


def test_the_demos_job_can_be_set_up_through_the_form(site: Site) -> None:
    """All but its level readings, which are a file of their own."""
    demo = tomllib.loads(DEMO.read_text())
    typed = {name: value for name, value in typed_of(demo).items() if not name.endswith("_was")}
    write_profile(a_profile(), site.folder / "profiles" / "demo-phone.json")
    typed["profile"] = "../profiles/demo-phone.json"
    answer = site.joined().fill("/new", **typed)
    assert answer.status_code == 303, answer.text
    made = read_job_file(site.folder / "lot-12-garage" / "job.toml")
    wanted = check_document(demo, DEMO)
    assert made.plate == wanted.plate
    assert made.layout == wanted.layout
    for one, other in zip(made.run, wanted.run, strict=True):
        assert (one.name, one.cards, one.tape, one.line_marks) == (
            other.name,
            other.cards,
            other.tape,
            other.line_marks,
        )
        assert (one.begins, one.ends) == (other.begins, other.ends)
    assert [(one.runs, one.joint) for one in made.corner] == [(one.runs, one.joint) for one in wanted.corner]


@pytest.mark.parametrize(
    ("fields", "name", "says"),
    [
        ({"name": ""}, "name", "is empty"),
        ({"run0_name": ""}, "run0_name", "Give one run a name"),
        ({"run1_name": "north"}, "run0_name|", "two runs are named"),
        ({"plate": "9x9"}, "plate", "must be one of 2x4"),
        ({"plate": "other"}, "plate_width", "Write the plate"),
        ({"plate": "other", "plate_width": "5 1/2"}, "plate_width", "has no unit"),
        ({"layers": "9"}, "layers", "layers"),
        ({"bolt": "elephant"}, "bolt", "diameter"),
        ({"run0_line": "both"}, "run0_line", "line_marks"),
        ({"stickup": "3 in 1/4"}, "stickup", "is not a length"),
        ({"thickness": "3 ft"}, "thickness", "must be at most"),
        ({"check_length": "240"}, "check_length", "has no unit"),
        ({"run0_cards": "1-25"}, "run0_cards", "1 to 20"),
        ({"run0_cards": "5-1"}, "run0_cards", "1 to 20"),
        ({"run0_cards": "one"}, "run0_cards", "1 to 20"),
        ({"run0_tape0_from": "1", "run0_tape0_to": "2"}, "run0_tape0_length", "what the tape says"),
        ({"run0_tape0_length": "3 ft", "run0_tape0_to": "2"}, "run0_tape0_from", "number of one card"),
        ({"run0_tape0_from": "1", "run0_tape0_to": "2", "run0_tape0_length": "3 in"}, "run0_tape0_length", "at least"),
        ({"run1_cards": "1, 2"}, "run1_name", "Give this run a name"),
        ({"run0_tape0_from": "1", "run0_tape0_to": "1", "run0_tape0_length": "3 ft"}, "run0_name", "to itself"),
        ({"run0_begins": "station"}, "run0_begins_at", "is not a length"),
        ({"run0_begins_at": "3 ft"}, "run0_begins", "Choose what is at this station"),
        ({"run0_begins": "corner7"}, "run0_begins", "Choose a run of this job"),
        ({"run0_begins": "corner0"}, "run0_name", "names the run itself"),
        ({"corner0_first": "0"}, "corner0_second", "Choose a run of this job"),
        ({"corner0_first": "0", "corner0_second": "0"}, "", "twice"),
        ({"corner0_first": "0", "corner0_second": "x", "corner0_joint": "glue"}, "corner0_second", "Choose a run"),
        ({"stock": "8, 10"}, "stock", "has no unit"),
        ({"hole_over": "<b>1 in</b>"}, "hole_over", "is not a length"),
        ({"profile": "../../../etc/passwd"}, "profile", "Choose one of the list"),
        ({"run1_cards": "1", "run1_name": "x", "run0_cards": "1"}, "", "listed twice"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_beside_its_field_and_nothing_typed_is_lost(
    site: Site, fields: dict[str, str], name: str, says: str
) -> None:
    more = {"run5_name": "x", "run5_tape3_length": "a b c", "run5_begins_at": "<i>"}
    sent = {
        **WHOLE,
        **(more if name and not name.endswith("|") and "itself" not in says and "run0_name" not in fields else {}),
        **fields,
    }
    answer = site.joined().fill("/new", **sent)
    text = answer.text
    assert answer.status_code == 422
    where = name.rstrip("|")
    if where and not name.endswith("|"):
        beside = re.search(rf'name="{where}".*?</label>', text, re.DOTALL)
        assert beside is not None
        assert says in unescape(beside[0])
        assert f'aria-describedby="wrong-{where}"' in beside[0]
    assert says in unescape(text)
    shown = fields_of(text)
    for field, value in sent.items():
        if not re.fullmatch(r"plate|layers|bolt|profile|\w+_(line|joint|first|second|begins|ends)", field):
            assert shown[field] == value, field
    assert "<b>1 in" not in text
    assert [path.name for path in site.folder.iterdir() if not path.name.startswith(".")] == ["lot"]


def test_editing_shows_what_the_file_says_and_saving_it_unchanged_writes_nothing(site: Site) -> None:
    text = DEMO.read_text().replace("../../calibration/", "")
    job_file(site).write_text(text)
    phone = site.joined()
    fields = fields_of(phone.client.get("/jobs/lot/edit").text)
    assert fields["run0_tape0_length"] == "13 ft 7 7/16 in"
    assert (fields["run0_cards"], fields["run1_cards"]) == ("1-6", "7, 8")
    assert (fields["profile"], fields["stock"]) == ("demo-phone.json", "8 ft, 10 ft, 12 ft")
    assert edited(phone).status_code == 303
    assert job_file(site).read_text() == text
    assert not (site.folder / "lot" / "job-before.toml").exists()


def test_what_the_form_does_not_offer_stays_and_the_earlier_file_is_kept(site: Site) -> None:
    text = DEMO.read_text().replace("../../calibration/", "") + (
        '\n[outline]\n[[outline.wall]]\nrun = "north"\nlength = "20 ft"\n'
        '[[outline.wall]]\nrun = "east"\nlength = "9 ft"\n[[outline.wall]]\nrun = "north"\nlength = "22 ft"\n'
    )
    job_file(site).write_text(text)
    assert edited(site.joined(), run0_name="long wall", run0_tape0_length="13' 7\"").status_code == 303
    assert (site.folder / "lot" / "job-before.toml").read_text() == text
    before, after = check_document(tomllib.loads(text), DEMO), read_job_file(job_file(site))
    assert after.layout == before.layout
    assert [run.levels for run in after.run] == [run.levels for run in before.run]
    assert [run.photos for run in after.run] == [run.photos for run in before.run]
    assert after.run[0].tape[0].length_mm == pytest.approx(4140.2)
    assert [wall.run for wall in after.outline.wall] == ["long wall", "east", "long wall"]
    assert after.corner[0].runs == ("long wall", "east")
    assert after.corner[0].photos == before.corner[0].photos
    assert after.run[1].begins.corner == "long wall"


def test_a_run_is_taken_out_and_another_added(site: Site) -> None:
    phone = site.joined()
    assert edited(phone, run0_name="", run2_name="North", run2_cards="1, 2").status_code == 303
    table = read_job_file(job_file(site))
    assert [(run.name, run.photos) for run in table.run] == [("east", ("east/*.jpg",)), ("North", ("North-2/*",))]


def test_numbers_are_told_to_be_of_another_job_file_after_an_edit(site: Site) -> None:
    from page_site import measured
    from plate_jobs import bolts

    measured(site, *bolts("N", (0.0, 1000.0)))
    phone = site.joined()
    warning = "have changed since these numbers were measured"
    assert warning not in phone.client.get(f"{NORTH}/results").text
    edited(phone, run0_tape0_from="1", run0_tape0_to="2", run0_tape0_length="3 ft")
    assert warning in phone.client.get(f"{NORTH}/results").text


def test_of_two_who_edit_at_once_the_second_is_told_and_keeps_what_was_typed(site: Site) -> None:
    phone, other = site.joined(), site.joined()
    fields = fields_of(phone.client.get("/jobs/lot/edit").text)
    assert edited(other, name="Theirs").status_code == 303
    answer = phone.fill("/jobs/lot/edit", **{**fields, "name": "Mine"})
    assert answer.status_code == 422
    assert "Somebody changed job.toml" in answer.text
    assert read_job_file(job_file(site)).name == "Theirs"
    again = fields_of(answer.text)
    assert again["name"] == "Mine"
    assert phone.fill("/jobs/lot/edit", **again).status_code == 303
    assert read_job_file(job_file(site)).name == "Mine"


def test_a_job_that_is_measured_now_is_not_changed(site: Site) -> None:
    phone = site.joined()
    phone.photo(a_jpeg(1))
    phone.post("/jobs/lot/measure")
    queue.take(site.store, ("measure",), 1)
    assert edited(phone, name="Other").json()["key"] == "at_work"
    assert read_job_file(job_file(site)).name == "Lot 9"


def test_a_job_file_that_cannot_be_used_is_not_edited_here(site: Site) -> None:
    job_file(site).write_text("name = 5\n")
    phone = site.joined()
    assert phone.client.get("/jobs/lot/edit").json()["key"] == "job_file"
    assert "/edit" not in phone.client.get("/jobs/lot").text


def test_a_profile_that_is_sent_is_kept_and_chosen_even_where_something_else_is_wrong(site: Site) -> None:
    phone = site.joined()
    write_profile(a_profile(), site.folder.parent / "phone.json")
    content = (site.folder.parent / "phone.json").read_bytes()
    files = {"profile_file": ("../../evil.json", content, "application/json")}
    answer = phone.client.post(f"/new?form={phone.form_token}", data={**WHOLE, "name": ""}, files=files)
    assert answer.status_code == 422
    (kept,) = (site.folder / "profiles").iterdir()
    assert (kept.name, kept.read_bytes()) == ("phone-p1-26-mm.json", content)
    assert fields_of(answer.text)["profile"] == "../profiles/phone-p1-26-mm.json"
    answer = phone.client.post(f"/new?form={phone.form_token}", data=WHOLE, files=files)
    assert answer.status_code == 303
    assert len(list((site.folder / "profiles").iterdir())) == 1
    phone.photo(a_jpeg(1), place="/jobs/lot-7/1-north")
    job = load_job(site.folder / "lot-7" / "job.toml")
    assert job.profile_path.read_bytes() == content
    assert "Phone P1 26 mm" in phone.client.get("/new").text


@pytest.mark.parametrize("content", [b"", b"{}", b"[" * 100_000, b"\xff\xd8 a photo", b"x" * 1_100_000])
def test_a_file_that_is_no_profile_is_told_and_not_kept(site: Site, content: bytes) -> None:
    phone = site.joined()
    files = {"profile_file": ("phone.json", content, "application/json")}
    answer = phone.client.post(f"/new?form={phone.form_token}", data=WHOLE, files=files)
    assert answer.status_code == 422
    assert "is no phone profile" in answer.text
    assert not (site.folder / "profiles").exists()
    assert not (site.folder / "lot-7").exists()


@pytest.mark.parametrize(
    ("text", "cards"),
    [
        ("", []), ("1", [1]), ("1, 2 ,5", [1, 2, 5]), ("1-4", [1, 2, 3, 4]), ("1 to 3; 7", [1, 2, 3, 7]),
        ("1 and 2", [1, 2]), ("1 a 3", [1, 2, 3]), ("2, 2", [2]), ("0", None), ("21", None), ("1.5", None),
        ("-1", None), ("1,,2", None), ("²", None), ("9" * 300, None),
    ],
)  # fmt: skip
def test_card_numbers_are_read_as_people_write_them(text: str, cards: list[int] | None) -> None:
    assert cards_in(text) == cards


_TEXT = st.text(max_size=8)
_KEYS = st.text(min_size=1, max_size=6)
_VALUES = st.one_of(_TEXT, st.integers(-1000, 1000), st.booleans(), st.floats(allow_nan=False, allow_infinity=False))
_TABLES = st.recursive(
    st.dictionaries(_KEYS, st.one_of(_VALUES, st.lists(_VALUES, max_size=3)), max_size=3),
    lambda inner: st.dictionaries(
        _KEYS, st.one_of(_VALUES, inner, st.lists(inner, min_size=1, max_size=3)), max_size=3
    ),
    max_leaves=8,
)


@given(_TABLES)
def test_what_is_written_as_toml_reads_back_the_same(document: dict[str, object]) -> None:
    text = toml_text(document)
    text.encode()
    assert tomllib.loads(text) == document


def test_the_demos_file_reads_back_as_what_is_typed_for_it() -> None:
    demo = tomllib.loads(DEMO.read_text())
    assert build(typed_of(demo), demo).document == demo
    assert build(typed_of(demo), demo).faults == {}
