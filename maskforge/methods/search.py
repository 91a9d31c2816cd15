"""The search that the certified designs share: from blocks to all pixels, to the last of them.

It works for one launch, with `dual_function.Side`, and for several, with `dual_of_scenarios.Sides`.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np

from maskforge.base.arrays import Array
from maskforge.launch.modulator import Levels
from maskforge.methods.dual_function import (
    FAR,
    FARTHEST,
    Conditions,
    Real,
    Smooth,
    missed_of,
    newton,
)
from maskforge.methods.exchanges import decided
from maskforge.methods.last_pixels import Pixels

SMOOTHING = (0.3, 0.1, 0.03, 0.01)
"""Of the mean |v|, shrinking; below 0.01 the blocks are no longer fine enough."""

FINER = (*SMOOTHING, 3e-3, 1e-3)
"""The same where the blocks are single pixels, or little more."""

ROUNDS, STALLED = 12, 1e-3
"""Newton's method is begun anew while it lowers F by so much: out of reach there is far to go."""

NEARBY = 2
"""Smoothings left out where the start is near."""

FIRST_STEP = 0.3
"""Length of the first z, along the simple mask's unwanted light."""

FEWEST, MOST = 48, 160
"""Attempts on all pixels at most, for one overall phase: as many as modes, within these."""

CLOSE = 0.05
"""Of the unwanted coupling that the purity allows: an attempt that misses no more will do."""

EASY = 8.5e-3
"""Of the target's coupling: so much can be made good by flipping single pixels."""

STRAIGHT = 1e-4
"""Cosine between a step and the change of the gradient, below which they tell no curvature."""

TURNS = 4
SMALL_TURN = 0.01
"""rad: the target's overall phase is turned to that of the coupling found until they agree."""

TINY_TURN = 1e-6
"""rad: as far as single precision tells."""

FAR_OFF, NEARER = 1.5, 0.01
"""Of the unwanted coupling that the purity allows: more is not a matter of the last few pixels; and
by what share of it another way has to come nearer there."""

NARROW = 0.015
"""Of the logarithm of kappa: how well the highest purity worth having is looked for."""


@dataclass(frozen=True, eq=False)
class Attempt:
    """One evaluation on all pixels: `bound` is F, above every Re<t, c>; `found` is c (2 K,).

    Of several scenarios F is above the sum of theirs, and `back` has one more axis before.
    `states` and `back` are on the launch's device.
    """

    point: Real
    bound: float
    states: Array
    back: Array
    found: Real


Given = TypeVar("Given", bound=Conditions)
Given_contra = TypeVar("Given_contra", bound=Conditions, contravariant=True)


class SearchView(Pixels, Protocol[Given_contra]):
    """What the search sees of one launch, or of several: attempts, and a mask's (worst) purity.

    `floor`: F below which the asked purity is not worth having, or cannot be had at all.
    `aims`: see `attempts.AIMS`.
    """

    @property
    def floor(self) -> float: ...
    @property
    def aims(self) -> Sequence[tuple[float, bool]]: ...
    def attempt(self, side: Given_contra, point: Real) -> Attempt: ...
    def purity(self, found: Real) -> float: ...


def settled_phase(view: SearchView[Given], side: Given) -> tuple[Given, Attempt]:
    """The side turned until the simple mask's coupling has the phase asked for, and that mask."""
    origin = np.zeros(sum(block.stop - block.start for block in side.blocks))
    for _ in range(2 * TURNS):
        best = view.attempt(side, origin)
        turn = side.turn(best.found)
        if np.all(np.abs(turn) < TINY_TURN):
            break
        side = side.turned(turn)
    return side, best


def purest(
    side: Given,
    loosest: float,
    solve: Callable[[Given, Real | None], Real],
    holds: Callable[[Given, Real], bool],
) -> tuple[Given, Real]:
    """(side, the point that `solve` finds) of the smallest kappa that `holds`, above the side's.

    Its logarithm is halved up to `loosest`, which is taken to hold; `solve` is given the point of
    the last one that did.
    """
    low, high = math.log(side.kappa), math.log(loosest)
    last = side.with_kappa(loosest)
    best = last, solve(last, None)
    while high - low > NARROW:
        middle = side.with_kappa(math.exp((low + high) / 2))
        point = solve(middle, best[1])
        if holds(middle, point):
            best, high = (middle, point), (low + high) / 2
        else:
            low = (low + high) / 2
    return best


def least(
    model: Smooth,
    side: Conditions,
    floor: float = 0.0,
    *,
    widths: Sequence[float] = SMOOTHING,
    start: Real | None = None,
) -> Real:
    """The point where F of a model is least, or one where it is below `floor`.

    From nothing, or from a point nearby that was found so.
    """
    value, found = model.value(side.target, 1e-12)
    point = side.outset(found, FIRST_STEP) if start is None else start
    for width in widths if start is None else widths[NEARBY:]:
        point = newton(model, side, point, width * value / model.real.shape[0], floor=floor)
    width = widths[-1] * value / model.real.shape[0]
    before, _ = model.value(side.multipliers(point), width)
    for _ in range(ROUNDS):
        if before <= floor:
            break
        further = newton(model, side, point, width, floor=floor)
        now, _ = model.value(side.multipliers(further), width)
        if not now < (1 - STALLED) * before:
            break
        point, before = further, now
    return point


