"""What a run shows of cards that lie on something, and how a run in doubt takes its bolts and corners along."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from scenes import PHONE
from sillwright.camera import rotation_from_vector
from sillwright.job import RunJob
from sillwright.measure.corner import OF_ALL_ON_A_RUN, doubted
from sillwright.measure.lenses import LensOfPhoto
from sillwright.measure.line import ChosenLine
from sillwright.measure.misfit import feet_lie_low, foot_stands_high, has_no_plane, no_foot_vouches
from sillwright.measure.runs import LaidRun, _result
from sillwright.measure.verdict import Judged
from sillwright.profile import Lens
from sillwright.solve.axis import AxisFit
from sillwright.survey import CornerRecord, Finding, RunRecord
from small_run import TAPED, bare_job, run


def fit_with_foot(level_mm: float, sigma_mm: float) -> AxisFit:
    covariance = np.diag([0.1, 0.1, 0.1, 0.1, 0.3, 0.01, sigma_mm**2])
    return AxisFit(np.array([300.0, 70.0, 301.0, 71.0, 80.0, 6.35, level_mm]), covariance, 0.3, 200, True)


@pytest.mark.parametrize(
    ("levels_mm", "low"),
    [
        ([-2.6, -2.4], True),
        ([-2.6, -2.4, 2.5], False),  # a washer on a third
        ([-2.5], False),  # one foot may stand in a hollow
        ([-3.0], True),  # not in one so deep without a word
        ([0.4, -0.6, -0.2], False),
        ([2.4, 2.6], False),  # washers under both
        ([], False),
    ],
)
def test_cards_on_boards_show_by_the_feet_of_several_bolts(levels_mm: list[float], low: bool) -> None:
    assert feet_lie_low([fit_with_foot(level, 0.5) for level in levels_mm]) is low


def test_a_foot_that_is_hardly_seen_does_not_outvote_one_that_is() -> None:
    assert feet_lie_low([fit_with_foot(-2.4, 0.4), fit_with_foot(0.0, 0.79)])
    assert not feet_lie_low([fit_with_foot(-0.2, 0.4), fit_with_foot(-2.4, 0.79)])
    assert not feet_lie_low([fit_with_foot(-3.0, 0.7)])
    assert feet_lie_low([fit_with_foot(-3.0, 0.4), fit_with_foot(0.0, 0.79)])


@pytest.mark.parametrize(
    ("level_mm", "sigma_mm", "high"), [(3.3, 0.4, True), (3.1, 0.4, False), (3.3, 0.7, False), (-4.0, 0.4, False)]
)
def test_one_foot_surely_seen_above_the_concrete_shows_cards_thinner_than_stated(
    level_mm: float, sigma_mm: float, high: bool
) -> None:
    assert foot_stands_high([fit_with_foot(0.2, 0.4), fit_with_foot(level_mm, sigma_mm)]) is high


@pytest.mark.parametrize(("sigmas_mm", "none"), [((), False), ((0.79,), True), ((0.6,), False), ((0.79, 0.3), False)])
def test_only_a_foot_that_is_seen_bears_out_how_high_the_cards_lie(sigmas_mm: tuple[float, ...], none: bool) -> None:
    assert no_foot_vouches([fit_with_foot(-0.3, sigma_mm) for sigma_mm in sigmas_mm]) is none


@pytest.mark.parametrize(
    ("tilts_deg", "none"), [((0.1, 2.0), True), ((0.1, 0.3), False), ((0.1, 0.2, 2.0), False), ((0.1, 2.0, 2.0), True)]
)
def test_two_cards_of_which_one_is_tilted_give_no_plane_and_three_do(tilts_deg: tuple[float, ...], none: bool) -> None:
    cards = [
        SimpleNamespace(rotation=rotation_from_vector(np.array([np.pi - np.radians(tilt), 0.0, 0.0])))
        for tilt in tilts_deg
    ]
    state = SimpleNamespace(cards=cards)
    block = SimpleNamespace(numbers=tuple(range(len(cards))), solution=SimpleNamespace(state=state))
    assert has_no_plane(block) is none


@pytest.mark.parametrize(("poor", "status"), [((), "ok"), ((Path("a.jpg"),), "check"), ((Path("z.jpg"),), "ok")])
def test_a_photo_that_does_not_fit_another_run_keeps_this_runs_bolts_from_ok(
    poor: tuple[Path, ...], status: str
) -> None:
    _, block, found = run(1.0)
    job = bare_job(RunJob("north", (), (1, 2)))
    lens = LensOfPhoto(Lens(PHONE, np.eye(9)), (), ())
    laid = LaidRun(
        job.runs[0], block, ChosenLine(0.0, 0.0, "blue", (0, 1), None), {}, dict.fromkeys(block.photos, lens)
    )
    names = {path: path.name for path in block.photos}
    made = _result(job, laid, [Judged(found, (), ())], TAPED, [(None, None)] * 2, poor, names).record
    assert [bolt.status for bolt in made.bolts] == [status]
    assert [r.photos for r in made.reasons if r.code == "misfit"] == ([("a.jpg",)] if status == "check" else [])


@pytest.mark.parametrize(("torn", "status"), [(0, "ok"), (1, "ok"), (2, "check")])
def test_where_most_bolts_are_seen_otherwise_by_each_photo_the_others_are_not_ok(torn: int, status: str) -> None:
    _, block, found = run(1.0)
    job = bare_job(RunJob("north", (), (1, 2)))
    lens = LensOfPhoto(Lens(PHONE, np.eye(9)), (), ())
    line = ChosenLine(0.0, 0.0, "blue", (0, 1), None)
    laid = LaidRun(job.runs[0], block, line, {}, dict.fromkeys(block.photos, lens))
    names = {path: path.name for path in block.photos}
    judged = [Judged(found, ("views-disagree",) if k < torn else (), ()) for k in range(3)]
    made = _result(job, laid, judged, TAPED, [(None, None)] * 2, (), names).record
    assert {bolt.status for bolt in made.bolts[torn:]} == {status}


@pytest.mark.parametrize("code", OF_ALL_ON_A_RUN)
def test_a_corner_is_no_surer_than_the_runs_that_meet_in_it(code: str) -> None:
    corner = CornerRecord(("north", "east"), 90.0, 0.05, {"north": 1000.0, "east": -40.0}, "ok", ())
    sound = RunRecord("north", "ok", (Finding("scale-not-taped"),), (), (), "inside")
    assert doubted(corner, (sound, sound)) == corner
    spoiled = replace(sound, name="east", reasons=(Finding(code, ("a.jpg",)),))
    told = doubted(corner, (sound, spoiled))
    assert (told.status, told.reasons) == ("check", spoiled.reasons)
    lost = replace(corner, angle_deg=None, u95_deg=None, status="reshoot")
    assert doubted(lost, (sound, spoiled)) == lost
