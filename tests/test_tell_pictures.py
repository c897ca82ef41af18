"""Annotated photos and run strips show things where they are."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
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
    EdgeRecord,
    PhotoRecord,
    RunRecord,
    Survey,
    ViewRecord,
)
from sillwright.tell.frames import bolt_tip_mm, camera_of, pose_of
from sillwright.tell.pictures import annotated_photo, run_strip
from sillwright.tell.sketch import (
    BOLT,
    INK,
    LINE,
    LINE_BESIDE_MM,
    PAPER,
    STATUS_COLORS,
    Entry,
    Legend,
    Sketch,
)
from sillwright.tell.strip import StripFrame, mosaic
from sillwright.tell.strip_marks import mosaic_top_left_px
from test_tell_truth import doubtful_survey, scene_folder, truth_survey, with_bolt

DOWN = ((1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, -1.0))
MATRIX = ((700.0, 0.0, 399.5), (0.0, 700.0, 299.5), (0.0, 0.0, 1.0))


def one_bolt_survey(orientation: int, **bolt_changes: Any) -> Survey:
    """A camera straight above the wall, 1 m up, and one upright bolt off the middle of its picture."""
    upright = BoltRecord("N1", 150.0, 90.0, 0.0, 0.0, 0.0, 80.0, "photos", 12.7, BoltU95(0.5, 0.5), ("1.jpg",), "ok")
    run = RunRecord("north", "ok", (), (replace(upright, **bolt_changes),), (CardRecord(1, -150.0, -20.0, 0.0),))
    camera = CameraRecord(800, 600, MATRIX, (0.0,) * 5)
    view = ViewRecord("north", DOWN, (0.0, 0.0, 1000.0))
    return Survey("job", (run,), (), (PhotoRecord("1.jpg", True, "ok", (), "", orientation, (1,), camera, (view,)),))


def assert_is_marked_round(picture: Pixels, at_px: Any, color: tuple[int, int, int], half_width_px: float) -> None:
    """Round the middle of a bolt's base stands half a circle or more, with its centre there and clear of the bolt."""
    x, y = np.asarray(at_px, dtype=float)
    ink = np.array(color[::-1]) - np.mean(color)
    reach_px = np.arange(0.0, 2.0 * half_width_px + 12.0, 0.25)
    turns = np.linspace(0.0, 2.0 * np.pi, 64, endpoint=False)
    first_px = np.full(64, np.inf)
    for place, turn in enumerate(turns):
        columns = np.round(x + reach_px * np.cos(turn)).astype(int)
        rows = np.round(y + reach_px * np.sin(turn)).astype(int)
        seen = picture[rows, columns].astype(float)
        seen -= seen.mean(axis=1, keepdims=True)
        hits = np.flatnonzero(seen @ ink > 0.25 * ink @ ink)  # a thin stroke is part ink, part paper
        first_px[place] = reach_px[hits[0]] if len(hits) else np.inf
    halves = [np.roll(np.arange(64), -start)[:33] for start in range(64)]
    drawn = [half[np.isfinite(first_px[half])] for half in halves]
    whole = [half for half in drawn if len(half) > 24]
    assert whole, "no half circle stands round it"
    half = min(whole, key=lambda part: np.ptp(first_px[part]))
    out_px = first_px[half]
    assert out_px.min() > half_width_px
    seen_px = out_px[:, None] * np.column_stack([np.cos(turns[half]), np.sin(turns[half])])
    (a, b, _), *_ = np.linalg.lstsq(np.column_stack([2 * seen_px, np.ones(len(half))]), (seen_px**2).sum(axis=1))
    assert np.hypot(a, b) < 1.5, "the ring's centre"


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
    assert_is_marked_round(picture, at_px, BOLT, 4.4)


def test_a_photo_stored_at_another_size_is_still_marked_in_place() -> None:
    survey = one_bolt_survey(1)
    picture = annotated_photo(survey, survey.photos[0], np.full((1200, 1600, 3), 128, np.uint8))
    assert_is_marked_round(picture, ((504.5 + 0.5) * 2 - 0.5, (236.5 + 0.5) * 2 - 0.5), BOLT, 8.9)


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
        at_px = ((3023 - y + 0.5) * scale - 0.5, (x + 0.5) * scale - 0.5)
        assert_is_marked_round(picture, at_px, BOLT, 6.35 * fx * scale / project_depth(pose, bolt["base_world_mm"]))


def project_depth(pose: Pose, point_mm: Any) -> float:
    """How far in front of the camera a point lies, mm."""
    return float(pose.rotation[2] @ np.array(point_mm) + pose.translation_mm[2])


def leaning(along_mm: float, across_mm: float, u95_deg: float = 0.5) -> Survey:
    """The bolt of ``one_bolt_survey`` with its tip so far off; 80 mm along the axis."""
    lean_deg = float(np.degrees(np.arcsin(np.hypot(along_mm, across_mm) / 80.0)))
    u95 = BoltU95(0.5, 0.5, 0.5, 0.5, u95_deg, 1.0)
    return one_bolt_survey(1, lean_along_mm=along_mm, lean_across_mm=across_mm, lean_deg=lean_deg, u95=u95)


@pytest.fixture
def heard(monkeypatch: pytest.MonkeyPatch) -> dict[str, list[Any]]:
    """What is drawn as arrows (from, to), and every line of words."""
    heard: dict[str, list[Any]] = {"arrows": [], "words": []}
    arrow, letter = Sketch.arrow, Sketch._letter

    def hear_arrow(self: Sketch, from_px: Any, to_px: Any, *rest: Any, **more: Any) -> Any:
        heard["arrows"].append((np.array(from_px), np.array(to_px)))
        return arrow(self, from_px, to_px, *rest, **more)

    def hear_words(self: Sketch, lines: Any, *rest: Any, **more: Any) -> Any:
        heard["words"] += lines
        return letter(self, lines, *rest, **more)

    monkeypatch.setattr(Sketch, "arrow", hear_arrow)
    monkeypatch.setattr(Sketch, "_letter", hear_words)
    return heard


