"""The command ``measure`` where there is nothing to measure, or nowhere to write."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from sillwright.__main__ import main
from sillwright.errors import MeasureError

NORTH = Path(__file__).resolve().parents[1] / "demo_images" / "lot12" / "north"


@pytest.fixture
def bare_wall(tmp_path: Path) -> Path:
    """A photo without any card."""
    path = tmp_path / "bare.png"
    cv2.imwrite(str(path), np.random.default_rng(0).integers(90, 150, (600, 800, 3), dtype=np.uint8))
    return path


def run(monkeypatch: pytest.MonkeyPatch, *arguments: object) -> int:
    """Exit status of the command line."""
    monkeypatch.setattr(sys, "argv", ["sillwright", *map(str, arguments)])
    with pytest.raises(SystemExit) as ended:
        main()
    return int(ended.value.code or 0)


def test_photos_without_any_card_end_as_nothing_measured_and_the_record_says_why(
    bare_wall: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(monkeypatch, "measure", bare_wall, "-o", tmp_path / "out") == 4
    said = " ".join(capsys.readouterr().out.split())
    assert "No photo of this run shows a scale card" in said
    assert "straightening list" not in said
    record = json.loads((tmp_path / "out" / "survey.json").read_text())
    assert [run["status"] for run in record["runs"]] == ["reshoot"]
    assert (tmp_path / "out" / "report.html").exists()


def test_a_name_that_no_package_can_hold_is_told_before_anything_is_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stopped(*_: object, **__: object) -> None:
        raise MeasureError("stopped here")

    monkeypatch.setattr("sillwright.measure.measure_job", stopped)
    for name in ("50%.jpg", "IMG_1.jpg"):
        (tmp_path / name).write_bytes((NORTH / "IMG_2041.jpg").read_bytes())
    job = tmp_path / "job.toml"
    job.write_text('name = "x"\n[[run]]\nname = "north"\nphotos = ["*.jpg"]\n')
    assert run(monkeypatch, "measure", job, "-o", tmp_path / "out") == MeasureError.exit_code
    said = capsys.readouterr().err
    assert "'50%.jpg' has a percent sign" in said
    assert "IMG_1.jpg" not in said


def test_card_numbers_that_no_photo_shows_are_named_with_those_that_it_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "IMG_2041.jpg").write_bytes((NORTH / "IMG_2041.jpg").read_bytes())
    job = tmp_path / "job.toml"
    job.write_text('name = "x"\n[[run]]\nname = "north"\nphotos = ["*.jpg"]\ncards = [11, 12]\n')
    assert run(monkeypatch, "measure", job, "-o", tmp_path / "out") == 4
    said = " ".join(capsys.readouterr().out.split())
    assert "shows cards 11 and 12" in said
    assert "shows only cards 1 and 2" in said


def test_the_job_file_and_what_it_names_for_the_plates_go_along_with_the_results(
    bare_wall: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    layout = '[layout]\nrules = "ours.toml"\n'
    job, out = tmp_path / "job.toml", tmp_path / "out"
    text = f'name = "x"\n{layout}[[run]]\nname = "n"\nphotos = ["*.png"]\nlevels = {{ file = "levels/n.csv" }}\n'
    job.write_text(text)
    assert run(monkeypatch, "measure", job, "-o", out) == 2
    assert "'levels/n.csv' is not there" in capsys.readouterr().err
    (tmp_path / "levels").mkdir()
    (tmp_path / "levels" / "n.csv").write_text("station,reading\n")
    (tmp_path / "ours.toml").write_text('based_on = "irc-2018"\n')
    assert run(monkeypatch, "measure", job, "-o", out) == 4
    for name in ("job.toml", "levels/n.csv", "ours.toml"):
        assert (out / name).read_bytes() == (tmp_path / name).read_bytes()
    assert set(json.loads((out / "survey.json").read_text())["measured_with"]) >= {"[plate]", '[[run]] "n"'}
    # Again, over its own; what the crew wrote into the copy meanwhile is kept.
    (out / "job.toml").write_text(text + "# ours")
    assert run(monkeypatch, "measure", job, "-o", out) == 4
    assert (out / "job.toml").read_text() == text
    assert (out / "job-before.toml").read_text() == text + "# ours"
    assert "it is kept as" in " ".join(capsys.readouterr().err.split())
    # A plan that lies there already was made from what was measured before.
    (out / "plates.json").write_text("{}")
    run(monkeypatch, "measure", job, "-o", out)
    assert "of an earlier measurement: run sillwright plates" in " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("../n.csv", "does not lie in the job file's folder"),
        ("/n.csv", "does not lie in the job file's folder"),
        ("n.txt", "does not end in .csv"),
        ("holes.csv", "has a name that a result will have"),
        ("a\\\\n.csv", "is no file name"),
    ],
)
def test_readings_that_could_not_go_along_are_refused(
    name: str,
    says: str,
    bare_wall: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    job = tmp_path / "job.toml"
    job.write_text(f'name = "x"\n[[run]]\nname = "n"\nphotos = ["*.png"]\nlevels = {{ file = "{name}" }}\n')
    assert run(monkeypatch, "measure", job, "-o", tmp_path / "out") == 2
    told = " ".join(capsys.readouterr().err.split())
    assert 'run "n", [run.levels], file' in told
    assert says in told


def test_a_place_that_cannot_be_written_is_told_before_anything_is_measured(
    bare_wall: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("")

    def measured(*_: object, **__: object) -> None:
        raise AssertionError("it measured first")

    monkeypatch.setattr("sillwright.measure.measure_job", measured)
    assert run(monkeypatch, "measure", bare_wall, "-o", tmp_path / "file" / "out") == 2
    assert "Choose another folder with -o" in capsys.readouterr().err


def test_a_folder_given_for_a_photo_is_told_as_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(monkeypatch, "measure", tmp_path) == 2
    assert "is a folder. Name the photos in it" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["measure", "check", "calibrate"])
def test_where_no_photo_can_be_read_every_command_ends_with_the_status_the_readme_gives_it(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    note = tmp_path / "note.jpg"
    note.write_text("not a photo")
    output = {"measure": ["-o", tmp_path / "out"], "check": [], "calibrate": ["-o", tmp_path / "p.json"]}[command]
    assert run(monkeypatch, command, note, *output) == 3
    assert "Not one photo could be read." in capsys.readouterr().err


@pytest.mark.parametrize("command", ["measure", "check"])
def test_a_photo_named_twice_is_told_of(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    note = tmp_path / "note.jpg"
    note.write_text("not a photo")
    output = ["-o", tmp_path / "out"] if command == "measure" else []
    run(monkeypatch, command, note, note, *output)
    assert "note.jpg is named 2 times, and counts once." in capsys.readouterr().err
