"""The printed cards: rasterised by a PDF renderer and read back by OpenCV, neither of which drew them.

OpenCV's ChArUco detector, its dictionaries and its own drawing of a marker are the outside checks of the pattern;
the PDF renderer is the outside check of the scale.
"""

import cv2
import numpy as np
import pypdfium2
import pytest

from card_pages import (
    CARDS,
    DPI,
    LANDSCAPE_MM,
    NUMBERS,
    ONE_A_SHEET,
    PRINTABLE_MM,
    SHEETS,
    TOLERANCE_MM,
    TWO_A_SHEET,
    Page,
    detect,
    dictionary_of,
    page_of,
    rasterise,
    spec_of,
    zero_mark_mm,
)
from sillwright.cards import CALIBRATION_SHEET, scale_card
from sillwright.tell.cardsheet import PAPERS


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("kind", ["one", "two", "sheet"])
def test_the_page_is_the_paper_laid_landscape(card_files, paper, kind):
    for sheet in pypdfium2.PdfDocument(card_files[paper, kind]):
        assert np.allclose(np.array(sheet.get_size()) * 25.4 / 72.0, LANDSCAPE_MM[paper], atol=0.01)


@pytest.mark.parametrize("key", SHEETS)
def test_opencv_reads_every_marker_and_every_corner_at_true_scale(card_pages, key):
    spec = spec_of(key[2])
    corner_ids, corners_mm, marker_ids = detect(card_pages[key], spec)
    assert sorted(marker_ids) == list(range(spec.first_id, spec.first_id + spec.marker_count))
    assert sorted(corner_ids) == list(range(len(spec.corners_mm())))
    from_zero_mm = corners_mm - spec.corners_mm()[corner_ids]
    assert np.abs(from_zero_mm - from_zero_mm.mean(axis=0)).max() < TOLERANCE_MM


@pytest.mark.parametrize("paper", PAPERS)
def test_a_free_search_finds_only_this_cards_ids(card_pages, paper):
    for number in NUMBERS:
        spec = scale_card(number)
        _, ids, _ = cv2.aruco.ArucoDetector(dictionary_of(spec)).detectMarkers(card_pages[paper, "one", number].grey)
        assert sorted(np.ravel(ids)) == list(range(12 * (number - 1), 12 * number))


@pytest.mark.parametrize("key", SHEETS)
def test_the_grid_ends_where_its_size_says(card_pages, key):
    """All four outer edges, at the squares of the rim that are black."""
    page, spec = card_pages[key], spec_of(key[2])
    zero_mm = zero_mark_mm(page, spec)
    white = set(spec.marker_squares())
    for column, row in np.ndindex(spec.squares_x, spec.squares_y):
        if (column, row) in white:
            continue
        middle_mm = zero_mm + (np.array([column, row]) + 0.5) * spec.square_mm
        for axis, place, last in ((0, column, spec.squares_x - 1), (1, row, spec.squares_y - 1)):
            if place not in (0, last):
                continue
            nominal_mm = zero_mm[axis] + (spec.square_mm * (last + 1) if place == last else 0.0)
            around_mm = middle_mm.copy()
            around_mm[axis] = nominal_mm
            assert abs(page.step_mm(around_mm, axis) - nominal_mm) < TOLERANCE_MM


@pytest.mark.parametrize("key", SHEETS)
def test_every_marker_is_its_size_and_in_the_middle_of_its_square(card_pages, key):
    page, spec = card_pages[key], spec_of(key[2])
    zero_mm = zero_mark_mm(page, spec)
    for square in spec.marker_squares():
        middle_mm = zero_mm + (np.array(square) + 0.5) * spec.square_mm
        for axis, side in ((0, -1), (0, 1), (1, -1), (1, 1)):
            edge_mm = middle_mm.copy()
            edge_mm[axis] += side * spec.marker_mm / 2.0
            assert abs(page.step_mm(edge_mm, axis) - edge_mm[axis]) < TOLERANCE_MM / 2.0


