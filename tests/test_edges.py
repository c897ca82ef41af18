"""The top edges of the wall in drawn pictures, and edges along normals in a piece of a picture."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from scene_pictures import render
from scenes import PHONE, Chalk, Scene, lying, overhead
from sillwright.camera import meet_plane
from sillwright.measure.work import _on_the_wall
from sillwright.rectify import PlaneGrid
from sillwright.see import edgefield
from sillwright.see import edges as edges_module
from sillwright.see.bolts import WallArea
from sillwright.see.edgefield import EdgeField, edge_field, edges_in_bytes
from sillwright.see.edges import WallEdge, WallEdges, find_wall_edges
from sillwright.see.patch import SMOOTH_PX, Patch, cut_patch, edge_offsets
from sillwright.see.wall import KnownInPhoto

CAMERA = PHONE.scaled(1200, 900)
POSE = overhead(450.0, 10.0, 1250.0, lean_deg=(4.0, -2.0), turn_deg=-2.0)
GRID = PlaneGrid(0.0, -360.0, 2.0, 2.0, 450, 361)
PAPER = np.array([[287.0, 73.0], [553.0, 73.0], [553.0, -43.0], [287.0, -43.0]])


@cache
def edges(wall_mm: tuple[float, float] | None) -> WallEdges:
    scene = Scene(CAMERA, (POSE,), (3,), (lying(300.0, 60.0, 0.3),), chalk=(Chalk(),), wall_mm=wall_mm)
    return find_wall_edges(render(scene, 0, samples=1), CAMERA, POSE, GRID, [PAPER])


def test_rows_left_out_beforehand_have_no_edge(monkeypatch: pytest.MonkeyPatch) -> None:
    """To look along all rows gives the same edges, on a plain wall and on rough ground with steps everywhere."""
    rough = cv2.resize(np.random.default_rng(3).integers(0, 256, (30, 40, 3)).astype(np.uint8), (1200, 900))
    plain = ending_at(700.0), edges(None), find_wall_edges(rough, CAMERA, POSE, GRID, [])
    monkeypatch.setattr(edges_module, "_may_be_edges", lambda steps, farthest: np.ones(steps.shape[1], dtype=bool))
    edges.cache_clear()
    assert (ending_at(700.0), edges(None), find_wall_edges(rough, CAMERA, POSE, GRID, [])) == plain


@pytest.mark.parametrize("wall_mm", [(-120.0, 133.0), (-61.0, 172.0)])
def test_both_edges_of_the_wall_are_found_to_about_a_cell(wall_mm: tuple[float, float]) -> None:
    for edge, true_mm in zip(edges(wall_mm), wall_mm, strict=True):
        assert edge is not None
        for x in (0.0, 450.0, 900.0):
            assert abs(edge.offset_mm + edge.slope * x - true_mm) < 2.5


def test_a_level_edge_is_read_as_level() -> None:
    """To a quarter of the step between slopes tried: half a millimetre over the two metres a photo shows."""
    for edge in edges((-120.0, 133.0)):
        assert edge is not None
        assert abs(edge.slope) < 0.00026


def test_concrete_all_over_has_no_edge_and_neither_chalk_nor_a_card_makes_one() -> None:
    assert edges(None) == (None, None)


def test_an_edge_on_one_side_only_is_found_on_that_side_only() -> None:
    low, high = edges((-1000.0, 150.0))
    assert low is None
    assert high is not None
    assert abs(high.offset_mm + 450.0 * high.slope - 150.0) < 2.0


def ending_at(x_mm: float, shade: float = 1.0) -> WallEdges:
    """A wall of which all beyond X is the ground beside it; ``shade`` darkens all beyond 500 mm."""
    wall, ground = (
        render(Scene(CAMERA, (POSE,), wall_mm=wall_mm), 0, samples=1) for wall_mm in ((-120.0, 133.0), (900.0, 990.0))
    )
    on_plane = meet_plane(CAMERA, POSE, np.stack(np.meshgrid(*map(np.arange, (1200, 900))), axis=-1).reshape(-1, 2))
    x = on_plane[:, 0].reshape(900, 1200)
    pixels = np.where((x > x_mm)[:, :, None], ground, wall)
    return find_wall_edges(
        np.where((x > 500.0)[:, :, None], shade * pixels, pixels).astype(np.uint8), CAMERA, POSE, GRID, []
    )


@pytest.mark.parametrize("x_mm", [560.0, 700.0])
def test_both_edges_end_where_the_wall_ends(x_mm: float) -> None:
    for edge in ending_at(x_mm):
        assert edge is not None
        assert edge.from_mm == -np.inf
        assert abs(edge.to_mm - x_mm) < 40.0


@pytest.mark.parametrize("shade", [1.0, 0.25])
def test_a_wall_that_runs_on_has_no_end_though_a_shadow_lies_over_the_rest_of_it(shade: float) -> None:
    for edge in ending_at(5000.0, shade):
        assert edge is not None
        assert (edge.from_mm, edge.to_mm) == (-np.inf, np.inf)


def test_bolts_are_looked_for_to_the_wall_end_where_both_edges_end_there() -> None:
    area = WallArea(-400.0, 900.0, -165.0, 165.0)
    both = WallEdge(0.0, -60.0, 20.0, -250.0, 700.0), WallEdge(0.0, 140.0, 20.0, -270.0, 750.0)
    assert _on_the_wall(area, both) == WallArea(-330.0, 810.0, -57.0, 137.0)
    one = both[0], replace(both[1], from_mm=-np.inf, to_mm=np.inf)
    assert _on_the_wall(area, one) == WallArea(-400.0, 900.0, -57.0, 137.0)
    apart = both[0], replace(both[1], from_mm=0.0, to_mm=500.0)
    assert _on_the_wall(area, apart) == WallArea(-400.0, 900.0, -57.0, 137.0)


# ---- edges along normals ----------------------------------------------------------------------------------------


def disc(centre: tuple[float, float], radius_px: float, inner: float, outer: float, seam_px: float = 0.0) -> np.ndarray:
    """A round disc on a plain ground, with a dark seam of some width just inside its border; antialiased."""
    n = 5
    y, x = (np.mgrid[0 : 120 * n, 0 : 120 * n] + 0.5) / n - 0.5
    far = np.hypot(x - centre[0], y - centre[1])
    fine = np.where(far < radius_px - seam_px, inner, np.where(far < radius_px, 25.0, outer))
    small = cv2.resize(fine, (120, 120), interpolation=cv2.INTER_AREA)
    noisy = cv2.GaussianBlur(small, (0, 0), 0.7) + np.random.default_rng(4).standard_normal(small.shape)
    return np.clip(np.round(noisy), 0, 255).astype(np.uint8)


def ring(centre: tuple[float, float], radius_px: float, count: int = 48) -> tuple[np.ndarray, np.ndarray]:
    turn = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    normals = np.column_stack([np.cos(turn), np.sin(turn)])
    return np.array(centre) + radius_px * normals, normals


NOTHING_KNOWN = KnownInPhoto((), (), 2.0)


def piece(gray: np.ndarray, origin: tuple[float, float] = (0.0, 0.0)) -> Patch:
    smooth = cv2.GaussianBlur(gray.astype(np.float32), (0, 0), SMOOTH_PX)
    return Patch(gray, smooth, np.ones(gray.shape, dtype=bool), np.array(origin))


def offsets(patch: Patch, px: np.ndarray, normals: np.ndarray, *, rim: bool) -> tuple[np.ndarray, np.ndarray]:
    (offset,), (weight,) = edge_offsets([patch], px[None], normals[None], 5.0, 1.6, np.full(len(px), rim), 5.0)
    return offset, weight


@pytest.mark.parametrize("off_px", [-1.7, 0.0, 0.6, 2.3])
def test_the_distance_to_a_plain_edge_is_found_to_a_tenth_of_a_pixel(off_px: float) -> None:
    centre = (58.3, 61.1)
    px, normals = ring(centre, 30.0 - off_px)
    found, weight = offsets(piece(disc(centre, 30.0, 90.0, 170.0)), px, normals, rim=True)
    assert (weight > 0.5).all()
    assert abs(float(np.mean(found)) - off_px) < 0.1
    assert float(np.std(found)) < 0.2


def test_the_rim_is_the_outer_side_of_a_dark_seam_though_its_inner_side_is_stronger() -> None:
    centre = (60.0, 60.0)
    patch = piece(disc(centre, 30.0, 230.0, 110.0, seam_px=3.0))
    px, normals = ring(centre, 29.0)
    rim, _ = offsets(patch, px, normals, rim=True)
    strongest, _ = offsets(patch, px, normals, rim=False)
    assert np.median(rim) == pytest.approx(1.0, abs=0.5)
    assert np.median(strongest) == pytest.approx(-2.0, abs=0.5)


def test_profiles_across_what_is_known_carry_no_weight() -> None:
    centre = (60.0, 60.0)
    patch = piece(disc(centre, 30.0, 90.0, 170.0))
    patch.usable[:, :60] = False
    px, normals = ring(centre, 30.0)
    _, weight = offsets(patch, px, normals, rim=True)
    assert (weight[px[:, 0] < 59.0] == 0.0).all()
    assert (weight[px[:, 0] > 70.0] > 0.5).all()


def test_a_plain_ground_has_no_edges() -> None:
    gray = np.full((120, 120), 150, dtype=np.uint8)
    px, normals = ring((60.0, 60.0), 30.0)
    _, weight = offsets(piece(gray), px, normals, rim=False)
    assert (weight == 0.0).all()


def test_pieces_of_photos_looked_at_together_give_what_each_gives_alone() -> None:
    """What is usual beside the edges is asked of each piece by itself: a dark photo must not take a light one's."""
    both = [piece(disc((58.3, 61.1), 28.0, 90.0, 170.0)), piece(disc((60.0, 59.0), 31.0, 130.0, 150.0), (7.0, 3.0))]
    px, normals = (np.stack(part) for part in zip(ring((58.0, 61.0), 30.0), ring((67.0, 62.0), 30.0), strict=True))
    rim = np.arange(48) % 3 > 0
    together = edge_offsets(both, px, normals, 5.0, 1.6, rim, 5.0)
    for k, patch in enumerate(both):
        alone = edge_offsets([patch], px[k : k + 1], normals[k : k + 1], 5.0, 1.6, rim, 5.0)
        np.testing.assert_array_equal([part[k] for part in together], [part[0] for part in alone])
    assert (together[1] > 0.3).any(axis=1).all()


