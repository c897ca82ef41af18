"""The calibrate command: photos in, a profile and a picture out, and plain words where that cannot be."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from sillwright.cards import CALIBRATION_SHEET, BoardSpec
from sillwright.cli.calibrate import board_text, calibrate, parse_board
from sillwright.errors import CalibrationError, JobError, PhotoError
from sillwright.profile import read_profile

PHOTOS = Path(__file__).resolve().parents[2] / "shared" / "photos" / "calibration_phone_a"


@pytest.fixture
def runner() -> CliRunner:
    return CliRunner()


def _rendered(count: int) -> list[str]:
    if not PHOTOS.is_dir():
        pytest.skip(f"the rendered calibration photos are not here ({PHOTOS.name})")
    return [str(path) for path in sorted(PHOTOS.glob("*.jpg"))[:count]]


def test_twelve_photos_give_a_profile_and_a_picture_and_say_what_was_left_out(
    runner: CliRunner, tmp_path: Path
) -> None:
    photos = _rendered(12)
    blank, torn, again = tmp_path / "blank.png", tmp_path / "torn.jpg", tmp_path / "again.jpg"
    again.write_bytes(Path(photos[3]).read_bytes())
    cv2.imwrite(str(blank), np.full((480, 640), 128, np.uint8))
    torn.write_bytes(Path(photos[0]).read_bytes()[:50_000])
    out = tmp_path / "phone.json"
    result = runner.invoke(calibrate, [*photos, photos[3], str(again), str(blank), str(torn), "-o", str(out)])
    assert result.exit_code == 0, result.output
    profile = read_profile(out)
    assert len(profile.photos) == 12
    assert profile.focal_35mm == 28.0
    assert profile.lens.fx == pytest.approx(2548.8667, rel=1e-3)  # truth_intrinsics.json
    assert profile.board == board_text(CALIBRATION_SHEET)
    picture = cv2.imread(str(tmp_path / "phone-coverage.png"))
    assert picture is not None
    assert picture.shape[1] == 1400
    text = " ".join(result.output.split())
    assert "blank.png: the sheet was not found in it." in text
    assert "cal_a_04.jpg is named 2 times, and counts once." in text
    assert "Left out again.jpg: the same photo as cal_a_04.jpg." in text
    assert "Left out torn.jpg" in text
    assert "12 photos," in text


def test_too_few_photos_write_nothing_and_say_why_each_was_left_out(runner: CliRunner, tmp_path: Path) -> None:
    note = tmp_path / "note.txt"
    note.write_text("not a photo")
    out = tmp_path / "phone.json"
    result = runner.invoke(calibrate, [*_rendered(2), str(note), "-o", str(out)])
    assert isinstance(result.exception, CalibrationError)
    assert "Only 2 usable photos" in str(result.exception)
    assert "note.txt" in str(result.exception)
    assert not out.exists()


def test_photos_none_of_which_can_be_read_are_told_as_that(runner: CliRunner, tmp_path: Path) -> None:
    note = tmp_path / "note.jpg"
    note.write_text("not a photo")
    result = runner.invoke(calibrate, [str(note), "-o", str(tmp_path / "phone.json")])
    assert isinstance(result.exception, PhotoError)
    assert str(result.exception).startswith("Not one photo could be read.\n  note.jpg: ")


@pytest.mark.parametrize(("name", "says"), [("gone.jpg", "is not there. Check its name."), ("", "is a folder. Name")])
def test_a_photo_that_is_not_there_and_a_folder_are_told_before_any_photo_is_read(
    runner: CliRunner, tmp_path: Path, name: str, says: str
) -> None:
    result = runner.invoke(calibrate, [str(tmp_path / name), "-o", str(tmp_path / "phone.json")])
    assert isinstance(result.exception, JobError)
    assert says in str(result.exception)


@pytest.mark.parametrize(
    "spec",
    [
        CALIBRATION_SHEET,
        BoardSpec(5, 8, 30.0, 22.5, "5X5_250", legacy=True),
        BoardSpec(7, 5, 25.4, 19.05, "APRILTAG_36h11"),
    ],
)
def test_a_board_is_read_from_the_text_it_is_written_as(spec: BoardSpec) -> None:
    assert parse_board(board_text(spec)) == spec


def test_a_board_may_be_given_in_inches() -> None:
    assert parse_board("7x5, 1 in, 3/4 in, DICT_4x4_50").square_mm == pytest.approx(25.4)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("9x6", "squares, square size"),
        ("9by6,28mm,21mm,4X4_50", "across x down"),
        ("1x6,28mm,21mm,4X4_50", "2 to 40"),
        ("9x6,28,21mm,4X4_50", "28"),
        ("9x6,21mm,28mm,4X4_50", "smaller than its square"),
        ("9x6,28mm,21mm,9X9_9", "no marker dictionary"),
        ("30x30,28mm,21mm,4X4_50", "too few markers"),
        ("", "squares"),
    ],
)
def test_a_board_that_cannot_be_is_refused_before_any_photo_is_read(runner: CliRunner, text: str, words: str) -> None:
    result = runner.invoke(calibrate, ["nothing.jpg", "-o", "x.json", "--board", text])
    assert result.exit_code == 2
    assert words in " ".join(result.output.replace("│", " ").split())
