"""A bolt laid over pictures of it whose truth is exact: where the fit comes to rest, and what it says of itself."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from scene_pictures import bolt_view, rough_glimpse
from scenes import PHONE, Bar, Scene, axis_parameters, draw_bolt, fit_axis, overhead
from sillwright.camera import Pose, project
from sillwright.fasteners import bolt_size
from sillwright.outline import DENSE, Bolt
from sillwright.solve import axis as fitting
from sillwright.solve import climb as climbing
from sillwright.solve.axis import AxisFit, BoltView, fit_axes, part_evidence, sensitivities
from sillwright.solve.climb import climb, tip_on_ray, weigh

SIZES = ("1/2 in", "5/8 in", "3/4 in", "M12", "M16")
POSES = (
    overhead(150.0, -30.0, 1250.0, lean_deg=(4.0, 2.0), turn_deg=3.0),
    overhead(800.0, 20.0, 1300.0, lean_deg=(2.0, -3.0), turn_deg=178.0),
)
DEPTH = 0.6134  # height of an external thread over its pitch, ASME B1.1


@cache
def seen(size: str, seed: int = 0, *, threads: bool = False) -> tuple[Bolt, float, tuple[BoltView, ...]]:
    """A bolt, its chamfer, and two pictures of it half a metre to either side."""
    known = bolt_size(size)
    bolt = draw_bolt(np.random.default_rng(seed), 450.0, known.diameter_mm / 2.0)
    chamfer_mm = DEPTH * known.pitch_mm
    scene = Scene(PHONE, POSES, bars=(Bar(bolt, chamfer_mm, known.pitch_mm if threads else 0.0),))
    return bolt, chamfer_mm, tuple(bolt_view(scene, photo, 0) for photo in range(2))


def fitted(bolt: Bolt, chamfer_mm: float, views: tuple[BoltView, ...], off_mm: np.ndarray) -> AxisFit:
    start = axis_parameters(bolt) + np.append(off_mm, [0.0, 0.0])
    for fine in (False, True):
        fields = [view.fine if fine else rough_glimpse(view) for view in views]
        [start], _ = climb(fields, start[None], bolt.radius_mm, chamfer_mm, height_known=False, fine=fine)
    return fit_axis(views, start, bolt.radius_mm, chamfer_mm=chamfer_mm, stickup_mm=None)


def errors_mm(fit: AxisFit, bolt: Bolt) -> tuple[float, float]:
    base, tip = fit.base_mm - bolt.base_mm, fit.tip_mm - bolt.tip_mm
    return float(np.linalg.norm(base)), float(np.linalg.norm(tip))


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("seed", [0, 1])
def test_two_views_give_base_and_tip_from_a_rough_start(size: str, seed: int) -> None:
    bolt, chamfer_mm, views = seen(size, seed)
    sign = np.random.default_rng(seed).choice([-1.0, 1.0], 5)
    fit = fitted(bolt, chamfer_mm, views, sign * np.array([2.0, 2.0, 2.5, 2.0, 5.0]))
    base_mm, tip_mm = errors_mm(fit, bolt)
    assert base_mm < 0.3
    assert tip_mm < 0.6
    assert fit.height_known
    assert fit.rms_px < 0.4


@pytest.mark.parametrize("size", ["1/2 in", "M16"])
def test_threads_do_not_pull_the_axis(size: str) -> None:
    bolt, chamfer_mm, views = seen(size, threads=True)
    base_mm, tip_mm = errors_mm(fitted(bolt, chamfer_mm, views, np.array([1.5, -1.5, 2.0, 2.0, -4.0])), bolt)
    assert base_mm < 0.3
    assert tip_mm < 0.6


@pytest.mark.parametrize(("joined_mm", "off_mm"), [(0.0, 1e-6), (None, 0.05)])
def test_fits_from_several_starts_are_what_each_comes_to_alone(
    joined_mm: float | None, off_mm: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One photo by another lens, one with points that are hidden: views of each camera are worked out together.

    Starts that meet go on as one, and end so near to where each would.
    """
    if joined_mm is not None:
        monkeypatch.setattr(fitting, "JOINED_MM", joined_mm)
    bolt, chamfer_mm, views = seen("1/2 in")
    other = replace(views[1].camera, fx=views[1].camera.fx * 1.001)
    hidden = np.arange(DENSE.size) % 5 == 0
    mixed = [views[0], replace(views[1], camera=other), replace(views[0], hidden=hidden)]
    starts = axis_parameters(bolt) + np.array(
        [[1.0, -1.0, 1.5, 1.0, 3.0, 0.0, 0.0], np.zeros(7), [0.0] * 4 + [9.0, 0, 0]]
    )
    together = fit_axes(mixed, starts, bolt.radius_mm, chamfer_mm=chamfer_mm, stickup_mm=None)
    for start, fit in zip(starts, together, strict=True):
        alone = fit_axis(mixed, start, bolt.radius_mm, chamfer_mm=chamfer_mm, stickup_mm=None)
        np.testing.assert_allclose(fit.parameters, alone.parameters, atol=off_mm)
        np.testing.assert_allclose(fit.covariance, alone.covariance, rtol=off_mm, atol=1e-4 * off_mm)
        assert (fit.edges, fit.rms_px) == pytest.approx((alone.edges, alone.rms_px), rel=off_mm)


