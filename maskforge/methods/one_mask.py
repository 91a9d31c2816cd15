"""One mask from one solution of the dual problem, on blocks of pixels or on all pixels."""

import math
from dataclasses import dataclass

import numpy as np

from maskforge.base.arrays import on_host
from maskforge.launch.couplings import couplings, factors_of
from maskforge.launch.modulator import Levels
from maskforge.launch.prediction import Prediction, judged
from maskforge.methods.attempts import OwnLaunch, is_pure
from maskforge.methods.best_phase import Ground, Solved, solved_from
from maskforge.methods.dual_function import Complex, Real, Side, complex_of, kappa_of, missed_of
from maskforge.methods.exchanges import decided
from maskforge.methods.search import Attempt, is_stuck, settled

EXACT_AIMS = (
    (0.0, False, 0),
    (0.015, False, 0),
    (0.0, False, 1),
    (0.03, False, 1),
    (0.06, False, 0),
    (0.0, True, 0),
    (0.06, True, 0),
)
"""The same from single pixels, and the seed of what is drawn: until one is pure and next to the
bound.  Costly pixels only where no other one is pure."""

BESIDE = 3e-3
"""Of the bound at its phase: a mask that lacks no more is not tried again."""

WORTH_TRYING = 0.8
"""Of F: where a somewhat higher purity leaves less it is not aimed at."""

LEAST_PURITY = 0.05
"""Below it nothing is worth another search."""

AWAY = 1.02
"""By which kappa is larger than that of a mask which fell short, so that its purity can be had."""

PENALTY, ROUNDING = 3.0, 1 + 1e-9
"""Of a mask with n times the impurity that is allowed n^-PENALTY of the light counts."""

SAME = 1 - 1e-9
"""Of a purity: as good as it."""


@dataclass(frozen=True, eq=False)
class MadeMask:
    """States and their prediction, multipliers of the lowest bound on the way there, and the side
    conditions that it was designed for."""

    states: Levels
    prediction: Prediction
    multipliers: Complex
    side: Side

    @property
    def purity(self) -> float:
        """That it was designed for."""
        return 1 / (1 + self.side.kappa**2)

    @property
    def missed(self) -> float:
        """Its unwanted coupling, in what it was designed for."""
        return missed_of(self.prediction.purity, self.side.kappa)

    @property
    def is_pure(self) -> bool:
        """Whether it is as pure as that."""
        return self.prediction.purity >= SAME * self.purity

    def worth(self, purity: float) -> float:
        """The light, less where the mask is not as pure."""
        return worth_of(self.prediction.efficiency, self.prediction.purity, purity)

    def held(self, asked: float) -> float:
        """The purity for which its bound is to hold: that designed for, or less if it has less."""
        purity = asked if abs(self.purity - asked) < 1e-12 else self.purity
        return min(purity, self.prediction.purity)


def worth_of(light: float, got: float, purity: float) -> float:
    """A mask's light, less where what it got is not the purity."""
    missing = (1 - got) / (1 - purity)
    return light * min(1.0, missing**-PENALTY if missing > ROUNDING else 1.0)


def simple_mask(view: OwnLaunch, side: Side, tried: Attempt, purity: float) -> MadeMask | None:
    """The simple mask, where it is pure enough."""
    if not is_pure(side, tried):
        return None
    launch, states = view.launch, on_host(tried.states).astype(np.uint16)
    found = couplings(launch, factors_of(launch, states))
    prediction = judged(launch.ends, view.target, found)
    if prediction.purity < purity:
        return None
    return MadeMask(states, prediction, complex_of(side.target), side)


def mask_at(ground: Ground, view: OwnLaunch, solved: Solved) -> MadeMask:
    """The mask from near the optimum."""
    side, point = solved.side, solved.point
    solve = _exact if ground.is_exact else _from_blocks
    made = solve(ground, view, side, point)
    # blocks leave the rest to single pixels, where these are better known
    is_last = ground.is_exact or view.launch.modulator.crosstalk > 0
    got = made.prediction.purity
    if is_last and SAME * made.purity > got > LEAST_PURITY:
        # the best at the purity that there is
        lower = solved_from(ground, side.with_kappa(AWAY * kappa_of(got)), point)
        other = solve(ground, view, lower.side, lower.point)
        made = max(made, other, key=lambda one: one.worth(made.purity))
    return made


def _from_blocks(ground: Ground, view: OwnLaunch, side: Side, point: Real) -> MadeMask:
    """The same where the optimum is that of blocks: all pixels are still to follow."""
    inverse = ground.inverse(view.launch, side, point)
    side, low, states, found = settled(view, side, point, inverse)
    return _judged(view, states, found, complex_of(side.certificate(low)), side)


def _exact(ground: Ground, view: OwnLaunch, side: Side, point: Real) -> MadeMask:
    """The same where the optimum is that of all pixels: only the last ones are left to do."""
    best: MadeMask | None = None
    proof = complex_of(side.certificate(point))
    light = ground.model.value(side.certificate(point), 1e-12)[0]
    least, stuck = math.inf, False
    for spare, patient, seed in EXACT_AIMS:
        if patient and best is not None and best.is_pure:
            break
        if stuck and not patient:
            continue
        tight, near = side.with_kappa(side.kappa * (1 - spare)), point
        if spare > 0:
            solved = solved_from(ground, tight, point, floor=WORTH_TRYING * light)
            if solved.value <= WORTH_TRYING * light:
                continue
            near = solved.point
        tried = view.attempt(tight, near)
        states, found = decided(
            view,
            side,
            tried.point,
            tried.back,
            tried.states,
            light,
            spare_share=spare,
            patient=patient,
            seed=seed,
        )
        made = _judged(view, states, found, proof, side)
        if best is None or made.worth(made.purity) > best.worth(best.purity):
            best = made
        if best.is_pure and best.prediction.efficiency > (1 - BESIDE) * light**2:
            break
        stuck = is_stuck(least, made.missed)
        least = min(least, made.missed)
        if stuck and patient:
            break
    assert best is not None
    return best


def _judged(
    view: OwnLaunch, states: Levels, found: Real, multipliers: Complex, side: Side
) -> MadeMask:
    prediction = judged(view.launch.ends, view.target, complex_of(found))
    return MadeMask(states, prediction, multipliers, side)
