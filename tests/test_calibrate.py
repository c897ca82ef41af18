"""The lens from photos of a flat sheet: against published data, OpenCV, rendered truth, and its own sigmas."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from sillwright.camera import Array, Camera, Pose, project, rotation_from_vector
from sillwright.cards import CALIBRATION_SHEET
from sillwright.errors import CalibrationError
from sillwright.photo import PhotoFacts, read_gray
from sillwright.see.charuco import BoardSighting, find_board
from sillwright.solve.calibrate import Calibration, calibrate, coverage_counts, pose_from_homography
from sillwright.solve.determined import (
    check_determined,
    check_one_lens,
    check_photo_count,
    empty_places,
    misfits,
)
from sillwright.solve.lens_adjust import PlaneView
from sillwright.tell.coverage import coverage_picture, coverage_words

SHARED = Path(__file__).resolve().parents[2] / "shared"
PLANAR = SHARED / "data" / "planar-calibration-2000"
PHONE = Camera(3264, 2448, 2548.9, 2547.5, 1641.5, 1212.8, 0.048, -0.071, 0.0004, -0.0003, 0.012)
SHEET_MM = CALIBRATION_SHEET.corners_mm()
MIDDLE_MM = np.array([126.0, 84.0, 0.0])
NO_TANGENTIAL = ("fx", "fy", "cx", "cy", "k1", "k2")


def _published() -> list[PlaneView]:
    if not PLANAR.is_dir():
        pytest.skip(f"the published planar data are not here ({PLANAR.name} beside the project)")
    model_mm = 25.4 * np.loadtxt(PLANAR / "model_in.csv", delimiter=",", skiprows=1)
    files = [PLANAR / f"view{number}_px.csv" for number in range(1, 6)]
    return [PlaneView(file.stem, model_mm, np.loadtxt(file, delimiter=",", skiprows=1)) for file in files]


def _pose(tilt_deg: float, towards_deg: float, turn_deg: float, distance_mm: float, aim: tuple[float, float]) -> Pose:
    """A camera that sees the sheet's middle at ``aim`` (ideal image units), tilted so much to so side."""
    tilt, towards = np.radians(tilt_deg), np.radians(towards_deg)
    rotation = rotation_from_vector(tilt * np.array([np.cos(towards), np.sin(towards), 0.0]))
    rotation = rotation @ rotation_from_vector(np.array([0.0, 0.0, np.radians(turn_deg)]))
    return Pose(rotation, distance_mm * np.array([*aim, 1.0]) - rotation @ MIDDLE_MM)


def _view(pose: Pose, rng: np.random.Generator, noise_px: float = 0.05, camera: Camera = PHONE) -> PlaneView:
    pixels = project(camera, pose, np.column_stack([SHEET_MM, np.zeros(len(SHEET_MM))]))
    inside = np.all((pixels > 5) & (pixels < [camera.width_px - 6, camera.height_px - 6]), axis=1)
    seen = pixels[inside] + rng.normal(scale=noise_px, size=(int(inside.sum()), 2))
    return PlaneView(f"{rng.integers(10**9)}.jpg", SHEET_MM[inside], seen, noise_px)


def _good_poses(rng: np.random.Generator, count: int = 10) -> list[Pose]:
    return [
        _pose(
            rng.uniform(15.0, 40.0) if number else 2.0,
            137.5 * number,
            90.0 * (number % 4) + rng.uniform(-10.0, 10.0),
            rng.uniform(280.0, 560.0),
            (0.32 * np.cos(2.4 * number), 0.24 * np.sin(2.4 * number)),
        )
        for number in range(count)
    ]


def _solved(poses: list[Pose], **options: object) -> Calibration:
    rng = np.random.default_rng(7)
    return calibrate([_view(pose, rng) for pose in poses], 3264, 2448, **options)  # type: ignore[arg-type]


