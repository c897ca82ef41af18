"""The printed cards: rasterised by a PDF renderer and read back by OpenCV, neither of which drew them.

OpenCV's ChArUco detector, its dictionaries and its own drawing of a marker are the outside checks of the pattern;
the PDF renderer is the outside check of the scale.
"""

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

SHEETS = [(paper, what) for paper in PAPERS for what in (*NUMBERS, "sheet")]
CARDS = [(paper, what) for paper, what in SHEETS if what != "sheet"]


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
    """What OpenCV's own ChArUco detector makes of a page: corner ids, corners in mm, marker ids."""
    ids = np.arange(spec.first_id, spec.first_id + spec.marker_count)
    board = cv2.aruco.CharucoBoard(
        (spec.squares_x, spec.squares_y), spec.square_mm, spec.marker_mm, dictionary_of(spec), ids
    )
    corners_px, corner_ids, _, marker_ids = cv2.aruco.CharucoDetector(board).detectBoard(page.grey)
    return np.ravel(corner_ids), page.mm(np.reshape(corners_px, (-1, 2))), np.ravel(marker_ids)


def zero_mark_mm(page, spec):
    """Where the grid starts on the page, going by the corners OpenCV finds inside it."""
    ids, corners_mm, _ = detect(page, spec)
    return (corners_mm - spec.corners_mm()[ids]).mean(axis=0)


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """The four PDF files: by paper, cards or sheet."""
    folder = tmp_path_factory.mktemp("pdf")
    found = {}
    for paper in PAPERS:
        found[paper, "cards"] = folder / f"cards-{paper}.pdf"
        found[paper, "sheet"] = folder / f"sheet-{paper}.pdf"
        write_cards_pdf(found[paper, "cards"], NUMBERS, paper)
        write_calibration_pdf(found[paper, "sheet"], paper)
    return found


def page_of(files, paper, what, dpi=DPI):
    if what == "sheet":
        return rasterise(files[paper, "sheet"], dpi=dpi)
    return rasterise(files[paper, "cards"], NUMBERS.index(what), dpi)


@pytest.fixture(scope="module")
def pages(files):
    return {key: page_of(files, *key) for key in SHEETS}


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("kind", ["cards", "sheet"])
def test_the_page_is_the_paper_laid_landscape(files, paper, kind):
    for sheet in pypdfium2.PdfDocument(files[paper, kind]):
        assert np.allclose(np.array(sheet.get_size()) * 25.4 / 72.0, LANDSCAPE_MM[paper], atol=0.01)


@pytest.mark.parametrize(("paper", "what"), SHEETS)
def test_opencv_reads_every_marker_and_every_corner_at_true_scale(pages, paper, what):
    spec = spec_of(what)
    corner_ids, corners_mm, marker_ids = detect(pages[paper, what], spec)
    assert sorted(marker_ids) == list(range(spec.first_id, spec.first_id + spec.marker_count))
    assert sorted(corner_ids) == list(range(len(spec.corners_mm())))
    from_zero_mm = corners_mm - spec.corners_mm()[corner_ids]
    assert np.abs(from_zero_mm - from_zero_mm.mean(axis=0)).max() < TOLERANCE_MM


@pytest.mark.parametrize("paper", PAPERS)
def test_a_free_search_finds_only_this_cards_ids(pages, paper):
    for number in NUMBERS:
        spec = scale_card(number)
        _, ids, _ = cv2.aruco.ArucoDetector(dictionary_of(spec)).detectMarkers(pages[paper, number].grey)
        assert sorted(np.ravel(ids)) == list(range(12 * (number - 1), 12 * number))


@pytest.mark.parametrize(("paper", "what"), SHEETS)
def test_the_grid_ends_where_its_size_says(pages, paper, what):
    """All four outer edges, at the squares of the rim that are black."""
    page, spec = pages[paper, what], spec_of(what)
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


