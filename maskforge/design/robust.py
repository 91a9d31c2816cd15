"""The robust design: one mask, pure enough in every scenario, and a bound of what any could do.

A scenario is another wavelength, or another place of the fibre.  The dual has the multipliers of
all of them as unknowns (see `sides`); the search is that of `dual`, on all launches at once.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np
from numpy.typing import NDArray

from maskforge.design.coarse import coarse_of_all
from maskforge.design.convex import Model, Real, complex_of, newton, real_of, side_of
from maskforge.design.draft import Fast, draft_of
from maskforge.design.dual import OUT_OF_REACH, blocks_of, dual
from maskforge.design.palette import Palette, palette_of
from maskforge.design.pixels import table_of
from maskforge.design.problem import Design, Problem, Robust, Scenario, Settings
from maskforge.design.refine import Undecided, alternatives, changed, cheapest
from maskforge.design.search import (
    CLOSE,
    SMOOTHING,
    Attempt,
    corrected,
    inverse_curvature,
    least,
    purest,
    settled,
    settled_phase,
)
from maskforge.design.sides import Sides
from maskforge.fields import transferred
from maskforge.launch import Launch, back_propagated, couplings, judged
from maskforge.modulator import Complex, Levels, emitted

AIMS = ((0.0, False), (0.004, False), (0.015, False), (0.06, False), (0.25, False))
"""As in `dual`, finer: near the purest that can be had in all scenarios a little costs much."""

NOMINAL = "the nominal scenario"

PRECISE = 1e-7
"""Of F: what a step on blocks promises at the end."""

AWAY = 1.02
"""By which kappa is larger than the least that can be had, where multipliers grow without end."""

WORTH = 0.7
"""Of the simple masks' coupling: what a purity below the asked one must leave, half the light."""

LOOSENINGS = 4
"""Steps to a purity that there is, where all pixels do not allow what their blocks did."""

HOPELESS = 0.1
"""Of the couplings: masks that miss the side conditions by more are no start."""

SHORT = 0.05
"""Relative: as much more unwanted power than aimed at is only a lack of undecided pixels."""


@dataclass(frozen=True, eq=False)
class Together:
    """What the search sees of all scenarios, the nominal one first."""

    scenarios: tuple[Scenario, ...]
    vectors: tuple[Complex, ...]
    """The target in each scenario's basis."""
    palette: Palette
    floor: float = -math.inf
    # costly pixels take half a minute of several scenarios, and seldom help
    aims: Sequence[tuple[float, bool]] = AIMS

    @property
    def launches(self) -> tuple[Launch, ...]:
        return tuple(scenario.launch for scenario in self.scenarios)

    def attempt(self, side: Sides, point: Real) -> Attempt:
        """The mask that supports the multipliers at a point, in single precision."""
        multipliers = side.multipliers(point)
        drafts = [draft_of(launch) for launch in self.launches]
        parts = [complex_of(multipliers[own]) for own in side.own]
        backs = self.palette.gathered(
            [draft.back(part) for draft, part in zip(drafts, parts, strict=True)]
        )
        states = self.palette.support(backs)
        found = np.concatenate([real_of(draft.couplings(states)) for draft in drafts])
        return Attempt(point, float(multipliers @ found), states, backs, found)

    def each(self, states: Levels) -> list[Complex]:
        """Couplings in every scenario by the full model."""
        return [couplings(one, emitted(one.modulator, states)) for one in self.launches]

    def found(self, states: Levels) -> Real:
        return np.concatenate([real_of(c) for c in self.each(states)])

    def undecided(
        self, back: Fast, states: NDArray[np.integer], count: int, residual: float
    ) -> Undecided:
        """The pixels whose other state costs least for what it moves in all scenarios."""
        palette = self.palette
        first = palette.support(back)
        other = np.where(states == first, self._other(back, first), first)
        cost = palette.gain(back, states) - palette.gain(back, other)
        weight = np.sqrt(sum(table_of(launch).weight ** 2 for launch in self.launches))
        pixels = cheapest(cost, weight, count, residual)
        old, new = states.ravel()[pixels], other.ravel()[pixels]
        changes = []
        for launch in self.launches:
            values = launch.modulator.alphabet.values.astype(np.complex64)
            changes.append(changed(launch, pixels, values[new] - values[old]))
        return Undecided(pixels, new, np.hstack(changes), cost.ravel()[pixels].astype(np.float32))

    def _other(self, back: Fast, first: NDArray[np.intp]) -> NDArray[np.intp]:
        """The state to take instead of the supporting one, never the same."""
        palette = self.palette
        if palette.alphabet.size == 2:
            return 1 - first
        direction = palette.direction(back, first)
        other = alternatives(palette.alphabet, direction)
        return np.where(other == first, palette.alphabet.support(-direction), other)

    def shares(self, found: Sequence[Complex]) -> list[tuple[float, float]]:
        """(purity, efficiency) in every scenario."""
        out = []
        for vector, c in zip(self.vectors, found, strict=True):
            wanted = abs(np.vdot(vector, c)) ** 2
            out.append((float(wanted / max(np.sum(np.abs(c) ** 2), 1e-300)), float(wanted)))
        return out

    def purity(self, found: Real) -> float:
        """The worst scenario's."""
        ends = np.cumsum([2 * vector.size for vector in self.vectors])[:-1]
        return min(p for p, _ in self.shares([complex_of(c) for c in np.split(found, ends)]))