@pytest.mark.parametrize("key", SHEETS)
def test_check_ticks_stand_in_line_with_the_grids_ends(card_pages, key):
    page, spec = card_pages[key], spec_of(key[2])
    zero_mm = zero_mark_mm(page, spec)
    below_mm = zero_mm[1] + spec.height_mm + (2.4 if key[1] == "two" else 5.0)
    left_mm, right_mm = (page.line_mm(np.array([zero_mm[0] + x_mm, below_mm]), axis=0) for x_mm in (0, spec.width_mm))
    assert abs(right_mm - left_mm - {"sheet": 252.0}.get(key[2], 240.0)) < TOLERANCE_MM
    assert abs(left_mm - zero_mm[0]) < TOLERANCE_MM


@pytest.mark.parametrize("paper", PAPERS)
def test_the_calibration_sheet_can_be_checked_down_its_short_side_too(card_pages, paper):
    page, spec = card_pages[paper, "one", "sheet"], CALIBRATION_SHEET
    zero_mm = zero_mark_mm(page, spec)
    beside_mm = zero_mm[0] + spec.width_mm + 5.0
    top_mm, bottom_mm = (page.line_mm(np.array([beside_mm, zero_mm[1] + y_mm]), axis=1) for y_mm in (0.0, 168.0))
    assert abs(bottom_mm - top_mm - 168.0) < TOLERANCE_MM
    assert abs(top_mm - zero_mm[1]) < TOLERANCE_MM


@pytest.mark.parametrize("key", CARDS)
def test_ten_millimetres_round_a_cards_grid_hold_only_the_label_and_ticks_below_it(card_pages, key):
    """As printed. On A4 two grids stand exactly 10 mm apart, so the strip between them is looked at less 0.1 mm."""
    page, spec = card_pages[key], spec_of(key[2])
    zero_mm = zero_mark_mm(page, spec)
    end_mm = zero_mm + spec.outline_mm()[2]
    clear_mm = 0.1  # the grid's own soft edge
    words_mm = 0.8 if key[1] == "two" else 2.4
    above, _ = page.patch(zero_mm - (10.0, 10.0 - clear_mm), (end_mm[0] + 10.0, zero_mm[1] - clear_mm))
    left, _ = page.patch(zero_mm - 10.0 + clear_mm, (zero_mm[0] - clear_mm, end_mm[1] + 10.0 - clear_mm))
    right, _ = page.patch((end_mm[0] + clear_mm, zero_mm[1] - 10.0 + clear_mm), end_mm + 10.0 - clear_mm)
    for side in (above, right[:, 3:], left[:, :-3]):  # a tick's half width stands beyond the grid's end
        assert side.size
        assert side.min() == 255
    under, _ = page.patch((zero_mm[0], end_mm[1] + clear_mm), (end_mm[0], end_mm[1] + words_mm))
    assert under.min() == 255
    below, _ = page.patch((zero_mm[0] - 10.0, end_mm[1] + words_mm), end_mm + 10.0 - clear_mm)
    assert 0.001 < (below < 128).mean() < 0.05


@pytest.mark.parametrize("key", TWO_A_SHEET)
def test_two_a_sheet_the_paper_ends_ten_millimetres_below_a_grid_and_the_words_keep_to_the_first_four(card_pages, key):
    page, spec = card_pages[key], spec_of(key[2])
    foot_mm = zero_mark_mm(page, spec)[1] + spec.height_mm
    width_mm, height_mm = LANDSCAPE_MM[key[0]]
    assert abs(height_mm - foot_mm - 10.0) < TOLERANCE_MM
    bare, _ = page.patch((0.0, foot_mm + 4.05), (width_mm, height_mm))
    assert bare.min() == 255
    label, _ = page.patch((width_mm / 2.0 - 115.0, foot_mm + 0.5), (width_mm / 2.0, foot_mm + 4.0))
    rows = np.flatnonzero((label < 128).any(axis=1))
    assert (rows[-1] - rows[0]) * 25.4 / DPI > 2.7, "capitals to be read from standing height"


def dashed_line_mm(page, near_mm, far_mm, axis):
    """The middle, along an axis, of the one dashed line in a rectangle."""
    strip, first_px = page.patch(near_mm, far_mm)
    inked = np.flatnonzero((strip < 128).any(axis=axis))
    assert 0 < len(inked) * 25.4 / DPI < 0.5, "one thin line on this side"
    assert 0.3 < (strip < 128).any(axis=1 - axis).mean() < 0.7, "half dash, half gap"
    return page.mm(np.full(2, first_px[axis] + inked.mean()))[axis]