def test_the_published_five_views_give_the_published_lens_and_spread() -> None:
    """Source: Zhang, PAMI 22(11) 2000, data and Table 1; values without skew and tangential terms beside the data."""
    result = calibrate(_published(), 640, 480, free=NO_TANGENTIAL, robust=False, exact_sheet=True)
    camera = result.camera
    np.testing.assert_allclose([camera.fx, camera.fy], [832.207, 832.243], atol=0.0006)
    np.testing.assert_allclose([camera.cx, camera.cy], [304.068, 206.372], atol=0.0006)
    np.testing.assert_allclose([camera.k1, camera.k2], [-0.22853, 0.19101], atol=6e-6)
    assert result.rms_px == pytest.approx(0.33689, abs=6e-6)  # square root of the mean squared distance of a corner
    spread = [result.sigma[name] for name in ("fx", "fy", "cx", "cy")]
    np.testing.assert_allclose(spread, [1.41, 1.38, 0.71, 0.66], rtol=0.02)
    assert camera.p1 == camera.p2 == camera.k3 == 0.0
    assert result.sigma["k3"] == 0.0


def _without_skew(skew: float, near: Camera) -> Calibration:
    """The published views with a skew taken out of their pictures: phones have none, and so neither has our lens."""
    views = []
    for view in _published():
        ahead = skew * (view.corners_px[:, 1] - near.cy) / near.fy
        views.append(replace(view, corners_px=view.corners_px - np.column_stack([ahead, np.zeros(len(ahead))])))
    return calibrate(views, 640, 480, free=NO_TANGENTIAL, robust=False, exact_sheet=True)


def test_with_the_skew_as_its_seventh_number_the_published_digits_and_spread_come_out() -> None:
    """Source: Zhang's own result with skew (data of PAMI 22(11) 2000): 832.5, 0.204494, 832.53, 303.959, 206.585,
    -0.228601, 0.190353, rms 0.3364 px; sigmas 1.41, 0.078, 1.38, 0.71, 0.66 (Table 1, from memory).

    The skew is sought outside the solver, where the squares are least; by how they bend there it has a sigma, and by
    how the others move with it (to first order) it widens theirs.
    """
    step, skews = 0.1, (0.1, 0.2, 0.3)
    near = calibrate(_published(), 640, 480, free=NO_TANGENTIAL, robust=False, exact_sheet=True).camera
    for _ in range(2):
        solved = [_without_skew(skew, near) for skew in skews]
        low, middle, high = (one.rms_px**2 for one in solved)
        bend = (low - 2.0 * middle + high) / step**2
        skew = skews[1] + 0.5 * (low - high) / step / bend
        result = _without_skew(skew, near)
        near = result.camera
    assert skew == pytest.approx(0.204494, abs=3e-4)
    assert result.rms_px == pytest.approx(0.33643, abs=1e-5)
    np.testing.assert_allclose(near.parameters[:4], [832.5, 832.53, 303.959, 206.585], rtol=0.0, atol=1e-3)
    np.testing.assert_allclose(near.parameters[4:6], [-0.228601, 0.190353], rtol=0.0, atol=1e-5)
    corners, unknowns = sum(len(view.corners_px) for view in _published()), 7 + 6 * 5
    noise = result.rms_px**2 * corners / (2 * corners - unknowns)
    skew_sigma = np.sqrt(2.0 * noise / (bend * corners))
    with_skew = (solved[2].camera.parameters - solved[0].camera.parameters) / (2.0 * step)
    spread = np.sqrt(np.diag(result.covariance + np.outer(with_skew, with_skew) * skew_sigma**2))
    np.testing.assert_allclose([*spread[:4], skew_sigma], [1.41, 1.38, 0.71, 0.66, 0.078], rtol=0.006)


def test_weighing_down_gross_errors_moves_the_published_lens_by_less_than_its_spread() -> None:
    plain = calibrate(_published(), 640, 480, free=NO_TANGENTIAL, robust=False, exact_sheet=True)
    robust = calibrate(_published(), 640, 480, free=NO_TANGENTIAL, exact_sheet=True)
    moved = np.abs(robust.camera.parameters - plain.camera.parameters)[:6]
    assert np.all(moved < 0.5 * np.sqrt(np.diag(plain.covariance))[:6])


