"""First places of photos and cards: one flat card, and photos chained by the cards they share."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from skimage.transform import ProjectiveTransform

from scenes import PHONE, draw_scene, lying, overhead, see_cards
from sillwright.camera import Camera, Pose, ideal_from_pixels, meet_plane, project
from sillwright.cards import scale_card
from sillwright.solve.pose import CardView, chain, flat_view, place_card, pose_from_plane
from sillwright.solve.state import (
    CardObservation,
    CardState,
    card_points,
)

FLAT_MM = scale_card(1).corners_mm() * np.array([1.0, -1.0])
PLANE_MM = np.column_stack([FLAT_MM, np.zeros(len(FLAT_MM))])


def flat_views(
    cameras: dict[int, Camera], seen: dict[tuple[int, int], CardView], face_mm: float
) -> dict[int, tuple[Pose, dict[int, CardState]]]:
    """Each photo's own pose and cards, by photo."""
    found = {}
    for photo, camera in cameras.items():
        cards = {n: view for (p, n), view in seen.items() if p == photo}
        flat = flat_view(camera, cards, face_mm) if cards else None
        if flat is not None:
            found[photo] = flat
    return found


@st.composite
def phones_over_a_card(draw: st.DrawFn) -> Pose:
    lean = (draw(st.floats(-25.0, 25.0)), draw(st.floats(-20.0, 20.0)))
    x, y = draw(st.floats(0.0, 240.0)), draw(st.floats(-100.0, 10.0))
    return overhead(x, y, draw(st.floats(700.0, 1500.0)), lean_deg=lean, turn_deg=draw(st.floats(-180.0, 180.0)))


@settings(max_examples=60, deadline=None)
@given(phones_over_a_card())
def test_without_noise_the_pose_over_a_card_is_exact(pose: Pose) -> None:
    # Looking straight down is where the two planar solutions meet; how that start is left is another test.
    assume(pose.rotation[2, 2] > -np.cos(np.radians(5.0)))
    px = project(PHONE, pose, PLANE_MM)
    assume(np.isfinite(px).all())
    found, rms = pose_from_plane(PHONE, FLAT_MM, px)
    assert rms < 1e-3
    np.testing.assert_allclose(found.centre_mm, pose.centre_mm, atol=0.02)
    np.testing.assert_allclose(found.rotation, pose.rotation, atol=1e-5)


@pytest.mark.parametrize("seed", range(8))
def test_with_noise_one_card_gives_the_pose_that_opencv_finds(seed: int) -> None:
    """Outside check: cv2.solvePnP and cv2.solvePnPRefineLM on the distorted pixels, run to the end."""
    rng = np.random.default_rng(seed)
    pose = overhead(120.0, -40.0, 1000.0, lean_deg=(rng.normal(0, 12), rng.normal(0, 12)), turn_deg=40.0 * seed)
    px = project(PHONE, pose, PLANE_MM) + 0.1 * rng.standard_normal(FLAT_MM.shape)
    lens = PHONE.matrix, PHONE.distortion
    _, vector, shift = cv2.solvePnP(PLANE_MM, px, *lens, flags=cv2.SOLVEPNP_ITERATIVE)
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 200, 1e-14)
    vector, shift = cv2.solvePnPRefineLM(PLANE_MM, px, *lens, vector, shift, stop)
    best = np.sqrt(np.mean((project(PHONE, Pose(cv2.Rodrigues(vector)[0], shift.ravel()), PLANE_MM) - px) ** 2))
    _, rms = pose_from_plane(PHONE, FLAT_MM, px)
    assert rms < 1.05 * best  # ours weighs pixels of an undistorted picture, theirs those of the photo
    found = flat_view(PHONE, {1: CardView(scale_card(1).corners_mm(), px)}, 0.0)
    assert found is not None
    there = card_points(replace(found[1][1], curl_mm=0.0), 1.0, scale_card(1).corners_mm())
    assert np.sqrt(np.mean((project(PHONE, found[0], there) - px) ** 2)) < 1.02 * best


def test_from_straight_above_a_card_is_still_placed_after_the_adjustment() -> None:
    pose = overhead(0.0, 0.0, 700.0, lean_deg=(0.0, 0.0))
    found = flat_view(PHONE, {1: CardView(scale_card(1).corners_mm(), project(PHONE, pose, PLANE_MM))}, 0.0)
    assert found is not None
    np.testing.assert_allclose(found[0].centre_mm, pose.centre_mm, atol=0.02)


@pytest.mark.parametrize("seed", range(4))
def test_the_pose_is_the_homography_that_scikit_image_estimates(seed: int) -> None:
    """Outside check: skimage.transform.ProjectiveTransform (normalised DLT, Hartley 1997) and cv2.findHomography."""
    rng = np.random.default_rng(50 + seed)
    pose = overhead(90.0, -30.0, 1200.0, lean_deg=(rng.normal(0, 10), rng.normal(0, 10)), turn_deg=75.0 * seed)
    ideal = ideal_from_pixels(PHONE, project(PHONE, pose, PLANE_MM))
    found, _ = pose_from_plane(PHONE, FLAT_MM, project(PHONE, pose, PLANE_MM))
    ours = np.column_stack([found.rotation[:, :2], found.translation_mm])
    theirs = ProjectiveTransform.from_estimate(FLAT_MM, ideal).params
    opencv, _ = cv2.findHomography(FLAT_MM, ideal, 0)
    np.testing.assert_allclose(ours / ours[2, 2], theirs / theirs[2, 2], atol=1e-7)
    np.testing.assert_allclose(opencv / opencv[2, 2], theirs / theirs[2, 2], atol=1e-6)


