"""Corners of a convex polygon around points."""

import numpy as np
from numpy.typing import NDArray

FLAT = 1e-14
"""Of the points' extent squared: a smaller turn is rounding, and no corner."""


def corners_of(points: NDArray[np.complex128]) -> NDArray[np.intp]:
    """Which of the points (n,) are corners of their hull, counter-clockwise from the leftmost; of
    equal ones one, of a line its ends.

    The monotone chain (Andrew, Inf. Process. Lett. 9, 216, 1979).  That of SciPy takes as long to
    load as a short design's masks to find.
    """
    order = np.lexsort((points.imag, points.real))
    place, least = points.tolist(), FLAT * float(np.ptp(points.real) + np.ptp(points.imag)) ** 2
    below, above = (_chain(place, way, least) for way in (order.tolist(), order[::-1].tolist()))
    return np.array(below[:-1] + above[:-1], dtype=np.intp)


def _chain(place: list[complex], order: list[int], least: float) -> list[int]:
    """The points in their order, less those at which the way does not turn left."""
    kept: list[int] = []
    for index in order:
        while len(kept) > 1:
            back, ahead = place[kept[-2]] - place[kept[-1]], place[index] - place[kept[-1]]
            if ahead.real * back.imag - ahead.imag * back.real > least:
                break
            kept.pop()
        kept.append(index)
    return kept
