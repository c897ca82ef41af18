"""What ``check`` says to shoot again, and where it says to stand."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sillwright.cli.app import app
from sillwright.judge.stand import ASIDE_MM, where_to_stand
from sillwright.survey import BoltRecord, BoltU95, Finding, PhotoRecord, RunRecord, Survey, ViewRecord
from sillwright.tell.advice import advice_lines, closing_line

LOT = Path(__file__).resolve().parents[1] / "demo_images" / "lot12"
DOWN = np.diag([1.0, -1.0, -1.0])


def photo(file: str, over_mm: float, *reasons: Finding) -> PhotoRecord:
    """A photo taken 1.3 m over a station, looking straight down."""
    shift = -DOWN @ np.array([over_mm, 0.0, 1300.0])
    view = ViewRecord("north", tuple(map(tuple, DOWN.tolist())), tuple(shift.tolist()))
    return PhotoRecord(file, True, "check" if reasons else "ok", reasons, views=(view,))


def bolt(at_mm: float, photos: tuple[str, ...], *codes: str) -> BoltRecord:
    return BoltRecord(
        mark="N1",
        station_mm=at_mm,
        setback_mm=70.0,
        lean_along_mm=None,
        lean_across_mm=None,
        lean_deg=None,
        stickup_mm=None,
        stickup_from=None,
        diameter_mm=12.7,
        u95=BoltU95(1.0, 0.6, None, None, None, None),
        status="check" if codes else "ok",
        reasons=tuple(Finding(code) for code in codes),
        photos=photos,
    )


def survey(bolts: tuple[BoltRecord, ...], photos: tuple[PhotoRecord, ...], *reasons: Finding) -> Survey:
    run = RunRecord("north", "check" if reasons else "ok", reasons, bolts, (), "outside")
    return Survey("job", (run,), (), photos)


@pytest.mark.parametrize(("from_mm", "toward"), [(900.0, 1.0), (1100.0, -1.0)])
def test_the_next_photo_is_asked_for_from_the_side_the_bolt_was_not_seen_from(from_mm: float, toward: float) -> None:
    one = survey((bolt(1000.0, ("a.jpg",), "one-view"),), (photo("a.jpg", from_mm), photo("b.jpg", 4000.0)))
    (stand,) = where_to_stand(one)
    assert stand.phone_at_mm == pytest.approx(1000.0 + toward * ASIDE_MM)
    assert stand.aside_mm == pytest.approx(toward * ASIDE_MM)


def test_a_bolt_that_is_ok_asks_for_nothing() -> None:
    good = survey((bolt(1000.0, ("a.jpg", "b.jpg")),), (photo("a.jpg", 700.0), photo("b.jpg", 1300.0)))
    assert where_to_stand(good) == ()
    assert advice_lines(good) == ()
    assert closing_line(good, ()) == "1 bolt found in 2 photos. Nothing to shoot again."


def test_no_photo_is_asked_for_where_only_a_tape_helps() -> None:
    shrunk = survey((bolt(1000.0, ("a.jpg",), "wide-interval", "scale-wrong"),), (photo("a.jpg", 900.0),))
    assert where_to_stand(shrunk) == ()


def test_a_stand_is_told_in_feet_and_inches_and_back_where_it_is_before_the_zero_mark() -> None:
    one = survey((bolt(100.0, ("a.jpg",), "one-view"),), (photo("a.jpg", 300.0),))
    (line,) = advice_lines(one)
    assert line.startswith('Bolt N1 on north, at 4". ')
    assert line.endswith('Here: hold the phone over 1\' 2" back, 18" from the bolt toward lower stations.')


def test_photos_come_first_and_a_reason_told_of_a_photo_is_not_told_again_of_its_run() -> None:
    apart = Finding("not-joined", ("b.jpg", "a.jpg"))
    one = survey((), (photo("a.jpg", 0.0), photo("b.jpg", 2000.0, apart)), apart, Finding("no-bolts"))
    lines = advice_lines(one)
    assert [line.split(".")[0] for line in lines] == ["b", "Run north"]
    assert "shares no card" in lines[0]
    assert "No bolt was found" in lines[1]
    assert closing_line(one, lines).startswith("0 bolts found in 2 photos. 2 things to mend.")


def test_notes_that_no_photo_mends_are_left_to_the_report() -> None:
    one = survey((bolt(1000.0, ("a.jpg", "b.jpg")),), (photo("a.jpg", 700.0),), Finding("scale-not-taped"))
    assert advice_lines(one) == ()


def test_the_command_says_what_is_missing_and_writes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    photos = sorted((LOT / "north").glob("*.jpg"))
    done = CliRunner().invoke(app, ["check", str(photos[0]), str(photos[-1])])
    assert done.exit_code == 1, done.output
    assert "shares no card with photo" in done.output
    assert "things to mend" in done.output
    assert list(tmp_path.iterdir()) == []


def test_the_command_takes_a_job_and_has_nothing_to_say_of_a_good_one() -> None:
    done = CliRunner().invoke(app, ["check", str(LOT / "job.toml")])
    assert done.exit_code == 0, done.output
    assert done.output == "8 bolts found in 11 photos. Nothing to shoot again.\n"


def test_measuring_loads_nothing_of_scipy() -> None:
    """A second of processor time, in every worker again, while the crew stands there."""
    loaded = "import sillwright.measure, sys; print(sorted(name for name in sys.modules if name.startswith('scipy')))"
    told = subprocess.run([sys.executable, "-c", loaded], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"
