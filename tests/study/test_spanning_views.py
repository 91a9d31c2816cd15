"""Rows that span others, against SciPy's QR with pivots (LAPACK), a general reference library."""

import numpy as np
import pytest
from scipy.linalg import qr

from maskforge.study.tolerance.response import SPANNED, _spanning


@pytest.mark.parametrize("rank", [1, 3, 7])
@pytest.mark.parametrize("seed", range(4))
def test_the_fewest_rows_that_span_all(rank: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    parts = random.standard_normal((2, 7, rank)), random.standard_normal((2, rank, 200))
    left, right = (part[0] + 1j * part[1] for part in parts)
    rows = left @ right
    triangle, order = qr(rows.T, mode="r", pivoting=True)
    sizes = np.abs(np.diag(triangle))
    found = _spanning(rows)
    assert found == order[: int(np.sum(sizes > SPANNED * sizes[0]))].tolist()
    assert len(found) == rank


def test_dark_rows_are_spanned_by_one() -> None:
    assert _spanning(np.zeros((3, 5), complex)) == [0]
