"""The command ``measure`` where there is nothing to measure, or nowhere to write."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from sillwright.__main__ import main

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
