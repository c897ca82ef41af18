"""Pieces of plate that several test modules draw, and what a printed strip shows to whoever measures it."""

import math
from dataclasses import replace

import cv2
import numpy as np

from sillwright.plates.piece import Hole, PlatePiece

INCH_MM = 25.4
WIDE_MM = 5.5 * INCH_MM  # a 2x6, dry (PS 20)
SPLICE_MM = 120 * INCH_MM
MITRE_DEG = 90.0 - 97.0 / 2.0  # off square, at a corner of 97 degrees


def hole(mark, along_in, across_in, low_mm=0.0, drill_in=9 / 16, u95_mm=0.5):
    """Along from the run's zero, as the record has it."""
    return Hole(
        mark, along_in * INCH_MM - low_mm, across_in * INCH_MM, drill_in * INCH_MM, u95_mm, u95_mm, taken_mm=u95_mm
    )


# An 18 ft run of 2x6, spliced at 10 ft, mitred at its high end; a second layer over it; another run beside it.
NORTH = (
    PlatePiece(
        "N1", "north", 1, 0.0, SPLICE_MM, WIDE_MM, 38.1,
        holes=(hole("NO1", 9, 2.75), hole("NO2", 62.3, 2.9, u95_mm=1.2), hole("NO3", 111.4, 2.6)),
    ),
    PlatePiece(
        "N2", "north", 1, SPLICE_MM, 216 * INCH_MM, WIDE_MM, 38.1, 0.0, MITRE_DEG,
        (hole("NO4", 128.6, 2.75, SPLICE_MM), hole("NO5", 171.2, 3.05, SPLICE_MM, 11 / 16),
         hole("NO6", 206, 2.7, SPLICE_MM, u95_mm=None)),
    ),
)  # fmt: skip
UPPER = (
    PlatePiece(
        "N3", "north", 2, 0.0, 168 * INCH_MM, WIDE_MM, 38.1,
        holes=(hole("NO1", 9, 2.75), hole("NO2", 62.3, 2.9), hole("NO3", 111.4, 2.6), hole("NO4", 128.6, 2.75)),
    ),
    PlatePiece(
        "N4", "north", 2, 168 * INCH_MM, 210 * INCH_MM, WIDE_MM, 38.1, 0.0, -7.0,
        (hole("NO5", 177.2, 3.05, 168 * INCH_MM), hole("NO6", 200, 2.7, 168 * INCH_MM)),
    ),
)  # fmt: skip
EAST = (
    PlatePiece("E1", "east", 1, 0.0, 90 * INCH_MM, 3.5 * INCH_MM, 38.1, -MITRE_DEG, 12.5,
               (hole("EA1", 10, 1.75), hole("EA2", 80, 1.7))),
)  # fmt: skip
JOB = NORTH + UPPER + EAST
BOLTS_MM = {hole.mark: 12.7 for piece in JOB for hole in piece.holes}


def long_piece(holes=(), length_mm=5 * 12 * INCH_MM, **changes):
    """A square piece of 2x6, five feet long."""
    return replace(PlatePiece("P1", "north", 1, 0.0, length_mm, WIDE_MM, 38.1, holes=tuple(holes)), **changes)


def far_points(piece):
    """Low and high end of the far edge in the piece's frame, by the rule of ``PlatePiece``."""
    low, high = (piece.width_mm * math.tan(math.radians(cut)) for cut in (piece.low_cut_deg, piece.high_cut_deg))
    return (-low, piece.width_mm), (piece.line_edge_mm + high, piece.width_mm)


def crosses_mm(page, arm_mm, rows_mm):
    """Middles of the crosses within 5 mm of given rows, (N, 2) mm from the page's top-left corner."""
    found = []
    for row_mm in rows_mm:
        band, (_, first_row) = page.patch((0.0, row_mm - 9.0), (page.grey.shape[1] / page.px_per_mm[0], row_mm + 9.0))
        small = cv2.resize(band, None, fx=1 / 3, fy=1 / 3, interpolation=cv2.INTER_AREA)
        half = round(arm_mm * page.px_per_mm[0] / 3)
        template = np.full((2 * half + 1, 2 * half + 1), 255, np.uint8)
        template[half, :] = template[:, half] = 60
        like = cv2.matchTemplate(small, template, cv2.TM_CCOEFF_NORMED)
        while like.max() > 0.5:
            row, column = np.unravel_index(like.argmax(), like.shape)
            like[max(0, row - half) : row + half, max(0, column - half) : column + half] = 0
            middle_px = 3 * (np.array([column, row]) + half) + 1 + np.array([0, first_row])
            found += _cross_near(page, page.mm(middle_px), arm_mm)
    return np.array(found).reshape(-1, 2)


def _cross_near(page, middle_mm, arm_mm):
    """The cross there, its lines measured on all arms, as a list of one; empty where it is something else."""
    x, y = middle_mm
    off = 0.65 * arm_mm
    for quarter in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
        corners = np.sort(
            [middle_mm + 0.3 * arm_mm * np.array(quarter), middle_mm + 0.9 * arm_mm * np.array(quarter)], 0
        )
        if page.patch(*corners)[0].min() < 250:
            return []
    try:
        xs = [page.line_mm((x, y + d), 0, 1.1) for d in (off, -off)]
        ys = [page.line_mm((x + d, y), 1, 1.1) for d in (off, -off)]
    except AssertionError:
        return []
    return [(np.mean(xs), np.mean(ys))]


def circles_mm(page, diameter_mm):
    """Middles of circles of one size, (N, 2) mm from the page's top-left corner: found, then fitted to their ink."""
    small = cv2.resize(page.grey, None, fx=1 / 3, fy=1 / 3, interpolation=cv2.INTER_AREA)
    scale = page.px_per_mm[0] / 3
    radius = diameter_mm / 2 * scale
    seen = cv2.HoughCircles(
        small, cv2.HOUGH_GRADIENT, 1, 2 * radius, param1=100, param2=14,
        minRadius=round(radius) - 2, maxRadius=round(radius) + 2,
    )  # fmt: skip
    fitted = [
        _fitted(page, (circle[:2] + 0.5) / scale, diameter_mm / 2) for circle in ([] if seen is None else seen[0])
    ]
    return np.array([centre for centre in fitted if centre is not None]).reshape(-1, 2)


def _fitted(page, around_mm, radius_mm):
    """The middle of a whole ring by least squares over its ink off the cross; None where there is no such ring."""
    reach_mm = radius_mm + 2.0
    grey, first_px = page.patch(around_mm - reach_mm, around_mm + reach_mm)
    rows, columns = np.nonzero(grey < 128)
    points_mm = page.mm(np.column_stack([columns, rows]) + np.array(first_px))
    centre_mm, radius = np.array(around_mm), radius_mm
    for _ in range(4):
        away = points_mm - centre_mm
        on = (np.abs(np.hypot(*away.T) - radius_mm) < 0.7) & (np.abs(away).min(axis=1) > 0.5)
        turns = np.unique(np.round(np.degrees(np.arctan2(away[on, 1], away[on, 0])) / 5.0))
        if len(turns) < 60:
            return None
        x, y = points_mm[on].T
        a, b, _ = np.linalg.lstsq(np.column_stack([2 * x, 2 * y, np.ones_like(x)]), x * x + y * y, rcond=None)[0]
        centre_mm = np.array([a, b])
        radius = np.hypot(x - a, y - b).mean()
    return centre_mm if abs(radius - radius_mm) < 0.1 else None