def test_pixels_that_fit_no_plane_before_the_camera_are_refused() -> None:
    with pytest.raises((ValueError, cv2.error)):
        pose_from_plane(PHONE, FLAT_MM, np.full(FLAT_MM.shape, np.nan))


@settings(max_examples=40, deadline=None)
@given(phones_over_a_card(), st.floats(-180.0, 180.0), st.floats(0.0, 5.0))
def test_a_card_is_placed_where_it_lies_given_the_pose(pose: Pose, turn_deg: float, face_mm: float) -> None:
    card = lying(30.0, -60.0, face_mm, turn_deg=turn_deg)
    board = scale_card(4).corners_mm()
    px = project(PHONE, pose, card_points(card, 1.0, board))
    assume(np.isfinite(px).all())
    placed, misfit_mm = place_card(PHONE, pose, CardView(board, px), face_mm)
    assert misfit_mm < 1e-6
    np.testing.assert_allclose(placed.origin_mm, card.origin_mm, atol=1e-5)
    np.testing.assert_allclose(placed.rotation, card.rotation, atol=1e-7)


def test_two_cards_a_way_apart_fix_the_tilt_of_the_plane_better_than_one() -> None:
    pose = overhead(500.0, 0.0, 1250.0, lean_deg=(6.0, -3.0))
    cards = {1: lying(0.0, 90.0, 0.3), 2: lying(850.0, 100.0, 0.3, turn_deg=2.0)}
    board = scale_card(1).corners_mm()
    one, both = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        seen = {
            n: CardView(board, project(PHONE, pose, card_points(card, 1.0, board)) + 0.1 * rng.standard_normal((14, 2)))
            for n, card in cards.items()
        }
        for keep, into in (({1: seen[1]}, one), (seen, both)):
            found = flat_view(PHONE, keep, 0.3)
            assert found is not None
            up = found[0].rotation[:, 2] @ pose.rotation[:, 2]
            into.append(np.degrees(np.arccos(np.clip(up, -1.0, 1.0))))
    assert np.median(both) < 0.5 * np.median(one)
    assert np.max(both) < 0.2


def views(seen: tuple[CardObservation, ...]) -> dict[tuple[int, int], CardView]:
    return {(one.photo, one.card + 1): CardView(one.board_mm, one.px) for one in seen}


@pytest.mark.parametrize("seed", range(12))
def test_photos_that_share_cards_are_joined_near_where_they_were_taken(seed: int) -> None:
    """To a centimetre over three metres: the adjustment starts from here and need not be nearer."""
    scene = draw_scene(seed)
    cameras, seen = dict.fromkeys(range(len(scene.poses)), PHONE), views(see_cards(scene, np.random.default_rng(seed)))
    placed = chain(flat_views(cameras, seen, scene.face_mm), scene.face_mm, 1)
    assert set(placed.poses) == set(range(len(scene.poses)))
    assert set(placed.cards) == set(scene.numbers)
    here = np.array([placed.cards[n].origin_mm[:2] for n in scene.numbers])
    true = np.array([card.origin_mm[:2] for card in scene.cards])
    # The chain's frame lies along its first card; what counts is how the cards lie to each other.
    apart = [np.linalg.norm(p[:, None] - p[None], axis=2) for p in (here, true)]
    assert np.abs(apart[0] - apart[1]).max() < 10.0
    for i, pose in enumerate(scene.poses):
        assert abs(placed.poses[i].centre_mm[2] - pose.centre_mm[2]) < 15.0


def test_photos_that_share_no_card_with_the_rest_are_left_out() -> None:
    scene = next(s for s in map(draw_scene, range(50)) if len(s.cards) == 5)
    seen = views(see_cards(scene, np.random.default_rng(2)))
    split = {key: view for key, view in seen.items() if key[1] != 3}
    cameras = dict.fromkeys(range(len(scene.poses)), PHONE)
    placed = chain(flat_views(cameras, split, scene.face_mm), scene.face_mm, 1)
    assert set(placed.cards) == {1, 2}
    assert set(placed.poses) == {photo for photo, card in split if card in (1, 2)}
    other = chain(flat_views(cameras, split, scene.face_mm), scene.face_mm, 5)
    assert set(other.cards) == {4, 5}
    assert not set(other.poses) & set(placed.poses)


def test_a_photo_without_a_card_is_left_out_and_harms_nobody() -> None:
    scene = draw_scene(1)
    seen = views(see_cards(scene, np.random.default_rng(1)))
    more = replace(scene, poses=(*scene.poses, overhead(9000.0, 0.0, 1200.0, lean_deg=(0.0, 0.0))))
    cameras = dict.fromkeys(range(len(more.poses)), PHONE)
    placed = chain(flat_views(cameras, seen, scene.face_mm), scene.face_mm, 1)
    assert len(more.poses) - 1 not in placed.poses
    np.testing.assert_allclose(
        placed.poses[0].centre_mm,
        chain(flat_views(dict.fromkeys(range(len(scene.poses)), PHONE), seen, scene.face_mm), scene.face_mm, 1)
        .poses[0]
        .centre_mm,
    )


def test_what_stands_in_the_picture_on_the_plane_comes_back_where_the_chain_puts_the_card() -> None:
    scene = draw_scene(6)
    seen = see_cards(scene, np.random.default_rng(3))
    cameras = dict.fromkeys(range(len(scene.poses)), PHONE)
    placed = chain(flat_views(cameras, views(seen), scene.face_mm), scene.face_mm, 1)
    for one in seen:
        ground = meet_plane(PHONE, placed.poses[one.photo], one.px, scene.face_mm)
        expected = card_points(placed.cards[one.card + 1], 1.0, one.board_mm)
        assert np.linalg.norm(ground[:, :2] - expected[:, :2], axis=1).max() < 15.0
