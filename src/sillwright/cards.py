"""The scale card and the calibration sheet as geometry.

Board frame: x along the long side of the print, y down the print, both from the zero mark (the outer top-left
corner of the printed grid); z is into the paper, so the board frame is right-handed seen from above.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from sillwright.camera import Array

CARD_COUNT = 20
CHECK_LENGTH_MM = 240.0
PAPER_THICKNESS_MM = 0.3
CARD_MARGIN_MM = 10.0


@dataclass(frozen=True)
class BoardSpec:
    """A ChArUco board: squares across and down, sizes in mm, marker dictionary and first marker id.

    ``dictionary`` is a predefined OpenCV name without its prefix, for example ``5X5_250``.
    ``legacy`` is the square order printed by OpenCV before 4.6 (boards with an even number of rows).
    """

    squares_x: int
    squares_y: int
    square_mm: float
    marker_mm: float
    dictionary: str
    first_id: int = 0
    legacy: bool = False

    @property
    def width_mm(self) -> float:
        """The grid's size along x."""
        return self.squares_x * self.square_mm

    @property
    def height_mm(self) -> float:
        """The grid's size along y."""
        return self.squares_y * self.square_mm

    @property
    def marker_count(self) -> int:
        """How many markers it carries: one in every white square."""
        return len(self.marker_squares())

    def marker_squares(self) -> list[tuple[int, int]]:
        """(column, row) of each white square that carries a marker, in order of marker id."""
        odd = 1 if not (self.legacy and self.squares_y % 2 == 0) else 0
        return [
            (column, row)
            for row in range(self.squares_y)
            for column in range(self.squares_x)
            if (row + column) % 2 == odd
        ]

    def corners_mm(self) -> Array:
        """The inner square corners in row order, shape ((squares_x - 1)(squares_y - 1), 2)."""
        xs = np.arange(1, self.squares_x) * self.square_mm
        ys = np.arange(1, self.squares_y) * self.square_mm
        grid_x, grid_y = np.meshgrid(xs, ys)
        return np.stack([grid_x.ravel(), grid_y.ravel()], axis=1)

    def outline_mm(self) -> Array:
        """The grid's four outer corners from the zero mark clockwise in the print, shape (4, 2)."""
        w, h = self.width_mm, self.height_mm
        return np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])


CALIBRATION_SHEET = BoardSpec(9, 6, 28.0, 21.0, "4X4_50")


@cache
def scale_card(number: int) -> BoardSpec:
    """Card ``number`` (1 to 20): 8 x 3 squares of 30 mm, marker ids 12 (n - 1) to 12 n - 1."""
    if not 1 <= number <= CARD_COUNT:
        raise ValueError(f"there are cards 1 to {CARD_COUNT}, not {number}")
    return BoardSpec(8, 3, 30.0, 22.0, "5X5_250", first_id=12 * (number - 1))
