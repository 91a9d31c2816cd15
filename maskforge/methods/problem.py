"""What every design takes and gives."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskforge.base.csv_text import finite
from maskforge.base.errors import BenchError
from maskforge.launch.couplings import Launch, Scenario
from maskforge.launch.modulator import Complex, Levels
from maskforge.launch.prediction import Prediction
from maskforge.launch.targets import Target

Field = NDArray[np.complexfloating]

PHASES = 24
"""Overall phases tried: a multiple of 2, 3, 4, 6 and 8 levels, 15 degrees apart."""

NOMINAL = "the nominal scenario"

NEAR_PHASES = 5.0
"""degrees: see `Robust.bound_near`; costs it some 0.4 % of the amplitude, and more where the purity
is dear."""

SAMPLED = 16384
"""Pixels on which they are compared, spread evenly over the mask."""


@dataclass(frozen=True, eq=False)
class Problem:
    """Launch `target` on this bench, at least `purity` pure, and so in every other scenario."""

    launch: Launch
    target: Target
    purity: float = 0.999
    others: tuple[Scenario, ...] = ()

    def __post_init__(self) -> None:
        if not 0.5 < self.purity < 1:
            raise BenchError(f"purity = {self.purity:g}: above 0.5 and below 1")


@dataclass(frozen=True)
class Settings:
    """How a design goes about it: the iterative one, but for the last.

    `window_factor`: radius of the signal window in core radii.  `amplitude`: of the window's field,
    as a share of what the simple mask launches; None: the largest that gets the asked purity.
    `start`: the phase that it starts from, `target` (the simple mask) or `random`.  `seed` of the
    order in which pixels are quantised, and of a random start.  `on_shortfall`: what `dual` does
    where the asked purity cannot be had, one of `shortfall.SHARES`.
    """

    window_factor: float = 1.5
    iterations: int = 200
    amplitude: float | None = None
    start: str = "target"
    seed: int = 0
    on_shortfall: str = "purest"


@dataclass(frozen=True, eq=False)
class Certificate:
    """Proof of a bound for a target at a purity, whatever the overall phase (see `cover`).

    `multipliers` (n, K) of the dual, each for the phases of <t, c> in one of `spans` (n, 2): from
    and to, in steps of `cover.STEP`; together they go once around.
    """

    target: Target
    purity: float
    multipliers: Complex
    spans: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Alone:
    """What bounds the coupling of one of several scenarios by itself: a `Certificate`'s numbers."""

    purity: float
    multipliers: Complex
    spans: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Joint:
    """Proof of a bound of the mean amplitude over n scenarios, whatever the phases (see
    `mean_of_scenarios`).

    For masks at least `purity` pure in every scenario.  `multipliers`: of each scenario, all
    together; `sectors` (m, 2) of the common phase, middle and half width, and the `weights`
    (m, n + 3) that bound the sum in each (see `phases_of_scenarios`).  `alone`: of each scenario
    its own proof; none where all together prove enough.
    """

    purity: float
    multipliers: tuple[Complex, ...]
    sectors: NDArray[np.float64]
    weights: NDArray[np.float64]
    alone: tuple[Alone, ...] = ()


@dataclass(frozen=True, eq=False)
class Robust:
    """What a mask for several scenarios has beside its figures in the nominal one, which is first.

    `before`: purities of the mask that is designed for the nominal scenario alone.  `bound`: of
    `mean`, for masks at least `bound_purity` pure in every scenario, whatever the phases of their
    wanted couplings; None: not known.  `bound_near`: the same for those alone whose phases are all
    within NEAR_PHASES of this mask's.  `bound_asked`: of `mean` at the purity that was asked for,
    where a lower one is designed, never above `bound`; `proof` and `asked` prove them.
    """

    scenarios: tuple[str, ...]
    purities: tuple[float, ...]
    efficiencies: tuple[float, ...]
    before: tuple[float, ...]
    bound: float | None
    bound_near: float | None
    proof: Joint
    bound_asked: float | None = None
    asked: Joint | None = None

    @property
    def bound_purity(self) -> float:
        return self.proof.purity

    @property
    def multipliers(self) -> tuple[Complex, ...]:
        return self.proof.multipliers

    @property
    def worst(self) -> tuple[str, float]:
        """The scenario in which the mask is least pure, and how pure."""
        return min(zip(self.scenarios, self.purities, strict=True), key=lambda pair: pair[1])

    @property
    def mean(self) -> float:
        """Square of the mean amplitude in the target, over the scenarios."""
        return float(np.mean(np.sqrt(self.efficiencies)) ** 2)

    @property
    def gap(self) -> float | None:
        """1 - mean/bound."""
        return 1 - self.mean / self.bound if self.bound else None

    @property
    def gap_near(self) -> float | None:
        """1 - mean/bound_near."""
        return 1 - self.mean / self.bound_near if self.bound_near else None


@dataclass(frozen=True, eq=False)
class Design:
    """A mask: `states` (rows, columns), y up, indices into the modulator's alphabet.

    `prediction` is the full model's for these states; `reached` says whether the asked purity was
    got; `status` says how it ended and, if it was not, what would help.  `bound`: of the efficiency
    at the certificate's purity; None: not known.  `robust`: of a design for several scenarios.
    `asked`: the purity that was asked for; where a lower one is designed, `bound_asked` is the
    bound of the efficiency at the asked one (0: no mask is so pure), and `excluded` proves it.
    """

    states: Levels
    prediction: Prediction
    method: str
    reached: bool
    status: str
    bound: float | None = None
    certificate: Certificate | None = None
    robust: Robust | None = None
    asked: float | None = None
    excluded: Certificate | None = None
    bound_asked: float | None = None
    aim: float | None = None
    """Behind a device: the purity by its matrix as measured that was aimed at."""


def overall_phase(launch: Launch, vector: Complex, back: Field) -> complex:
    """The free phase factor of a target `vector` (K,) whose back-propagated field is `back`.

    Of PHASES around the full turn, begun where the field is as real as can be along the alphabet's
    longest direction, the one at which the simple mask launches most is kept: the sum of supports
    (on some of the pixels) and the target's share of the gaps' light.
    """
    alphabet = launch.modulator.alphabet
    spread = alphabet.values - alphabet.values.mean()
    along = float(np.angle(spread[np.argmax(np.abs(spread))]))
    first = along - 0.5 * float(np.angle(np.sum(back**2)))
    stride = max(1, back.size // SAMPLED)
    some = back.ravel()[::stride] * stride
    gap = np.vdot(vector, launch.gaps)
    tried = np.exp(1j * (first + 2 * np.pi * np.arange(PHASES) / PHASES))
    gains = [
        np.real(
            np.vdot(some * turn, alphabet.values[alphabet.support(some * turn)])
            + np.conj(turn) * gap
        )
        for turn in tried
    ]
    return complex(tried[int(np.argmax(gains))])


def supported(launch: Launch, back: Field) -> Complex:
    """Values (rows, columns) of the alphabet that lie furthest along `back` on every pixel."""
    alphabet = launch.modulator.alphabet
    return np.asarray(alphabet.values[alphabet.support(back)], dtype=complex)


def efficiency_of(bound: float) -> float:
    """The efficiency that a bound of |<t, c>| leaves; 0 below 0, where no mask is so pure."""
    return max(bound, 0.0) ** 2


def gap_of(efficiency: float, bound: float | None) -> float | None:
    """1 - efficiency/bound; None without a bound."""
    return finite(1 - efficiency / bound) if bound else None
