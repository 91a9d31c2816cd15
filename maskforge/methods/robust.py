"""The robust design: one mask, pure enough in every scenario, and a bound of what any could do.

A scenario is another wavelength, or another place of the fibre.  The dual has the multipliers of
all of them as unknowns (see `dual_of_scenarios`); the search is that of `dual`, on all launches at
once.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np

from maskforge.base.arrays import on_host
from maskforge.launch.couplings import Launch, Scenario, wanted_in
from maskforge.launch.modulator import Levels
from maskforge.launch.prediction import judged
from maskforge.methods.attempts_for_all import AllLaunches
from maskforge.methods.blocks import Blocks, blocks_of, coarse_of_all
from maskforge.methods.cover import joined, proof_of
from maskforge.methods.dual import dual
from maskforge.methods.dual_function import Real, complex_of, kappa_of, newton, real_of, side_of
from maskforge.methods.dual_of_scenarios import Sides
from maskforge.methods.mean_of_scenarios import (
    Several,
    alone_of,
    certified_mean,
    near_bound,
    proven_alone,
    proven_joint,
)
from maskforge.methods.problem import (
    NOMINAL,
    Alone,
    Certificate,
    Design,
    Joint,
    Problem,
    Robust,
    Settings,
    efficiency_of,
)
from maskforge.methods.search import (
    CLOSE,
    SMOOTHING,
    corrected,
    inverse_curvature,
    least,
    purest,
    settled,
    settled_phase,
)
from maskforge.methods.states_for_all import palette_of

OUT_OF_REACH = 0.3

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

LOOSE = 1e-3
"""Relative, of the mean amplitude: above a mask by more, each scenario's own bound is tried."""

SAME = 1 - 1e-9
"""Of a purity: as good as it."""

SHORT = 0.05
"""Relative: as much more unwanted power than aimed at is only a lack of undecided pixels."""


@lru_cache(maxsize=1)
def _model(launches: tuple[Launch, ...]) -> Blocks:
    return coarse_of_all(launches, blocks_of(launches[0]))


def robust(
    problem: Problem, settings: Settings | None = None, previous: Design | None = None
) -> Design:
    """The mask of a problem with other scenarios; `previous` as for `dual`.

    `prediction` and `bound` are those of the nominal scenario, `Design.robust` has the rest.  Where
    the asked purity cannot be had in all scenarios it is lowered, and the status says so, and what
    is proven of the asked one.
    """
    launch, target = problem.launch, problem.target
    scenarios = (Scenario(NOMINAL, launch), *problem.others)
    view = AllLaunches(
        scenarios,
        tuple(wanted_in(target, launch, one.launch) for one in scenarios),
        palette_of([one.launch for one in scenarios]),
    )
    nominal = dual(replace(problem, others=()), settings, previous)
    before = view.each(nominal.states)
    # one mask serves all: the phases between the scenarios are those of a mask
    phases = [np.angle(np.vdot(t, c)) for t, c in zip(view.vectors, before, strict=True)]
    each = (t * np.exp(1j * a) for t, a in zip(view.vectors, phases, strict=True))
    side = Sides(tuple(side_of(target, problem.purity) for target in each))
    worst = max(min(p for p, _ in view.shares(before)), 1e-12)
    asked = _Asked(side)
    side, point, states, found = _found(view, asked, kappa_of(worst))
    if view.purity(found) < min(problem.purity, worst):
        states = nominal.states
    return _told(problem, view, nominal, (side, point), states, asked)


@dataclass
class _Asked:
    """The sides as asked for, and the point that bounds most there, where it was lowered."""

    side: Sides
    point: Real | None = None

    def keep(self, side: Sides, point: Real) -> None:
        if self.point is None:
            self.side, self.point = side, point


_Mask = tuple[Sides, Real, Levels, Real]
"""Side and point of the lowest bound, states, their couplings."""


