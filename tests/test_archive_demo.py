"""From the demo's photos to a package, and from the package alone back to the same numbers."""

from __future__ import annotations

import shutil
from pathlib import Path

from click.testing import CliRunner

from sillwright.cli.app import app

ROOT = Path(__file__).resolve().parents[1]
EAST = ROOT / "demo_images" / "lot12" / "east"
JOB = """\
name = "Lot 12, side door"
[plate]
size = "2x6"
[bolts]
diameter = "1/2 in"
[camera]
profile = "phone.json"
[[run]]
name = "east"
photos = ["IMG_*.jpg"]
cards = [7, 8]
line_marks = "inside"
[[run.tape]]
from_card = 7
to_card = 8
length = "30 in"
"""


def run(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(app, [str(word) for word in words])
    return done.exit_code, done.output


def test_measured_again_from_the_package_alone_every_number_is_the_same(tmp_path):
    out, job = tmp_path / "out", shutil.copytree(EAST, tmp_path / "job")
    shutil.copyfile(ROOT / "calibration" / "demo-phone.json", job / "phone.json")
    (job / "job.toml").write_text(JOB)
    assert run("measure", job / "job.toml", "-o", out)[0] in (0, 1)
    status, told = run("archive", out, "-o", tmp_path / "store", "--photos", job, "--signed-off", "quality checker")
    assert status == 0, told
    name = Path(told.splitlines()[0]).name
    (tmp_path / "store").rename(tmp_path / "moved")
    shutil.rmtree(out)
    shutil.rmtree(job)
    status, told = run("audit", tmp_path / "moved", "--measure-again", name)
    assert status == 0, told
    assert "every number came out the same to its last digit" in told
    status, told = run("find", tmp_path / "moved", "--lot", "12", "--setback-over", "2 in")
    assert status == 0
    assert "3 bolts" in told
