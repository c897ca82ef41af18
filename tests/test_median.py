from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from sillwright.median import median, medians

numbers = st.floats(-1e6, 1e6, allow_nan=False, width=32)
values = st.one_of(arrays(dtype, array_shapes(max_dims=2, max_side=30), elements=numbers) for dtype in ("f4", "f8"))


@given(values)
def test_it_is_the_median_of_numpy(numbers: np.ndarray) -> None:
    assert median(numbers) == pytest.approx(float(np.median(numbers.astype(float))), rel=1e-12)


def test_it_leaves_the_numbers_as_they_were() -> None:
    numbers = np.array([3.0, 1.0, 2.0])
    assert median(numbers) == 2.0
    assert numbers.tolist() == [3.0, 1.0, 2.0]


@given(arrays("f8", array_shapes(min_dims=1, max_dims=3, max_side=8), elements=numbers), st.data())
def test_medians_along_an_axis_are_those_of_numpy(numbers: np.ndarray, data: st.DataObject) -> None:
    axis = data.draw(st.integers(0, numbers.ndim - 1))
    np.testing.assert_allclose(medians(numbers, axis), np.median(numbers, axis=axis), rtol=1e-12)
