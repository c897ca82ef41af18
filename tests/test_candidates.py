"""Every place considered for a bolt: why each is let go, how it is kept as data, and how it is drawn."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, get_args

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from one_bolt import AREA, BAR, BOLT, POSES
from scene_pictures import bolt_view
from scenes import PHONE, Scene, axis_parameters, overhead
from sillwright.camera import meet_plane, project
from sillwright.candidates import Candidate, Dropped, Why
from sillwright.measure import find, starts
from sillwright.measure.candidates import candidates_of, with_marks
from sillwright.measure.find import Shapes, find_bolts, lay_over
from sillwright.measure.other_ends import ends_elsewhere, open_ends
from sillwright.measure.search import BoltShape, Search
from sillwright.measure.standing import Lookout
from sillwright.measure.starts import _neighbours, rough_places
from sillwright.measure.work import BoltSearch, BoltTask, Crew, ViewTask
from sillwright.see.bolts import Proposal, Proposals
from sillwright.see.parallax import FlatPatch, Parallax
from sillwright.see.vertical import PLANE_MM, VerticalPhoto, vertical_photo
from sillwright.see.wall import KnownThings
from sillwright.solve.axis import AxisFit, BoltView
from sillwright.survey import BoltRecord, BoltU95, RunRecord
from sillwright.tell.candidates import DOUBTED, NONE, WORDS, candidate_picture, write_candidates
from sillwright.tell.sketch import BOLT as KEPT
from sillwright.tell.sketch import PAPER
from test_tell_pictures import one_bolt_survey

SHAPE = BoltShape(6.35, 1.2, None)
STANDING = Scene(PHONE, POSES, bars=(BAR,))
ELSEWHERE_MM = np.array([420.0, 20.0])


class Drawn(Crew):
    """Hands out the pieces of pictures that were drawn, in place of cutting them from files."""

    def __init__(self, views: list[BoltView | None]) -> None:
        super().__init__(1)
        self.views = views

    def share_out(self, work: Callable[..., Any], tasks: Any, done: Any = None) -> list[Any]:
        return [
            [None if view is None else view.patch for _ in bases]
            for view, (_, _, bases) in zip(self.views, tasks, strict=True)
        ]


def whole(view: BoltView) -> np.ndarray:
    """The photo of which a view has a piece, plain round it."""
    gray = np.full((PHONE.height_px, PHONE.width_px), 120, np.uint8)
    (left, top), (height, width) = view.patch.origin_px.astype(int), view.patch.gray.shape
    gray[top : top + height, left : left + width] = view.patch.gray
    return gray


def drawn(scene: Scene, base_mm: np.ndarray = BOLT.base_mm) -> tuple[Search, list[VerticalPhoto], list[BoltView]]:
    """A scene's photos as searched: each proposes one shape, with its foot at ``base_mm``."""
    views = [bolt_view(replace(scene, bars=(BAR,)) if not scene.bars else scene, k, 0) for k in range(2)]
    tasks, searches, photos = [], [], []
    for view in views:
        tip_px = project(PHONE, view.pose, BOLT.tip_mm[None] + np.append(base_mm[:2] - BOLT.base_mm[:2], 0.0))[0]
        end_mm = meet_plane(PHONE, view.pose, tip_px[None], PLANE_MM)[0]
        shape = Proposal(end_mm, np.asarray(base_mm[:2]), 10.0)
        flat = FlatPatch((0, 0), np.zeros((2, 2), np.uint8), np.zeros((2, 2), bool))
        found = Proposals([shape], end_mm[None])
        searches.append(BoltSearch(found, (None, None), flat))
        laid = vertical_photo(whole(view), PHONE, view.pose, AREA, KnownThings((), ()), SHAPE.radius_mm)
        assert laid is not None
        photos.append(laid[0])
        task = ViewTask(Path(f"{view.photo}.jpg"), PHONE, view.pose, (), (0.0, 0.0), (0.0, 0.0))
        tasks.append(BoltTask(task, AREA, (), 0.3, SHAPE.radius_mm))
    return Search(tuple(tasks), tuple(searches)), photos, views


