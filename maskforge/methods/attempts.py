"""Attempts on all pixels of one launch: the states that support multipliers, and what they give."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from maskforge.base.arrays import Array
from maskforge.launch.couplings import Launch
from maskforge.launch.prediction import judged
from maskforge.launch.targets import Target
from maskforge.methods.coupling_matrix import quick_couplings
from maskforge.methods.cover import STEP, proof_of
from maskforge.methods.draft import draft_of
from maskforge.methods.dual_function import Real, Side, complex_of, real_of, side_of
from maskforge.methods.last_pixels import Undecided, undecided
from maskforge.methods.problem import Problem
from maskforge.methods.search import CLOSE, Attempt, settled_phase

AIMS = ((0.0, False), (0.015, False), (0.06, False), (0.25, False), (0.25, True))
"""(share of the unwanted coupling allowed that is left unused, whether costly pixels may change)"""

QUICK_AIMS = 3
"""Of them, from blocks: where they do not do, single pixels are searched."""


@dataclass(frozen=True, eq=False)
class OwnLaunch:
    """The view of a problem's own launch; its floor was seen to on blocks."""

    launch: Launch
    target: Target
    floor: float = 0.0
    aims: Sequence[tuple[float, bool]] = AIMS[:QUICK_AIMS]

    def attempt(self, side: Side, point: Real) -> Attempt:
        return attempt(self.launch, side, point)

    def found(self, states: Array) -> Real:
        return real_of(quick_couplings(self.launch, states))

    def undecided(
        self, back: Array, states: Array, count: int, residual: float, *, aside: bool = False
    ) -> Undecided:
        return undecided(self.launch, back, states, count, residual, aside=aside)

    def purity(self, found: Real) -> float:
        return judged(self.launch.ends, self.target, complex_of(found)).purity


def begun(problem: Problem) -> tuple[Side, Attempt]:
    """The side conditions at the phase of the best simple mask, and that mask."""
    launch, target = problem.launch, problem.target
    # where light is real the couplings lie on one line, along t or along i t
    proofs = (proof_of(launch, target, problem.purity, t * target.vector) for t in (1.0, 1j))
    limits = next(one.limits for one in proofs if np.all(np.isfinite(one.limits)))
    phase = STEP * int(np.argmax(limits))
    side = side_of(target.vector * np.exp(1j * phase), problem.purity)
    return settled_phase(OwnLaunch(launch, target), side)


def is_pure(side: Side, tried: Attempt) -> bool:
    """Whether an attempt is purer than asked, and not by rounding only."""
    missed = float(np.linalg.norm(side.complement.T @ tried.found))
    return missed < (1 - CLOSE) * side.kappa * tried.bound


def attempt(launch: Launch, side: Side, point: Real) -> Attempt:
    """The mask that supports the multipliers at a point, in single precision."""
    draft, alphabet = draft_of(launch), launch.modulator.alphabet
    multipliers = side.multipliers(point)
    back = draft.back(complex_of(multipliers))
    states = alphabet.support(back)
    found = real_of(draft.couplings(states))
    # h(v) = Re(conj(v) s) at the supporting state, so that F is linear in what was found
    return Attempt(point, float(multipliers @ found), states, back, found)
