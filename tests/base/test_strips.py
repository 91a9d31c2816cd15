"""Passes a few rows at a time give what one pass gives.

Common practice, no source.
"""

import numpy as np
import pytest
from numpy.typing import NDArray

from maskforge.base.strips import LARGE, NUMBERS, by_strips, each_by_strips, strips


@pytest.mark.parametrize("shape", [(1, 1), (7, 3), (1000, 33), (5, 2**16), (2**16, 5), (3, 40, 50)])
def test_strips_are_all_rows_once(shape: tuple[int, ...]) -> None:
    rows = np.concatenate([np.arange(shape[0])[one] for one in strips(shape)])
    assert np.array_equal(rows, np.arange(shape[0]))
    longest = max(np.arange(shape[0])[one].size for one in strips(shape))
    assert longest == 1 or longest * np.prod(shape[1:]) <= NUMBERS


@pytest.mark.parametrize("shape", [(50, 60), (401, 397), (2**17, 2), (3, 300, 301)])
def test_every_number_is_worked_on_with_its_own(shape: tuple[int, ...]) -> None:
    rng = np.random.default_rng(1)
    first, second = rng.normal(size=shape), rng.integers(0, 9, shape)
    seen = []

    def both(
        a: NDArray[np.float64], b: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        seen.append(a.size)
        return a * b, a > 0

    product, positive = each_by_strips(both, first, second)
    assert np.array_equal(product, first * second)
    assert np.array_equal(positive, first > 0)
    assert (len(seen) > 1) == (first.size >= LARGE)
    assert np.array_equal(by_strips(np.sin, first), np.sin(first))
