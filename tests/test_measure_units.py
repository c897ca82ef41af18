"""Small parts of the measurement: marks, records, and what a run frame that is left-handed does."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scenes import PHONE, lying, overhead
from sillwright.camera import Camera, Pose, project
from sillwright.measure.record import camera_record, card_record, edge_records, marks, view_record
from sillwright.measure.runs import _plate_side
from sillwright.measure.scale import ScaleVerdict
from sillwright.measure.verdict import Judged
from sillwright.see.edges import WallEdge
from sillwright.solve.state import (
    CardState,
)
from small_run import PHOTOS, record, run

# ---- frames -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_setbacks_are_positive_on_the_side_of_the_plate_whichever_that_is(side: float) -> None:
    _, block, found = run(side)
    assert _plate_side(block, [found]) == side
    assert _plate_side(block, []) == side  # without bolts the cards tell
    bolt = record(side)
    assert bolt.station_mm == pytest.approx(480.0, abs=0.6)
    assert bolt.setback_mm == pytest.approx(70.0, abs=0.5)
    assert bolt.lean_along_mm == pytest.approx(2.0, abs=0.6)
    assert bolt.lean_across_mm == pytest.approx(4.0, abs=0.6)
    assert bolt.lean_deg == pytest.approx(np.degrees(np.arctan2(np.hypot(2.0, 4.0), 85.0)), abs=0.5)
    assert bolt.stickup_mm == pytest.approx(np.sqrt(2.0**2 + 4.0**2 + 85.0**2), abs=1.5)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_intervals_hold_the_truth_and_are_not_idly_wide(side: float) -> None:
    bolt = record(side)
    assert bolt.status == "ok"
    assert bolt.stickup_from == "photos"
    assert abs(bolt.station_mm - 480.0) <= bolt.u95.station_mm < 1.5
    assert abs(bolt.setback_mm - 70.0) <= bolt.u95.setback_mm < 1.5
    assert abs(bolt.lean_across_mm - 4.0) <= bolt.u95.lean_across_mm < 1.5
    assert abs(bolt.stickup_mm - 85.12) <= bolt.u95.stickup_mm < 3.0


def test_the_two_sides_have_the_same_intervals_mirrored() -> None:
    left, right = record(1.0).u95, record(-1.0).u95
    for name in ("station_mm", "setback_mm", "lean_across_mm"):
        assert getattr(left, name) == pytest.approx(getattr(right, name), rel=0.35)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_card_and_an_edge_are_told_in_the_run_frame(side: float) -> None:
    card = card_record(3, lying(120.0, 30.0 * side, 0.3, turn_deg=2.0 * side), side)
    assert (card.number, card.station_mm) == (3, 120.0)
    assert card.setback_mm == pytest.approx(30.0)
    assert card.turn_deg == pytest.approx(2.0)
    assert card.tilt_deg == pytest.approx(0.0, abs=1e-5)
    low = WallEdge(0.001 * side, -70.0, 20.0)
    (edge,) = edge_records([(low, None), (low, None)], side)
    assert edge.setback_at_zero_mm == pytest.approx(-70.0 * side)
    assert edge.slope == pytest.approx(0.001)


@settings(max_examples=30, deadline=None)
@given(st.sampled_from([1.0, -1.0]), st.integers(0, 1000))
def test_a_view_of_the_record_puts_run_points_where_the_photo_has_them(side: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    pose = overhead(300.0, 0.0, 1250.0, lean_deg=(rng.normal(0, 6), rng.normal(0, 6)), turn_deg=rng.uniform(-180, 180))
    view = view_record("north", pose, side)
    in_run = rng.uniform([0.0, -150.0, 0.0], [600.0, 150.0, 90.0], (20, 3))
    theirs = Pose(np.array(view.rotation), np.array(view.translation_mm))
    seen = project(PHONE, theirs, in_run)
    np.testing.assert_allclose(seen, project(PHONE, pose, in_run * [1.0, side, 1.0]), atol=1e-9)
    assert np.linalg.det(theirs.rotation) == pytest.approx(side)


def test_a_left_handed_run_of_the_rendered_photos_comes_out_positive() -> None:
    """Outside check: the truth of shared/photos/d3, whose run frame is left-handed (y_sign -1)."""
    path = PHOTOS / "d3" / "truth.json"
    if not path.is_file():
        pytest.skip("no photos of scene d3 beside the repository")
    truth = json.loads(path.read_text())
    frame = truth["runs"][0]["frame"]
    assert frame["y_sign"] == -1
    axes = np.array([frame["x_axis_in_world"], -np.array(frame["y_axis_in_world"]), [0.0, 0.0, 1.0]])
    assert np.linalg.det(axes) == pytest.approx(1.0)  # the wall frame of the adjustment: right-handed, plate at -Y
    zero = np.array(frame["origin_in_world_mm"]) + frame["station_zero_x_mm"] * axes[0]
    for photo in truth["photos"]:
        rotation = np.array(photo["R_world_to_camera"]) @ axes.T
        shift = np.array(photo["t_world_to_camera_mm"]) + np.array(photo["R_world_to_camera"]) @ zero
        view = view_record("main", Pose(rotation, shift), -1.0)
        pose = Pose(np.array(view.rotation), np.array(view.translation_mm))
        matrix = photo["camera_matrix"]
        numbers = (matrix[0][0], matrix[1][1], matrix[0][2], matrix[1][2], *photo["distortion_k1_k2_p1_p2_k3"])
        camera = Camera(photo["width"], photo["height"], *numbers)
        world = Pose(np.array(photo["R_world_to_camera"]), np.array(photo["t_world_to_camera_mm"]))
        for bolt in truth["runs"][0]["bolts"]:
            assert bolt["setback_mm"] > 0.0
            if bolt["id"] in photo["bolts_whole"]:
                base = project(camera, pose, np.array([[bolt["station_mm"], bolt["setback_mm"], 0.0]]))
                np.testing.assert_allclose(base, project(camera, world, np.array([bolt["base_world_mm"]])), atol=0.01)


def test_the_lens_goes_into_the_record_as_opencv_writes_it() -> None:
    lens = camera_record(PHONE)
    np.testing.assert_allclose(lens.matrix_px, PHONE.matrix)
    np.testing.assert_allclose(lens.distortion_k1_k2_p1_p2_k3, PHONE.distortion)


# ---- what makes a number doubtful -------------------------------------------------------------------------------


def test_a_wide_interval_a_doubt_and_a_scale_not_trusted_each_forbid_ok() -> None:
    _, _, found = run(1.0)
    unsure = replace(found, fit=replace(found.fit, covariance=found.fit.covariance + np.eye(7)))
    untrusted = ScaleVerdict("print", 0.08, ("scale-wrong",), False, 0.05)
    for bolt, code in (
        (record(1.0, judged=Judged(unsure, (), ())), "wide-interval"),
        (record(1.0, judged=Judged(found, ("base-hidden",), ())), "base-hidden"),
        (record(1.0, untrusted), "scale-wrong"),
    ):
        assert bolt.status == "check"
        assert code in [finding.code for finding in bolt.reasons]


def test_a_note_is_told_and_leaves_the_number_fit_to_drill() -> None:
    _, _, found = run(1.0)
    bolt = record(1.0, judged=Judged(found, (), ("stated-stickup",)))
    assert bolt.status == "ok"
    assert [finding.code for finding in bolt.reasons] == ["stated-stickup"]


def test_where_nothing_pins_the_scale_stations_are_said_to_be_as_far_off_as_it_may_be() -> None:
    loose = ScaleVerdict("print", 0.05, ("scale-unverified",), False, None)
    assert record(1.0, loose).u95.station_mm > 0.05 * 480.0
    assert record(1.0).u95.station_mm < 1.5


def test_one_view_without_a_stated_stickup_gives_a_base_and_no_lean() -> None:
    _, _, found = run(1.0)
    alone = replace(found, views=found.views[:1], fit=replace(found.fit, height_known=False))
    bolt = record(1.0, judged=Judged(alone, (), ("one-view",)))
    assert bolt.setback_mm is not None
    assert (bolt.lean_deg, bolt.stickup_mm, bolt.stickup_from, bolt.u95.lean_deg) == (None, None, None, None)
    stated = record(1.0, judged=Judged(replace(alone, stated=True), (), ("stated-stickup",)))
    assert stated.stickup_from == "stated"
    assert stated.lean_deg is not None


@pytest.mark.parametrize(("tilt_deg", "curl_mm", "codes"), [(1.5, 0.2, ["card-tilted"]), (0.2, 1.6, ["card-curled"])])
def test_a_card_that_does_not_lie_flat_is_told_of(tilt_deg: float, curl_mm: float, codes: list[str]) -> None:
    card: CardState = lying(0.0, 0.0, 0.3, tilt_rad=np.radians([tilt_deg, 0.0]))
    told = card_record(2, replace(card, curl_mm=curl_mm), 1.0)
    assert [finding.code for finding in told.reasons] == codes
    assert told.tilt_deg == pytest.approx(tilt_deg, abs=1e-6)


# ---- marks ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (["north", "east"], {"north": "N", "east": "E"}),
        (["north", "northeast"], {"north": "NORTH", "northeast": "NORTHE"}),
        (["south", "sunroom"], {"south": "SO", "sunroom": "SU"}),
        (["run 1", "run 2"], {"run 1": "RUN1-", "run 2": "RUN2-"}),
        (["--"], {"--": "R"}),
    ],
)
def test_marks_are_short_and_tell_the_runs_apart(names: list[str], expected: dict[str, str]) -> None:
    assert marks(names) == expected


@settings(max_examples=100, deadline=None)
@given(st.lists(st.text("abc 12", min_size=1, max_size=6), min_size=1, max_size=4, unique=True))
def test_no_two_bolts_of_a_job_share_a_mark(names: list[str]) -> None:
    letters = ["".join(ch for ch in name.upper() if ch.isalnum()) or "R" for name in names]
    if len(set(letters)) == len(letters):
        every = [f"{prefix}{k}" for prefix in marks(names).values() for k in range(1, 13)]
        assert len(set(every)) == len(every)
