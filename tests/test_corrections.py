"""corrections.toml as it is written: what it becomes, and the sentence for each thing in it that cannot be meant."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image
from PIL.ExifTags import Base

from archive_jobs import a_job, list_sums
from sillwright.archive.contents import read_contents
from sillwright.corrections_file import CORRECTIONS, read_corrections
from sillwright.errors import JobError
from sillwright.job import Job, load_job
from sillwright.job_file import read_job_file
from sillwright.job_measured import changed_faults
from sillwright.survey_file import read_survey, write_survey

WIDE_PX, HIGH_PX = 400, 300
JOB = 'name = "x"\n[[run]]\nname = "north"\nphotos = ["n*.png"]\n[[run]]\nname = "east"\nphotos = ["e*.png"]\n'
MOVED = '[[bolt]]\nrun = "north"\nphoto = "n1.png"\nkind = "moved"\nstation = "4 ft 2 in"\nsetback = "2 3/4 in"\n'
MISSED = MOVED.replace("moved", "missed")
AT = "base_px = [120.5, 88]\n"
STRIKE = '[[strike]]\nrun = "north"\nstation = "9 ft"\nsetback = "2 in"\n'
STRIKE_MOVED = STRIKE.replace('"9 ft"', '"4 ft 2 in"').replace('"2 in"', '"2 3/4 in"')
LINE = '[[line]]\nrun = "north"\nphoto = "n2.png"\npoints_px = [[10, 150], [290, 152]]\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A job of three photos, of which the second is stored lying on its side."""
    (tmp_path / "job.toml").write_text(JOB)
    for name, orientation in (("n1.png", 1), ("n2.png", 6), ("e1.png", 1)):
        exif = Image.Exif()
        exif[Base.Orientation] = orientation
        Image.new("RGB", (WIDE_PX, HIGH_PX), (90, 90, 90)).save(tmp_path / name, exif=exif)
    return tmp_path


def loaded(folder: Path, text: str) -> Job:
    (folder / CORRECTIONS).write_text(text)
    return load_job(folder / "job.toml")


def test_without_the_file_nothing_is_corrected_and_the_job_rests_on_nothing_more(folder: Path) -> None:
    job = load_job(folder / "job.toml")
    assert all(not run.corrections.entries for run in job.runs)
    assert CORRECTIONS not in job.files_beside
    assert CORRECTIONS not in job.measured_parts


def test_an_entry_of_each_kind_is_read_in_millimetres_and_stored_pixels(folder: Path) -> None:
    job = loaded(folder, MOVED + AT + 'by = "foreman"\non = "Tuesday"\n' + STRIKE + LINE)
    own = job.runs[0].corrections
    (bolt,), (strike,), (line,) = own.bolts, own.strikes, own.lines
    assert (bolt.station_mm, bolt.setback_mm) == pytest.approx((50 * 25.4, 2.75 * 25.4))
    assert (bolt.marks[0].base_px, bolt.marks[0].tip_px) == ((120.5, 88.0), None)
    assert (strike.station_mm, strike.setback_mm) == pytest.approx((108 * 25.4, 50.8))
    # Orientation 6 turns the stored picture a quarter clockwise: shown (x, y) is stored (y, height - 1 - x).
    assert line.points_px == ((150.0, HIGH_PX - 1 - 10.0), (152.0, HIGH_PX - 1 - 290.0))
    assert job.runs[1].corrections.entries == ()


def test_entries_of_one_bolt_go_together_and_those_of_another_do_not(folder: Path) -> None:
    second = MOVED.replace("n1.png", "n2.png").replace("2 3/4", "2 13/16") + "tip_px = [20, 30]\n"
    other = MISSED.replace("4 ft 2", "5 ft 2") + AT
    bolts = loaded(folder, MOVED + AT + second + other).runs[0].corrections.bolts
    assert [(bolt.entry, bolt.kind, len(bolt.marks)) for bolt in bolts] == [
        ("bolt 1", "moved", 2),
        ("bolt 3", "missed", 1),
    ]


