"""Refractive and group index of fused silica, germania and their mixtures."""

import math
from dataclasses import dataclass

from maskforge.base.errors import BenchError
from maskforge.fiber.roots import root_between

SHORTEST_WAVELENGTH = 0.21e-6
"""m; Malitson's silica data begin here."""

LONGEST_WAVELENGTH = 3.71e-6
"""m; Malitson's silica data end here."""


@dataclass(frozen=True)
class Glass:
    """Three-term Sellmeier glass, n^2 = 1 + sum A_i L^2 / (L^2 - L_i^2).

    `strengths` are the A_i, `resonances` the L_i in m.
    """

    strengths: tuple[float, float, float]
    resonances: tuple[float, float, float]

    def index(self, wavelength: float) -> float:
        """Refractive index at a vacuum wavelength in m; BenchError outside 0.21..3.71 um."""
        square = _checked(wavelength) ** 2
        terms = zip(self.strengths, self.resonances, strict=True)
        return math.sqrt(1.0 + sum(a * square / (square - r**2) for a, r in terms))

    def group_index(self, wavelength: float) -> float:
        """Group index n - L dn/dL (derivative taken analytically); same range as `index`."""
        square = _checked(wavelength) ** 2
        n = self.index(wavelength)
        terms = zip(self.strengths, self.resonances, strict=True)
        return n + square / n * sum(a * r**2 / (square - r**2) ** 2 for a, r in terms)


def _checked(wavelength: float) -> float:
    if not SHORTEST_WAVELENGTH <= wavelength <= LONGEST_WAVELENGTH:
        raise BenchError(
            f"glass: wavelength {wavelength * 1e6:g} um is outside the range of the Sellmeier "
            f"data, {SHORTEST_WAVELENGTH * 1e6:g} to {LONGEST_WAVELENGTH * 1e6:g} um"
        )
    return wavelength


SILICA = Glass((0.6961663, 0.4079426, 0.8974794), (0.0684043e-6, 0.1162414e-6, 9.896161e-6))
"""Fused silica; I. H. Malitson, J. Opt. Soc. Am. 55, 1205 (1965)."""

GERMANIA = Glass(
    (0.80686642, 0.71815848, 0.85416831), (0.068972606e-6, 0.15396605e-6, 11.841931e-6)
)
"""Vitreous GeO2; J. W. Fleming, Appl. Opt. 23, 4486 (1984)."""


def germania_doped(fraction: float) -> Glass:
    """Silica with a mole fraction 0..1 of germania: A_i and L_i mixed linearly.

    The rule is Fleming's, Appl. Opt. 23, 4486 (1984). Raises BenchError outside 0..1.
    """
    if not 0.0 <= fraction <= 1.0:
        raise BenchError(f"glass: germania mole fraction {fraction:g} is outside 0 to 1")
    return Glass(
        _mix(SILICA.strengths, GERMANIA.strengths, fraction),
        _mix(SILICA.resonances, GERMANIA.resonances, fraction),
    )


def _mix(
    first: tuple[float, float, float], second: tuple[float, float, float], share: float
) -> tuple[float, float, float]:
    a, b, c = ((1.0 - share) * x + share * y for x, y in zip(first, second, strict=True))
    return a, b, c


def germania_fraction(wavelength: float, index: float) -> float:
    """Mole fraction of germania that gives `index` at `wavelength` (m).

    Inverse of `germania_doped`; BenchError when no mixture has this index.
    """
    low, high = SILICA.index(wavelength), GERMANIA.index(wavelength)
    if not low <= index <= high:
        raise BenchError(
            f"glass: index {index:g} at {wavelength * 1e9:g} nm is outside what germania-doped "
            f"silica reaches, {low:.6f} to {high:.6f}"
        )
    if index in (low, high):
        return 0.0 if index == low else 1.0

    def excess(fraction: float) -> float:
        return germania_doped(fraction).index(wavelength) - index

    return root_between(excess, 0.0, 1.0, xtol=1e-15, rtol=1e-14)
