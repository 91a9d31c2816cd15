"""K_0 and K_1 against SciPy's (Amos, ACM TOMS 644), a general reference library, and the handbook.

Abramowitz and Stegun, table 9.8: exp(x) K_0(x) and exp(x) K_1(x) at x = 1 and 5, from memory.
"""

import numpy as np
import pytest
from scipy.special import kve

from maskforge.fiber.bessel import k0_over_k1, scaled_k01


def test_both_orders_of_any_argument() -> None:
    x = np.geomspace(1e-8, 1e5, 4001).reshape(-1, 1)
    for order, found in enumerate(scaled_k01(x)):
        assert found.shape == x.shape
        assert found == pytest.approx(kve(order, x), rel=5e-15)


def test_an_argument_alone_which_takes_fewer_steps() -> None:
    for x in np.geomspace(1e-8, 1e5, 401):
        for order, found in enumerate(scaled_k01(x)):
            assert float(found) == pytest.approx(float(kve(order, x)), rel=5e-15), x
        assert k0_over_k1(float(x)) == pytest.approx(float(kve(0, x) / kve(1, x)), rel=5e-15), x


@pytest.mark.parametrize(
    ("x", "zeroth", "first"), [(1.0, 1.1444630797, 1.6361534863), (5.0, 0.5478075643, 0.6002738587)]
)
def test_table_9_8(x: float, zeroth: float, first: float) -> None:
    found = scaled_k01(x)
    assert [float(one) for one in found] == pytest.approx([zeroth, first], abs=1e-9)
