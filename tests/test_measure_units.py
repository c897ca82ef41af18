"""Small parts of the measurement: print scale, marks, records, and what a run frame that is left-handed does."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scene_pictures import bolt_view
from scenes import PHONE, Bar, Chalk, Scene, axis_parameters, lying, overhead, problem_of, see_cards, see_line, truth_of
from sillwright.camera import Camera, Pose, project
from sillwright.fasteners import bolt_size
from sillwright.job import Job, RunJob
from sillwright.measure.block import (
    CHECK_READING_SIGMA_MM,
    PRINT_SCALE_SIGMA,
    SHRUNK_MEAN,
    SHRUNK_SIGMA,
    Block,
    LensOfPhoto,
)
from sillwright.measure.find import FoundBolt
from sillwright.measure.line import ChosenLine
from sillwright.measure.record import bolt_record, camera_record, card_record, edge_records, marks, view_record
from sillwright.measure.runs import LaidRun, _loosely_spaced, _plate_side, _result
from sillwright.measure.scale import ScaleVerdict, apparent_ratio, judge_scale
from sillwright.measure.verdict import Judged
from sillwright.outline import Bolt
from sillwright.profile import Lens
from sillwright.see.edges import WallEdge
from sillwright.solve.adjust import adjust
from sillwright.solve.axis import PartEvidence, fit_axis
from sillwright.solve.state import (
    CardState,
    TapeObservation,
)
from sillwright.survey import BoltRecord

PHOTOS = Path(__file__).resolve().parents[1] / "../shared/photos"
CHAMFER_MM = 1.2
CLEAR = PartEvidence(0.6, 0.6, 0.6, 0.6, 0.6, 9.0, 4.0)
TAPED = ScaleVerdict("tape", 0.0004, (), True, 0.0)
FILES = ("a.jpg", "b.jpg")


@cache
def run(side: float, *, taped: bool = False, printed: float = 1.0) -> tuple[Scene, Block, FoundBolt]:
    """Two cards, two photos and a bolt, all on one side of the line: +1 left of it looking along it, -1 right.

    printed : the scale the cards came out of the printer at
    """
    poses = (
        overhead(350.0, 20.0, 1250.0, lean_deg=(4.0, 2.0)),
        overhead(650.0, -40.0, 1300.0, lean_deg=(1.0, -3.0), turn_deg=178.0),
    )
    y = 100.0 if side > 0 else -10.0
    cards = (lying(0.0, y, 0.3, turn_deg=2.0), lying(720.0, y, 0.3, turn_deg=-1.0))
    base = np.array([480.0, 70.0 * side, 0.0])
    bolt = Bolt(base, base + np.array([2.0, 4.0 * side, 85.0]), 6.35)
    scene = Scene(PHONE, poses, (1, 2), cards, printed, chalk=(Chalk(),), bars=(Bar(bolt, CHAMFER_MM),))
    rng = np.random.default_rng(5)
    problem = problem_of(scene, see_cards(scene, rng), see_line(scene, rng))
    if taped:
        apart = float(np.linalg.norm(cards[1].origin_mm - cards[0].origin_mm))
        problem = replace(problem, taped=(TapeObservation(0, 1, apart),))
    solution = adjust(problem, truth_of(scene))
    block = Block(tuple(Path(name) for name in FILES), (1, 2), (1, 2), problem, solution, {})
    return scene, block, bolt_on(scene, block)


def bolt_on(scene: Scene, block: Block) -> FoundBolt:
    """The scene's bolt as it is found with the poses of a block, whatever scale that has."""
    views = []
    for photo in range(2):
        view, camera, pose = bolt_view(scene, photo, 0), block.camera(photo), block.pose(photo)
        fine = replace(view.fine, camera=camera, pose=pose)
        views.append(replace(view, camera=camera, pose=pose, fine=fine))
    start = axis_parameters(scene.bars[0].bolt) * block.solution.state.scale / scene.scale
    fit = fit_axis(views, start, 6.35, chamfer_mm=CHAMFER_MM, stickup_mm=None)
    return FoundBolt(fit, tuple(views), (CLEAR, CLEAR), 9.0, 0, False)


def record(side: float, scale: ScaleVerdict = TAPED, judged: Judged | None = None) -> BoltRecord:
    _, block, found = run(side)
    whole = judged or Judged(found, (), ())
    return bolt_record(block, whole, "N1", side, 12.7, CHAMFER_MM, scale, FILES)


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


