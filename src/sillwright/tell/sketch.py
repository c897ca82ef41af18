"""Drawing on photos: smooth strokes with a border, lettering that keeps clear of what is already drawn, and a legend.

Marks are thin and open: they stand beside or round what they mark, so that whoever looks can see for himself.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from sillwright.camera import Array
from sillwright.tell.lettering import picture_font, printable

Pixels = NDArray[np.uint8]
Color = tuple[int, int, int]  # red, green, blue
Box = tuple[float, float, float, float]  # left, top, right, bottom

INK: Color = (29, 38, 46)
PAPER: Color = (250, 248, 243)
FAINT: Color = (120, 126, 132)
LINE: Color = PAPER  # with a border of ink: as chalk is blue, red, orange or yellow, no such color is drawn beside it
PLATE: Color = (104, 68, 36)
CARD: Color = (12, 112, 92)
BOLT: Color = (148, 22, 116)
STATUS_COLORS: dict[str, Color] = {"ok": INK, "check": (150, 92, 0), "reshoot": (176, 32, 32)}

_SUBPIXEL_BITS = 4
LINE_BESIDE_MM = 9.0  # how far to each side of the measured line a stroke runs: powder lies some 3 to 10 mm wide
_LEADER_GAP = 0.65
_ROUND_SHARE, _ROUND_PX = 1.6, 2.0  # a ring round a bolt stands this far off its middle: in its radii, and more
_TICK = 0.75  # this and what follows in heights of the lettering
_SWATCH = 2.6
_ENTRY_GAP = 1.4


@dataclass
class Sketch:
    """A picture being drawn on, BGR, pixel (0, 0) the centre of the first pixel. ``taken`` is where words stand."""

    pixels: Pixels
    taken: list[Box]

    @classmethod
    def on(cls, pixels: Pixels) -> Sketch:
        """Draw on this array itself."""
        return cls(pixels, [])

    @property
    def width_px(self) -> int:
        """Across."""
        return int(self.pixels.shape[1])

    @property
    def height_px(self) -> int:
        """Down."""
        return int(self.pixels.shape[0])

    def path(
        self,
        points_px: Array,
        color: Color,
        width_px: int,
        *,
        closed: bool = False,
        halo_px: int = 0,
        halo: Color = PAPER,
        dash_px: float = 0.0,
    ) -> None:
        """A line through points (N, 2), broken where a point is NaN, with a border of ``halo_px``."""
        points_px = np.asarray(points_px, dtype=float)
        if closed:
            points_px = np.concatenate([points_px, points_px[:1]])
        pieces = [piece for run in _finite_runs(points_px) for piece in (_dashes(run, dash_px) if dash_px else [run])]
        for thickness, ink in ((width_px + 2 * halo_px, halo), (width_px, color)):
            if thickness == width_px or halo_px:
                fixed = [np.round(piece * (1 << _SUBPIXEL_BITS)).astype(np.int32) for piece in pieces]
                cv2.polylines(self.pixels, fixed, False, ink[::-1], thickness, cv2.LINE_AA, _SUBPIXEL_BITS)

    def circle(self, centre_px: Array, radius_px: float, color: Color, width_px: int, halo_px: int = 0) -> None:
        """A circle as a path."""
        self.path(_ring(centre_px, radius_px), color, width_px, halo_px=halo_px)

    def line_marks(self, sides_px: Sequence[Array], size_px: int) -> None:
        """The measured line: a thin stroke along each side of it, so that the chalk shows between them."""
        for side_px in sides_px:
            self.path(side_px, LINE, max(size_px // 12, 1), halo_px=1, halo=INK)

    def bolt_marks(
        self, base_px: Array, base_radius_px: float, tip: tuple[Array, float] | None, size_px: int, color: Color = BOLT
    ) -> Box:
        """An outline round a bolt, and ticks outside it in line with its base; returns the box they fill.

        base_px, base_radius_px : the middle of the bolt at the concrete, (2,), and its half width there
        tip : the same for its tip, where that is known
        """
        stroke = max(size_px // 14, 1)
        around_px, reach_px = round_px(base_radius_px), round_px(base_radius_px) + _TICK * size_px
        outline, axis = _ring(base_px, around_px), np.array([1.0, 0.0])
        if tip is not None:
            both = np.concatenate([outline, _ring(tip[0], round_px(tip[1]))])
            outline = np.asarray(cv2.convexHull(both.astype(np.float32)).reshape(-1, 2), dtype=float)
            length = float(np.linalg.norm(tip[0] - base_px))
            axis = (tip[0] - base_px) / length if length > 1e-6 else axis
        self.path(outline, color, stroke, closed=True, halo_px=1)
        side = np.array([-axis[1], axis[0]])
        # On the side of the tip a tick would cover the bolt.
        for way in (side, -side, -axis) if tip is not None else (side, -side, -axis, axis):
            ends_px = np.array([base_px + around_px * way, base_px + reach_px * way])
            self.path(ends_px, color, stroke + 1, halo_px=1)
        points_px = np.concatenate([outline, [base_px - reach_px, base_px + reach_px]])
        low, high = points_px.min(axis=0), points_px.max(axis=0)
        return (float(low[0]), float(low[1]), float(high[0]), float(high[1]))

    def arrow(self, from_px: Array, to_px: Array, color: Color, width_px: int, halo_px: int = 0) -> None:
        """A line with a head at ``to_px``."""
        way = np.asarray(to_px, dtype=float) - from_px
        length = float(np.linalg.norm(way))
        if length < 1e-6:
            return
        along = way / length
        side = np.array([-along[1], along[0]])
        head = min(5.0 * width_px, 0.6 * length)
        barbs = np.array([to_px - head * (along - 0.5 * side), to_px, to_px - head * (along + 0.5 * side)])
        for shape in (np.array([from_px, to_px]), barbs):
            self.path(shape, color, width_px, halo_px=halo_px)
        for shape in (np.array([from_px, to_px]), barbs):
            self.path(shape, color, width_px)

    def words(
        self, lines: Sequence[str], at_px: tuple[float, float], size_px: int, color: Color = INK, *, bold: bool = False
    ) -> Box:
        """Lines of text from a top-left corner, on the bare picture; returns the box they fill."""
        box = words_box(lines, at_px, size_px, bold)
        self._letter(lines, box, size_px, color, bold)
        return box

    def tag(self, lines: Sequence[str], at_px: tuple[float, float], size_px: int, color: Color = INK) -> Box:
        """Lines of text on a paper tag; returns the tag's box."""
        box = tag_box(lines, at_px, size_px)
        pad = _pad(size_px)
        left, top = max(int(box[0]), 0), max(int(box[1]), 0)
        right, bottom = int(np.ceil(box[2])), int(np.ceil(box[3]))
        patch = self.pixels[top:bottom, left:right]
        patch[:] = np.round(0.12 * patch + 0.88 * np.array(PAPER[::-1])).astype(np.uint8)
        cv2.rectangle(self.pixels, (left, top), (right - 1, bottom - 1), color[::-1], max(size_px // 14, 1))
        self._letter(lines, (box[0] + pad, box[1] + pad, box[2], box[3]), size_px, color, True)
        self.taken.append(box)
        return box

    def tag_near(
        self, lines: Sequence[str], point_px: Array, gap_px: float, size_px: int, color: Color, within: Box
    ) -> Box:
        """A tag beside a point with a thin leader, where it covers nothing that is taken and stays ``within``."""
        box = self._free_place(lines, point_px, gap_px, size_px, within)
        anchor = np.array([np.clip(point_px[0], box[0], box[2]), np.clip(point_px[1], box[1], box[3])])
        away = anchor - point_px
        length = float(np.linalg.norm(away))
        if length > _LEADER_GAP * gap_px:  # the leader stops short of what it points at, and does not cover it
            start = point_px + away * (_LEADER_GAP * gap_px / length)
            self.path(np.array([start, anchor]), color, max(size_px // 12, 1), halo_px=1)
        return self.tag(lines, (box[0], box[1]), size_px, color)

    def room_px(self, points_px: Array) -> Array:
        """How far each point, (N, 2), lies from the nearest thing it should keep clear of; shape (N,)."""
        if not self.taken:
            return np.zeros(len(points_px))
        boxes = np.array(self.taken)
        beyond = np.maximum(boxes[None, :, :2] - points_px[:, None], points_px[:, None] - boxes[None, :, 2:])
        return np.asarray(np.linalg.norm(np.maximum(beyond, 0.0), axis=2).min(axis=1))

    def _free_place(self, lines: Sequence[str], point_px: Array, gap_px: float, size_px: int, within: Box) -> Box:
        width, height = _size(lines, size_px, True, _pad(size_px))
        best, least = None, np.inf
        for spread in (1.0, 1.6, 2.4, 3.4):
            for turn in range(16):
                angle = np.pi * (0.25 + turn / 8.0)
                reach = spread * gap_px
                x = point_px[0] + np.cos(angle) * (reach + width / 2) - width / 2
                y = point_px[1] - np.sin(angle) * (reach + height / 2) - height / 2
                box = (
                    float(np.clip(x, within[0], max(within[2] - width, within[0]))),
                    float(np.clip(y, within[1], max(within[3] - height, within[1]))),
                )
                full = (box[0], box[1], box[0] + width, box[1] + height)
                clash = sum(_overlap(full, other) for other in self.taken)
                if clash < least:
                    best, least = full, clash
                if clash == 0.0:
                    return full
        assert best is not None
        return best

    def _letter(self, lines: Sequence[str], box: Box, size_px: int, color: Color, bold: bool) -> None:
        left, top = max(int(box[0]), 0), max(int(box[1]), 0)
        right = min(int(np.ceil(box[2])) + size_px, self.width_px)
        bottom = min(int(np.ceil(box[3])) + size_px, self.height_px)
        if right <= left or bottom <= top:
            return
        patch = Image.fromarray(np.ascontiguousarray(self.pixels[top:bottom, left:right, ::-1]))
        pen = ImageDraw.Draw(patch)
        for row, line in enumerate(lines):
            pen.text(
                (box[0] - left, box[1] - top + row * _leading(size_px)),
                printable(line),
                fill=color,
                font=picture_font(size_px, bold),
            )
        self.pixels[top:bottom, left:right] = np.asarray(patch)[:, :, ::-1]


def words_box(lines: Sequence[str], at_px: tuple[float, float], size_px: int, bold: bool = False) -> Box:
    """The box lines of text would fill."""
    width, height = _size(lines, size_px, bold, 0.0)
    return (at_px[0], at_px[1], at_px[0] + width, at_px[1] + height)


def tag_box(lines: Sequence[str], at_px: tuple[float, float], size_px: int) -> Box:
    """The box a tag would fill."""
    width, height = _size(lines, size_px, True, _pad(size_px))
    return (at_px[0], at_px[1], at_px[0] + width, at_px[1] + height)


def wrapped(text: str, size_px: int, width_px: float, bold: bool = False) -> list[str]:
    """Text broken at spaces to lines no wider than ``width_px``; one long word stays whole."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and picture_font(size_px, bold).getlength(printable(longer)) <= width_px:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


@dataclass(frozen=True)
class Entry:
    """One line of a legend: a swatch drawn as the mark itself is, and what it means."""

    swatch: Literal["line", "stroke", "dashes", "bolt", "arrow"]
    color: Color
    words: str


class Legend:
    """Entries set side by side in as many rows as they need under a picture of that width."""

    def __init__(self, entries: Sequence[Entry], size_px: int, width_px: int) -> None:
        """Place the entries; ``size_px`` is the height of the letters."""
        self.size_px = size_px
        self._placed: list[tuple[Entry, list[str], float, float]] = []
        x_px, y_px, lines_here = float(size_px), 0.0, 1
        for entry in entries:
            lines = wrapped(entry.words, size_px, width_px - (2 + _SWATCH) * size_px)
            wide_px = _SWATCH * size_px + words_box(lines, (0.0, 0.0), size_px)[2]
            if x_px + wide_px > width_px - size_px and x_px > size_px:
                x_px, y_px, lines_here = float(size_px), y_px + lines_here * _leading(size_px), 1
            self._placed.append((entry, lines, x_px, y_px))
            x_px, lines_here = x_px + wide_px + _ENTRY_GAP * size_px, max(lines_here, len(lines))
        self.height_px = y_px + lines_here * _leading(size_px)

    def draw(self, sketch: Sketch, top_px: float) -> None:
        """Draw it from the left border of a picture."""
        for entry, lines, x_px, y_px in self._placed:
            self._swatch(sketch, entry, x_px, top_px + y_px + 0.6 * self.size_px)
            sketch.words(lines, (x_px + _SWATCH * self.size_px, top_px + y_px), self.size_px)

    def _swatch(self, sketch: Sketch, entry: Entry, x_px: float, y_px: float) -> None:
        size_px = self.size_px
        stroke = max(size_px // 9, 2)
        ends = np.array([[x_px, y_px], [x_px + (_SWATCH - 0.4) * size_px, y_px]])
        if entry.swatch == "line":
            beside = np.array([0.0, 0.25 * size_px])
            sketch.line_marks([ends - beside, ends + beside], size_px)
        elif entry.swatch == "bolt":
            sketch.bolt_marks(ends.mean(axis=0), 0.1 * size_px, None, round(0.6 * size_px), entry.color)
        elif entry.swatch == "arrow":
            sketch.arrow(ends[0], ends[1], entry.color, stroke)
        else:
            sketch.path(ends, entry.color, stroke, dash_px=0.6 * size_px if entry.swatch == "dashes" else 0.0)


def round_px(radius_px: float) -> float:
    """How far from the middle of a bolt, of that half width, the ring round it is drawn."""
    return _ROUND_SHARE * radius_px + _ROUND_PX


def _ring(centre_px: Array, radius_px: float) -> Array:
    """A circle as points, (49, 2), the last on the first."""
    turn = np.linspace(0.0, 2.0 * np.pi, 49)
    return np.asarray(centre_px + radius_px * np.column_stack([np.cos(turn), np.sin(turn)]))


def _size(lines: Sequence[str], size_px: int, bold: bool, pad: float) -> tuple[float, float]:
    widest = max((picture_font(size_px, bold).getlength(printable(line)) for line in lines), default=0.0)
    return widest + 2 * pad, len(lines) * _leading(size_px) + 2 * pad


def _leading(size_px: int) -> float:
    return round(1.28 * size_px)


def _pad(size_px: int) -> float:
    return round(0.3 * size_px)


def _overlap(a: Box, b: Box) -> float:
    across = min(a[2], b[2]) - max(a[0], b[0])
    down = min(a[3], b[3]) - max(a[1], b[1])
    return max(across, 0.0) * max(down, 0.0)


def _finite_runs(points_px: Array) -> Iterator[Array]:
    """Stretches of two or more points with no NaN, near enough to the picture for whole-number drawing."""
    good = np.all(np.isfinite(points_px) & (np.abs(points_px) < 5e4), axis=1)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(np.int8)))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        if stop - start >= 2:
            yield points_px[start:stop]


def _dashes(points_px: Array, dash_px: float) -> Iterator[Array]:
    steps = np.linalg.norm(np.diff(points_px, axis=0), axis=1)
    place = np.concatenate([[0.0], np.cumsum(steps)])
    for start in np.arange(0.0, place[-1], 2.0 * dash_px):
        at = np.array([start, min(start + dash_px, place[-1])])
        yield np.column_stack([np.interp(at, place, points_px[:, axis]) for axis in (0, 1)])
