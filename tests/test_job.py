"""job.toml: what it says in millimetres, and a sentence for every fault in it."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sillwright.errors import JobError
from sillwright.job import Job, Tape, job_from_photos, load_job
from sillwright.job_file import check_document
from sillwright.job_photos import natural_key

EXAMPLE = """
name = "Lot 7"

[plate]
size = "2x6"
layers = 2

[bolts]
diameter = "1/2 in"
stickup = "3 1/4 in"

[cards]
thickness = "3 mm"
check_length = "9 7/16 in"

[camera]
profile = "phone-a.json"

[[run]]
name = "north"
photos = ["north/*.jpg"]
cards = [1, 2, 3, 4, 5]
line_marks = "outside"

[[run.tape]]
from_card = 1
to_card = 5
length = "13 ft 2 5/16 in"

[[run]]
name = "east"
photos = ["east/*.jpg"]
cards = [6, 7]
line_marks = "inside"

[[corner]]
runs = ["north", "east"]
photos = ["corner-ne/*.jpg"]
"""
SHORT = 'name = "Lot 7"\n[[run]]\nname = "north"\nphotos = ["north/*.jpg"]\n'


@pytest.fixture
def site(tmp_path: Path) -> Path:
    for name in ("north/2.jpg", "north/10.jpg", "north/1.jpg", "east/1.jpg", "corner-ne/1.jpg", "phone-a.json"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    return tmp_path


def load(site: Path, text: str) -> Job:
    (site / "job.toml").write_text(text, encoding="utf-8")
    return load_job(site / "job.toml")


def faults(site: Path, text: str) -> list[str]:
    with pytest.raises(JobError) as caught:
        load(site, text)
    return str(caught.value).splitlines()


def test_the_published_example_is_read_into_millimetres(site: Path) -> None:
    job = load(site, EXAMPLE)
    assert (job.name, job.folder, job.plate_layers) == ("Lot 7", site.resolve(), 2)
    assert job.plate_width_mm == pytest.approx(139.7)
    assert (job.bolt.name, job.stickup_mm) == ("1/2-13 UNC", pytest.approx(82.55))
    assert job.card_thickness_mm == 3.0
    assert job.check_length_mm == pytest.approx(9.4375 * 25.4)
    assert job.profile_path == site.resolve() / "phone-a.json"
    north, east = job.runs
    assert (north.cards, north.line_marks, east.line_marks) == ((1, 2, 3, 4, 5), "outside", "inside")
    assert north.tape == (Tape(1, 5, pytest.approx((13 * 12 + 2 + 5 / 16) * 25.4)),)
    assert [job.file_name(photo) for photo in north.photos] == ["north/1.jpg", "north/2.jpg", "north/10.jpg"]
    assert job.corners[0].runs == ("north", "east")
    assert [job.file_name(photo) for photo in job.corners[0].photos] == ["corner-ne/1.jpg"]


def test_only_a_name_and_a_run_are_needed(site: Path) -> None:
    job = load(site, SHORT)
    assert (job.bolt.diameter_mm, job.plate_width_mm, job.plate_layers) == (12.7, pytest.approx(139.7), 1)
    assert job.card_thickness_mm == 0.3
    assert (job.stickup_mm, job.check_length_mm, job.profile_path, job.corners) == (None, None, None, ())
    assert (job.runs[0].cards, job.runs[0].tape, job.runs[0].line_marks) == (None, (), "outside")


def test_a_board_of_no_thickness_leaves_the_paper(site: Path) -> None:
    assert load(site, SHORT + '[cards]\nthickness = "0 mm"\n').card_thickness_mm == 0.3


@pytest.mark.parametrize(
    ("plate", "width_in"),
    [
        ('size = "2x4"', 3.5),
        ('size = "2 X 6"', 5.5),
        ('size = "2×8"', 7.25),
        ('size = "2x10"', 9.25),
        ('size = "2x12"', 11.25),
        ('width = "5 1/2 in"', 5.5),
    ],
)
def test_nominal_lumber_has_its_real_width(site: Path, plate: str, width_in: float) -> None:
    """Dry widths of the American Softwood Lumber Standard PS 20."""
    assert load(site, f"{SHORT}[plate]\n{plate}\n").plate_width_mm == pytest.approx(width_in * 25.4)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("[plate]", "[plates]"), "[plates] is not a key this file has. Did you mean plate?"),
        (("stickup =", "stick_up ="), "[bolts], stick_up is not a key this file has. Did you mean stickup?"),
        (("line_marks = \"outside\"", 'line_mark = "outside"'), "Did you mean line_marks?"),
        (("from_card = 1", "from = 1"), 'run "north", tape 1, from_card is missing. Add it.'),
        (('diameter = "1/2 in"', "diameter = 0.5"), "must be text with its unit"),
        (('diameter = "1/2 in"', 'diameter = "1 in"'), "[bolts], diameter: a bolt of 1 in is not a size"),
        (('thickness = "3 mm"', 'thickness = "3"'), "Add the unit"),
        (('thickness = "3 mm"', 'thickness = "3 in"'), 'must be at most 30 mm (about 1 3/16"). Check the'),
        (("13 ft 2", "1300 ft 2"), "must be at most 100000 mm (about 328' 1\"). Check the number and its unit."),
        (("from_card = 1", "from_card = 0"), 'run "north", tape 1, from_card: 0 is no card number.'),
        (('["north", "east"]', '["north"]'), "corner 1, runs names one run only. A corner joins two."),
        (("[1, 2, 3, 4, 5]", '"1-5"'), "must be a list in square brackets, like [1, 2]."),
        (('check_length = "9 7/16 in"', 'check_length = "9 7/16 mm"'), "must be at least 216 mm"),
        (('length = "13 ft 2 5/16 in"', 'length = "13 ft 2 5/16"'), "no unit after the feet"),
        (('size = "2x6"', 'size = "2x5"'), "2x4, 2x6, 2x8"),
        (('size = "2x6"', 'size = "2x6"\nwidth = "6 in"'), "both size and width"),
        (("layers = 2", "layers = 0"), "layers is 0, and must be at least 1."),
        (("layers = 2", "layers = true"), "must be a whole number"),
        (("[1, 2, 3, 4, 5]", "[1, 2, 3, 4, 21]"), 'run "north", cards: 21 is no card number. Cards are numbered'),
        (("[1, 2, 3, 4, 5]", '["1", 5]'), "cards: '1' is no card number. Cards are numbered 1 to 20, without quotes."),
        (("[1, 2, 3, 4, 5]", "[]"), 'run "north", cards is empty.'),
        (("[1, 2, 3, 4, 5]", "[1, 2, 3, 4, 5, 5]"), "card 5 is listed twice"),
        (("[6, 7]", "[5, 6]"), 'card 5 is listed twice, on run "north" and on run "east"'),
        (("[1, 2, 3, 4, 5]", "[1, 2, 3, 4]"), "a tape names card 5"),
        (("to_card = 5", "to_card = 1"), "a tape goes from card 1 to itself"),
        (('"outside"', '"left"'), 'line_marks is \'left\', and must be "outside" or "inside".'),
        (('name = "east"', 'name = "north"'), 'two runs are named "north"'),
        (('["north", "east"]', '["north", "eats"]'), 'names run "eats", which the file does not have. Did you'),
        (('["north", "east"]', '["north", "north"]'), "A corner joins two runs"),
        (('["north", "east"]', '["north", "east", "south"]'), "A corner joins two."),
        (('name = "north"', 'name = "no\\nrth"'), "must be one line of plain text"),
        (('"phone-a.json"', '"phone-b.json"'), "[camera] profile 'phone-b.json' is not there"),
        (('"north/*.jpg"', '"south/*.jpg"'), 'run "north": photo pattern "south/*.jpg" matches no file. There is'),
        (('"north/*.jpg"', '"north/*.JPG"'), "holds 3 .jpg; capital letters matter"),
        (('"corner-ne/*.jpg"', '"corner-nw/*.jpg"'), 'corner north and east: photo pattern "corner-nw/*.jpg" matc'),
        (('["north/*.jpg"]', '"north/*.jpg"'), 'photos must be a list in square brackets'),
        (('["north/*.jpg"]', "[]"), "photos is empty"),
        (
            ('["east/*.jpg"]\ncards = [6, 7]', '["east/*.jpg", "north/1.jpg"]'),
            'photo north/1.jpg is in run "north" and in run "east"',
        ),
    ],
)  # fmt: skip
def test_a_slip_is_named_with_its_place(site: Path, change: tuple[str, str], says: str) -> None:
    assert change[0] in EXAMPLE
    found = faults(site, EXAMPLE.replace(*change, 1))
    assert any(says in fault for fault in found), found
    assert all(fault.startswith("job.toml: ") for fault in found)


def test_single_brackets_around_a_run_are_explained(site: Path) -> None:
    assert "double brackets, [[run]]" in faults(site, SHORT.replace("[[run]]", "[run]"))[0]


def test_a_file_without_a_run_says_so(site: Path) -> None:
    assert faults(site, 'name = "Lot 7"') == [
        "job.toml: there is no run. Write a heading [[run]], with its name and photos below it."
    ]


def test_all_faults_are_told_at_once(site: Path) -> None:
    text = EXAMPLE.replace("layers", "layer").replace('"1/2 in"', '"1 in"').replace('"inside"', '"in"')
    assert len(faults(site, text)) == 3
    text = EXAMPLE.replace("[6, 7]", "[5, 7]").replace("to_card = 5", "to_card = 9").replace("east/*", "west/*")
    assert len(faults(site, text)) == 3


@pytest.mark.parametrize(
    ("pattern", "says"),
    [
        ("../*.jpg", "leaves the job's folder"),
        ("north/../../*.jpg", "leaves the job's folder"),
        ("/etc/*", "starts at the root"),
        ("C:/photos/*.jpg", "starts at the root"),
        ("north\\\\*.jpg", "backslash"),
        ("", "is empty"),
        ("north/\\u0000.jpg", "is empty"),
        ("**.jpg", "matches no file"),
    ],
)
def test_photo_patterns_stay_in_the_folder_of_the_job(site: Path, pattern: str, says: str) -> None:
    assert says in faults(site, SHORT.replace("north/*.jpg", pattern))[0]


def test_a_link_out_of_the_folder_is_not_followed(site: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    outside = tmp_path_factory.mktemp("outside") / "private.jpg"
    outside.write_bytes(b"x")
    (site / "north/3.jpg").symlink_to(outside)
    assert "leads out of the job's folder through 3.jpg" in faults(site, SHORT)[0]


def test_what_systems_leave_beside_photos_is_passed_over(site: Path) -> None:
    (site / "north/._1.jpg").write_bytes(b"x")
    (site / "north/folder.jpg").mkdir()
    assert len(load(site, SHORT).runs[0].photos) == 3


def test_a_photo_matched_by_two_patterns_counts_once(site: Path) -> None:
    job = load(site, SHORT.replace('["north/*.jpg"]', '["north/10.jpg", "**/*.jpg", "north/*.jpg"]'))
    assert len(job.runs[0].photos) == 5


def test_two_runs_may_share_a_photo_where_each_names_its_cards(site: Path) -> None:
    job = load(site, EXAMPLE.replace('["east/*.jpg"]', '["east/*.jpg", "north/1.jpg"]'))
    assert job.runs[0].photos[0] == job.runs[1].photos[-1]


def test_two_runs_may_share_a_photo_that_their_corner_claims(site: Path) -> None:
    shared = EXAMPLE.replace("corner-ne/*.jpg", "north/1.jpg").replace(
        '["east/*.jpg"]\ncards = [6, 7]', '["east/*.jpg", "north/1.jpg"]'
    )
    job = load(site, shared)
    assert job.runs[0].photos[0] == job.runs[1].photos[-1] == job.corners[0].photos[0]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b'name = "Lot 7', "not a TOML file"),
        (b'name = "5 1/2""', "write inches as in"),
        (b"\xff\xfe\x00", "not plain text"),
        (b"#" * 1_000_001, "larger than any job.toml"),
        (b"a = " + b"[" * 100_000, "not a TOML file"),
    ],
)
def test_a_file_that_is_no_job_is_refused_in_a_sentence(tmp_path: Path, content: bytes, says: str) -> None:
    (tmp_path / "job.toml").write_bytes(content)
    with pytest.raises(JobError, match=says):
        load_job(tmp_path / "job.toml")


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(JobError, match="cannot be read"):
        load_job(tmp_path / "job.toml")
    with pytest.raises(JobError, match="is a folder"):
        load_job(tmp_path)


def test_a_byte_order_mark_from_an_editor_is_passed_over(site: Path) -> None:
    (site / "job.toml").write_bytes(b"\xef\xbb\xbf" + SHORT.encode())
    assert load_job(site / "job.toml").name == "Lot 7"


def test_a_quick_look_needs_no_job_file(site: Path) -> None:
    job = job_from_photos([site / "north/2.jpg", site / "east/1.jpg", site / "north/2.jpg"])
    assert (job.folder, job.runs[0].name, job.card_thickness_mm) == (site.resolve(), "run", 0.3)
    assert [job.file_name(photo) for photo in job.runs[0].photos] == ["north/2.jpg", "east/1.jpg"]
    with pytest.raises(JobError, match="is not there"):
        job_from_photos([site / "north/99.jpg"])
    with pytest.raises(JobError, match=r"is a folder\. Name the photos in it, like .*north"):
        job_from_photos([site / "north"])
    with pytest.raises(JobError, match="at least one"):
        job_from_photos([])


def test_photos_sort_as_people_count() -> None:
    names = ["10.jpg", "9.jpg", "a2b.jpg", "A10b.jpg", "a02b.jpg", "1.jpg"]
    assert sorted(names, key=natural_key) == ["1.jpg", "9.jpg", "10.jpg", "a02b.jpg", "a2b.jpg", "A10b.jpg"]


@given(st.lists(st.text(max_size=12), unique=True, min_size=2))
def test_any_names_have_one_order(names: list[str]) -> None:
    keys = [natural_key(name) for name in names]
    assert len(set(keys)) == len(names)
    assert sorted(keys)[0] == min(keys)


toml_values = st.recursive(
    st.none() | st.booleans() | st.integers(-5, 30) | st.floats() | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["name", "plate", "size", "run", "photos", "cards", "tape", "length", "corner", "runs", "x"]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@given(
    st.dictionaries(st.sampled_from(["name", "plate", "bolts", "cards", "camera", "run", "corner", "y"]), toml_values)
)
def test_any_document_is_a_job_or_a_job_error(document: dict) -> None:
    try:
        check_document(document, Path("job.toml"))
    except JobError as fault:
        told = str(fault)
    else:
        told = "job.toml: nothing"
    assert told.startswith("job.toml: ")