@lru_cache(maxsize=1)
def _model(launches: tuple[Launch, ...]) -> Model:
    return coarse_of_all(launches, blocks_of(launches[0]))


def robust(
    problem: Problem, settings: Settings | None = None, previous: Design | None = None
) -> Design:
    """The mask of a problem with other scenarios; `previous` as for `dual`.

    `prediction` and `bound` are those of the nominal scenario, `Design.robust` has the rest.  Where
    the asked purity cannot be had in all scenarios it is lowered, and the status says so.
    """
    launch, vector = problem.launch, problem.target.vector
    scenarios = (Scenario(NOMINAL, launch), *problem.others)
    view = Together(
        scenarios,
        tuple(transferred(vector, launch.basis, one.launch.basis) for one in scenarios),
        palette_of([one.launch for one in scenarios]),
    )
    nominal = dual(replace(problem, others=()), settings, previous)
    before = view.each(nominal.states)
    # one mask serves all: the phases between the scenarios are those of a mask
    phases = [np.angle(np.vdot(t, c)) for t, c in zip(view.vectors, before, strict=True)]
    each = (t * np.exp(1j * a) for t, a in zip(view.vectors, phases, strict=True))
    side = Sides(tuple(side_of(target, problem.purity) for target in each))
    worst = max(min(p for p, _ in view.shares(before)), 1e-12)
    side, point, states, found = _mask(view, side, math.sqrt(1 / worst - 1))
    if view.purity(found) < min(problem.purity, worst):
        states = nominal.states
    return _told(problem, view, nominal, (side, point), states)


def _mask(view: Together, side: Sides, reached: float) -> tuple[Sides, Real, Levels, Real]:
    """(side and point of the lowest bound, states, their couplings).

    Where the purity is out of reach it is lowered, at most to that of a mask that there is, whose
    kappa is `reached`.
    """
    side, simple = settled_phase(view, side)
    _, missed, wanted = side.split(simple.found)
    if np.all(missed < (1 - CLOSE) * side.kappa * wanted):
        states = simple.states.astype(np.uint16)
        found = view.found(states)
        if view.purity(found) >= 1 / (1 + side.kappa**2):
            return side, simple.point, states, found
    model = _model(view.launches)
    view = replace(view, floor=OUT_OF_REACH * simple.bound)
    solve = partial(_least, model, floor=view.floor)
    point = solve(side)
    if model.value(side.multipliers(point), 0.0)[0] <= view.floor and side.kappa < reached:
        worth = WORTH * simple.bound

        def holds(tried: Sides, point: Real) -> bool:
            return bool(model.value(tried.multipliers(point), 0.0)[0] > worth)

        side, _ = purest(side, reached, solve, holds)
        side = side.with_kappa(min(AWAY * side.kappa, reached))
        point = solve(side)
    step = (max(reached / side.kappa, 1.0)) ** (1 / LOOSENINGS)
    for _ in range(LOOSENINGS):
        made = _tried(view, model, side, point)
        if made is not None:
            return made
        # what the blocks leave out puts it out of reach
        side = side.with_kappa(step * side.kappa)
        point = solve(side)
    return settled(view, side, point, inverse_curvature(model, side, point))


