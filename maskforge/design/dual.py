"""The certified design: the best mask by convex duality, and the proof of how good any could be.

The multipliers of the dual problem (see `convex`) are found on blocks of pixels, then corrected on
all of them; every pixel takes the state that supports its multiplier, and the undecided ones are
settled last (see `refine`).  F at any multipliers is an upper bound of Re<t, c> for every mask of
this modulator at the asked purity (weak duality), so the bound needs no trust in the search.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from maskforge.design.coarse import coarse_of
from maskforge.design.convex import (
    Complex,
    Model,
    Real,
    Side,
    complex_of,
    newton,
    real_of,
    side_of,
)
from maskforge.design.draft import Fast, FastReal, draft_of
from maskforge.design.problem import Certificate, Design, Problem, Settings, overall_phase
from maskforge.design.refine import refined
from maskforge.fields import rotated
from maskforge.launch import Launch, back_propagated, couplings, judged
from maskforge.modulator import Levels, emitted

BLOCKS = 64
"""Blocks along the mask's shorter side, about: the finest detail of a mode takes several."""

SMOOTHING = (0.3, 0.1, 0.03, 0.01)
"""Of the mean |v|, shrinking; below 0.01 the blocks are no longer fine enough."""

FIRST_STEP = 0.3
"""Length of the first z, along the simple mask's unwanted light."""

FEWEST, MOST = 48, 160
"""Attempts on all pixels at most, for one overall phase: as many as modes, within these."""

CLOSE = 0.05
"""Of the unwanted coupling that the purity allows: an attempt that misses no more will do."""

EASY = 1e-2
"""Of the target's coupling: so much can be made good by flipping single pixels."""

TURNS = 4
SMALL_TURN = 0.01
"""rad: the target's overall phase is turned to that of the coupling found until they agree."""

TINY_TURN = 1e-6
"""rad: as far as single precision tells."""

NO_TURN = 1e-9
"""rad: a phase this small raises no efficiency in double precision."""

AIMS = ((0.0, False), (0.015, False), (0.06, False), (0.25, False), (0.25, True))
"""(share of the unwanted coupling allowed that is left unused, whether costly pixels may change)"""

OUT_OF_REACH = 0.3
"""Of the simple mask's coupling: where the bound falls below it the purity is not worth having."""

HALVINGS = 8
"""Of the interval in which the highest purity worth having is looked for."""


@dataclass(frozen=True, eq=False)
class Attempt:
    """One evaluation on all pixels: `bound` is F, above every Re<t, c>; `found` is c (2 K,)."""

    point: Real
    bound: float
    states: NDArray[np.intp]
    back: Fast | FastReal
    found: Real


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
    back = back_propagated(launch, target.vector)
    phase = overall_phase(launch, target.vector, back)
    side = side_of(target.vector * phase, problem.purity)
    side, best = _settled_phase(launch, side)
    missed = float(np.linalg.norm(side.complement.T @ best.found))
    if missed < (1 - CLOSE) * side.kappa * best.bound:
        found = real_of(couplings(launch, emitted(launch.modulator, best.states)))
        if judged(launch.basis, target, complex_of(found)).purity >= problem.purity:
            return _certified(problem, side, best.point, best.states.astype(np.uint16), found)
    return _settled(problem, *searched(launch, side, best.bound))


def attempt(launch: Launch, side: Side, point: Real) -> Attempt:
    """The mask that supports the multipliers at a point, in single precision."""
    draft, alphabet = draft_of(launch), launch.modulator.alphabet
    multipliers = side.multipliers(point)
    back = draft.back(complex_of(multipliers))
    states = alphabet.support(back)
    found = real_of(draft.couplings(states))
    # h(v) = Re(conj(v) s) at the supporting state, so that F is linear in what was found
    return Attempt(point, float(multipliers @ found), states, back, found)


def _settled_phase(launch: Launch, side: Side) -> tuple[Side, Attempt]:
    """The side turned until the simple mask's coupling has the phase asked for, and that mask."""
    origin = np.zeros(side.complement.shape[1])
    for _ in range(2 * TURNS):
        best = attempt(launch, side, origin)
        turn = _turn(side, best.found)
        if abs(turn) < TINY_TURN:
            break
        side = side.turned(turn)
    return side, best


def _turn(side: Side, found: Real) -> float:
    """Phase of the target's coupling in `found` (2 K,) against the target's own, rad."""
    return float(np.angle(np.vdot(complex_of(side.target), complex_of(found))))


def _nearby(problem: Problem, previous: Design | None) -> Complex | None:
    """Multipliers of another orientation of the same label, turned to this one; None without."""
    if previous is None or previous.certificate is None:
        return None
    before, target = previous.certificate, problem.target
    if before.target.name != target.name or before.purity != problem.purity:
        return None
    angle = target.orientation - before.target.orientation
    return rotated(problem.launch.basis, before.multipliers, angle)


def searched(launch: Launch, side: Side, plain: float) -> tuple[Side, Real]:
    """(side, point) where F on blocks is least, at the purity that can be had.

    `plain`: F without any asked purity, which tells when a bound is too low to be worth having.
    """
    point = _least(launch, side)
    if _worth_having(launch, side, point, plain):
        return side, point
    low, high = math.log(side.kappa), 0.0
    loosest = replace(side, kappa=1.0)
    best = loosest, _least(launch, loosest)
    for _ in range(HALVINGS):
        middle = replace(side, kappa=math.exp((low + high) / 2))
        point = _least(launch, middle)
        if _worth_having(launch, middle, point, plain):
            best, high = (middle, point), (low + high) / 2
        else:
            low = (low + high) / 2
    return best


