"""A wrong bolt size in the job file: told as that, and not as photos to shoot again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

import small_run
from sillwright.fasteners import BOLT_SIZES, bolt_size
from sillwright.job import RunJob, load_job
from sillwright.measure import jobs, measure_job, other_size
from sillwright.measure.line import ChosenLine
from sillwright.measure.runs import LaidRun, SearchedRun, finish_run
from sillwright.measure.scale import ScaleVerdict, SizeSeen, looks_like_size
from sillwright.measure.verdict import Judged
from sillwright.measure.work import Crew
from small_run import bare_job

LOT = Path(__file__).resolve().parents[1] / "demo_images" / "lot12"
TWICE, ONCE = SimpleNamespace(views=(0, 1)), SimpleNamespace(views=(0,))
CLEAR, DOUBTED = SimpleNamespace(doubts=(), found=TWICE), SimpleNamespace(doubts=("weak-evidence",), found=TWICE)
SEEN_ONCE = SimpleNamespace(doubts=(), found=ONCE)


def photos_of(stated: str, *names: str):
    """A job of a few photos of the demo's north wall, which has 1/2 in bolts."""
    job = load_job(LOT / "job.toml")
    run = replace(job.runs[0], photos=tuple(LOT / "north" / name for name in names), tape=())
    return replace(job, runs=(run,), corners=(), bolt=bolt_size(stated))


def test_the_size_that_stands_is_named_where_none_of_the_stated_size_does() -> None:
    (run,) = measure_job(photos_of("5/8 in", "IMG_2042.jpg", "IMG_2043.jpg")).runs
    (told,) = [finding for finding in run.reasons if finding.code == "bolt-size"]
    assert told.value_mm == bolt_size("1/2 in").diameter_mm
    assert run.status == "check"
    assert "no-bolts" not in [finding.code for finding in run.reasons]


@pytest.mark.parametrize("stated", ["1/2 in", "5/8 in"])
def test_a_run_that_shows_a_bolt_is_searched_once_and_one_photo_too(
    stated: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def tried(*_: object) -> None:
        raise AssertionError("it tried other sizes")

    monkeypatch.setattr(jobs, "other_size", tried)
    (run,) = measure_job(photos_of(stated, "IMG_2042.jpg")).runs
    assert bool(run.bolts) == (stated == "1/2 in")


@pytest.mark.parametrize(
    ("seen", "told_mm"),
    [
        ({}, None),
        ({"5/8-11 UNC": ([DOUBTED, DOUBTED], 1.0)}, None),
        ({"5/8-11 UNC": ([SEEN_ONCE, SEEN_ONCE], 1.0)}, None),
        ({"5/8-11 UNC": ([CLEAR, DOUBTED], 1.01), "3/4-10 UNC": ([DOUBTED], 1.0)}, 15.875),
        ({"5/8-11 UNC": ([CLEAR], 1.0), "3/4-10 UNC": ([CLEAR, CLEAR], 0.96)}, 19.05),
        ({"1/2-13 UNC": ([CLEAR, CLEAR], 1.01), "3/4-10 UNC": ([CLEAR, CLEAR], 0.8)}, 12.7),
        ({"1/2-13 UNC": ([CLEAR, CLEAR], 0.95)}, 12.0),
    ],
)
def test_of_the_sizes_that_find_most_bolts_the_one_they_come_out_nearest_to_is_told(
    seen: dict, told_mm: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried = []

    def searched(job, *_):
        tried.append(job.bolt.diameter_mm)
        judged, ratio = seen.get(job.bolt.name, ([], None))
        return SimpleNamespace(judged=judged, sizes=() if ratio is None else (SizeSeen(ratio, 0.01),))

    monkeypatch.setattr(other_size, "search_run", searched)
    stated = BOLT_SIZES[-1] if "5/8-11 UNC" not in seen else BOLT_SIZES[0]
    job = replace(bare_job(), bolt=stated)
    with Crew(1) as crew:
        told = other_size.other_size(job, SimpleNamespace(laid=None, edges=()), (0.0, 1.0), crew)
    assert (told.value_mm if told else None) == pytest.approx(told_mm)
    assert tried == pytest.approx([15.875, 19.05] if stated is BOLT_SIZES[0] else [12.7, 19.05])


@pytest.mark.parametrize(
    ("stated", "large_by", "trusted", "told_mm"),
    [
        ("1/2 in", 0.23, False, 15.875),
        ("5/8 in", 0.18, False, 19.05),
        ("1/2 in", 0.06, False, None),  # a print shrunk by 6 % looks the same
        ("1/2 in", 0.15, False, None),  # like no listed size
        ("1/2 in", 0.23, True, None),
        ("1/2 in", None, False, None),
    ],
)
def test_bolts_found_under_too_small_a_size_are_told_by_how_large_they_look(
    stated: str, large_by: float | None, trusted: bool, told_mm: float | None
) -> None:
    told = looks_like_size(bolt_size(stated), ScaleVerdict("print", 0.08, ("scale-wrong",), trusted, large_by))
    assert (told.value_mm if told else None) == pytest.approx(told_mm)


def test_the_size_they_look_like_is_told_first() -> None:
    _, block, found = small_run.run(1.0)
    laid = LaidRun(RunJob("north", ()), block, ChosenLine(0.0, 0.0, "blue", (0, 1), None), {}, {})
    known = SimpleNamespace(findings=())
    laid = replace(laid, lenses=dict.fromkeys(block.photos, known))
    searched = SearchedRun(laid, (Judged(found, (), ()),), (), (SizeSeen(1.24, 0.01),), (), ())
    names = {path: path.name for path in block.photos}
    reasons = finish_run(bare_job(), searched, searched.sizes, (), names).record.reasons
    assert [finding.code for finding in reasons][:2] == ["bolt-size", "scale-wrong"]
