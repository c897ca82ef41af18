"""Card corners found in pictures against where they were put: drawn cards, and rendered phone photos with truth."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from scene_pictures import render
from scenes import PHONE, Scene, lying, overhead
from sillwright.camera import Camera, Pose, project
from sillwright.cards import CALIBRATION_SHEET, CARD_COUNT, scale_card
from sillwright.photo import read_gray
from sillwright.see.charuco import SIGMA_FLOOR_PX, BoardSighting, find_board, find_boards, find_markers, is_mirrored
from sillwright.solve.state import (
    card_points,
)

PHOTOS = Path(__file__).resolve().parents[1] / "../shared/photos"


@cache
def drawn(turn_deg: float, lean_deg: float, curl_mm: float) -> tuple[np.ndarray, BoardSighting | None, np.ndarray]:
    """Card 7 as a phone at 1.2 m sees it, cut out of the picture; what is found; and how far off that is."""
    card = replace(lying(0.0, 40.0, 0.3, turn_deg=turn_deg), curl_mm=curl_mm)
    pose = overhead(150.0, -80.0, 1200.0, lean_deg=(lean_deg, 0.6 * lean_deg), turn_deg=2.0)
    scene = Scene(PHONE, (pose,), (7,), (card,))
    whole = project(PHONE, pose, card_points(card, 1.0, scale_card(7).outline_mm()))
    left, top = (int(v) for v in np.floor(whole.min(axis=0) - 60.0))
    width, height = (int(v) for v in np.ceil(whole.max(axis=0) + 60.0) - [left, top])
    gray = cv2.cvtColor(render(scene, 0, window=(left, top, width, height)), cv2.COLOR_BGR2GRAY)
    found = find_board(gray, scale_card(7))
    if found is None:
        return gray, None, np.zeros((0, 2))
    true = project(PHONE, pose, card_points(card, 1.0, found.board_mm)) - [left, top]
    return gray, found, found.corners_px - true


VIEWS = ((0.0, 0.0, 0.0), (7.0, 8.0, 0.6), (94.0, -10.0, 0.0), (183.0, 14.0, -0.4), (33.0, 4.0, 0.0))


def test_drawn_corners_are_found_without_bias_and_to_a_tenth_of_a_pixel() -> None:
    off = np.concatenate([drawn(*view)[2] for view in VIEWS])
    assert len(off) == 14 * len(VIEWS)
    print(f"mean {off.mean(axis=0)}, rms {np.sqrt(np.mean(off**2)):.3f} px over {len(off)} corners")
    assert np.abs(off.mean(axis=0)).max() < 0.03
    assert np.sqrt(np.mean(off**2)) < 0.15


def test_what_is_said_of_a_corner_is_no_less_than_the_floor_and_about_what_it_errs() -> None:
    for view in VIEWS:
        _, found, off = drawn(*view)
        assert found is not None
        assert SIGMA_FLOOR_PX <= found.sigma_px < 0.15
        assert np.sqrt(np.mean(off**2)) < 2.5 * found.sigma_px


def test_a_mirror_image_is_known_for_one() -> None:
    gray, _, _ = drawn(*VIEWS[0])
    assert is_mirrored(np.ascontiguousarray(gray[:, ::-1]), scale_card(1))
    assert not is_mirrored(gray, scale_card(1))


def test_two_cards_with_one_number_are_told_from_one_card() -> None:
    gray, found, _ = drawn(*VIEWS[0])
    assert found is not None
    assert not found.twice
    beside = find_board(np.concatenate([gray, gray], axis=1), scale_card(7))
    assert beside is not None
    assert beside.twice


def test_a_square_is_as_large_in_the_picture_as_its_projection() -> None:
    _, found, _ = drawn(*VIEWS[0])
    assert found is not None
    assert found.square_px == pytest.approx(30.0 * PHONE.fx / 1199.7, rel=0.02)
    assert found.markers == 12


def test_only_the_card_that_lies_there_is_read() -> None:
    gray, _, _ = drawn(*VIEWS[1])
    seen = find_boards(gray, [scale_card(n) for n in range(1, CARD_COUNT + 1)])
    assert [n for n, one in enumerate(seen, start=1) if one is not None] == [7]


def test_nothing_is_read_into_bare_concrete() -> None:
    scene = Scene(PHONE, (overhead(0.0, 0.0, 1200.0, lean_deg=(5.0, 5.0)),))
    gray = cv2.cvtColor(render(scene, 0, window=(900, 700, 800, 600), samples=1), cv2.COLOR_BGR2GRAY)
    assert find_markers(gray, "5X5_250") == {}
    assert find_board(gray, scale_card(1)) is None
    assert find_board(gray, CALIBRATION_SHEET) is None


def test_corners_under_a_hand_are_dropped_and_the_rest_keep_their_places() -> None:
    gray, whole, _ = drawn(*VIEWS[0])
    assert whole is not None
    covered = gray.copy()
    cv2.circle(covered, tuple(int(v) for v in whole.corners_px[0]), round(0.75 * whole.square_px), 130, -1)
    found = find_board(covered, scale_card(7))
    assert found is not None
    assert 0 not in found.ids
    places = {int(k): px for k, px in zip(whole.ids, whole.corners_px, strict=True)}
    apart = [np.linalg.norm(px - places[int(k)]) for k, px in zip(found.ids, found.corners_px, strict=True)]
    assert len(apart) >= 9
    assert max(apart) < 0.25


def test_a_card_cut_off_by_the_border_gives_the_corners_that_show() -> None:
    gray, whole, _ = drawn(*VIEWS[0])
    assert whole is not None
    cut = int(whole.corners_px[5, 0] + 0.4 * whole.square_px)
    found = find_board(np.ascontiguousarray(gray[:, :cut]), scale_card(7))
    assert found is not None
    assert (found.corners_px[:, 0] < cut).all()
    assert set(found.ids.tolist()) <= set(whole.ids.tolist())
    assert 6 <= len(found.ids) < 14


def test_a_mirrored_print_is_no_card() -> None:
    gray, _, _ = drawn(*VIEWS[0])
    assert find_board(np.ascontiguousarray(gray[:, ::-1]), scale_card(7)) is None


@pytest.mark.parametrize("scene", ["d1", "d3"])
def test_corners_in_rendered_phone_photos_stand_where_the_truth_says(scene: str) -> None:
    """Outside check: the exact truth of shared/photos, through the JPEG, the noise and the sharpening of a phone."""
    folder = PHOTOS / scene
    if not (folder / "truth.json").is_file():
        pytest.skip(f"no photos of scene {scene} beside the repository")
    truth = json.loads((folder / "truth.json").read_text())
    run = truth["runs"][0]
    cards = {card["number"]: card for card in run["cards"]}
    off = []
    for photo in truth["photos"]:
        gray = read_gray(folder / photo["file"])
        numbers = [n for n in photo["cards_whole"] if n in cards]
        for number, seen in zip(numbers, find_boards(gray, [scale_card(n) for n in numbers]), strict=True):
            assert seen is not None, f"card {number} in {photo['file']}"
            assert len(seen.ids) == 14
            off.append(seen.corners_px - _true_px(run["frame"], cards[number], photo, seen.board_mm))
    every = np.concatenate(off)
    print(f"{scene}: mean {every.mean(axis=0)}, rms {np.sqrt(np.mean(every**2)):.3f} px over {len(every)} corners")
    assert np.abs(every.mean(axis=0)).max() < 0.03
    assert np.sqrt(np.mean(every**2)) < 0.15


def _true_px(frame: dict[str, Any], card: dict[str, Any], photo: dict[str, Any], board_mm: np.ndarray) -> np.ndarray:
    """By shared/photos/README.md: the card in the run frame, the run frame in the world, the world in the picture."""
    x, y = card["print_scale"] * board_mm.T
    rise = card["curl_mm"] * (2.0 * (board_mm[:, 0] + 10.0) / 260.0 - 1.0) ** 2
    in_run = np.array(card["origin_mm"]) + np.outer(x, card["x_axis"]) + np.outer(y, card["y_axis"])
    in_run[:, 2] += rise
    axes = np.array([frame["x_axis_in_world"], frame["y_axis_in_world"], [0.0, 0.0, 1.0]])
    world = np.array(frame["origin_in_world_mm"]) + in_run @ axes
    matrix = np.array(photo["camera_matrix"])
    camera = Camera(
        photo["width"],
        photo["height"],
        *(float(v) for v in (matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2])),
        *photo["distortion_k1_k2_p1_p2_k3"],
    )
    return project(camera, Pose(np.array(photo["R_world_to_camera"]), np.array(photo["t_world_to_camera_mm"])), world)
