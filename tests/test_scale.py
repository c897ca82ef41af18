"""What is made of the print scale: bolts, check lengths and tapes that vouch for it, or speak against it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from scenes import PHONE
from sillwright.job import RunJob, load_job
from sillwright.lengths import parse_length_mm
from sillwright.measure import measure_job
from sillwright.measure.block import (
    CHECK_READING_SIGMA_MM,
    PRINT_SCALE_SIGMA,
    SHRUNK_MEAN,
    SHRUNK_SIGMA,
    Block,
    _print_scale,
)
from sillwright.measure.find import FoundBolt
from sillwright.measure.lenses import LensOfPhoto
from sillwright.measure.line import ChosenLine
from sillwright.measure.record import bolt_record
from sillwright.measure.run_reasons import loosely_spaced
from sillwright.measure.runs import LaidRun, _result
from sillwright.measure.scale import (
    ScaleVerdict,
    SizeSeen,
    enlarged_odds,
    judge_scale,
    misread_odds,
    pool,
    shrunk_odds,
    sizes_seen,
)
from sillwright.measure.verdict import Judged
from sillwright.photo import read_pixels
from sillwright.profile import Lens
from sillwright.solve.adjust import adjust
from sillwright.solve.state import (
    TapeObservation,
)
from small_run import CHAMFER_MM, FILES, TAPED, bare_job, bolt_on, record, run

LOT = Path(__file__).resolve().parents[1] / "demo_images" / "lot12"


def judged(block: Block, found: list[FoundBolt], radius_mm: float = 6.35, *, check: bool = False) -> ScaleVerdict:
    """The verdict on a run's print by the bolts on it, said to be of a radius."""
    return judge_scale(block, sizes_seen(block, found, radius_mm, CHAMFER_MM), check_given=check)


def test_bolts_of_the_stated_size_vouch_for_the_print() -> None:
    _, block, found = run(1.0)
    (size,) = sizes_seen(block, [found], 6.35, CHAMFER_MM)
    assert size.ratio == pytest.approx(1.0, abs=0.02)
    verdict = judged(block, [found], 6.35)
    assert (verdict.source, verdict.trusted, verdict.codes) == ("bolts", True, ("scale-not-taped",))
    assert 0.0 < verdict.u95_ratio < 0.004


def test_bolts_that_look_five_per_cent_large_say_the_cards_were_shrunk() -> None:
    _, block, found = run(1.0)
    verdict = judged(block, [found], 6.35 / 1.05)
    assert (verdict.source, verdict.trusted, verdict.codes) == ("print", False, ("scale-wrong",))
    assert verdict.bolts_large_by == pytest.approx(0.05, abs=0.02)
    assert verdict.u95_ratio >= 0.05


def test_a_bolt_a_little_small_leaves_the_cards_be_and_one_far_too_small_says_nothing_for_them() -> None:
    _, block, found = run(1.0)
    assert judged(block, [found], 6.35 * 1.01).trusted
    assert sizes_seen(block, [found], 6.35 * 1.08, CHAMFER_MM) == ()
    assert judged(block, [found], 6.35 * 1.08).codes == ("scale-unverified",)


@pytest.mark.parametrize("share", [0.025, 0.03, 0.04])
def test_a_print_shrunk_by_a_few_per_cent_is_not_passed_on_the_word_of_its_bolts(share: float) -> None:
    _, block, found = run(1.0, printed=1.0 - share)
    verdict = judged(block, [found] * 3)
    assert not verdict.trusted
    assert verdict.codes[0] in ("scale-unverified", "scale-wrong")
    assert verdict.u95_ratio > share


@pytest.mark.parametrize("share", [0.03, 0.04, 0.05, 0.07])
def test_a_print_enlarged_by_a_few_per_cent_is_not_passed_on_the_word_of_its_bolts(share: float) -> None:
    _, block, found = run(1.0, printed=1.0 + share)
    verdict = judged(block, [found] * 3)
    assert not verdict.trusted
    assert verdict.codes == ("scale-unverified",)
    assert verdict.u95_ratio > share


def test_where_the_print_may_be_off_size_every_length_of_a_bolt_says_by_how_much() -> None:
    _, block, found = run(1.0, printed=1.04)
    verdict = judged(block, [found] * 3)
    bolt = bolt_record(block, Judged(found, (), ()), "N1", 1.0, 12.7, CHAMFER_MM, verdict, FILES)
    assert bolt.stickup_mm is not None
    assert bolt.u95.stickup_mm is not None
    assert bolt.u95.stickup_mm >= 0.08 * bolt.stickup_mm
    assert bolt.u95.setback_mm >= 0.08 * bolt.setback_mm
    assert bolt.u95.station_mm >= 0.08 * bolt.station_mm
    true = bolt_record(block, Judged(found, (), ()), "N1", 1.0, 12.7, CHAMFER_MM, TAPED, FILES)
    assert true.u95.stickup_mm is not None
    assert true.u95.stickup_mm < 0.05 * bolt.stickup_mm