# ---- print scale ------------------------------------------------------------------------------------------------


def test_bolts_of_the_stated_size_vouch_for_the_print() -> None:
    _, block, found = run(1.0)
    ratio = apparent_ratio([found], 6.35, CHAMFER_MM)
    assert ratio == pytest.approx(1.0, abs=0.02)
    verdict = judge_scale(block, [found], 6.35, CHAMFER_MM, check_given=False)
    assert (verdict.source, verdict.trusted, verdict.codes) == ("bolts", True, ("scale-not-taped",))
    assert 0.0 < verdict.u95_ratio < 0.004


def test_bolts_that_look_five_per_cent_large_say_the_cards_were_shrunk() -> None:
    _, block, found = run(1.0)
    verdict = judge_scale(block, [found], 6.35 / 1.05, CHAMFER_MM, check_given=False)
    assert (verdict.source, verdict.trusted, verdict.codes) == ("print", False, ("scale-wrong",))
    assert verdict.bolts_large_by == pytest.approx(0.05, abs=0.02)
    assert verdict.u95_ratio >= 0.05


def test_a_bolt_that_looks_small_says_nothing_against_the_cards() -> None:
    _, block, found = run(1.0)
    assert judge_scale(block, [found], 6.35 * 1.05, CHAMFER_MM, check_given=False).trusted


def test_bolts_against_a_taped_check_are_a_conflict_and_not_passed() -> None:
    _, block, found = run(1.0)
    assert judge_scale(block, [found], 6.35, CHAMFER_MM, check_given=True).source == "check length"
    verdict = judge_scale(block, [found], 6.35 / 1.05, CHAMFER_MM, check_given=True)
    assert (verdict.trusted, verdict.codes) == (False, ("scale-conflict",))


def test_without_bolts_or_tape_nothing_vouches_for_the_print() -> None:
    _, block, _ = run(1.0)
    verdict = judge_scale(block, [], 6.35, CHAMFER_MM, check_given=False)
    assert (verdict.source, verdict.trusted, verdict.codes) == ("print", False, ("scale-unverified",))
    assert verdict.u95_ratio > 0.05


def test_a_tape_between_cards_vouches_for_the_scale_and_narrows_it() -> None:
    _, block, found = run(1.0, taped=True)
    verdict = judge_scale(block, [found], 6.35, CHAMFER_MM, check_given=False)
    assert (verdict.source, verdict.trusted, verdict.codes) == ("tape", True, ())
    assert verdict.u95_ratio < judge_scale(run(1.0)[1], [found], 6.35, CHAMFER_MM, check_given=False).u95_ratio


def taped_block(*off_mm: float, check: bool = False, printed: float = 1.0, shrunk: bool = False) -> Block:
    """The run with tapes between its cards read wrong by so much; ``shrunk`` as they have it of the print."""
    _, block, _ = run(1.0, printed=printed)
    tapes = tuple(TapeObservation(0, 1, 720.0 + off) for off in off_mm)
    mean, sigma = (SHRUNK_MEAN, SHRUNK_SIGMA) if shrunk else (1.0, PRINT_SCALE_SIGMA)
    sigma = CHECK_READING_SIGMA_MM / 240.0 if check else sigma
    problem = replace(block.problem, taped=tapes, scale_mean=mean, scale_sigma=sigma)
    return replace(block, problem=problem, solution=adjust(problem, block.solution.state))


@pytest.mark.parametrize("check", [False, True])
def test_a_tape_read_a_quarter_inch_wrong_is_a_conflict_that_names_it_and_is_not_passed(check: bool) -> None:
    """A yard of run cannot be a quarter inch out: no print is, nor any check length read to 1/16 in."""
    _, _, found = run(1.0)
    for off_mm in (-6.35, 6.35):
        verdict = judge_scale(taped_block(off_mm, check=check), [found], 6.35, CHAMFER_MM, check_given=check)
        assert (verdict.trusted, verdict.codes) == (False, ("scale-conflict",))
        assert [finding.cards for finding in verdict.conflicts] == [(1, 2)]
        assert verdict.conflicts[0].value_mm == pytest.approx(off_mm, abs=0.4)
        bolt = record(1.0, verdict)
        assert bolt.status == "check"
        assert verdict.conflicts[0] in bolt.reasons
    assert judge_scale(taped_block(0.8, check=check), [found], 6.35, CHAMFER_MM, check_given=check).trusted


