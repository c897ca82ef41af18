"""The outline of a bolt against what it must be: lines of sight that graze a cylinder, and circles on it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from scenes import PHONE, inside, overhead
from sillwright.camera import Camera, Pose, project, rays
from sillwright.outline import DENSE, FACE, FOOT, OTHER_SIDE, RIM, SIDE, SPARSE, Bolt, Outline, Sampling, outline

PINHOLE = Camera(4032, 3024, 3100.0, 3100.0, 2015.5, 1511.5)


@st.composite
def bolts(draw: st.DrawFn) -> Bolt:
    base = np.array([draw(st.floats(-350.0, 350.0)), draw(st.floats(-250.0, 250.0)), 0.0])
    height = draw(st.floats(30.0, 130.0))
    lean = np.tan(np.radians([draw(st.floats(-9.0, 9.0)), draw(st.floats(-9.0, 9.0))]))
    return Bolt(base, base + np.append(height * lean, height), draw(st.floats(5.5, 9.6)))


@st.composite
def phones_above(draw: st.DrawFn) -> Pose:
    lean = (draw(st.floats(-12.0, 12.0)), draw(st.floats(-12.0, 12.0)))
    x, y = draw(st.floats(100.0, 500.0)), draw(st.floats(-300.0, 300.0))
    pose = overhead(x, y, draw(st.floats(900.0, 1500.0)), lean_deg=lean)
    # A wall whose cards are numbered from the other end has a left-handed frame.
    mirror = np.diag([1.0, draw(st.sampled_from([1.0, -1.0])), 1.0])
    return Pose(pose.rotation @ mirror, pose.translation_mm)


def assume_seen(pose: Pose, bolt: Bolt) -> None:
    """In the picture, and not so nearly end-on that it has no sides."""
    assume(inside(PHONE, project(PHONE, pose, np.array([bolt.base_mm, bolt.tip_mm])), 60.0).all())
    assume(off_axis_mm(bolt, pose.centre_mm[None])[0] > 4.0 * bolt.radius_mm)


def seen_from(pose: Pose, bolt: Bolt, *, foot_mm: float = 0.0, chamfer_mm: float = 0.0) -> Outline:
    return outline(
        PHONE, pose, bolt.base_mm[None], bolt.tip_mm[None], bolt.radius_mm, foot_mm=foot_mm, chamfer_mm=chamfer_mm
    )


def axis_of(bolt: Bolt) -> np.ndarray:
    return (bolt.tip_mm - bolt.base_mm) / bolt.stickup_mm


def off_axis_mm(bolt: Bolt, points: np.ndarray) -> np.ndarray:
    return np.linalg.norm(np.cross(points - bolt.base_mm, axis_of(bolt)), axis=1)


def in_plane(pose: Pose, px: np.ndarray, point: np.ndarray, normal: np.ndarray) -> np.ndarray:
    """Where the lines of sight through pixels meet a plane, (N, 3)."""
    sight = rays(PHONE, pose, px)
    far = ((point - pose.centre_mm) @ normal) / (sight @ normal)
    return pose.centre_mm + far[:, None] * sight


@settings(max_examples=60, deadline=None)
@given(bolts(), phones_above(), st.floats(0.0, 1.5))
def test_lines_of_sight_to_the_sides_graze_the_cylinder(bolt: Bolt, pose: Pose, chamfer_mm: float) -> None:
    """The tangent plane of a side point holds the camera, so its line of sight passes the axis at one radius."""
    assume_seen(pose, bolt)
    seen = seen_from(pose, bolt, chamfer_mm=chamfer_mm)
    axis = axis_of(bolt)
    sides = (seen.part == SIDE) | (seen.part == OTHER_SIDE)
    sight = rays(PHONE, pose, seen.px[0, sides])
    between = np.cross(sight, axis)
    gap = (bolt.base_mm - pose.centre_mm) @ between.T / np.linalg.norm(between, axis=1)
    np.testing.assert_allclose(np.abs(gap), bolt.radius_mm, atol=1e-6)
    assert (np.sign(gap[: DENSE.side]) == -np.sign(gap[DENSE.side :])).all()
    # n . (C - P) = 0 at the point P where it touches, n pointing straight out of the axis there.
    closest = np.cross(between, axis)
    far = (bolt.base_mm - pose.centre_mm) * np.ones((len(sight), 1))
    along = np.sum(far * closest, axis=1) / np.sum(sight * closest, axis=1)
    touch = pose.centre_mm + along[:, None] * sight
    out = touch - bolt.base_mm - ((touch - bolt.base_mm) @ axis)[:, None] * axis
    np.testing.assert_allclose(np.sum(out * (pose.centre_mm - touch), axis=1), 0.0, atol=1e-3)
    height = (touch - bolt.base_mm) @ axis
    assert height.min() > 0.0
    assert height.max() < bolt.stickup_mm - chamfer_mm


@settings(max_examples=60, deadline=None)
@given(bolts(), phones_above(), st.floats(0.0, 1.5), st.floats(-1.5, 1.5))
def test_rim_face_and_foot_lie_on_their_circles(bolt: Bolt, pose: Pose, chamfer_mm: float, foot_mm: float) -> None:
    assume_seen(pose, bolt)
    seen = seen_from(pose, bolt, foot_mm=foot_mm, chamfer_mm=chamfer_mm)
    axis, up = axis_of(bolt), np.array([0.0, 0.0, 1.0])
    rim = in_plane(pose, seen.px[0, seen.part == RIM], bolt.tip_mm - chamfer_mm * axis, axis)
    np.testing.assert_allclose(off_axis_mm(bolt, rim), bolt.radius_mm, atol=1e-6)
    face = in_plane(pose, seen.px[0, seen.part == FACE], bolt.tip_mm, axis)
    np.testing.assert_allclose(off_axis_mm(bolt, face), bolt.radius_mm - chamfer_mm, atol=1e-6)
    foot = in_plane(pose, seen.px[0, seen.part == FOOT], np.array([0.0, 0.0, foot_mm]), up)
    np.testing.assert_allclose(off_axis_mm(bolt, foot), bolt.radius_mm, atol=1e-6)
    # The rim is the half turned away from the camera, the foot the half turned to it.
    aside = pose.centre_mm - bolt.base_mm
    aside = aside - (aside @ axis) * axis
    distance = float(np.linalg.norm(aside))
    assert ((rim - bolt.tip_mm) @ aside / distance < 1e-6).all()
    assert ((foot - bolt.base_mm) @ aside / distance > -1e-6).all()


@settings(max_examples=60, deadline=None)
@given(bolts(), phones_above(), st.floats(0.0, 1.2))
def test_normals_are_unit_and_point_off_the_bolt(bolt: Bolt, pose: Pose, chamfer_mm: float) -> None:
    assume_seen(pose, bolt)
    seen = seen_from(pose, bolt, chamfer_mm=chamfer_mm)
    axis = axis_of(bolt)
    np.testing.assert_allclose(np.linalg.norm(seen.normals[0], axis=1), 1.0, atol=1e-12)
    outside = seen.px[0] + 0.5 * seen.normals[0]
    sight = rays(PHONE, pose, outside)
    between = np.cross(sight, axis)
    gap = np.abs((bolt.base_mm - pose.centre_mm) @ between.T) / np.linalg.norm(between, axis=1)
    sides = (seen.part == SIDE) | (seen.part == OTHER_SIDE)
    assert (gap[sides] > bolt.radius_mm).all()
    for part, point, radius_mm in (
        (RIM, bolt.tip_mm - chamfer_mm * axis, bolt.radius_mm),
        (FACE, bolt.tip_mm, bolt.radius_mm - chamfer_mm),
    ):
        circle = in_plane(pose, outside[seen.part == part], point, axis)
        assert (off_axis_mm(bolt, circle) > radius_mm).all()
    foot = in_plane(pose, outside[seen.part == FOOT], np.zeros(3), np.array([0.0, 0.0, 1.0]))
    assert (off_axis_mm(bolt, foot) > bolt.radius_mm).all()


@settings(max_examples=40, deadline=None)
@given(bolts(), phones_above())
def test_the_outline_is_the_hull_of_the_whole_cylinder(bolt: Bolt, pose: Pose) -> None:
    """Brute force: 400 points on each of the two end circles, seen by a lens without distortion, and their hull.

    Without distortion a convex body has a convex picture. Sides, rim and foot must lie on its border, and nothing of
    the border may be far from them. The foot ends within it and the rim short of it by what the outline's text gives.
    """
    assume_seen(pose, bolt)
    axis = axis_of(bolt)
    turn = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)
    one = np.cross(axis, [1.0, 0.3, 0.0])
    one /= np.linalg.norm(one)
    ring = bolt.radius_mm * (np.outer(np.cos(turn), one) + np.outer(np.sin(turn), np.cross(axis, one)))
    foot = bolt.base_mm + ring
    foot = foot - (foot[:, 2] / axis[2])[:, None] * axis
    body = np.concatenate([foot, bolt.tip_mm + ring])
    hull = cv2.convexHull(project(PINHOLE, pose, body).astype(np.float32)[:, None])
    seen = outline(PINHOLE, pose, bolt.base_mm[None], bolt.tip_mm[None], bolt.radius_mm)
    ratio = bolt.radius_mm / off_axis_mm(bolt, pose.centre_mm[None])[0]
    radius_px = bolt.radius_mm * PINHOLE.fx / (pose.centre_mm[2] - bolt.tip_mm[2])
    for part in (SIDE, OTHER_SIDE, RIM, FOOT):
        within_px = 0.5 * ratio**2 * radius_px if part == FOOT else 0.0
        for x, y in seen.px[0, seen.part == part]:
            assert abs(cv2.pointPolygonTest(hull, (float(x), float(y)), True)) < 0.05 + within_px
    around = Sampling(400, 200, 4, 200)
    fine = outline(PINHOLE, pose, bolt.base_mm[None], bolt.tip_mm[None], bolt.radius_mm, sampling=around)
    border = fine.px[0, fine.part != FACE]
    for corner in hull[:, 0]:
        assert np.linalg.norm(border - corner, axis=1).min() < 0.6 + 0.5 * np.arcsin(ratio) * radius_px


@pytest.mark.parametrize("sampling", [DENSE, SPARSE])
def test_parts_stand_where_the_sampling_says(sampling: Sampling) -> None:
    counts = [int((sampling.part == part).sum()) for part in (SIDE, OTHER_SIDE, RIM, FACE, FOOT)]
    assert counts == [sampling.side, sampling.side, sampling.rim, sampling.face, sampling.foot]
    for part, piece in enumerate(sampling.pieces):
        assert (sampling.part[piece] == part).all()


def test_many_bolts_at_once_are_each_as_alone() -> None:
    pose = overhead(420.0, 0.0, 1100.0, lean_deg=(5.0, -4.0))
    base = np.array([[0.0, 70.0, 0.0], [200.0, -60.0, 0.0], [-150.0, 20.0, 0.0]])
    tip = base + np.array([[3.0, -2.0, 80.0], [0.0, 6.0, 60.0], [-4.0, 0.0, 110.0]])
    radius, foot = np.array([6.35, 7.9, 9.5]), np.array([0.5, -1.0, 0.0])
    together = outline(PHONE, pose, base, tip, radius, foot_mm=foot, chamfer_mm=1.0)
    for k in range(3):
        alone = outline(PHONE, pose, base[k], tip[k], float(radius[k]), foot_mm=float(foot[k]), chamfer_mm=1.0)
        np.testing.assert_allclose(together.px[k], alone.px[0], atol=1e-9)
        np.testing.assert_allclose(together.normals[k], alone.normals[0], atol=1e-9)


def test_stickup_and_lean_are_those_of_a_right_triangle() -> None:
    bolt = Bolt(np.array([10.0, 20.0, 0.0]), np.array([13.0, 24.0, 12.0]), 6.35)
    assert bolt.stickup_mm == pytest.approx(13.0)
    assert bolt.lean_deg == pytest.approx(np.degrees(np.arctan2(5.0, 12.0)))
