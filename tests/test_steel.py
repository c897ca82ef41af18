"""Bolts with nuts on and bent bolts: drawn from exact truth, recognised, and said."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmark import SHARED_PHOTOS, calibrated, scene_job
from scene_pictures import bolt_view
from scenes import PHONE, Bar, Scene, axis_parameters, draw_bolt, fit_axis, overhead
from sillwright.fasteners import bolt_size
from sillwright.measure import measure_job
from sillwright.measure.bends import BOW_LIMIT_MM, bow_of, is_bent
from sillwright.measure.find import FoundBolt
from sillwright.measure.nuts import with_nut as seen_with_nut
from sillwright.measure.record import bolt_record
from sillwright.measure.search import BoltShape
from sillwright.measure.verdict import Judged, judge_shapes
from sillwright.outline import Bolt
from sillwright.solve.axis import part_evidence
from sillwright.solve.bow import Bow
from sillwright.solve.nut import HIGH_RADII, likeliest_nut
from small_run import CHAMFER_MM, FILES, TAPED, run
from steel import WASHER_MM, bent, with_nut

DEPTH = 0.6134  # height of an external thread over its pitch, ASME B1.1
POSES = tuple(
    overhead(x, y, 1250.0, lean_deg=(3.0, 0.004 * (450.0 - x)), turn_deg=2.0)
    for x, y in ((100.0, -30.0), (850.0, 20.0), (450.0, -420.0))
)


def bar_of(size: str) -> tuple[Bar, BoltShape]:
    known = bolt_size(size)
    bolt = draw_bolt(np.random.default_rng(round(known.diameter_mm)), 450.0, known.diameter_mm / 2.0)
    shape = BoltShape(bolt.radius_mm, DEPTH * known.pitch_mm, None)
    return Bar(bolt, shape.chamfer_mm, known.pitch_mm), shape


def laid(bar: Bar, shape: BoltShape, steel: tuple[Bar, ...]) -> FoundBolt:
    """A bolt in three pictures, drawn with what is on it, and fitted from where it truly stands."""
    scene = Scene(PHONE, POSES, bars=(bar,))
    views = tuple(bolt_view(scene, photo, 0, steel=steel, half_mm=70.0) for photo in range(len(POSES)))
    fit = fit_axis(views, axis_parameters(bar.bolt), shape.radius_mm, chamfer_mm=shape.chamfer_mm, stickup_mm=None)
    return FoundBolt(fit, views, tuple(part_evidence(views, fit, shape.chamfer_mm)), 30.0, 0, False)


@cache
def bare(size: str) -> tuple[FoundBolt, BoltShape]:
    bar, shape = bar_of(size)
    return laid(bar, shape, (bar,)), shape


@cache
def nutted(size: str, share: float, hex_rad: float | None, *, washer: bool = False) -> tuple[FoundBolt, BoltShape, Bar]:
    """With a nut so far up, as a share of how far up it can stand."""
    bar, shape = bar_of(size)
    low_mm = max(share * (bar.bolt.stickup_mm - HIGH_RADII * bar.bolt.radius_mm), WASHER_MM if washer else 0.0)
    return laid(bar, shape, with_nut(bar, low_mm, hex_rad=hex_rad, washer=washer)), shape, bar


def judged(found: FoundBolt, shape: BoltShape) -> Judged:
    (one,) = judge_shapes([found], ((None, None),) * len(POSES), shape)
    return one


# ---- nuts -------------------------------------------------------------------------------------------------------

NUTS = (
    ("1/2 in", 0.45, 0.0, False),
    ("3/4 in", 0.7, 0.3, True),
    ("16 mm", 0.3, None, False),
    ("1/2 in", 0.9, 0.7, True),
)
SIZES = ("1/2 in", "5/8 in", "3/4 in", "12 mm", "16 mm")


@pytest.mark.parametrize(("size", "share", "hex_rad", "washer"), NUTS)
def test_a_nut_is_found_where_it_stands_on_the_thread(
    size: str, share: float, hex_rad: float | None, washer: bool
) -> None:
    """As wide and high as ASME B18.2.2 has it, turned anyhow, with six sides or round."""
    found, shape, bar = nutted(size, share, hex_rad, washer=washer)
    nut = likeliest_nut(found.views, found.fit, shape.chamfer_mm)
    assert nut.is_one
    assert nut.score > 2.0 * len(found.views)
    low_mm = share * (bar.bolt.stickup_mm - HIGH_RADII * bar.bolt.radius_mm)
    assert nut.low_mm == pytest.approx(low_mm, abs=2.5)


@pytest.mark.parametrize("size", SIZES)
def test_no_nut_is_seen_on_a_bare_bolt(size: str) -> None:
    found, shape = bare(size)
    for some in (found.views, found.views[:2], found.views[1:2]):
        nut = likeliest_nut(some, found.fit, shape.chamfer_mm)
        assert nut.score < -5.0 * len(some)
        assert not nut.is_one
    assert "has-nut" not in judged(found, shape).notes


@pytest.mark.parametrize("washer", [False, True])
def test_a_foot_that_was_a_nut_on_the_concrete_is_put_right_and_said_to_be_hidden(washer: bool) -> None:
    """A nut's lower corner looks like a foot: fitted to it, the lean is some degrees off."""
    found, shape, bar = nutted("5/8 in", 0.0, 0.2, washer=washer)
    leaning = replace(found.fit, parameters=found.fit.parameters + np.array([6.0, 0, 0, 0, 0, 0, 0]))
    wrong = replace(found, fit=leaning, evidence=tuple(part_evidence(found.views, leaning, shape.chamfer_mm)))
    right, nut = seen_with_nut(wrong, shape)
    assert nut is not None
    assert np.linalg.norm(right.fit.base_mm - bar.bolt.base_mm) < 1.0
    assert np.linalg.norm(right.fit.tip_mm - bar.bolt.tip_mm) < 0.8
    one = judged(wrong, shape)
    assert "base-hidden" in one.doubts
    assert "has-nut" in one.notes


