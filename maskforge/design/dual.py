"""The certified design: the best mask by convex duality, and the proof of how good any could be.

The multipliers of the dual problem (see `convex`) are found on blocks of pixels, then corrected on
all of them; every pixel takes the state that supports its multiplier, and the undecided ones are
settled last (see `refine`).  F at any multipliers is an upper bound of Re<t, c> for every mask of
this modulator at the asked purity (weak duality), so the bound needs no trust in the search.
"""

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
from maskforge.design.draft import Fast, draft_of
from maskforge.design.problem import Certificate, Design, Problem, Settings, turned
from maskforge.design.refine import refined
from maskforge.fields import rotated
from maskforge.launch import Launch, back_propagated, judged

BLOCKS = 64
"""Blocks along the mask's shorter side, about: the finest detail of a mode takes several."""

SMOOTHING = (0.3, 0.1, 0.03, 0.01)
"""Of the mean |v|, shrinking; below 0.01 the blocks are no longer fine enough."""

FIRST_STEP = 0.3
"""Length of the first z, along the simple mask's unwanted light."""

ATTEMPTS = 12
"""On all pixels, at most, for one overall phase."""

CLOSE = 0.05
"""Of the unwanted coupling that the purity allows: an attempt that misses no more will do."""

EASY = 4e-3
"""Of the target's coupling: so much can be made good by flipping single pixels."""

TURNS = 4
SMALL_TURN = 0.01
"""rad: the target's overall phase is turned to that of the coupling found until they agree."""

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
    back: Fast
    found: Real


def dual(
    problem: Problem, settings: Settings | None = None, previous: Design | None = None
) -> Design:
    """The certified mask of a problem; `previous`: of another orientation, to start from.

    Where the asked purity cannot be had it is lowered to what can, and the status says so.
    """
    launch, target = problem.launch, problem.target
    back = draft_of(launch).back(target.vector)
    phase = complex(np.exp(1j * np.angle(np.vdot(back, turned(launch, back)))))
    side = side_of(target.vector * phase, problem.purity)
    plain = attempt(launch, side, np.zeros(side.complement.shape[1]))
    missed = float(np.linalg.norm(side.complement.T @ plain.found))
    if missed < (1 - CLOSE) * side.kappa * plain.bound:
        return _certified(problem, side, plain.point, plain)
    side, point, curvature = searched(launch, side, _nearby(problem, phase, previous), plain.bound)
    return _certified(
        problem, *corrected(launch, side, point, np.asarray(np.linalg.inv(curvature)))
    )


def attempt(launch: Launch, side: Side, point: Real) -> Attempt:
    """The mask that supports the multipliers at a point, in single precision."""
    draft, alphabet = draft_of(launch), launch.modulator.alphabet
    multipliers = side.multipliers(point)
    back = draft.back(complex_of(multipliers))
    states = alphabet.support(back)
    found = real_of(draft.couplings(alphabet.values.astype(np.complex64)[states]))
    # h(v) = Re(conj(v) s) at the supporting state, so that F is linear in what was found
    return Attempt(point, float(multipliers @ found), states, back, found)


def _nearby(problem: Problem, phase: complex, previous: Design | None) -> Complex | None:
    """Multipliers of another orientation of the same label, turned to this one; None without."""
    if previous is None or previous.certificate is None:
        return None
    before, target = previous.certificate, problem.target
    if before.target.name != target.name or before.purity != problem.purity:
        return None
    angle = target.orientation - before.target.orientation
    moved = rotated(problem.launch.basis, before.multipliers, angle)
    along = np.vdot(target.vector, moved)
    return np.asarray(moved * (phase * np.conj(along) / abs(along)))


