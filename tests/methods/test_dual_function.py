"""Equations of Newton's method: against NumPy's general solver, a general reference library."""

import numpy as np
import pytest

from maskforge.methods.dual_function import LARGE, solver


@pytest.mark.parametrize("count", [1, 40, LARGE, LARGE + 1])
def test_equations_are_solved_with_few_and_with_many_unknowns(count: int) -> None:
    """But for the shift of 1e-6 of the mean that keeps a matrix positive."""
    random = np.random.default_rng(count)
    root = random.standard_normal((count, 2 * count))
    matrix, right = root @ root.T, random.standard_normal(count)
    shifted = matrix + 1e-6 * np.trace(matrix) / count * np.eye(count)
    np.testing.assert_allclose(solver(matrix)(right), np.linalg.solve(shifted, right), rtol=1e-9)


def test_what_rounding_made_negative_is_shifted_further() -> None:
    matrix = np.diag([1.0, -1e-5])
    found = solver(matrix)(np.array([1.0, 0.0]))
    assert found == pytest.approx([1.0, 0.0], rel=1e-3)
