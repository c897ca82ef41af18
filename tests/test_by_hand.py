"""Bolts that a person moved, added or struck out, on drawn photos of a run whose truth is exact."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import small_run
from scenes import axis_parameters
from sillwright.camera import project
from sillwright.corrections import HandBolt, HandMark, HandStrike, RunCorrections
from sillwright.job import Job
from sillwright.measure import by_hand
from sillwright.measure.by_hand import ByHand, correct_bolts
from sillwright.measure.record import bolt_record
from sillwright.measure.search import BoltShape, Search
from sillwright.measure.verdict import Judged
from sillwright.measure.work import Crew
from sillwright.survey import BoltRecord
from small_run import CHAMFER_MM, FILES, TAPED, bare_job

SIDE = 1.0
SHAPE = BoltShape(6.35, CHAMFER_MM, None)
TRUE_MM = np.array([480.0, 70.0])
# Of a finger that is off by 3 px in one photo, where a millimetre has 2.5 px: 1.96 sigma.
HAND_U95_MM = 1.96 * 3.0 / 2.4


@pytest.fixture(autouse=True)
def drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """The drawn pieces of photo in the place of those cut out of files."""
    views = list(small_run.run(SIDE)[2].views)
    monkeypatch.setattr(by_hand, "views_of", lambda *_: iter([views]))


def shown_px(photo: int, point_mm: np.ndarray) -> np.ndarray:
    """Where a drawn photo has a point of the truth."""
    scene = small_run.run(SIDE)[0]
    return project(scene.camera, scene.poses[photo], point_mm[None])[0]


def mark(photo: int, base_off: object = None, tip_off: object = None) -> HandMark:
    """A person's mark of the true bolt, off by so many pixels; None leaves an end unmarked."""
    bolt = small_run.run(SIDE)[0].bars[0].bolt
    ends = [
        None if off is None else tuple((shown_px(photo, end) + off).tolist())
        for off, end in ((base_off, bolt.base_mm), (tip_off, bolt.tip_mm))
    ]
    return HandMark(Path(FILES[photo]), *ends)


def misread(off_mm: object) -> Judged:
    """The bolt as photos had it that took something else for its foot."""
    found = small_run.run(SIDE)[2]
    foot = np.concatenate([np.asarray(off_mm, dtype=float), np.zeros(5)])
    return Judged(replace(found, fit=replace(found.fit, parameters=found.fit.parameters + foot)), (), ())


def corrected(*bolts: HandBolt, found: tuple[Judged, ...] = (), strikes: tuple[HandStrike, ...] = ()) -> ByHand:
    block = small_run.run(SIDE)[1]
    search = Search((), ())
    with Crew(1) as crew:
        return correct_bolts(a_job(), RunCorrections(bolts, strikes), block, found, SIDE, search, SHAPE, crew)


def a_job() -> Job:
    return replace(bare_job(), folder=Path())


def moved(*marks: HandMark, off_mm: tuple[float, float] = (0.0, 0.0)) -> HandBolt:
    at = small_run.run(SIDE)[2].fit.parameters[:2] + off_mm
    return HandBolt("bolt 1", float(at[0]), float(at[1]), "moved", marks)


def missed(*marks: HandMark, off_mm: tuple[float, float] = (0.0, 0.0)) -> HandBolt:
    return replace(moved(*marks, off_mm=off_mm), kind="missed")


def written(bolt: Judged) -> BoltRecord:
    return bolt_record(small_run.run(SIDE)[1], bolt, "N1", SIDE, 12.7, CHAMFER_MM, TAPED, FILES)


def codes(record: BoltRecord) -> list[str]:
    return [finding.code for finding in record.reasons]


