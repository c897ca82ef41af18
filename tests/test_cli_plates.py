"""The command ``plates``: what it leaves in the folder, how it ends, and that bad input leaves the folder as it was."""

from __future__ import annotations

import csv
import io
import json
import sys
from dataclasses import replace
from pathlib import Path

import ezdxf
import pypdfium2
import pytest

from plate_jobs import a_survey, bolts
from sillwright.__main__ import main
from sillwright.lengths import format_feet_inches, parse_length_mm
from sillwright.plates.record_file import read_plan
from sillwright.survey import Survey
from sillwright.survey_file import write_survey

JOB = """name = "Lot 7"

[plate]
size = "2x6"
layers = 2

[layout]
stock = ["12 ft"]
hole_over = "1/4 in"
marks = "1/32 in"

[[run]]
name = "north"
photos = ["n*.jpg"]
begins = { station = "-200 mm" }

[[run]]
name = "east"
photos = ["e*.jpg"]
ends = { wall_end = "3300 mm" }

[[corner]]
runs = ["north", "east"]
photos = ["c*.jpg"]
"""
STRIPS = {"strips/north-1-1.pdf", "strips/north-1-2.pdf", "strips/north-2-1.pdf", "strips/north-2-2.pdf"}


def a_folder(folder: Path, job: str = JOB, survey: Survey | None = None) -> Path:
    """What ``measure`` leaves."""
    folder.mkdir(exist_ok=True)
    write_survey(a_survey() if survey is None else survey, folder / "survey.json")
    (folder / "job.toml").write_text(job)
    return folder


def run(monkeypatch: pytest.MonkeyPatch, *arguments: object) -> int:
    monkeypatch.setattr(sys, "argv", ["sillwright", *map(str, arguments)])
    with pytest.raises(SystemExit) as ended:
        main()
    return int(ended.value.code or 0)


