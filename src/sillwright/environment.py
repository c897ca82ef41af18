"""Is the computer fit to measure on? Checked once at start, before anything else imports the picture library."""

from __future__ import annotations

import importlib
import platform
import re
from functools import cache
from importlib import metadata
from types import ModuleType

import numpy as np

from sillwright.cards import BoardSpec
from sillwright.errors import EnvironmentFault

LEAST_OPENCV = (5, 0)
LARGEST_OFFSET_PX = 0.1  # half a pixel is what versions before 5.0 were wrong by; a right one is within 0.001

# System libraries that pictures are decoded with, and the Debian or Ubuntu package that holds each.
_PACKAGE_OF_LIBRARY = {
    "libGL": "libgl1",
    "libglib-2": "libglib2.0-0",
    "libgthread-2": "libglib2.0-0",
    "libxcb": "libxcb1",
    "libX11": "libx11-6",
    "libz": "zlib1g",
}
_USUAL_PACKAGES = ("libgl1", "libglib2.0-0")

# Ten modules a square and seven a marker make every edge fall between two whole pixels at four pixels a module.
_TEST_BOARD = BoardSpec(squares_x=4, squares_y=3, square_mm=10.0, marker_mm=7.0, dictionary="5X5_250")
_PX_PER_MM = 4
_MARGIN_PX = 24


def library_versions() -> dict[str, str]:
    """The version of Python and of every library this package stands on, by name, as they are installed here."""
    return dict(_versions())


@cache  # a hundred files are opened for them, and they do not change while a process lives
def _versions() -> dict[str, str]:
    try:
        needed = metadata.requires("sillwright") or []
    except metadata.PackageNotFoundError:  # run from its sources
        needed = []
    names = sorted({re.split(r"[^A-Za-z0-9._-]", line, maxsplit=1)[0] for line in needed if "extra ==" not in line})
    versions = {"python": platform.python_version()}
    for name in names:
        try:
            versions[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            versions[name] = "not installed"
    return versions


def check_environment() -> None:
    """Check that OpenCV loads, is new enough, and puts corners where they are.

    Raises EnvironmentFault, with what to install, where it is not so.
    """
    _check_version(_import_opencv())
    offset_px = half_pixel_offset_px()
    if not max(abs(part_px) for part_px in offset_px) <= LARGEST_OFFSET_PX:
        raise EnvironmentFault(
            f"this OpenCV puts corners {offset_px[0]:+.2f}, {offset_px[1]:+.2f} px away from where they are, so every "
            "measure would be wrong. Install it anew: python -m pip install --upgrade opencv-python"
        )


def half_pixel_offset_px() -> tuple[float, float]:
    """How far (x, y), in pixels, detected corners of an exactly known board lie from the truth, on average.

    The board is drawn into an array with every edge between two pixels: an edge between columns k - 1 and k is at
    x = k - 0.5, as pixel (0, 0) is the centre of the first pixel. Zero is right; OpenCV 4 gave half a pixel.
    Raises EnvironmentFault where the board is not found at all.
    """
    cv2 = _import_opencv()
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{_TEST_BOARD.dictionary}"))
    board = cv2.aruco.CharucoBoard(
        (_TEST_BOARD.squares_x, _TEST_BOARD.squares_y), _TEST_BOARD.square_mm, _TEST_BOARD.marker_mm, dictionary
    )
    corners_px, ids, _, _ = cv2.aruco.CharucoDetector(board).detectBoard(_draw_test_board(cv2, dictionary))
    truth_px = _TEST_BOARD.corners_mm() * _PX_PER_MM + _MARGIN_PX - 0.5
    if ids is None or len(ids) < len(truth_px):
        raise EnvironmentFault(
            "this OpenCV does not find the corners of a perfect test card. "
            "Install it anew: python -m pip install --upgrade opencv-python"
        )
    away_px = np.reshape(corners_px, (-1, 2)) - truth_px[np.ravel(ids)]
    mean_x_px, mean_y_px = away_px.mean(axis=0)
    return float(mean_x_px), float(mean_y_px)


def _draw_test_board(cv2: ModuleType, dictionary: object) -> np.ndarray:
    """The test board as gray pixels, each edge on a boundary between pixels."""
    square_px = round(_TEST_BOARD.square_mm * _PX_PER_MM)
    marker_px = round(_TEST_BOARD.marker_mm * _PX_PER_MM)
    inset_px = (square_px - marker_px) // 2
    columns, rows = _TEST_BOARD.squares_x, _TEST_BOARD.squares_y
    black = np.add.outer(np.arange(rows), np.arange(columns)) % 2 == 0
    for column, row in _TEST_BOARD.marker_squares():
        black[row, column] = False
    grid = np.where(np.kron(black, np.ones((square_px, square_px), bool)), 0, 255).astype(np.uint8)
    for marker, (column, row) in enumerate(_TEST_BOARD.marker_squares()):
        y, x = row * square_px + inset_px, column * square_px + inset_px
        marker_image = cv2.aruco.generateImageMarker(dictionary, marker + _TEST_BOARD.first_id, marker_px)
        grid[y : y + marker_px, x : x + marker_px] = marker_image
    return np.pad(grid, _MARGIN_PX, constant_values=255)


def _import_opencv() -> ModuleType:
    try:
        return importlib.import_module("cv2")
    except ImportError as fault:
        raise EnvironmentFault(_what_to_install(str(fault))) from fault


def _what_to_install(message: str) -> str:
    library = re.search(r"(lib[\w.+-]+?\.so[\w.]*)", message)
    if library is None:
        return (
            f"OpenCV, which finds the cards in the photos, cannot be loaded ({message}). "
            "Install it: python -m pip install --upgrade opencv-python"
        )
    named = [package for start, package in _PACKAGE_OF_LIBRARY.items() if library[1].startswith(f"{start}.")]
    packages = " ".join(dict.fromkeys([*named, *_USUAL_PACKAGES]))
    return (
        f"the system library {library[1]} is missing, and photos cannot be read without it. "
        f"On Debian or Ubuntu: apt-get install {packages}"
    )


def _check_version(cv2: ModuleType) -> None:
    numbers = tuple(int(number) for number in re.findall(r"\d+", cv2.__version__)[:2])
    if numbers < LEAST_OPENCV:
        raise EnvironmentFault(
            f"OpenCV {cv2.__version__} is too old: versions before 5.0 put every corner half a pixel off. "
            'Install a newer one: python -m pip install --upgrade "opencv-python>=5.0"'
        )