def test_a_bolt_before_the_zero_mark_and_beyond_the_line_can_be_named(folder: Path) -> None:
    (bolt,) = loaded(folder, MOVED.replace("4 ft", "-4 ft").replace("2 3/4", "-1/2") + AT).runs[0].corrections.bolts
    assert (bolt.station_mm, bolt.setback_mm) == pytest.approx((-50 * 25.4, -12.7))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (MOVED + AT + "colour = 3\n", "bolt 1, colour is not a key this file has. It has run, by, on, photo"),
        (MOVED + AT + "base_pix = 3\n", "bolt 1, base_pix is not a key this file has. Did you mean base_px"),
        ("[[bolts]]\n", "bolts is not a key this file has. Did you mean bolt"),
        ('[bolt]\nrun = "north"\n', "write its heading in double brackets, [[bolt]]"),
        (MOVED.replace("4 ft 2 in", "50") + AT, "bolt 1, station: '50' has no unit. Add the unit"),
        (MOVED.replace('"2 3/4 in"', "2.75") + AT, "bolt 1, setback must be text with its unit, in quotes"),
        (MOVED.replace("2 3/4 in", "2 3/4 ft") + AT, "bolt 1, setback is '2 3/4 ft', and must be at most 500 mm"),
        (MOVED.replace('kind = "moved"\n', "") + AT, "bolt 1, kind is missing. Add it"),
        (MOVED.replace('"moved"', '"shifted"') + AT, 'bolt 1, kind is \'shifted\', and must be "moved" or "missed"'),
        (MOVED + "base_px = [120]\n", "bolt 1, base_px must be two numbers in square brackets"),
        (MOVED + "base_px = [120, nan]\n", "bolt 1, base_px must be two numbers in square brackets"),
        (MOVED, "bolt 1 marks neither base_px nor tip_px. Give one of them, or both"),
        (MOVED + "base_px = [400, 20]\n", "bolt 1, base_px: [400, 20] lies outside n1.png, which is 400 pixels"),
        (MOVED.replace("n1", "n2") + "tip_px = [310, 20]\n", "outside n2.png, which is 300 pixels wide and 400 high"),
        (MOVED.replace("north", "nort") + AT, 'bolt 1, run: there is no run "nort" in job.toml. Did you mean north'),
        (MOVED.replace("n1", "e1") + AT, "bolt 1, photo: 'e1.png' is no photo of run \"north\". Did you mean n1.png"),
        (MISSED + "tip_px = [3, 4]\n", "bolt 1: of a missed bolt the foot must be marked in one photo at least"),
        (MOVED + AT + MISSED.replace("n1", "n2") + AT, "bolt 1 and bolt 2 are of one place, and of two kinds"),
        (MOVED + AT + MOVED + AT, "bolt 1 and bolt 2 both mark base_px of one bolt in n1.png. Keep one of them"),
        (MOVED + AT + STRIKE_MOVED, "bolt 1 moves the bolt that strike 1 takes out"),
        (STRIKE + STRIKE, "strike 1 and strike 2 are of one place. Keep one of them"),
        (STRIKE.replace("north", "west"), 'strike 1, run: there is no run "west" in job.toml'),
        (LINE.replace("290", "45"), "line 1, points_px lie too near each other"),
        (LINE.replace(", [290, 152]", ""), "line 1, points_px"),
        (LINE.replace('"n2.png"', '"n9.png"'), "line 1, photo: 'n9.png' is no photo of run"),
        ("[[bolt]\n", "is not a TOML file"),
    ],
)  # fmt: skip
def test_what_cannot_be_meant_is_told_with_its_entry_and_what_to_do(folder: Path, text: str, says: str) -> None:
    with pytest.raises(JobError) as told:
        loaded(folder, text)
    assert says in str(told.value)
    assert CORRECTIONS in str(told.value)


def test_a_missed_bolt_may_be_put_where_a_false_one_is_struck_out(folder: Path) -> None:
    own = loaded(folder, MISSED + AT + STRIKE_MOVED).runs[0].corrections
    assert own.entries == ("bolt 1", "strike 1")


def test_a_file_that_is_no_photo_can_hold_no_mark(folder: Path) -> None:
    (folder / "n1.png").write_bytes(b"not a photo")
    with pytest.raises(JobError, match=r"bolt 1, photo: 'n1.png' cannot be read as a photo"):
        loaded(folder, MOVED + AT)


def test_corrections_written_changed_or_taken_away_since_measuring_are_noticed(folder: Path) -> None:
    table = read_job_file(folder / "job.toml")
    bare = load_job(folder / "job.toml").measured_parts
    then = loaded(folder, MOVED + AT).measured_parts
    assert changed_faults(then, table, read_corrections(folder)) == ()
    (folder / CORRECTIONS).write_text("# a remark\n" + MOVED + AT)
    assert changed_faults(then, table, read_corrections(folder)) == ()
    (folder / CORRECTIONS).write_text(MOVED + AT.replace("88", "89"))
    for before, now in ((then, read_corrections(folder)), (then, None), (bare, read_corrections(folder))):
        (told,) = changed_faults(before, table, now)
        assert told.startswith("corrections.toml is not what survey.json was measured with")


def test_a_package_keeps_the_corrections_beside_its_job_and_among_its_results(tmp_path: Path) -> None:
    job = a_job(tmp_path)
    strike = STRIKE.encode()
    for place in (job.folder, job.out):
        (place / CORRECTIONS).write_bytes(strike)
    with pytest.raises(JobError, match=r"corrections.toml is not what survey.json was measured with"):
        job.contents()
    measured = replace(
        read_survey(job.out / "survey.json"), measured_with=load_job(job.folder / "job.toml").measured_parts
    )
    write_survey(measured, job.out / "survey.json")
    list_sums(job.out)
    contents = read_contents(job.out, job.folder, tmp_path)
    kept = [place for place, source in contents.files.items() if source.read_bytes() == strike]
    assert sorted(kept) == ["job/corrections.toml", "results/corrections.toml"]