def inverse_curvature(
    model: Smooth, side: Conditions, point: Real, width: float = SMOOTHING[-1]
) -> Real:
    """Inverse second derivative of F on blocks at a point."""
    multipliers = side.multipliers(point)
    width = width * model.value(side.target, 1e-12)[0] / model.real.shape[0]
    _, found = model.value(multipliers, width)
    whole = side.curvature(point, found, model.curvature(multipliers, width))
    return np.asarray(np.linalg.inv(whole))


def corrected(
    view: SearchView[Given], side: Given, point: Real, inverse: Real, turns: int = TURNS
) -> tuple[Given, Attempt, Attempt]:
    """(side, the attempt of the lowest bound, the one that misses least), on all pixels.

    The overall phase of the target is free: F is largest where the coupling found has the phase
    asked for, so the target is turned after it.
    """
    for left in range(turns, 0, -1):
        best, lowest, inverse = _descended(view, side, point, inverse)
        turn = side.turn(best.found)
        if left == 1 or np.all(np.abs(turn) < SMALL_TURN) or lowest.bound < view.floor:
            break
        side, point = side.turned(turn), lowest.point
    return side, lowest, best


def _descended(
    view: SearchView[Given], side: Given, point: Real, inverse: Real
) -> tuple[Attempt, Attempt, Real]:
    """(the attempt that misses least, the one with the lowest bound, inverse second derivative).

    Quasi-Newton steps (Broyden, Fletcher, Goldfarb, Shanno; Nocedal and Wright, sec. 6.1): what the
    blocks leave out, the alphabet's harmonics in the core, changes the curvature as well.
    """
    lowest = best = view.attempt(side, point)
    slope = least = side.gradient(point, lowest.found)
    share, is_scaled = 1.0, False
    count = max(block.stop - block.start for block in side.blocks) // 2 + 1
    for _ in range(min(max(count, FEWEST), MOST)):
        wanted = float(side.target @ best.found) / math.sqrt(len(side.blocks))
        if np.linalg.norm(least) < max(CLOSE * side.kappa, EASY) * wanted:
            break
        step = share * (inverse @ slope)
        far = 1 + float(np.linalg.norm(lowest.point))
        length = float(np.linalg.norm(step))
        if not length < FARTHEST:
            break
        tried = view.attempt(side, lowest.point - min(1.0, FAR * far / max(length, 1e-300)) * step)
        steeper = side.gradient(tried.point, tried.found)
        moved, change = tried.point - lowest.point, steeper - slope
        if _tells(moved, change):
            if not is_scaled:
                inverse, is_scaled = _scaled(inverse, moved, change), True
            inverse = _updated(inverse, moved, change)
        if np.linalg.norm(steeper) < np.linalg.norm(least):
            best, least = tried, steeper
        if tried.bound < view.floor:
            return best, tried, inverse
        # F is convex: where it still falls it is lower, whatever rounding says
        if tried.bound < lowest.bound or float(moved @ steeper) <= 0:
            lowest, slope, share = tried, steeper, min(2 * share, 1.0)
        else:
            share = max(share / 2, 0.1)
    return best, lowest, inverse


def _tells(step: Real, change: Real) -> bool:
    """Whether what a step changed in the gradient tells a curvature."""
    return float(step @ change) > STRAIGHT * float(np.linalg.norm(step) * np.linalg.norm(change))


def _scaled(inverse: Real, step: Real, change: Real) -> Real:
    """The inverse second derivative times what fits it to its first step (Nocedal and Wright, eq.
    6.20): that of blocks is up to 40 times too large where the start is near."""
    told = float(change @ inverse @ change)
    # but for rounding it is positive
    return np.asarray(float(step @ change) / told * inverse) if told > 0 else inverse


def _updated(inverse: Real, step: Real, change: Real) -> Real:
    """The inverse second derivative after a step that changed the gradient."""
    along = float(step @ change)
    moved = inverse @ change
    # of its three terms in one product: the matrix may be large
    beside = moved / along - (1 + float(change @ moved) / along) / (2 * along) * step
    return np.asarray(inverse - np.stack([step, beside]).T @ np.stack([beside, step]))


def is_stuck(before: float, now: float) -> bool:
    """Whether other ways lead no nearer to a purity that is far off.

    The least unwanted coupling so far and the last one, as multiples of what is allowed.
    """
    return now > FAR_OFF and now > (1 - NEARER) * before


def settled(
    view: SearchView[Given], side: Given, point: Real, inverse: Real
) -> tuple[Given, Real, Levels, Real]:
    """(side and point of the lowest bound, states, their couplings) from near the optimum.

    Where the cheap pixels are used up before the purity is got, a somewhat higher one is aimed at:
    that costs less light than changing pixels which are decided.
    """
    proof: tuple[Given, Real] | None = None
    purest: tuple[float, Levels, Real] | None = None
    least = math.inf
    for spare, patient in view.aims:
        tight = side.with_kappa(side.kappa * (1 - spare))
        tight, lowest, best = corrected(view, tight, point, inverse)
        if proof is not None and lowest.bound < view.floor:
            break
        exact = tight.with_kappa(side.kappa)
        proof = proof or (exact, lowest.point)
        states, found = decided(
            view,
            exact,
            best.point,
            best.back,
            best.states,
            lowest.bound,
            spare_share=spare,
            patient=patient,
        )
        purity = view.purity(found)
        if purest is None or purity > purest[0]:
            purest = purity, states, found
        if purity >= 1 / (1 + side.kappa**2) - 1e-15:
            break
        missed = missed_of(purity, side.kappa)
        if is_stuck(least, missed):
            break
        least = min(least, missed)
    assert proof is not None
    assert purest is not None
    return *proof, *purest[1:]