@pytest.mark.parametrize(("paper", "what"), SHEETS)
def test_every_marker_is_its_size_and_in_the_middle_of_its_square(pages, paper, what):
    page, spec = pages[paper, what], spec_of(what)
    zero_mm = zero_mark_mm(page, spec)
    for square in spec.marker_squares():
        middle_mm = zero_mm + (np.array(square) + 0.5) * spec.square_mm
        for axis, side in ((0, -1), (0, 1), (1, -1), (1, 1)):
            edge_mm = middle_mm.copy()
            edge_mm[axis] += side * spec.marker_mm / 2.0
            assert abs(page.step_mm(edge_mm, axis) - edge_mm[axis]) < TOLERANCE_MM / 2.0


@pytest.mark.parametrize(("paper", "what"), SHEETS)
def test_check_ticks_stand_in_line_with_the_grids_ends(pages, paper, what):
    page, spec = pages[paper, what], spec_of(what)
    zero_mm = zero_mark_mm(page, spec)
    below_mm = zero_mm[1] + spec.height_mm + 5.0
    left_mm, right_mm = (page.line_mm(np.array([zero_mm[0] + x_mm, below_mm]), axis=0) for x_mm in (0, spec.width_mm))
    assert abs(right_mm - left_mm - {"sheet": 252.0}.get(what, 240.0)) < TOLERANCE_MM
    assert abs(left_mm - zero_mm[0]) < TOLERANCE_MM


@pytest.mark.parametrize("paper", PAPERS)
def test_the_calibration_sheet_can_be_checked_down_its_short_side_too(pages, paper):
    page, spec = pages[paper, "sheet"], CALIBRATION_SHEET
    zero_mm = zero_mark_mm(page, spec)
    beside_mm = zero_mm[0] + spec.width_mm + 5.0
    top_mm, bottom_mm = (page.line_mm(np.array([beside_mm, zero_mm[1] + y_mm]), axis=1) for y_mm in (0.0, 168.0))
    assert abs(bottom_mm - top_mm - 168.0) < TOLERANCE_MM
    assert abs(top_mm - zero_mm[1]) < TOLERANCE_MM


@pytest.mark.parametrize(("paper", "what"), CARDS)
def test_ten_millimetres_round_a_cards_grid_hold_only_the_label_and_ticks_below_it(pages, paper, what):
    page, spec = pages[paper, what], spec_of(what)
    zero_mm = zero_mark_mm(page, spec)
    end_mm = zero_mm + spec.outline_mm()[2]
    clear_mm = 0.1  # the grid's own soft edge
    above, _ = page.patch(zero_mm - 10.0, (end_mm[0] + 10.0, zero_mm[1] - clear_mm))
    left, _ = page.patch(zero_mm - 10.0, (zero_mm[0] - clear_mm, end_mm[1] + 10.0))
    right, _ = page.patch((end_mm[0] + clear_mm, zero_mm[1] - 10.0), end_mm + 10.0)
    for side in (above, right[:, 3:], left[:, :-3]):  # a tick's half width stands beyond the grid's end
        assert side.min() == 255
    under, _ = page.patch((zero_mm[0], end_mm[1] + clear_mm), (end_mm[0], end_mm[1] + 2.4))
    assert under.min() == 255
    below, _ = page.patch((zero_mm[0] - 10.0, end_mm[1] + 2.4), end_mm + 10.0)
    assert 0.001 < (below < 128).mean() < 0.05


@pytest.mark.parametrize(("paper", "what"), CARDS)
def test_cutting_along_the_dashes_leaves_at_least_ten_millimetres(pages, paper, what):
    page, spec = pages[paper, what], spec_of(what)
    zero_mm = zero_mark_mm(page, spec)
    end_mm = zero_mm + spec.outline_mm()[2]
    for axis in (0, 1):
        for edge_mm, outward in ((zero_mm, -1.0), (end_mm, 1.0)):
            near_mm, far_mm = zero_mm + 20.0, end_mm - 20.0
            near_mm[axis], far_mm[axis] = sorted(edge_mm[axis] + np.array([10.0, 12.0]) * outward)
            strip, _ = page.patch(near_mm, far_mm)
            inked = (strip < 128).any(axis=axis)
            assert 0 < inked.sum() * 25.4 / DPI < 0.5, "one thin line on this side"
            assert 0.3 < (strip < 128).any(axis=1 - axis).mean() < 0.7, "half dash, half gap"


