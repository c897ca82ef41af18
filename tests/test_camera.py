"""The camera model against OpenCV's own projection, and against itself."""

from __future__ import annotations

import cv2
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sillwright.camera import (
    INTRINSIC_NAMES,
    Camera,
    Pose,
    cross_matrix,
    ideal_from_pixels,
    meet_plane,
    project,
    project_camera_points,
    project_with_derivatives,
    rays,
    rotation_from_vector,
    undistort,
)

PHONE = Camera(4032, 3024, 3148.6, 3146.9, 2027.8, 1498.3, 0.0481, -0.0712, 0.00042, -0.00031, 0.0118)


@st.composite
def phones(draw: st.DrawFn) -> Camera:
    def near(middle: float, reach: float) -> float:
        return draw(st.floats(middle - reach, middle + reach))

    focal = near(3100.0, 700.0)
    return Camera(
        4032,
        3024,
        focal,
        focal * near(1.0, 0.002),
        near(2015.5, 60.0),
        near(1511.5, 60.0),
        near(0.0, 0.12),
        near(0.0, 0.1),
        near(0.0, 0.001),
        near(0.0, 0.001),
        near(0.0, 0.02),
    )


@st.composite
def poses_above(draw: st.DrawFn) -> Pose:
    """A camera 0.5 to 2 m over the concrete, looking down within 35 degrees of plumb."""
    lean = draw(st.floats(0.0, np.radians(35.0)))
    round_about, turn = draw(st.floats(-np.pi, np.pi)), draw(st.floats(-np.pi, np.pi))
    tilt = rotation_from_vector(lean * np.array([np.cos(round_about), np.sin(round_about), 0.0]))
    rotation = rotation_from_vector(np.array([0.0, 0.0, turn])) @ tilt @ np.diag([1.0, -1.0, -1.0])
    centre = np.array([draw(st.floats(-900.0, 900.0)), draw(st.floats(-900.0, 900.0)), draw(st.floats(500.0, 2000.0))])
    return Pose(rotation, -rotation @ centre)


def _points_ahead(seed: int, count: int = 40) -> np.ndarray:
    rng = np.random.default_rng(seed)
    z = rng.uniform(300.0, 2500.0, count)
    return np.stack([z * rng.uniform(-0.62, 0.62, count), z * rng.uniform(-0.46, 0.46, count), z], axis=1)


@settings(max_examples=40, deadline=None)
@given(phones(), st.integers(0, 2**31))
def test_projection_and_its_derivatives_are_those_of_opencv(camera: Camera, seed: int) -> None:
    """Outside check: cv2.projectPoints, values and its analytic Jacobian."""
    points = _points_ahead(seed)
    pixels, by_point, by_lens = project_with_derivatives(camera, points)
    theirs, jacobian = cv2.projectPoints(points, np.zeros(3), np.zeros(3), camera.matrix, camera.distortion)
    np.testing.assert_allclose(pixels, theirs.reshape(-1, 2), atol=1e-9)
    np.testing.assert_allclose(project_camera_points(camera, points), pixels, atol=1e-12)
    # Their columns: rotation 3, translation 3, fx fy, cx cy, k1 k2 p1 p2 k3. Moving the camera moves the point.
    np.testing.assert_allclose(by_point.reshape(-1, 3), jacobian[:, 3:6], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(by_lens.reshape(-1, 9), jacobian[:, 6:15], rtol=1e-9, atol=1e-9)


def test_projection_through_a_pose_is_that_of_opencv() -> None:
    """Outside check: cv2.projectPoints with cv2.Rodrigues."""
    vector = np.array([2.6, 0.3, -0.4])
    translation = np.array([120.0, -80.0, 1400.0])
    wall = np.random.default_rng(3).uniform(-400.0, 400.0, (50, 3))
    theirs, _ = cv2.projectPoints(wall, vector, translation, PHONE.matrix, PHONE.distortion)
    ours = project(PHONE, Pose(rotation_from_vector(vector), translation), wall)
    np.testing.assert_allclose(ours, theirs.reshape(-1, 2), atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-4.0, 4.0), min_size=3, max_size=3))
def test_rotation_vector_is_that_of_opencv(vector: list[float]) -> None:
    """Outside check: cv2.Rodrigues."""
    ours = rotation_from_vector(np.array(vector))
    np.testing.assert_allclose(ours, cv2.Rodrigues(np.array(vector))[0], atol=1e-9)
    np.testing.assert_allclose(ours @ ours.T, np.eye(3), atol=1e-12)


def test_cross_matrix_multiplies_as_the_cross_product_does() -> None:
    v, w = np.array([1.0, -2.0, 0.5]), np.array([3.0, 0.25, -1.0])
    np.testing.assert_allclose(cross_matrix(v) @ w, np.cross(v, w))


@settings(max_examples=40, deadline=None)
@given(phones(), st.integers(0, 2**31))
def test_a_pixel_comes_back_from_its_ray(camera: Camera, seed: int) -> None:
    points = _points_ahead(seed)
    pixels = project_camera_points(camera, points)
    np.testing.assert_allclose(ideal_from_pixels(camera, pixels), points[:, :2] / points[:, 2:], atol=1e-10)