def _found(view: AllLaunches, asked: _Asked, reached: float) -> _Mask:
    """The mask, at the asked purity or a lower one.

    Where the purity is out of reach it is lowered, at most to that of a mask that there is, whose
    kappa is `reached`; `asked` then keeps what bounds the asked one.
    """
    side, simple = settled_phase(view, asked.side)
    _, missed, wanted = side.split(simple.found)
    if np.all(missed < (1 - CLOSE) * side.kappa * wanted):
        states = on_host(simple.states).astype(np.uint16)
        found = view.found(states)
        if view.purity(found) >= 1 / (1 + side.kappa**2):
            return side, simple.point, states, found
    model = _model(view.launches)
    view = replace(view, floor=OUT_OF_REACH * simple.bound)
    solve = partial(_least, model, view.floor)
    point = solve(side, None)
    if model.value(side.multipliers(point), 0.0)[0] <= view.floor and side.kappa < reached:
        worth = WORTH * simple.bound
        asked.keep(side, point)

        def holds(tried: Sides, point: Real) -> bool:
            return bool(model.value(tried.multipliers(point), 0.0)[0] > worth)

        side, point = purest(side, reached, solve, holds)
        side = side.with_kappa(min(AWAY * side.kappa, reached))
        point = solve(side, point)
    return _loosened(view, model, asked, solve, (side, point), reached)


def _loosened(
    view: AllLaunches,
    model: Blocks,
    asked: _Asked,
    solve: Callable[[Sides, Real | None], Real],
    start: tuple[Sides, Real],
    reached: float,
) -> _Mask:
    """The mask worth most of those from a side and its point on blocks, and from less pure ones,
    as far as all pixels fall short of what their blocks promise."""
    side, point = start
    step = (max(reached / side.kappa, 1.0)) ** (1 / LOOSENINGS)
    tried: list[_Mask] = []
    purest_yet, is_last = math.inf, side.kappa == reached
    while True:
        made, got = _tried(view, model, side, point)
        if made is not None:
            tried.append(made)
        if got < math.sqrt(1 + SHORT) * side.kappa:
            break
        asked.keep(side, point)
        if is_last:
            break
        # a mask that there is shows how far to go, or is no purer than one that there was
        is_stuck = purest_yet <= got < math.inf
        kappa = step * side.kappa
        if reached <= got < math.inf:
            kappa = reached
        elif is_stuck:
            kappa = AWAY * purest_yet
        elif made is not None:
            kappa = min(kappa, AWAY * got)
        is_last, purest_yet = is_stuck or kappa >= reached, min(got, purest_yet)
        side = side.with_kappa(min(kappa, reached))
        point = solve(side, point)
    if not tried:
        return settled(view, side, point, inverse_curvature(model, side, point))
    kappa = asked.side.kappa
    return max(tried, key=lambda one: view.worth(one[3], kappa))


def _tried(
    view: AllLaunches, model: Blocks, side: Sides, point: Real
) -> tuple[_Mask | None, float]:
    """(a mask, kappa of its purity) from the optimum on blocks; (None, inf) where all pixels
    are far from allowing that of the side."""
    inverse = inverse_curvature(model, side, point)
    side, lowest, best = corrected(view, side, point, inverse)
    missed = float(np.linalg.norm(side.gradient(best.point, best.found)))
    if lowest.bound < view.floor or missed > HOPELESS * float(np.linalg.norm(best.found)):
        return None, math.inf
    made = settled(view, side, lowest.point, inverse)
    return made, kappa_of(view.purity(made[3]))


def _least(model: Blocks, floor: float, side: Sides, near: Real | None) -> Real:
    """The point where F on blocks is least, as near as their smoothing has it; from one that is
    `near`.

    Several scenarios leave directions in which F hardly falls, but far.
    """
    point = least(model, side, floor, start=near)
    width = SMOOTHING[-1] * model.value(side.target, 0.0)[0] / model.real.shape[0]
    return newton(model, side, point, width, decrement=PRECISE, floor=floor)