@pytest.mark.parametrize(("paper", "what"), SHEETS)
def test_nothing_is_drawn_where_a_printer_cannot_print(pages, paper, what):
    page = pages[paper, what]
    inside = np.zeros(page.grey.shape, bool)
    width_mm, height_mm = LANDSCAPE_MM[paper]
    x0, y0 = np.floor(page.px((PRINTABLE_MM, PRINTABLE_MM))).astype(int)
    x1, y1 = np.ceil(page.px((width_mm - PRINTABLE_MM, height_mm - PRINTABLE_MM))).astype(int)
    inside[y0 : y1 + 1, x0 : x1 + 1] = True
    assert page.grey[~inside].min() == 255
    assert page.grey[inside].min() == 0


@pytest.mark.parametrize("what", [1, 20, "sheet"])
@pytest.mark.parametrize("dpi", [97.0, 151.0, 211.0])
def test_no_hairline_runs_through_a_marker_at_any_scale(files, what, dpi):
    """Against OpenCV's own drawing of each marker, cell by cell, joints between like cells included."""
    page, spec = page_of(files, "letter", what, dpi), spec_of(what)
    zero_mm = zero_mark_mm(page_of(files, "letter", what), spec)
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
        for page in range(CARD_COUNT)
        for marker in np.ravel(detector.detectMarkers(rasterise(path, page, dpi=72.0).grey)[1])
    ]
    assert sorted(seen) == list(range(240))


@given(numbers=st.lists(st.integers(1, CARD_COUNT), min_size=1, max_size=5, unique=True), paper=st.sampled_from(PAPERS))
@settings(max_examples=15, deadline=None)
def test_each_page_names_its_card_in_the_order_asked_for(tmp_path_factory, numbers, paper):
    path = tmp_path_factory.mktemp("order") / "cards.pdf"
    write_cards_pdf(path, numbers, paper)
    document = pypdfium2.PdfDocument(path)
    firsts = [page.get_textpage().get_text_bounded().split(" tick")[0] for page in document]
    assert firsts == [f"CARD {number}" for number in numbers]


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("kind", ["cards", "sheet"])
def test_the_file_asks_the_viewer_not_to_scale_and_holds_no_picture(files, paper, kind):
    content = files[paper, kind].read_bytes()
    assert b"/PrintScaling /None" in content
    assert b"/Image" not in content.replace(b"/ImageB", b"").replace(b"/ImageC", b"").replace(b"/ImageI", b"")


@pytest.mark.parametrize("paper", PAPERS)
def test_the_page_tells_how_to_print_check_mend_and_lay_it(files, paper):
    text = " ".join(pypdfium2.PdfDocument(files[paper, "cards"])[0].get_textpage().get_text_bounded().split())
    for words in ("100 %", "240 mm", "9 7/16 in", "9.449 in", "print again", 'check_length = "', 'thickness = "'):
        assert words in text
    for words in ("long side along the wall", "Cover no chalk line and no bolt", "upside down", "Numbers rise"):
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
    assert (tmp_path / "again.pdf").read_bytes() == files["letter", "cards"].read_bytes()


def test_the_command_writes_four_letter_cards_unless_told_otherwise(tmp_path):
    path = tmp_path / "out" / "cards.pdf"
    result = CliRunner().invoke(cards, ["-o", str(path)])
    assert result.exit_code == 0, result.output
    assert len(pypdfium2.PdfDocument(path)) == 4
    assert rasterise(path, dpi=72.0).grey.shape == (612, 792)
    assert "100 %" in result.output


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
    assert np.array_equal(kept.grey, page_of(files, paper, "sheet", dpi=100.0).grey)