def searched(
    launch: Launch, side: Side, start: Complex | None, plain: float
) -> tuple[Side, Real, Real]:
    """(side, point, second derivative) where F on blocks is least, at the purity that can be had.

    `plain`: F without any asked purity, which tells when a bound is too low to be worth having.
    """
    if start is not None:
        point, curvature = _least(launch, side, side.point(real_of(start)), SMOOTHING[-1:])
        return side, point, curvature
    point, curvature = _least(launch, side, None, SMOOTHING)
    if _worth_having(launch, side, point, plain):
        return side, point, curvature
    low, high = np.log(side.kappa), 0.0
    best = replace(side, kappa=1.0), *_least(launch, replace(side, kappa=1.0), None, SMOOTHING)
    for _ in range(HALVINGS):
        middle = replace(side, kappa=float(np.exp((low + high) / 2)))
        point, curvature = _least(launch, middle, None, SMOOTHING)
        if _worth_having(launch, middle, point, plain):
            best, high = (middle, point, curvature), (low + high) / 2
        else:
            low = (low + high) / 2
    return best


def _worth_having(launch: Launch, side: Side, point: Real, plain: float) -> bool:
    value, _ = _model(launch).value(side.multipliers(point), 1e-12)
    return bool(value > OUT_OF_REACH * plain)


def _model(launch: Launch) -> Model:
    return coarse_of(launch, max(1, min(launch.modulator.shape) // BLOCKS))


def _least(
    launch: Launch, side: Side, point: Real | None, widths: tuple[float, ...]
) -> tuple[Real, Real]:
    model = _model(launch)
    value, found = model.value(side.target, 1e-12)
    if point is None:
        rest = side.complement.T @ found
        point = FIRST_STEP * rest / np.linalg.norm(rest)
    for width in widths:
        point, curvature = newton(model, side, point, width * value / len(model.real))
    return point, curvature


def corrected(launch: Launch, side: Side, point: Real, inverse: Real) -> tuple[Side, Real, Attempt]:
    """(side, point of the lowest bound, the attempt that misses least), on all pixels.

    The overall phase of the target is free: F is largest where the coupling found has the phase
    asked for, so the target is turned after it.
    """
    for _ in range(TURNS):
        best, lowest, inverse = _descended(launch, side, point, inverse)
        turn = float(np.angle(np.vdot(complex_of(side.target), complex_of(best.found))))
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
    for _ in range(ATTEMPTS):
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
    part = np.eye(step.size) - np.outer(step, change) / along
    return np.asarray(part @ inverse @ part.T + np.outer(step, step) / along)


def certified_bound(launch: Launch, multipliers: Complex) -> float:
    """F in double precision: no mask of this modulator has a larger Re<t, c> at the purity.

    Weak duality holds for any multipliers (K,); they only have to belong to t and kappa.
    """
    alphabet = launch.modulator.alphabet
    back = back_propagated(launch, multipliers)
    gain = np.real(np.conj(back) * alphabet.values[alphabet.support(back)])
    return float(np.sum(gain) + np.real(np.vdot(multipliers, launch.gaps)))


def _certified(problem: Problem, side: Side, point: Real, best: Attempt) -> Design:
    launch = problem.launch
    states, found = refined(launch, side, best.point, best.back, best.states)
    multipliers = complex_of(side.multipliers(point))
    bound = max(certified_bound(launch, multipliers), 0.0) ** 2
    lowered = side.kappa > (1 + 1e-9) * np.sqrt(1 / problem.purity - 1)
    purity = 1 / (1 + side.kappa**2) if lowered else problem.purity
    got = judged(launch.basis, problem.target, complex_of(found)).purity
    reached = got >= problem.purity
    status = "done"
    if lowered:
        status = (
            f"purity {got:.6f}: no mask of this modulator launches a worthwhile share at "
            f"{problem.purity:g}; light that the pixels cannot change lands on the core"
        )
    elif not reached:
        status = f"purity {got:.7f} instead of {problem.purity:g}: too few pixels are undecided"
    certificate = Certificate(problem.target, purity, multipliers)
    return Design(states, "dual", reached, status, bound=bound, certificate=certificate)