def test_a_nut_that_leaves_the_foot_in_sight_is_said_and_leaves_no_doubt_and_the_fit_as_it_is() -> None:
    found, shape, _ = nutted("1/2 in", 0.9, 0.7, washer=True)
    one = judged(found, shape)
    assert one.notes == ("has-nut",)
    assert one.doubts == ()
    assert one.found is found


def test_a_fit_that_leaves_out_what_a_nut_hides_counts_fewer_edges() -> None:
    found, shape, _ = nutted("16 mm", 0.3, None)
    right, _ = seen_with_nut(found, shape)
    assert any(view.hidden is not None and view.hidden.any() for view in right.views)
    assert right.fit.edges < found.fit.edges


@pytest.mark.parametrize(("scene", "phone"), [("d2", "a"), ("d3", "b")])
def test_nuts_of_rendered_photos_are_told_and_no_others(scene: str, phone: str, tmp_path: Path) -> None:
    """Outside check: shared/photos. All bolts of d3 have nuts, those of d2 are bare, and all are straight."""
    if not (SHARED_PHOTOS / scene).is_dir():
        pytest.skip(f"no photos of scene {scene} beside the repository")
    profile = calibrated(SHARED_PHOTOS / f"calibration_phone_{phone}", tmp_path / "phone.json")
    job = scene_job(SHARED_PHOTOS / scene, profile)
    true = json.loads((SHARED_PHOTOS / scene / "truth.json").read_text())["runs"][0]["bolts"]
    bolts = measure_job(job).runs[0].bolts
    assert len(bolts) == len(true)
    for bolt in bolts:
        near = min(true, key=lambda one: abs(one["station_mm"] - bolt.station_mm))
        codes = {reason.code for reason in bolt.reasons}
        assert ("has-nut" in codes) == near["has_nut"]
        assert ("bent" in codes) == near["bent"]


def test_a_bolt_with_a_nut_that_a_guessed_lens_leaves_in_doubt_is_not_passed() -> None:
    """The first bolt of d3 is the hardest to see: without the phone's profile its nut is told, or it is in doubt."""
    if not (SHARED_PHOTOS / "d3").is_dir():
        pytest.skip("no photos of scene d3 beside the repository")
    for bolt in measure_job(scene_job(SHARED_PHOTOS / "d3", None)).runs[0].bolts:
        assert "has-nut" in {reason.code for reason in bolt.reasons} or bolt.status != "ok"