def test_two_tapes_that_disagree_are_a_conflict() -> None:
    _, _, found = run(1.0)
    assert judge_scale(taped_block(0.5, -0.5), [found], 6.35, CHAMFER_MM, check_given=False).trusted
    verdict = judge_scale(taped_block(2.0, -2.0), [found], 6.35, CHAMFER_MM, check_given=False)
    assert not verdict.trusted
    assert [finding.value_mm for finding in verdict.conflicts] == pytest.approx([4.0, -4.0], abs=0.1)


def test_of_three_tapes_the_one_that_disagrees_with_both_others_is_named() -> None:
    _, _, found = run(1.0)
    verdict = judge_scale(taped_block(0.0, 3.5, 0.2), [found], 6.35, CHAMFER_MM, check_given=False)
    assert [finding.value_mm for finding in verdict.conflicts] == pytest.approx([3.5], abs=0.3)


@pytest.mark.parametrize("share", [0.035, 0.055])
def test_a_tape_that_has_it_the_print_was_shrunk_is_believed_only_where_the_bolts_do_not_speak_against_it(
    share: float,
) -> None:
    """An inch too little on 28 in puts a true print where shrunk prints are, and every setback 3.5 % off."""
    shrunk = taped_block(0.0, printed=1.0 - share, shrunk=True)
    true = taped_block(-share * 720.0, shrunk=True)
    for block, printed, trusted in ((shrunk, 1.0 - share, True), (true, 1.0, False)):
        assert block.solution.state.scale == pytest.approx(1.0 - share, abs=0.004)
        found = bolt_on(run(1.0, printed=printed)[0], block)
        verdict = judge_scale(block, [found], 6.35, CHAMFER_MM, check_given=False)
        assert verdict.trusted is trusted
        assert [finding.cards for finding in verdict.conflicts] == ([] if trusted else [(1, 2)])


def test_bolts_that_speak_against_a_check_length_alone_are_a_conflict_without_cards() -> None:
    _, block, found = run(1.0)
    verdict = judge_scale(block, [found], 6.35 / 1.05, CHAMFER_MM, check_given=True)
    assert [(finding.code, finding.cards) for finding in verdict.conflicts] == [("scale-conflict", ())]


def test_a_solution_that_did_not_settle_is_said_and_no_bolt_of_it_is_ok() -> None:
    _, block, found = run(1.0)
    loose = replace(block, solution=replace(block.solution, converged=False))
    job = Job(
        name="",
        folder=Path(),
        plate_width_mm=140.0,
        plate_layers=1,
        bolt=bolt_size("1/2 in"),
        stickup_mm=None,
        card_thickness_mm=0.3,
        check_length_mm=None,
        profile_path=None,
        runs=(RunJob("north", (), (1, 2)),),
        corners=(),
    )
    names = {path: path.name for path in block.photos}
    lens = LensOfPhoto(Lens(PHONE, np.eye(9)), (), ())
    for one, status in ((block, "ok"), (loose, "check")):
        laid = LaidRun(job.runs[0], one, ChosenLine(0.0, 0.0, "blue", (0, 1), None), {})
        judged, edges = [Judged(found, (), ())], [(None, None)] * 2
        made = _result(job, laid, judged, TAPED, edges, names, dict.fromkeys(block.photos, lens)).record
        assert [bolt.status for bolt in made.bolts] == [status]
        assert ("not-settled" in [reason.code for reason in made.reasons]) is (status == "check")


@pytest.mark.parametrize(("apart_mm", "loose"), [(900.0, set()), (1300.0, {"1", "2"})])
def test_bolts_too_far_apart_for_the_scale_to_give_their_distance_to_an_eighth_are_named(
    apart_mm: float, loose: set[str]
) -> None:
    """A print known to 0.3 % leaves 3.9 mm over 1300 mm; a tape would not."""
    first = replace(record(1.0), mark="1")
    second = replace(first, mark="2", station_mm=first.station_mm + apart_mm)
    third = replace(first, mark="3", station_mm=second.station_mm + 400.0)
    assert _loosely_spaced((first, second, third), 0.003) == loose
    assert _loosely_spaced((first, second, third), 0.0005) == set()


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