def test_the_lens_and_its_spread_are_those_of_opencv() -> None:
    """Outside check: cv2.calibrateCameraExtended on the same corners, all nine numbers free."""
    rng = np.random.default_rng(11)
    views = [_view(pose, rng) for pose in _good_poses(rng)]
    ours = calibrate(views, 3264, 2448, robust=False, exact_sheet=True)
    planes = [np.column_stack([v.plane_mm, np.zeros(len(v.plane_mm))]).astype(np.float32) for v in views]
    pixels = [v.corners_px.astype(np.float32) for v in views]
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 200, 1e-14)
    rms, matrix, distortion, _, _, spread, *_ = cv2.calibrateCameraExtended(
        planes, pixels, (3264, 2448), None, None, criteria=stop
    )
    theirs = np.array([matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2], *distortion.ravel()[:5]])
    difference = np.abs(ours.camera.parameters - theirs)
    assert difference[:4].max() < 5e-3  # their corners are rounded to single precision, 1e-4 px
    assert np.all(difference < 0.02 * np.sqrt(np.diag(ours.covariance)))
    assert ours.rms_px == pytest.approx(rms, abs=1e-5)
    np.testing.assert_allclose(np.sqrt(np.diag(ours.covariance)), spread.ravel()[:9], rtol=0.02)


def test_a_pose_from_a_homography_is_exact_without_noise_and_that_of_opencv() -> None:
    """Outside check: cv2.solvePnP."""
    rng = np.random.default_rng(2)
    for pose in _good_poses(rng):
        view = _view(pose, rng, noise_px=0.0)
        ours = pose_from_homography(PHONE, view.plane_mm, view.corners_px)
        np.testing.assert_allclose(ours.rotation, pose.rotation, atol=1e-6)
        np.testing.assert_allclose(ours.translation_mm, pose.translation_mm, atol=1e-3)
        flat = np.column_stack([view.plane_mm, np.zeros(len(view.plane_mm))])
        _, vector, shift = cv2.solvePnP(flat, view.corners_px, PHONE.matrix, PHONE.distortion)
        np.testing.assert_allclose(ours.rotation, cv2.Rodrigues(vector)[0], atol=1e-4)
        np.testing.assert_allclose(ours.translation_mm, shift.ravel(), atol=0.05)


def test_without_noise_the_lens_comes_back_exactly() -> None:
    rng = np.random.default_rng(3)
    views = [_view(pose, rng, noise_px=0.0) for pose in _good_poses(rng)]
    views = [PlaneView(v.name, v.plane_mm, v.corners_px, 0.05) for v in views]
    result = calibrate(views, 3264, 2448)
    np.testing.assert_allclose(result.camera.parameters, PHONE.parameters, rtol=1e-5)


def test_sigmas_are_honest_over_simulated_sets() -> None:
    """Normalised squared error of the nine numbers: its mean is 9, and 30 sets keep within 9 +- 3 x 0.77."""
    rng = np.random.default_rng(20)
    nees, misses = [], []
    for _ in range(30):
        views = [_view(pose, rng, noise_px=0.06) for pose in _good_poses(rng, 8)]
        result = calibrate(views, 3264, 2448)
        error = result.camera.parameters - PHONE.parameters
        nees.append(float(error @ np.linalg.solve(result.covariance, error)))
        misses.append(error / np.sqrt(np.diag(result.covariance)))
    assert 6.7 < np.mean(nees) < 11.3
    share = np.mean(np.abs(misses) < 1.96)
    assert 0.88 < share < 0.99
    assert np.all(np.abs(np.mean(misses, axis=0)) < 3.5 / np.sqrt(30))


def test_wrongly_placed_corners_hardly_move_the_lens() -> None:
    rng = np.random.default_rng(5)
    views = [_view(pose, rng) for pose in _good_poses(rng)]
    spoilt = []
    for view in views:
        corners = view.corners_px.copy()
        corners[rng.choice(len(corners), 1)] += rng.normal(scale=2.0, size=(1, 2))
        spoilt.append(PlaneView(view.name, view.plane_mm, corners, view.sigma_px))
    robust, plain = calibrate(spoilt, 3264, 2448), calibrate(spoilt, 3264, 2448, robust=False)
    error = np.abs(robust.camera.parameters - PHONE.parameters)
    assert np.all(error < 3.5 * np.sqrt(np.diag(robust.covariance)))
    assert robust.sigma["fx"] < 0.5 * plain.sigma["fx"]


