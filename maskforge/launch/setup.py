"""A bench in SI units: what a launch is prepared from."""

from dataclasses import dataclass

from maskforge.base.device import CPU, Device
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
