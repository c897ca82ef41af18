"""What is done to one photo at a time, so that photos can be shared out between processes.

Each function opens one photo, looks for one kind of thing, and lets the pixels go.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Camera, Pose, project
from sillwright.cards import CARD_COUNT, scale_card
from sillwright.errors import PhotoError
from sillwright.median import median
from sillwright.photo import PhotoFacts, read_facts, read_gray, read_half
from sillwright.rectify import PlaneGrid, plane_seen
from sillwright.see.bolts import NO_PROPOSALS, Proposals, propose_bolts
from sillwright.see.chalk import LineCandidate, LineStrip, cut_strip, find_lines
from sillwright.see.charuco import BoardSighting, find_boards, is_mirrored
from sillwright.see.edges import POOL_MM, WallEdges, find_wall_edges
from sillwright.see.parallax import FlatPatch, flat_patch
from sillwright.see.patch import Patch, cut_patch
from sillwright.see.vertical import VerticalPhoto, vertical_photo
from sillwright.see.wall import KnownThings, WallArea

HALF_SIZE_FROM_PX = 11.0  # radius of bolts in the photo
LEAST_ALONG_MM = 100.0  # of a wall, to look for its chalk line there
ALONG_MM = 3.0  # a cell's length along the wall, while its line and edges are looked for
# Both reach over walls 15 in wide: from cards along one edge to a line at the other, and from a line a 2x4's width from
# one edge to the other.
SEARCH_ACROSS_MM, EDGES_WITHIN_MM = 260.0, 320.0
# Rendered photos made smaller: at 11 px bolts came out as at full size, at 8 px some were lost, and at 5.7 px leans
# were off by 6 degrees and said to be known to 1. A phone 1.3 m up sees 1/2 in bolts with 15 px.
LEAST_RADIUS_PX = 6.2
WELL_INSIDE_PX = 12
MIDDLE_MM = 45.0
ROUND_BOLT_MM = 55.0  # other feet that are tried, and a washer there
SIDE_BY_SIDE_MM, PAST_WALL_END_MM = 120.0, 60.0  # ends of walls are square, or nearly; each is read to about 25 mm

T = TypeVar("T")
R = TypeVar("R")


@dataclass(frozen=True)
class CardsSeen:
    """One photo's facts and the cards in it, or the sentence that says why it cannot be read.

    twice : numbers of cards that lie in two places of it, left out of ``cards``
    """

    path: Path
    facts: PhotoFacts | None
    cards: dict[int, BoardSighting]
    sharpness: float
    brightness: float
    fault: str = ""
    twice: tuple[int, ...] = ()
    mirrored: bool = False


@dataclass(frozen=True)
class ViewTask:
    """One photo with its pose in the wall frame, and what is known to lie on the wall.

    within_x_mm : from where to where along it the wall may run; centre_y_mm : from where to where across it cards lie
    few : it is one of so few photos that its pixels can be kept from one step to the next
    """

    path: Path
    camera: Camera
    pose: Pose
    covered_mm: tuple[Array, ...]
    within_x_mm: tuple[float, float]
    centre_y_mm: tuple[float, float]
    few: bool = False


@dataclass(frozen=True)
class BoltSearch:
    """What a search for bolts in one photo gives: proposals, the wall's edges, the wall laid flat."""

    proposals: Proposals
    edges: WallEdges
    flat: FlatPatch


class Crew:
    """A few worker processes that live as long as the measurement, or none at all.

    They are started afresh rather than forked: a fork of a process whose image library has threads can hang. While the
    crew works the image library keeps to one thread in this process too: pieces of photos are too small to share out,
    and threads that wait for the next one spin, which made a photo cost half as much again.
    """

    def __init__(self, workers: int) -> None:
        self._pool = (
            ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_one_thread)
            if workers > 1
            else None
        )
        self._threads_before = 0

    def __enter__(self) -> Crew:
        self._threads_before = cv2.getNumThreads()
        _one_thread()
        return self

    def __exit__(self, *_: object) -> None:
        cv2.setNumThreads(self._threads_before)
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    def share_out(self, work: Callable[[T], R], tasks: Sequence[T], done: Callable[[], None] | None = None) -> list[R]:
        """Do ``work`` on every task, one a photo, and give the answers in order; call ``done`` after each."""
        source = map(work, tasks) if self._pool is None or len(tasks) < 2 else self._pool.map(work, tasks)
        results = []
        for result in source:
            results.append(result)
            if done is not None:
                done()
        return results


def _one_thread() -> None:
    cv2.setNumThreads(1)