def whys(dropped: Any) -> set[str]:
    return {one.why for one in dropped}


# ---- why a place is let go --------------------------------------------------------------------------------------


def test_a_bolt_is_found_where_it_stands_and_nothing_of_it_is_let_go() -> None:
    search, photos, views = drawn(STANDING)
    groups, _ = rough_places(search, photos, SHAPE)
    shapes = find_bolts(search, groups, SHAPE, Lookout(search), Drawn(list(views)))
    (bolt,) = shapes.standing
    assert np.linalg.norm(bolt.fit.base_mm - BOLT.base_mm) < 0.5
    assert shapes.flat == ()


def test_a_bolt_of_which_photos_show_the_end_alone_is_found_under_it() -> None:
    """No shape was proposed, or one with another foot: rays to the ends of two photos meet all the same."""
    search, photos, _ = drawn(STANDING)
    beside = np.array([60.0, 9.0, 0.0])
    ends = [one.proposals.ends_mm for one in search.searches]
    alone = [Proposals([], np.vstack([of_photo + beside, of_photo])) for of_photo in ends]
    without = [replace(one, proposals=own) for one, own in zip(search.searches, alone, strict=True)]
    groups, _ = rough_places(replace(search, searches=tuple(without)), photos, SHAPE)
    best = groups[0][0].place
    assert np.linalg.norm(best[:2] - BOLT.base_mm[:2]) < 6.0
    assert np.linalg.norm(best[2:5] - BOLT.tip_mm) < 8.0


@given(st.lists(st.tuples(st.floats(-3000.0, 3000.0), st.floats(-60.0, 60.0)), max_size=9))
def test_rays_are_crossed_with_those_of_a_few_photos_nearest_by_and_never_with_one_from_the_same_place(
    places: list[tuple[float, float]],
) -> None:
    """A hundred photos of one run would make five thousand pairs."""
    poses = [overhead(x, y, 1250.0, lean_deg=(0.0, 0.0)) for x, y in places]
    glimpses = [SimpleNamespace(photo=k, pose=pose) for k, pose in enumerate(poses)]
    area = SimpleNamespace(area=AREA)
    search = SimpleNamespace(tasks=[area] * len(poses))
    pairs = [(one.photo, other.photo) for one, other, _ in _neighbours(glimpses, search)]
    assert len(set(pairs)) == len(pairs) <= 4 * len(poses)
    apart = {(k, m): np.linalg.norm(np.subtract(places[k], places[m])) for k in range(len(places)) for m in range(k)}
    assert all(k < m and apart[m, k] >= 100.0 for k, m in pairs)
    for k in range(len(places)):
        others = [size for pair, size in apart.items() if k in pair and size >= 100.0]
        crossed = [apart[max(pair), min(pair)] for pair in pairs if k in pair]
        assert sorted(crossed)[: min(4, len(others))] == sorted(others)[:4]


def fit_at(off_base_mm: object, off_tip_mm: object) -> AxisFit:
    """The standing bolt as it would be fitted with its foot or its end so far off."""
    off = np.concatenate([np.asarray(off_base_mm, dtype=float), np.asarray(off_tip_mm, dtype=float), [0.0, 0.0]])
    return AxisFit(axis_parameters(BOLT) + off, 0.01 * np.eye(7), 0.3, 200, True)


@pytest.mark.parametrize("off_mm", [(12.0, 5.0, -42.0), (-9.0, 14.0, 30.0), (0.0, 0.0, -25.0)])
def test_from_an_end_that_is_something_else_the_true_one_is_among_those_looked_at(off_mm: object) -> None:
    _, _, views = drawn(STANDING)
    looked_at = ends_elsewhere(views, fit_at((0.0, 0.0), off_mm), SHAPE.chamfer_mm)
    assert min(np.linalg.norm(place[2:5] - BOLT.tip_mm) for place in looked_at) < 5.0


