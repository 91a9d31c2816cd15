"""How sure a purity is: against matrices drawn whole, and closed forms of the same statistics."""

import math

import numpy as np
import pytest
from scipy.stats import chi2, ncx2

from maskforge.launch.passage import Output, Passage
from maskforge.launch.purity_band import DRAWS, band_of, purities_drawn
from tests.launch.test_passage import some_matrix


def passage_of(matrix: np.ndarray, errors: np.ndarray | None) -> Passage:
    return Passage(tuple(Output(f"{j}", j) for j in range(len(matrix))), matrix, errors)


def test_without_errors_there_is_no_band() -> None:
    matrix, launch = some_matrix(4, 6), some_matrix(6, 1, seed=2)[:, 0]
    vector = np.eye(4, dtype=complex)[0]
    arrives = matrix @ launch
    purity = abs(arrives[0]) ** 2 / np.sum(np.abs(arrives) ** 2)
    assert band_of(passage_of(matrix, None), vector, launch) == pytest.approx((purity,) * 3)


def test_whole_matrices_give_the_same_band() -> None:
    """Every entry drawn by itself, three times as often."""
    rng = np.random.default_rng(5)
    matrix, launch = some_matrix(4, 6), some_matrix(6, 1, seed=2)[:, 0]
    errors = rng.uniform(0.0, 0.1, (4, 6))
    vector = some_matrix(4, 1, seed=3)[:, 0]
    vector /= np.linalg.norm(vector)
    own = []
    for _ in range(3 * DRAWS):
        off = rng.normal(size=(4, 6)) + 1j * rng.normal(size=(4, 6))
        arrives = (matrix + errors * off) @ launch
        own.append(abs(np.vdot(vector, arrives)) ** 2 / np.sum(np.abs(arrives) ** 2))
    found = purities_drawn(passage_of(matrix, errors), vector, launch)
    for share in (5, 25, 50, 75, 95):
        # three standard deviations of both samples' shares
        slack = 3 * math.sqrt(share * (100 - share) * (4 / 3) / DRAWS)
        low, high = np.percentile(own, [max(share - slack, 0), min(share + slack, 100)])
        assert low <= np.percentile(found, share) <= high


def test_a_dark_output_gets_what_the_errors_send() -> None:
    """Target sure, one other output dark: its power is an exponential number, s^2 chi^2 of 2."""
    matrix = np.diag([1.0, 0.0]).astype(complex)
    errors, launch = np.array([[0.0, 0.0], [0.05, 0.0]]), np.array([1.0, 0.0], dtype=complex)
    low, middle, high = band_of(passage_of(matrix, errors), np.array([1, 0j]), launch)
    for purity, share in ((low, 0.95), (middle, 0.5), (high, 0.05)):
        expected = 1 / (1 + 0.05**2 * chi2.ppf(share, 2))
        assert purity == pytest.approx(expected, rel=2e-3)
        assert 1 / purity - 1 == pytest.approx(1 / expected - 1, rel=0.1)


def test_an_output_with_light_is_noncentral() -> None:
    matrix = np.array([[1.0, 0.0], [0.1, 0.0]], dtype=complex)
    errors, launch = np.array([[0.0, 0.0], [0.05, 0.0]]), np.array([1.0, 0.0], dtype=complex)
    low, middle, _ = band_of(passage_of(matrix, errors), np.array([1, 0j]), launch)
    for purity, share in ((low, 0.95), (middle, 0.5)):
        unwanted = 0.05**2 * ncx2.ppf(share, 2, (0.1 / 0.05) ** 2)
        assert 1 / purity - 1 == pytest.approx(unwanted, rel=0.05)