def look_for_cards(path: Path, *, few: bool = False) -> CardsSeen:
    """Facts and cards of one photo; a photo that cannot be read comes back with its fault. ``few``: as in ViewTask."""
    try:
        facts = read_facts(path)
        gray = read_gray(path, keep=few)
    except PhotoError as fault:
        return CardsSeen(path, None, {}, 0.0, 0.0, str(fault))
    seen = find_boards(gray, [scale_card(number) for number in range(1, CARD_COUNT + 1)])
    cards = {number: sighting for number, sighting in enumerate(seen, start=1) if sighting is not None}
    # Of two cards with one number nobody can say which is meant, so neither is used.
    twice = tuple(number for number, sighting in cards.items() if sighting.twice)
    once = {number: sighting for number, sighting in cards.items() if not sighting.twice}
    mirrored = not cards and is_mirrored(gray, scale_card(1))
    return CardsSeen(path, facts, once, _sharpness(gray, cards), cv2.mean(gray)[0], "", twice, mirrored)


def _sharpness(gray: NDArray[np.uint8], cards: dict[int, BoardSighting]) -> float:
    """Width of the blur on card edges, px (10 % to 90 % of a step divided by 2.56); 0 without cards."""
    widths: list[float] = []
    for sighting in cards.values():
        reach = max(6, round(0.25 * sighting.square_px))
        at = np.rint(sighting.corners_px[::6]).astype(int)
        at = at[((at >= reach) & (at <= np.array(gray.shape)[::-1] - reach)).all(axis=1)]
        if not len(at):
            continue
        patches = np.stack([gray[y - reach : y + reach, x - reach : x + reach] for x, y in at]).astype(np.float32)
        across, down = patches[:, 1:-1, 2:] - patches[:, 1:-1, :-2], patches[:, 2:, 1:-1] - patches[:, :-2, 1:-1]
        steepest = np.quantile(0.5 * np.hypot(across, down), 0.98, axis=(1, 2))
        heights = np.ptp(np.quantile(patches, (0.1, 0.9), axis=(1, 2)), axis=0)
        widths += (heights / np.maximum(steepest, 1e-6))[steepest > 1.0].tolist()
    return median(np.array(widths)) / np.sqrt(2.0 * np.pi) if widths else 0.0


def look_for_lines(task: ViewTask) -> list[tuple[LineCandidate, LineStrip | None]]:
    """Chalk-like lines in one photo, on the plane of the wall, and the strip along each."""
    ground = plane_seen(task.camera, task.pose)
    if not len(ground):
        return []
    x_from, x_to = np.clip([ground[:, 0].min(), ground[:, 0].max()], *task.within_x_mm).tolist()
    if x_to - x_from < LEAST_ALONG_MM:
        return []
    y_from, y_to = task.centre_y_mm[0] - SEARCH_ACROSS_MM, task.centre_y_mm[1] + SEARCH_ACROSS_MM
    grid = PlaneGrid(x_from, y_to, ALONG_MM, -1.0, int((x_to - x_from) / ALONG_MM), int(y_to - y_from))
    pixels = read_half(task.path, keep=task.few)
    found = find_lines(pixels, task.camera, task.pose, grid, task.covered_mm)
    return [(line, _strip(task, pixels, ground, line.angle_and_offset)) for line in found]


def follow_line(task: tuple[ViewTask, tuple[float, float]]) -> LineStrip | None:
    """The strip of one photo along a known line, (angle, offset)."""
    view, line = task
    return _strip(view, read_half(view.path, keep=view.few), plane_seen(view.camera, view.pose), line)


def _strip(view: ViewTask, pixels: NDArray[np.uint8], ground: Array, line: tuple[float, float]) -> LineStrip | None:
    if not len(ground):
        return None
    along = ground @ np.array([np.cos(line[0]), np.sin(line[0])])
    span = np.clip([along.min(), along.max()], *view.within_x_mm).tolist()
    return cut_strip(pixels, view.camera, view.pose, line, view.covered_mm, span)


@dataclass(frozen=True)
class BoltTask:
    """A photo to be searched for bolts: the view, the part of the wall, known lines (polylines), and the radius.

    edges : the wall's low and high edge where the photo was searched before; None where it was not
    """

    view: ViewTask
    area: WallArea
    lines_mm: tuple[Array, ...]
    face_height_mm: float
    radius_mm: float
    edges: WallEdges | None = None

    @property
    def radius_px(self) -> float:
        """How large the bolts' radius stands in the photo."""
        return self.radius_mm * self.view.camera.fx / max(float(self.view.pose.centre_mm[2]), 1.0)

    @property
    def is_coarse(self) -> bool:
        """Whether the photo has too few pixels to measure bolts in: a shape of any lean fits so few."""
        return self.radius_px < LEAST_RADIUS_PX


def shows(camera: Camera, pose: Pose, ends_mm: Array) -> NDArray[np.bool_]:
    """Whether a photo has all of each bolt, given its two ends (N, 2, 3), well inside the picture; (N,)."""
    px = project(camera, pose, ends_mm.reshape(-1, 3)).reshape(-1, 2, 2)
    size = np.array([camera.width_px, camera.height_px])
    return np.asarray(((px > WELL_INSIDE_PX) & (px < size - WELL_INSIDE_PX)).all(axis=(1, 2)))


