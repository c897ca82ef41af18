"""Annotated photos and run strips show things where they are."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from typing import Any

import cv2
import numpy as np
import pytest

from sillwright.camera import Camera, Pose, project
from sillwright.cards import scale_card
from sillwright.errors import PhotoError
from sillwright.photo import Pixels, read_pixels
from sillwright.survey import (
    BoltRecord,
    BoltU95,
    CameraRecord,
    CardRecord,
    CornerRecord,
    PhotoRecord,
    RunRecord,
    Survey,
    ViewRecord,
)
from sillwright.tell.pictures import annotated_photo, run_strip
from sillwright.tell.sketch import BOLT, PAPER, STATUS_COLORS, Sketch
from sillwright.tell.strip import StripFrame, mosaic
from sillwright.tell.strip_marks import mosaic_top_left_px
from test_tell_truth import doubtful_survey, scene_folder, truth_survey, with_bolt

DOWN = ((1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, -1.0))
MATRIX = ((700.0, 0.0, 399.5), (0.0, 700.0, 299.5), (0.0, 0.0, 1.0))


def one_bolt_survey(orientation: int, **bolt_changes: Any) -> Survey:
    """A camera straight above the wall, 1 m up, and one upright bolt off the middle of its picture."""
    fields: dict[str, Any] = {"status": "ok", **bolt_changes}
    bolt = BoltRecord("N1", 150.0, 90.0, 0.0, 0.0, 0.0, 80.0, "photos", 12.7, BoltU95(0.5, 0.5), ("1.jpg",), **fields)
    run = RunRecord("north", "ok", (), (bolt,), (CardRecord(1, 0.0, 0.0, 0.0),))
    camera = CameraRecord(800, 600, MATRIX, (0.0,) * 5)
    view = ViewRecord("north", DOWN, (0.0, 0.0, 1000.0))
    return Survey("job", (run,), (), (PhotoRecord("1.jpg", True, "ok", (), "", orientation, (1,), camera, (view,)),))


def is_drawn(picture: Pixels, at_px: Any, color: tuple[int, int, int], within_px: int = 2) -> bool:
    x, y = np.round(at_px).astype(int)
    near = picture[y - within_px : y + within_px + 1, x - within_px : x + within_px + 1].astype(int)
    return bool(np.any(np.abs(near - np.array(color[::-1])).sum(axis=2) < 30))


@pytest.mark.parametrize(("orientation", "quarter_turns_clockwise"), [(1, 0), (6, 1), (3, 2), (8, 3)])
def test_a_bolt_is_marked_where_it_shows_once_the_photo_is_turned(
    orientation: int, quarter_turns_clockwise: int
) -> None:
    survey = one_bolt_survey(orientation)
    stored = np.full((600, 800, 3), 128, np.uint8)
    spot = np.zeros((600, 800), bool)
    spot[round(299.5 - 63.0), round(399.5 + 105.0)] = True
    turned = np.rot90(spot, -quarter_turns_clockwise)
    at_px = np.argwhere(turned)[0][::-1]
    picture = annotated_photo(survey, survey.photos[0], stored)
    assert picture.shape[1] == turned.shape[1]
    assert is_drawn(picture, at_px, BOLT)


def test_a_photo_stored_at_another_size_is_still_marked_in_place() -> None:
    survey = one_bolt_survey(1)
    picture = annotated_photo(survey, survey.photos[0], np.full((1200, 1600, 3), 128, np.uint8))
    assert is_drawn(picture, ((504.5 + 0.5) * 2 - 0.5, (236.5 + 0.5) * 2 - 0.5), BOLT)


def test_the_setback_of_a_bolt_to_shoot_again_is_not_written_on_the_photo(monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []
    real = Sketch.tag

    def listen(self: Sketch, lines: Any, *rest: Any, **more: Any) -> Any:
        said.extend(lines)
        return real(self, lines, *rest, **more)

    monkeypatch.setattr(Sketch, "tag", listen)
    survey = one_bolt_survey(1, status="reshoot")
    annotated_photo(survey, survey.photos[0], np.full((600, 800, 3), 128, np.uint8))
    run_strip(survey, survey.runs[0], lambda _: np.full((600, 800, 3), 128, np.uint8))
    assert "N1  RE-SHOOT" in said
    assert not any("in 3" in line or "±" in line for line in said)


def test_the_true_base_is_marked_in_a_turned_photo_of_a_left_handed_run() -> None:
    """The expected place comes from the scene's world point and world camera, not from the run frame."""
    truth = json.loads((scene_folder("d3") / "truth.json").read_text())
    survey = truth_survey("d3")
    photo = survey.photos[1]
    assert photo.orientation == 6
    true_photo = truth["photos"][1]
    picture = annotated_photo(survey, photo, read_pixels(scene_folder("d3") / photo.file))
    pose = Pose(np.array(true_photo["R_world_to_camera"]), np.array(true_photo["t_world_to_camera_mm"]))
    (fx, _, cx), (_, fy, cy), _ = true_photo["camera_matrix"]
    camera = Camera(4032, 3024, fx, fy, cx, cy, *true_photo["distortion_k1_k2_p1_p2_k3"])
    for bolt in truth["runs"][0]["bolts"][:2]:
        x, y = project(camera, pose, np.array([bolt["base_world_mm"]]))[0]
        scale = 2000 / 4032
        assert is_drawn(picture, ((3023 - y + 0.5) * scale - 0.5, (x + 0.5) * scale - 0.5), BOLT)


