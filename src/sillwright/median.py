"""Medians of a few hundred numbers, asked thousands of times a photo."""

from __future__ import annotations

import numpy as np

from sillwright.camera import Array


def median(values: Array) -> float:
    """The same as ``numpy.median`` of all values, any shape, none of them NaN, in a fraction of the time.

    Numpy's own takes ten times as long to begin as to find it among so few.
    """
    middle, odd = divmod(values.size, 2)
    if odd:
        return float(np.partition(values, middle, axis=None)[middle])
    low, high = np.partition(values, (middle - 1, middle), axis=None)[middle - 1 : middle + 1]
    return 0.5 * (float(low) + float(high))


def medians(values: Array, axis: int) -> Array:
    """The same as ``numpy.median`` along one axis, none of the values NaN, in a third of the time."""
    ranked = np.sort(np.ascontiguousarray(np.moveaxis(values, axis, -1)), axis=-1)
    last = ranked.shape[-1] - 1
    return 0.5 * (ranked[..., last // 2] + ranked[..., last - last // 2])
