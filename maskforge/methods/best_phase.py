"""The best overall phase of a target on blocks of pixels, by branch and bound over the full turn.

One solution bounds every phase when it is turned there (see `cover`).  Where that bound is well
above the best solution so far, the problem is solved again: full-stroke alphabets take one
solution, a limited stroke or light in the gaps several.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from maskforge.base.arrays import as_complex, beside
from maskforge.launch.couplings import Launch
from maskforge.methods.blocks import Blocks, shorter_of
from maskforge.methods.dual_function import (
    FARTHEST,
    BlockModel,
    Complex,
    Real,
    Side,
    complex_of,
    real_of,
    side_of,
)
from maskforge.methods.search import SMOOTHING, inverse_curvature, least
from maskforge.methods.turns import (
    at_all_turns,
    directions,
    histogram,
    limits,
    shares_around,
)

TURNS = 720
"""Phases that are looked at, 0.5 degrees apart."""

CLOSED = 1e-2
"""Relative: a bound that is no higher above the best solution.  What is better than that shows when
all phases are covered on all pixels."""

MOST = 32
"""Solutions at most."""

LEVEL = 0.02
"""Of F without any asked purity: the slope left at a least F."""

CLIMBS = 4
"""Steps to a better phase nearby; each leaves a small share of the way."""

EXCLUDED = -0.05
"""Of F without any asked purity: where F is so far below 0 a phase is excluded on all pixels."""

SHARP = 3e-3
"""Smoothing of second derivatives on shorter blocks, in mean |v|."""

STEP = 2 * np.pi / TURNS


@dataclass(frozen=True, eq=False)
class Ground:
    """The blocks of pixels on which a problem is solved, whether they are the pixels themselves,
    how far F is smoothed there, and at how many phases it is solved at most."""

    model: Blocks
    is_exact: bool = False
    widths: Sequence[float] = SMOOTHING
    most: int = MOST

    def inverse(self, launch: Launch, side: Side, point: Real) -> Real:
        """Inverse second derivative of F at a point, for what all pixels follow."""
        model, width = self.model, self.widths[-1]
        # where states lie on a line shorter blocks tell no more
        if self.widths is SMOOTHING and model.imag is not None:
            model, width = shorter_of(launch), SHARP
        return inverse_curvature(model, side, point, width)


@dataclass(frozen=True, eq=False)
class Solved:
    """Where F on blocks is least at one phase of the target: a point of its side, and F there.

    `turn`: by how much the coupling found there has another phase than that asked for, rad.
    """

    side: Side
    point: Real
    value: float
    turn: float = 0.0


def solved_at_phases(
    ground: Ground, side: Side, known: Sequence[Solved] = (), *, enough: float = np.inf
) -> list[Solved]:
    """Solutions that close the bound over all phases, the best one first.

    `known`: solutions at another purity, or on coarser blocks, to start from, the best first.
    `enough`: ends as soon as it is clear whether F is above it at any phase.
    """
    found: list[Solved] = []
    upper = np.full(TURNS, np.inf)
    waiting = [_place(one.side.angle) for one in known[:2]] or [0]
    while len(found) < ground.most:
        place = waiting.pop(0) if waiting else int(np.argmax(upper))
        if any(_place(one.side.angle) == place for one in found):
            if waiting:
                continue
            break
        there = side.turned(STEP * place - side.angle)
        near = _guess(found, there.angle)
        if near is None:
            near = _nearest([*found, *known], STEP * place)
        found.append(solved_from(ground, there, near, floor=enough))
        upper = np.minimum(upper, _limits(ground.model, found[-1], place))
        best = max(one.value for one in found)
        if best > enough:
            break
        if found[-1].value == best and abs(found[-1].turn) > STEP:
            waiting.insert(0, _place(found[-1].side.angle + found[-1].turn))
        closed = max(best * (1 + CLOSED), 0.0)
        closed = closed if enough == np.inf else max(closed, enough)
        upper = _with_guesses(ground, side, found, upper, closed)
        if not waiting and upper.max() <= closed:
            break
    return sorted(found, key=lambda one: -one.value)


def _with_guesses(
    ground: Ground, side: Side, found: Sequence[Solved], upper: Real, closed: float
) -> Real:
    """The bound at all phases (TURNS,) with what is guessed between solutions, up to a phase where
    that leaves it above `closed`."""
    while upper[place := int(np.argmax(upper))] > closed:
        there = side.turned(STEP * place - side.angle)
        point = _guess(found, there.angle)
        if point is None:
            break
        upper = np.minimum(upper, _limits(ground.model, Solved(there, point, np.nan), place))
        if upper[place] > closed:
            break
    return upper


def _guess(found: Sequence[Solved], angle: float) -> Real | None:
    """The point at a phase (rad) between solutions; None where there are none on both sides."""
    some = [one for one in found if np.all(np.isfinite(one.point))]
    shares = shares_around(np.array([one.side.angle for one in some]) - angle)
    if not shares:
        return None
    return np.asarray(sum(share * some[index].point for index, share in shares.items()))


def _place(angle: float) -> int:
    return round(angle / STEP) % TURNS


def _nearest(some: Sequence[Solved], angle: float) -> Real | None:
    """The point of the nearest phase; of the first of them, where several are as near."""
    some = [one for one in some if np.all(np.isfinite(one.point))]
    if not some:
        return None
    away = [abs(np.angle(np.exp(1j * (one.side.angle - angle)))) for one in some]
    return some[int(np.argmin(away))].point


def solved_from(ground: Ground, side: Side, start: Real | None, *, floor: float = np.inf) -> Solved:
    """The solution at the side's phase, from a point of a nearby one, or F below a `floor`."""
    plain = ground.model.value(side.target, 1e-12)[0]
    if plain <= 0:
        # whatever the purity no mask launches light of this phase
        return Solved(side, np.zeros(side.complement.shape[1]), plain)
    if not np.isfinite(floor):
        floor = EXCLUDED * plain
    if start is not None and not np.linalg.norm(start) < FARTHEST:
        start = None
    found = _least(ground, side, floor, start)
    if start is None or found.value <= floor or _is_least(ground, found, plain):
        return found
    # near the end of what can be had the way from elsewhere may lead nowhere
    return min(found, _least(ground, side, floor, None), key=lambda one: one.value)


