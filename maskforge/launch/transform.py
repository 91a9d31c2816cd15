"""The transform between mask and facet, along each axis in the way that is cheaper there."""

import numpy as np

from maskforge.base.arrays import Array, transposed
from maskforge.launch.fourier import Dense, Folded, axis, folded
from maskforge.launch.light import Real
from maskforge.launch.planned import Planned, length_of, planned

Side = Folded | Planned | Dense
"""From an axis of the mask to one of the facet; the adjoint goes back."""

LINE, TURN = 45.0, 20.0
"""Cost of a sample of a line that is split into halves, and of one of the n log2(n) of an FFT, in
multiply-adds of the product: fitted to the table of benchmarks/transforms.py."""

PRIMES = 2, 3, 5, 7
"""FFTs of other factors take longer than is counted here, and are left to the products."""


def product_cost(x_count: int, u_count: int) -> float:
    """Of a line by the folded product, in multiply-adds of it."""
    return x_count * u_count + LINE * (x_count + u_count)


def fft_cost(length: int) -> float:
    """Of a line by an FFT, in the same; infinite where the length is not one of small primes."""
    return TURN * length * float(np.log2(length)) if is_fast(length) else np.inf


def is_fast(length: int) -> bool:
    """Whether a length is a product of PRIMES."""
    for prime in PRIMES:
        while length % prime == 0:
            length //= prime
    return length == 1


def fast_length(least: float) -> int:
    """The shortest fast length from `least` up, but for rounding."""
    length = int(np.ceil(least * (1 - 1e-12)))
    while not is_fast(length):
        length += 1
    return length


def side_of(x: Real, u: Real, scale: float) -> Side:
    """The side from `x` to `u`, both symmetric about 0, which costs less.

    By counts alone, so that it is the same on every machine.
    """
    length = length_of(x, u, scale)
    if length is None or fft_cost(length) >= product_cost(x.size, u.size):
        return folded(x, u, scale)
    return planned(x.size, u.size, length)


def padded_axis(length: int, pitch: float, scale: float, half: float) -> Real:
    """Facet samples about 0 out to `half` (m) that an FFT of `length` gives of pixels `pitch` (m)
    apart.

    They never reach beyond the first period, scale / pitch wide, where the transform repeats.
    """
    step = scale / (length * pitch)
    return axis(2 * min(int(half / step), (length - 1) // 2) + 1, step)


def transform(field: Array, over_y: Side, over_x: Side, *, real: bool = False) -> Array:
    """`fourier.matrix_transform` between axes symmetric about 0, in the precision of the field; of
    many fields (..., rows, columns) at once where sides are dense, as on a device.

    Its adjoint is `transform(facet, over_y.adjoint, over_x.adjoint)`.  A real field takes half the
    time, and so does the real part of the result, where that is enough.
    """
    # the larger side of the two is met once only
    if over_y.samples[0] < over_y.samples[1]:
        half = transposed(over_y.along(field))
        return transposed(over_x.real_along(half) if real else over_x.along(half))
    half = transposed(over_x.along(transposed(field)))
    return over_y.real_along(half) if real else over_y.along(half)