def test_undistortion_is_that_of_opencv() -> None:
    """Outside check: cv2.undistortPoints, iterated to the end."""
    pixels = np.random.default_rng(1).uniform([0.0, 0.0], [4031.0, 3023.0], (200, 2))
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 200, 1e-14)
    theirs = cv2.undistortPoints(pixels[:, None], PHONE.matrix, PHONE.distortion, criteria=stop)
    np.testing.assert_allclose(ideal_from_pixels(PHONE, pixels), theirs.reshape(-1, 2), atol=1e-9)


@settings(max_examples=40, deadline=None)
@given(phones(), poses_above(), st.floats(-40.0, 120.0), st.booleans())
def test_a_wall_point_comes_back_where_its_ray_meets_its_own_level(
    camera: Camera, pose: Pose, z_mm: float, left_handed: bool
) -> None:
    if left_handed:
        pose = Pose(pose.rotation @ np.diag([1.0, -1.0, 1.0]), pose.translation_mm)
    middle = meet_plane(camera, pose, np.array([[2015.0, 1511.0]]), z_mm)[0]
    wall = middle + np.random.default_rng(5).uniform(-150.0, 150.0, (30, 3)) * np.array([1.0, 1.0, 0.0])
    back = meet_plane(camera, pose, project(camera, pose, wall), z_mm)
    np.testing.assert_allclose(back, wall, atol=1e-6)


def test_rays_are_unit_vectors_from_the_camera_to_the_point() -> None:
    rotation = rotation_from_vector(np.array([2.9, 0.2, 0.1]))
    pose = Pose(rotation, np.array([30.0, -20.0, 1100.0]))
    wall = np.array([[12.0, 40.0, 0.0], [-80.0, 7.0, 76.0]])
    towards = wall - pose.centre_mm
    expected = towards / np.linalg.norm(towards, axis=1, keepdims=True)
    np.testing.assert_allclose(rays(PHONE, pose, project(PHONE, pose, wall)), expected, atol=1e-10)


def test_a_ray_that_looks_up_never_meets_the_concrete() -> None:
    facing_y = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    level = Pose(facing_y, -facing_y @ np.array([0.0, 0.0, 1000.0]))
    below, above = np.array([[2000.0, 2600.0]]), np.array([[2000.0, 400.0]])
    assert np.isfinite(meet_plane(PHONE, level, below)).all()
    assert np.isnan(meet_plane(PHONE, level, above)).all()


def test_a_point_behind_the_camera_has_no_pixel() -> None:
    pose = Pose(np.eye(3), np.zeros(3))
    pixels = project(PHONE, pose, np.array([[0.0, 0.0, 500.0], [0.0, 0.0, -500.0]]))
    np.testing.assert_allclose(pixels[0], [PHONE.cx, PHONE.cy])
    assert np.isnan(pixels[1]).all()


def test_scaling_keeps_the_corners_of_the_picture_in_their_corners() -> None:
    """A picture of W pixels covers -0.5 to W - 0.5; each place keeps its share of that at another size."""
    small = PHONE.scaled(2016, 1512)
    points = _points_ahead(9)
    full, half = project_camera_points(PHONE, points), project_camera_points(small, points)
    np.testing.assert_allclose((half + 0.5) / [2016.0, 1512.0], (full + 0.5) / [4032.0, 3024.0], atol=1e-12)
    np.testing.assert_allclose(small.scaled(4032, 3024).parameters, PHONE.parameters, rtol=1e-12)


def test_scaling_agrees_with_a_picture_reduced_by_opencv() -> None:
    """Outside check: cv2.resize by area keeps the centre of mass of a spot where the rule says."""
    picture = np.zeros((300, 400), np.float32)
    x, y = np.meshgrid(np.arange(400), np.arange(300))
    picture += np.exp(-((x - 123.4) ** 2 + (y - 87.9) ** 2) / (2 * 8.0**2)).astype(np.float32)
    small = cv2.resize(picture, (200, 150), interpolation=cv2.INTER_AREA)
    sx, sy = np.meshgrid(np.arange(200), np.arange(150))
    seen = np.array([np.sum(sx * small), np.sum(sy * small)]) / np.sum(small)
    rule = Camera(400, 300, 1.0, 1.0, 123.4, 87.9).scaled(200, 150)
    np.testing.assert_allclose(seen, [rule.cx, rule.cy], atol=1e-3)


def test_parameters_go_out_and_back_in_one_order() -> None:
    assert INTRINSIC_NAMES == ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
    again = Camera(4032, 3024, 1.0, 1.0, 0.0, 0.0).with_parameters(PHONE.parameters)
    assert again == PHONE
    np.testing.assert_allclose(PHONE.distortion, PHONE.parameters[4:])


def test_undistortion_leaves_the_middle_alone() -> None:
    np.testing.assert_allclose(undistort(PHONE, np.zeros((1, 2))), np.zeros((1, 2)), atol=1e-15)