def test_the_odds_of_an_enlarged_print_rise_as_bolts_look_smaller() -> None:
    """By Bayes's rule, hand-worked for one amount: at 0.97 over a sigma of 0.01 a true print is 3 sigmas off."""
    odds = [enlarged_odds(SizeSeen(ratio, 0.012)) for ratio in np.arange(0.95, 1.03, 0.005)]
    assert np.all(np.diff(odds) < 0.0)
    assert enlarged_odds(SizeSeen(1.0, 0.012)) < 0.02
    enlarged = np.mean(np.exp(-0.5 * ((0.97 - 1.0 / (1.0 + np.linspace(0.01, 0.07, 61))) / 0.01) ** 2))
    by_hand = 0.02 * enlarged / (0.02 * enlarged + 0.98 * np.exp(-4.5))
    assert enlarged_odds(SizeSeen(0.97, 0.01)) == pytest.approx(by_hand, rel=1e-6)


def test_the_odds_of_a_shrunk_print_rise_with_the_size_bolts_look() -> None:
    """By Bayes's rule, hand-worked for one amount: at 1.03 over a sigma of 0.01 a true print is 3 sigmas off."""
    odds = [shrunk_odds(SizeSeen(ratio, 0.012)) for ratio in np.arange(0.97, 1.09, 0.005)]
    assert np.all(np.diff(odds) > 0.0)
    assert shrunk_odds(SizeSeen(1.0, 0.012)) < 0.02
    assert shrunk_odds(SizeSeen(1.05, 0.012)) > 0.95
    shrunk = np.mean(np.exp(-0.5 * ((1.03 - 1.0 / (1.0 - np.linspace(0.01, 0.07, 61))) / 0.01) ** 2))
    by_hand = 0.1 * shrunk / (0.1 * shrunk + 0.9 * np.exp(-4.5))
    assert shrunk_odds(SizeSeen(1.03, 0.01)) == pytest.approx(by_hand, rel=1e-6)


def test_more_bolts_tell_more_but_never_more_than_the_light_lets_them() -> None:
    sigmas = [pool([SizeSeen(1.0, 0.01)] * count).sigma for count in (1, 2, 3, 9, 400)]  # type: ignore[union-attr]
    assert sigmas == sorted(sigmas, reverse=True)
    assert sigmas[-1] == pytest.approx(0.008, abs=0.0005)
    assert pool([]) is None


def test_what_blur_may_do_to_all_bolts_alike_does_not_average_out() -> None:
    small = [SizeSeen(1.0, 0.02, 0.025)] * 400
    assert pool(small).sigma == pytest.approx(0.025, abs=0.001)  # type: ignore[union-attr]


def test_bolts_of_few_pixels_in_reduced_photos_do_not_call_a_true_print_shrunk(tmp_path: Path) -> None:
    """The east wall at half size and without EXIF, as programs send photos on: its bolts look 4 % off there."""
    job = load_job(LOT / "job.toml")
    east = job.runs[1]
    for photo in east.photos:
        pixels = cv2.resize(read_pixels(photo), (2048, 1536), interpolation=cv2.INTER_AREA)
        cv2.imwrite(str(tmp_path / photo.name), pixels, [cv2.IMWRITE_JPEG_QUALITY, 92])
    photos = tuple(tmp_path / photo.name for photo in east.photos)
    alone = replace(job, folder=tmp_path, runs=(replace(east, photos=photos, tape=()),), corners=())
    (run,) = measure_job(alone).runs
    assert run.bolts
    assert "scale-wrong" not in [finding.code for finding in run.reasons]


def test_where_the_print_may_be_shrunk_the_interval_of_a_passed_scale_grows() -> None:
    _, block, _ = run(1.0)
    sure, less_sure = (judge_scale(block, [SizeSeen(ratio, 0.005)] * 3, check_given=False) for ratio in (0.985, 1.005))
    assert sure.trusted
    assert less_sure.trusted
    assert sure.u95_ratio < less_sure.u95_ratio


def test_bolts_against_a_taped_check_are_a_conflict_and_not_passed() -> None:
    _, block, found = run(1.0)
    assert judged(block, [found], 6.35, check=True).source == "check length"
    verdict = judged(block, [found], 6.35 / 1.05, check=True)
    assert (verdict.trusted, verdict.codes) == (False, ("scale-conflict",))


