"""Pages of printed cards as pictures, and what OpenCV reads in them."""

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pypdfium2

from sillwright.cards import CALIBRATION_SHEET, BoardSpec, scale_card
from sillwright.tell.cardsheet import PAPERS

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
