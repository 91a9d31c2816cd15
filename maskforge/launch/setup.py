"""A bench in SI units: what a launch is prepared from."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from maskforge.base.device import CPU, Device
from maskforge.base.errors import BenchError
from maskforge.fiber.profile import Fiber
from maskforge.launch.basis import Basis, unpolarised
from maskforge.launch.light import Light
from maskforge.launch.modulator import Carrier, Modulator
from maskforge.launch.passage import Passage


@dataclass(frozen=True, eq=False)
class Half:
    """One of two apertures of a panel, each of which sends light of a polarisation of its own.

    `amplitude`: complex, that of its light at the fibre; the squares of both add up to 1.
    """

    modulator: Modulator
    amplitude: complex


@dataclass(frozen=True, eq=False)
class Setup:
    """Light, panel, lens and fibre, in m and rad.

    `lens_offset`: middle of the mask, (x, y) from the lens's axis.  `fiber_at`: where on the facet
    the fibre's axis stands, (x, y) in m from the zero order; None: on the carrier's order.
    `device`: where the arrays of its pixels are.  `passage`: what lies behind the guided modes, to
    whose outputs couplings then go; None: nothing.  `halves`: the apertures of two polarisations,
    the same beam about the middle of each; the basis has the modes of both, `modulator` both masks.
    """

    light: Light
    modulator: Modulator
    carrier: Carrier
    focal_length: float
    fiber: Fiber
    basis: Basis
    lens_offset: tuple[float, float] = (0.0, 0.0)
    fiber_at: tuple[float, float] | None = None
    device: Device = CPU
    passage: Passage | None = None
    halves: tuple[Half, ...] = ()

    def with_panel(self, **changes: Any) -> "Setup":
        """The same with other properties of the panel, whatever its apertures."""
        halves = (replace(one, modulator=replace(one.modulator, **changes)) for one in self.halves)
        return replace(self, modulator=replace(self.modulator, **changes), halves=tuple(halves))

    @property
    def alone(self) -> "tuple[Setup, ...]":
        """Each of two apertures by itself, before any device."""
        basis = unpolarised(self.basis)
        return tuple(
            replace(self, modulator=one.modulator, basis=basis, passage=None, halves=())
            for one in self.halves
        )

    @property
    def scale(self) -> float:
        """lambda f in m^2."""
        return self.light.wavelength * self.focal_length

    @property
    def place(self) -> tuple[float, float]:
        """Where on the facet the fibre's axis is, in m from the zero order."""
        if self.fiber_at is not None:
            return self.fiber_at
        (x, y), (pitch_x, pitch_y) = self.carrier.frequency, self.modulator.pitch_seen
        return self.scale * x / pitch_x, self.scale * y / pitch_y


def check_window(setup: Setup) -> None:
    """BenchError where the pixels show less of the facet than the core."""
    pitch, core = max(setup.modulator.pitch_seen), setup.fiber.profile.core_radius
    half_window = setup.scale / (2 * pitch)
    if half_window < core:
        least = np.ceil(1e5 * 2 * pitch * core / setup.light.wavelength) / 100
        raise BenchError(
            f"[lens] focal_length_mm = {1e3 * setup.focal_length:g}: pixels of "
            f"{1e6 * pitch:g} um reach {1e6 * half_window:.3g} um of the facet, less than the core "
            f"radius of {1e6 * core:g} um; at least {least:g} mm do"
        )