def test_numbers_the_photos_leave_open_stay_within_their_prior() -> None:
    """A sheet that never leaves the middle says nothing of k3; it must not run away."""
    rng = np.random.default_rng(6)
    poses = [_pose(30.0, 60.0 * number, 0.0, 900.0 + 60.0 * number, (0.0, 0.0)) for number in range(8)]
    result = calibrate([_view(pose, rng, noise_px=0.1) for pose in poses], 3264, 2448)
    assert abs(result.camera.k3) < 0.4
    assert result.sigma["k3"] == pytest.approx(0.2, rel=0.1)


# --- refusals -------------------------------------------------------------------------------------------------


def test_a_good_set_is_accepted() -> None:
    result = _solved(_good_poses(np.random.default_rng(1)))
    check_determined(result)
    assert misfits(result) == []


@pytest.mark.parametrize("count", [0, 1, 5])
def test_too_few_photos_are_refused(count: int) -> None:
    with pytest.raises(CalibrationError, match=rf"Only {count} usable photos?.*at least 6.*Shoot 12 to 15"):
        check_photo_count(count)
    check_photo_count(6)


def test_five_photos_are_refused_even_where_they_give_a_lens() -> None:
    with pytest.raises(CalibrationError, match="Only 5 usable photos"):
        check_determined(_solved(_good_poses(np.random.default_rng(1), 5)))


def test_photos_all_square_on_are_refused() -> None:
    aims = [(0.3 * np.cos(k), 0.2 * np.sin(k)) for k in range(8)]
    with pytest.raises(CalibrationError, match=r"square-on|leave the lens open|leave the focal length open"):
        check_determined(_solved([_pose(1.0, 45.0 * k, 90.0 * k, 300.0 + 40 * k, aims[k]) for k in range(8)]))


def test_photos_all_tilted_to_the_same_side_are_refused() -> None:
    aims = [(0.3 * np.cos(k), 0.2 * np.sin(k)) for k in range(8)]
    with pytest.raises(CalibrationError, match=r"same side|leave the lens open"):
        check_determined(_solved([_pose(30.0, 20.0, 0.0, 300.0 + 40 * k, aims[k]) for k in range(8)]))


def test_photos_all_from_one_distance_are_refused() -> None:
    aims = [(0.3 * np.cos(2.4 * k), 0.2 * np.sin(2.4 * k)) for k in range(10)]
    with pytest.raises(CalibrationError, match=r"same distance.*fills the picture"):
        check_determined(_solved([_pose(30.0, 137.0 * k, 90.0 * k, 400.0, aims[k]) for k in range(10)]))


def test_a_sheet_kept_in_the_middle_is_refused_by_saying_where_it_was_missing() -> None:
    with pytest.raises(CalibrationError, match=r"only seen in \d+%.*at the top left.*every corner"):
        check_determined(_solved([_pose(30.0, 45.0 * k, 90.0 * k, 600.0 + 50.0 * k, (0.0, 0.0)) for k in range(8)]))


def _uneven(lift_mm: Array, rng: np.random.Generator) -> list[PlaneView]:
    views = []
    for number, pose in enumerate(_good_poses(rng)):
        pixels = project(PHONE, pose, np.column_stack([SHEET_MM, -lift_mm]))
        inside = np.all((pixels > 5) & (pixels < [3258, 2442]), axis=1)
        seen = pixels[inside] + rng.normal(scale=0.05, size=(int(inside.sum()), 2))
        views.append(PlaneView(f"{number}.jpg", SHEET_MM[inside], seen, 0.05))
    return views


def test_a_bowed_sheet_is_found_bowed_and_does_not_bend_the_lens() -> None:
    """Taken as flat, ends that stand 1 mm up put f wrong by 1 % with a sigma that says 0.1 %."""
    rng = np.random.default_rng(9)
    views = _uneven(1.0 * ((SHEET_MM[:, 0] - 126.0) / 98.0) ** 2, rng)
    flat, free = calibrate(views, 3264, 2448, exact_sheet=True), calibrate(views, 3264, 2448)
    assert free.sheet.lift_mm[0] == pytest.approx(1.0, abs=0.02)
    assert abs(flat.camera.fx - PHONE.fx) > 10.0 * abs(free.camera.fx - PHONE.fx)
    assert np.all(np.abs(free.camera.parameters - PHONE.parameters) < 3.0 * np.sqrt(np.diag(free.covariance)))


