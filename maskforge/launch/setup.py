"""A bench in SI units: what a launch is prepared from."""

from dataclasses import dataclass

from maskforge.fiber.profile import Fiber
from maskforge.launch.basis import Basis
from maskforge.launch.light import Light
from maskforge.launch.modulator import Carrier, Modulator


@dataclass(frozen=True, eq=False)
class Setup:
    """Light, panel, lens and fibre, in m and rad.

    The fibre stands on the carrier's order; `lens_offset`: middle of the mask, (x, y) from the
    lens's axis.
    """

    light: Light
    modulator: Modulator
    carrier: Carrier
    focal_length: float
    fiber: Fiber
    basis: Basis
    lens_offset: tuple[float, float] = (0.0, 0.0)

    @property
    def scale(self) -> float:
        """lambda f in m^2."""
        return self.light.wavelength * self.focal_length

    @property
    def place(self) -> tuple[float, float]:
        """Where on the facet the carrier's order lies, in m from the zero order."""
        (x, y), (pitch_x, pitch_y) = self.carrier.frequency, self.modulator.pitch_seen
        return self.scale * x / pitch_x, self.scale * y / pitch_y