def test_a_photo_that_was_not_placed_is_shown_with_its_reason_only() -> None:
    survey = doubtful_survey("d2")
    picture = annotated_photo(survey, survey.photos[-1], np.full((300, 400, 3), 128, np.uint8))
    assert picture.shape[0] > 300
    assert np.all(picture[:298] == 128)


@cache
def laid_flat(scene: str) -> tuple[StripFrame, Pixels]:
    survey, folder = truth_survey(scene), scene_folder(scene)
    return mosaic(survey, survey.runs[0], lambda file: read_pixels(folder / file))


@pytest.mark.parametrize(("scene", "tolerance_mm"), [("d2", 0.3), ("d3", 1.5)])
def test_the_strip_is_true_to_scale_and_not_mirrored(scene: str, tolerance_mm: float) -> None:
    """Card corners, counted from the zero mark, land at the pixel their station and setback say.

    A mirrored marker has no number. d3's run is left-handed, and its cards lie 3 mm up and are seen aslant.
    """
    truth = json.loads((scene_folder(scene) / "truth.json").read_text())
    frame, flat = laid_flat(scene)
    for card in truth["runs"][0]["cards"]:
        first_px = max(int((card["station_mm"] - frame.left_mm - 400.0) / frame.mm_per_px), 0)
        window = np.ascontiguousarray(flat[:, first_px : first_px + round(800.0 / frame.mm_per_px)])
        corners_mm, corners_px = _card_corners(window, card["number"])
        axes = np.array([card["x_axis"][:2], card["y_axis"][:2]])
        on_wall_mm = np.array([card["station_mm"], card["setback_mm"]]) + corners_mm @ axes
        off_mm = (corners_px + np.array([first_px, 0]) - frame.pixel(on_wall_mm)) * frame.mm_per_px
        assert len(off_mm) >= 9
        assert np.max(np.abs(off_mm)) < tolerance_mm


def _card_corners(window: Pixels, number: int) -> tuple[Any, Any]:
    """Inner corners of a card in its own frame, (N, 2), and where they are seen, (N, 2)."""
    spec = scale_card(number)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)
    ids = np.arange(spec.first_id, spec.first_id + spec.marker_count)
    board = cv2.aruco.CharucoBoard((8, 3), spec.square_mm, spec.marker_mm, dictionary, ids)
    corners, numbers, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(window)
    assert corners is not None, f"card {number} is not on the strip, or is mirrored"
    return spec.corners_mm()[np.ravel(numbers)], np.reshape(corners, (-1, 2))


def test_stations_rise_to_the_right_and_the_plate_lies_on_its_true_side() -> None:
    for scene, plate_is_up in (("d2", True), ("d3", False)):
        frame, _ = laid_flat(scene)
        origin_px, along_px, plate_px = frame.pixel(np.array([[0.0, 0.0], [100.0, 0.0], [0.0, 100.0]]))
        assert along_px[0] - origin_px[0] == pytest.approx(100.0 / frame.mm_per_px)
        assert bool(plate_px[1] < origin_px[1]) is plate_is_up


def test_a_bolt_on_the_dressed_strip_stands_at_its_station() -> None:
    survey = with_bolt(truth_survey("d2"), "M2", status="check")
    run = survey.runs[0]
    frame, flat = laid_flat("d2")
    strip = run_strip(survey, run, _missing)
    left_px, top_px = mosaic_top_left_px(frame)
    assert strip.shape[1] == flat.shape[1] + 2 * left_px
    bolt = run.bolts[1]
    at_px = frame.pixel(np.array([[bolt.station_mm, bolt.setback_mm]]))[0] + (left_px, top_px)
    assert is_drawn(strip, at_px, STATUS_COLORS["check"])


def _missing(file: str) -> Pixels:
    raise PhotoError(f"{file} is not there")


def test_what_no_photo_shows_stays_paper() -> None:
    survey = truth_survey("d2")
    _, flat = mosaic(survey, survey.runs[0], _missing)
    assert np.all(flat == np.array(PAPER[::-1]))


def test_a_long_run_is_drawn_coarser_and_stays_small_enough() -> None:
    cards = (CardRecord(1, 0.0, 20.0, 0.0), CardRecord(2, 18_000.0, 20.0, 0.0))
    survey = Survey("job", (RunRecord("north", "ok", (), (), cards),), (CornerRecord(("a", "b"), None, None),), ())
    load: Callable[[str], Pixels] = _missing
    frame, flat = mosaic(survey, survey.runs[0], load)
    assert flat.shape[1] <= 8000
    assert frame.mm_per_px == pytest.approx(18_520 / 8000, rel=0.01)


def test_words_are_put_where_they_cover_nothing_drawn_before() -> None:
    sketch = Sketch.on(np.full((400, 600, 3), 200, np.uint8))
    page = (0.0, 0.0, 600.0, 400.0)
    boxes = [sketch.tag_near(["N1", 'in 2 3/4"'], np.array([300.0, 200.0]), 20.0, 16, BOLT, page) for _ in range(5)]
    for n, a in enumerate(boxes):
        for b in boxes[:n]:
            assert min(a[2], b[2]) <= max(a[0], b[0]) or min(a[3], b[3]) <= max(a[1], b[1])
