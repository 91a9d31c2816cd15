"""Where the asked purity cannot be had, or leaves next to no light: which one is designed instead.

A purity is worth having where enough of the light is left, and where a little less of it would not
give much more light: the bound as a function of the purity has a knee, below which it is flat.
"""

import math
from collections.abc import Mapping, Sequence

from maskforge.methods.best_phase import (
    Ground,
    Solved,
    climbed,
    solved_at_phases,
    solved_from,
    turned_on_blocks,
)
from maskforge.methods.dual_function import Side
from maskforge.methods.problem import Problem

SHARES: Mapping[str, float] = {"purest": 0.09, "efficient": 0.5}
"""Of the light that the best mask launches when no purity is asked: what must be left."""

LOOSER, STEEPEST = 1.1, 1.2
"""A purity is worth having where LOOSER times as much impurity (1 - P) gives no more than STEEPEST
times as much light (of the bound on blocks)."""

LOOSEST = 3.0
"""kappa of a purity of 0.1: what any target is had with that is worth a name."""

AWAY = 1.02
"""By which kappa is larger than the least that is worth having, where a mask hardly gets there."""

LOOSE = 1.0
"""kappa of a purity of 0.5, where the phase is looked for first."""

CLOSE_ENOUGH, FIRST_STRIDE = 0.01, 0.04
"""Of the logarithm of kappa: how well it is known in the end, and how far from a hint to look."""


def least_worth(ground: Ground, side: Side, choice: str) -> float:
    """F that a purity worth having leaves; `choice`: one of SHARES."""
    plain = turned_on_blocks(ground.model, side.target).max()
    return math.sqrt(SHARES[choice]) * float(plain)


def looser_kappa(kappa: float) -> float:
    """kappa of LOOSER times the impurity."""
    impurity = min(LOOSER * kappa**2 / (1 + kappa**2), 1 - 1e-6)
    return math.sqrt(impurity / (1 - impurity))


def lowered(
    ground: Ground, solved: Sequence[Solved], choice: str, near: Sequence[Solved] = ()
) -> list[Solved]:
    """Solutions at the highest purity worth having, below that of those which are `solved`.

    `near`: those that were found so on coarser blocks; a purity that is worth having here too is
    kept, though a slightly higher one might be.
    """
    side = solved[0].side
    low, high = math.log(side.kappa), math.log(LOOSEST)
    worth = least_worth(ground, side, choice)
    known = [*near, *solved]

    def holds(place: float) -> bool:
        nonlocal known
        there = side.with_kappa(math.exp(place))
        tried = solved_at_phases(ground, there, known, enough=worth)
        if not tried[0].value > worth:
            return False
        best = climbed(ground, tried[0])
        if _is_steep(ground, best):
            return False
        tried = [best, *tried]
        known = tried
        return True

    if near:
        kappa = near[0].side.kappa
        middle, stride = math.log(kappa), FIRST_STRIDE
        if holds(middle):
            return solved_at_phases(ground, side.with_kappa(kappa), known)
        while middle < high:
            low, middle = middle, middle + stride
            stride *= 2
            if holds(min(middle, high)):
                high = min(middle, high)
    else:
        # what cannot be had has no best phase to start from
        loose = side.turned(-side.angle).with_kappa(LOOSE)
        known = [*solved_at_phases(ground, loose), *known]
    while high - low > CLOSE_ENOUGH:
        middle = (low + high) / 2
        low, high = (low, middle) if holds(middle) else (middle, high)
    return solved_at_phases(ground, side.with_kappa(AWAY * math.exp(high)), known)


def _is_steep(ground: Ground, solved: Solved) -> bool:
    """Whether a little less purity would give much more light, at the same phase."""
    looser = solved.side.with_kappa(looser_kappa(solved.side.kappa))
    more = solved_from(ground, looser, solved.point)
    return more.value**2 > STEEPEST * solved.value**2


def status_of(
    problem: Problem, got: float, designed: float, top: float | None, *, worth: bool
) -> str:
    """How a design ended: `got` and `designed`, the mask's purity and that it was designed for;
    `top`: the bound of |<t, c>| at the asked purity, where that was not got; `worth`: whether that
    was worth having, so that it was the search that failed."""
    asked = problem.purity
    if got >= asked:
        return "done"
    if top is None:
        return f"purity {got:.7f} instead of {asked:g}: too few pixels are undecided"
    instead = f"designed for {designed:.6g} instead"
    if top < 0:
        return f"proven: no mask of this modulator is {asked:g} pure; {instead}"
    most = f"at most {100 * top**2:.3g} % of the beam at {asked:g} (proven)"
    if worth:
        return f"purity {got:.6f} instead of {asked:g}: too few pixels are undecided, {most}"
    return f"{most}; {instead}"
