"""Turns and mirrors that leave a bench as it is, so that one design serves several targets.

The lens turns with the mask: a mask turned by g sends the facet field turned by g.  Where light,
pixels and carrier are the same after g, the couplings of the turned mask are those of the mask
with g applied to the modes, and so are the multipliers that prove its bound.  A turned mask is
judged anew all the same: it is an image only where the full model finds its source's figures again,
and its bounds are what its own proofs give.
"""

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from maskforge.design import Design, Problem
from maskforge.design.cover import STEP, STEPS, certified_bound
from maskforge.design.problem import Certificate
from maskforge.fields import Basis, Target, rotated
from maskforge.launch import Launch, Prediction, predict
from maskforge.modulator import emitted
from maskforge.optics import Complex

Pixel = TypeVar("Pixel", bound=np.generic)

SAME = 1e-12
"""Of the strongest pixel's light, or of a target's unit vector: equal but for rounding."""

AGREED = 1e-10
"""Relative: purity and efficiency of an image are its source's.  Light that is the same to SAME on
every pixel moves them by some 1e-11 on a mask a few waists wide, rounding alone by 1e-14."""

LOOSER = 1e-6
"""Relative: what a turned bound may be above its source's.  Targets whose phases are whole steps
apart, as all of one label are, have the same to 1e-10."""

NUDGE = 1e-8
"""Of a step of phases: more than rounding moves a phase, less than any bound shows."""


@dataclass(frozen=True)
class Turn:
    """`quarters` of a full turn, counter-clockwise, after a mirror y -> -y where `mirrored`."""

    quarters: int
    mirrored: bool

    def mask(self, pixels: NDArray[Pixel]) -> NDArray[Pixel]:
        """Pixels (rows, columns), y up, turned."""
        return np.rot90(pixels[::-1] if self.mirrored else pixels, -self.quarters)

    def place(self, point: tuple[float, float]) -> complex:
        """Where a point (x, y) comes to lie, as x + i y."""
        x, y = point
        return complex(x, -y if self.mirrored else y) * 1j**self.quarters

    def vector(self, basis: Basis, vector: Complex) -> Complex:
        """The vector (K,) of a field turned."""
        signs = [-1.0 if self.mirrored and mode.part == "sin" else 1.0 for mode in basis]
        return rotated(basis, np.array(signs) * vector, 90.0 * self.quarters)


TURNS = tuple(Turn(k, mirrored) for mirrored in (False, True) for k in range(4))[1:]
"""The symmetries of a square, less the one that does nothing."""


@lru_cache(maxsize=2)
def symmetries(launch: Launch) -> tuple[Turn, ...]:
    """Those of TURNS that leave the launch as it is."""
    return tuple(turn for turn in TURNS if _leaves(launch, turn))


def _leaves(launch: Launch, turn: Turn) -> bool:
    light, pitch = launch.incident, launch.modulator.pitch_seen
    if turn.quarters % 2 and (light.shape[0] != light.shape[1] or pitch[0] != pitch[1]):
        return False
    for point in (launch.centre, launch.lens_offset):
        if abs(turn.place(point) - complex(*point)) > SAME * launch.core_radius:
            return False
    if np.max(np.abs(turn.vector(launch.basis, launch.gaps) - launch.gaps)) > SAME:
        return False
    return bool(np.max(np.abs(turn.mask(light) - light)) <= SAME * np.max(np.abs(light)))


def images(basis: Basis, turns: tuple[Turn, ...], target: Target) -> Complex:
    """The target's vectors (turns, K) after each of `turns`."""
    vectors = [turn.vector(basis, target.vector) for turn in turns]
    return np.asarray(vectors, dtype=complex).reshape(len(turns), len(basis))


def turn_to(turns: tuple[Turn, ...], found: Complex, target: Target) -> Turn | None:
    """Which turn makes a target of `images` found this one but for its phase; None: none does."""
    along = np.abs(found.conj() @ target.vector)
    return next(
        (turn for turn, length in zip(turns, along, strict=True) if length > 1 - SAME), None
    )


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
