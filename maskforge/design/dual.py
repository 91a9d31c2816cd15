"""The certified design: the best mask by convex duality, and the proof of how good any could be.

The multipliers of the dual problem (see `convex`) are found on blocks of pixels, then corrected on
all of them; every pixel takes the state that supports its multiplier, and the undecided ones are
settled last (see `refine`).  F at any multipliers is an upper bound of Re<t, c> for every mask of
this modulator at the asked purity (weak duality), so the bound needs no trust in the search.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from maskforge.design.coarse import coarse_of
from maskforge.design.convex import (
    Complex,
    Conditions,
    Model,
    Real,
    Side,
    complex_of,
    real_of,
    side_of,
)
from maskforge.design.draft import draft_of
from maskforge.design.problem import Certificate, Design, Problem, Settings, overall_phase
from maskforge.design.refine import OneLaunch
from maskforge.design.search import (
    CLOSE,
    Attempt,
    inverse_curvature,
    least,
    purest,
    settled,
    settled_phase,
)
from maskforge.fields import Target, rotated
from maskforge.launch import Launch, back_propagated, couplings, judged
from maskforge.modulator import Levels, emitted

BLOCKS = 64
"""Blocks along the mask's shorter side, about: the finest detail of a mode takes several."""

NO_TURN = 1e-9
"""rad: a phase this small raises no efficiency in double precision."""

AIMS = ((0.0, False), (0.015, False), (0.06, False), (0.25, False), (0.25, True))
"""(share of the unwanted coupling allowed that is left unused, whether costly pixels may change)"""

OUT_OF_REACH = 0.3
"""Of the simple mask's coupling: where the bound falls below it the purity is not worth having."""


@dataclass(frozen=True, eq=False)
class _Alone(OneLaunch):
    """The view of a problem's own launch; its floor was seen to on blocks."""

    target: Target
    floor: float = -math.inf
    aims: Sequence[tuple[float, bool]] = AIMS

    def attempt(self, side: Side, point: Real) -> Attempt:
        return attempt(self.launch, side, point)

    def purity(self, found: Real) -> float:
        return judged(self.launch.basis, self.target, complex_of(found)).purity


def dual(
    problem: Problem, settings: Settings | None = None, previous: Design | None = None
) -> Design:
    """The certified mask of a problem; `previous`: of another orientation, to start from.

    Where the asked purity cannot be had it is lowered to what can, and the status says so.
    """
    launch, target = problem.launch, problem.target
    nearby = _nearby(problem, previous)
    if nearby is not None:
        along = complex(np.vdot(target.vector, nearby))
        side = side_of(target.vector * (along / abs(along)), problem.purity)
        point = side.point(real_of(nearby))
        return _settled(problem, side, point)
    side, best = begun(problem)
    if is_pure(side, best):
        found = real_of(couplings(launch, emitted(launch.modulator, best.states)))
        if judged(launch.basis, target, complex_of(found)).purity >= problem.purity:
            return _certified(problem, side, best.point, best.states.astype(np.uint16), found)
    return _settled(problem, *searched(model_of(launch), side, best.bound))


def begun(problem: Problem) -> tuple[Side, Attempt]:
    """The side conditions at the phase of the simple mask, and that mask."""
    launch, vector = problem.launch, problem.target.vector
    phase = overall_phase(launch, vector, back_propagated(launch, vector))
    return settled_phase(_Alone(launch, problem.target), side_of(vector * phase, problem.purity))


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


def _nearby(problem: Problem, previous: Design | None) -> Complex | None:
    """Multipliers of another orientation of the same label, turned to this one; None without."""
    if previous is None or previous.certificate is None:
        return None
    before, target = previous.certificate, problem.target
    if before.target.name != target.name or before.purity != problem.purity:
        return None
    angle = target.orientation - before.target.orientation
    return rotated(problem.launch.basis, before.multipliers, angle)


def searched(model: Model, side: Side, plain: float) -> tuple[Side, Real]:
    """(side, point) where F on blocks is least, at the purity that can be had.

    `plain`: F without any asked purity, which tells when a bound is too low to be worth having.
    """
    point = least(model, side)
    if _worth_having(model, side, point, plain):
        return side, point

    def holds(tried: Side, point: Real) -> bool:
        return _worth_having(model, tried, point, plain)

    return purest(side, 1.0, partial(least, model), holds)


def _worth_having(model: Model, side: Conditions, point: Real, plain: float) -> bool:
    value, _ = model.value(side.multipliers(point), 1e-12)
    return bool(value > OUT_OF_REACH * plain)


def model_of(launch: Launch) -> Model:
    """F on blocks of pixels, BLOCKS of them along the shorter side."""
    return coarse_of(launch, blocks_of(launch))


def blocks_of(launch: Launch) -> int:
    """Pixels along a block's side."""
    return max(1, min(launch.modulator.shape) // BLOCKS)


def certified_bound(launch: Launch, multipliers: Complex) -> float:
    """F in double precision: no mask of this modulator has a larger Re<t, c> at the purity.

    Weak duality holds for any multipliers (K,); they only have to belong to t and kappa.
    """
    alphabet = launch.modulator.alphabet
    back = back_propagated(launch, multipliers, real=launch.is_real)
    gain = np.real(np.conj(back) * alphabet.values[alphabet.support(back)])
    return float(np.sum(gain) + np.real(np.vdot(multipliers, launch.gaps)))


def _settled(problem: Problem, side: Side, point: Real) -> Design:
    """The mask of a problem from a point near the optimum."""
    launch = problem.launch
    inverse = inverse_curvature(model_of(launch), side, point)
    view = _Alone(launch, problem.target)
    return _certified(problem, *settled(view, side, point, inverse))


def _certified(problem: Problem, side: Side, point: Real, states: Levels, found: Real) -> Design:
    """The design of a mask with couplings `found` (2 K,), bounded at a point of a side."""
    launch = problem.launch
    multipliers, bound = _proof(launch, side, point)
    turn = side.turn(found)
    if abs(turn[0]) > NO_TURN:
        # the mask's own phase is one more phase tried; the largest bound counts
        other, higher = _proof(launch, side.turned(turn), point)
        multipliers, bound = (other, higher) if higher > bound else (multipliers, bound)
    prediction = judged(launch.basis, problem.target, complex_of(found))
    got = prediction.purity
    reached = got >= problem.purity
    lowered = side.kappa > (1 + 1e-9) * math.sqrt(1 / problem.purity - 1)
    status = "done"
    if lowered:
        status = (
            f"purity {got:.6f}: no mask of this modulator launches a worthwhile share at "
            f"{problem.purity:g}; light that the pixels cannot change lands on the core, or the "
            "alphabet cannot form the field: a carrier or more levels help"
        )
    elif not reached:
        status = f"purity {got:.7f} instead of {problem.purity:g}: too few pixels are undecided"
    if launch.modulator.crosstalk > 0:
        # blurred phases may leave the hull of the states, for which alone the bound is proven
        return Design(states, prediction, "dual", reached, status)
    purity = 1 / (1 + side.kappa**2) if lowered else problem.purity
    certificate = Certificate(problem.target, purity, multipliers)
    return Design(states, prediction, "dual", reached, status, bound=bound, certificate=certificate)


def _proof(launch: Launch, side: Side, point: Real) -> tuple[Complex, float]:
    """(multipliers, bound of the efficiency) at a point, in double precision."""
    multipliers = complex_of(side.certificate(point))
    return multipliers, max(certified_bound(launch, multipliers), 0.0) ** 2
