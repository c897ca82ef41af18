"""The phone profile: kept, scaled, turned, refused; and the lens to start from without one."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sillwright.camera import Camera, project_camera_points
from sillwright.errors import JobError
from sillwright.profile import Lens, Profile, make_profile, prior_camera, read_profile, write_profile

CAMERA = Camera(4032, 3024, 3148.6, 3146.9, 2027.8, 1498.3, 0.0481, -0.0712, 0.00042, -0.00031, 0.0118)
SIGMA = np.array([0.6, 0.7, 0.3, 0.25, 3e-4, 1.5e-3, 2e-5, 3e-5, 2e-3])


def _lens() -> Lens:
    root = np.random.default_rng(4).normal(size=(9, 9)) + 3.0 * np.eye(9)
    covariance = root @ root.T
    unit = SIGMA / np.sqrt(np.diag(covariance))
    return Lens(CAMERA, covariance * np.outer(unit, unit))


def _profile(focal_35mm: float | None = 27.0) -> Profile:
    return make_profile(
        _lens(),
        make="",
        model="phone A",
        focal_35mm=focal_35mm,
        rms_px=0.05,
        photos=("a.jpg", "b.jpg"),
        made=date(2026, 5, 1),
        board="9x6,28mm,21mm,4X4_50",
    )


def turned_anticlockwise(lens: Lens) -> Lens:
    return lens.turned_half().turned_clockwise()


def _points() -> np.ndarray:
    rng = np.random.default_rng(2)
    z = rng.uniform(400.0, 2000.0, 60)
    return np.stack([z * rng.uniform(-0.6, 0.6, 60), z * rng.uniform(-0.45, 0.45, 60), z], axis=1)


def test_a_profile_comes_back_from_its_file_to_the_last_digit(tmp_path: Path) -> None:
    path = tmp_path / "phone.json"
    write_profile(_profile(), path)
    assert read_profile(path) == _profile()
    assert [entry.name for entry in tmp_path.iterdir()] == ["phone.json"]


def test_the_size_it_was_made_at_gives_the_lens_unchanged() -> None:
    lens = _profile().lens_of(4032, 3024)
    np.testing.assert_allclose(lens.camera.parameters, CAMERA.parameters, rtol=1e-14)
    np.testing.assert_allclose(lens.sigma, SIGMA, rtol=1e-12)


def test_a_smaller_picture_of_the_same_shape_gets_the_lens_scaled_with_its_uncertainty() -> None:
    lens = _profile().lens_of(2016, 1512)
    full = project_camera_points(CAMERA, _points())
    np.testing.assert_allclose(project_camera_points(lens.camera, _points()) + 0.5, (full + 0.5) / 2.0, atol=1e-9)
    np.testing.assert_allclose(lens.sigma[:4], SIGMA[:4] / 2.0, rtol=1e-12)
    np.testing.assert_allclose(lens.sigma[4:], SIGMA[4:], rtol=1e-12)


def test_the_two_turns_of_a_tall_picture_put_points_where_the_turned_picture_has_them() -> None:
    """A picture turned clockwise holds old (x, y) at (height - 1 - y, x); the eye turns with it."""
    clockwise = _profile().lens_of(3024, 4032)
    anticlockwise = clockwise.turned_half()
    points = _points()
    x, y = project_camera_points(CAMERA, points).T
    turned = points[:, [1, 0, 2]] * [-1.0, 1.0, 1.0]
    np.testing.assert_allclose(
        project_camera_points(clockwise.camera, turned), np.stack([3023 - y, x], axis=1), atol=1e-9
    )
    turned = points[:, [1, 0, 2]] * [1.0, -1.0, 1.0]
    np.testing.assert_allclose(
        project_camera_points(anticlockwise.camera, turned), np.stack([y, 4031 - x], axis=1), atol=1e-9
    )
    assert (clockwise.camera.width_px, clockwise.camera.height_px) == (3024, 4032)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**31))
def test_turning_carries_the_covariance_as_it_carries_the_numbers(seed: int) -> None:
    """A small change of the lens, turned, is the turned lens changed: both by the same linear rule."""
    lens = _lens()
    change = np.random.default_rng(seed).normal(size=9) * SIGMA
    moved = Lens(CAMERA.with_parameters(CAMERA.parameters + change), np.outer(change, change))
    for turn in (Lens.turned_clockwise, turned_anticlockwise):
        turned = turn(moved)
        difference = turned.camera.parameters - turn(lens).camera.parameters
        spread = np.sqrt(np.diag(turned.covariance))
        np.testing.assert_allclose(
            turned.covariance / np.outer(spread, spread),
            np.outer(difference, difference) / np.outer(spread, spread),
            atol=1e-6,
        )


def test_half_a_turn_is_two_quarters_and_puts_points_where_the_picture_upside_down_has_them() -> None:
    points = _points()
    half = CAMERA.turned_half()
    np.testing.assert_allclose(half.parameters, _lens().turned_half().camera.parameters, rtol=1e-12)
    seen = project_camera_points(half, points * [-1.0, -1.0, 1.0])
    np.testing.assert_allclose(seen, [4031, 3023] - project_camera_points(CAMERA, points), atol=1e-9)


def test_four_quarter_turns_are_none() -> None:
    lens = _lens()
    again = turned_anticlockwise(lens.turned_clockwise())
    np.testing.assert_allclose(again.camera.parameters, CAMERA.parameters, rtol=1e-12)
    np.testing.assert_allclose(again.covariance, lens.covariance, rtol=1e-12)


def test_a_picture_of_another_shape_is_refused_with_both_sizes_named() -> None:
    with pytest.raises(JobError, match=r"4032 x 2268 pixels.*cropped or zoomed.*4032 x 3024"):
        _profile().lens_of(4032, 2268)


def test_a_zoomed_photo_of_the_same_size_is_refused_by_its_focal_length() -> None:
    with pytest.raises(JobError, match=r"zoomed or taken with another lens \(54 mm\)"):
        _profile().lens_of(4032, 3024, focal_35mm=54.0)
    assert _profile().lens_of(4032, 3024, focal_35mm=26.0)
    assert _profile(focal_35mm=None).lens_of(4032, 3024, focal_35mm=54.0)


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda body: body.update(format=7), "format"),
        (lambda body: body["lens"].update(fx=-3.0), "lens.fx"),
        (lambda body: body["lens"].pop("k3"), "lens.k3"),
        (lambda body: body["covariance"].pop(), "9 rows"),
        (lambda body: body["covariance"][0].__setitem__(1, 1e9), "symmetric"),
        (lambda body: body["covariance"][2].__setitem__(2, 0.0), "spread above zero"),
        (lambda body: body.update(width_px="wide"), "width_px"),
    ],
)
def test_a_damaged_profile_is_refused_by_naming_what_is_wrong(tmp_path: Path, damage: object, words: str) -> None:
    path = tmp_path / "phone.json"
    write_profile(_profile(), path)
    body = json.loads(path.read_text())
    damage(body)  # type: ignore[operator]
    path.write_text(json.dumps(body))
    with pytest.raises(JobError, match=words):
        read_profile(path)


@pytest.mark.parametrize("content", [b"", b"{", b"[1, 2]", b"\xff\xfe\x00", b'{"lens": NaN}', b"x" * 1_000_001])
def test_a_file_that_is_no_profile_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "phone.json"
    path.write_bytes(content)
    with pytest.raises(JobError, match=r"phone\.json"):
        read_profile(path)


def test_a_missing_profile_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(JobError, match="Make one with calibrate"):
        read_profile(tmp_path / "nowhere.json")


def test_the_exif_value_goes_by_the_diagonal() -> None:
    """Field rule: 12 MP (4032 x 3024) at 26 mm equivalent is f = 3029 px."""
    camera, sigma = prior_camera(4032, 3024, 26.0)
    assert camera.fx == pytest.approx(3029.0, abs=1.0)
    assert camera.fx == camera.fy
    assert (camera.cx, camera.cy) == (2015.5, 1511.5)
    assert sigma.shape == (9,)
    assert sigma[0] == pytest.approx(0.04 * camera.fx)
    tall, _ = prior_camera(3024, 4032, 26.0)
    assert tall.fx == pytest.approx(camera.fx)


@pytest.mark.parametrize("nonsense", [None, 0.0, 4.2, 1770.0])
def test_without_a_believable_exif_value_the_start_is_wide_open(nonsense: float | None) -> None:
    camera, sigma = prior_camera(4032, 3024, nonsense)
    assert camera.fx == pytest.approx(1.2 * 4032)
    assert sigma[0] == pytest.approx(0.15 * camera.fx)