@pytest.mark.parametrize("key", ONE_A_SHEET)
def test_one_a_sheet_cutting_along_the_dashes_leaves_at_least_ten_millimetres(card_pages, key):
    page, spec = card_pages[key], spec_of(key[2])
    zero_mm = zero_mark_mm(page, spec)
    end_mm = zero_mm + spec.outline_mm()[2]
    for axis in (0, 1):
        for edge_mm, outward in ((zero_mm, -1.0), (end_mm, 1.0)):
            near_mm, far_mm = zero_mm + 20.0, end_mm - 20.0
            near_mm[axis], far_mm[axis] = sorted(edge_mm[axis] + np.array([10.0, 12.0]) * outward)
            dashed_line_mm(page, near_mm, far_mm, axis)


@pytest.mark.parametrize("key", TWO_A_SHEET)
def test_two_a_sheet_dashes_run_down_both_ends_ten_millimetres_out(card_pages, key):
    page, spec = card_pages[key], spec_of(key[2])
    zero_mm = zero_mark_mm(page, spec)
    end_mm = zero_mm + spec.outline_mm()[2]
    for edge_mm, outward in ((zero_mm[0], -1.0), (end_mm[0], 1.0)):
        near_mm, far_mm = sorted(edge_mm + np.array([9.9, 10.8]) * outward)
        line_mm = dashed_line_mm(page, (near_mm, zero_mm[1]), (far_mm, end_mm[1]), axis=0)
        assert 10.0 <= (line_mm - edge_mm) * outward < 10.4


@pytest.mark.parametrize("key", TWO_A_SHEET)
def test_two_a_sheet_the_cut_marks_stand_halfway_and_outside_the_white(card_pages, key):
    """Above a grid 215.9 / 2 - 100 = 7.95 mm stay on Letter and 210 / 2 - 100 = 5 mm on A4."""
    page, spec = card_pages[key], spec_of(key[2])
    zero_mm = zero_mark_mm(page, spec)
    width_mm, height_mm = LANDSCAPE_MM[key[0]]
    outside_mm = (width_mm - 240.0) / 2.0 - 10.0
    for across_mm in ((PRINTABLE_MM + outside_mm) / 2.0, width_mm - (PRINTABLE_MM + outside_mm) / 2.0):
        cut_mm = page.line_mm(np.array([across_mm, height_mm / 2.0]), axis=1)
        assert abs(cut_mm - height_mm / 2.0) < TOLERANCE_MM
        assert abs(zero_mm[1] - cut_mm - {"letter": 7.95, "a4": 5.0}[key[0]]) < TOLERANCE_MM
    between, _ = page.patch((outside_mm + 0.5, height_mm / 2.0 - 4.9), (width_mm - outside_mm - 0.5, height_mm / 2.0))
    assert between.min() == 255


@pytest.mark.parametrize("paper", PAPERS)
def test_two_a_sheet_opencv_reads_both_cards_of_a_page_and_no_other(card_pages, paper):
    first, second, alone = (card_pages[paper, "two", number] for number in NUMBERS)
    assert np.array_equal(first.grey, second.turned().grey), "one page, seen from its two sides"
    for page, numbers in ((first, NUMBERS[:2]), (alone, NUMBERS[2:])):
        found = {number: detect(page, scale_card(number)) for number in numbers}
        assert all(len(corner_ids) == 14 and len(marker_ids) == 12 for corner_ids, _, marker_ids in found.values())
        _, ids, _ = cv2.aruco.ArucoDetector(dictionary_of(scale_card(1))).detectMarkers(page.grey)
        assert sorted(np.ravel(ids)) == [marker for n in numbers for marker in range(12 * (n - 1), 12 * n)]


@pytest.mark.parametrize("paper", PAPERS)
def test_an_odd_number_of_cards_leaves_the_second_place_empty(card_pages, paper):
    page = card_pages[paper, "two", NUMBERS[2]]
    width_mm, height_mm = LANDSCAPE_MM[paper]
    middle_mm = width_mm / 2.0
    empty, _ = page.patch((middle_mm - 130.0, 0.0), (middle_mm + 130.0, height_mm - 100.1))
    assert empty.min() == 255


