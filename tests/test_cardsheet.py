"""The printed cards: rasterised by a PDF renderer and read back by OpenCV, neither of which drew them.

OpenCV's ChArUco detector, its dictionaries and its own drawing of a marker are the outside checks of the pattern;
the PDF renderer is the outside check of the scale.
"""

import re
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from sillwright.cards import CALIBRATION_SHEET, CARD_COUNT, BoardSpec, scale_card
from sillwright.cli.cards import cards
from sillwright.errors import JobError
from sillwright.tell.cardsheet import PAPERS, write_calibration_pdf, write_cards_pdf

DPI = 300.0
TOLERANCE_MM = 0.1
NUMBERS = (1, 7, 20)
# ISO 216 and ANSI/ASME Y14.1: A4 is 210 x 297 mm, ANSI A (Letter) 8.5 x 11 in.
LANDSCAPE_MM = {"letter": (11.0 * 25.4, 8.5 * 25.4), "a4": (297.0, 210.0)}
PRINTABLE_MM = 6.0  # common practice, no source
CALIBRATION_FOLDER = Path(__file__).resolve().parents[1] / "calibration"

# A page is named by its paper, how many cards a sheet of its file holds, and its card or "sheet".
ONE_A_SHEET = [(paper, "one", number) for paper in PAPERS for number in NUMBERS]
TWO_A_SHEET = [(paper, "two", number) for paper in PAPERS for number in NUMBERS]
CALIBRATION = [(paper, "one", "sheet") for paper in PAPERS]
CARDS = ONE_A_SHEET + TWO_A_SHEET
SHEETS = CARDS + CALIBRATION


@dataclass(frozen=True)
class Page:
    """A page as grey values 0 to 255. Millimetres run from its top-left corner, x right and y down."""

    grey: np.ndarray
    px_per_mm: np.ndarray

    def px(self, point_mm):
        return np.asarray(point_mm) * self.px_per_mm - 0.5

    def mm(self, point_px):
        return (np.asarray(point_px) + 0.5) / self.px_per_mm

    def patch(self, left_top_mm, right_bottom_mm):
        """The pixels that lie wholly inside a rectangle, and its top-left one's column and row."""
        x0, y0 = np.ceil(self.px(left_top_mm) + 0.5 - 1e-6).astype(int)
        x1, y1 = np.floor(self.px(right_bottom_mm) - 0.5 + 1e-6).astype(int)
        return self.grey[y0 : y1 + 1, x0 : x1 + 1], (x0, y0)

    def step_mm(self, around_mm, axis, reach_mm=2.0):
        """Where the one step between white and black near a point lies along an axis, whichever way it goes."""
        reach = np.full(2, 0.5)
        reach[axis] = reach_mm
        grey, first_px = self.patch(around_mm - reach, around_mm + reach)
        profile = grey.mean(axis=axis) / 255.0
        assert {round(profile[0]), round(profile[-1])} == {0, 1}, "no step between white and black here"
        before = profile.sum() if profile[0] > 0.5 else len(profile) - profile.sum()
        return self.mm(np.full(2, first_px[axis] - 0.5 + before))[axis]

    def line_mm(self, around_mm, axis, reach_mm=1.5):
        """Where the middle of the one thin line near a point lies along an axis."""
        reach = np.full(2, 1.0)
        reach[axis] = reach_mm
        grey, first_px = self.patch(around_mm - reach, around_mm + reach)
        ink = (255.0 - grey).sum(axis=axis)
        assert ink.sum() > 0, "no line here"
        middle_px = first_px[axis] + np.average(np.arange(len(ink)), weights=ink)
        return self.mm(np.full(2, middle_px))[axis]

    def turned(self):
        """The same page turned half round."""
        return Page(np.ascontiguousarray(self.grey[::-1, ::-1]), self.px_per_mm)


def rasterise(path, page=0, dpi=DPI):
    sheet = pypdfium2.PdfDocument(path)[page]
    grey = np.asarray(sheet.render(scale=dpi / 72.0).to_pil().convert("L"))
    size_mm = np.array(sheet.get_size()) * 25.4 / 72.0
    return Page(grey, np.array(grey.shape[::-1]) / size_mm)


def spec_of(what) -> BoardSpec:
    return CALIBRATION_SHEET if what == "sheet" else scale_card(what)


def dictionary_of(spec):
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{spec.dictionary}"))