@pytest.mark.parametrize("finger_px", [(0.0, 0.0), (3.0, -2.0), (-2.5, 2.5)])
def test_a_moved_foot_brings_the_setback_back_and_the_record_keeps_what_the_photos_said(finger_px: tuple) -> None:
    before = misread((4.0, 9.0))
    hand = corrected(moved(mark(0, base_off=finger_px), off_mm=(4.0, 9.0)), found=(before,))
    assert hand.faults == ()
    assert (hand.moved, hand.untouched((before,))) == ((0,), ())
    record = written(hand.bolts[0])
    assert abs(record.setback_mm - TRUE_MM[1]) < HAND_U95_MM
    assert abs(record.setback_mm - TRUE_MM[1]) < record.u95.setback_mm
    assert record.u95.setback_mm < HAND_U95_MM  # the edges bear the finger out, and tell more than it does
    assert record.lean_across_mm == pytest.approx(4.0, abs=1.0)
    assert record.status == "check"
    assert codes(record)[0] == "corrected-by-hand"
    assert record.reasons[0].photos == ("a.jpg",)
    alone = written(before)
    assert record.photos_alone is not None
    assert record.photos_alone.setback_mm == alone.setback_mm
    assert record.photos_alone.u95 == alone.u95


def test_a_moved_tip_leaves_the_foot_where_the_edges_see_it() -> None:
    found = small_run.run(SIDE)[2]
    off = np.array([0.0, 0.0, 6.0, -5.0, 8.0, 0.0, 0.0])
    before = Judged(replace(found, fit=replace(found.fit, parameters=found.fit.parameters + off)), (), ())
    hand = corrected(moved(mark(0, tip_off=(2.0, 1.0)), mark(1, tip_off=(-1.0, 2.0))), found=(before,))
    record = written(hand.bolts[0])
    assert abs(record.setback_mm - TRUE_MM[1]) < 0.6
    assert record.lean_along_mm == pytest.approx(2.0, abs=0.8)
    assert record.stickup_mm == pytest.approx(85.1, abs=record.u95.stickup_mm)


@pytest.mark.parametrize(
    "marks",
    [
        ((0, (2.0, -2.0), None),),
        ((0, (2.0, -2.0), (1.0, 3.0)),),
        ((0, (2.0, -2.0), (1.0, 3.0)), (1, (-3.0, 1.0), (0.0, -2.0))),
    ],
)
def test_a_missed_bolt_comes_out_within_its_interval(marks: tuple) -> None:
    hand = corrected(missed(*(mark(*one) for one in marks), off_mm=(5.0, -4.0)))
    record = written(hand.bolts[0])
    assert abs(record.setback_mm - TRUE_MM[1]) < record.u95.setback_mm < 2.0
    assert abs(record.station_mm - TRUE_MM[0]) < record.u95.station_mm < 2.0
    assert abs(record.lean_across_mm - 4.0) < record.u95.lean_across_mm
    assert abs(record.stickup_mm - 85.1) < record.u95.stickup_mm
    assert (record.status, record.photos_alone) == ("check", None)
    assert codes(record)[0] == "corrected-by-hand"


@pytest.mark.parametrize("off_px", [(90.0, 0.0), (0.0, -110.0), (-80.0, 70.0)])
def test_wild_points_do_not_come_out_with_a_small_width(off_px: tuple) -> None:
    """A foot dragged to bare concrete 35 to 45 mm away: the ± reaches from there to where the photos had it."""
    before = misread((0.0, 0.0))
    hand = corrected(moved(mark(0, base_off=off_px)), found=(before,))
    record = written(hand.bolts[0])
    off_mm = np.abs(np.array([record.station_mm, record.setback_mm]) - TRUE_MM)
    assert np.hypot(*off_mm) > 15.0
    assert (off_mm < [record.u95.station_mm, record.u95.setback_mm]).all()
    assert "wide-interval" in codes(record)
    assert record.status == "check"


