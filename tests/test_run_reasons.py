"""What a run says of plate and photos that its numbers alone would keep quiet about."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from sillwright.job import RunJob, load_job
from sillwright.measure import measure_job, runs
from sillwright.survey import Survey

GARAGE = Path(__file__).resolve().parents[1] / "demo_images" / "garage"


def measured(monkeypatch: pytest.MonkeyPatch, run: RunJob) -> Survey:
    monkeypatch.setattr(runs, "find_bolts", lambda *_: [])
    monkeypatch.setattr("sillwright.measure.jobs.other_size", lambda *_: None)
    return measure_job(replace(load_job(GARAGE / "job.toml"), runs=(run,)))


def test_a_photo_of_other_cards_only_is_told_of_though_a_chain_of_cards_joins_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    photos = (GARAGE / "IMG_2042.jpg", GARAGE / "IMG_2043.jpg")  # of cards 1 and 2, and of 2 and 3
    survey = measured(monkeypatch, RunJob("north", photos, cards=(1,)))
    assert [photo.used for photo in survey.photos] == [True, True]
    told = {photo.file: {f.code: f.cards for f in photo.reasons} for photo in survey.photos}
    assert "other-run" not in told["IMG_2042.jpg"]
    assert told["IMG_2043.jpg"]["other-run"] == (2, 3)
    assert survey.photos[1].status == "check"
