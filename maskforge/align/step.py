"""What a step of a bring-up is: frames, what each shows, the detector, a text for the person."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from maskforge.align.scene import Detector, Scene
from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError, Range
from maskforge.base.wording import shown
from maskforge.launch.light import Real
from maskforge.launch.modulator import Carrier
from maskforge.launch.panel import Picture

if TYPE_CHECKING:
    from maskforge.align.fit import Changes, FitResult, Results
    from maskforge.align.readings import Readings
    from maskforge.align.stack import Stack
    from maskforge.bench import Bench

Value = float | int | str | None
Values = Mapping[str, Value]
"""What a frame shows, in the units of its keys; None: the part that they speak of is not there."""

DEFAULT_PERIOD = 8.0
"""Pixels of a carrier where the bench has none: four levels fit, and neighbours hardly blur."""

BETWEEN = 0.64
"""Least share of a carrier's frequency along either axis for it to be slanted: 40 to 50 deg."""

LIMITS: Mapping[str, Range] = {
    "points": Range(5, 201, whole=True),
    "span": Range(1e-9, 1e6),
    "period": Range(4, 1000, "pixels"),
}
"""What a person may choose."""


@dataclass(frozen=True)
class Choices:
    """What a person asks of a step; None: the step's own.

    `points` along a scan, `span` from its first to its last in the step's unit, `period` in pixels
    of the carrier or grating, `noll`: indices of a Zernike scan.  Raises BadValueError, which names
    the key.
    """

    points: int | None = None
    span: float | None = None
    period: float | None = None
    noll: tuple[int, ...] | None = None

    def __post_init__(self) -> None:
        for key, rule in LIMITS.items():
            value = getattr(self, key)
            try:
                if value is not None:
                    rule(value)
            except BadValueError as problem:
                raise BadValueError(problem.text, key, value) from None

    def counted(self, usual: int) -> int:
        return self.points or usual

    def stretched(self, usual: float, unit: float = 1.0) -> float:
        """The span in SI units; `unit`: of the number that the person gives."""
        return usual if self.span is None else self.span * unit


def number(values: Values, key: str) -> float:
    """The number that a frame has for a key; BenchError where it has none."""
    value = values.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BenchError(f"{key} = {shown(value)}: must be a number")
    return float(value)


@dataclass(frozen=True, eq=False)
class Shots:
    """The frames of a step on one bench.

    `frames`: what each shows; the first one is the reference, shown again and again against drift.
    `picture` makes one.  `watch`: what to look for and to do, in lines.
    """

    detector: Detector
    frames: tuple[Values, ...]
    picture: Callable[[Values], Picture]
    watch: tuple[str, ...]


@dataclass(frozen=True)
class Step:
    """What one step shows, finds and changes.

    `make` gives the frames: it raises BenchError where this bench cannot do it, BadValueError where
    a choice cannot be.  `fit` takes what the readings tell of them, and `changes` what that does to
    the bench file (None: no key of it holds the result); both raise BenchError.  `allowed`: the
    choices that it knows; `unit`: of the span.  `scanned`: the key of a frame's values that runs;
    `by`: the one that tells scans apart.  `after`: the step that follows.  `left`: what of the
    result stays as the bench had it, in lines.
    """

    name: str
    purpose: str
    make: Callable[[Scene, Choices], Shots]
    fit: "Callable[[Stack, Readings], FitResult]"
    changes: "Callable[[Bench, Stack, Results], Changes] | None"
    allowed: tuple[str, ...]
    unit: str
    scanned: str
    by: str
    after: str
    left: "Callable[[Bench, Results], tuple[str, ...]] | None" = None


def spread(middle: float, span: float, count: int) -> Real:
    """`count` values around a middle."""
    return middle + np.linspace(-span / 2, span / 2, count)


def clipped(ends: tuple[float, float], middle: float, span: float) -> tuple[float, float]:
    """Where a scan around a middle begins and ends on a panel with these ends."""
    return max(middle - span / 2, ends[0]), min(middle + span / 2, ends[1])


def slanted(scene: Scene, choices: Choices) -> Carrier:
    """A carrier with a part along x and along y: no edge along an axis sends light to its order."""
    own = scene_carrier(scene, choices)
    least = min(abs(part) for part in own.frequency) * own.period
    return own if least >= BETWEEN else Carrier(own.period, np.pi / 4)


def scene_carrier(scene: Scene, choices: Choices) -> Carrier:
    """The bench's carrier, its period as chosen; without one, a usual one at 45 degrees."""
    design = scene.bench.design
    period = choices.period or design.carrier_period_px or DEFAULT_PERIOD
    angle = design.carrier_angle_deg if design.carrier_period_px else 45.0
    return Carrier(period, float(np.deg2rad(angle)))


def fiber_carrier(scene: Scene, choices: Choices, step: str) -> Carrier:
    """The carrier on whose order the fibre lies; BenchError where two states need one."""
    own = scene.bench.design
    if choices.period is None and own.carrier_period_px == 0.0:
        if scene.modulator.alphabet.is_line:
            raise BenchError(
                f"{scene.bench.source}: [design] carrier_period_px = 0: --step {step} needs a "
                "carrier on a panel of two states, which shows every tilt and bend together with "
                "its opposite; give --period, such as 6, and bring the fibre to that order"
            )
        return Carrier()
    return scene_carrier(scene, choices)


def whole_period(choices: Choices) -> int:
    """A period of whole pixels, a multiple of 4; BadValueError for another."""
    period = choices.period or DEFAULT_PERIOD
    if period % 4:
        raise BadValueError("must be a multiple of 4 pixels for this step", "period", f"{period:g}")
    return int(period)


def millimetres(value: float) -> float:
    """m as mm, rounded to a picometre."""
    return round(value * 1e3, 9)


def micrometres(value: float) -> float:
    """m as um, rounded to a picometre."""
    return round(value * 1e6, 6)