def test_points_of_two_photos_that_do_not_meet_come_out_wide() -> None:
    hand = corrected(missed(mark(0, (110.0, 20.0), (110.0, 20.0)), mark(1, (90.0, -60.0), (90.0, -60.0))))
    record = written(hand.bolts[0])
    off_mm = np.abs(np.array([record.station_mm, record.setback_mm]) - TRUE_MM)
    assert np.hypot(record.u95.station_mm, record.u95.setback_mm) > 25.0
    assert np.hypot(*off_mm) < 1.2 * np.hypot(record.u95.station_mm, record.u95.setback_mm)
    assert {"corrected-by-hand", "weak-evidence", "wide-interval"} <= set(codes(record))


def test_a_missed_bolt_where_no_photo_shows_one_has_the_width_of_the_hand_and_says_so() -> None:
    """Its foot marked once, 48 mm from the drawn bolt: no lean, since nothing tells its stick-up."""
    away = shown_px(0, np.array([432.0, 70.0, 0.0]))
    hand = corrected(missed(HandMark(Path(FILES[0]), tuple(away.tolist()), None), off_mm=(-48.0, 0.0)))
    record = written(hand.bolts[0])
    assert abs(record.station_mm - 432.0) < record.u95.station_mm
    assert record.u95.setback_mm > 0.8 * HAND_U95_MM
    assert (record.lean_deg, record.stickup_mm, record.stickup_from) == (None, None, None)
    assert {"weak-evidence", "one-view", "wide-interval"} <= set(codes(record))
    assert record.photos == ("a.jpg",)


def test_a_struck_bolt_is_none_and_a_missed_one_may_stand_in_its_place() -> None:
    found = (misread((6.0, 6.0)),)
    at = found[0].found.fit.parameters
    strike = HandStrike("strike 1", float(at[0]) + 1.0, float(at[1]) - 1.0)
    hand = corrected(strikes=(strike,), found=found)
    assert (hand.struck, hand.bolts, hand.faults) == ((0,), (), ())
    assert hand.untouched(found) == ()
    again = corrected(missed(mark(0, (0.0, 0.0))), strikes=(strike,), found=found)
    assert (again.struck, len(again.bolts), again.faults) == ((0,), 1, ())


def test_what_meets_nothing_is_told_with_its_entry_and_what_is_nearest() -> None:
    found = (misread((0.0, 0.0)),)
    strike = HandStrike("strike 1", 900.0, 70.0)
    hand = corrected(moved(mark(0, (0.0, 0.0)), off_mm=(200.0, 0.0)), strikes=(strike,), found=found)
    assert [fault.split(":")[0] for fault in hand.faults] == ["strike 1", "bolt 1"]
    assert all('the nearest is at station 1\' 6 7/8", setback 2 3/4"' in fault for fault in hand.faults)
    assert 'kind = "missed" adds' in hand.faults[1]
    (bare,) = corrected(strikes=(strike,)).faults
    assert "show no bolt at all" in bare


def test_points_far_from_the_place_an_entry_names_are_told() -> None:
    (fault,) = corrected(missed(mark(0, (0.0, 0.0)), off_mm=(400.0, 0.0))).faults
    assert fault.startswith("bolt 1: its points lie at station 1' 6")
    assert "from where the entry says" in fault


def test_a_bolt_added_where_one_stands_already_is_told() -> None:
    (fault,) = corrected(missed(mark(0, (0.0, 0.0))), found=(misread((0.0, 0.0)),)).faults
    assert 'bolt 1: another bolt stands there already. Move that one (kind = "moved")' in fault


def test_a_mark_in_a_photo_that_stands_nowhere_is_told() -> None:
    off = HandMark(Path("c.jpg"), (3.0, 4.0), None)
    (fault,) = corrected(missed(off)).faults
    assert fault.startswith("bolt 1, photo: c.jpg could not be placed on the run")


def test_truth_of_the_drawn_bolt_is_what_these_tests_say() -> None:
    bolt = axis_parameters(small_run.run(SIDE)[0].bars[0].bolt)
    assert bolt[:5].tolist() == [480.0, 70.0, 482.0, 74.0, 85.0]
