"""Fibres that the tests of this folder share."""

import math
from collections.abc import Callable

from maskforge.fiber import (
    SILICA,
    Fiber,
    Profile,
    RadialMode,
    fiber_of_indices,
    germania_doped,
    germania_fraction,
    power_law,
    step,
)

WAVELENGTH = 1.55e-6
NA = 0.2
CLADDING = 1.444


def normalised(v: float, maker: Callable[[float], Profile] = step, na: float = NA) -> Fiber:
    """Non-dispersive fibre of a given V; `maker` makes a profile of a core radius."""
    radius = v * WAVELENGTH / (2.0 * math.pi * na)
    core = math.sqrt(CLADDING**2 + na**2)
    return fiber_of_indices(maker(radius), WAVELENGTH, core, CLADDING)


def parabola(radius: float) -> Profile:
    return power_law(radius, 2.0)


def doped(profile: Profile, wavelength: float, fraction: float) -> Fiber:
    glass = germania_doped(fraction)
    return Fiber(
        profile,
        wavelength,
        glass.index(wavelength),
        SILICA.index(wavelength),
        glass.group_index(wavelength),
        SILICA.group_index(wavelength),
    )


def graded_50(wavelength: float) -> Fiber:
    """Core 50 um, alpha 2, NA 0.2 at the wavelength given."""
    core = math.hypot(SILICA.index(wavelength), NA)
    return doped(parabola(25e-6), wavelength, germania_fraction(wavelength, core))


def b_of(mode: RadialMode, fiber: Fiber) -> float:
    return (mode.n_eff**2 - fiber.cladding_index**2) / fiber.na**2
