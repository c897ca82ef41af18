"""Cells of a photo laid flat, pooled into columns: what runs along the wall shows there, and grain averages out."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

BAND_ROWS = 64  # of millions of cells, so few that they stay in the processor's own memory while they are pooled

Layers = NDArray[np.float32]


def pooled(
    flat: NDArray[np.uint8],
    usable: NDArray[np.bool_],
    per_column: int,
    layers_of: Callable[[Layers], Layers] = lambda pixels: pixels,
    around: int = 0,
) -> tuple[Layers, Layers]:
    """Means over so many cells at a time of each row, (rows, columns, layers), what is not usable counted as 0.

    Parameters
    ----------
    flat : (rows, cells, 3) BGR
    layers_of : what is pooled, (rows, cells, layers), made of the pixels as floats
    around : rows above and below that this makes a row from

    Beside the means the share of cells that is usable, (rows, columns).
    """
    rows, columns = len(flat), flat.shape[1] // per_column
    wide = columns * per_column
    means, shares = [], []
    for first in range(0, rows, BAND_ROWS):
        above = min(first, around)
        pixels = flat[first - above : first + BAND_ROWS + around].astype(np.float32)
        share = usable[first : first + BAND_ROWS, :wide].astype(np.uint8)
        masked = cv2.copyTo(layers_of(pixels)[above : above + len(share), :wide], share)
        means.append(cv2.resize(masked, (columns, len(share)), interpolation=cv2.INTER_AREA))
        shares.append(cv2.resize(share.astype(np.float32), (columns, len(share)), interpolation=cv2.INTER_AREA))
    return np.concatenate(means), np.concatenate(shares)
