"""A piece of a photo round one bolt, kept when the photo itself is let go, and the edges along given normals in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array
from sillwright.median import median
from sillwright.see.wall import KnownInPhoto

PROFILE_STEP_PX = 0.5
SMOOTH_PX = 0.9
LEAST_PX = 40
NOISE_SLOPE = 0.4  # grey levels a pixel
RIM_SHARE = 0.2  # the outermost edge at least this strong, against the strongest in reach, is the rim


@dataclass(frozen=True)
class Patch:
    """Grey pixels (H, W), which of them are free of known things, and where the first one stands in the photo.

    ``smooth`` is ``gray`` under a Gaussian of 0.9 px, kept because every fit asks for it many times.
    """

    gray: NDArray[np.uint8]
    smooth: NDArray[np.float32]
    usable: NDArray[np.bool_]
    origin_px: Array

    def within(self, low_px: Array, high_px: Array) -> Patch:
        """What lies between two corners, full-size pixels, as a piece of its own."""
        height, width = self.gray.shape
        left, top = np.clip(np.floor(low_px - self.origin_px), 0, [width - 1, height - 1]).astype(int)
        right, bottom = np.clip(np.ceil(high_px - self.origin_px) + 1, [left + 1, top + 1], [width, height]).astype(int)
        box = (slice(top, bottom), slice(left, right))
        corner = self.origin_px + np.array([left, top], dtype=float)
        return Patch(self.gray[box].copy(), self.smooth[box].copy(), self.usable[box].copy(), corner)


def cut_patch(gray: NDArray[np.uint8], known: KnownInPhoto, low_px: Array, high_px: Array) -> Patch | None:
    """The piece between two corners, clipped to the photo; None where next to nothing of it is inside."""
    height, width = gray.shape
    left, top = (int(v) for v in np.maximum(low_px, 0.0))
    right, bottom = (int(v) for v in np.minimum(high_px, [width, height]))
    if right - left < LEAST_PX or bottom - top < LEAST_PX:
        return None
    piece = gray[top:bottom, left:right].copy()
    return Patch(
        piece,
        cv2.GaussianBlur(piece.astype(np.float32), (0, 0), SMOOTH_PX),
        known.clear(piece.shape, (left, top)) > 0,
        np.array([left, top], dtype=float),
    )


def edge_offsets(
    patches: Sequence[Patch],
    px: Array,
    normals: Array,
    reach_px: float,
    near_px: float,
    rim: NDArray[np.bool_],
    rim_in_px: float,
) -> tuple[Array, Array]:
    """Distance along each normal from each point to the edge that most likely is the one looked for.

    A bolt's rim often shows as a thin dark seam: concrete, seam, metal. The seam's outer side is the rim, though its
    inner side may be the stronger edge. So where ``rim`` is set, the outermost edge of fair strength is taken, not
    farther out than 0.8 of ``reach_px`` (what lies beyond may be a nut); elsewhere the strongest near by.

    Parameters
    ----------
    patches : V pieces of photos; what is usual beside the edges is asked of each by itself
    px, normals : (V, M, 2) full-size pixels and unit outward normals
    reach_px : how far to look; near_px : sigma of the liking for edges close by
    rim : (M,); rim_in_px : how far inward to look there, less than the seam is wide once the outline nearly fits

    Returns
    -------
    offset : (V, M) px along the normal; weight : (V, M) 0 to 1, 0 where nothing usable is in reach
    """
    steps, slope, free = _profiles(patches, px, normals, reach_px)
    usual = np.array([median(own) for own in slope])[:, None] + NOISE_SLOPE
    near = np.abs(steps) <= reach_px
    on_rim = (steps >= -min(rim_in_px, reach_px)) & (steps <= 0.8 * reach_px)
    peak = _peaks(slope) & np.where(rim[:, None], on_rim, near) & (slope > (1.5 * usual).astype(np.float32)[..., None])
    heights = slope * peak
    strongest = np.argmax(heights * np.exp(-0.5 * (steps / near_px) ** 2).astype(np.float32), axis=2)
    fair = peak & (slope >= np.float32(RIM_SHARE) * heights.max(axis=2, keepdims=True))
    outermost = slope.shape[2] - 1 - np.argmax(fair[..., ::-1], axis=2)
    index = np.where(rim, outermost, strongest)
    found = np.take_along_axis(peak, index[..., None], axis=2)[..., 0]
    return _refined(steps, slope, index, found & free, usual)


def _profiles(
    patches: Sequence[Patch], px: Array, normals: Array, reach_px: float
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Steps (S,), the size of the slope along each normal (V, M, S), and which profiles cross nothing known (V, M)."""
    steps = np.arange(-reach_px - 2.0, reach_px + 2.0 + 1e-9, PROFILE_STEP_PX)
    origins = np.stack([patch.origin_px for patch in patches])[:, None]
    start, way = (px - origins).astype(np.float32), normals.astype(np.float32)
    x, y = (start[:, :, k, None] + steps.astype(np.float32) * way[:, :, k, None] for k in (0, 1))
    profile = np.empty(x.shape, dtype=np.float32)
    free = np.empty(x.shape, dtype=np.uint8)
    for k, patch in enumerate(patches):
        cv2.remap(patch.smooth, x[k], y[k], cv2.INTER_LINEAR, dst=profile[k], borderMode=cv2.BORDER_REPLICATE)
        usable = patch.usable.view(np.uint8)
        cv2.remap(usable, x[k], y[k], cv2.INTER_NEAREST, dst=free[k], borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    slope: Array = np.empty_like(profile)
    np.subtract(profile[..., 2:], profile[..., :-2], out=slope[..., 1:-1])
    slope[..., 0], slope[..., -1] = (2.0 * (profile[..., k + 1] - profile[..., k]) for k in (0, -2))
    slope *= 0.5 / PROFILE_STEP_PX
    return steps, np.abs(slope, out=slope), free.min(axis=2) > 0


def _peaks(slope: Array) -> NDArray[np.bool_]:
    peak = np.zeros(slope.shape, dtype=bool)
    peak[..., 1:-1] = (slope[..., 1:-1] >= slope[..., :-2]) & (slope[..., 1:-1] > slope[..., 2:])
    return peak


def _refined(
    steps: Array, slope: Array, index: NDArray[np.int64], good: NDArray[np.bool_], usual: Array
) -> tuple[Array, Array]:
    """Parabola through the peak and its neighbours."""
    index = np.clip(index, 1, len(steps) - 2)
    around = np.take_along_axis(slope, index[..., None] + np.arange(-1, 2), axis=2).astype(float)
    before, here, after = around[..., 0], around[..., 1], around[..., 2]
    bend = np.minimum(before - 2.0 * here + after, -1e-9)
    offset = steps[index] + np.clip(0.5 * (before - after) / bend, -1.0, 1.0) * PROFILE_STEP_PX
    weight = np.where(good, here / (here + 2.0 * usual), 0.0)
    return np.where(good, offset, 0.0), weight