def test_an_unevenly_printed_sheet_is_found_stretched_and_does_not_make_pixels_oblong() -> None:
    rng = np.random.default_rng(9)
    views = [_view(pose, rng) for pose in _good_poses(rng)]
    views = [PlaneView(v.name, v.plane_mm / [1.0, 1.004], v.corners_px, v.sigma_px) for v in views]
    result = calibrate(views, 3264, 2448)
    assert result.sheet.stretch == pytest.approx(0.004, abs=2e-4)
    error = result.camera.parameters - PHONE.parameters
    assert np.all(np.abs(error) < 3.0 * np.sqrt(np.diag(result.covariance)))


def test_a_crumpled_sheet_is_refused() -> None:
    rng = np.random.default_rng(9)
    with pytest.raises(CalibrationError, match=r"miss a flat sheet by \d"):
        check_determined(calibrate(_uneven(rng.normal(scale=2.0, size=len(SHEET_MM)), rng), 3264, 2448))


def test_a_stretched_print_never_turned_in_the_picture_is_refused() -> None:
    rng = np.random.default_rng(9)
    views = []
    for number in range(10):
        turned = _pose(30.0, 137.0 * number, 0.0, 300.0 + 30.0 * number, (0.3 * np.cos(number), 0.2 * np.sin(number)))
        view = _view(turned, rng)
        views.append(PlaneView(view.name, view.plane_mm * [1.0, 1.02], view.corners_px, view.sigma_px))
    with pytest.raises(CalibrationError, match="stretched"):
        check_determined(calibrate(views, 3264, 2448))


def _facts(name: str = "x.jpg", **change: object) -> PhotoFacts:
    usual = PhotoFacts(Path(name), "", 3264, 2448, 1, "", "phone A", 27.0, 5.4, None, None)
    return replace(usual, **change)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"width_px": 3024, "height_px": 4032}, "size: most have 3264 x 2448 pixels, but odd.jpg has 3024 x 4032"),
        ({"model": "phone B"}, "phone: most have phone A, but odd.jpg has phone B"),
        ({"focal_35mm": 54.0}, "lens: most have 27 mm, but odd.jpg has 54 mm"),
        ({"focal_35mm": None, "focal_mm": None}, "lens: most have 27 mm, but odd.jpg has no focal length"),
        ({"digital_zoom": 2.0}, "digital zoom: most have 1 x, but odd.jpg has 2 x"),
    ],
)
def test_photos_of_two_lenses_are_refused_by_naming_the_odd_one(change: dict[str, object], words: str) -> None:
    check_one_lens([_facts(), _facts(), _facts()])
    with pytest.raises(CalibrationError, match=words):
        check_one_lens([_facts(), _facts("odd.jpg", **change), _facts()])


def test_one_photo_that_does_not_fit_the_others_is_named() -> None:
    rng = np.random.default_rng(1)
    views = [_view(pose, rng) for pose in _good_poses(rng)]
    blurred = views[3]
    shaken = blurred.corners_px + rng.normal(scale=0.6, size=blurred.corners_px.shape)
    views[3] = PlaneView("shaken.jpg", blurred.plane_mm, shaken, blurred.sigma_px)
    assert misfits(calibrate(views, 3264, 2448)) == ["shaken.jpg"]


def test_corners_on_one_line_are_refused() -> None:
    rng = np.random.default_rng(1)
    line = [
        PlaneView(v.name, v.plane_mm[:8], v.corners_px[:8], v.sigma_px)
        for v in (_view(pose, rng) for pose in _good_poses(rng))
    ]
    with pytest.raises(CalibrationError):
        check_determined(calibrate(line, 3264, 2448))


# --- coverage -------------------------------------------------------------------------------------------------


