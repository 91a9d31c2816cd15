"""A design turned to another target by a symmetry of the bench, judged and proven anew."""

import math
from dataclasses import replace

import numpy as np

from maskforge.launch.basis import Basis
from maskforge.launch.couplings import Prediction, predict
from maskforge.launch.light import Complex
from maskforge.launch.modulator import emitted
from maskforge.launch.symmetry import Turn
from maskforge.launch.targets import Target
from maskforge.methods.cover import STEP, STEPS, certified_bound
from maskforge.methods.problem import Certificate, Design, Problem

AGREED = 1e-10
"""Relative: purity and efficiency of an image are its source's.  Light that is the same to SAME on
every pixel moves them by some 1e-11 on a mask a few waists wide, rounding alone by 1e-14."""


LOOSER = 1e-6
"""Relative: what a turned bound may be above its source's.  Targets whose phases are whole steps
apart, as all of one label are, have the same to 1e-10."""


NUDGE = 1e-8
"""Of a step of phases: more than rounding moves a phase, less than any bound shows."""


def turned(problem: Problem, made: Design, turn: Turn) -> Design | None:
    """The design of another target made the problem's, with the full model's prediction for it.

    None where its figures are not those of what is turned: then the bench is not as symmetric as it
    seemed, and nothing that is known of the other mask holds.  Nor is it an image where rounding
    alone decides whether the purity is got: `reached` and `status` are the turned mask's own.
    """
    launch, target = problem.launch, problem.target
    states = np.ascontiguousarray(turn.mask(made.states))
    prediction = predict(launch, target, emitted(launch.modulator, states))
    reached = prediction.purity >= problem.purity
    if reached != made.reached or not _agree(prediction, made.prediction):
        return None
    bound, proof = _proven(problem, made.bound, made.certificate, turn)
    bound_asked, excluded = _proven(problem, made.bound_asked, made.excluded, turn)
    if not (_holds(bound, made.bound) and _holds(bound_asked, made.bound_asked)):
        return None
    return replace(
        made,
        states=states,
        prediction=prediction,
        bound=bound,
        certificate=proof,
        bound_asked=bound_asked,
        excluded=excluded,
    )


def turned_proof(basis: Basis, proof: Certificate, turn: Turn, target: Target) -> Certificate:
    """A proof turned, for a target that is the image of its own but for the phase.

    Where the target is exp(i a) times the image, <t, c> of every turned mask is exp(-i a) times
    what it was, and so are the phases that each row speaks for: spans shift by whole steps.
    """
    ahead = np.vdot(turn.vector(basis, proof.target.vector), target.vector)
    shift = round(float(np.angle(ahead)) / STEP)
    rows = []
    for one in proof.multipliers:
        step = math.floor(_place(proof.target, one)) - shift
        rows.append(_within(target, turn.vector(basis, one), step))
    spans = proof.spans - shift
    spans = spans - STEPS * (spans[:, :1] // STEPS)
    return replace(proof, target=target, multipliers=np.array(rows), spans=spans)


def _place(target: Target, multipliers: Complex) -> float:
    """The phase of <t, mu> in steps, as `cover` finds it."""
    return float(np.mod(np.angle(np.vdot(target.vector, multipliers)), 2 * np.pi) / STEP)


def _within(target: Target, multipliers: Complex, step: int) -> Complex:
    """Multipliers whose phase lies in a step, or beside it by rounding only: then moved into it.

    Phases often are whole steps, and what is proven changes with the step that they lie in.
    """
    for move in (0.0, NUDGE, -NUDGE):
        moved = multipliers * np.exp(1j * STEP * move) if move else multipliers
        if (math.floor(_place(target, moved)) - step) % STEPS == 0:
            return np.asarray(moved)
    return multipliers


def _proven(
    problem: Problem, bound: float | None, proof: Certificate | None, turn: Turn
) -> tuple[float | None, Certificate | None]:
    """A bound of the efficiency and its proof, turned; without a proof the bound as it is."""
    if proof is None:
        return bound, None
    made = turned_proof(problem.launch.basis, proof, turn, problem.target)
    return max(certified_bound(problem.launch, made), 0.0) ** 2, made


def _holds(bound: float | None, before: float | None) -> bool:
    """Whether a turned bound is as good as the one that was turned."""
    if bound is None or before is None:
        return bound is before
    return bound <= before * (1 + LOOSER) + AGREED


def _agree(one: Prediction, other: Prediction) -> bool:
    """Whether purity and efficiency are the same but for rounding."""
    return math.isclose(one.purity, other.purity, rel_tol=AGREED) and math.isclose(
        one.efficiency, other.efficiency, rel_tol=AGREED
    )
