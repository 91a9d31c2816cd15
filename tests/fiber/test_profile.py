"""Profiles: values of s, what is refused, pickling."""

import math
import pickle
from collections.abc import Callable

import numpy as np
import pytest

from maskforge.base.errors import BenchError
from maskforge.fiber import (
    Fiber,
    Profile,
    fiber_of_indices,
    power_law,
    shape_from_index,
    step,
    table,
    trench,
    trench_depth,
)

A = 10e-6


def test_values_of_s() -> None:
    r = np.array([[0.0, 5e-6], [9.9e-6, 10.1e-6]])
    assert np.array_equal(step(A).at(r), [[1.0, 1.0], [1.0, 0.0]])
    assert power_law(A, 3.0).at(r) == pytest.approx(np.array([[1.0, 0.875], [1.0 - 0.99**3, 0.0]]))


def test_trench_lies_below_the_cladding() -> None:
    core, cladding, drop = 1.46, 1.444, 0.004
    depth = trench_depth(drop, core, cladding)
    profile = trench(power_law(A, 2.0), 12e-6, 15e-6, depth)
    s = profile.at(np.array([0.0, 11e-6, 13e-6, 16e-6]))
    n = np.sqrt(cladding**2 + (core**2 - cladding**2) * s)
    assert n == pytest.approx([core, cladding, cladding - drop, cladding])
    assert profile.edges == (10e-6, 12e-6, 15e-6)
    assert trench(step(A), A, 15e-6, depth).edges == (10e-6, 15e-6)


def test_table_passes_through_its_samples() -> None:
    r = np.linspace(0.0, 12e-6, 7)
    n = np.array([1.46, 1.459, 1.456, 1.451, 1.446, 1.444, 1.444])
    profile = table(r, shape_from_index(n, 1.444))
    lift = (n**2 - 1.444**2) / (1.46**2 - 1.444**2)
    assert profile.at(r[:-1]) == pytest.approx(lift[:-1])
    assert profile.core_radius == pytest.approx(10e-6)
    assert table(r, shape_from_index(n, 1.444), core_radius=9e-6).core_radius == 9e-6


@pytest.mark.parametrize(
    "profile",
    [
        step(A),
        power_law(A, 2.1),
        trench(step(A), 11e-6, 12e-6, 0.3),
        table([0.0, 5e-6, A], [1.0, 0.5, 0.0]),
    ],
)
def test_pickles(profile: Profile) -> None:
    r = np.linspace(0.0, 15e-6, 50)
    assert np.array_equal(pickle.loads(pickle.dumps(profile)).at(r), profile.at(r))


def test_fiber_numbers() -> None:
    fiber = fiber_of_indices(step(4e-6), 1.55e-6, 1.45, 1.444)
    assert fiber.na == pytest.approx(math.sqrt(1.45**2 - 1.444**2))
    assert fiber.v == pytest.approx(2 * math.pi * 4e-6 * fiber.na / 1.55e-6)
    assert fiber.delta == pytest.approx((1.45**2 - 1.444**2) / (2 * 1.45**2))


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: step(0.0), "core radius 0 m"),
        (lambda: step(math.nan), "core radius nan"),
        (lambda: power_law(A, -1.0), "alpha -1"),
        (lambda: power_law(-A, 2.0), "core radius"),
        (lambda: trench(step(A), 9e-6, 12e-6, 0.1), "begin at or outside"),
        (lambda: trench(step(A), 12e-6, 11e-6, 0.1), "end further out"),
        (lambda: trench(step(A), 11e-6, 12e-6, -0.1), "trench depth"),
        (lambda: trench_depth(0.0, 1.46, 1.444), "index drop"),
        (lambda: table([0.0, 1e-6], [1.0]), "two columns"),
        (lambda: table([1e-6, 2e-6], [1.0, 0.0]), "ascend from 0"),
        (lambda: table([0.0, 2e-6, 1e-6], [1.0, 0.5, 0.0]), "ascend from 0"),
        (lambda: table([0.0, 1e-6], [0.9, 0.0]), "must be 1"),
        (lambda: table([0.0, math.inf], [1.0, 0.0]), "finite"),
        (lambda: shape_from_index([1.44, 1.43], 1.444), "above the cladding"),
        (lambda: shape_from_index([], 1.444), "empty"),
        (lambda: Profile(A, (), np.ones_like), "no edges"),
        (lambda: Profile(A, (A, A), np.ones_like), "ascending"),
        (lambda: fiber_of_indices(step(A), 1.55e-6, 1.44, 1.44), "above the cladding"),
        (lambda: fiber_of_indices(step(A), 0.0, 1.45, 1.44), "wavelength"),
        (lambda: Fiber(step(A), 1.55e-6, 1.45, 1.44, 0.0, 1.46), "group index"),
    ],
)
def test_wrong_input(make: Callable[[], object], message: str) -> None:
    with pytest.raises(BenchError, match=message) as caught:
        make()
    assert "\n" not in str(caught.value)
