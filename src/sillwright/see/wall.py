"""The part of the wall that is searched, and what is known to lie on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Camera, Pose, project

ROUND_CARDS_MM = 2.0
LINE_WIDE_MM = 6.0


@dataclass(frozen=True)
class WallArea:
    """Where on the concrete bolts may stand: X from/to and Y from/to in the wall frame."""

    x_from_mm: float
    x_to_mm: float
    y_from_mm: float
    y_to_mm: float


@dataclass(frozen=True)
class KnownThings:
    """Cards and lines: outlines, (K, 3) each, and polylines, (K, 3) each, in the wall frame."""

    outlines_mm: Sequence[Array]
    lines_mm: Sequence[Array]

    def seen_by(self, camera: Camera, pose: Pose) -> KnownInPhoto:
        """Where a photo shows them."""
        things = [*self.outlines_mm, *self.lines_mm]
        px = project(camera, pose, np.concatenate(things)) if things else np.zeros((0, 2))
        apart = np.split(px, np.cumsum([len(thing) for thing in things])[:-1]) if things else []
        outlines, lines = apart[: len(self.outlines_mm)], apart[len(self.outlines_mm) :]
        far_px = 4 * camera.width_px
        return KnownInPhoto(
            [outline for outline in outlines if np.isfinite(outline).all()],
            [line[np.isfinite(line).all(axis=1) & (np.abs(line) < far_px).all(axis=1)] for line in lines],
            camera.fx / max(float(pose.centre_mm[2]), 1.0),
        )


@dataclass(frozen=True)
class KnownInPhoto:
    """The same in one photo, pixels, and how many of these a millimetre is."""

    outlines_px: Sequence[Array]
    lines_px: Sequence[Array]
    px_per_mm: float

    def clear(self, shape: tuple[int, ...], first_px: tuple[int, int] = (0, 0)) -> NDArray[np.uint8]:
        """1 where nothing known lies, 0 on cards and 2 mm round them, and along lines.

        Of a piece of the photo so many pixels high and wide whose first one is (x, y).
        """
        mask = np.ones(shape[:2], dtype=np.uint8)
        for outline in self.outlines_px:
            whole = np.round(outline - first_px).astype(np.int32)
            cv2.fillConvexPoly(mask, whole, 0)
            cv2.polylines(mask, [whole], True, 0, max(3, round(2.0 * ROUND_CARDS_MM * self.px_per_mm)))
        for line in self.lines_px:
            whole = np.round(line - first_px).astype(np.int32)
            cv2.polylines(mask, [whole], False, 0, max(3, round(LINE_WIDE_MM * self.px_per_mm)))
        return mask