def test_every_corner_is_counted_once_and_in_its_own_cell() -> None:
    at = np.array([[0.0, 0.0], [3263.0, 0.0], [3263.4, 2447.4], [1631.0, 1223.0]])
    counts = coverage_counts(at, 3264, 2448)
    assert counts.shape == (6, 8)
    assert counts.sum() == 4
    assert counts[0, 0] == counts[0, 7] == counts[5, 7] == counts[2, 3] == 1
    assert coverage_counts(at[:1], 2448, 3264).shape == (8, 6)


def test_empty_places_are_named_as_they_stand_in_the_picture() -> None:
    coverage = np.ones((6, 8))
    assert empty_places(coverage) == []
    coverage[4:, :3] = 0
    coverage[2:4, 6:] = 0
    assert empty_places(coverage) == ["at the right", "at the bottom left"]


def test_the_coverage_picture_shows_empty_and_seen_cells_in_different_colours() -> None:
    result = _solved([_pose(30.0, 45.0 * k, 90.0 * k, 600.0 + 50.0 * k, (-0.2, 0.0)) for k in range(8)])
    picture = coverage_picture(result)
    assert picture.dtype == np.uint8
    assert picture.shape[1] == 1400
    assert not np.array_equal(picture[120, 1380], picture[500, 440])
    assert "at the top right" in coverage_words(result)


# --- rendered photos with exact truth ---------------------------------------------------------------------------


def _truth(phone: str) -> tuple[Camera, dict[str, Pose], Path]:
    folder = SHARED / "photos" / f"calibration_phone_{phone}"
    if not folder.is_dir():
        pytest.skip(f"the rendered calibration photos are not here ({folder.name})")
    body = json.loads((folder / "truth_intrinsics.json").read_text())
    size, matrix = body["these_photos"], np.array(body["these_photos"]["camera_matrix"])
    camera = Camera(size["width"], size["height"], 1.0, 1.0, 0.0, 0.0).with_parameters(
        np.array([matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2], *body["distortion_k1_k2_p1_p2_k3"]])
    )
    poses = {
        photo["file"]: Pose(np.array(photo["R_board_to_camera"]), np.array(photo["t_board_to_camera_mm"]))
        for photo in body["photos"]
    }
    return camera, poses, folder


@pytest.fixture(scope="module", params=["a", "b"])
def rendered(request: pytest.FixtureRequest) -> tuple[Camera, dict[str, Pose], dict[str, BoardSighting]]:
    camera, poses, folder = _truth(request.param)
    seen = {}
    for name in poses:
        sighting = find_board(read_gray(folder / name), CALIBRATION_SHEET)
        if sighting is not None:
            seen[name] = sighting
    return camera, poses, seen


Rendered = tuple[Camera, dict[str, Pose], dict[str, BoardSighting]]


def test_corners_lie_where_the_truth_projects_them(rendered: Rendered) -> None:
    """A half-pixel convention slip would show as a mean of 0.5 px."""
    camera, poses, seen = rendered
    assert len(seen) == 12
    offsets: list[Array] = []
    for name, sighting in seen.items():
        flat = np.column_stack([sighting.board_mm, np.zeros(len(sighting.board_mm))])
        offsets.append(sighting.corners_px - project(camera, poses[name], flat))
    every = np.concatenate(offsets)
    assert len(every) > 400
    assert np.all(np.abs(every.mean(axis=0)) < 0.03)
    assert float(np.sqrt(np.mean(np.sum(every**2, axis=1)))) < 0.15


def test_the_rendered_lens_comes_back_within_its_own_sigmas(rendered: Rendered) -> None:
    camera, poses, seen = rendered
    views = [PlaneView(name, s.board_mm, s.corners_px, s.sigma_px) for name, s in seen.items()]
    result = calibrate(views, camera.width_px, camera.height_px)
    check_determined(result)
    error = result.camera.parameters - camera.parameters
    assert abs(error[0] / camera.fx) < 0.001
    assert abs(error[1] / camera.fy) < 0.001
    assert np.all(np.abs(error) < 3.0 * np.sqrt(np.diag(result.covariance)))
    assert error @ np.linalg.solve(result.covariance, error) < 21.7  # chi-square, 9 degrees of freedom, 99 %
    assert result.rms_px < 0.15
    for view in result.views:
        np.testing.assert_allclose(view.pose.centre_mm, poses[view.name].centre_mm, atol=0.6)
