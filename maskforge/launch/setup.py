"""A bench in SI units: what a launch is prepared from."""

from dataclasses import dataclass

import numpy as np

from maskforge.base.device import CPU, Device
from maskforge.base.errors import BenchError
from maskforge.fiber.profile import Fiber
from maskforge.launch.basis import Basis
from maskforge.launch.light import Light
from maskforge.launch.modulator import Carrier, Modulator
from maskforge.launch.passage import Passage


@dataclass(frozen=True, eq=False)
class Setup:
    """Light, panel, lens and fibre, in m and rad.

    `lens_offset`: middle of the mask, (x, y) from the lens's axis.  `fiber_at`: where on the facet
    the fibre's axis stands, (x, y) in m from the zero order; None: on the carrier's order.
    `device`: where the arrays of its pixels are.  `passage`: what lies behind the guided modes, to
    whose outputs couplings then go; None: nothing.
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
