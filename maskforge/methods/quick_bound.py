"""A proven bound of a target's efficiency in a hundredth of a second, without a mask.

It holds whatever the target's overall phase, as a design's does (see `methods.cover`); the
multipliers are those at which F (see `methods.dual_function`) is least on blocks of pixels.  F is
convex, so that what is symmetric about light and target may be taken for symmetric in the
multipliers too: the mean of a solution and its images is no worse.  That leaves a few unknowns of
many.  Where the bench is only nearly symmetric the bound holds all the same, and lies a little
above the least one.
"""

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from maskforge.base.arrays import beside
from maskforge.launch import symmetry
from maskforge.launch.couplings import Launch
from maskforge.launch.modulator import Complex
from maskforge.launch.targets import Target
from maskforge.methods.attempts import attempt, is_pure
from maskforge.methods.best_phase import (
    TURNS,
    Ground,
    Solved,
    solved_at_phases,
    solved_from,
    turned_on_blocks,
)
from maskforge.methods.blocks import Blocks, model_of
from maskforge.methods.cover import STEP, STEPS, joined, proof_of
from maskforge.methods.dual_function import Real, Side, complex_of, real_of, side_of
from maskforge.methods.problem import Certificate, Design, Problem, efficiency_of
from maskforge.methods.proving import certified, proven
from maskforge.methods.shortfall import SHARES

ALIKE = 1e-4
"""Relative: where F at an image of multipliers differs by no more, a bench counts as symmetric."""

FIXED = 1e-6
"""Rounding: of a target's phase, and of an eigenvalue that is 1."""

SPARE = 5e-4
"""Of |<t, c>|: how far above the bound at the best phase that for all phases may lie."""

FAINT = 0.01
"""Of what the simple mask launches: a bound is not looked at more closely below it, where the
purity costs 40 dB."""


@dataclass(frozen=True, eq=False)
class QuickBound:
    """The `efficiency` that no mask exceeds at the certificate's purity, as a share of the beam.

    `worthwhile`: whether it is so much that a design would not lower the purity.
    """

    efficiency: float
    worthwhile: bool
    certificate: Certificate


def quick_bound(problem: Problem) -> QuickBound:
    """The bound of a problem for every overall phase of the target.

    On 512 x 512 pixels within 0.5 % of the one a design comes with; never above what the simple
    mask launches, which is the bound without any asked purity.
    """
    launch, target, purity = problem.launch, problem.target, problem.purity
    side = side_of(target.vector, purity).turned(_brightest(launch, target))
    simple = attempt(launch, side, np.zeros(side.complement.shape[1]))
    found = None if is_pure(side, simple) else _covered(problem, side, simple.bound)
    if found is None or not found[1] < simple.bound:
        alone = joined(target, purity, [proof_of(launch, target, purity, complex_of(side.target))])
        found = alone if found is None or not found[1] < alone[1] else found
    certificate, bound = found
    efficiency = min(efficiency_of(bound), 1.0)
    return QuickBound(efficiency, _is_worthwhile(bound, simple.bound), certificate)


def on_blocks(problem: Problem) -> tuple[float, bool]:
    """Efficiency and whether it is worthwhile, as of `quick_bound`, by F on blocks alone.

    A third of the time and no proof: near the best beam of a lens within some percent of it.
    """
    launch, target = problem.launch, problem.target
    lights = turned_on_blocks(model_of(launch), real_of(target.vector))
    place = int(np.argmax(lights))
    light = bound = float(lights[place])
    side = side_of(target.vector, problem.purity).turned(2 * np.pi / TURNS * place)
    field = _Field.of(launch, side)
    if field.frame.shape[1] > 1:
        with np.errstate(over="ignore", invalid="ignore"):
            value = float(solved_at_phases(field.ground, field.side)[0].value)
        bound = min(light, value) if np.isfinite(value) else 0.0
    return min(efficiency_of(max(bound, 0.0)), 1.0), _is_worthwhile(bound, light)


def _is_worthwhile(bound: float, light: float) -> bool:
    """Of |<t, c>|: whether a design would not lower the purity; `light`: of the simple mask."""
    return bound > math.sqrt(SHARES["purest"]) * light


def bound_asked(problem: Problem, made: Design) -> float:
    """Of the efficiency at the asked purity (0: no mask is so pure), by a problem's design where it
    knows, and quickly where it knows of a lower purity alone."""
    if made.bound_asked is not None:
        return made.bound_asked
    if made.bound is None or made.certificate is None or made.certificate.purity < problem.purity:
        return quick_bound(problem).efficiency
    return made.bound


def _brightest(launch: Launch, target: Target) -> float:
    """The overall phase (rad) of the target at which the simple mask launches most, of TURNS."""
    lights = turned_on_blocks(model_of(launch), real_of(target.vector))
    return 2 * np.pi / TURNS * int(np.argmax(lights))