def test_beside_the_true_end_hardly_any_other_is_worth_a_climb() -> None:
    _, _, views = drawn(STANDING)
    assert len(ends_elsewhere(views, fit_at((0.0, 0.0), (0.0, 0.0, 0.0)), SHAPE.chamfer_mm)) <= 3


@pytest.mark.parametrize("off_mm", [(-18.0, 8.0), (26.0, 4.0)])
def test_a_foot_beyond_the_first_that_are_tried_is_reached_all_the_same(off_mm: tuple[float, float]) -> None:
    _, _, views = drawn(STANDING)
    bolt = lay_over(views, [fit_at(off_mm, (0.0, 0.0, 0.0)).parameters], SHAPE)
    assert bolt is not None
    assert np.linalg.norm(bolt.fit.base_mm - BOLT.base_mm) < 0.5


def test_a_place_on_bare_concrete_is_let_go_for_its_outline() -> None:
    search, photos, _ = drawn(STANDING, ELSEWHERE_MM)
    groups, dropped = rough_places(search, photos, SHAPE)
    assert groups == []
    assert whys(dropped) == {"outline"}
    assert all(np.hypot(*(one.place[:2] - ELSEWHERE_MM)) < 40.0 for one in dropped)


def test_places_beyond_what_is_tried_and_those_without_an_end_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    search, photos, _ = drawn(STANDING)
    with monkeypatch.context() as patched:
        patched.setattr(starts, "MOST_CLIMBS_A_PHOTO", 0)
        groups, dropped = rough_places(search, photos, SHAPE)
        assert groups == []
        assert "not-tried" in whys(dropped)
    monkeypatch.setattr(starts, "END_HINT", 9.0)
    groups, dropped = rough_places(search, photos, SHAPE)
    assert groups == []
    assert "no-end" in whys(dropped)


def found(drawn: tuple[Search, list[VerticalPhoto], list[BoltView]], times: int = 1, *, whole: bool = True) -> Shapes:
    search, photos, views = drawn
    groups, _ = rough_places(search, photos, SHAPE)
    return find_bolts(
        search, groups * times, SHAPE, Lookout(search), Drawn([view if whole else None for view in views])
    )


def test_what_no_photo_has_whole_and_what_fades_on_the_full_edges_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = drawn(STANDING)
    assert "not-whole" in whys(found(seen, whole=False).dropped)
    monkeypatch.setattr(find, "lay_over", lambda *_: None)
    assert "outline" in whys(found(seen).dropped)


def test_of_two_in_one_place_one_is_told_to_stand_in_the_other() -> None:
    shapes = found(drawn(STANDING), times=2)
    assert len(shapes.standing) == 1
    assert whys(shapes.dropped) == {"in-another"}


def test_what_lies_flat_is_set_aside_and_takes_no_room_from_what_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    said = iter([Parallax(20, 0.97), Parallax(20, 0.1)])
    monkeypatch.setattr(find.Lookout, "look", lambda *_: next(said))
    shapes = found(drawn(STANDING), times=2)
    assert len(shapes.flat) == len(shapes.standing) == 1
    assert not shapes.dropped


# ---- as data ----------------------------------------------------------------------------------------------------

POSED = {Path(f"{k}.jpg"): (PHONE, pose) for k, pose in enumerate(POSES)}
NAMES = {path: path.name for path in POSED}


def place(x_mm: float, y_mm: float) -> np.ndarray:
    return axis_parameters(BOLT) + np.array([x_mm, y_mm, x_mm, y_mm, 0.0, 0.0, 0.0])


