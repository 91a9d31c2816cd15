"""The dual's pixels where the alphabet is a polygon: smoothed maxima over its corners.

h(v) = max over corners s of Re(conj(v) s) becomes width * log of the sum of exp(Re(conj(v) s) /
width), which is convex, too, and above h by at most width times the log of the corners' number
(Boyd and Vandenberghe, Convex Optimization, sec. 3.1.5).
"""

from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, beside, constant, namespace, on_host, picked, replaced
from maskforge.methods.dual_function import FastReal, Real, weighted

LEAST_WIDTH = 1e-30
"""So that a quotient by it is a number in single precision."""

DECIDED = 14.0
"""In widths: where the next corner is so much worse its share is 1e-6, and is left out."""


@dataclass(frozen=True, eq=False)
class Shares:
    """What the corners have of every pixel: its `gain` summed, `mean` corner (n,) as (Re, Im), and
    of those pixels that are `open`, between corners, the corners' chances (open, m), which add up
    to `total` (open,)."""

    gain: float
    mean: tuple[Array, Array]
    open: Array
    chances: Array
    total: Array


@dataclass(frozen=True, eq=False)
class CornerModel:
    """F's pixels: the sum of the smoothed h(x + i y), and `fixed` . mu.

    x = real . mu and y = imag . mu, (n, 2 K) both; `polygon_blocks` (m,) complex of the hull,
    counter-clockwise.
    """

    real: Array
    imag: Array
    corners: NDArray[np.complex64]
    fixed: Real
    wider: ClassVar[float] = 3.0
    """Away from its kinks the smoothed maximum is flat, so that many lie within a step unseen."""

    @cached_property
    def _sectors(self) -> tuple[FastReal, FastReal]:
        """Angles (m,) at which the best corner changes, ascending; (6, m) of the one from there on:
        its place, and how far from the one before it and from the one after it lies, as (x, y)."""
        corners = self.corners
        normals = np.angle(-1j * (np.roll(corners, -1) - corners))
        order = np.argsort(normals, kind="stable")
        best = np.roll(np.arange(corners.size), -1)[order]
        own = corners[best]
        sides = own - corners[best - 1], own - corners[(best + 1) % corners.size]
        parts = [part for one in (own, *sides) for part in (one.real, one.imag)]
        return normals[order].astype(np.float32), np.array(parts, dtype=np.float32)

    def value(self, multipliers: Real, width: float) -> tuple[float, Real]:
        """Smoothed F and the couplings (2 K,), its gradient in the multipliers."""
        shares = self._shares(multipliers, width)
        slope = shares.mean[0] @ self.real + shares.mean[1] @ self.imag
        total = shares.gain + float(self.fixed @ multipliers)
        return total, self.fixed + on_host(slope).astype(np.float64)

    def curvature(self, multipliers: Real, width: float) -> Array:
        """Second derivative (2 K, 2 K) of the smoothed F in the multipliers."""
        shares = self._shares(multipliers, width)
        if shares.open.shape[0] == 0:
            return beside(np.zeros((multipliers.size, multipliers.size)), self.real)
        xp = namespace(self.real)
        a, b = self.corners.real, self.corners.imag
        squares = constant(np.column_stack([a * a, b * b, a * b]), self.real)
        second = shares.chances @ squares / shares.total[:, None]
        mean_x, mean_y = (picked(part, shares.open) for part in shares.mean)
        wide = float(np.float32(1 / max(width, LEAST_WIDTH)))
        none = xp.zeros_like(mean_x)
        xx = xp.maximum(second[:, 0] - mean_x**2, none) * wide
        yy = xp.maximum(second[:, 1] - mean_y**2, none) * wide
        xy = (second[:, 2] - mean_x * mean_y) * wide
        # the covariance of each pixel's corners as two squares: along its longer axis, and across
        turn = 0.5 * xp.atan2(2 * xy, xx - yy)
        cos, sin = xp.cos(turn)[:, None], xp.sin(turn)[:, None]
        middle, spread = (xx + yy) / 2, xp.hypot((xx - yy) / 2, xy)
        real, imag = picked(self.real, shares.open), picked(self.imag, shares.open)
        long = weighted(cos * real + sin * imag, middle + spread)
        return long + weighted(cos * imag - sin * real, xp.maximum(middle - spread, none))

    def _shares(self, multipliers: Real, width: float) -> Shares:
        xp = namespace(self.real)
        fast = beside(multipliers.astype(np.float32), self.real)
        x, y = self.real @ fast, self.imag @ fast
        normals, sectors = (constant(part, x) for part in self._sectors)
        a, b = constant(self.corners.real, x), constant(self.corners.imag, x)
        place = xp.searchsorted(normals, xp.atan2(y, x), side="right") - 1
        # an angle before the first normal lies in the last sector
        place = xp.where(place < 0, place + normals.shape[0], place)
        own = xp.take(sectors, place, axis=1)
        mean = own[0, :], own[1, :]
        # what the corner before, and the one after, would give less
        gains, before, behind = (x * own[k, :] + y * own[k + 1, :] for k in (0, 2, 4))
        width = max(width, LEAST_WIDTH)
        (some,) = xp.nonzero(xp.minimum(before, behind) < DECIDED * width)
        narrow = float(np.float32(width))
        places = xp.stack([picked(x, some), picked(y, some)], axis=1) / narrow
        over = places @ xp.stack([a, b]) - picked(gains, some)[:, None] / narrow
        # rounding alone is above 0, and what is far below it slow
        chances = xp.exp(xp.clip(over, -80.0, 0.0))
        sums = chances @ xp.stack([xp.ones_like(a), a, b], axis=1)
        total = sums[:, 0]
        mean = tuple(
            replaced(part, some, sums[:, k] / total) for part, k in zip(mean, (1, 2), strict=True)
        )
        gain = float(xp.sum(gains, dtype=xp.float64))
        gain += width * float(xp.sum(xp.log(total), dtype=xp.float64))
        return Shares(gain, (mean[0], mean[1]), some, chances, total)
