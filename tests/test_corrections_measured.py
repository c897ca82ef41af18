"""Corrections by hand the whole way: the command on rendered photos with exact truth, its sheets, and its package."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from benchmark import SHARED_PHOTOS
from sillwright.camera import Camera, Pose, project
from sillwright.cli.app import app
from sillwright.photo import view_from_stored
from sillwright.survey import Survey
from sillwright.survey_file import read_survey

SCENE = SHARED_PHOTOS / "d6"
PHONE_A = Path(__file__).resolve().parents[1] / "calibration" / "demo-phone.json"
JOB = """name = "Lot 6"
[camera]
profile = "phone.json"
[cards]
check_length = "9 1/16 in"
[[run]]
name = "main"
photos = ["*.jpg"]
cards = [2, 3, 4]
line_marks = "inside"
"""
pytestmark = pytest.mark.skipif(not SCENE.is_dir(), reason="the rendered photos are not there")


def run(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(app, [str(word) for word in words])
    return done.exit_code, done.output


def truth() -> dict:
    return json.loads((SCENE / "truth.json").read_text())


def upright_px(file: str, point_mm: list[float], off_px: tuple[float, float]) -> list[float]:
    """Where a person sees a point of the truth in the photo as it is shown, off by some pixels."""
    photo = next(one for one in truth()["photos"] if one["file"] == file)
    matrix = np.array(photo["camera_matrix"])
    lens = (matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2], *photo["distortion_k1_k2_p1_p2_k3"])
    pose = Pose(np.array(photo["R_world_to_camera"]), np.array(photo["t_world_to_camera_mm"]))
    camera = Camera(photo["width"], photo["height"], *lens)
    px = project(camera, pose, np.array([point_mm]))
    shown = view_from_stored(px, photo["exif_orientation"], photo["width"], photo["height"])[0] + off_px
    return [round(float(v), 1) for v in shown]


def place(bolt: object) -> str:
    return f'run = "main"\nstation = "{bolt.station_mm:.1f} mm"\nsetback = "{bolt.setback_mm:.1f} mm"\n'


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Survey]:
    """The job's folder, what was left of measuring it with corrections, and what the photos alone gave.

    The first bolt is struck out and added again as one that was missed; the foot of the second is moved.
    """
    job, out = tmp_path_factory.mktemp("job"), tmp_path_factory.mktemp("out")
    for photo in SCENE.glob("*.jpg"):
        shutil.copyfile(photo, job / photo.name)
    shutil.copyfile(PHONE_A, job / "phone.json")
    (job / "job.toml").write_text(JOB)
    status, told = run("measure", job / "job.toml", "-o", out)
    assert status in (0, 1), told
    alone = read_survey(out / "survey.json")
    first, second = alone.runs[0].bolts
    true_first, true_second = truth()["runs"][0]["bolts"]
    text = f"[[strike]]\n{place(first)}"
    for file, off_px in (("d6_01.jpg", (2.0, -1.0)), ("d6_02.jpg", (-1.0, 2.0))):
        base, tip = (upright_px(file, true_first[f"{end}_world_mm"], off_px) for end in ("base", "tip"))
        text += f'[[bolt]]\nkind = "missed"\nphoto = "{file}"\n{place(first)}base_px = {base}\ntip_px = {tip}\n'
    (file,) = true_second["photos"]
    base = upright_px(file, true_second["base_world_mm"], (-2.0, 1.0))
    text += f'[[bolt]]\nkind = "moved"\nphoto = "{file}"\n{place(second)}base_px = {base}\nby = "foreman"\n'
    (job / "corrections.toml").write_text(text)
    status, told = run("measure", job / "job.toml", "-o", out)
    assert status == 1, told
    return job, out, alone


def test_corrected_bolts_come_out_within_their_intervals_and_never_ok(measured: tuple[Path, Path, Survey]) -> None:
    _, out, alone = measured
    record = read_survey(out / "survey.json")
    (corrected,) = record.runs
    for bolt, before, true in zip(corrected.bolts, alone.runs[0].bolts, truth()["runs"][0]["bolts"], strict=True):
        assert abs(bolt.setback_mm - true["setback_mm"]) < bolt.u95.setback_mm < 2.0
        assert bolt.status == "check"
        assert bolt.reasons[0].code == "corrected-by-hand"
        assert (bolt.mark, bolt.diameter_mm) == (before.mark, before.diameter_mm)
    added, moved = corrected.bolts
    assert added.photos_alone is None
    assert moved.photos_alone is not None
    assert moved.photos_alone.setback_mm == alone.runs[0].bolts[1].setback_mm
    assert moved.photos_alone.u95 == alone.runs[0].bolts[1].u95
    struck = [finding.value_mm for finding in corrected.reasons if finding.code == "struck-by-hand"]
    assert struck == pytest.approx([alone.runs[0].bolts[0].station_mm], abs=1e-6)
    assert corrected.status == "check"


def test_the_sheet_says_who_placed_a_bolt_and_where_the_photos_had_it(measured: tuple[Path, Path, Survey]) -> None:
    page = (measured[1] / "report.html").read_text()
    assert "Placed by hand" in page
    assert "The photos alone had it" in page
    assert "because a person said that it is no bolt" in page


def test_the_package_keeps_the_corrections_and_measures_the_same_again(
    measured: tuple[Path, Path, Survey], tmp_path: Path
) -> None:
    job, out, _ = measured
    assert (out / "corrections.toml").read_bytes() == (job / "corrections.toml").read_bytes()
    status, told = run("archive", out, "-o", tmp_path / "store", "--photos", job)
    assert status == 0, told
    name = Path(told.splitlines()[0]).name
    kept = tmp_path / "store" / "packages" / name / "data" / "job" / "corrections.toml"
    assert kept.read_bytes() == (job / "corrections.toml").read_bytes()
    status, told = run("audit", tmp_path / "store", "--measure-again", name)
    assert status == 0, told
    assert "every number came out the same to its last digit" in told


def test_an_entry_that_meets_no_bolt_ends_with_a_sentence_and_nothing_written(
    measured: tuple[Path, Path, Survey], tmp_path: Path
) -> None:
    job = shutil.copytree(measured[0], tmp_path / "job")
    (job / "corrections.toml").write_text('[[strike]]\nrun = "main"\nstation = "2 ft"\nsetback = "2 in"\n')
    status, _ = run("measure", job / "job.toml", "-o", tmp_path / "out")
    assert status != 0
    assert not (tmp_path / "out" / "survey.json").exists()


def test_corrections_taken_away_are_told_of_and_kept_under_another_name(
    measured: tuple[Path, Path, Survey], tmp_path: Path
) -> None:
    _, out, alone = measured
    job, again = shutil.copytree(measured[0], tmp_path / "job"), shutil.copytree(out, tmp_path / "out")
    before = (job / "corrections.toml").read_bytes()
    (job / "corrections.toml").unlink()
    _, told = run("measure", job / "job.toml", "-o", again)
    assert "corrections.tomlwasnotmeasuredwith;itiskeptas" in "".join(told.split())
    assert not (again / "corrections.toml").exists()
    assert (again / "corrections-before.toml").read_bytes() == before
    assert read_survey(again / "survey.json").runs == alone.runs
