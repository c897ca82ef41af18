"""A first look at one photo says whether it is worth keeping, in the words of the record."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from sillwright.job import Job, RunJob, load_job
from sillwright.measure.glance import glance

DEMO = Path(__file__).resolve().parents[1] / "demo_images" / "lot12"


@pytest.fixture(scope="module")
def demo() -> Job:
    return load_job(DEMO / "job.toml")


def in_job(demo: Job, folder: Path, pixels: np.ndarray) -> tuple[Job, Path]:
    """The demo's job in another folder, with one photo there."""
    path = folder / "one.jpg"
    cv2.imwrite(str(path), pixels)
    runs = tuple(RunJob(run.name, (path,), run.cards, run.line_marks) for run in demo.runs)
    return replace(demo, folder=folder, runs=runs, corners=(), profile_path=None), path


def stored(demo: Job) -> np.ndarray:
    return cv2.imread(str(demo.runs[0].photos[1]), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)


def test_a_good_photo_is_ok_and_tells_its_cards(demo: Job) -> None:
    seen = glance(demo, ["north"], demo.runs[0].photos[1])
    assert (seen.status, seen.cards) == ("ok", (1, 2))


def test_a_photo_of_another_run_is_to_be_shot_again(demo: Job) -> None:
    seen = glance(demo, ["east"], demo.runs[0].photos[1])
    assert seen.status == "reshoot"
    assert {reason.code for reason in seen.reasons} == {"other-run"}


def test_a_corner_photo_serves_both_runs(demo: Job) -> None:
    seen = glance(demo, ["north", "east"], demo.corners[0].photos[0])
    assert seen.status != "reshoot"
    assert any(n <= 6 for n in seen.cards)
    assert any(n >= 7 for n in seen.cards)


def test_a_corner_photo_in_a_run_whose_cards_are_not_listed_shows_cards_of_two_walls(demo: Job) -> None:
    open_run = RunJob("north", demo.runs[0].photos)
    seen = glance(replace(demo, runs=(open_run,), corners=(), profile_path=None), ["north"], demo.corners[0].photos[1])
    assert next(reason.code for reason in seen.reasons) == "two-walls"
    assert seen.status == "check"


@pytest.mark.parametrize(
    ("change", "status", "code"),
    [
        (lambda pixels: cv2.GaussianBlur(pixels, (0, 0), 3.1), "check", "blurred"),
        (lambda pixels: (pixels * 0.22).astype(np.uint8), "check", "too-dark"),
        (lambda pixels: pixels[:, ::-1], "reshoot", "mirrored"),
        (lambda pixels: np.full_like(pixels, 120), "reshoot", "no-cards"),
        (lambda pixels: cv2.resize(pixels, None, fx=0.3, fy=0.3, interpolation=cv2.INTER_AREA), "check", "too-coarse"),
    ],
)
def test_what_is_wrong_with_a_photo_is_named(demo: Job, tmp_path: Path, change, status: str, code: str) -> None:
    job, path = in_job(demo, tmp_path, change(stored(demo)))
    seen = glance(job, ["north"], path)
    assert code in {reason.code for reason in seen.reasons}
    assert seen.status == status


def test_a_photo_with_one_card_wants_a_second_look(demo: Job, tmp_path: Path) -> None:
    pixels = stored(demo)
    whole = glance(demo, ["north"], demo.runs[0].photos[1])
    assert len(whole.cards) == 2
    cards = [glance(*_given(in_job(demo, tmp_path, half))).cards for half in _halves(pixels)]
    index = next(i for i, found in enumerate(cards) if len(found) == 1)
    job, path = in_job(demo, tmp_path, _halves(pixels)[index])
    seen = glance(job, ["north"], path)
    assert "one-card" in {reason.code for reason in seen.reasons}
    assert seen.status != "ok"


def _given(made: tuple[Job, Path]) -> tuple[Job, list[str], Path]:
    return made[0], ["north"], made[1]


def _halves(pixels: np.ndarray) -> list[np.ndarray]:
    """The photo with one side of it gray."""
    middle = pixels.shape[1] // 2, pixels.shape[0] // 2
    made = []
    for part in (np.s_[:, : middle[0]], np.s_[:, middle[0] :], np.s_[: middle[1]], np.s_[middle[1] :]):
        half = pixels.copy()
        half[part] = 120
        made.append(half)
    return made


def test_a_file_that_is_no_photo_is_to_be_shot_again(demo: Job, tmp_path: Path) -> None:
    path = tmp_path / "x.jpg"
    path.write_bytes(b"#!/bin/sh\n")
    seen = glance(replace(demo, folder=tmp_path), ["north"], path)
    assert (seen.status, [reason.code for reason in seen.reasons]) == ("reshoot", ["unreadable"])
