"""A proven bound of a target's efficiency in a hundredth of a second, without a mask.

F (see `design.convex`) at any multipliers that belong to target and purity is a bound; here they
are the best ones on blocks of pixels.  F is convex, so that what is symmetric about light and
target may be taken for symmetric in the multipliers too: the mean of a solution and its images is
no worse.  That leaves a few unknowns of many.  Where the bench is only nearly symmetric the bound
holds all the same, and lies a little above the least one.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge.design.convex import Model, Real, Side, complex_of
from maskforge.design.dual import (
    OUT_OF_REACH,
    begun,
    certified_bound,
    is_pure,
    model_of,
)
from maskforge.design.problem import Certificate, Problem
from maskforge.design.search import least
from maskforge.fields import Basis
from maskforge.launch import Launch
from maskforge.symmetry import TURNS

ALIKE = 1e-4
"""Relative: where F at an image of multipliers differs by no more, a bench counts as symmetric."""

FIXED = 1e-6
"""Rounding: of a target's phase, and of an eigenvalue that is 1."""


@dataclass(frozen=True, eq=False)
class Limit:
    """The `efficiency` that no mask exceeds at the certificate's purity, as a share of the beam.

    `worthwhile`: whether it is so much that a design would not lower the purity.
    """

    efficiency: float
    worthwhile: bool
    certificate: Certificate


def quick_bound(problem: Problem) -> Limit:
    """The bound of a problem, on 512 x 512 pixels within 0.5 % of the one a design comes with.

    The target's overall phase is that at which the simple mask launches most.
    """
    launch = problem.launch
    side, simple = begun(problem)
    mu = side.target
    # where the purity is out of reach F falls without end
    with np.errstate(over="ignore", invalid="ignore"):
        if not is_pure(side, simple):
            mu = _best(launch, side)
        value = max(certified_bound(launch, complex_of(mu)), 0.0)
    certificate = Certificate(problem.target, problem.purity, complex_of(mu))
    return Limit(value**2, value > OUT_OF_REACH * simple.bound, certificate)


def _best(launch: Launch, side: Side) -> Real:
    """The multipliers (2 K,) at which F on blocks is least."""
    free = unknowns(launch, side)
    if free.shape[1] == 0:
        return side.target
    frame = np.column_stack([side.target, free])
    fast, whole = frame.astype(np.float32), model_of(launch)
    imag = None if whole.imag is None else whole.imag @ fast
    model = Model(whole.real @ fast, imag, whole.radius, whole.fixed @ frame)
    axes = np.eye(frame.shape[1])
    within = Side(axes[0], axes[:, 1:], side.kappa)
    return np.asarray(frame @ within.certificate(least(model, within)))


def unknowns(launch: Launch, side: Side) -> Real:
    """What is left of a side's complement by symmetry: orthonormal (2 K, m)."""
    target = side.target
    kept = []
    for image in _images(launch):
        turned = image @ target
        if abs(abs(turned @ target) - 1) < FIXED:
            sign = round(float(turned @ target))
            if sign > 0 or _is_even(launch):
                kept.append(sign * image)
    if not kept:
        return side.complement
    mean = side.complement.T @ (sum(kept) / len(kept)) @ side.complement
    values, vectors = np.linalg.eigh((mean + mean.T) / 2)
    # x . M x = 1 for orthogonal M and unit x: M leaves x as it is
    return np.asarray(side.complement @ vectors[:, values > 1 - FIXED])


@lru_cache(maxsize=2)
def _images(launch: Launch) -> tuple[Real, ...]:
    """Those of `_matrices` that leave F as it is."""
    model, probe = model_of(launch), _probe(launch)
    value, _ = model.value(probe, 0.0)
    return tuple(
        image
        for image in _matrices(launch.basis)
        if abs(model.value(image @ probe, 0.0)[0] - value) < ALIKE * value
    )


@lru_cache(maxsize=2)
def _is_even(launch: Launch) -> bool:
    """Whether F is the same at the negative of any multipliers: nothing but the pixels' light."""
    model, probe = model_of(launch), _probe(launch)
    value, _ = model.value(probe, 0.0)
    return bool(abs(model.value(-probe, 0.0)[0] - value) < ALIKE * value)


def _probe(launch: Launch) -> Real:
    """Multipliers (2 K,) without any symmetry."""
    return np.random.default_rng(0).normal(size=2 * len(launch.basis))


@lru_cache(maxsize=2)
def _matrices(basis: Basis) -> tuple[Real, ...]:
    """What turns, mirrors and conjugation of the mask do to couplings: orthogonal (2 K, 2 K).

    The far field of conj(s) is conj(E(-u)): of modes that are even, l = 0, 2, ..., the coupling is
    conjugated with a minus, from the lens's 1/i, of odd ones without.
    """
    count = len(basis)
    turns: list[NDArray[np.float64]] = [np.eye(count)]
    turns += [turn.vector(basis, np.eye(count, dtype=complex)).real for turn in TURNS]
    parity = np.array([-1.0 if mode.l % 2 == 0 else 1.0 for mode in basis])[:, None]
    zero = np.zeros((count, count))
    plain = [np.block([[turn, zero], [zero, turn]]) for turn in turns[1:]]
    conjugate = [np.block([[parity * turn, zero], [zero, -parity * turn]]) for turn in turns]
    return (*plain, *conjugate)
