"""How much each place of a picture looks like an edge, and which way it runs, whatever the light.

The gradient is divided by what is usual around it, so that a grey bolt on grey concrete counts as much as a black one:
each pixel gets the structure tensor ``g g' / (|g|^2 + 2 m^2)`` with m the mean gradient of its surroundings. For a
unit normal n the *edge energy* ``n' T n`` lies between 0 (no edge, or one running another way) and 1.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array

NEARLY_FULL = 0.8
SMOOTH_PX = 0.9
SURROUNDINGS_PX = 25
BAND_CELLS = 250_000  # so few that they stay in the processor's own memory from one step to the next
ROWS_AROUND = 20  # on which a cell rests: half its surroundings, Scharr's row, four of the bell, and an even number
NOISE_FLOOR = 0.4  # grey levels a pixel; below this a gradient is sensor noise

# Evidence of a sample: the log ratio of how often an energy comes up on true outlines of bolts and on plain concrete,
# fitted by a straight line to both histograms on rendered photos (mean energy 0.55 against 0.14).
EVIDENCE_AT_ZERO = -1.6
EVIDENCE_SLOPE = 5.0
EVIDENCE_CAP = 1.2

FULL, HALF = 255.0, 128.0  # bytes for 1, and for 0 of what may be negative

Cells = NDArray[np.floating[Any]] | NDArray[np.uint8]


@dataclass(frozen=True)
class EdgeField:
    """Structure tensor of a piece of a picture, reduced by ``scale``.

    cells : (H, W, 4): xx, xy, yy of the tensor, and 1 where nothing known (a card, the chalk line) lies; floats, or
    bytes, a quarter the size, of which 255 is 1 and the middle one of xy is 0
    origin_px, scale : full-size pixel p stands at ``(p - origin + 0.5) scale - 0.5`` in the field
    """

    cells: Cells
    origin_px: Array
    scale: float

    def energy(self, px: Array, normals: Array) -> tuple[Array, Array]:
        """Edge energy at full-size points with normals, and whether each place is usable, each (R, C).

        px, normals : (2, R, C), x and y apart: arrays with x and y last take numpy several times as long
        """
        return along(self._between(px), *normals)

    def _between(self, px: Array) -> Cells:
        """What the cells would be at full-size points (2, R, C), (R, C, 4); 0 outside."""
        offset = ((0.5 - self.origin_px) * self.scale - 0.5).astype(np.float32)
        at = px.astype(np.float32, order="C")
        at *= np.float32(self.scale)
        at += offset[:, None, None]
        return cv2.remap(self.cells, at[0], at[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)

    def within(self, low_px: Array, high_px: Array) -> EdgeField:
        """What lies between two corners, full-size pixels, as a field of its own, in bytes."""
        height, width = self.cells.shape[:2]
        low, high = ((px - self.origin_px + 0.5) * self.scale - 0.5 for px in (low_px, high_px))
        left, top = np.clip(np.floor(low), 0, [width - 1, height - 1]).astype(int)
        right, bottom = np.clip(np.ceil(high) + 1, [left + 1, top + 1], [width, height]).astype(int)
        corner = self.origin_px + np.array([left, top]) / self.scale
        part = self.cells[top:bottom, left:right]
        return EdgeField(part.copy() if part.dtype == np.uint8 else _in_bytes(cv2.split(part)), corner, self.scale)


def energy_in_each(fields: Sequence[EdgeField], px: Array, normals: Array) -> tuple[Array, Array]:
    """The same as :meth:`EdgeField.energy` for points (2, R, P C) of which each of P fields has C, one after another.

    The fields hold all of them bytes or all of them floats.
    """
    each = px.shape[2] // len(fields)
    cells: Cells = np.concatenate(
        [one._between(px[:, :, k * each : (k + 1) * each]) for k, one in enumerate(fields)], axis=1
    )
    return along(cells, *normals)


def edge_field(gray: NDArray[np.uint8], usable: NDArray[np.bool_] | None, origin_px: Array, scale: float) -> EdgeField:
    """The field of a piece of a full-size grey picture whose first pixel stands at ``origin_px``."""
    size = (max(2, round(gray.shape[1] * scale)), max(2, round(gray.shape[0] * scale)))
    # Where a cell covers hardly more than a pixel, lines between pixels do for means, in a sixth of the time.
    way = cv2.INTER_AREA if scale < NEARLY_FULL else cv2.INTER_LINEAR
    small = cv2.resize(gray, size, interpolation=way) if scale < 1.0 else gray
    free = np.ones(small.shape, dtype=np.float32)
    if usable is not None:
        free = cv2.resize(usable.view(np.uint8), size, interpolation=cv2.INTER_NEAREST).astype(np.float32)
    cells = np.empty((*small.shape, 4), dtype=np.float32)
    for band, tensor in _bands(small, free):
        cv2.merge([*tensor, free[band]], cells[band])
    return EdgeField(cells, np.asarray(origin_px, dtype=float), scale)


def edges_in_bytes(gray: NDArray[np.uint8], clear: NDArray[np.uint8]) -> EdgeField:
    """The field of a whole grey picture, as large, in bytes, and without edges where it is not clear (1; 0 is not)."""
    cells = np.empty((*gray.shape, 4), dtype=np.uint8)
    usable = clear.astype(np.float32)
    for band, tensor in _bands(gray, usable):
        tensor *= usable[band]
        cells[band] = _in_bytes([*tensor, usable[band]])
    return EdgeField(cells, np.zeros(2), 1.0)


def _in_bytes(layers: Sequence[NDArray[np.float32]]) -> NDArray[np.uint8]:
    """Four layers of a field (H, W) as bytes, (H, W, 4): a quarter the size, right to 0.002."""
    shifts = (0.0, HALF, 0.0, 0.0)
    each = zip(layers, shifts, strict=True)
    return np.asarray(cv2.merge([cv2.convertScaleAbs(one, alpha=FULL, beta=shift) for one, shift in each]))


def _bands(gray: NDArray[np.uint8], usable: NDArray[np.float32]) -> Iterator[tuple[slice, NDArray[np.float32]]]:
    """The normalised structure tensor of a grey picture, (3, rows, W), a band of rows at a time."""
    height, width = gray.shape
    rows = max(BAND_CELLS // width // 2 * 2, ROWS_AROUND)
    for first in range(0, height, rows):
        above = min(first, ROWS_AROUND)
        around = np.s_[first - above : first + rows + ROWS_AROUND]
        yield np.s_[first : first + rows], _structure(gray[around], usable[around])[:, above : above + rows]


def _structure(gray: NDArray[np.uint8], usable: NDArray[np.float32]) -> NDArray[np.float32]:
    smooth = cv2.GaussianBlur(gray.astype(np.float32), (0, 0), SMOOTH_PX)
    gx = cv2.Scharr(smooth, cv2.CV_32F, 1, 0, scale=1.0 / 32.0)
    gy = cv2.Scharr(smooth, cv2.CV_32F, 0, 1, scale=1.0 / 32.0)
    size = cv2.magnitude(gx, gy)
    # Every other cell of every other row tells what is usual, which changes little from one to the next.
    free, window = usable[::2, ::2], (SURROUNDINGS_PX // 2 + 1,) * 2
    usual = cv2.blur(size[::2, ::2] * free, window) / np.maximum(cv2.blur(free, window), 0.05)
    usual *= usual
    usual += NOISE_FLOOR**2
    usual *= 2.0
    # In place: moving arrays of so many cells is what takes the time.
    size *= size
    size += cv2.resize(usual, gray.shape[::-1], interpolation=cv2.INTER_LINEAR)
    tensor = np.empty((3, *gray.shape), dtype=np.float32)
    gain = np.divide(1.0, size, out=size)
    np.multiply(gx, gx, out=tensor[0])
    np.multiply(gx, gy, out=tensor[1])
    np.multiply(gy, gy, out=tensor[2])
    tensor *= gain
    return tensor


def along(cells: Cells, nx: Array, ny: Array) -> tuple[Array, Array]:
    """The edge energy n' T n of cells (R, C, 4) along normals (R, C), and how far each is usable, (R, C)."""
    xx, xy, yy, usable = cv2.split(cells)
    if cells.dtype == np.uint8:
        energy = xx * (nx * nx) + (xy - np.float32(HALF)) * (2.0 * nx * ny) + yy * (ny * ny)
        energy *= np.float32(1.0 / FULL)
        return energy, usable * np.float32(1.0 / FULL)
    # n' T n = nx (nx xx + 2 ny xy) + ny ny yy, in place: new arrays are what takes the time.
    xy *= ny
    xy += xy
    xx *= nx
    xx += xy
    xx *= nx
    yy *= ny
    yy *= ny
    xx += yy
    return xx, usable


def evidence(energy: Array) -> Array:
    """Evidence for a bolt's outline in each sample, nats; about 0.8 on a true outline and -0.9 on concrete."""
    nats = EVIDENCE_SLOPE * energy
    nats += EVIDENCE_AT_ZERO
    return np.clip(nats, -EVIDENCE_CAP, EVIDENCE_CAP, out=nats)
