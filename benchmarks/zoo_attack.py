"""Masks that a bound says cannot exist: looked for over all overall phases of the target.

At each of many phases the relaxed problem is solved (`zoo_relaxed`), at the best of them on all
pixels; its mask is rounded pixel by pixel so that the errors cancel, and single pixels and pairs
are changed while the light in the target grows and the purity holds.  The package's own designs,
asked in other ways, are further starts.  What counts is judged by the full model in double
precision.
"""

import time
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from zoo_climb import climbed, rounded
from zoo_phases import Peak, best_phases, polished
from zoo_relaxed import Field, Index, field_of

from maskforge.base.errors import MaskforgeError
from maskforge.launch.couplings import Launch, back_propagated, predict
from maskforge.launch.modulator import Levels, emitted
from maskforge.launch.prediction import Prediction
from maskforge.methods.by_name import METHODS
from maskforge.methods.problem import Design, Problem, Settings

SPARE = 1e-9
"""Of kappa: so that rounding does not spoil a purity that is just met."""

TURNED = 3
"""Targets' phases at which the package's own design begins."""

BUDGET = 60.0
"""Seconds after which no further phase is polished, at effort 1."""


@dataclass(frozen=True)
class Beaten:
    """The most efficient mask found of at least `purity`; None where none was found.

    `relaxed`: efficiency of the best relaxed mask of that purity, which no proven bound may be
    below either.  `phase` in deg, against the target's own.  `how` the mask was found.
    """

    purity: float
    bound: float | None
    efficiency: float | None
    found_purity: float | None
    relaxed: float | None
    phase: float | None
    how: str
    seconds: float


@dataclass(frozen=True, eq=False)
class Best:
    """The best mask so far."""

    prediction: Prediction | None = None
    states: Levels | None = None
    how: str = "none"

    def or_better(self, problem: Problem, states: Levels, how: str) -> "Best":
        launch = problem.launch
        found = predict(launch, problem.target, emitted(launch.modulator, states))
        least_of = self.prediction.efficiency if self.prediction is not None else 0.0
        if found.purity >= problem.purity and found.efficiency > least_of:
            return Best(found, states, how)
        return self


def attacked(
    problem: Problem, effort: float, *, bound: float | None = None, start: Design | None = None
) -> Beaten:
    """The best mask that can be found for a problem, beginning with the one that is `start`.

    At an `effort` of 1 it takes some ten seconds.
    """
    began = time.perf_counter()
    best, rng = Best(), np.random.default_rng(0)
    states = simple_states(problem)
    if start is not None:
        states = start.states
        best = best.or_better(problem, states, "the mask itself")
    for how, made in other_designs(problem):
        best = best.or_better(problem, made, how)
    field, kappa = field_of(problem.launch, problem.target, states), kappa_of(problem.purity)
    top: Peak | None = None
    for scanned in best_phases(field, kappa, effort, rng):
        if top is not None and time.perf_counter() - began > BUDGET * effort:
            break
        peak = polished(field, kappa, scanned)
        top = peak if top is None or peak.value > top.value else top
        if peak.value > 0:
            for how, made in masks_at(problem, field, kappa, peak, states, best, rng):
                best = best.or_better(problem, made, how)
    found = best.prediction
    return Beaten(
        purity=problem.purity,
        bound=bound,
        efficiency=None if found is None else found.efficiency,
        found_purity=None if found is None else found.purity,
        relaxed=None if top is None else top.value**2,
        phase=None if top is None else float(np.degrees(top.phase)) % 360,
        how=best.how,
        seconds=time.perf_counter() - began,
    )


def kappa_of(purity: float) -> float:
    return float(np.sqrt(1 / purity - 1))


# --- masks -----------------------------------------------------------------------------------


def simple_states(problem: Problem) -> Levels:
    back = back_propagated(problem.launch, problem.target.vector)
    return problem.launch.modulator.alphabet.support(back).astype(np.uint16)


def other_designs(problem: Problem) -> Iterator[tuple[str, Levels]]:
    """The package's masks when it is asked in other ways."""
    target, purity = problem.target, problem.purity
    turns = 2 * np.pi * np.arange(TURNED) / TURNED + 0.4
    asked = [(f"dual, target turned by {t:.2f} rad", np.exp(1j * t), purity) for t in turns]
    asked.append(("dual, asked for a little more", 1.0 + 0j, 1 - 0.97 * (1 - purity)))
    for how, turn, wanted in asked:
        turned = replace(problem, target=replace(target, vector=target.vector * turn))
        try:
            made = METHODS["dual"](replace(turned, purity=wanted, others=()), Settings(), None)
        except (MaskforgeError, ValueError, ArithmeticError, np.linalg.LinAlgError):
            # its crashes are counted where benches are designed
            continue
        yield how, made.states


def masks_at(
    problem: Problem,
    field: Field,
    kappa: float,
    peak: Peak,
    states: Levels,
    best: Best,
    rng: np.random.Generator,
) -> Iterator[tuple[str, Levels]]:
    """Masks by the multipliers of a peak, and the best one so far climbed further with them."""
    there, launch = field.turned(peak.phase), problem.launch
    starts = [("rounded", rounded(there, kappa, peak.z))]
    given = states if best.states is None else best.states
    held = corner_states(launch, field, given)
    if held is not None:
        starts.append(("the mask climbed", held))
    for how, corners in starts:
        made = climbed(there, kappa * (1 - SPARE), peak.z, corners, rng)
        yield how, states_with(launch, field, states, made)


def corner_states(launch: Launch, field: Field, states: Levels) -> Index | None:
    """Corners (P,) of a mask's lit pixels; None where one is in a state that is no corner."""
    hull = launch.modulator.alphabet.hull
    place = np.full(launch.modulator.alphabet.size, -1)
    place[hull] = np.arange(hull.size)
    found = place[states.ravel()[field.index]]
    return None if np.any(found < 0) else found


def states_with(launch: Launch, field: Field, states: Levels, corners: Index) -> Levels:
    made = states.ravel().copy()
    made[field.index] = launch.modulator.alphabet.hull[corners]
    return made.reshape(states.shape)
