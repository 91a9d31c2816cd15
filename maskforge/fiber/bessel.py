"""Modified Bessel functions of the second kind, of order 0 and 1: what fields outside the core are.

SciPy has them too, but takes as long to load as a fibre's modes to find.
"""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

STEP, FEWEST = 0.2, 20
"""Largest step of the sum, and how many there are at least: from x = 1e-8 on it is then as right as
double precision.  Where x is small the step decides, where it is large the number."""

SMALLEST = 40.0
"""Of the integrand's exponent: where it is below exp(-SMALLEST) it is left out."""


def scaled_k01(x: ArrayLike) -> tuple[Array, Array]:
    """exp(x) K_0(x) and exp(x) K_1(x) for x > 0, of the shape of x.

    K_n(x) is the integral of exp(-x cosh t) cosh(n t) over t from 0 on (Abramowitz and Stegun
    9.6.24).  The integrand is even and falls doubly exponentially, so that the trapezoidal rule
    converges geometrically (Trefethen and Weideman, SIAM Review 56, 385, 2014).
    """
    z = np.asarray(x, dtype=np.float64)[..., None]
    reach = np.arccosh(1 + SMALLEST / z)
    count = _steps(float(np.max(reach)))
    step = reach / count
    # cosh t - 1 without the loss of digits that the difference has near 0
    above = 2 * np.sinh(step / 2 * np.arange(count + 1)) ** 2
    weights = step * np.exp(-z * above)
    weights[..., 0] /= 2
    return np.sum(weights, axis=-1), np.sum(weights * (1 + above), axis=-1)


def k0_over_k1(x: float) -> float:
    """K_0(x) / K_1(x) of one x > 0, by the same sums: of so few numbers they take an array longer
    than a loop."""
    reach = math.acosh(1 + SMALLEST / x)
    count = _steps(reach)
    zeroth = first = 0.5
    for index in range(1, count + 1):
        above = 2 * math.sinh(reach / count / 2 * index) ** 2
        weight = math.exp(-x * above)
        zeroth += weight
        first += weight * (1 + above)
    return zeroth / first


def _steps(reach: float) -> int:
    return max(FEWEST, math.ceil(reach / STEP))
