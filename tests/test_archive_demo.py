"""From the demo's photos to a package, and from the package alone back to the same numbers."""

from __future__ import annotations

import shutil
from pathlib import Path

from click.testing import CliRunner

from sillwright.cli.app import app

DEMO = Path(__file__).resolve().parents[1] / "demo_images" / "porch"


def run(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(app, [str(word) for word in words])
    return done.exit_code, done.output


def test_measured_again_from_the_package_alone_every_number_is_the_same(tmp_path):
    out = tmp_path / "out"
    assert run("measure", DEMO / "job.toml", "-o", out)[0] == 0
    status, told = run("archive", out, "-o", tmp_path / "store", "--photos", DEMO, "--signed-off", "R. Diaz")
    assert status == 0, told
    name = Path(told.splitlines()[0]).name
    (tmp_path / "store").rename(tmp_path / "moved")
    shutil.rmtree(out)
    status, told = run("audit", tmp_path / "moved", "--measure-again", name)
    assert status == 0, told
    assert "every number came out the same to its last digit" in told
    status, told = run("find", tmp_path / "moved", "--lot", "12", "--status", "ok")
    assert status == 0
    assert "2 bolts" in told