def _worth_having(launch: Launch, side: Side, point: Real, plain: float) -> bool:
    value, _ = _model(launch).value(side.multipliers(point), 1e-12)
    return bool(value > OUT_OF_REACH * plain)


def _model(launch: Launch) -> Model:
    return coarse_of(launch, max(1, min(launch.modulator.shape) // BLOCKS))


def _least(launch: Launch, side: Side) -> Real:
    """The point where F on blocks is least, from nothing."""
    model = _model(launch)
    value, found = model.value(side.target, 1e-12)
    rest = side.complement.T @ found
    point = FIRST_STEP * rest / np.linalg.norm(rest)
    for width in SMOOTHING:
        point = newton(model, side, point, width * value / len(model.real))
    return point


def _curvature(launch: Launch, side: Side, point: Real) -> Real:
    """Inverse second derivative of F on blocks at a point."""
    model, multipliers = _model(launch), side.multipliers(point)
    width = SMOOTHING[-1] * model.value(side.target, 1e-12)[0] / len(model.real)
    _, found = model.value(multipliers, width)
    whole = side.curvature(point, found, model.curvature(multipliers, width))
    return np.asarray(np.linalg.inv(whole))


def corrected(launch: Launch, side: Side, point: Real, inverse: Real) -> tuple[Side, Real, Attempt]:
    """(side, point of the lowest bound, the attempt that misses least), on all pixels.

    The overall phase of the target is free: F is largest where the coupling found has the phase
    asked for, so the target is turned after it.
    """
    for _ in range(TURNS):
        best, lowest, inverse = _descended(launch, side, point, inverse)
        turn = _turn(side, best.found)
        if abs(turn) < SMALL_TURN:
            break
        side, point = side.turned(turn), lowest.point
    return side, lowest.point, best


def _descended(
    launch: Launch, side: Side, point: Real, inverse: Real
) -> tuple[Attempt, Attempt, Real]:
    """(the attempt that misses least, the one with the lowest bound, inverse second derivative).

    Quasi-Newton steps (Broyden, Fletcher, Goldfarb, Shanno; Nocedal and Wright, sec. 6.1): what the
    blocks leave out, the alphabet's harmonics in the core, changes the curvature as well.
    """
    lowest = best = attempt(launch, side, point)
    slope = least = side.gradient(point, lowest.found)
    share = 1.0
    for _ in range(min(max(len(launch.basis), FEWEST), MOST)):
        wanted = float(side.target @ best.found)
        if np.linalg.norm(least) < max(CLOSE * side.kappa, EASY) * wanted:
            break
        tried = attempt(launch, side, lowest.point - share * (inverse @ slope))
        steeper = side.gradient(tried.point, tried.found)
        inverse = _updated(inverse, tried.point - lowest.point, steeper - slope)
        if np.linalg.norm(steeper) < np.linalg.norm(least):
            best, least = tried, steeper
        if tried.bound < lowest.bound:
            lowest, slope, share = tried, steeper, min(2 * share, 1.0)
        else:
            share = max(share / 2, 0.1)
    return best, lowest, inverse


def _updated(inverse: Real, step: Real, change: Real) -> Real:
    """The inverse second derivative after a step that changed the gradient."""
    along = float(step @ change)
    if along <= 0:
        return inverse
    moved = inverse @ change
    cross = np.outer(step, moved)
    scale = (1 + float(change @ moved) / along) / along
    return np.asarray(inverse - (cross + cross.T) / along + scale * np.outer(step, step))


def certified_bound(launch: Launch, multipliers: Complex) -> float:
    """F in double precision: no mask of this modulator has a larger Re<t, c> at the purity.

    Weak duality holds for any multipliers (K,); they only have to belong to t and kappa.
    """
    alphabet = launch.modulator.alphabet
    back = back_propagated(launch, multipliers, real=launch.is_real)
    gain = np.real(np.conj(back) * alphabet.values[alphabet.support(back)])
    return float(np.sum(gain) + np.real(np.vdot(multipliers, launch.gaps)))


def _settled(problem: Problem, side: Side, point: Real) -> Design:
    """The mask from a point near the optimum.

    Where the cheap pixels are used up before the purity is got, a somewhat higher one is aimed at:
    that costs less light than changing pixels which are decided.
    """
    launch = problem.launch
    inverse = _curvature(launch, side, point)
    proof: tuple[Side, Real] | None = None
    purest: tuple[float, Levels, Real] | None = None
    for spare, patient in AIMS:
        tight = replace(side, kappa=side.kappa * (1 - spare))
        tight, lowest, best = corrected(launch, tight, point, inverse)
        exact = replace(tight, kappa=side.kappa)
        proof = proof or (exact, lowest)
        states, found = refined(
            launch,
            exact,
            best.point,
            best.back,
            best.states,
            spare_share=spare,
            patient=patient,
        )
        purity = judged(launch.basis, problem.target, complex_of(found)).purity
        if purest is None or purity > purest[0]:
            purest = purity, states, found
        if purity >= 1 / (1 + side.kappa**2) - 1e-15:
            break
    assert proof is not None
    assert purest is not None
    return _certified(problem, *proof, *purest[1:])


def _certified(problem: Problem, side: Side, point: Real, states: Levels, found: Real) -> Design:
    """The design of a mask with couplings `found` (2 K,), bounded at a point of a side."""
    launch = problem.launch
    multipliers, bound = _proof(launch, side, point)
    turn = _turn(side, found)
    if abs(turn) > NO_TURN:
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
