"""A design turned to another target by a symmetry of the bench, judged anew."""

import math
from dataclasses import replace

import numpy as np

from maskforge.launch.basis import Basis
from maskforge.launch.couplings import couplings, factors_of
from maskforge.launch.prediction import Prediction, judged
from maskforge.launch.symmetry import Turn
from maskforge.launch.targets import Target
from maskforge.methods.cover import STEP, STEPS, certified_bound
from maskforge.methods.problem import Certificate, Design, Problem, efficiency_of

AGREED = 1e-10
"""Relative: purity and efficiency of an image are its source's.  Light that is the same to SAME on
every pixel moves them by some 1e-11 on a mask a few waists wide, rounding alone by 1e-14."""


LOOSER = 1e-6
"""Relative: what a turned bound may be above its source's.  Targets whose phases are whole steps
apart, as all of one label are, have the same to 1e-10."""

WHOLE = 1e-6
"""Steps of phases: targets so nearly whole steps apart have the same bound but for rounding."""


def turned(problem: Problem, made: Design, turn: Turn) -> Design | None:
    """The design of another target made the problem's, with the full model's prediction for it.

    None where its figures are not those of what is turned: then the bench is not as symmetric as it
    seemed, and nothing that is known of the other mask holds.  Nor is it an image where rounding
    alone decides whether the purity is got: `reached` and `status` are the turned mask's own.
    """
    launch, target = problem.launch, problem.target
    states = np.ascontiguousarray(turn.mask(made.states))
    prediction = judged(launch.basis, target, couplings(launch, factors_of(launch, states)))
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
    shift = round(_steps_ahead(basis, proof.target, turn, target))
    rows = [turn.vector(basis, one) for one in proof.multipliers]
    spans = proof.spans - shift
    spans = spans - STEPS * (spans[:, :1] // STEPS)
    return replace(proof, target=target, multipliers=np.array(rows), spans=spans)


def _steps_ahead(basis: Basis, source: Target, turn: Turn, target: Target) -> float:
    """By how many steps of phases a target is ahead of the image of its source."""
    return float(np.angle(np.vdot(turn.vector(basis, source.vector), target.vector))) / STEP


def _proven(
    problem: Problem, bound: float | None, proof: Certificate | None, turn: Turn
) -> tuple[float | None, Certificate | None]:
    """A bound of the efficiency and its proof, turned; without a proof the bound as it is.

    Where the phases that the proof speaks for turn by whole steps nothing of it changes.
    """
    if proof is None:
        return bound, None
    launch, target = problem.launch, problem.target
    made = turned_proof(launch.basis, proof, turn, target)
    ahead = _steps_ahead(launch.basis, proof.target, turn, target)
    # what `symmetries` compares is all of the light only where it has one layer
    if abs(ahead - round(ahead)) < WHOLE and len(launch.facet.layers) == 1:
        return bound, made
    return efficiency_of(certified_bound(launch, made)), made


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
