"""Cells pooled into columns: against plain sums, and in bands as in one piece."""

from __future__ import annotations

import numpy as np
import pytest

from sillwright.see import pooling
from sillwright.see.edges import ROUGH_CELLS, _features
from sillwright.see.pooling import pooled


def flat_and_usable(rows: int, cells: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(rows * cells)
    return rng.integers(0, 255, (rows, cells, 3), dtype=np.uint8), rng.random((rows, cells)) > 0.2


@pytest.mark.parametrize("rows", [1, 63, 64, 65, 150])
@pytest.mark.parametrize("cells", [6, 61])
def test_each_column_is_the_mean_of_its_usable_cells_and_zeros(rows: int, cells: int) -> None:
    flat, usable = flat_and_usable(rows, cells)
    means, shares = pooled(flat, usable, 6)
    columns = cells // 6
    own = usable[:, : 6 * columns].reshape(rows, columns, 6)
    colors = flat[:, : 6 * columns].reshape(rows, columns, 6, 3).astype(float)
    np.testing.assert_allclose(shares, own.mean(axis=2), atol=1e-6)
    np.testing.assert_allclose(means, (colors * own[..., None]).mean(axis=2), atol=1e-3)


def test_rows_that_rest_on_those_around_them_have_no_seams(monkeypatch: pytest.MonkeyPatch) -> None:
    flat, usable = flat_and_usable(150, 60)
    monkeypatch.setattr(pooling, "BAND_ROWS", 150)
    whole, _ = pooled(flat, usable, 12, _features, ROUGH_CELLS // 2)
    for rows in (1, 32, 149):
        monkeypatch.setattr(pooling, "BAND_ROWS", rows)
        means, _ = pooled(flat, usable, 12, _features, ROUGH_CELLS // 2)
        np.testing.assert_allclose(means, whole, atol=1e-4)
