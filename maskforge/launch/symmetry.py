"""Turns and mirrors that leave a bench as it is, so that one design serves several targets.

The lens turns with the mask: a mask turned by g sends the facet field turned by g.  Where light,
pixels and carrier are the same after g, the couplings of the turned mask are those of the mask
with g applied to the modes, and so are the multipliers that prove its bound.  A turned mask is
judged anew all the same: it is an image only where the full model finds its source's figures again.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from maskforge.launch.basis import Basis, rotated
from maskforge.launch.couplings import Launch
from maskforge.launch.light import Complex
from maskforge.launch.targets import Target

Pixel = TypeVar("Pixel", bound=np.generic)

SAME = 1e-12
"""Of the strongest pixel's light, or of a target's unit vector: equal but for rounding."""


@dataclass(frozen=True)
class Turn:
    """`quarters` of a full turn, counter-clockwise, after a mirror y -> -y where `mirrored`."""

    quarters: int
    mirrored: bool

    def mask(self, pixels: NDArray[Pixel]) -> NDArray[Pixel]:
        """Pixels (rows, columns), y up, turned."""
        return np.rot90(pixels[::-1] if self.mirrored else pixels, -self.quarters)

    def place(self, point: tuple[float, float]) -> complex:
        """Where a point (x, y) comes to lie, as x + i y."""
        x, y = point
        return complex(x, -y if self.mirrored else y) * 1j**self.quarters

    def vector(self, basis: Basis, vector: Complex) -> Complex:
        """The vector (K,) of a field turned."""
        signs = [-1.0 if self.mirrored and mode.part == "sin" else 1.0 for mode in basis]
        return rotated(basis, np.array(signs) * vector, 90.0 * self.quarters)


TURNS = tuple(Turn(k, mirrored) for mirrored in (False, True) for k in range(4))[1:]
"""The symmetries of a square, less the one that does nothing."""

OF_ALL = Turn(1, mirrored=False), Turn(0, mirrored=True)
"""Those that the others are made of."""


@lru_cache(maxsize=2)
def symmetries(launch: Launch) -> tuple[Turn, ...]:
    """Those of TURNS that leave the launch as it is."""
    # a size is slow to take, its square is not
    brightest = float(np.max(_squares(launch.incident)))
    if all(_leaves(launch, turn, brightest) for turn in OF_ALL):
        return TURNS
    return tuple(turn for turn in TURNS if _leaves(launch, turn, brightest))


def _leaves(launch: Launch, turn: Turn, brightest: float) -> bool:
    light, pitch = launch.incident, launch.modulator.pitch_seen
    if turn.quarters % 2 and (light.shape[0] != light.shape[1] or pitch[0] != pitch[1]):
        return False
    for point in (launch.centre, launch.lens_offset):
        if abs(turn.place(point) - complex(*point)) > SAME * launch.core_radius:
            return False
    if np.max(np.abs(turn.vector(launch.basis, launch.gaps) - launch.gaps)) > SAME:
        return False
    return bool(np.max(_squares(turn.mask(light) - light)) <= SAME**2 * brightest)


def _squares(light: NDArray[np.complex128]) -> NDArray[np.float64]:
    return np.asarray(light.real**2 + light.imag**2)


def images(basis: Basis, turns: tuple[Turn, ...], target: Target) -> Complex:
    """The target's vectors (turns, K) after each of `turns`."""
    vectors = [turn.vector(basis, target.vector) for turn in turns]
    return np.asarray(vectors, dtype=complex).reshape(len(turns), len(basis))


def turn_to(turns: tuple[Turn, ...], found: Complex, target: Target) -> Turn | None:
    """Which turn makes a target of `images` found this one but for its phase; None: none does."""
    along = np.abs(found.conj() @ target.vector)
    return next(
        (turn for turn, length in zip(turns, along, strict=True) if length > 1 - SAME), None
    )
