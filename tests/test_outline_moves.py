"""How an outline moves, against what it does when bolt, camera and lens are really moved a little."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from scenes import PHONE, overhead
from sillwright.camera import Array, Camera, Pose, rotation_from_vector
from sillwright.outline import DENSE
from sillwright.solve.outline_moves import moves_with_camera, outline_with_moves, outlines, rough_outlines

PINHOLE = replace(PHONE, k1=0.0, k2=0.0, k3=0.0, p1=0.0, p2=0.0)
CHAMFER_MM = 1.3
PLACE_STEP_MM, TURN_STEP = 1e-3, 1e-7
LENS_STEPS = (1e-2, 1e-2, 1e-2, 1e-2, 1e-5, 1e-5, 1e-6, 1e-6, 1e-5)

places = st.builds(
    lambda x, y, lean_x, lean_y, height, radius, foot: np.array(
        [x, y, x + lean_x * height, y + lean_y * height, height, radius, foot]
    ),
    st.floats(-300.0, 700.0),
    st.floats(-150.0, 150.0),
    st.floats(-0.2, 0.2),
    st.floats(-0.2, 0.2),
    st.floats(40.0, 130.0),
    st.floats(5.0, 12.0),
    st.floats(-2.0, 2.0),
)
poses = st.builds(
    lambda height, about_x, about_y, turn: overhead(200.0, 0.0, height, lean_deg=(about_x, about_y), turn_deg=turn),
    st.floats(1100.0, 1500.0),
    st.floats(-8.0, 8.0),
    st.floats(-8.0, 8.0),
    st.floats(-180.0, 180.0),
)


def moved(camera: Camera, pose: Pose, place: Array) -> Array:
    return outlines(camera, pose, place[None], CHAMFER_MM).px[0]


def along_normals(after: Array, before: Array, normals: Array, step: float) -> Array:
    return np.sum((after - before) * normals, axis=1) / step


def assume_seen_from_outside(pose: Pose, place: Array) -> None:
    """Along its own axis a bolt has no sides, and what is taken for them turns right round with the least step."""
    axis = place[2:5] - np.append(place[:2], 0.0)
    off = np.cross(pose.centre_mm - place[2:5], axis / np.linalg.norm(axis))
    assume(np.linalg.norm(off) > 4.0 * place[5])


def said_and_done(camera: Camera, pose: Pose, place: Array, which: int) -> tuple[Array, Array]:
    """How far an outline moves for one parameter of its bolt, by its derivatives and by a step either way."""
    assume_seen_from_outside(pose, place)
    seen, (moves,) = outline_with_moves(camera, [pose], place[None], CHAMFER_MM)
    step = PLACE_STEP_MM * np.eye(7)[which]
    after, before = moved(camera, pose, place + step), moved(camera, pose, place - step)
    return moves[:, which], along_normals(after, before, seen.normals[0], 2.0 * PLACE_STEP_MM)


@settings(max_examples=20, deadline=None)
@given(st.tuples(places, places), st.tuples(poses, poses))
def test_bolts_drawn_roughly_in_photos_of_lenses_that_bend_alike_are_what_they_are_in_each(
    bolts: tuple[Array, Array], apart: tuple[Pose, Pose]
) -> None:
    cameras = [PHONE, replace(PHONE, fx=0.5 * PHONE.fx, fy=0.49 * PHONE.fy, cx=30.0, cy=-8.0)]
    together = rough_outlines(cameras, apart, np.array(bolts), CHAMFER_MM, DENSE)
    for k, ((camera, pose), place) in enumerate(product(zip(cameras, apart, strict=True), bolts)):
        alone = outlines(camera, pose, place[None], CHAMFER_MM)
        np.testing.assert_allclose(together.px[k], alone.px[0], atol=2e-3)
        np.testing.assert_allclose(together.normals[k], alone.normals[0], atol=2e-4)


@settings(max_examples=40, deadline=None)
@given(places, poses, st.integers(0, 6))
def test_an_outline_moves_with_the_bolt_as_its_derivatives_say(place: Array, pose: Pose, which: int) -> None:
    said, real = said_and_done(PINHOLE, pose, place, which)
    np.testing.assert_allclose(said, real, atol=2e-4)


@settings(max_examples=20, deadline=None)
@given(st.tuples(places, places), st.tuples(poses, poses, poses))
def test_bolts_drawn_in_several_photos_at_once_are_what_they_are_in_each(
    bolts: tuple[Array, Array], every: tuple[Pose, Pose, Pose]
) -> None:
    """A mirrored pose among them: which hand a frame has is asked of each photo."""
    mirror = Pose(every[2].rotation @ np.diag([1.0, -1.0, 1.0]), every[2].translation_mm)
    apart = [*every[:2], mirror]
    together, moves = outline_with_moves(PHONE, apart, np.array(bolts), CHAMFER_MM)
    for k, (pose, place) in enumerate(product(apart, bolts)):
        alone, (own,) = outline_with_moves(PHONE, [pose], place[None], CHAMFER_MM)
        drawn = outlines(PHONE, pose, place[None], CHAMFER_MM)
        for one in (alone, drawn):
            np.testing.assert_allclose(together.px[k], one.px[0], atol=1e-8)
            np.testing.assert_allclose(together.normals[k], one.normals[0], atol=1e-8)
        np.testing.assert_allclose(moves[k], own, atol=1e-8)


@settings(max_examples=40, deadline=None)
@given(places, poses, st.integers(0, 5))
def test_an_outline_moves_with_the_camera_as_its_derivatives_say(place: Array, pose: Pose, which: int) -> None:
    assume_seen_from_outside(pose, place)
    seen = outlines(PINHOLE, pose, place[None], CHAMFER_MM)
    by_pose, _ = moves_with_camera(PINHOLE, pose, seen)
    step = TURN_STEP if which < 3 else PLACE_STEP_MM

    def shifted(size: float) -> Pose:
        delta = size * np.eye(6)[which]
        return Pose(rotation_from_vector(delta[:3]) @ pose.rotation, pose.translation_mm + delta[3:])

    real = along_normals(
        moved(PINHOLE, shifted(step), place), moved(PINHOLE, shifted(-step), place), seen.normals[0], 2.0 * step
    )
    np.testing.assert_allclose(by_pose[:, which], real, rtol=1e-5, atol=2e-3)


@pytest.mark.parametrize("which", range(9))
def test_an_outline_moves_with_the_lens_as_its_derivatives_say(which: int) -> None:
    place = np.array([420.0, -60.0, 431.0, -55.0, 82.0, 6.35, 0.4])
    pose = overhead(200.0, 0.0, 1250.0, lean_deg=(3.0, -2.0))
    seen = outlines(PHONE, pose, place[None], CHAMFER_MM)
    _, by_lens = moves_with_camera(PHONE, pose, seen)

    def bent(size: float) -> Camera:
        values = PHONE.parameters
        values[which] += size
        return PHONE.with_parameters(values)

    step = LENS_STEPS[which]
    real = along_normals(moved(bent(step), pose, place), moved(bent(-step), pose, place), seen.normals[0], 2.0 * step)
    np.testing.assert_allclose(by_lens[:, which], real, rtol=1e-4, atol=1e-4)


@settings(max_examples=30, deadline=None)
@given(places, poses, st.integers(0, 6))
def test_a_phones_lens_changes_that_by_what_it_turns_the_normals(place: Array, pose: Pose, which: int) -> None:
    """Normals are those of a pinhole, so what slides along the outline shows in steps by a few parts in a hundred."""
    said, real = said_and_done(PHONE, pose, place, which)
    np.testing.assert_allclose(said, real, atol=0.06 * np.abs(real).max() + 1e-3)
