"""Corners of a hull against Qhull's, by SciPy, a general reference library."""

import numpy as np
import pytest
from scipy.spatial import ConvexHull

from maskforge.launch.convex_hull import corners_of


def around(corners: np.ndarray) -> list[int]:
    """The corners in their order, from the smallest number on."""
    return [int(k) for k in np.roll(corners, -int(np.argmin(corners)))]


def wanted(points: np.ndarray) -> list[int]:
    return around(ConvexHull(np.c_[points.real, points.imag]).vertices)


@pytest.mark.parametrize("count", [3, 4, 17, 256, 4096])
def test_points_on_a_circle(count: int) -> None:
    points = np.exp(2j * np.pi * np.arange(count) / count)
    assert around(corners_of(points)) == wanted(points) == list(range(count))


@pytest.mark.parametrize("seed", range(30))
def test_points_anywhere_and_of_a_measured_table(seed: int) -> None:
    random = np.random.default_rng(seed)
    count = int(random.integers(3, 300))
    anywhere = random.normal(size=count) + 1j * random.normal(size=count)
    phase = np.linspace(0, random.uniform(0.3, 1) * 2 * np.pi, count)
    dimmed = np.exp(1j * phase) * (1 + 0.05 * np.sin(3 * phase))
    for points in (anywhere, dimmed):
        assert around(corners_of(points)) == wanted(points)


def test_what_is_equal_or_between_two_others_is_no_corner() -> None:
    points = np.array([0, 1, 1 + 1j, 1j, 1j, 0.5, 1 + 0.3j, 0.4 + 0.4j])
    assert sorted(points[corners_of(points)].tolist(), key=abs) == [0, 1, 1j, 1 + 1j]
    assert sorted(corners_of(np.array([0.5, 0, 1, 0.2])).tolist()) == [1, 2]