def test_pieces_keep_their_place_in_the_photo_and_are_cut_at_its_border() -> None:
    gray = np.arange(200 * 300, dtype=np.uint32).reshape(200, 300).astype(np.uint8)
    outline = np.array([[-9.0, -9.0], [400.0, -9.0], [400.0, 17.0], [-9.0, 17.0]])
    known = KnownInPhoto((outline,), (), 0.5)  # and a line 3 px wide round it
    patch = cut_patch(gray, known, np.array([-20.0, -10.0]), np.array([100.0, 110.0]))
    assert patch is not None
    np.testing.assert_array_equal(patch.origin_px, [0.0, 0.0])
    np.testing.assert_array_equal(patch.gray, gray[:110, :100])
    assert not patch.usable[:20].any()
    assert patch.usable[20:].all()
    assert cut_patch(gray, known, np.array([-160.0, -10.0]), np.array([-40.0, 110.0])) is None


# ---- the field of edges -----------------------------------------------------------------------------------------


def energy(field: EdgeField, px: np.ndarray, normals: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    found, usable = field.energy(px.T[:, None], normals.T[:, None])
    return found[0], usable[0]


@pytest.mark.parametrize("scale", [1.0, 0.5])
@pytest.mark.parametrize("contrast", [(90.0, 170.0), (148.0, 160.0)])
def test_edge_energy_is_high_on_an_edge_along_its_normal_whatever_its_contrast(
    scale: float, contrast: tuple[float, float]
) -> None:
    centre, origin = (60.0, 60.0), np.array([500.0, 700.0])
    field = edge_field(disc(centre, 30.0, *contrast), None, origin, scale)
    px, normals = ring(centre, 30.0)
    on, usable = energy(field, px + origin, normals)
    across, _ = energy(field, px + origin, normals[:, ::-1] * [-1.0, 1.0])
    off, _ = energy(field, ring(centre, 18.0)[0] + origin, normals)
    assert (usable == 1.0).all()
    assert on.min() > 0.3
    assert np.median(on) > 4.0 * np.median(across)
    assert np.median(on) > 3.0 * np.median(off)
    assert min(on.min(), across.min(), off.min()) >= 0.0
    assert on.max() <= 1.0


def test_places_outside_the_field_are_not_usable() -> None:
    field = edge_field(disc((60.0, 60.0), 30.0, 90.0, 170.0), None, np.zeros(2), 1.0)
    outside = np.array([[-50.0, 60.0], [60.0, 400.0], [np.nan, np.nan]])
    _, usable = energy(field, outside, np.tile([1.0, 0.0], (3, 1)))
    assert (usable == 0.0).all()


# ---- pieces of fields and patches, and fields in bytes --------------------------------------------------------------


def random_gray() -> np.ndarray:
    gray = np.random.default_rng(8).integers(0, 256, (240, 320)).astype(np.uint8)
    return cv2.GaussianBlur(gray, (0, 0), 2.0)


def random_field(scale: float) -> EdgeField:
    usable = np.ones((240, 320), dtype=bool)
    usable[40:60] = False
    return edge_field(random_gray(), usable, np.array([700.0, 300.0]), scale)


def sampled() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(9)
    turn = rng.uniform(0.0, 2.0 * np.pi, (1, 400))
    px = np.stack([rng.uniform(790.0, 930.0, (1, 400)), rng.uniform(360.0, 460.0, (1, 400))], axis=0)
    return px.astype(np.float32), np.stack([np.cos(turn), np.sin(turn)], axis=0)


def test_a_field_in_bytes_gives_the_same_energies_and_none_where_it_is_not_clear() -> None:
    """To a byte of each of three parts, which normals weigh by at most 1, 1 and 1: 1.5 / 255 with rounding."""
    clear = np.ones((240, 320), np.uint8)
    clear[40:60] = 0
    field, small = edge_field(random_gray(), clear > 0, np.zeros(2), 1.0), edges_in_bytes(random_gray(), clear)
    px, normals = sampled()
    px -= np.array([700.0, 300.0], dtype=np.float32)[:, None, None]
    exact, usable = field.energy(px, normals)
    coarse, usable_too = small.energy(px, normals)
    away = (px[1] < 39.0) | (px[1] > 60.0)
    assert small.cells.nbytes * 4 == field.cells.nbytes
    assert np.abs(coarse - exact)[away].max() < 2.0 / 255.0
    assert np.abs(usable_too - usable).max() < 1.0 / 255.0
    assert exact.max() > 0.3
    assert (small.cells[45] == [0, 128, 0, 0]).all()


@pytest.mark.parametrize("scale", [1.0, 0.5])
def test_a_piece_of_a_field_shows_the_same_at_the_same_pixels(scale: float) -> None:
    field = random_field(scale)
    piece = field.within(np.array([780.0, 350.0]), np.array([940.0, 470.0]))
    assert piece.cells.size < 0.3 * field.cells.size
    for one, other in zip(field.energy(*sampled()), piece.energy(*sampled()), strict=True):
        assert np.abs(one - other).max() < 2.0 / 255.0
    again = piece.within(np.array([780.0, 350.0]), np.array([940.0, 470.0]))
    np.testing.assert_array_equal(again.cells, piece.cells)


def test_a_piece_of_a_patch_shows_the_same_at_the_same_pixels_and_is_clipped_to_what_there_is() -> None:
    gray = np.random.default_rng(8).integers(0, 256, (600, 600)).astype(np.uint8)
    patch = cut_patch(gray, NOTHING_KNOWN, np.array([180.0, 160.0]), np.array([420.0, 400.0]))
    assert patch is not None
    piece = patch.within(np.array([250.3, 240.0]), np.array([330.0, 600.0]))
    left, top = (int(v) for v in piece.origin_px)
    assert (left, top) == (250, 240)
    assert piece.gray.shape == (400 - 240, 331 - 250)
    np.testing.assert_array_equal(piece.gray, gray[240:400, 250:331])
    beside = patch.within(np.array([-90.0, -90.0]), np.array([-50.0, -50.0]))
    assert min(beside.gray.shape) >= 1


def test_a_field_made_in_bands_has_no_seams(monkeypatch: pytest.MonkeyPatch) -> None:
    gray = np.random.default_rng(8).integers(0, 255, (300, 70), dtype=np.uint8)
    usable = np.random.default_rng(9).random(gray.shape) > 0.2
    whole = edge_field(gray, usable, np.zeros(2), 1.0)
    monkeypatch.setattr(edgefield, "BAND_CELLS", 40 * 70)
    np.testing.assert_allclose(edge_field(gray, usable, np.zeros(2), 1.0).cells, whole.cells, atol=1e-6)