def test_errors_stay_within_what_the_fit_says() -> None:
    squared = []
    for size in SIZES:
        for seed in (0, 1):
            bolt, chamfer_mm, views = seen(size, seed)
            fit = fitted(bolt, chamfer_mm, views, np.ones(5))
            off = (fit.parameters - axis_parameters(bolt))[:5]
            squared += list(off**2 / np.diag(fit.covariance)[:5])
    assert np.mean(squared) < 1.0
    assert max(squared) < 9.0


@pytest.mark.parametrize("size", ["1/2 in", "3/4 in"])
def test_one_view_and_the_stated_stickup_give_base_and_tip(size: str) -> None:
    bolt, chamfer_mm, views = seen(size, 1)
    start = axis_parameters(bolt) + np.array([1.0, -1.0, 1.0, -1.0, 0.0, 0.0, 0.0])
    [start], _ = climb([views[0].fine], start[None], bolt.radius_mm, chamfer_mm, height_known=True, fine=True)
    stated = (bolt.stickup_mm, 0.5)
    fit = fit_axis(views[:1], start, bolt.radius_mm, chamfer_mm=chamfer_mm, stickup_mm=stated)
    base_mm, tip_mm = errors_mm(fit, bolt)
    assert base_mm < 0.3
    assert tip_mm < 0.6
    assert not fit.height_known


def test_a_stickup_stated_a_quarter_inch_wrong_moves_the_tip_and_not_the_base() -> None:
    bolt, chamfer_mm, views = seen("1/2 in", 1)
    wrong = (bolt.stickup_mm + 6.35, 0.5)
    fit = fit_axis(views[:1], axis_parameters(bolt), bolt.radius_mm, chamfer_mm=chamfer_mm, stickup_mm=wrong)
    base_mm, tip_mm = errors_mm(fit, bolt)
    assert base_mm < 0.5
    assert tip_mm > 4.0


def test_two_views_know_the_height_far_better_than_one() -> None:
    bolt, chamfer_mm, views = seen("1/2 in")
    start = axis_parameters(bolt)
    two = fit_axis(views, start, bolt.radius_mm, chamfer_mm=chamfer_mm, stickup_mm=None)
    loose = (bolt.stickup_mm, 50.0)
    one = fit_axis(views[:1], start, bolt.radius_mm, chamfer_mm=chamfer_mm, stickup_mm=loose)
    assert two.covariance[4, 4] < 0.25 * one.covariance[4, 4]


@pytest.mark.parametrize("move", np.eye(5).tolist())
def test_evidence_is_greatest_where_the_bolt_stands(move: list[float]) -> None:
    bolt, chamfer_mm, views = seen("1/2 in")
    fields = [view.fine for view in views]
    away = np.append(np.array(move) * np.array([3.0, 3.0, 3.0, 3.0, 8.0]), [0.0, 0.0])
    true = axis_parameters(bolt)
    total, _ = weigh(fields, np.array([true, true + away, true - away]), chamfer_mm)
    assert total[0] > 3.0
    assert total[0] > total[1:].max() + 1.0


