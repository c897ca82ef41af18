"""What is called a bolt and what is said of it: evidence of its parts, where it stands, and ribs along it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from scene_pictures import bolt_view
from scenes import PHONE, Bar, Scene, axis_parameters, draw_bolt, inside, overhead
from sillwright.camera import project
from sillwright.candidates import Dropped
from sillwright.measure.find import FoundBolt, _apart, lay_over
from sillwright.measure.search import BoltShape
from sillwright.measure.verdict import Judged, is_ribbed, judge_shapes, ribbed_stubs
from sillwright.outline import Bolt
from sillwright.see.edges import WallEdge, WallEdges
from sillwright.see.ribs import Ribs, rib_repeat
from sillwright.solve.axis import PartEvidence

CHAMFER_MM, PITCH_MM = 1.2, 1.954
SHAPE = BoltShape(6.35, CHAMFER_MM, None)
POSES = tuple(
    overhead(x, y, 1250.0, lean_deg=(3.0, 0.004 * (450.0 - x)), turn_deg=2.0)
    for x, y in ((150.0, -30.0), (800.0, 20.0), (450.0, -420.0))
)
BOLT = Bolt(np.array([450.0, 70.0, 0.0]), np.array([453.0, 72.0, 92.0]), 6.35)
CLEAR = PartEvidence(0.6, 0.6, 0.6, 0.6, 0.6, 9.0, 4.0)


@cache
def found() -> FoundBolt:
    """A bolt in three drawn pictures, laid over them as the pipeline does."""
    scene = Scene(PHONE, POSES, bars=(Bar(BOLT, CHAMFER_MM, PITCH_MM),))
    views = [bolt_view(scene, photo, 0) for photo in range(3)]
    start = axis_parameters(BOLT) + np.array([1.0, -1.0, 1.5, 1.0, 3.0, 0.0, 0.0])
    bolt = lay_over(views, [start], SHAPE)
    assert bolt is not None
    return bolt


def with_parts(
    *parts: PartEvidence, rms_px: float = 0.4, rivals: int = 0, edges: int = 120, score: float = 0.0
) -> FoundBolt:
    """The same bolt, in as many pictures as there are parts, with its evidence made up."""
    whole = found()
    fit = replace(whole.fit, rms_px=rms_px, edges=edges)
    return replace(whole, fit=fit, views=whole.views[: len(parts)], evidence=parts, rivals=rivals, score=score)


def judged(bolt: FoundBolt, edges: WallEdges = (None, None)) -> Judged | None:
    (one,) = judge_shapes([bolt], (edges,) * 3, SHAPE)
    return one if isinstance(one, Judged) else None


def why_none(bolt: FoundBolt, edges: WallEdges = (None, None)) -> str:
    (one,) = judge_shapes([bolt], (edges,) * 3, SHAPE)
    assert isinstance(one, Dropped)
    assert (one.place == bolt.fit.parameters).all()
    return one.why


def doubts(bolt: FoundBolt) -> tuple[str, ...]:
    one = judged(bolt)
    assert one is not None
    return one.doubts


def test_a_bolt_as_found_in_its_pictures_is_one_without_a_doubt() -> None:
    bolt = found()
    assert np.linalg.norm(bolt.fit.base_mm - BOLT.base_mm) < 0.3
    assert np.linalg.norm(bolt.fit.tip_mm - BOLT.tip_mm) < 0.6
    one = judged(bolt)
    assert one is not None
    assert one.doubts == ()
    assert one.notes == ()


def test_clear_parts_in_two_pictures_leave_no_doubt() -> None:
    assert doubts(with_parts(CLEAR, CLEAR)) == ()


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"rivals": 1}, ("views-disagree",)),
        ({"rms_px": 0.9}, ("weak-evidence",)),
    ],
)
def test_what_is_doubtful_of_two_pictures_is_said(changed: dict[str, int], expected: tuple[str, ...]) -> None:
    assert doubts(with_parts(CLEAR, CLEAR, **changed)) == expected


def test_a_foot_no_picture_shows_is_said_and_a_foot_one_shows_is_enough() -> None:
    footless = replace(CLEAR, foot=0.0)
    assert doubts(with_parts(footless, footless)) == ("base-hidden",)
    assert doubts(with_parts(footless, CLEAR)) == ()


@pytest.mark.parametrize(
    ("bolt", "why"),
    [
        (lambda: with_parts(CLEAR, CLEAR, rms_px=1.2), "scatter"),
        (lambda: with_parts(replace(CLEAR, total=1.0), replace(CLEAR, total=1.0)), "outline"),
        (lambda: with_parts(replace(CLEAR, rim=-0.5, face=-0.5, foot=0.0), CLEAR), "few-photos"),
        (lambda: with_parts(*(replace(CLEAR, rim=-0.5, face=-0.5, foot=0.0) for _ in range(2))), "no-end"),
        (lambda: with_parts(replace(CLEAR, total=4.0)), "outline"),
        (lambda: with_parts(CLEAR, edges=60), "outline"),
        (lambda: with_parts(replace(CLEAR, rim=0.4, face=0.4)), "no-end"),
        (lambda: with_parts(CLEAR, rms_px=1.5), "scatter"),
        (lambda: with_parts(replace(CLEAR, foot=0.25)), "no-foot"),
    ],
)
def test_what_does_not_look_like_a_bolt_is_none_and_is_told_why(bolt: Callable[[], FoundBolt], why: str) -> None:
    assert judged(bolt()) is None
    assert why_none(bolt()) == why


def test_something_with_sides_and_a_foot_but_no_end_is_told_of_and_not_passed() -> None:
    """Silence about it would be a bolt left off the plate."""
    endless = replace(CLEAR, rim=-0.5, face=-0.5)
    assert doubts(with_parts(endless, endless)) == ("weak-evidence",)


def test_a_shape_that_scores_as_bolts_do_is_told_of_though_one_picture_shows_no_end() -> None:
    """As where the lens is not known well enough for two pictures to agree."""
    shifted = replace(CLEAR, rim=-0.2, face=0.0, foot=0.0)
    assert judged(with_parts(CLEAR, shifted, score=6.0)) is None
    assert doubts(with_parts(CLEAR, shifted, score=17.0)) == ("weak-evidence",)
    alone = judged(with_parts(replace(CLEAR, foot=0.1), score=10.0))
    assert alone is not None
    assert (alone.doubts, alone.notes) == (("weak-evidence",), ("one-view",))


def test_a_picture_that_shows_no_end_is_left_out_where_the_others_do() -> None:
    one = judged(with_parts(CLEAR, replace(CLEAR, rim=-0.5, face=-0.5), CLEAR))
    assert one is not None
    assert [view.photo for view in one.found.views] == [0, 2]


def test_an_end_before_a_card_counts_neither_for_nor_against() -> None:
    hidden = replace(CLEAR, rim=0.0, face=0.0)
    assert judged(with_parts(CLEAR, CLEAR, hidden)) is not None
    assert judged(with_parts(CLEAR, hidden)) is None


def test_alone_in_one_picture_a_bolt_must_show_more_and_is_told_of() -> None:
    one = judged(with_parts(CLEAR))
    assert one is not None
    assert one.notes == ("one-view",)
    stated = judged(replace(with_parts(CLEAR), stated=True))
    assert stated is not None
    assert stated.notes == ("stated-stickup",)


def test_alone_in_one_picture_a_bolt_is_passed_only_by_a_clear_foot() -> None:
    """Where along the bolt the concrete is, one picture tells by the look of its foot and nothing else."""
    clear = replace(CLEAR, foot=1.0)
    assert doubts(with_parts(clear)) == ()
    assert doubts(with_parts(replace(clear, foot=0.63))) == ("base-hidden",)
    assert doubts(with_parts(clear, rms_px=0.7)) == ("weak-evidence",)


@pytest.mark.parametrize(
    ("edges", "stands"),
    [
        ((WallEdge(0.0, -60.0, 20.0), WallEdge(0.0, 140.0, 20.0)), True),
        ((None, WallEdge(0.0, 72.0, 20.0)), False),
        ((WallEdge(0.0, 68.0, 20.0), None), False),
        ((None, WallEdge(0.1, 40.0, 20.0)), True),  # 85 mm at the bolt, 450 mm along
    ],
)
def test_what_stands_beside_the_wall_is_no_sill_bolt(edges: WallEdges, stands: bool) -> None:
    assert (judged(with_parts(CLEAR, CLEAR), edges) is not None) == stands
    assert stands or why_none(with_parts(CLEAR, CLEAR), edges) == "off-wall"


# ---- ribs -------------------------------------------------------------------------------------------------------


# Drawn pictures in which noise along a bar without ribs repeats by chance as ribs do: 103, 111 and 212 with the grain
# of a photo in daylight, the others with more than twice as much.
BY_CHANCE = (103, 111, 182, 202, 212)


@cache
def repeats(repeat_mm: float, noise: float = 1.5) -> list[Ribs | None]:
    """What bars that stand about in drawn pictures, with rings of shade round them, show of ribs."""
    out = []
    for seed in (*range(24), *BY_CHANCE):
        rng = np.random.default_rng(seed)
        bolt = draw_bolt(rng, 450.0)
        aside = float(rng.choice([-1.0, 1.0])) * rng.uniform(250.0, 600.0)
        pose = overhead(450.0 + aside, rng.uniform(-150.0, 150.0), 1200.0, lean_deg=(0.0, 0.004 * aside))
        if inside(PHONE, project(PHONE, pose, bolt.tip_mm[None]), 350.0).all():
            scene = Scene(PHONE, (pose,), bars=(Bar(bolt, CHAMFER_MM, repeat_mm),))
            view = bolt_view(scene, 0, 0, noise=noise, seed=seed)
            out.append(rib_repeat(view.patch, PHONE, pose, bolt.base_mm, bolt.tip_mm, bolt.radius_mm))
    assert len(out) > 15
    return out


@pytest.mark.parametrize("spacing_mm", [7.0, 8.9])
def test_ribs_of_a_reinforcing_bar_repeat_as_far_apart_as_they_are(spacing_mm: float) -> None:
    """Deformations at most 0.7 bar diameters apart, ASTM A615: 8.9 mm on a No. 4 bar of 12.7 mm."""
    told = [one for one in repeats(spacing_mm) if one is not None]
    assert len(told) > 10
    for one in told:
        assert one.strength > 0.8
        assert one.repeat_mm == pytest.approx(spacing_mm, abs=0.5)


@pytest.mark.parametrize("noise", [1.5, 3.5])
@pytest.mark.parametrize("repeat_mm", [0.0, 1.75, PITCH_MM, 2.0, 2.309])
def test_neither_threads_nor_a_smooth_bar_pass_for_ribs(repeat_mm: float, noise: float) -> None:
    """Pitches of M12, 1/2 in (ASME B1.1: 13 threads an inch), M16 and 5/8 in bolts (11 an inch)."""
    assert max((one.strength for one in repeats(repeat_mm, noise) if one is not None), default=0.0) < 0.45


def test_a_bar_seen_end_on_says_nothing_of_ribs() -> None:
    pose = overhead(450.0, 60.0, 1250.0, lean_deg=(0.0, 0.0))
    view = bolt_view(Scene(PHONE, (pose,), bars=(Bar(BOLT, CHAMFER_MM, 8.9),)), 0, 0)
    assert rib_repeat(view.patch, PHONE, pose, BOLT.base_mm, BOLT.tip_mm, BOLT.radius_mm) is None


def test_ribs_that_one_photo_of_two_shows_or_that_differ_between_photos_are_threads_beating_with_the_pixels(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def ribs(strength: float, repeat_mm: float, shade: float = 4.0) -> Ribs:
        return Ribs(strength, repeat_mm, shade)

    for seen, ribbed in (
        ([ribs(0.8, 9.0), ribs(0.7, 9.25), None], True),
        ([ribs(0.8, 9.0), None, None], True),
        ([ribs(0.8, 9.0, shade=1.8), None, None], False),
        ([ribs(0.8, 9.0, shade=1.8), ribs(0.7, 9.25, shade=1.8), None], True),
        ([ribs(0.8, 9.0), ribs(0.1, 5.0), None], False),
        ([ribs(0.8, 9.0), ribs(0.8, 11.0), None], False),
        ([None, None, None], False),
    ):
        answers = iter(seen)
        monkeypatch.setattr("sillwright.measure.verdict.rib_repeat", lambda *_, answers=answers: next(answers))
        assert is_ribbed(found()) is ribbed


def test_a_ribbed_stub_is_no_bolt_however_clear_its_parts() -> None:
    scene = Scene(PHONE, POSES, bars=(Bar(BOLT, 0.0, 8.9),))
    views = tuple(bolt_view(scene, photo, 0) for photo in range(2))
    stub = replace(with_parts(CLEAR, CLEAR), views=views)
    assert is_ribbed(stub)
    assert why_none(stub) == "ribbed"
    assert why_none(replace(with_parts(CLEAR, replace(CLEAR, rim=-0.2)), views=views, score=20.0)) == "ribbed"
    assert ribbed_stubs([replace(stub, score=20.0), found()]) == [replace(stub, score=20.0)]
    assert not is_ribbed(found())


@pytest.mark.parametrize(
    ("base_mm", "tip_mm", "both"),
    [
        ((35.0, 2.0), (0.0, 0.0), False),  # another foot under the same end
        ((34.0, 0.0), (-34.0, 0.0), False),  # crossing it half way up
        ((20.0, 0.0), (20.0, 0.0), False),  # nearer than a washer lets two stand
        ((40.0, 0.0), (40.0, 0.0), True),
        ((300.0, 0.0), (280.0, 10.0), True),
    ],
)
def test_of_two_bolts_that_would_go_through_each_other_the_better_one_is_kept(
    base_mm: tuple[float, float], tip_mm: tuple[float, float], both: bool
) -> None:
    one = with_parts(CLEAR, CLEAR, score=20.0)
    shifted = one.fit.parameters + np.array([*base_mm, *tip_mm, 0.0, 0.0, 0.0])
    other = replace(one, fit=replace(one.fit, parameters=shifted), score=14.0)
    kept = _apart([other, one])
    assert [bolt.score for bolt in kept] == ([20.0, 14.0] if both else [20.0])