def files_in(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture
def one_plate(tmp_path: Path) -> Path:
    """A job with nothing to decide: one plate, holes that leave play, bolts that are all sure."""
    return a_folder(tmp_path / "out", JOB.replace("layers = 2", "layers = 1"))


def test_a_plan_with_nothing_to_decide_ends_with_0_and_leaves_every_file(
    one_plate: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(monkeypatch, "plates", one_plate) == 0
    said = capsys.readouterr().out
    assert "To decide first" not in said
    assert "north 1.1" in said
    wrote = {
        "plates.json",
        "plates.sha256",
        "plates.html",
        "plates.pdf",
        "holes.csv",
        "pieces.csv",
        "plates.dxf",
        "strips/east-1-1.pdf",
    }
    assert files_in(one_plate) - {"survey.json", "job.toml"} == wrote | {name for name in STRIPS if "-1-" in name}


def test_marks_of_1_32_are_written_as_such_in_tables_drawing_strips_and_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The job marks to 1/32 in."""
    folder = a_folder(tmp_path / "out")
    run(monkeypatch, "plates", folder)
    said = capsys.readouterr().out
    plan = read_plan(folder / "plates.json")
    odd = [(p, hole) for p in plan.pieces for hole in p.holes if round(hole.from_low_end_mm / 25.4 * 32) % 2]
    assert odd
    rows = [*csv.DictReader(io.StringIO((folder / "holes.csv").read_text("utf-8-sig")))]
    rows += csv.DictReader(io.StringIO((folder / "pieces.csv").read_text("utf-8-sig")))
    for row in rows:
        for name in ("from_low_end", "from_chalk_line_edge", "chalk_line_edge"):
            if f"{name}_mm" in row:
                assert parse_length_mm(row[f"{name}_ft_in"]) == pytest.approx(float(row[f"{name}_mm"]), abs=0.006)
    drawn = {text.dxf.text for text in ezdxf.readfile(folder / "plates.dxf").modelspace().query("TEXT")}
    for piece, hole in odd:
        figure = format_feet_inches(hole.from_low_end_mm, 32)
        assert f"{figure} from the low end" in drawn
        strip = folder / "strips" / f"{piece.name.replace(' ', '-').replace('.', '-')}.pdf"
        assert figure in "".join(page.get_textpage().get_text_bounded() for page in pypdfium2.PdfDocument(strip))
    for piece in plan.pieces:
        length = format_feet_inches(piece.line_edge_mm, 32)
        assert length in said
        assert any(f"{piece.name}: {length} (" in text for text in drawn)


def test_tables_drawing_and_strips_hold_the_holes_of_the_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = a_folder(tmp_path / "out")
    run(monkeypatch, "plates", folder, "--paper", "roll")
    plan = read_plan(folder / "plates.json")
    want = {
        (piece.name, hole.mark, round(hole.from_low_end_mm, 2), round(hole.from_line_mm, 2))
        for piece in plan.pieces
        for hole in piece.holes
    }
    rows = list(csv.DictReader(io.StringIO((folder / "holes.csv").read_text("utf-8-sig"))))
    have = {
        (row["piece"], row["mark"], float(row["from_low_end_mm"]), float(row["from_chalk_line_edge_mm"]))
        for row in rows
    }
    assert have == want
    drawing = ezdxf.readfile(folder / "plates.dxf")
    assert not drawing.audit().errors
    assert len(drawing.modelspace().query("CIRCLE[layer=='HOLES']")) == len(want)
    for piece in plan.pieces:
        strip = folder / "strips" / f"{piece.name.replace(' ', '-').replace('.', '-')}.pdf"
        text = "".join(page.get_textpage().get_text_bounded() for page in pypdfium2.PdfDocument(strip))
        assert all(hole.mark in text for hole in piece.holes)


def test_something_to_decide_ends_with_1_and_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    north = bolts("N", (-50.0, 1200.0, 2300.0, 2600.0, 3900.0, 5020.0))
    north[3] = replace(north[3], status="check")
    folder = a_folder(tmp_path / "out", survey=a_survey(north))
    assert run(monkeypatch, "plates", folder) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "To decide first: Run north" in said
    assert "N4 is in doubt on the measuring sheet" in said
    rows = csv.DictReader(io.StringIO((folder / "holes.csv").read_text("utf-8-sig")))
    assert all("tape it first" in row["check"] for row in rows if row["mark"] == "N4")


def test_the_sheets_are_those_of_the_record_and_on_the_paper_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = a_folder(tmp_path / "out")
    for paper, width in (("a4", 595), ("roll", 612), ("letter", 612)):
        run(monkeypatch, "plates", folder, "--paper", paper)
        plan = read_plan(folder / "plates.json")
        document = pypdfium2.PdfDocument((folder / "plates.pdf").read_bytes())
        assert {round(page.get_size()[0]) for page in document} == {width}
        for text in (
            "".join(page.get_textpage().get_text_range() for page in document),
            (folder / "plates.html").read_text("utf-8"),
        ):
            assert plan.date in text
            assert plan.photos.fingerprint_sha256 in text
            assert all(piece.name in text for piece in plan.pieces)
            assert all(bolt.mark in text for each in plan.runs for bolt in each.bolts)


def test_planned_again_the_strips_of_pieces_that_are_no_more_are_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = a_folder(tmp_path / "out")
    run(monkeypatch, "plates", folder)
    assert files_in(folder) >= STRIPS
    (folder / "strips" / "mine.pdf").write_bytes(b"kept")
    a_folder(folder, JOB.replace('"12 ft"', '"20 ft"'))
    run(monkeypatch, "plates", folder)
    assert {name for name in files_in(folder) if "north" in name} == {"strips/north-1-1.pdf", "strips/north-2-1.pdf"}
    assert (folder / "strips" / "mine.pdf").read_bytes() == b"kept"


def test_a_file_no_plan_wrote_is_left_as_it_is(
    one_plate: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (one_plate / "holes.csv").write_text("mine")
    before = files_in(one_plate)
    assert run(monkeypatch, "plates", one_plate) == 2
    assert "holes.csv is there already, and no plan wrote it" in " ".join(capsys.readouterr().err.split())
    assert files_in(one_plate) == before
    assert (one_plate / "holes.csv").read_text() == "mine"


NO_BOLTS = a_survey([])
WRONG = {
    "negative": (JOB.replace('["12 ft"]', '["-12 ft"]'), None, ("[layout], stock", "is negative")),
    "unit": (JOB.replace('["12 ft"]', '["12"]'), None, ("[layout], stock", "has no unit")),
    "low over high": (
        JOB.replace('begins = { station = "-200 mm" }', 'begins = { station = "20 ft" }\nends = { corner = "east" }'),
        None,
        ('run "north"', "leave no plate between them", "[run.begins]"),
    ),
    "no such run": (JOB.replace("-200 mm", "-200 mm").replace('{ station = "-200 mm" }', '{ corner = "nort" }'), None,
                    ('run "north", [run.begins], corner', 'no run "nort"')),
    "ends as the photos do not": (
        JOB.replace('begins = { station = "-200 mm" }', 'begins = { corner = "east" }'),
        None,
        ("[run.begins]", "stands at the other end", "[run.ends]"),
    ),
    "station at the corner": (
        JOB.replace('"-200 mm" }', '"-200 mm" }\nends = { station = "17 ft" }'),
        None,
        ("[run.ends]", 'the corner with "east"', "Take [run.ends] out"),
    ),
    "short stock": (JOB.replace('["12 ft"]', '["13 in"]'), None, ("[layout], stock", "north", "Name longer stock")),
    "straight corner": (JOB, a_survey(angle_deg=179.98), ("[[corner]] north and east", "write both as one [[run]]")),
    "no corner": (JOB, a_survey(angle_deg=0.02), ("[[corner]] north and east", "measure again")),
    "other plate": (JOB.replace("2x6", "2x4"), None, ("[plate]", "measured for a plate 139.7 mm", "Measure again")),
    "other bolt": (JOB.replace("[layout]", '[bolts]\ndiameter = "5/8 in"\n[layout]'), None, ("[bolts], diameter",)),
    "other runs": (JOB.replace('name = "east"', 'name = "west"').replace('"east"]', '"west"]'), None,
                   ('[[run]] "west" is not in survey.json', '"east" is in survey.json')),
    "through": (JOB + 'through = "south"\n', None, ("through", 'run "south" does not meet there')),
    "rules": (JOB.replace("[layout]", '[layout]\nrules = "irc-1999"'), None, ("[layout], rules", "irc-2021")),
    "rules file": (JOB.replace("[layout]", '[layout]\nrules = "ours.toml"'), None, ("[layout], rules", "is not there")),
    "levels file": (
        JOB.replace('name = "north"', 'name = "north"\nlevels = { file = "l.csv" }'),
        None,
        ('run "north", [run.levels], file', "is not there"),
    ),
    "level tolerance": (JOB.replace("[layout]", '[layout]\nlevel_within = "0 in"'), None, ("[layout], level_within",)),
    "shims": (JOB.replace("[layout]", '[layout]\nshim_at_most = "2 in"'), None, ("[layout], shim_at_most", "1/4 in")),
    "outline": (JOB + '[[outline.wall]]\nrun = "north"\nlength = "17 ft"\n', None, ("[outline] has 1 walls",)),
}  # fmt: skip


@pytest.mark.parametrize("what", WRONG)
def test_bad_input_gets_a_sentence_with_its_key_and_writes_nothing(
    what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    job, survey, says = WRONG[what]
    folder = a_folder(tmp_path / "out", job, survey)
    assert run(monkeypatch, "plates", folder) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert "Traceback" not in told
    for part in says:
        assert part in told
    assert files_in(folder) == {"survey.json", "job.toml"}


def test_a_run_without_bolts_is_not_planned_and_what_to_do_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = a_folder(tmp_path / "out", survey=NO_BOLTS)
    assert run(monkeypatch, "plates", folder) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "Run north: not planned" in said
    assert "No bolt was found on this run, so it is not planned: look at the photos and measure again" in said
    assert 'or take [[run]] "north" out of job.toml' in said
    assert all(piece.run == "east" for piece in read_plan(folder / "plates.json").pieces)


def test_a_folder_without_a_survey_or_a_job_file_is_told_what_to_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(monkeypatch, "plates", tmp_path / "nowhere") == 2
    assert "has no survey.json. Measure first, with sillwright measure job.toml -o" in capsys.readouterr().err
    folder = a_folder(tmp_path / "out")
    assert run(monkeypatch, "plates", folder / "job.toml") == 2
    assert "is a file. Name the folder that measure wrote" in capsys.readouterr().err
    (folder / "job.toml").unlink()
    assert run(monkeypatch, "plates", folder) == 2
    assert "has no job.toml" in capsys.readouterr().err
    (folder / "survey.json").write_text("{}")
    assert run(monkeypatch, "plates", folder) == 2
    assert "this version reads format 1" in capsys.readouterr().err
    assert files_in(folder) == {"survey.json"}


def test_what_was_measured_with_another_tape_or_photo_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Facts that the record does not hold by themselves: only the fingerprints of the job file's parts tell."""
    from sillwright.job_file import read_job_file
    from sillwright.job_measured import measured_parts

    (tmp_path / "job.toml").write_text(JOB)
    survey = replace(a_survey(), measured_with=measured_parts(read_job_file(tmp_path / "job.toml"), None))
    folder = a_folder(tmp_path / "out", survey=survey)
    assert run(monkeypatch, "plates", folder) in (0, 1)
    before = json.loads((folder / "plates.json").read_text())
    tape = '\n[[run.tape]]\nfrom_card = 1\nto_card = 2\nlength = "9 ft"\n\n[[run]]\nname = "east"'
    (folder / "job.toml").write_text(JOB.replace('\n[[run]]\nname = "east"', tape))
    assert run(monkeypatch, "plates", folder) == 2
    assert '[[run]] "north" is not what survey.json was measured with' in capsys.readouterr().err
    assert json.loads((folder / "plates.json").read_text()) == before


def test_readings_of_both_runs_are_put_on_one_datum(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """North's rod reads 40 in to 40 3/16 in, east's 40 1/8 in: from one set-up east lies 1/8 in under north's top."""
    job = JOB
    for name in ("north", "east"):
        job = job.replace(f'name = "{name}"', f'name = "{name}"\nlevels = {{ file = "{name}.csv" }}')
    folder = a_folder(tmp_path / "out", job)
    (folder / "north.csv").write_text('station,reading\n-10 in,40 in\n18 ft,"40 3/16 in"\n')
    (folder / "east.csv").write_text("station (ft),reading (in)\n-1,40.125\n11,40.125\n")
    run(monkeypatch, "plates", folder)
    plan = read_plan(folder / "plates.json")
    assert plan.levels is not None
    assert plan.levels.fall_mm == pytest.approx(3 / 16 * 25.4)
    assert [shim.gap_mm for shim in plan.runs[1].shims] == pytest.approx([25.4 / 8] * len(plan.runs[1].shims))


def test_help_tells_the_exit_statuses(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(monkeypatch, "plates", "--help") == 0
    assert "Exit status 0" in capsys.readouterr().out


def test_a_plate_too_wide_for_the_paper_is_told_which_paper_takes_it_and_writes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    survey = a_survey()
    wide = replace(survey, runs=tuple(replace(one, plate_width_mm=11.25 * 25.4) for one in survey.runs))
    folder = a_folder(tmp_path / "out", JOB.replace("2x6", "2x12"), wide)
    assert run(monkeypatch, "plates", folder) == 2
    assert "Print it on a roll: --paper roll." in " ".join(capsys.readouterr().err.split())
    assert files_in(folder) == {"survey.json", "job.toml"}


def test_a_file_where_the_strips_folder_is_to_go_is_told_before_anything_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = a_folder(tmp_path / "out")
    (folder / "strips").write_text("mine")
    before = files_in(folder)
    assert run(monkeypatch, "plates", folder) == 2
    assert "strips is a file" in capsys.readouterr().err
    assert files_in(folder) == before