def look_for_bolts(task: BoltTask) -> tuple[BoltSearch, VerticalPhoto | None]:
    """Proposals and wall edges of one photo, and apart from them, since it is large, the photo looked straight down on.

    The search works on a bolt some 14 cells wide, so a photo that shows bolts larger is searched at half size.
    """
    view = task.view
    shrink = 2 if task.radius_px > HALF_SIZE_FROM_PX else 1
    half = read_half(view.path, keep=view.few)
    edges = _edges(task, half) if task.edges is None else task.edges
    gray = cv2.cvtColor(half, cv2.COLOR_BGR2GRAY) if shrink == 2 else read_gray(view.path, keep=view.few)
    del half
    camera, area, known = view.camera.reduced(shrink), _on_the_wall(task.area, edges), known_things(task, edges)
    flat = flat_patch(gray, camera, view.pose, area, known)
    laid = None if task.is_coarse else vertical_photo(gray, camera, view.pose, area, known, task.radius_mm)
    if laid is None:
        return BoltSearch(NO_PROPOSALS, edges, flat), None
    return BoltSearch(propose_bolts(*laid, area), edges, flat), laid[0]


def _edges(task: BoltTask, half: NDArray[np.uint8]) -> WallEdges:
    x_from, x_to = task.area.x_from_mm, task.area.x_to_mm
    if x_to - x_from < POOL_MM:
        return None, None
    rows = 2 * round(EDGES_WITHIN_MM / 2.0) + 1
    grid = PlaneGrid(x_from, -EDGES_WITHIN_MM, ALONG_MM, 2.0, int((x_to - x_from) / ALONG_MM), rows)
    return find_wall_edges(half, task.view.camera, task.view.pose, grid, task.view.covered_mm)


def known_things(task: BoltTask, edges: WallEdges) -> KnownThings:
    """What is known to lie on the wall: cards, as high as their faces, the chalk line and the wall's edges."""
    outlines = [
        np.column_stack([c, np.full(len(c), z)]) for c in task.view.covered_mm for z in (0.0, task.face_height_mm)
    ]
    x = np.linspace(task.area.x_from_mm, task.area.x_to_mm, 60)
    lines = list(task.lines_mm)
    for edge in edges:
        if edge is not None:
            lines.append(np.column_stack([x, edge.offset_mm + edge.slope * x, np.zeros(len(x))]))
    return KnownThings(outlines, lines)


def _on_the_wall(area: WallArea, edges: WallEdges) -> WallArea:
    """The part of the area that is concrete, where its edges are seen, and 3 mm inside them.

    Where both edges end side by side the wall ends; one alone may be lost in a shadow or at a corner.
    """
    x_from, x_to, y_from, y_to = area.x_from_mm, area.x_to_mm, area.y_from_mm, area.y_to_mm
    ends = np.array([x_from, x_to])
    low, high = edges
    if low is not None:
        y_from = max(y_from, float(np.min(low.offset_mm + low.slope * ends)) + 3.0)
    if high is not None:
        y_to = min(y_to, float(np.max(high.offset_mm + high.slope * ends)) - 3.0)
    if low is not None and high is not None:
        if abs(low.from_mm - high.from_mm) < SIDE_BY_SIDE_MM:
            x_from = max(x_from, min(low.from_mm, high.from_mm) - PAST_WALL_END_MM)
        if abs(low.to_mm - high.to_mm) < SIDE_BY_SIDE_MM:
            x_to = min(x_to, max(low.to_mm, high.to_mm) + PAST_WALL_END_MM)
    return WallArea(x_from, max(x_to, x_from), y_from, y_to)


def cut_patches(task: tuple[BoltTask, WallEdges, tuple[Array, ...]]) -> list[Patch | None]:
    """Pieces of one photo round bolts, each given by points (K, 3) it may reach, the first its foot.

    None where a bolt there would not be whole.
    """
    job, edges, bolts = task
    view = job.view
    gray = read_gray(view.path, keep=view.few)
    known = known_things(job, edges).seen_by(view.camera, view.pose)
    patches: list[Patch | None] = []
    for points in bolts:
        around = (points[:, None] + ROUND_BOLT_MM * _SQUARE).reshape(-1, 3)
        px = project(view.camera, view.pose, np.vstack([points[0] + [0.0, 0.0, MIDDLE_MM], around]))
        inside = (px[0] > 0).all() and (px[0] < [gray.shape[1], gray.shape[0]]).all() and np.isfinite(px).all()
        patches.append(cut_patch(gray, known, px.min(axis=0), px.max(axis=0)) if inside else None)
    return patches


_SQUARE = np.array([[-1.0, -1.0, 0.0], [1.0, -1.0, 0.0], [-1.0, 1.0, 0.0], [1.0, 1.0, 0.0]])
