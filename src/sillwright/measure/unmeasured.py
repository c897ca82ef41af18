"""What stands on a run where no bolt was found: told of by parallax alone, whatever hides its shape."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Pose
from sillwright.measure.search import Search
from sillwright.measure.standing import Lookout
from sillwright.see.edges import WallEdges
from sillwright.see.parallax import CELL_MM, Agreement, cells_at, clear_pictures, drawn_out_mm
from sillwright.solve.axis import AxisFit

UPRIGHT_MM = 60.0  # as high as the least of bolts stands out of a plate's thickness and its nut
BASES_APART_MM = 4.0
DISAGREES, AGREES = 0.5, 0.7
# Of some 30 bolts lost in shadows or left out on purpose all that stood out had more; nothing else had both.
LEAST_PLACES, LEAST_PLACES_A_PHOTO = 8, 3
LEAST_SHARE, MOST_AGREEING = 0.6, 0.2
ROUND_A_BOLT_MM = 16.0  # what a nut, a washer and the windows' own width reach past the thread
OFF_WALL_MM = 14.0  # a window's width: past the edge lies the ground, which stands in no photo where it lies
LARGEST_MM2 = 7000.0  # two pictures of a bolt 5 in tall seen from afar; ground beyond the end of a wall is more
CLOSED_CELLS = 7
SAME_THING_MM = 60.0


NOTHING, AGREE, FIRST_SHOWS, SECOND_SHOWS = range(4)


@dataclass(frozen=True)
class _Pair:
    """Two photos, their poses, and what they tell of each cell of the wall, a byte each: a long run has many pairs.

    told : (rows, columns), whether the two agree, or else which of them shows more; nothing where that is explained
    """

    photos: tuple[int, int]
    poses: tuple[Pose, Pose]
    first_cell: tuple[int, int]
    told: NDArray[np.uint8]

    def at(self, points_mm: Array) -> NDArray[np.uint8]:
        """What is told at points (N, 2)."""
        rows, columns, inside = cells_at(points_mm, self.first_cell, self.told.shape)
        out = np.full(len(points_mm), NOTHING, dtype=np.uint8)
        out[inside] = self.told[rows[inside], columns[inside]]
        return out


def stands_unmeasured(lookout: Lookout, search: Search, known: Sequence[AxisFit], radius_mm: float) -> list[Array]:
    """Places (2,) on the wall where something upright stands that is none of those known.

    Each photo that shows it must show something there that another photo, which should show bare wall in that place,
    does not: along what would be the picture of a bolt, and from two sides. A shadow that moved between two photos is
    seen in one of them only, or does not run that way in both.
    """
    pairs = list(_pairs(lookout, search, known))
    bases = _bases(pairs, search)
    if not len(bases):
        return []
    tips = np.column_stack([bases, np.full(len(bases), UPRIGHT_MM)])
    apart, agree, places = (np.zeros(len(bases)) for _ in range(3))
    by_photo = np.zeros((len(bases), len(search.tasks)))
    for pair in pairs:
        inside = np.flatnonzero(cells_at(bases, pair.first_cell, pair.told.shape)[2])
        for own, shows in ((0, FIRST_SHOWS), (1, SECOND_SHOWS)):
            poses = pair.poses[own], pair.poses[1 - own]
            points, clear = clear_pictures(*poses, bases[inside], tips[inside], radius_mm)
            told = pair.at(points.reshape(-1, 2)).reshape(clear.shape)
            here = (clear & (told == shows)).sum(axis=1)
            apart[inside] += here
            agree[inside] += (clear & (told == AGREE)).sum(axis=1)
            places[inside] += clear.sum(axis=1)
            by_photo[inside, pair.photos[own]] += here
    stands = (apart >= np.maximum(LEAST_PLACES, LEAST_SHARE * places)) & (agree <= MOST_AGREEING * places)
    stands &= (by_photo >= LEAST_PLACES_A_PHOTO).sum(axis=1) >= 2
    return _one_each(bases[stands], apart[stands])


def _pairs(lookout: Lookout, search: Search, known: Sequence[AxisFit]) -> Iterator[_Pair]:
    """Every two photos that share a stretch, without what is explained."""
    for first in range(len(search.tasks)):
        for second in range(first + 1, len(search.tasks)):
            shared = lookout.shared(first, second)
            if shared is not None:
                poses = search.tasks[first].view.pose, search.tasks[second].view.pose
                told = _unexplained(shared, poses, known, search.edges)
                yield _Pair((first, second), poses, shared.first_cell, told)


def _unexplained(
    shared: Agreement,
    poses: tuple[Pose, Pose],
    known: Sequence[AxisFit],
    edges: Sequence[WallEdges],
) -> NDArray[np.uint8]:
    """What two photos tell, but where known bolts are seen, off the wall, and where more differs than a bolt covers."""
    rows, columns = shared.values.shape
    explained = np.zeros((rows, columns), dtype=np.uint8)
    first = np.array(shared.first_cell)
    for fit in known:
        wide = round(2.0 * (float(fit.parameters[5]) + ROUND_A_BOLT_MM) / CELL_MM)
        for pose in poses:
            ends = np.array([fit.base_mm[:2], drawn_out_mm(pose, fit.tip_mm)])
            foot, tip = (tuple(int(v) for v in end) for end in np.round(ends / CELL_MM).astype(int) - first)
            cv2.line(explained, foot, tip, 1, wide)
    x, y = (CELL_MM * (start + np.arange(count)) for start, count in zip(first, (columns, rows), strict=True))
    told = np.where(shared.of_first, FIRST_SHOWS, SECOND_SHOWS).astype(np.uint8)
    told[~(shared.values < DISAGREES)] = NOTHING
    told[shared.values > AGREES] = AGREE
    told[(explained > 0) | _off_wall(x, y, edges)] = NOTHING
    closed = cv2.morphologyEx(
        (told >= FIRST_SHOWS).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((CLOSED_CELLS, CLOSED_CELLS), np.uint8)
    )
    _, pieces, stats, _ = cv2.connectedComponentsWithStats(closed)
    left, wide_cells, cells = stats[:, cv2.CC_STAT_LEFT], stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_AREA]
    none = (cells * CELL_MM**2 > LARGEST_MM2) | (left == 0) | (left + wide_cells >= columns)
    none[0] = False
    told[none[pieces]] = NOTHING
    return told


def _off_wall(x: Array, y: Array, edges: Sequence[WallEdges]) -> NDArray[np.bool_]:
    """Cells (rows, columns) beyond either edge of the wall, or nearly, by the edges most photos show."""
    off = np.zeros((len(y), len(x)), dtype=bool)
    for side, sign in ((0, 1.0), (1, -1.0)):
        seen = [edge for both in edges if (edge := both[side]) is not None]
        if seen:
            slope, offset_mm = (float(np.median([getattr(e, part) for e in seen])) for part in ("slope", "offset_mm"))
            off |= sign * (y[:, None] - offset_mm - slope * x[None]) < OFF_WALL_MM
    return off


def _bases(pairs: Sequence[_Pair], search: Search) -> Array:
    """Where a foot may stand: wherever two photos disagree, on a grid, (N, 2)."""
    cells = []
    for pair in pairs:
        row, column = np.nonzero(pair.told >= FIRST_SHOWS)
        cells.append(np.column_stack([column, row]) + np.array(pair.first_cell))
    if not cells:
        return np.zeros((0, 2))
    bases = BASES_APART_MM * np.unique(np.round(CELL_MM / BASES_APART_MM * np.concatenate(cells)), axis=0)
    areas = [task.area for task in search.tasks]
    low = [min(area.x_from_mm for area in areas), min(area.y_from_mm for area in areas)]
    high = [max(area.x_to_mm for area in areas), max(area.y_to_mm for area in areas)]
    return np.asarray(bases[((bases > low) & (bases < high)).all(axis=1)])


def _one_each(bases_mm: Array, worth: Array) -> list[Array]:
    """The clearest place of each thing."""
    kept: list[Array] = []
    for k in np.argsort(-worth, kind="stable"):
        if all(np.linalg.norm(bases_mm[k] - other) > SAME_THING_MM for other in kept):
            kept.append(bases_mm[k])
    return kept
