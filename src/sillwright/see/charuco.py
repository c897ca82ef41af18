"""Printed ChArUco boards in a picture: markers name the board, square corners give the geometry.

Markers are found on a reduced picture, which is quicker and sees the same; the square corners are refined on the
full-size one. Marker corners never enter a measurement: they are several times worse than square corners, which
are crossings of four squares and so keep their place under blur.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array
from sillwright.cards import BoardSpec
from sillwright.median import median, medians

Gray = NDArray[np.uint8]

MIN_MARKERS = 3
MIN_CORNERS = 6
FIND_AT_LONG_SIDE_PX = 2100
WINDOW_OF_SQUARE = 0.115  # half-window; the marker starts 0.13 of a square from the corner on scale cards
MIN_WINDOW_PX, MAX_WINDOW_PX = 2, 14
SIGMA_FLOOR_PX = 0.07  # measured on rendered phone photos with exact truth: 0.077 px rms, bias under 0.005


@dataclass(frozen=True)
class BoardSighting:
    """One board as seen in one picture.

    ids : (N,) index of each corner in ``BoardSpec.corners_mm`` order
    board_mm : (N, 2) its place on the print, nominal millimetres
    corners_px : (N, 2) its place in the picture, pixel centres at whole numbers
    sigma_px : standard deviation of one coordinate of one corner
    square_px : how large a square stands in the picture, the shorter way
    markers : how many of its markers were read
    twice : whether its markers were read in a second place too, so that two cards carry one number
    """

    ids: NDArray[np.int64]
    board_mm: Array
    corners_px: Array
    sigma_px: float
    square_px: float
    markers: int
    twice: bool = False


def find_board(gray: Gray, spec: BoardSpec) -> BoardSighting | None:
    """Find one board in a full-size grey picture; None where fewer than six corners stand."""
    return find_boards(gray, [spec])[0]


def find_boards(gray: Gray, specs: Sequence[BoardSpec]) -> list[BoardSighting | None]:
    """Find boards that share one marker dictionary; the answer is in the order of ``specs``."""
    markers = find_markers(gray, specs[0].dictionary)
    sightings = [_board_from_markers(gray, spec, markers) for spec in specs]
    if any(seen is None and _is_hinted(spec, markers) for seen, spec in zip(sightings, specs, strict=True)):
        markers = find_markers(gray, specs[0].dictionary, thorough=True)
        sightings = [_board_from_markers(gray, spec, markers) for spec in specs]
    if not any(sightings) and max(gray.shape) > FIND_AT_LONG_SIDE_PX:
        markers = find_markers(gray, specs[0].dictionary, thorough=True, full_size=True)
        sightings = [_board_from_markers(gray, spec, markers) for spec in specs]
    return sightings


def _is_hinted(spec: BoardSpec, markers: dict[int, list[Array]]) -> bool:
    """Whether some marker of a board was read."""
    return any(spec.first_id + index in markers for index in range(len(spec.marker_squares())))


def is_mirrored(gray: Gray, spec: BoardSpec) -> bool:
    """Whether boards like this one are read in the picture's mirror image; ask where none is read in the picture."""
    return len(find_markers(np.ascontiguousarray(gray[:, ::-1]), spec.dictionary)) >= MIN_MARKERS


