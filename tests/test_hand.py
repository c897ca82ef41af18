"""Points marked by hand as observations of a bolt: their derivatives, bolts by points alone, and what ± they leave."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scenes import PHONE, overhead
from sillwright.camera import Camera, Pose, project, rotation_from_vector
from sillwright.outline import Bolt
from sillwright.solve.axis import RADIUS_SIGMA
from sillwright.solve.hand import HAND_SIGMA_PX, HandPoint, cost_of_hand, hand_rows, hand_sensitivities, off_px
from sillwright.solve.hand_axis import Known, disagreement, fit_points, is_pulled, rough_axis

POSES = (
    overhead(150.0, -30.0, 1250.0, lean_deg=(4.0, 2.0), turn_deg=3.0),
    overhead(800.0, 20.0, 1300.0, lean_deg=(2.0, -3.0), turn_deg=178.0),
)
RADIUS_MM = 6.35
NORMAL_95 = 1.96


def place(x: float, y: float, lean_x: float, lean_y: float, height: float, level: float = 0.0) -> np.ndarray:
    return np.array([x, y, x + lean_x, y + lean_y, height, RADIUS_MM, level])


def points_of(bolt: np.ndarray, ends: str = "base tip", photos: tuple[int, ...] = (0, 1), off: object = 0.0) -> list:
    """Points as a finger would set them that is off by so many pixels; feet on the mean plane."""
    where = {"base": np.append(bolt[:2], 0.0), "tip": bolt[2:5]}
    points = [
        HandPoint(i, PHONE, POSES[i], end, project(PHONE, POSES[i], where[end][None])[0])
        for i in photos
        for end in ends.split()
    ]
    off = np.broadcast_to(np.asarray(off, dtype=float), (len(points), 2))
    return [HandPoint(p.photo, p.camera, p.pose, p.end, p.px + by) for p, by in zip(points, off, strict=True)]


PLACES = st.builds(
    place,
    st.floats(350.0, 600.0), st.floats(20.0, 120.0), st.floats(-9.0, 9.0), st.floats(-9.0, 9.0), st.floats(50.0, 120.0),
)  # fmt: skip
FINGER = st.lists(st.tuples(st.floats(-4.0, 4.0), st.floats(-4.0, 4.0)), min_size=4, max_size=4)


@settings(max_examples=40, deadline=None)
@given(PLACES, st.floats(-3.0, 3.0))
def test_rows_are_the_derivatives_of_where_a_photo_shows_the_points(bolt: np.ndarray, level_mm: float) -> None:
    bolt = np.append(bolt[:6], level_mm)
    points = points_of(bolt)
    rows, _ = hand_rows(bolt, points)
    for k in range(7):
        step = np.zeros(7)
        step[k] = 1e-3
        moved = -(off_px(bolt + step, points) - off_px(bolt - step, points)).ravel() / 2e-3
        assert rows[:, k] * HAND_SIGMA_PX == pytest.approx(moved, abs=1e-5)


def test_a_fit_moves_with_pose_and_lens_as_it_is_said_to() -> None:
    bolt = place(450.0, 70.0, 3.0, 2.0, 92.0)

    def fitted(pose: Pose, camera: Camera) -> np.ndarray:
        first, *rest = points_of(bolt, photos=(0,))
        points = [HandPoint(0, camera, pose, p.end, p.px) for p in (first, *rest)] + points_of(bolt, photos=(1,))
        return fit_points(points, bolt, RADIUS_MM, RADIUS_SIGMA, None, None).parameters

    points = points_of(bolt)
    fit = fit_points(points, bolt, RADIUS_MM, RADIUS_SIGMA, None, None)
    by_pose, by_lens = hand_sensitivities(points, fit.parameters, fit.covariance)
    for k in range(6):
        step = np.eye(6)[k] * (1e-5 if k < 3 else 1e-2)
        turned = Pose(rotation_from_vector(step[:3]) @ POSES[0].rotation, POSES[0].translation_mm + step[3:])
        moved = (fitted(turned, PHONE) - fit.parameters) / step[k]
        assert (by_pose[0] + by_pose[1])[:, k] == pytest.approx(moved, rel=2e-3, abs=2e-3 * np.abs(moved).max())
    wider = PHONE.with_parameters(PHONE.parameters + np.eye(9)[0])
    moved = fitted(POSES[0], wider) - fit.parameters
    assert (by_lens[0] + by_lens[1])[:, 0] == pytest.approx(moved, rel=5e-3, abs=1e-4)


@settings(max_examples=40, deadline=None)
@given(PLACES, FINGER)
def test_points_in_two_photos_give_foot_and_tip_within_the_width_of_the_hand(bolt: np.ndarray, off: list) -> None:
    points = points_of(bolt, off=off)
    start = rough_axis(points, place(0.0, 0.0, 0.0, 0.0, 75.0))
    fit = fit_points(points, start, RADIUS_MM, RADIUS_SIGMA, None, None)
    sigma = np.sqrt(np.diag(fit.covariance))
    assert np.abs((fit.parameters - bolt)[:5] / sigma[:5]).max() < 3.0
    assert 0.5 < sigma[1] < 2.0  # two fingers of 3 px, where a millimetre has some 2.5
    assert not is_pulled(fit, points)


def test_a_hand_worse_than_it_is_taken_for_is_told_by_its_own_scatter() -> None:
    """Three times as far off as a finger should be: an interval of the usual width held 72 times in 100."""
    rng = np.random.default_rng(3)
    bolt = place(450.0, 70.0, 2.0, 4.0, 85.0)
    held, usual = [], []
    for _ in range(150):
        points = points_of(bolt, off=rng.normal(0.0, 3.0 * HAND_SIGMA_PX, (4, 2)))
        fit = fit_points(points, rough_axis(points, bolt), RADIUS_MM, RADIUS_SIGMA, None, None)
        variance = np.diag(fit.covariance + disagreement(points, fit))
        held.append(abs(fit.parameters[1] - bolt[1]) < NORMAL_95 * np.sqrt(variance[1]))
        points = points_of(bolt, off=rng.normal(0.0, HAND_SIGMA_PX, (4, 2)))
        fit = fit_points(points, rough_axis(points, bolt), RADIUS_MM, RADIUS_SIGMA, None, None)
        usual.append(not disagreement(points, fit).any())
    assert np.mean(held) > 0.88
    assert np.mean(usual) > 0.9


@settings(max_examples=40, deadline=None)
@given(PLACES, st.floats(40.0, 150.0), st.floats(0.0, 6.2))
def test_fingers_that_do_not_meet_leave_a_width_that_reaches_the_truth(
    bolt: np.ndarray, far_px: float, way: float
) -> None:
    """The foot right in one photo and far off in the other: nothing says which, so the ± must reach it."""
    aside = far_px * np.array([np.cos(way), np.sin(way)])
    points = points_of(bolt, "base", (0,)) + points_of(bolt, "base", (1,), [aside])
    fit = fit_points(points, rough_axis(points, bolt), RADIUS_MM, RADIUS_SIGMA, None, Known(bolt, np.eye(7)))
    u95 = NORMAL_95 * np.sqrt(np.diag(fit.covariance + disagreement(points, fit)))
    off = np.abs((fit.parameters - bolt)[:2])
    assert is_pulled(fit, points)
    assert np.hypot(*u95[:2]) > np.hypot(*off)
    assert np.hypot(*u95[:2]) > 5.0


@settings(max_examples=40, deadline=None)
@given(PLACES)
def test_a_tip_in_one_photo_lies_at_the_stickup_that_is_known(bolt: np.ndarray) -> None:
    stickup_mm = float(np.linalg.norm(bolt[2:5] - np.append(bolt[:2], 0.0)))
    points = points_of(bolt, photos=(0,))
    start = rough_axis(points, place(0.0, 0.0, 0.0, 0.0, 75.0))
    fit = fit_points(points, start, RADIUS_MM, RADIUS_SIGMA, (stickup_mm, 3.0), None)
    sigma = np.sqrt(np.diag(fit.covariance))
    assert np.abs((fit.parameters - bolt)[:5] / sigma[:5]).max() < 1.0
    assert sigma[4] > 2.5  # no finger in one photo tells the height better than the stick-up is known


def test_an_end_that_was_not_marked_stays_where_it_was_known() -> None:
    truth = Bolt(np.array([450.0, 70.0, 0.0]), np.array([453.0, 72.0, 92.0]), RADIUS_MM)
    before = np.array([462.0, 70.0, *truth.tip_mm, RADIUS_MM, 0.0])
    points = points_of(np.array([*truth.base_mm[:2], *truth.tip_mm, RADIUS_MM, 0.0]), "base", (0,))
    known = Known(before, np.diag([1.0, 1.0, 0.04, 0.04, 0.25, 0.01, 0.5]))
    fit = fit_points(points, rough_axis(points, before), RADIUS_MM, RADIUS_SIGMA, None, known)
    assert fit.base_mm == pytest.approx(truth.base_mm, abs=0.1)
    assert fit.tip_mm == pytest.approx(truth.tip_mm, abs=0.1)


@settings(max_examples=40, deadline=None)
@given(PLACES, FINGER)
def test_the_cost_of_leaving_points_is_half_their_squared_sigmas(bolt: np.ndarray, off: list) -> None:
    points = points_of(bolt, off=off)
    _, residual = hand_rows(bolt, points)
    assert cost_of_hand(np.stack([bolt, bolt]), points) == pytest.approx(0.5 * float(residual @ residual))


PIXEL = st.tuples(st.floats(0.0, PHONE.width_px - 1.0), st.floats(0.0, PHONE.height_px - 1.0))


@settings(max_examples=40, deadline=None)
@given(st.lists(PIXEL, min_size=4, max_size=4))
def test_points_anywhere_in_the_photos_give_numbers_and_those_that_cannot_meet_wide_ones(pixels: list) -> None:
    ends = [(0, "base"), (0, "tip"), (1, "base"), (1, "tip")]
    points = [HandPoint(i, PHONE, POSES[i], end, np.array(px)) for (i, end), px in zip(ends, pixels, strict=True)]
    start = rough_axis(points, place(450.0, 70.0, 0.0, 0.0, 75.0))
    start[2:5] = [*start[:2], 75.0]
    fit = fit_points(points, start, RADIUS_MM, RADIUS_SIGMA, None, None)
    covariance = fit.covariance + disagreement(points, fit)
    assert np.isfinite(fit.parameters).all()
    assert (np.diag(covariance) > 0.0).all()
    if is_pulled(fit, points):
        assert np.sqrt(covariance[0, 0] + covariance[1, 1]) > 2.0