@pytest.mark.parametrize("key", TWO_A_SHEET)
@pytest.mark.parametrize("ground", [0, 90, 255])
def test_a_card_cut_from_two_a_sheet_is_read_whole_on_any_ground(card_pages, key, ground):
    """At about 0.5 mm a pixel (12 megapixels from 1.5 m), seen aslant, with the narrow white above its grid."""
    page, spec = card_pages[key], spec_of(key[2])
    width_mm, height_mm = LANDSCAPE_MM[key[0]]
    corners_mm = np.array([(-130, 0), (130, 0), (130, height_mm / 2), (-130, height_mm / 2)])
    corners_px = page.px(corners_mm + np.array([width_mm, height_mm]) / 2.0).astype(np.float32)
    seen_px = np.array([(75, 90), (560, 70), (600, 310), (40, 290)], np.float32)
    soft = cv2.GaussianBlur(page.grey, (0, 0), 3.0)
    warp = cv2.getPerspectiveTransform(corners_px, seen_px)
    card = cv2.warpPerspective(soft, warp, (640, 380), flags=cv2.INTER_AREA)
    inside = cv2.fillConvexPoly(np.zeros_like(card), seen_px.astype(np.int32), 1)
    seen = Page(np.where(inside, card, ground).astype(np.uint8), np.ones(2))
    corner_ids, _, marker_ids = detect(seen, spec)
    assert len(marker_ids) == 12
    assert len(corner_ids) == 14


@pytest.mark.parametrize("key", SHEETS)
def test_nothing_is_drawn_where_a_printer_cannot_print(card_pages, key):
    page = card_pages[key]
    inside = np.zeros(page.grey.shape, bool)
    width_mm, height_mm = LANDSCAPE_MM[key[0]]
    x0, y0 = np.floor(page.px((PRINTABLE_MM, PRINTABLE_MM))).astype(int)
    x1, y1 = np.ceil(page.px((width_mm - PRINTABLE_MM, height_mm - PRINTABLE_MM))).astype(int)
    inside[y0 : y1 + 1, x0 : x1 + 1] = True
    assert page.grey[~inside].min() == 255
    assert page.grey[inside].min() == 0


@pytest.mark.parametrize("paper", PAPERS)
def test_the_first_page_stays_clear_of_the_edge_and_shows_no_card(card_files, paper):
    page = rasterise(card_files[paper, "two"], 0)
    rim_px = np.ceil(PRINTABLE_MM * page.px_per_mm).astype(int)
    inside = page.grey[rim_px[1] : -rim_px[1], rim_px[0] : -rim_px[0]]
    assert (page.grey < 255).sum() == (inside < 255).sum() > 0
    _, ids, _ = cv2.aruco.ArucoDetector(dictionary_of(scale_card(1))).detectMarkers(page.grey)
    assert ids is None


@pytest.mark.parametrize(("kind", "what"), [("one", 20), ("one", "sheet"), ("two", 1), ("two", 7)])
@pytest.mark.parametrize("dpi", [97.0, 151.0, 211.0])
def test_no_hairline_runs_through_a_marker_at_any_scale(card_files, kind, what, dpi):
    """Against OpenCV's own drawing of each marker, cell by cell, joints between like cells included."""
    page, spec = page_of(card_files, "letter", kind, what, dpi), spec_of(what)
    zero_mm = zero_mark_mm(page_of(card_files, "letter", kind, what), spec)
    cells = dictionary_of(spec).markerSize + 2
    cell_mm = spec.marker_mm / cells
    soft_mm = 1.05 * 25.4 / dpi
    for place, square in enumerate(spec.marker_squares()):
        drawn = cv2.aruco.generateImageMarker(dictionary_of(spec), spec.first_id + place, cells)
        start_mm = zero_mm + np.array(square) * spec.square_mm + (spec.square_mm - spec.marker_mm) / 2.0
        for row, column in np.ndindex(cells, cells):
            for down, across in ((1, 2), (2, 1)):
                block = drawn[row : row + down, column : column + across]
                if block.size < 2 or len(np.unique(block)) > 1:
                    continue
                corner_mm = start_mm + np.array([column, row]) * cell_mm
                size_mm = np.array([across, down]) * cell_mm
                pair, _ = page.patch(corner_mm + soft_mm, corner_mm + size_mm - soft_mm)
                assert pair.size
                assert (pair == block[0, 0]).all()