def _covered(problem: Problem, side: Side, light: float) -> tuple[Certificate, float]:
    """(certificate, bound of |<t, c>|) of the least F on blocks, from a side's phase on.

    `light`: what the simple mask launches.
    """
    launch, target, purity = problem.launch, problem.target, problem.purity
    field = _Field.of(launch, side)
    if field.frame.shape[1] == 1:
        # by symmetry there is nothing to keep light out of
        return joined(target, purity, [proof_of(launch, target, purity, complex_of(side.target))])
    # where the purity is out of reach F falls without end
    with np.errstate(over="ignore", invalid="ignore"):
        known = [field.multipliers(one) for one in solved_at_phases(field.ground, field.side)]
        own = proof_of(launch, target, purity, known[0])
        place = int(np.mod(np.angle(np.vdot(target.vector, known[0])), 2 * np.pi) / STEP) % STEPS
        reach = max((1 + SPARE) * float(own.limits[place]), FAINT * light)
        if own.limits.max() <= reach:
            return joined(target, purity, [own])
        made = proven(launch, target, purity, known, field.solved, reach=reach)
    return certified(launch, target, made)


@dataclass(frozen=True, eq=False)
class _Field:
    """A problem in few unknowns: `frame` (K, 1 + m), the target turned by `angle` and `unknowns`;
    the model and the side conditions of what stands before its columns."""

    frame: Complex
    angle: float
    ground: Ground
    side: Side

    @staticmethod
    def of(launch: Launch, side: Side) -> "_Field":
        frame = np.column_stack([complex_of(side.target), unknowns(launch, side)])
        first = np.eye(frame.shape[1], dtype=complex)[0]
        inside = side_of(first, 1 / (1 + side.kappa**2))
        return _Field(frame, side.angle, Ground(_within(model_of(launch), frame)), inside)

    def multipliers(self, one: Solved) -> Complex:
        """Multipliers (K,) of a solution."""
        found = np.asarray(self.frame @ complex_of(one.side.certificate(one.point)))
        if np.all(np.isfinite(found)):
            return found
        return np.asarray(self.frame[:, 0] * np.exp(1j * one.side.angle))

    def solved(self, phase: float, near: Complex, _fully: bool) -> Complex:
        """Multipliers for a phase (rad) of the target, from `near` ones."""
        inner = np.conj(self.frame.T) @ near
        side = self.side.turned(float(np.angle(inner[0])))
        point = side.point(real_of(inner))
        there = side.turned(phase - self.angle - side.angle)
        return self.multipliers(solved_from(self.ground, there, point))


def _within(model: Blocks, frame: Complex) -> Blocks:
    """F on blocks of multipliers frame . x, as a function of x."""
    both = np.block([[frame.real, -frame.imag], [frame.imag, frame.real]])
    fast = both.astype(np.float32)
    there = beside(fast, model.real)
    model = replace(model, real=model.real @ there, fixed=model.fixed @ both)
    return model if model.imag is None else replace(model, imag=model.imag @ there)


def unknowns(launch: Launch, side: Side) -> Complex:
    """What is left of the target's complement by symmetry: orthonormal (K, m)."""
    target = complex_of(side.target)
    kept = [np.eye(target.size)]
    for image in _images(launch):
        along = np.vdot(target, image @ target)
        if abs(along - 1) < FIXED or (abs(along + 1) < FIXED and _is_even(launch)):
            kept.append(round(along.real) * image)
    mean = sum(kept) / len(kept) - np.outer(target, np.conj(target))
    values, vectors = np.linalg.eigh((mean + np.conj(mean.T)) / 2)
    # x . M x = 1 for unitary M and unit x: M leaves x as it is
    return np.asarray(vectors[:, values > 1 - FIXED])


@lru_cache(maxsize=2)
def _images(launch: Launch) -> tuple[Real, ...]:
    """Turns and mirrors of couplings (K, K) that leave F as it is; none behind a device."""
    if launch.setup.passage is not None:
        return ()
    basis, probe = launch.basis, _probe(launch)
    images = [turn.vector(basis, np.eye(len(basis), dtype=complex)).real for turn in symmetry.TURNS]
    return tuple(image for image in images if _is_alike(launch, image @ probe))


@lru_cache(maxsize=2)
def _is_even(launch: Launch) -> bool:
    """Whether F is the same at the negative of any multipliers: nothing but the pixels' light."""
    return _is_alike(launch, -_probe(launch))


def _is_alike(launch: Launch, image: Complex) -> bool:
    model = model_of(launch)
    value, _ = model.value(real_of(_probe(launch)), 0.0)
    return bool(abs(model.value(real_of(image), 0.0)[0] - value) < ALIKE * value)


def _probe(launch: Launch) -> Complex:
    """Multipliers (J,) without any symmetry."""
    return complex_of(np.random.default_rng(0).normal(size=2 * len(launch.ends)))
