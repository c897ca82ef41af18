"""The part of a photo that bolts may show in, looked straight down on, and what is known to lie there."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from scenes import PHONE, inside, overhead
from sillwright.camera import Array, project
from sillwright.see.vertical import HIGHEST_TIP_MM, LARGEST_LEAN, vertical_photo
from sillwright.see.wall import KnownThings, WallArea
from sillwright.solve.outline_moves import outlines

AREA = WallArea(-100.0, 700.0, -90.0, 90.0)
SMALL = PHONE.reduced(8)
PLAIN = np.full((SMALL.height_px, SMALL.width_px), 150, np.uint8)
RADIUS_MM = 6.35


@settings(max_examples=60, deadline=None)
@given(
    st.tuples(st.floats(-400.0, 900.0), st.floats(-400.0, 400.0), st.floats(1000.0, 1600.0)),
    st.tuples(st.floats(-15.0, 15.0), st.floats(-15.0, 15.0)),
    st.floats(-180.0, 180.0),
    st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 1.0)),
    st.floats(30.0, HIGHEST_TIP_MM),
    st.floats(-180.0, 180.0),
)
def test_every_bolt_that_stands_in_the_area_shows_whole(
    centre_mm: tuple[float, float, float],
    lean_deg: tuple[float, float],
    turn_deg: float,
    share: tuple[float, float],
    height_mm: float,
    way_deg: float,
) -> None:
    """Wherever it stands and leans, if the photo itself has all of it."""
    pose = overhead(*centre_mm, lean_deg=lean_deg, turn_deg=turn_deg)
    laid = vertical_photo(PLAIN, SMALL, pose, AREA, KnownThings((), ()), RADIUS_MM)
    assume(laid is not None)
    photo, shown = laid
    base = np.array([AREA.x_from_mm, AREA.y_from_mm]) + np.array(share) * [800.0, 180.0]
    lean = LARGEST_LEAN * height_mm * np.array([np.cos(np.radians(way_deg)), np.sin(np.radians(way_deg))])
    place = np.array([*base, *(base + lean), height_mm, RADIUS_MM, 0.0])
    assume(inside(PHONE, outlines(PHONE, pose, place[None], 1.0).px[0], 0.0).all())
    px = outlines(photo.camera, photo.pose, place[None], 1.0).px[0]
    assert inside(photo.camera, px, 0.0).all()
    columns, rows = np.round(px).astype(int).T
    assert shown[rows, columns].mean() > 0.9  # a pixel of the photo this small is six cells at its border


CARD = np.array([[0.0, 0.0, 0.3], [240.0, 0.0, 0.3], [240.0, 90.0, 0.3], [0.0, 90.0, 0.3]])
LINE = np.array([[-900.0, -20.0, 0.0], [300.0, -20.0, 0.0], [900.0, -20.0, 0.0]])


def test_what_is_known_has_no_edges_in_it() -> None:
    pose = overhead(300.0, 0.0, 1250.0, lean_deg=(2.0, -3.0))
    laid = vertical_photo(PLAIN, SMALL, pose, AREA, KnownThings((CARD,), (LINE,)), RADIUS_MM)
    assert laid is not None
    photo, _ = laid
    usable = photo.field.cells[..., 3] > 0

    def at(points: Array) -> Array:
        columns, rows = np.round(project(photo.camera, photo.pose, points)).astype(int).T
        return usable[rows, columns]

    assert not at(np.array([[5.0, 5.0, 0.3], [120.0, 45.0, 0.3], [235.0, 85.0, 0.3], [400.0, -20.0, 0.0]])).any()
    assert at(np.array([[-6.0, 45.0, 0.0], [246.0, 45.0, 0.0], [120.0, -8.0, 0.0], [400.0, -28.0, 0.0]])).all()


@pytest.mark.parametrize("first", [(0, 0), (1000, 700), (2300, 1900)])
def test_a_piece_of_the_photo_is_clear_where_the_whole_is(first: tuple[int, int]) -> None:
    known = KnownThings((CARD,), (LINE,)).seen_by(
        PHONE, overhead(300.0, 0.0, 1250.0, lean_deg=(2.0, -3.0), turn_deg=20.0)
    )
    whole, piece = known.clear((PHONE.height_px, PHONE.width_px)), known.clear((600, 800), first)
    left, top = first
    assert 0 < np.count_nonzero(whole == 0) < whole.size
    # Where a thick line leaves the piece it is cut a little otherwise.
    assert np.count_nonzero(piece != whole[top : top + 600, left : left + 800]) < 30


def test_nothing_known_leaves_all_clear() -> None:
    assert KnownThings((), ()).seen_by(PHONE, overhead(300.0, 0.0, 1250.0, lean_deg=(2.0, -3.0))).clear((20, 30)).all()