def test_places_are_told_in_the_frame_of_their_run_with_the_photos_that_show_them() -> None:
    kept = [(place(0.0, 0.0), ("base-hidden",))]
    dropped = [Dropped(place(40.0, -10.0), "scatter"), Dropped(place(900.0, 0.0), "no-end")]
    one, two, far = candidates_of("north", POSED, NAMES, kept, dropped, -1.0)
    assert one == Candidate(
        "north", (450.0, -70.0, 0.0), (453.0, -72.0, 92.0), 6.35, ("0.jpg", "1.jpg"), "", ("base-hidden",)
    )
    assert (two.base_mm, two.why, two.doubts) == ((490.0, -60.0, 0.0), "scatter", ())
    assert far.photos == ("1.jpg",)


def test_of_places_hardly_seen_only_one_is_told_and_none_beside_a_better_one() -> None:
    hardly = [Dropped(place(x, 0.0), "outline") for x in (5.0, 100.0, 110.0, 200.0)]
    told = candidates_of("n", POSED, NAMES, [], [*hardly, Dropped(place(0.0, 0.0), "ribbed")], 1.0)
    assert [(one.why, one.base_mm[0]) for one in told] == [("ribbed", 450.0), ("outline", 550.0), ("outline", 650.0)]


def test_bolts_get_the_marks_of_the_record_and_one_told_of_on_the_other_run_is_none_here() -> None:
    kept = [(place(0.0, 0.0), ("base-hidden",)), (place(200.0, 0.0), ("weak-evidence",))]
    told = candidates_of("north", POSED, NAMES, kept, [Dropped(place(400.0, 0.0), "scatter")], 1.0)
    bolt = BoltRecord("N1", 450.0, 70.0, 3.0, 2.0, 2.2, 92.0, "photos", 12.7, BoltU95(0.5, 0.5), ("0.jpg",), "ok")
    marked = with_marks(told, [RunRecord("north", "ok", (), (bolt,), ())])
    assert [(one.mark, one.why, one.doubts) for one in marked] == [
        ("N1", None, ("base-hidden",)),
        ("", "other-run", ()),
        ("", "scatter", ()),
    ]


# ---- as a picture -----------------------------------------------------------------------------------------------

SURVEY = one_bolt_survey(1)
AT_MM, TIP_MM = (150.0, 90.0, 0.0), (150.0, 90.0, 80.0)
BLANK = np.full((600, 800, 3), 128, dtype=np.uint8)


def considered(**changes: Any) -> Candidate:
    return replace(Candidate("north", AT_MM, TIP_MM, 6.35, ("1.jpg",), "N1"), **changes)


def colored(picture: np.ndarray, color: tuple[int, int, int]) -> np.ndarray:
    """(N, 2) pixels of that very color in the photo's part of the picture."""
    rows, columns = np.nonzero((picture[:600] == color[::-1]).all(axis=2))
    return np.column_stack([columns, rows])


@pytest.mark.parametrize(
    ("changes", "color"),
    [
        ({}, KEPT),
        ({"doubts": ("weak-evidence",)}, DOUBTED),
        ({"doubts": ("has-nut",)}, KEPT),
        *(({"mark": "", "why": why}, NONE) for why in ("scatter", "ribbed", "flat", "off-wall", "no-end")),
    ],
)
def test_an_outline_stands_round_each_place_in_the_color_of_what_became_of_it(
    changes: dict[str, Any], color: tuple[int, int, int]
) -> None:
    picture = candidate_picture(SURVEY.photos[0], [considered(**changes)], BLANK)
    at = colored(picture, color)
    foot = np.array([399.5 + 0.7 * 150.0, 299.5 - 0.7 * 90.0])
    near = at[np.linalg.norm(at - foot, axis=1) < 25.0]
    assert len(near) > 20
    # The tip stands up and to the right of the foot in the picture: the other two borders are the foot's.
    assert near[:, 0].min() == pytest.approx(foot[0] - 5.6, abs=1.5)
    assert near[:, 1].max() == pytest.approx(foot[1] + 5.6, abs=1.5)
    assert (picture[600:] == PAPER[::-1]).all(axis=2).mean() > 0.7