def find_markers(
    gray: Gray, dictionary: str, *, thorough: bool = False, full_size: bool = False
) -> dict[int, list[Array]]:
    """Every marker of the dictionary in the picture: id to its four corners, (4, 2) full-size pixels, once a place.

    One threshold window finds 97 of 100 that two find, in half the time; ``thorough`` uses two.
    """
    shrink = 1 if full_size else max(1, round(max(gray.shape) / FIND_AT_LONG_SIDE_PX))
    size = (gray.shape[1] // shrink, gray.shape[0] // shrink)
    small = cv2.resize(gray, size, interpolation=cv2.INTER_AREA) if shrink > 1 else gray
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    parameters.adaptiveThreshWinSizeMin = 15 if thorough else 45
    parameters.adaptiveThreshWinSizeMax = 45
    parameters.adaptiveThreshWinSizeStep = 30
    parameters.errorCorrectionRate = 0.3  # the library's 0.6 reads markers into plain concrete now and then
    # Sides of 5 px, or of 10: a smaller marker is hardly read, and there is less to look at.
    parameters.minMarkerPerimeterRate = 0.01 if thorough else 0.02
    words = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{dictionary}"))
    quads, ids, _ = cv2.aruco.ArucoDetector(words, parameters).detectMarkers(small)
    if ids is None:
        return {}
    factor = np.array([gray.shape[1] / small.shape[1], gray.shape[0] / small.shape[0]])
    found: dict[int, list[Array]] = {}
    for name, quad in zip(np.reshape(ids, -1), quads, strict=True):
        found.setdefault(int(name), []).append((np.reshape(quad, (4, 2)).astype(float) + 0.5) * factor - 0.5)
    return found


def _board_from_markers(gray: Gray, spec: BoardSpec, markers: dict[int, list[Array]]) -> BoardSighting | None:
    squares = spec.marker_squares()
    gap = (spec.square_mm - spec.marker_mm) / 2.0
    box = gap + spec.marker_mm * np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    flat, seen = [], []
    for index, (column, row) in enumerate(squares):
        for quad in markers.get(spec.first_id + index, ()):
            flat.append(box + spec.square_mm * np.array([column, row]))
            seen.append(quad)
    if len(flat) < MIN_MARKERS:
        return None
    flat_mm, seen_px = np.concatenate(flat), np.concatenate(seen)
    homography, inside = cv2.findHomography(flat_mm, seen_px, cv2.RANSAC, 4.0)
    if homography is None or int(np.sum(inside)) < 2 * MIN_MARKERS + 2:
        return None
    fits = np.reshape(inside, -1) > 0
    sighting = _refine(gray, spec, homography, fits, int(fits.sum()) // 4)
    elsewhere = int((fits.reshape(-1, 4).sum(axis=1) == 0).sum())
    return replace(sighting, twice=elsewhere >= MIN_MARKERS) if sighting is not None else None


def _refine(
    gray: Gray, spec: BoardSpec, homography: Array, inside: NDArray[np.bool_], read: int
) -> BoardSighting | None:
    board_mm = spec.corners_mm()
    square_px = _square_px(spec, homography)
    window = int(np.clip(np.floor(WINDOW_OF_SQUARE * square_px), MIN_WINDOW_PX, MAX_WINDOW_PX))
    ids = np.arange(len(board_mm))
    for _ in range(2):
        guess = cv2.perspectiveTransform(board_mm[None], homography)[0]
        margin = window + 3
        height, width = gray.shape
        whole = np.all((guess > margin) & (guess < [width - 1 - margin, height - 1 - margin]), axis=1)
        ids = np.flatnonzero(whole)
        if len(ids) < MIN_CORNERS:
            return None
        found = _subpixel(gray, guess[ids], window)
        # Corners under a bolt, a leaf or a thumb do not come to rest near where the rest of the board puts them.
        homography, kept = cv2.findHomography(board_mm[ids], found, cv2.RANSAC, max(1.0, 0.03 * square_px))
        if homography is None:
            return None
        kept = np.reshape(kept, -1) > 0
    moved = np.linalg.norm(found - guess[ids], axis=1) < max(1.5, 0.6 * window)
    good = kept & moved & _looks_like_a_crossing(gray, found, homography, board_mm[ids], spec.square_mm)
    if int(good.sum()) < MIN_CORNERS:
        return None
    sigma = _corner_sigma_px(gray, found[good], window)
    return BoardSighting(ids[good], board_mm[ids][good], found[good], sigma, square_px, read)


def _subpixel(gray: Gray, guess: Array, window: int) -> Array:
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
    points = np.ascontiguousarray(guess.reshape(-1, 1, 2), dtype=np.float32)
    return cv2.cornerSubPix(gray, points, (window, window), (-1, -1), stop).reshape(-1, 2).astype(float)


def _square_px(spec: BoardSpec, homography: Array) -> float:
    middle = np.array([spec.width_mm, spec.height_mm]) / 2.0
    half = spec.square_mm / 2.0
    cross = middle + half * np.array([[-1.0, 0.0], [1.0, 0.0], [0.0, -1.0], [0.0, 1.0]])
    px = cv2.perspectiveTransform(cross[None], homography)[0]
    return float(min(np.linalg.norm(px[1] - px[0]), np.linalg.norm(px[3] - px[2])))


def _looks_like_a_crossing(
    gray: Gray, found: Array, homography: Array, board_mm: Array, square_mm: float
) -> NDArray[np.bool_]:
    """Black and white must alternate round the corner: of the four patches two opposite ones are the darker."""
    reach = 0.08 * square_mm
    patches = []
    for dx, dy in ((-1, -1), (1, -1), (1, 1), (-1, 1)):
        ahead = cv2.perspectiveTransform((board_mm + reach * np.array([dx, dy]))[None], homography)[0]
        base = cv2.perspectiveTransform(board_mm[None], homography)[0]
        at = found + (ahead - base)
        patches.append(
            cv2.remap(gray, at[None].astype(np.float32), None, cv2.INTER_LINEAR)[0].reshape(-1).astype(float)
        )
    a, b, c, d = patches
    light, dark = np.minimum(a, c), np.maximum(b, d)
    return (light > dark + 12.0) | (np.minimum(b, d) > np.maximum(a, c) + 12.0)


def _corner_sigma_px(gray: Gray, corners: Array, window: int) -> float:
    """Noise of a corner from the picture itself: pixel noise over edge strength, by the corner operator's own normals.

    Foerstner and Guelch (ISPRS Intercommission Workshop, Interlaken 1987): covariance = noise^2 inv(sum g g').
    """
    reach = window + 3
    # A corner may have come to rest a pixel or two nearer the border than where it was looked for.
    inside = np.array(gray.shape[::-1]) - 1 - reach
    at = np.clip(np.rint(corners[:: max(1, len(corners) // 8)]).astype(int), reach, inside)
    patches = np.stack([gray[y - reach : y + reach + 1, x - reach : x + reach + 1] for x, y in at]).astype(np.float32)
    left, right = patches[:, 1:-1, :-2], patches[:, 1:-1, 2:]
    above, below = patches[:, :-2, 1:-1], patches[:, 2:, 1:-1]
    rough = np.abs(patches[:, 1:-1, 1:-1] - 0.25 * (left + right + above + below))
    noise = 1.4826 * medians(rough.reshape(len(at), -1), axis=1) / np.sqrt(1.25)
    gx, gy = 0.5 * (right - left), 0.5 * (below - above)
    xx, xy, yy = (np.einsum("nij,nij->n", one, other) for one, other in ((gx, gx), (gx, gy), (gy, gy)))
    xx, yy = xx + 1.0, yy + 1.0  # so that there is an inverse on bare paper too
    sigmas = noise * np.sqrt(0.5 * (xx + yy) / (xx * yy - xy * xy))
    return float(np.hypot(SIGMA_FLOOR_PX, median(sigmas)))
