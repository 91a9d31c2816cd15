"""Roots between two places, against SciPy's solver of the same method."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.optimize import brentq

from maskforge.fiber.roots import root_between


def _drawn(place: float, waves: float, size: float, steep: float) -> Callable[[float], float]:
    def function(x: float) -> float:
        away = x - place
        return math.tanh(steep * away) + 0.3 * size * away**3 + 0.1 * math.sin(waves * away)

    return function


def test_they_are_those_of_an_independent_solver() -> None:
    """To the tolerance asked for: of monotonic, of wavy and of nearly flat functions."""
    rng = np.random.default_rng(3)
    tried = 0
    for _ in range(400):
        function = _drawn(*rng.normal(size=3), rng.uniform(0.2, 5))
        low, high = -rng.uniform(1, 9), rng.uniform(1, 9)
        if function(low) * function(high) >= 0:
            continue
        tried += 1
        for xtol, rtol in ((1e-300, 1e-14), (1e-12, 1e-12), (1e-3, 1e-14)):
            known = brentq(function, low, high, xtol=xtol, rtol=rtol)
            found = root_between(function, low, high, xtol=xtol, rtol=rtol)
            assert abs(found - known) <= 2 * (xtol + rtol * abs(known))
    assert tried > 200


def test_the_ends_count_and_what_has_no_root_is_an_error() -> None:
    assert root_between(lambda x: x, 0.0, 1.0, xtol=1e-9, rtol=1e-9) == 0.0
    assert root_between(lambda x: x - 1, 0.0, 1.0, xtol=1e-9, rtol=1e-9) == 1.0
    with pytest.raises(ArithmeticError, match="no change of sign from 1 to 2"):
        root_between(lambda x: x, 1.0, 2.0, xtol=1e-9, rtol=1e-9)