def test_the_words_beside_a_place_and_the_legend_change_with_its_reason() -> None:
    pictures = [
        candidate_picture(SURVEY.photos[0], [considered(mark="", why=why)], BLANK) for why in ("scatter", "ribbed")
    ]
    assert (pictures[0] != pictures[1]).any()
    assert set(WORDS) == set(get_args(Why))
    assert len(set(WORDS.values())) == len(WORDS)


def test_what_another_photo_shows_is_not_drawn() -> None:
    empty = candidate_picture(SURVEY.photos[0], [considered(photos=("2.jpg",)), considered(run="east")], BLANK)
    assert (empty[:600] == BLANK).all()


def test_each_photo_on_a_run_gets_its_picture_and_one_that_is_gone_has_none(tmp_path: Path) -> None:
    photo = SURVEY.photos[0]
    survey = replace(SURVEY, photos=(photo, replace(photo, file="gone.jpg"), replace(photo, file="3.jpg", camera=None)))
    for name in ("1.jpg", "3.jpg"):
        cv2.imwrite(str(tmp_path / name), BLANK)
    written = write_candidates(survey, [considered()], tmp_path / "out", tmp_path)
    assert written == [tmp_path / "out" / "pictures" / "candidates-1.jpg"]
    drawn_there = cv2.imread(str(written[0]))
    assert drawn_there is not None
    assert drawn_there.shape[1] == 800


@pytest.mark.parametrize(
    ("off_mm", "elsewhere"),
    [
        ((0.5, 0.5, 0.9, 0.9, 1.5), False),
        ((1.2, 0.0, 0.0, 0.0, 0.0), True),  # another foot
        ((0.1, 0.1, 7.5, 0.2, 19.0), True),  # the same foot and another end, seen from nearly one side only
    ],
)
def test_a_fit_with_another_foot_or_another_end_is_a_rival(off_mm: tuple[float, ...], elsewhere: bool) -> None:
    assert find._elsewhere(np.array([*off_mm, 0.0, 0.0])) is elsewhere


@pytest.mark.parametrize(
    ("ends", "seen"),
    [
        ([(0.9, 0.2), (0.1, 0.8)], True),
        ([(0.9, 0.2), (-0.3, -0.2)], False),  # one of two photos does not show it
        ([(0.9, 0.2), (0.0, 0.0)], True),  # the other has it before a card
        ([(-0.4, -0.2), (0.0, 0.0)], False),
        ([(0.9, 0.2), (-0.3, -0.2), (0.0, 0.0)], False),
        ([(0.0, 0.0), (0.0, 0.0)], False),  # nothing says that there is an end
        ([(0.9, 0.2)], True),
    ],
)
def test_an_end_before_a_card_is_not_held_against_a_bolt(ends: list[tuple[float, float]], seen: bool) -> None:
    parts = [[np.array([value]) for value in (1.0, 1.0, rim, face, 1.0, 4.0)] for rim, face in ends]
    assert (starts.end_shown(parts) > 0.25) is seen


def test_other_ends_are_tried_only_where_the_photos_leave_the_end_open_and_along_the_way_they_do() -> None:
    """Two photos from one side: the end may lie anywhere along the ray they share, here one that leans 0.4 along."""
    along = np.array([0.4, 0.0, 1.0])
    covariance = 0.01 * np.eye(7)
    sure = AxisFit(axis_parameters(BOLT), covariance, 0.3, 200, True)
    assert open_ends(sure) == []
    covariance[2:5, 2:5] += 4.0 * np.outer(along, along)
    tried = open_ends(replace(sure, covariance=covariance))
    assert len(tried) == 4
    for place in tried:
        off = place - sure.parameters
        np.testing.assert_allclose(off[2:5], off[4] * along, atol=1e-6)
        assert abs(off[4]) >= 10.0
        assert not off[[0, 1, 5, 6]].any()
