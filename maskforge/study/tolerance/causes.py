"""What may be wrong with a bench: the errors, their units, and how far they are swept."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.bench import Bench

DEGREE = float(np.pi / 180)
PERCENT = 1e-2

VALUES = 9
"""Of each error in a sweep, 0 among them."""

WORDS = {"%": "percent", "waves rms": "waves", "deg rms": "deg"}
"""Units that are spelled otherwise in a key."""


@dataclass(frozen=True)
class Errors:
    """How far a bench is off, all at once; SI units, shares and rad.  0: as its file says.

    `fiber_offset`, `fiber_tilt`: of the fibre's end, x and y; a tilt turns its axis towards +x or
    +y.  `defocus` > 0: the facet lies behind the focal plane.  `beam_offset`: of the beam on the
    modulator.  `waist`: of both axes.  `ellipticity`: 1 + it is the factor on the ratio of the
    waists, first axis to second, their product kept.  `phase_depth`: of all states' phases against
    that of state 0.  `grey_table`: rms error of a state's phase.  `crosstalk` in pixels, added in
    quadrature to the bench's.  `dead_pixels`: share of pixels stuck in state 0.  `flatness`: rms
    waves.  `core_radius`: of all radii of the profile.  `alpha`: added to the exponent.
    """

    fiber_offset_x: float = 0.0
    fiber_offset_y: float = 0.0
    fiber_tilt_x: float = 0.0
    fiber_tilt_y: float = 0.0
    defocus: float = 0.0
    beam_offset_x: float = 0.0
    beam_offset_y: float = 0.0
    waist: float = 0.0
    ellipticity: float = 0.0
    focal_length: float = 0.0
    wavelength: float = 0.0
    phase_depth: float = 0.0
    grey_table: float = 0.0
    crosstalk: float = 0.0
    dead_pixels: float = 0.0
    flatness: float = 0.0
    core_radius: float = 0.0
    na: float = 0.0
    alpha: float = 0.0


@dataclass(frozen=True)
class Cause:
    """One error: its field in `Errors` and how people see it.

    `factor`: one `unit` in SI.  `half_range` of the sweep, in units: to both signs where `signed`.
    `most`: largest standard deviation that makes sense, in units.
    """

    field: str
    name: str
    unit: str
    factor: float
    half_range: float
    most: float
    signed: bool = True

    @property
    def column(self) -> str:
        """Its name with the unit, in files."""
        return "_".join(filter(None, (self.field, WORDS.get(self.unit, self.unit))))

    @property
    def key(self) -> str:
        """Its key in a file of deviations; x and y of a pair share one."""
        pair = self.field.removesuffix("_x").removesuffix("_y")
        return self.column.replace(self.field, pair, 1)

    @property
    def title(self) -> str:
        """Name and unit, as on an axis."""
        return f"{self.name}, {self.unit}" if self.unit else self.name

    def values(self, count: int) -> NDArray[np.float64]:
        """`count` values of the sweep in units, 0 among them, ascending."""
        least = -self.half_range if self.signed else 0.0
        return np.linspace(least, self.half_range, count)

    def errors(self, value: float) -> Errors:
        """This error alone, `value` in units."""
        return Errors(**{self.field: value * self.factor})


CAUSES = (
    Cause("fiber_offset_x", "fibre offset x", "um", 1e-6, 2.0, 50.0),
    Cause("fiber_offset_y", "fibre offset y", "um", 1e-6, 2.0, 50.0),
    Cause("fiber_tilt_x", "fibre tilt x", "deg", DEGREE, 1.0, 10.0),
    Cause("fiber_tilt_y", "fibre tilt y", "deg", DEGREE, 1.0, 10.0),
    Cause("defocus", "defocus", "um", 1e-6, 50.0, 1000.0),
    Cause("beam_offset_x", "beam offset x", "mm", 1e-3, 0.2, 5.0),
    Cause("beam_offset_y", "beam offset y", "mm", 1e-3, 0.2, 5.0),
    Cause("waist", "beam waist", "%", PERCENT, 10.0, 20.0),
    Cause("ellipticity", "beam ellipticity", "%", PERCENT, 10.0, 20.0),
    Cause("focal_length", "focal length", "%", PERCENT, 2.0, 10.0),
    Cause("wavelength", "wavelength", "nm", 1e-9, 10.0, 20.0),
    Cause("phase_depth", "phase depth", "%", PERCENT, 10.0, 20.0),
    Cause("grey_table", "grey table", "deg rms", DEGREE, 10.0, 90.0, signed=False),
    Cause("crosstalk", "crosstalk", "px", 1.0, 1.0, 5.0, signed=False),
    Cause("dead_pixels", "dead pixels", "%", PERCENT, 1.0, 10.0, signed=False),
    Cause("flatness", "flatness", "waves rms", 1.0, 0.1, 1.0, signed=False),
    Cause("core_radius", "core radius", "%", PERCENT, 2.0, 10.0),
    Cause("na", "fibre NA", "%", PERCENT, 2.0, 10.0),
    Cause("alpha", "fibre alpha", "", 1.0, 0.1, 0.2),
)
"""In the order of tables; half-ranges are common practice at a bench, without a source."""

assert tuple(cause.field for cause in CAUSES) == tuple(field.name for field in fields(Errors))


OF_DEVICE = "wavelength", "core_radius", "na", "alpha"
"""Fields of causes that change the guided modes, of which a device was measured."""


def left_out(bench: Bench) -> dict[str, str]:
    """Fields of the causes that a bench has no parameter for, and why."""
    found = {}
    if bench.light.image is not None:
        found["ellipticity"] = "the beam is a picture"
    if bench.fiber.alpha is None:
        found["alpha"] = f'the profile "{bench.fiber.profile}" has none here'
    if bench.device.matrices:
        found |= dict.fromkeys(OF_DEVICE, "the device's matrix is of this fibre and light")
    return found


def causes_of(bench: Bench) -> tuple[Cause, ...]:
    """The causes that a bench has a parameter for."""
    without = left_out(bench)
    return tuple(cause for cause in CAUSES if cause.field not in without)


def cause_named(field: str) -> Cause:
    """The cause of a field of `Errors`."""
    for cause in CAUSES:
        if cause.field == field:
            return cause
    raise BenchError(f"{field}: no such cause")
