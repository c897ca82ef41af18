"""What ``-o`` may write over: nothing that sillwright did not write, and never a photo."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from test_cli_measure import run

PHOTO = b"\xff\xd8\xff a photo nobody has twice \xff\xd9"


@pytest.fixture(autouse=True)
def nothing_is_worked_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every name is refused before any work is done."""

    def worked(*_: object, **__: object) -> None:
        raise AssertionError("it worked first")

    monkeypatch.setattr("sillwright.measure.measure_job", worked)
    monkeypatch.setattr("sillwright.cli.calibrate.look_at", worked)


@pytest.fixture
def photos(tmp_path: Path) -> list[Path]:
    paths = [tmp_path / "photos" / name for name in ("a.jpg", "b.jpg", "photo-a.jpg")]
    paths[0].parent.mkdir()
    for path in paths:
        path.write_bytes(PHOTO)
    return paths


def said(capsys: pytest.CaptureFixture[str]) -> str:
    return " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize("command", ["calibrate", "cards", "measure"])
def test_a_photo_behind_o_as_a_shell_puts_it_there_is_left_as_it_is(
    command: str, photos: list[Path], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rest = [] if command == "cards" else photos[1:]
    assert run(monkeypatch, command, "-o", photos[0], *rest) == 2
    assert photos[0].read_bytes() == PHOTO
    assert {"calibrate": "does not end in .json", "cards": "does not end in .pdf", "measure": "is a file"}[
        command
    ] in said(capsys)


@pytest.mark.parametrize(
    ("command", "name", "words"),
    [("calibrate", "notes.json", "is not a phone profile"), ("cards", "notes.pdf", "is not a PDF")],
)
def test_a_file_of_another_kind_is_left_as_it_is(
    command: str,
    name: str,
    words: str,
    photos: list[Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    notes = tmp_path / name
    notes.write_text('{"a": 1}')
    assert run(monkeypatch, command, *([] if command == "cards" else photos), "-o", notes) == 2
    assert notes.read_text() == '{"a": 1}'
    told = said(capsys)
    assert words in told
    assert "Choose another name" in told


def test_cards_may_be_written_again_over_cards(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for _ in range(2):
        assert run(monkeypatch, "cards", "-o", tmp_path / "cards.PDF") == 0


@pytest.mark.parametrize("command", ["calibrate", "cards", "measure"])
def test_a_place_that_cannot_be_written_ends_with_one_status_in_every_command(
    command: str, photos: list[Path], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    ending = {"calibrate": "x.json", "cards": "x.pdf", "measure": "out"}[command]
    assert run(monkeypatch, command, *([] if command == "cards" else photos), "-o", photos[0] / ending) == 2
    told = said(capsys)
    assert "cannot be written" in told
    assert "a.jpg is a file, not a folder" in told


def test_a_coverage_picture_is_not_written_over_a_photo(
    photos: list[Path], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    photo = photos[0].rename(photos[0].with_name("my-coverage.png"))
    assert run(monkeypatch, "calibrate", photo, *photos[1:], "-o", photo.with_name("my.json")) == 2
    assert "is one of the photos" in said(capsys)


def test_a_report_is_not_written_over_the_photos_it_is_made_from(
    photos: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The picture of photo a.jpg is pictures/photo-a.jpg, which may be a photo of this very job."""
    photos[0].parent.rename(tmp_path / "pictures")
    moved = [tmp_path / "pictures" / path.name for path in photos]
    (tmp_path / "survey.json").write_text('{"format": 1, "name": "x", "runs": [], "corners": [], "photos": []}')
    assert run(monkeypatch, "measure", *moved, "-o", tmp_path) == 2
    assert "photo-a.jpg is a file this job is made from" in said(capsys)


@pytest.mark.parametrize("name", ["report.html", "job.toml", "survey.json", "pictures/photo-a.jpg"])
def test_a_folder_with_files_no_measurement_wrote_is_not_written_in(
    name: str,
    photos: list[Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    job = photos[0].parent / "lot.toml"
    job.write_text('name = "x"\n[[run]]\nname = "north"\nphotos = ["*.jpg"]\n')
    there = tmp_path / "here" / name
    there.parent.mkdir(parents=True)
    there.write_text("mine")
    assert run(monkeypatch, "measure", job, "-o", tmp_path / "here") == 2
    assert there.read_text() == "mine"
    assert "no measurement wrote it" in said(capsys)


def test_an_earlier_report_may_be_written_over(
    photos: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "survey.json").write_text(json.dumps({"format": 1, "name": "x", "runs": [], "corners": [], "photos": []}))
    (out / "report.html").write_text("old")
    with pytest.raises(AssertionError, match="it worked first"):
        run(monkeypatch, "measure", *photos, "-o", out)