def _tried(
    view: Together, model: Model, side: Sides, point: Real
) -> tuple[Sides, Real, Levels, Real] | None:
    """As `_mask`, from the optimum on blocks; None where all pixels do not allow the purity."""
    inverse = inverse_curvature(model, side, point)
    side, lowest, best = corrected(view, side, point, inverse)
    missed = float(np.linalg.norm(side.gradient(best.point, best.found)))
    if lowest.bound < view.floor or missed > HOPELESS * float(np.linalg.norm(best.found)):
        return None
    made = settled(view, side, lowest.point, inverse)
    impurity = 1 / view.purity(made[3]) - 1
    return made if impurity < (1 + SHORT) * side.kappa**2 else None


def _least(model: Model, side: Sides, *, floor: float) -> Real:
    """The point where F on blocks is least, as near as their smoothing has it.

    Several scenarios leave directions in which F hardly falls, but far.
    """
    point = least(model, side, floor)
    width = SMOOTHING[-1] * model.value(side.target, 0.0)[0] / len(model.real)
    return newton(model, side, point, width, decrement=PRECISE, floor=floor)


def _told(
    problem: Problem,
    view: Together,
    nominal: Design,
    proof: tuple[Sides, Real],
    states: Levels,
) -> Design:
    """The design of a mask, bounded at a point of its sides."""
    side, point = proof
    each = view.each(states)
    found = np.concatenate([real_of(c) for c in each])
    bound, multipliers = max(
        (_proof(view, tried, point) for tried in (side, side.turned(side.turn(found)))),
        key=lambda pair: pair[0],
    )
    purities, efficiencies = zip(*view.shares(each), strict=True)
    crosstalk = problem.launch.modulator.crosstalk > 0
    known = Robust(
        scenarios=tuple(one.name for one in view.scenarios),
        purities=purities,
        efficiencies=efficiencies,
        before=tuple(p for p, _ in view.shares(view.each(nominal.states))),
        bound=None if crosstalk else bound,
        bound_purity=min(problem.purity, 1 / (1 + side.kappa**2)),
        multipliers=multipliers,
    )
    prediction = judged(problem.launch.basis, problem.target, each[0])
    proven = nominal.certificate
    holds = proven is not None and prediction.purity >= proven.purity
    return Design(
        states,
        prediction,
        "dual",
        known.worst[1] >= problem.purity,
        _status(problem, known),
        bound=nominal.bound if holds else None,
        certificate=proven if holds else None,
        robust=known,
    )


def _status(problem: Problem, known: Robust) -> str:
    name, purity = known.worst
    if purity >= problem.purity:
        return "done"
    where = f"purity {purity:.6f} in the worst scenario, {name}"
    if known.bound_purity < (1 - 1e-9) * problem.purity:
        return (
            f"{where}: no mask of this modulator launches a worthwhile share at "
            f"{problem.purity:g} in all of them; a narrower band or box helps, or no carrier"
        )
    return f"{where}, instead of {problem.purity:g}: too few pixels are undecided"


def _proof(view: Together, side: Sides, point: Real) -> tuple[float, tuple[Complex, ...]]:
    """(bound of the squared mean amplitude, each scenario's multipliers), in double precision."""
    whole = side.certificate(point)
    multipliers = tuple(complex_of(whole[own]) for own in side.own)
    value = certified_sum(view.launches, view.palette, multipliers) / len(multipliers)
    return max(value, 0.0) ** 2, multipliers


def certified_sum(
    launches: Sequence[Launch], palette: Palette, multipliers: Sequence[Complex]
) -> float:
    """F in double precision: no mask, pure enough everywhere, has a larger sum of Re<t_i, c_i>.

    Weak duality holds for any multipliers; they only have to belong to the t_i and kappa.
    """
    pairs = list(zip(launches, multipliers, strict=True))
    pixels = palette.highest([back_propagated(launch, mu) for launch, mu in pairs])
    return pixels + sum(float(np.real(np.vdot(mu, launch.gaps))) for launch, mu in pairs)