def test_evidence_is_the_same_however_many_views_are_drawn_together(monkeypatch: pytest.MonkeyPatch) -> None:
    bolt, chamfer_mm, views = seen("1/2 in")
    fields = [view.fine for view in views]
    fields.append(rough_glimpse(views[0]))  # on cells of another size
    places = axis_parameters(bolt) + np.array([[0.0] * 7, [1.0, 0.0, 0.0, 2.0, 3.0, 0.0, 0.0]])
    total, parts = weigh(fields, places, chamfer_mm)
    monkeypatch.setattr(climbing, "DRAWN_TOGETHER", 1)
    apart, apart_parts = weigh(fields, places, chamfer_mm)
    np.testing.assert_allclose(total, apart, atol=1e-2)
    np.testing.assert_allclose(np.array(parts), np.array(apart_parts), atol=1e-3)
    assert np.ptp(np.array(parts), axis=0).max() > 0.1  # views differ, so that mixing them up would show


def test_every_part_shows_at_the_bolt_and_no_end_on_bare_concrete() -> None:
    bolt, chamfer_mm, views = seen("1/2 in")
    fit = fit_axis(views, axis_parameters(bolt), bolt.radius_mm, chamfer_mm=chamfer_mm, stickup_mm=None)
    for part in part_evidence(views, fit, chamfer_mm):
        assert min(part.one_side, part.other_side, part.foot, part.face) > 0.3
        assert part.total > 3.0
    beside = replace(fit, parameters=fit.parameters + np.array([25.0, -35.0, 25.0, -35.0, 0.0, 0.0, 0.0]))
    for part in part_evidence(views, beside, chamfer_mm):
        assert max(part.rim, part.face, part.foot) < 0.0


def test_what_is_not_usable_carries_no_weight() -> None:
    """With one picture masked altogether the fit is that of the other alone."""
    bolt, chamfer_mm, views = seen("1/2 in")
    hidden = replace(views[1], patch=replace(views[1].patch, usable=np.zeros_like(views[1].patch.usable)))
    stated = (bolt.stickup_mm, 0.5)
    start, radius = axis_parameters(bolt), bolt.radius_mm
    alone = fit_axis(views[:1], start, radius, chamfer_mm=chamfer_mm, stickup_mm=stated)
    both = fit_axis((views[0], hidden), start, radius, chamfer_mm=chamfer_mm, stickup_mm=stated)
    assert both.edges == alone.edges
    np.testing.assert_allclose(both.parameters, alone.parameters, atol=0.02)


def test_a_ray_through_the_tip_passes_the_tip_at_its_height() -> None:
    bolt, _, views = seen("1/2 in")
    view = views[0].fine
    tip_px = project(view.camera, view.pose, bolt.tip_mm[None])[0]
    heights = np.array([20.0, bolt.tip_mm[2], 140.0])
    points = tip_on_ray(view, tip_px, heights)
    np.testing.assert_allclose(points[:, 2], heights)
    np.testing.assert_allclose(points[1], bolt.tip_mm, atol=1e-6)
    np.testing.assert_allclose(project(view.camera, view.pose, points), np.tile(tip_px, (3, 1)), atol=1e-6)


@pytest.mark.parametrize("column", [3, 4, 5])
def test_a_fit_follows_its_cameras_as_the_sensitivities_say(column: int) -> None:
    bolt, chamfer_mm, views = seen("5/8 in")
    fit = fit_axis(views, axis_parameters(bolt), bolt.radius_mm, chamfer_mm=chamfer_mm, stickup_mm=None)
    by_pose, by_lens = sensitivities(views, fit, chamfer_mm)
    assert by_pose[0].shape == (7, 6)
    assert by_lens[0].shape == (7, 9)
    shift_mm = np.zeros(3)
    shift_mm[column - 3] = 0.4
    moved = Pose(views[0].pose.rotation, views[0].pose.translation_mm + shift_mm)
    again = fit_axis(
        (replace(views[0], pose=moved), views[1]),
        fit.parameters,
        bolt.radius_mm,
        chamfer_mm=chamfer_mm,
        stickup_mm=None,
    )
    said = 0.4 * by_pose[0][:, column]
    np.testing.assert_allclose((again.parameters - fit.parameters)[:5], said[:5], atol=0.05 + 0.25 * np.abs(said).max())
