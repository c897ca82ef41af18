"""The scene maker itself: what it draws lies as said, and its pictures agree with projection."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from scene_pictures import print_shade, render
from scenes import PHONE, Bar, Chalk, Scene, draw_scene, inside, lying, overhead, see_cards, see_line
from sillwright.camera import meet_plane, project
from sillwright.cards import CALIBRATION_SHEET, BoardSpec, scale_card
from sillwright.outline import Bolt
from sillwright.solve.state import (
    CARD_CURL_MM,
    CARD_HEIGHT_MM,
    CARD_TILT_RAD,
    card_points,
)

MIDDLE = np.array([[120.0, 45.0]])


def test_cards_lie_as_unevenly_as_the_priors_of_the_adjustment_say() -> None:
    tilts, heights, curls, scales = [], [], [], []
    for seed in range(300):
        scene = draw_scene(seed)
        scales.append(scene.scale - 1.0)
        for card in scene.cards:
            tilts += list(card.rotation[:2, 2])
            middle = card_points(replace(card, curl_mm=0.0), scene.scale, MIDDLE)
            heights.append(middle[0, 2] - scene.face_mm)
            curls.append(card.curl_mm)
    assert np.std(tilts) == pytest.approx(CARD_TILT_RAD, rel=0.08)
    assert np.std(heights) == pytest.approx(CARD_HEIGHT_MM, rel=0.08)
    assert np.std(curls) == pytest.approx(CARD_CURL_MM, rel=0.08)
    assert np.std(scales) == pytest.approx(0.0012, rel=0.15)


def test_every_photo_shows_two_cards_or_more_and_the_first_zero_mark_is_at_zero() -> None:
    for seed in range(40):
        scene = draw_scene(seed)
        assert scene.cards[0].origin_mm[0] == 0.0
        seen = see_cards(scene, np.random.default_rng(seed))
        for photo in range(len(scene.poses)):
            assert sum(one.photo == photo for one in seen) >= 2, f"scene {seed}"


def test_noise_of_what_is_seen_is_as_stated() -> None:
    off, across = [], []
    for seed in range(20):
        scene = draw_scene(seed)
        rng = np.random.default_rng(seed)
        for one in see_cards(scene, rng):
            true = project(
                scene.camera, scene.poses[one.photo], card_points(scene.cards[one.card], scene.scale, one.board_mm)
            )
            off.append(((one.px - true) / one.sigma_px).ravel())
        for line in see_line(scene, rng):
            across.append(meet_plane(scene.camera, scene.poses[line.photo], line.px)[:, 1] / 0.25)
    assert np.std(np.concatenate(off)) == pytest.approx(1.0, abs=0.03)
    assert np.std(np.concatenate(across)) == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("spec", [scale_card(1), scale_card(20), CALIBRATION_SHEET])
def test_the_print_is_the_board_that_opencv_draws(spec: BoardSpec) -> None:
    """Outside check: cv2.aruco.CharucoBoard.generateImage, at the middle of every marker cell and square."""
    words = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{spec.dictionary}"))
    ids = np.arange(spec.first_id, spec.first_id + spec.marker_count)
    board = cv2.aruco.CharucoBoard((spec.squares_x, spec.squares_y), spec.square_mm, spec.marker_mm, words, ids)
    px_per_mm = 12
    size = (round(spec.width_mm * px_per_mm), round(spec.height_mm * px_per_mm))
    theirs = board.generateImage(size, marginSize=0, borderBits=1)
    x, y = np.meshgrid(np.arange(0.25, spec.width_mm, 0.5), np.arange(0.25, spec.height_mm, 0.5))
    ours = print_shade(spec, x.ravel(), y.ravel()).reshape(x.shape)
    picked = theirs[(y * px_per_mm).astype(int), (x * px_per_mm).astype(int)] / 255.0
    # Their picture rounds cells to whole pixels; half a millimetre on either side of a border is not asked.
    settled = np.abs(cv2.blur(ours, (3, 3)) - ours) < 1e-6
    assert settled.mean() > 0.6
    assert (ours == picked)[settled].all()


def test_a_drawn_card_ends_where_its_paper_projects_to() -> None:
    card = replace(lying(100.0, 45.0, 0.3, turn_deg=10.0), curl_mm=1.0)
    pose = overhead(200.0, 0.0, 1200.0, lean_deg=(8.0, -6.0), turn_deg=20.0)
    scene = Scene(PHONE, (pose,), (5,), (card,))
    paper = np.array([[-10.0, -10.0], [250.0, -10.0], [250.0, 100.0], [-10.0, 100.0]])
    px = project(PHONE, pose, card_points(card, 1.0, paper))
    left, top = (int(v) for v in px.min(axis=0) - 40)
    width, height = (int(v) for v in px.max(axis=0) + 40 - [left, top])
    gray = render(scene, 0, window=(left, top, width, height), blur_px=0.0, noise=0.0)[:, :, 0].astype(float)
    along = np.linspace(0.0, 1.0, 60)[5:-5]
    for k in range(4):
        a, b = card_points(card, 1.0, paper)[[k, (k + 1) % 4]]
        edge = paper[k] + along[:, None] * (paper[(k + 1) % 4] - paper[k])
        inward = (np.array([120.0, 45.0]) - 0.5 * (paper[k] + paper[(k + 1) % 4])) / 130.0
        for move_mm, paper_there in ((2.0, True), (-2.0, False)):
            at = project(PHONE, pose, card_points(card, 1.0, edge + move_mm * inward / np.linalg.norm(inward)))
            value = gray[tuple(np.round(at - [left, top]).astype(int).T[::-1])]
            assert ((value > 215.0) == paper_there).all(), (k, a, b)


def test_a_drawn_bar_covers_the_pixels_its_axis_projects_to_and_none_far_from_it() -> None:
    pose = overhead(150.0, -30.0, 1250.0, lean_deg=(4.0, 2.0))
    bolt = Bolt(np.array([450.0, 70.0, 0.0]), np.array([455.0, 66.0, 90.0]), 6.35)
    bare, stood = (
        render(Scene(PHONE, (pose,), bars=bars), 0, window=(2600, 900, 500, 500), samples=2, noise=0.0)
        for bars in ((), (Bar(bolt, 1.0),))
    )
    changed = np.abs(stood.astype(int) - bare).max(axis=2) > 12
    axis = bolt.base_mm + np.linspace(0.0, 1.0, 80)[:, None] * (bolt.tip_mm - bolt.base_mm)
    px = project(PHONE, pose, axis) - [2600, 900]
    assert inside(replace(PHONE, width_px=500, height_px=500), px).all()
    assert changed[tuple(np.round(px[3:]).astype(int).T[::-1])].mean() > 0.9
    rows, columns = np.nonzero(changed)
    radius_px = 6.35 * PHONE.fx / (pose.centre_mm[2] - 90.0)
    far = np.linalg.norm(np.stack([columns, rows], axis=1)[:, None] - px[None], axis=2).min(axis=1)
    assert far.max() < 1.25 * radius_px + 2.0


def test_chalk_lies_where_it_was_snapped() -> None:
    pose = overhead(300.0, 0.0, 1200.0, lean_deg=(6.0, 3.0))
    chalk = Chalk(offset_mm=5.0, angle_rad=0.02, wave_mm=1.0)
    left, top = (int(v) for v in project(PHONE, pose, np.array([[300.0, 11.0, 0.0]]))[0] - [300.0, 200.0])
    picture = render(Scene(PHONE, (pose,), chalk=(chalk,)), 0, window=(left, top, 600, 400), samples=2, noise=0.0)
    blue = picture[:, :, 0].astype(float) - picture[:, :, 2]
    columns = np.arange(20, 580, 20)
    weight = np.maximum(blue[:, columns] - 20.0, 0.0)
    rows = (weight * np.arange(400)[:, None]).sum(axis=0) / weight.sum(axis=0)
    ground = meet_plane(PHONE, pose, np.column_stack([columns + left, rows + top]))
    along = ground[:, 0] * np.cos(0.02) + ground[:, 1] * np.sin(0.02)
    across = ground[:, 1] * np.cos(0.02) - ground[:, 0] * np.sin(0.02) - 5.0
    off = across - chalk.middle_mm(along)  # powder is uneven, a single column of it shows that
    assert np.abs(off).max() < 0.6
    assert abs(off.mean()) < 0.12