def solved_near(
    ground: Ground,
    vector: Complex,
    purity: float,
    phase: float,
    near: Complex,
    *,
    floor: float = np.inf,
) -> Solved:
    """The solution for a target's unit vector (K,) at a phase (rad) and a purity, from multipliers
    (K,) of another phase, or F below a `floor`."""
    at = float(np.angle(np.vdot(vector, near)))
    side = side_of(vector * np.exp(1j * at), purity)
    return solved_from(ground, side.turned(phase - at), side.point(real_of(near)), floor=floor)


def _least(ground: Ground, side: Side, floor: float, start: Real | None) -> Solved:
    point = least(ground.model, side, floor, widths=ground.widths, start=start)
    value, couplings = ground.model.value(side.certificate(point), 1e-12)
    return Solved(side, point, value, float(side.turn(couplings)[0]) if value > 0 else 0.0)


def _is_least(ground: Ground, found: Solved, plain: float) -> bool:
    """Whether F no longer falls there, as far as its smoothing tells."""
    width = ground.widths[-1] * plain / ground.model.real.shape[0]
    _, couplings = ground.model.value(found.side.multipliers(found.point), width)
    slope = float(np.linalg.norm(found.side.gradient(found.point, couplings)))
    return found.value < plain and slope < LEVEL * plain


def climbed(ground: Ground, solved: Solved) -> Solved:
    """The solution at the phase of the coupling found, for as long as F rises with it."""
    for _ in range(CLIMBS):
        if abs(solved.turn) < STEP:
            break
        other = solved_from(ground, solved.side.turned(solved.turn), solved.point)
        if not other.value > solved.value:
            break
        solved = other
    return solved


def _limits(model: Blocks, solved: Solved, place: int) -> Real:
    """The bound that a solution at a phase proves at all of them (TURNS,)."""
    lost = solved.side.kappa * float(np.linalg.norm(solved.point))
    multipliers = solved.side.certificate(solved.point)
    values = turned_on_blocks(model, multipliers)
    # the same without what the steps cost
    values[0] = min(values[0], model.value(multipliers, 1e-12)[0])
    return limits(values, place, 1 + lost, lost)


def turned_on_blocks(model: Blocks, multipliers: Real) -> Real:
    """F on blocks (TURNS,) of multipliers (2 K,) times exp(i d), d from 0 on."""
    turns = directions(TURNS)
    fast = beside(multipliers.astype(np.float32), model.real)
    x = model.real @ fast
    if isinstance(model, BlockModel) and model.imag is None:
        turned = real_of(1j * complex_of(multipliers)).astype(np.float32)
        y = -(model.real @ beside(turned, model.real))
        supports = model.radius * np.abs(turns.real)
    else:
        assert model.imag is not None
        y = model.imag @ fast
        supports = _supports(model)
    pixels = at_all_turns(histogram(as_complex(x) + 1j * as_complex(y), TURNS), supports)
    fixed = np.vdot(complex_of(multipliers), complex_of(model.fixed))
    return np.asarray(pixels + np.real(np.conj(turns) * fixed))


def _supports(model: Blocks) -> Real:
    if isinstance(model, BlockModel):
        return np.full(TURNS, model.radius)
    gains = np.real(np.conj(directions(TURNS))[:, None] * model.corners)
    return np.asarray(gains.max(axis=1))