# ---- bends ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_a_straight_bolt_is_not_called_bent(size: str) -> None:
    found, shape = bare(size)
    bow = bow_of(found, None, shape)
    assert bow.pull < 3.0
    assert bow.size_mm < 0.5
    one = judged(found, shape)
    assert "bent" not in one.doubts
    assert one.bow_mm is None


@pytest.mark.parametrize(("size", "share", "hex_rad", "washer"), NUTS)
def test_a_nut_on_a_straight_bolt_is_no_bend(size: str, share: float, hex_rad: float | None, washer: bool) -> None:
    found, shape, _ = nutted(size, share, hex_rad, washer=washer)
    assert "bent" not in judged(found, shape).doubts


@cache
def bowed(turn_deg: float, *, twice: bool) -> tuple[FoundBolt, BoltShape, np.ndarray]:
    bar, shape = bar_of("1/2 in")
    true_mm = 2.5 * np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    return laid(bar, shape, bent(bar, true_mm, twice=twice)), shape, true_mm


@pytest.mark.parametrize(("turn_deg", "twice"), [(0.0, False), (120.0, False), (60.0, True), (270.0, True)])
def test_a_bent_bolt_is_told_with_how_far_it_bows(turn_deg: float, twice: bool) -> None:
    found, shape, true_mm = bowed(turn_deg, twice=twice)
    bow = bow_of(found, None, shape)
    share = np.sin(2.0 * np.pi * bow.at) if twice else 4.0 * bow.at * (1.0 - bow.at)
    assert bow.size_mm == pytest.approx(float(share * true_mm @ bow.way), abs=0.6)
    one = judged(found, shape)
    assert "bent" in one.doubts
    assert "has-nut" not in one.notes
    assert one.bow_mm == bow.size_mm
    assert one.bow_mm > BOW_LIMIT_MM


def test_two_photos_show_a_bow_across_their_sight_though_one_toward_them_is_all_but_unknown() -> None:
    found, shape, _ = bowed(120.0, twice=False)
    bow = bow_of(replace(found, views=found.views[:2]), None, shape)
    assert is_bent(bow)
    assert abs(bow.way[1]) > 0.9


@given(st.floats(0.01, 10.0), st.floats(0.01, 10.0))
def test_a_bow_is_told_by_its_interval_and_never_by_its_bare_size(size_mm: float, sigma_mm: float) -> None:
    """Guarded acceptance, JCGM 106:2012: passed as straight only where the far end of the interval is."""
    told = is_bent(Bow(np.array([1.0, 0.0]), size_mm, sigma_mm, 0.5))
    if size_mm < 3.0 * sigma_mm or size_mm + 1.64 * sigma_mm < BOW_LIMIT_MM:
        assert not told
    if size_mm > 4.0 * sigma_mm and size_mm + 1.6 * sigma_mm > BOW_LIMIT_MM:
        assert told
    if not told:
        assert not is_bent(Bow(np.array([1.0, 0.0]), 0.9 * size_mm, sigma_mm, 0.5))


def test_the_record_says_of_a_bent_bolt_how_far_and_does_not_pass_it() -> None:
    _, block, found = run(1.0, taped=True)
    made = bolt_record(block, Judged(found, ("bent",), (), 2.4), "N1", 1.0, 12.7, CHAMFER_MM, TAPED, FILES)
    assert made.status == "check"
    assert [(reason.code, reason.value_mm) for reason in made.reasons] == [("bent", 2.4)]
    nut = bolt_record(block, Judged(found, (), ("has-nut",)), "N1", 1.0, 12.7, CHAMFER_MM, TAPED, FILES)
    assert nut.status == "ok"
    assert [(reason.code, reason.value_mm) for reason in nut.reasons] == [("has-nut", None)]


def test_a_bent_bar_is_drawn_with_its_ends_where_they_were_and_its_middle_aside() -> None:
    bar = Bar(Bolt(np.zeros(3), np.array([0.0, 0.0, 80.0]), 6.35), 1.0)
    pieces = bent(bar, np.array([2.0, 0.0]))
    assert pieces[0].bolt.base_mm == pytest.approx(np.zeros(3))
    assert pieces[-1].bolt.tip_mm == pytest.approx(bar.bolt.tip_mm)
    assert max(piece.bolt.tip_mm[0] for piece in pieces) == pytest.approx(2.0)
