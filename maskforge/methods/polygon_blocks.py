"""The dual's pixels where the alphabet is a polygon: smoothed maxima over its corners.

h(v) = max over corners s of Re(conj(v) s) becomes width * log of the sum of exp(Re(conj(v) s) /
width), which is convex, too, and above h by at most width times the log of the corners' number
(Boyd and Vandenberghe, Convex Optimization, sec. 3.1.5).
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from maskforge.methods.dual_function import FastReal, Real, weighted

LEAST_WIDTH = 1e-30
"""So that a quotient by it is a number in single precision."""

DECIDED = 14.0
"""In widths: where the next corner is so much worse its share is 1e-6, and is left out."""


@dataclass(frozen=True, eq=False)
class Shares:
    """What the corners have of every pixel: its `gain` summed, `mean` corner (n,) as (Re, Im), and
    of those pixels that are `open`, between corners, the corners' chances (open, m)."""

    gain: float
    mean: tuple[FastReal, FastReal]
    open: NDArray[np.intp]
    chances: FastReal


@dataclass(frozen=True, eq=False)
class CornerModel:
    """F's pixels: the sum of the smoothed h(x + i y), and `fixed` . mu.

    x = real . mu and y = imag . mu, (n, 2 K) both; `polygon_blocks` (m,) complex of the hull,
    counter-clockwise.
    """

    real: FastReal
    imag: FastReal
    corners: NDArray[np.complex64]
    fixed: Real

    @cached_property
    def _sectors(self) -> tuple[FastReal, NDArray[np.intp], FastReal]:
        """Angles at which the best corner changes, ascending; the one from there on; how far it
        lies from the one before."""
        sides = np.roll(self.corners, -1) - self.corners
        normals = np.angle(-1j * sides)
        order = np.argsort(normals, kind="stable")
        after = np.roll(np.arange(self.corners.size), -1)[order]
        return normals[order].astype(np.float32), after, np.abs(sides)[order].astype(np.float32)

    def value(self, multipliers: Real, width: float) -> tuple[float, Real]:
        """Smoothed F and the couplings (2 K,), its gradient in the multipliers."""
        shares = self._shares(multipliers, width)
        slope = shares.mean[0] @ self.real + shares.mean[1] @ self.imag
        return shares.gain + float(self.fixed @ multipliers), self.fixed + slope.astype(np.float64)

    def curvature(self, multipliers: Real, width: float) -> Real:
        """Second derivative (2 K, 2 K) of the smoothed F in the multipliers."""
        shares = self._shares(multipliers, width)
        if shares.open.size == 0:
            return np.zeros((multipliers.size, multipliers.size))
        a, b = self.corners.real, self.corners.imag
        mean_x, mean_y = (part[shares.open] for part in shares.mean)
        wide = np.float32(1 / max(width, LEAST_WIDTH))
        xx = np.maximum(shares.chances @ (a * a) - mean_x**2, 0) * wide
        yy = np.maximum(shares.chances @ (b * b) - mean_y**2, 0) * wide
        xy = (shares.chances @ (a * b) - mean_x * mean_y) * wide
        # the covariance of each pixel's corners as two squares: along its longer axis, and across
        turn = 0.5 * np.arctan2(2 * xy, xx - yy)
        cos, sin = np.cos(turn)[:, None], np.sin(turn)[:, None]
        middle, spread = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
        real, imag = self.real[shares.open], self.imag[shares.open]
        long = weighted(cos * real + sin * imag, middle + spread)
        return long + weighted(cos * imag - sin * real, np.maximum(middle - spread, 0))

    def _shares(self, multipliers: Real, width: float) -> Shares:
        fast = multipliers.astype(np.float32)
        x, y = self.real @ fast, self.imag @ fast
        normals, after, sides = self._sectors
        angle, size = np.arctan2(y, x), np.hypot(x, y)
        place = np.searchsorted(normals, angle, side="right") - 1
        following = np.where(place == normals.size - 1, 0, place + 1)
        best = self.corners[after[place]]
        mean = best.real.copy(), best.imag.copy()
        # what the corner before, and the one after, would give less
        before = sides[place] * np.sin(angle - normals[place])
        behind = sides[following] * np.sin(normals[following] - angle)
        width = max(width, LEAST_WIDTH)
        some = np.flatnonzero(size * np.minimum(before, behind) < DECIDED * width)
        gains = x * mean[0] + y * mean[1]
        whole = np.outer(x[some], self.corners.real) + np.outer(y[some], self.corners.imag)
        over = (whole - gains[some, None]) / np.float32(width)
        chances = np.exp(np.clip(over, -80, 0))
        total = chances.sum(axis=1)
        chances /= total[:, None]
        mean[0][some], mean[1][some] = chances @ self.corners.real, chances @ self.corners.imag
        gain = float(gains.sum(dtype=np.float64))
        gain += width * float(np.log(total).sum(dtype=np.float64))
        return Shares(gain, mean, some, chances)
