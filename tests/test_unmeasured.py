"""What stands and was not measured is told of by parallax; what is known, lies flat or moved is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from one_bolt import AREA, BAR, BOLT, POSES, laid_flat, search_of
from scenes import PHONE, Painted, Scene, Stripe, axis_parameters
from sillwright.measure.standing import Lookout
from sillwright.measure.unmeasured import stands_unmeasured
from sillwright.see.edges import WallEdge
from sillwright.see.parallax import FlatPatch
from sillwright.solve.axis import AxisFit

ALONG = Stripe((380.0, 70.0), (520.0, 70.0), 20.0, shade=0.3)
FIT = AxisFit(axis_parameters(BOLT), np.eye(7), 0.4, 100, True)


def told(*patches: FlatPatch, known: tuple[AxisFit, ...] = (), low_mm: float | None = None) -> list[np.ndarray]:
    search = search_of(POSES, patches)
    if low_mm is not None:
        edge = WallEdge(0.0, low_mm, 20.0)
        search = replace(search, searches=tuple(replace(one, edges=(edge, None)) for one in search.searches))
    return stands_unmeasured(Lookout(search), search, known, BOLT.radius_mm)


def both(scene: Scene) -> tuple[FlatPatch, FlatPatch]:
    return laid_flat(scene, 0), laid_flat(scene, 1)


def test_a_bolt_nobody_found_is_told_where_it_stands() -> None:
    (place,) = told(*both(Scene(PHONE, POSES, bars=(BAR,))))
    assert np.linalg.norm(place - BOLT.base_mm[:2]) < 25.0


def test_a_bolt_lost_in_a_hard_shadow_is_told() -> None:
    (place,) = told(*both(Scene(PHONE, POSES, bars=(BAR,), stripes=(ALONG,))))
    assert np.linalg.norm(place - BOLT.base_mm[:2]) < 25.0


def test_a_bolt_that_is_known_is_not_told_again() -> None:
    assert told(*both(Scene(PHONE, POSES, bars=(BAR,))), known=(FIT,)) == []


@pytest.mark.parametrize(
    "scene",
    [
        Scene(PHONE, POSES),
        Scene(PHONE, POSES, stripes=(ALONG,)),
        Scene(PHONE, POSES, painted=tuple(Painted(BAR, tuple(pose.centre_mm)) for pose in POSES)),
    ],
    ids=["bare concrete", "shadow", "paint"],
)
def test_what_lies_flat_is_not_told(scene: Scene) -> None:
    assert told(*both(scene)) == []


def test_a_shadow_that_one_photo_has_and_the_other_not_is_not_told() -> None:
    shaded, bare = (Scene(PHONE, POSES, stripes=stripes) for stripes in ((ALONG,), ()))
    assert told(laid_flat(shaded, 0), laid_flat(bare, 1)) == []
    assert told(laid_flat(bare, 0), laid_flat(shaded, 1)) == []


def test_ground_beside_and_beyond_the_wall_is_not_told() -> None:
    """Two photos of ground 600 mm down are as two drawings of other grains."""
    ground = [laid_flat(Scene(PHONE, POSES, wall_mm=(low, low + 900.0)), k) for k, low in enumerate((400.0, 407.0))]
    assert told(*ground, low_mm=AREA.y_to_mm + 40.0) == []


def test_a_bolt_beyond_the_edge_of_the_wall_is_not_told() -> None:
    seen = both(Scene(PHONE, POSES, bars=(BAR,)))
    assert len(told(*seen, low_mm=0.0)) == 1
    assert told(*seen, low_mm=150.0) == []


def test_one_photo_or_two_from_one_place_tell_nothing() -> None:
    patch = laid_flat(Scene(PHONE, POSES, bars=(BAR,)), 0)
    search = search_of(POSES[:1], [patch])
    assert stands_unmeasured(Lookout(search), search, (), BOLT.radius_mm) == []
    search = search_of((POSES[0], POSES[0]), [patch, patch])
    assert stands_unmeasured(Lookout(search), search, (), BOLT.radius_mm) == []
