"""From the multipliers of one phase to a cover of all phases, as tight as is worth the while."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from maskforge.launch.couplings import Launch
from maskforge.launch.modulator import Complex
from maskforge.launch.targets import Target
from maskforge.methods.cover import STEP, STEPS, Proof, joined, needed, proof_of
from maskforge.methods.dual_function import kappa_of
from maskforge.methods.problem import Certificate
from maskforge.methods.turns import shares_around

CLOSED = 5e-4
"""Relative, of |<t, c>|: a bound that is no higher above what a mask launches is good enough."""

MANY = 24
"""Proofs; where n times as many are made a bound n times as far above will do.  With 12
the gaps of two benches of limited stroke were up to seven times as large, for the same time."""

LEFT = 2.5e-3
"""Relative: what a mask may lack at its own phase; more is a matter for a closer search."""

MOST = 120
"""Proofs at most."""

MOST_FULL = 12
"""Solutions on all pixels at most."""

NEAR = 4.0
"""degrees: a phase so near one that was solved for is not solved for again in the same way."""

WIDE = 8.0
"""degrees: multipliers that are known for a phase within are tried before others are looked for."""

Solve = Callable[[float, Complex, bool], Complex]
"""Multipliers for a phase (rad) from the nearest ones that are known; on all pixels where True."""


@dataclass(frozen=True, eq=False)
class Proven:
    """The `bound` of |<t, c>| at a purity (negative: excluded) by drafts of `proofs`, and the phase
    where it is highest though solved there: None where the bound is as low as was asked."""

    purity: float
    bound: float
    open_phase: float | None
    proofs: tuple[Proof, ...]

    @property
    def multipliers(self) -> tuple[Complex, ...]:
        return tuple(one.multipliers for one in self.proofs)

    def limit(self, phase: float) -> float:
        """The bound at a phase (rad)."""
        return min(one.limit(phase) for one in self.proofs)

    def nearest(self, phase: float) -> Complex:
        """The multipliers that bound a phase (rad) best."""
        return min(self.proofs, key=lambda one: one.limit(phase)).multipliers


def certified(launch: Launch, target: Target, found: Proven) -> tuple[Certificate, float]:
    """The same in double precision, from as few of the proofs as do."""
    some = [
        proof_of(launch, target, found.purity, one.multipliers) if one.is_draft else one
        for one in needed(found.proofs)
    ]
    return joined(target, found.purity, some)


def proven(
    launch: Launch,
    target: Target,
    purity: float,
    known: Sequence[Complex],
    solve: Solve,
    *,
    reach: float,
) -> Proven:
    """The bound for all phases from `known` multipliers, the best first, and more where needed.

    `reach`: of |<t, c>|; a bound no higher than CLOSED above it will do.
    """
    waiting, solved = list(known[1:]), list(known)
    proofs = [proof_of(launch, target, purity, known[0], draft=True)]
    tries: list[tuple[float, int]] = []
    missed: list[float] = []
    open_phase = None
    limits = proofs[0].limits
    at = int(np.mod(np.angle(np.vdot(target.vector, proofs[0].multipliers)), 2 * np.pi) / STEP)
    # what the mask leaves at its own phase is not for the cover to close
    own = min(limits[at % STEPS], reach * (1 + LEFT))
    while len(proofs) < MOST:
        closed = CLOSED * max(1.0, len(proofs) / MANY)
        enough = max(reach * (1 + closed), own * (1 + closed / 2))
        if limits.max() <= enough:
            break
        phase = STEP * (int(np.argmax(limits)) + 0.5)
        near = _nearest(waiting, target, phase)
        guess = _between(solved, target, kappa_of(purity), phase)
        guessed = near is None and guess.size and all(_away(at, phase) > NEAR for at in missed)
        if near is not None:
            made = waiting.pop(near)
        elif guessed:
            made = guess
        else:
            before = max((n for at, n in tries if _away(at, phase) < NEAR), default=-1)
            if before >= 1:
                open_phase = phase
                break
            if sum(n for _, n in tries) >= MOST_FULL:
                break
            tries.append((phase, before + 1))
            if not guess.size:
                guess = min(proofs, key=lambda one: one.limits[int(phase / STEP)]).multipliers
            made = solve(phase, guess, before + 1 > 0)
            solved.append(made)
            missed = []
        proofs.append(proof_of(launch, target, purity, made, draft=True))
        limits = np.minimum(limits, proofs[-1].limits)
        if guessed and limits[int(phase / STEP)] > enough:
            missed.append(phase)
    if limits.max() > enough:
        # no mask launches more than the best one of any purity
        proofs.append(proof_of(launch, target, purity, target.vector, draft=True))
        limits = np.minimum(limits, proofs[-1].limits)
    return Proven(purity, float(limits.max()), open_phase, tuple(proofs))


def _between(solved: Sequence[Complex], target: Target, kappa: float, phase: float) -> Complex:
    """A guess at multipliers for a phase (rad) from the solutions around it; empty without."""
    along = np.array([np.vdot(target.vector, one) for one in solved])
    rest = np.array(solved) - along[:, None] * target.vector
    sizes = np.abs(along) - kappa * np.linalg.norm(rest, axis=1)
    some = np.flatnonzero(sizes > 0)
    shares = shares_around(np.angle(along[some]) - phase)
    if not shares:
        return np.zeros(0, complex)
    chosen = some[list(shares)]
    scales = np.array(list(shares.values())) / sizes[chosen] * np.exp(-1j * np.angle(along[chosen]))
    z = scales @ rest[chosen]
    return np.asarray(((1 + kappa * np.linalg.norm(z)) * target.vector + z) * np.exp(1j * phase))


def _away(first: float, second: float) -> float:
    """degrees"""
    return float(np.degrees(abs(np.angle(np.exp(1j * (first - second))))))


def _nearest(waiting: Sequence[Complex], target: Target, phase: float) -> int | None:
    """Which of the multipliers is for the nearest phase, if it is near."""
    if not waiting:
        return None
    at = [float(np.angle(np.vdot(target.vector, one))) for one in waiting]
    away = [_away(one, phase) for one in at]
    return int(np.argmin(away)) if min(away) < WIDE else None