def detect(page, spec):
    """What OpenCV's own ChArUco detector makes of a page: corner ids, corners in mm, marker ids of this board."""
    ids = np.arange(spec.first_id, spec.first_id + spec.marker_count)
    board = cv2.aruco.CharucoBoard(
        (spec.squares_x, spec.squares_y), spec.square_mm, spec.marker_mm, dictionary_of(spec), ids
    )
    corners_px, corner_ids, _, marker_ids = cv2.aruco.CharucoDetector(board).detectBoard(page.grey)
    marker_ids = np.ravel(marker_ids)
    return np.ravel(corner_ids), page.mm(np.reshape(corners_px, (-1, 2))), marker_ids[np.isin(marker_ids, ids)]


def zero_mark_mm(page, spec):
    """Where the grid starts on the page, going by the corners OpenCV finds inside it."""
    ids, corners_mm, _ = detect(page, spec)
    return (corners_mm - spec.corners_mm()[ids]).mean(axis=0)


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """The six PDF files: by paper and one, two or sheet."""
    folder = tmp_path_factory.mktemp("pdf")
    found = {}
    for paper in PAPERS:
        for kind in ("one", "two", "sheet"):
            found[paper, kind] = folder / f"{kind}-{paper}.pdf"
        write_cards_pdf(found[paper, "one"], NUMBERS, paper, one_a_sheet=True)
        write_cards_pdf(found[paper, "two"], NUMBERS, paper)
        write_calibration_pdf(found[paper, "sheet"], paper)
    return found


def texts(path):
    """The words of each page, in the order they were written, one space between any two."""
    return [" ".join(page.get_textpage().get_text_bounded().split()) for page in pypdfium2.PdfDocument(path)]