def test_a_check_length_is_doubted_by_the_odds_that_it_was_misread() -> None:
    """Bayes's rule by hand for prints of which one in ten is shrunk, evenly from 1 to 7 %, and readings of which one in
    twenty is wrong, evenly by up to 8 %."""
    flat = SizeSeen(1.0, 1e3)  # bolts that say nothing
    shrunk = 0.1 / 0.06
    by_hand = 0.05 * (1.0 / 0.16) / (0.05 * (1.0 / 0.16) + 0.95 * shrunk)
    assert misread_odds(flat, 0.96, 0.002) == pytest.approx(by_hand, rel=0.03)
    assert misread_odds(flat, 1.0, 0.002) < 0.005
    bears_out, speaks_against = SizeSeen(1.0 / 0.96, 0.011), SizeSeen(1.0, 0.011)
    assert misread_odds(bears_out, 0.96, 0.002) < 0.02
    assert misread_odds(bears_out, 0.981, 0.002) > 0.05
    assert misread_odds(speaks_against, 0.96, 0.002) > 0.9
    assert misread_odds(speaks_against, 1.02, 0.002) > 0.9
    assert misread_odds(speaks_against, 0.9995, 0.002) < 0.005


@pytest.mark.parametrize(
    ("taped", "scale", "sigma"),
    [
        ("9 7/16 in", 0.9997, 0.00102),
        ("9 1/2 in", 1.0015, 0.00102),  # a sixteenth too much on a true print
        ("9 1/16 in", 0.9591, 0.00192),
        (None, 1.0, 0.0012),
    ],
)
def test_a_check_length_that_may_be_that_of_a_true_print_is_weighed_with_what_true_prints_are(
    taped: str | None, scale: float, sigma: float
) -> None:
    """Weights by the inverse squares of 0.12 % and of 0.46 mm in 240, worked by hand."""
    job = replace(bare_job(), check_length_mm=None if taped is None else parse_length_mm(taped))
    assert _print_scale(job) == pytest.approx((scale, sigma), abs=2e-4)


def test_without_bolts_or_tape_nothing_vouches_for_the_print() -> None:
    _, block, _ = run(1.0)
    verdict = judged(block, [], 6.35)
    assert (verdict.source, verdict.trusted, verdict.codes) == ("print", False, ("scale-unverified",))
    assert verdict.u95_ratio > 0.05


def test_a_tape_between_cards_vouches_for_the_scale_and_narrows_it() -> None:
    _, block, found = run(1.0, taped=True)
    verdict = judged(block, [found], 6.35)
    assert (verdict.source, verdict.trusted, verdict.codes) == ("tape", True, ())
    assert verdict.u95_ratio < judged(run(1.0)[1], [found], 6.35).u95_ratio


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
        verdict = judged(taped_block(off_mm, check=check), [found], 6.35, check=check)
        assert (verdict.trusted, verdict.codes) == (False, ("scale-conflict",))
        assert [finding.cards for finding in verdict.conflicts] == [(1, 2)]
        assert verdict.conflicts[0].value_mm == pytest.approx(off_mm, abs=0.4)
        bolt = record(1.0, verdict)
        assert bolt.status == "check"
        assert verdict.conflicts[0] in bolt.reasons
    assert judged(taped_block(0.8, check=check), [found], 6.35, check=check).trusted


def test_two_tapes_that_disagree_are_a_conflict() -> None:
    _, _, found = run(1.0)
    assert judged(taped_block(0.5, -0.5), [found], 6.35).trusted
    verdict = judged(taped_block(2.0, -2.0), [found], 6.35)
    assert not verdict.trusted
    assert [finding.value_mm for finding in verdict.conflicts] == pytest.approx([4.0, -4.0], abs=0.1)


def test_of_three_tapes_the_one_that_disagrees_with_both_others_is_named() -> None:
    _, _, found = run(1.0)
    verdict = judged(taped_block(0.0, 3.5, 0.2), [found], 6.35)
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
        verdict = judged(block, [found], 6.35)
        assert verdict.trusted is trusted
        assert [finding.cards for finding in verdict.conflicts] == ([] if trusted else [(1, 2)])


def test_bolts_that_speak_against_a_check_length_alone_are_a_conflict_without_cards() -> None:
    _, block, found = run(1.0)
    verdict = judged(block, [found], 6.35 / 1.05, check=True)
    assert [(finding.code, finding.cards) for finding in verdict.conflicts] == [("scale-conflict", ())]


def test_a_solution_that_did_not_settle_is_said_and_no_bolt_of_it_is_ok() -> None:
    _, block, found = run(1.0)
    loose = replace(block, solution=replace(block.solution, converged=False))
    job = bare_job(RunJob("north", (), (1, 2)))
    names = {path: path.name for path in block.photos}
    lens = LensOfPhoto(Lens(PHONE, np.eye(9)), (), ())
    for one, status in ((block, "ok"), (loose, "check")):
        laid = LaidRun(
            job.runs[0], one, ChosenLine(0.0, 0.0, "blue", (0, 1), None), {}, dict.fromkeys(block.photos, lens)
        )
        judged, edges = [Judged(found, (), ())], [(None, None)] * 2
        made = _result(job, laid, judged, TAPED, edges, (), names).record
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
    assert loosely_spaced((first, second, third), 0.003) == loose
    assert loosely_spaced((first, second, third), 0.0005) == set()
