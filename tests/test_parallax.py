"""What stands and what lies flat, told from two photos of a stretch of wall by parallax."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from one_bolt import AREA, BAR, BOLT, POSES, laid_flat, search_of
from scenes import PHONE, Painted, Scene, Stripe, axis_parameters, overhead
from sillwright.camera import Pose, project
from sillwright.measure.standing import Lookout
from sillwright.outline import Bolt
from sillwright.see.parallax import CELL_MM, FlatPatch, Parallax, drawn_out_mm
from sillwright.solve.axis import AxisFit

PAINTED = tuple(Painted(BAR, tuple(pose.centre_mm)) for pose in POSES)


def look(poses: tuple[Pose, ...], patches: list[FlatPatch], bolt: Bolt = BOLT) -> Parallax:
    """A shape seen in the first photo and in the second, as the pipeline asks about it."""
    fit = AxisFit(axis_parameters(bolt), np.eye(7), 0.4, 100, True)
    return Lookout(search_of(poses, patches)).look(fit, range(len(poses)))


def seen(scene: Scene, gain: float = 1.0) -> Parallax:
    return look(scene.poses, [laid_flat(scene, 0), laid_flat(scene, 1, gain)])


def test_a_bolt_stands() -> None:
    told = seen(Scene(PHONE, POSES, bars=(BAR,)))
    assert told.places > 10
    assert told.agreement < 0.6


def test_paint_that_each_photo_takes_for_a_bolt_lies_flat() -> None:
    """The picture of a bolt painted on the concrete twice, once for each camera: shape alone cannot tell."""
    told = seen(Scene(PHONE, POSES, painted=PAINTED))
    assert told.places > 10
    assert told.agreement > 0.949
    assert told.lies_flat


def test_a_shadow_beside_which_nothing_stands_lies_flat() -> None:
    tip = drawn_out_mm(POSES[0], BOLT.tip_mm)
    shadow = Stripe((450.0, 70.0), (float(tip[0]), float(tip[1])), 6.35, soft_mm=1.5)
    assert seen(Scene(PHONE, POSES, stripes=(shadow,))).lies_flat


def test_a_bolt_that_stands_in_a_shadow_or_on_paint_does_not_lie_flat() -> None:
    for beside in (
        {"stripes": (Stripe((400.0, 70.0), (500.0, 70.0), 20.0),)},
        {"stripes": (Stripe((450.0, 70.0), (520.0, 120.0), 6.35),)},
        {"painted": PAINTED[:1]},
    ):
        assert not seen(Scene(PHONE, POSES, bars=(BAR,), **beside)).lies_flat  # type: ignore[arg-type]


@pytest.mark.parametrize("gain", [0.4, 1.5])
def test_another_exposure_does_not_matter(gain: float) -> None:
    assert not seen(Scene(PHONE, POSES, bars=(BAR,)), gain).lies_flat
    assert seen(Scene(PHONE, POSES, painted=PAINTED), gain).lies_flat


def test_bare_concrete_and_what_is_covered_tell_nothing() -> None:
    assert seen(Scene(PHONE, POSES)).places < 4
    scene = Scene(PHONE, POSES, painted=PAINTED)
    assert look(POSES, [laid_flat(scene, 0), laid_flat(scene, 1, covered=True)]) == Parallax()


def test_photos_from_one_place_tell_nothing() -> None:
    near = (POSES[0], overhead(200.0, -30.0, 1250.0, lean_deg=(3.0, 1.0)))
    scene = Scene(PHONE, near, painted=PAINTED)
    assert look(near, [laid_flat(scene, 0), laid_flat(scene, 1)]) == Parallax()


def test_a_photo_of_another_stretch_tells_nothing() -> None:
    scene = Scene(PHONE, POSES, painted=PAINTED)
    far = laid_flat(scene, 1)
    far = replace(far, first_cell=(far.first_cell[0] + 5000, far.first_cell[1]))
    assert look(POSES, [laid_flat(scene, 0), far]) == Parallax()


PLACES = st.tuples(st.floats(-300.0, 1200.0), st.floats(-400.0, 300.0), st.floats(1000.0, 1600.0))


@given(PLACES, st.floats(25.0, 150.0))
def test_a_tip_is_drawn_out_to_where_its_ray_meets_the_wall(place: tuple[float, float, float], high_mm: float) -> None:
    pose = overhead(*place, lean_deg=(4.0, -3.0), turn_deg=30.0)
    tip = np.array([450.0, 70.0, high_mm])
    seen_px = project(PHONE, pose, tip[None])[0]
    assume(np.isfinite(seen_px).all())  # farther out than the lens draws anything
    on_wall = np.append(drawn_out_mm(pose, tip), 0.0)
    assert project(PHONE, pose, on_wall[None])[0] == pytest.approx(seen_px, abs=1e-6)


def sketched(streaks: list[np.ndarray], seed: int, moved_mm: tuple[float, float] = (0.0, 0.0)) -> FlatPatch:
    """Grain and dark streaks from the foot of ``BOLT`` to given places, straight into the cells of a patch."""
    first = (int((AREA.x_from_mm - 100.0) / CELL_MM), int((AREA.y_from_mm - 100.0) / CELL_MM))
    columns, rows = 180, 180
    x, y = np.meshgrid((np.arange(columns) + first[0]) * CELL_MM, (np.arange(rows) + first[1]) * CELL_MM)
    gray = 140.0 + 2.0 * np.random.default_rng(7).standard_normal(x.shape)  # the grain of the wall, in every photo
    base = BOLT.base_mm[:2] + moved_mm
    for end in streaks:
        way = end + moved_mm - base
        share = np.clip(((x - base[0]) * way[0] + (y - base[1]) * way[1]) / max(float(way @ way), 1e-9), 0.0, 1.0)
        off_mm = np.hypot(x - base[0] - share * way[0], y - base[1] - share * way[1]) - BOLT.radius_mm
        gray -= 70.0 / (1.0 + np.exp(np.clip(off_mm, -30.0, 30.0)))
    gray += np.random.default_rng(seed).standard_normal(x.shape)
    return FlatPatch(first, np.clip(gray, 0, 255).astype(np.uint8), np.ones(gray.shape, dtype=bool))


@settings(max_examples=25, deadline=None)
@given(PLACES, PLACES, st.floats(-0.8, 0.8), st.floats(-0.8, 0.8))
def test_wherever_the_cameras_are_a_bolt_is_never_called_flat_and_marks_are_wherever_it_can_be_told(
    one: tuple[float, float, float], other: tuple[float, float, float], off_x_mm: float, off_y_mm: float
) -> None:
    """With the second photo's pose off by up to 0.8 mm on the wall."""
    poses = tuple(overhead(*place, lean_deg=(0.0, 0.0)) for place in (one, other))
    ends = [drawn_out_mm(pose, BOLT.tip_mm) for pose in poses]
    off = (off_x_mm, off_y_mm)
    standing = look(poses, [sketched([ends[0]], 1), sketched([ends[1]], 2, off)])
    marks = look(poses, [sketched(ends, 1), sketched(ends, 2, off)])
    assert not standing.lies_flat
    assert marks.places < 4 or marks.lies_flat