GREY = np.full((600, 800, 3), 128, np.uint8)


@pytest.mark.parametrize(("along_mm", "across_mm"), [(12, 0), (-12, 0), (0, 12), (0, -12), (9, 9), (-9, 7), (8, -9)])
def test_the_marks_leave_bolt_and_chalk_bare(along_mm: float, across_mm: float) -> None:
    """Base, thread and tip, over the bolt's own width, and the powder for 4 mm to each side of the line."""
    survey = leaning(along_mm, across_mm)
    picture = annotated_photo(survey, survey.photos[0], GREY)[:600]
    changed = np.any(picture != 128, axis=2)
    bolt = survey.runs[0].bolts[0]
    view, camera = survey.photos[0].views[0], survey.photos[0].camera
    assert camera is not None
    tip_mm = bolt_tip_mm(bolt)
    axis_mm = np.linspace([150.0, 90.0, 0.0], tip_mm, 60)
    beside_mm = np.array([[0.0, 0.0], [5.5, 0.0], [-5.5, 0.0], [0.0, 5.5], [0.0, -5.5]])
    on_bolt_mm = (axis_mm[:, None] + np.pad(beside_mm, ((0, 0), (0, 1)))).reshape(-1, 3)
    x, y = np.round(project(camera_of(camera), pose_of(view), on_bolt_mm)).astype(int).T
    assert not changed[y, x].any()
    along_line_mm = np.arange(-300.0, 500.0, 2.0)

    def drawn(setback_mm: float) -> Any:
        points_mm = np.column_stack([along_line_mm, np.full(400, setback_mm), np.zeros(400)])
        x, y = np.round(project(camera_of(camera), pose_of(view), points_mm)).astype(int).T
        return changed[y, x]

    for setback_mm in (-4.0, 0.0, 4.0):
        assert drawn(setback_mm).mean() < 0.45, "only tags and the card's outline cross the line"
    for setback_mm in (-LINE_BESIDE_MM, LINE_BESIDE_MM):
        assert drawn(setback_mm).mean() > 0.9


def test_no_stroke_of_the_line_has_the_color_of_any_chalk() -> None:
    for color in (LINE, INK):
        assert max(color) - min(color) < 20


@pytest.mark.parametrize(
    ("along_mm", "across_mm", "way"), [(12, 0, (-1, 0)), (-12, 0, (1, 0)), (0, 12, (0, 1)), (0, -12, (0, -1))]
)
def test_the_arrow_shows_the_way_the_tip_must_come(
    heard: dict[str, list[Any]], along_mm: float, across_mm: float, way: tuple[float, float]
) -> None:
    """From straight above with stations to the right, the plate's side is up in picture and strip alike."""
    survey = leaning(along_mm, across_mm)
    annotated_photo(survey, survey.photos[0], GREY)
    run_strip(survey, survey.runs[0], lambda _: GREY)
    assert heard["words"].count("the way the tip must come; its length says nothing") == 2
    drawn = [to - start for start, to in heard["arrows"]]
    on_photo, _, on_strip, _ = drawn  # each is followed by its swatch in the legend
    for arrow in (on_photo, on_strip):
        assert arrow / np.linalg.norm(arrow) == pytest.approx(way, abs=0.02)
    assert any(line.startswith("straighten: tip 1/2") for line in heard["words"])


@pytest.mark.parametrize(
    ("along_mm", "u95_deg", "told"),
    [(1.0, 0.5, None), (4.1, 0.5, "lean: too near 2.9° to tell"), (60.0, 0.5, "ask the engineer: leans more than 45°")],
)
def test_no_arrow_and_no_distance_for_a_bolt_that_is_not_to_be_straightened(
    heard: dict[str, list[Any]], along_mm: float, u95_deg: float, told: str | None
) -> None:
    survey = leaning(along_mm, 0.0, u95_deg)
    annotated_photo(survey, survey.photos[0], GREY)
    run_strip(survey, survey.runs[0], lambda _: GREY)
    assert heard["arrows"] == []
    assert not any("tip" in line for line in heard["words"])
    assert told is None or any(line.startswith(told) for line in heard["words"])


def test_the_legend_names_every_mark_and_none_that_is_not_there(heard: dict[str, list[Any]]) -> None:
    survey = leaning(1.0, 0.0)
    annotated_photo(survey, survey.photos[0], GREY)
    legend = " ".join(heard["words"])
    for words in ("the line as measured", 'far edge of the 5 1/2" plate', "card", "outline round a bolt"):
        assert words in legend
    assert "edge of the wall" not in legend
    with_edge = replace(survey.runs[0], edges=(EdgeRecord(-40.0, 0.0),))
    annotated_photo(replace(survey, runs=(with_edge,)), survey.photos[0], GREY)
    assert "edge of the wall" in " ".join(heard["words"])


def test_a_legend_goes_on_in_the_next_row_and_stays_on_a_narrow_picture() -> None:
    entries = [Entry("stroke", BOLT, "some words of a fair length")] * 3
    wide, narrow = Legend(entries, 16, 2000), Legend(entries, 16, 320)
    assert narrow.height_px >= 3 * wide.height_px
    blank = np.full((200, 320, 3), 255, np.uint8)
    narrow.draw(Sketch.on(blank), 10.0)
    assert np.all(blank[:, -8:] == 255)
    assert np.all(blank[round(narrow.height_px) + 14 :] == 255)


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
    assert_is_marked_round(strip, at_px, STATUS_COLORS["check"], 12.7)


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