def _told(
    problem: Problem,
    view: AllLaunches,
    nominal: Design,
    proof: tuple[Sides, Real],
    states: Levels,
    asked: _Asked,
) -> Design:
    """The design of a mask, bounded at a point of its sides."""
    each = view.each(states)
    purities, efficiencies = zip(*view.shares(each), strict=True)
    bounds = _Bounds(view, nominal, float(np.mean(np.sqrt(efficiencies))))
    side, point = proof
    side = side.turned(side.turn(np.concatenate([real_of(c) for c in each])))
    joint, bound = bounds.at(min(problem.purity, 1 / (1 + side.kappa**2)), side, point)
    phases = [float(np.angle(np.vdot(t, c))) for t, c in zip(view.vectors, each, strict=True)]
    near = near_bound(bounds.several, joint, phases)
    known = Robust(
        scenarios=tuple(one.name for one in view.scenarios),
        purities=purities,
        efficiencies=efficiencies,
        before=tuple(p for p, _ in view.shares(view.each(nominal.states))),
        bound=bound,
        bound_near=None if near is None else near**2,
        proof=joint,
    )
    if asked.point is not None and joint.purity < SAME * problem.purity:
        first, strict = bounds.at(problem.purity, asked.side, asked.point)
        # what holds for less pure masks holds for purer ones
        lower = [one for one in (strict, bound) if one is not None]
        known = replace(known, bound_asked=min(lower, default=None), asked=first)
    prediction = judged(problem.launch.ends, problem.target, each[0])
    proven, limit = _nominal_bound(problem, nominal, prediction.purity)
    return Design(
        states,
        prediction,
        "dual",
        known.worst[1] >= problem.purity,
        _status(problem, known),
        bound=limit,
        certificate=proven,
        robust=known,
        asked=problem.purity,
    )


def _nominal_bound(
    problem: Problem, nominal: Design, purity: float
) -> tuple[Certificate | None, float | None]:
    """The proof of the nominal scenario that holds for masks of a purity, and its bound."""
    proven = nominal.certificate
    if proven is None or purity >= proven.purity:
        return proven, nominal.bound
    # multipliers belong to any purity, though they are the best for their own
    launch, target = problem.launch, problem.target
    proofs = [proof_of(launch, target, purity, one) for one in proven.multipliers]
    lower, top = joined(target, purity, proofs)
    return (lower, efficiency_of(top)) if math.isfinite(top) else (None, None)


@dataclass(frozen=True, eq=False)
class _Bounds:
    """Proofs of the mean amplitude, of which a mask has `reached`."""

    view: AllLaunches
    nominal: Design
    reached: float

    @property
    def several(self) -> Several:
        return Several(self.view.launches, self.view.vectors)

    def at(self, purity: float, side: Sides, point: Real) -> tuple[Joint, float | None]:
        """(the proof at a purity from a point of the sides, bound of the squared mean amplitude).

        None where nothing is proven.
        """
        several = self.several
        whole = side.certificate(point)
        multipliers = tuple(complex_of(whole[own]) for own in side.own)
        joint = proven_joint(several, purity, multipliers)
        bound = certified_mean(several, joint)
        if bound > (1 + LOOSE) * self.reached:
            joint = replace(joint, alone=self._alone(several, joint))
            bound = certified_mean(several, joint)
        return joint, bound**2 if math.isfinite(bound) else None

    def _alone(self, several: Several, joint: Joint) -> tuple[Alone, ...]:
        """Every scenario's own proof, that of the nominal one from its design."""
        own = [
            alone_of(one)
            for one in (self.nominal.excluded, self.nominal.certificate)
            if one is not None and one.purity <= joint.purity
        ]
        start = own[:1]
        rest = zip(several.launches, several.vectors, joint.multipliers, strict=True)
        solved = [proven_alone(*one[:2], joint.purity, one[2]) for one in list(rest)[len(start) :]]
        return (*start, *solved)


def _status(problem: Problem, known: Robust) -> str:
    """How it ended, and of a purity that is out of reach what is proven."""
    name, purity = known.worst
    if purity >= problem.purity:
        return "done"
    where = f"purity {purity:.6f} in the worst scenario, {name}"
    if known.asked is None:
        return f"{where}, instead of {problem.purity:g}: too few pixels are undecided"
    if known.bound_asked is None:
        told = f"of masks {problem.purity:g} pure in all of them nothing is proven"
    elif known.bound_asked == 0:
        told = f"no mask is {problem.purity:g} pure in all of them (proven)"
    else:
        told = (
            f"masks {problem.purity:g} pure in all of them have a mean of at most "
            f"{100 * known.bound_asked:.3g} % (proven)"
        )
    lower = f"{known.bound_purity:.6f} was designed for"
    return f"{where}: {told}, so {lower}; a narrower band or box helps"
