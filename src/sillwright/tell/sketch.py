"""Drawing on photos: smooth strokes with a pale border, and lettering that keeps clear of what is already drawn."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

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
CHALK: Color = (30, 98, 190)
PLATE: Color = (66, 74, 130)
CARD: Color = (12, 112, 92)
BOLT: Color = (148, 22, 116)
STATUS_COLORS: dict[str, Color] = {"ok": INK, "check": (150, 92, 0), "reshoot": (176, 32, 32)}

_SUBPIXEL_BITS = 4
_LEADER_GAP = 0.42


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
        dash_px: float = 0.0,
    ) -> None:
        """A line through points (N, 2), broken where a point is NaN, with a pale border of ``halo_px``."""
        points_px = np.asarray(points_px, dtype=float)
        if closed:
            points_px = np.concatenate([points_px, points_px[:1]])
        pieces = [piece for run in _finite_runs(points_px) for piece in (_dashes(run, dash_px) if dash_px else [run])]
        for thickness, ink in ((width_px + 2 * halo_px, PAPER), (width_px, color)):
            if thickness == width_px or halo_px:
                fixed = [np.round(piece * (1 << _SUBPIXEL_BITS)).astype(np.int32) for piece in pieces]
                cv2.polylines(self.pixels, fixed, False, ink[::-1], thickness, cv2.LINE_AA, _SUBPIXEL_BITS)

    def circle(self, centre_px: Array, radius_px: float, color: Color, width_px: int, halo_px: int = 0) -> None:
        """A circle as a path."""
        turn = np.linspace(0.0, 2.0 * np.pi, 49)
        self.path(
            centre_px + radius_px * np.column_stack([np.cos(turn), np.sin(turn)]), color, width_px, halo_px=halo_px
        )

    def cross(self, centre_px: Array, arm_px: float, color: Color, width_px: int, halo_px: int = 0) -> None:
        """An upright cross."""
        for arm in (np.array([arm_px, 0.0]), np.array([0.0, arm_px])):
            self.path(np.array([centre_px - arm, centre_px + arm]), color, width_px, halo_px=halo_px)

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
