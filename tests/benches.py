"""Small benches that the tests share."""

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.fiber import (
    SILICA,
    Fiber,
    fiber_of_indices,
    germania_doped,
    germania_fraction,
    power_law,
    solve,
    step,
)
from maskforge.launch.basis import Basis, basis_of
from maskforge.launch.couplings import Launch, prepare
from maskforge.launch.light import Light
from maskforge.launch.modulator import Alphabet, Carrier, Modulator, continuous
from maskforge.launch.setup import Setup

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

WAVELENGTH = 1.55e-6
FOCAL_LENGTH = 16e-3
SCALE = WAVELENGTH * FOCAL_LENGTH

MODE_WAIST = 8e-6
"""Of the parabola's LP01, on the facet."""

MASK_WAIST = SCALE / (math.pi * MODE_WAIST)
"""Of the same mode on the modulator; Kogelnik and Li, Appl. Opt. 5, 1550 (1966)."""

POINT = 1e-8
"""Fill factor of pixels so small that their envelope is 1: couplings are then POINT times the plain
sum over pixel centres, which for smooth fields is the integral to rounding."""


NODES = 4
"""Of Gauss and Legendre along a pixel: exact to degree 7, where waves turn by a radian or two."""


def in_squares(count: int, pitch: float, width: float) -> tuple[Real, Real]:
    """Places (count NODES,) and weights along squares of `width` about centres `pitch` apart."""
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    centres = (np.arange(count) - (count - 1) / 2) * pitch
    places = centres[:, None] + nodes * width / 2
    return places.ravel(), np.tile(weights * width / 2, count)


def direct_sums(
    basis: Basis,
    shape: tuple[int, int],
    pitch: float,
    fill: float,
    waist: float,
    middle: Sequence[float],
    scale: float,
    gap_reflectance: float,
) -> tuple[Complex, Complex]:
    """(weights (K, pixels), couplings of the gaps (K,)) of a round beam about the mask's middle.

    Modes on a fine grid about `middle` (m on the facet from the zero order), pixels one by one.
    """
    far = max(mode.radial.field.radius_enclosing(1e-15) for mode in basis)
    u = np.linspace(-far, far, 161)
    r, theta = np.hypot(u, u[:, None]), np.arctan2(u[:, None], u)
    rows, columns = shape
    parts = {}
    for width in (pitch * math.sqrt(fill), pitch):
        (x, dx), (y, dy) = (in_squares(n, pitch, width) for n in shape[::-1])
        light = np.exp(-(x**2 + y[:, None] ** 2) / waist**2) * dy[:, None] * dx
        light *= math.sqrt(2 / math.pi) / waist
        across, up = (
            np.exp(-2j * math.pi / scale * np.outer(u + m, z))
            for m, z in zip(middle, (x, y), strict=True)
        )
        parts[width] = light, across, up
    weights = np.empty((len(basis), rows * columns), dtype=complex)
    gaps = np.empty(len(basis), dtype=complex)
    for mode in basis:
        turn = {None: math.sqrt(0.5), "cos": np.cos(mode.l * theta), "sin": np.sin(mode.l * theta)}
        field = mode.radial.field(r) * turn[mode.part] / math.sqrt(math.pi)
        factor = (u[1] - u[0]) ** 2 / (1j * scale)
        active, whole = (
            factor * light * (up.T @ field @ across) for light, across, up in parts.values()
        )
        weights[mode.index] = active.reshape(rows, NODES, columns, NODES).sum(axis=(1, 3)).ravel()
        gaps[mode.index] = math.sqrt(gap_reflectance) * (whole.sum() - active.sum())
    return weights, gaps


@lru_cache(maxsize=8)
def parabola(groups: int) -> tuple[Fiber, Basis]:
    """The first groups of a parabola so deep (V = 60) that its modes are Laguerre-Gauss to 1e-8."""
    v, cladding = 60.0, 1.444
    radius = MODE_WAIST * math.sqrt(v / 2)  # w^2 = 2 a^2 / V
    na = v * WAVELENGTH / (2 * math.pi * radius)
    fiber = fiber_of_indices(power_law(radius, 2.0), WAVELENGTH, math.hypot(cladding, na), cladding)
    return fiber, basis_of(solve(fiber, groups=groups))


@lru_cache(maxsize=8)
def graded_50(groups: int | None = None) -> tuple[Fiber, Basis]:
    """Core 50 um, NA 0.2, 1550 nm."""
    core = math.hypot(SILICA.index(WAVELENGTH), 0.2)
    glass = germania_doped(germania_fraction(WAVELENGTH, core))
    fiber = Fiber(
        power_law(25e-6, 2.0),
        WAVELENGTH,
        core,
        SILICA.index(WAVELENGTH),
        glass.group_index(WAVELENGTH),
        SILICA.group_index(WAVELENGTH),
    )
    return fiber, basis_of(solve(fiber, groups=groups))


@lru_cache(maxsize=2)
def step_of(v: float) -> tuple[Fiber, Basis]:
    """Step index, NA 0.14."""
    radius = v * WAVELENGTH / (2 * math.pi * 0.14)
    fiber = fiber_of_indices(step(radius), WAVELENGTH, math.hypot(1.444, 0.14), 1.444)
    return fiber, basis_of(solve(fiber))


def beam(rho: float = 1.0, **changes: Any) -> Light:
    """A round beam of `rho` times the parabola's waist on the modulator."""
    return Light(WAVELENGTH, (rho * MASK_WAIST, rho * MASK_WAIST), **changes)


def on_parabola(
    light: Light,
    *,
    groups: int = 3,
    shape: tuple[int, int] = (128, 128),
    pitch: float = MASK_WAIST / 12,
    alphabet: Alphabet | None = None,
    carrier: Carrier | None = None,
    fill_factor: float = POINT,
    **changes: Any,
) -> Launch:
    """Light and pixels in front of the deep parabola; `changes` of the modulator."""
    fiber, basis = parabola(groups)
    pixels = alphabet or continuous()
    modulator = Modulator(shape, pitch, pixels, fill_factor=fill_factor, **changes)
    return prepare(Setup(light, modulator, carrier or Carrier(), FOCAL_LENGTH, fiber, basis))