def page_of(files, paper, kind, what, dpi=DPI):
    """The page a card is on, turned so that the card's words stand upright."""
    if what == "sheet":
        return rasterise(files[paper, "sheet"], dpi=dpi)
    place = NUMBERS.index(what)
    if kind == "one":
        return rasterise(files[paper, "one"], place, dpi)
    page = rasterise(files[paper, "two"], 1 + place // 2, dpi)
    return page.turned() if place % 2 else page


@pytest.fixture(scope="module")
def pages(files):
    return {key: page_of(files, *key) for key in SHEETS}


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("kind", ["one", "two", "sheet"])
def test_the_page_is_the_paper_laid_landscape(files, paper, kind):
    for sheet in pypdfium2.PdfDocument(files[paper, kind]):
        assert np.allclose(np.array(sheet.get_size()) * 25.4 / 72.0, LANDSCAPE_MM[paper], atol=0.01)


@pytest.mark.parametrize("key", SHEETS)
def test_opencv_reads_every_marker_and_every_corner_at_true_scale(pages, key):
    spec = spec_of(key[2])
    corner_ids, corners_mm, marker_ids = detect(pages[key], spec)
    assert sorted(marker_ids) == list(range(spec.first_id, spec.first_id + spec.marker_count))
    assert sorted(corner_ids) == list(range(len(spec.corners_mm())))
    from_zero_mm = corners_mm - spec.corners_mm()[corner_ids]
    assert np.abs(from_zero_mm - from_zero_mm.mean(axis=0)).max() < TOLERANCE_MM


@pytest.mark.parametrize("paper", PAPERS)
def test_a_free_search_finds_only_this_cards_ids(pages, paper):
    for number in NUMBERS:
        spec = scale_card(number)
        _, ids, _ = cv2.aruco.ArucoDetector(dictionary_of(spec)).detectMarkers(pages[paper, "one", number].grey)
        assert sorted(np.ravel(ids)) == list(range(12 * (number - 1), 12 * number))


@pytest.mark.parametrize("key", SHEETS)
def test_the_grid_ends_where_its_size_says(pages, key):
    """All four outer edges, at the squares of the rim that are black."""
    page, spec = pages[key], spec_of(key[2])
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
def test_every_marker_is_its_size_and_in_the_middle_of_its_square(pages, key):
    page, spec = pages[key], spec_of(key[2])
    zero_mm = zero_mark_mm(page, spec)
    for square in spec.marker_squares():
        middle_mm = zero_mm + (np.array(square) + 0.5) * spec.square_mm
        for axis, side in ((0, -1), (0, 1), (1, -1), (1, 1)):
            edge_mm = middle_mm.copy()
            edge_mm[axis] += side * spec.marker_mm / 2.0
            assert abs(page.step_mm(edge_mm, axis) - edge_mm[axis]) < TOLERANCE_MM / 2.0


@pytest.mark.parametrize("key", SHEETS)
def test_check_ticks_stand_in_line_with_the_grids_ends(pages, key):
    page, spec = pages[key], spec_of(key[2])
    zero_mm = zero_mark_mm(page, spec)
    below_mm = zero_mm[1] + spec.height_mm + (2.4 if key[1] == "two" else 5.0)
    left_mm, right_mm = (page.line_mm(np.array([zero_mm[0] + x_mm, below_mm]), axis=0) for x_mm in (0, spec.width_mm))
    assert abs(right_mm - left_mm - {"sheet": 252.0}.get(key[2], 240.0)) < TOLERANCE_MM
    assert abs(left_mm - zero_mm[0]) < TOLERANCE_MM


@pytest.mark.parametrize("paper", PAPERS)
def test_the_calibration_sheet_can_be_checked_down_its_short_side_too(pages, paper):
    page, spec = pages[paper, "one", "sheet"], CALIBRATION_SHEET
    zero_mm = zero_mark_mm(page, spec)
    beside_mm = zero_mm[0] + spec.width_mm + 5.0
    top_mm, bottom_mm = (page.line_mm(np.array([beside_mm, zero_mm[1] + y_mm]), axis=1) for y_mm in (0.0, 168.0))
    assert abs(bottom_mm - top_mm - 168.0) < TOLERANCE_MM
    assert abs(top_mm - zero_mm[1]) < TOLERANCE_MM


@pytest.mark.parametrize("key", CARDS)
def test_ten_millimetres_round_a_cards_grid_hold_only_the_label_and_ticks_below_it(pages, key):
    """As printed. On A4 two grids stand exactly 10 mm apart, so the strip between them is looked at less 0.1 mm."""
    page, spec = pages[key], spec_of(key[2])
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
def test_two_a_sheet_the_papers_edge_lies_ten_millimetres_below_a_grid_and_the_words_keep_to_the_first_four(pages, key):
    page, spec = pages[key], spec_of(key[2])
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
def test_one_a_sheet_cutting_along_the_dashes_leaves_at_least_ten_millimetres(pages, key):
    page, spec = pages[key], spec_of(key[2])
    zero_mm = zero_mark_mm(page, spec)
    end_mm = zero_mm + spec.outline_mm()[2]
    for axis in (0, 1):
        for edge_mm, outward in ((zero_mm, -1.0), (end_mm, 1.0)):
            near_mm, far_mm = zero_mm + 20.0, end_mm - 20.0
            near_mm[axis], far_mm[axis] = sorted(edge_mm[axis] + np.array([10.0, 12.0]) * outward)
            dashed_line_mm(page, near_mm, far_mm, axis)


@pytest.mark.parametrize("key", TWO_A_SHEET)
def test_two_a_sheet_dashes_run_down_both_ends_ten_millimetres_out(pages, key):
    page, spec = pages[key], spec_of(key[2])
    zero_mm = zero_mark_mm(page, spec)
    end_mm = zero_mm + spec.outline_mm()[2]
    for edge_mm, outward in ((zero_mm[0], -1.0), (end_mm[0], 1.0)):
        near_mm, far_mm = sorted(edge_mm + np.array([9.9, 10.8]) * outward)
        line_mm = dashed_line_mm(page, (near_mm, zero_mm[1]), (far_mm, end_mm[1]), axis=0)
        assert 10.0 <= (line_mm - edge_mm) * outward < 10.4


@pytest.mark.parametrize("key", TWO_A_SHEET)
def test_two_a_sheet_the_cut_marks_stand_halfway_and_outside_the_white(pages, key):
    """Above a grid 215.9 / 2 - 100 = 7.95 mm stay on Letter and 210 / 2 - 100 = 5 mm on A4."""
    page, spec = pages[key], spec_of(key[2])
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
def test_two_a_sheet_opencv_reads_both_cards_of_a_page_and_no_other(pages, paper):
    first, second, alone = (pages[paper, "two", number] for number in NUMBERS)
    assert np.array_equal(first.grey, second.turned().grey), "one page, seen from its two sides"
    for page, numbers in ((first, NUMBERS[:2]), (alone, NUMBERS[2:])):
        found = {number: detect(page, scale_card(number)) for number in numbers}
        assert all(len(corner_ids) == 14 and len(marker_ids) == 12 for corner_ids, _, marker_ids in found.values())
        _, ids, _ = cv2.aruco.ArucoDetector(dictionary_of(scale_card(1))).detectMarkers(page.grey)
        assert sorted(np.ravel(ids)) == [marker for n in numbers for marker in range(12 * (n - 1), 12 * n)]


@pytest.mark.parametrize("paper", PAPERS)
def test_an_odd_number_of_cards_leaves_the_second_place_empty(pages, paper):
    page = pages[paper, "two", NUMBERS[2]]
    width_mm, height_mm = LANDSCAPE_MM[paper]
    middle_mm = width_mm / 2.0
    empty, _ = page.patch((middle_mm - 130.0, 0.0), (middle_mm + 130.0, height_mm - 100.1))
    assert empty.min() == 255


@pytest.mark.parametrize("key", TWO_A_SHEET)
@pytest.mark.parametrize("ground", [0, 90, 255])
def test_a_card_cut_from_two_a_sheet_is_read_whole_on_any_ground(pages, key, ground):
    """At about 0.5 mm a pixel (12 megapixels from 1.5 m), seen aslant, with the narrow white above its grid."""
    page, spec = pages[key], spec_of(key[2])
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
def test_nothing_is_drawn_where_a_printer_cannot_print(pages, key):
    page = pages[key]
    inside = np.zeros(page.grey.shape, bool)
    width_mm, height_mm = LANDSCAPE_MM[key[0]]
    x0, y0 = np.floor(page.px((PRINTABLE_MM, PRINTABLE_MM))).astype(int)
    x1, y1 = np.ceil(page.px((width_mm - PRINTABLE_MM, height_mm - PRINTABLE_MM))).astype(int)
    inside[y0 : y1 + 1, x0 : x1 + 1] = True
    assert page.grey[~inside].min() == 255
    assert page.grey[inside].min() == 0


@pytest.mark.parametrize("paper", PAPERS)
def test_the_first_page_stays_clear_of_the_edge_and_shows_no_card(files, paper):
    page = rasterise(files[paper, "two"], 0)
    rim_px = np.ceil(PRINTABLE_MM * page.px_per_mm).astype(int)
    inside = page.grey[rim_px[1] : -rim_px[1], rim_px[0] : -rim_px[0]]
    assert (page.grey < 255).sum() == (inside < 255).sum() > 0
    _, ids, _ = cv2.aruco.ArucoDetector(dictionary_of(scale_card(1))).detectMarkers(page.grey)
    assert ids is None


@pytest.mark.parametrize(("kind", "what"), [("one", 20), ("one", "sheet"), ("two", 1), ("two", 7)])
@pytest.mark.parametrize("dpi", [97.0, 151.0, 211.0])
def test_no_hairline_runs_through_a_marker_at_any_scale(files, kind, what, dpi):
    """Against OpenCV's own drawing of each marker, cell by cell, joints between like cells included."""
    page, spec = page_of(files, "letter", kind, what, dpi), spec_of(what)
    zero_mm = zero_mark_mm(page_of(files, "letter", kind, what), spec)
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


def test_all_twenty_cards_together_carry_each_id_once(tmp_path):
    path = tmp_path / "all.pdf"
    write_cards_pdf(path, range(1, CARD_COUNT + 1), "a4")
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250))
    seen = [
        marker
        for page in range(1 + CARD_COUNT // 2)
        for marker in np.ravel(detector.detectMarkers(rasterise(path, page, dpi=72.0).grey)[1])
        if marker is not None  # the first page holds none
    ]
    assert sorted(seen) == list(range(240))


@given(numbers=st.lists(st.integers(1, CARD_COUNT), min_size=1, max_size=5, unique=True), paper=st.sampled_from(PAPERS))
@settings(max_examples=15, deadline=None)
def test_each_page_names_its_cards_in_the_order_asked_for(tmp_path_factory, numbers, paper):
    path = tmp_path_factory.mktemp("order") / "cards.pdf"
    names = [f"CARD {number}" for number in numbers]
    write_cards_pdf(path, numbers, paper, one_a_sheet=True)
    assert [text.split(" tick")[0] for text in texts(path)] == names
    write_cards_pdf(path, numbers, paper)
    _, *sheets = texts(path)
    assert [re.findall(r"CARD \d+", text) for text in sheets] == [names[i : i + 2] for i in range(0, len(names), 2)]


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("kind", ["one", "two", "sheet"])
def test_the_file_asks_the_viewer_not_to_scale_and_holds_no_picture(files, paper, kind):
    content = files[paper, kind].read_bytes()
    assert b"/PrintScaling /None" in content
    assert b"/Image" not in content.replace(b"/ImageB", b"").replace(b"/ImageC", b"").replace(b"/ImageI", b"")


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("kind", ["one", "two"])
def test_the_first_page_tells_how_to_print_check_mend_and_lay_it(files, paper, kind):
    text = texts(files[paper, kind])[0]
    for words in ("100 %", "240 mm", "9 7/16 in", "9.449 in", "print again", 'check_length = "', 'thickness = "'):
        assert words in text
    for words in ("long side along the wall", "Cover no chalk line and no bolt", "upside down", "Numbers rise"):
        assert words in text
    assert "Never two cards with one number" in text


@pytest.mark.parametrize("paper", PAPERS)
def test_two_a_sheet_every_sheet_says_in_short_how_to_print_check_and_lay(files, paper):
    _, *sheets = texts(files[paper, "two"])
    assert len(sheets) == 2
    for text in sheets:
        for words in ("Print at 100 %", "240 mm = 9 7/16 in", "print again", "first page", "long side along the wall"):
            assert words in text
        assert "Never two cards with one number" in text


def test_inches_on_the_sheets_agree_with_the_millimetres():
    """1 in is 25.4 mm exactly (international yard and pound agreement, 1959)."""
    assert round(240.0 / 25.4, 3) == 9.449
    assert 0.0 < 240.0 - (9 + 7 / 16) * 25.4 < 0.4
    assert 0.0 < (9 + 15 / 16) * 25.4 - 252.0 < 0.8
    assert 0.0 < (6 + 5 / 8) * 25.4 - 168.0 < 0.8


@pytest.mark.parametrize(
    ("numbers", "named"), [((), "no cards"), ((3, 3), "twice"), ((0,), "card 0"), ((21,), "card 21")]
)
def test_cards_that_would_spoil_a_job_are_refused_and_the_old_file_kept(tmp_path, numbers, named):
    path = tmp_path / "cards.pdf"
    path.write_bytes(b"old")
    with pytest.raises(JobError, match=named):
        write_cards_pdf(path, numbers, "letter")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_the_same_cards_give_the_same_bytes(tmp_path, files):
    write_cards_pdf(tmp_path / "again.pdf", NUMBERS, "letter")
    assert (tmp_path / "again.pdf").read_bytes() == files["letter", "two"].read_bytes()


@pytest.mark.parametrize(("extra", "pages"), [([], 3), (["--one-a-sheet"], 4), (["--last", "3"], 3)])
def test_the_command_writes_four_letter_cards_two_to_a_sheet_unless_told_otherwise(tmp_path, extra, pages):
    path = tmp_path / "out" / "cards.pdf"
    result = CliRunner().invoke(cards, [*extra, "-o", str(path)])
    assert result.exit_code == 0, result.output
    assert len(pypdfium2.PdfDocument(path)) == pages
    assert rasterise(path, dpi=72.0).grey.shape == (612, 792)
    assert "100 %" in result.output
    assert ("one to a sheet" if extra == ["--one-a-sheet"] else "two to a sheet") in result.output


def test_the_command_writes_the_calibration_sheet(tmp_path):
    path = tmp_path / "sheet.pdf"
    result = CliRunner().invoke(cards, ["--calibration-sheet", "--paper", "A4", "-o", str(path)])
    assert result.exit_code == 0, result.output
    assert len(detect(rasterise(path), CALIBRATION_SHEET)[0]) == 40


@pytest.mark.parametrize("extra", [["--first", "5", "--last", "3"], ["--last", "21"], ["--paper", "a5"]])
def test_the_command_refuses_what_it_cannot_print(tmp_path, extra):
    result = CliRunner().invoke(cards, [*extra, "-o", str(tmp_path / "cards.pdf")])
    assert result.exit_code == 2
    assert not list(tmp_path.iterdir())


def test_the_command_says_where_it_could_not_write(tmp_path):
    (tmp_path / "blocked").write_text("a file, not a folder")
    result = CliRunner().invoke(cards, ["-o", str(tmp_path / "blocked" / "cards.pdf")])
    assert result.exit_code == 1
    assert "cannot be written" in result.output


@pytest.mark.parametrize("paper", PAPERS)
def test_the_calibration_sheet_in_the_folder_is_the_one_this_code_draws(files, paper):
    kept = rasterise(CALIBRATION_FOLDER / f"calibration-sheet-{paper}.pdf", dpi=100.0)
    assert np.array_equal(kept.grey, page_of(files, paper, "one", "sheet", dpi=100.0).grey)
