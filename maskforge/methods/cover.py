"""The bound of a target's efficiency whatever its overall phase: proofs turned through all phases.

Multipliers mu with <t, mu> = |a| exp(i p) and z = mu - t <t, mu> prove, for every mask as pure as
P whose <t, c> has a phase x away from p, that (|a| cos x - kappa |z|) |<t, c>| <= F(mu): Re<mu, c>
is at least the left side, and at most F (weak duality).  exp(i d) mu is as good at phase p + d, and
changes v on every pixel by a turn only:

    F(exp(i d) mu) = Re(exp(-i d) <mu, c0>) + sum over pixels of |v| H(arg v + d),

H(w) = h(exp(i w)).  With every v split between its two neighbours of STEPS even directions that is
a circular correlation of the histogram of arg v with H, and no less than F since h is sublinear.
F without a turn is summed as it stands.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, conj, constant, contiguous, namespace, picked
from maskforge.base.strips import row_parts
from maskforge.launch.couplings import Launch
from maskforge.launch.modulator import Alphabet, Complex, Modulator
from maskforge.launch.passage import Passage
from maskforge.launch.targets import Target
from maskforge.methods.coupling_matrix import matrix_of, quick_back
from maskforge.methods.draft import draft_of
from maskforge.methods.dual_function import Real, kappa_of
from maskforge.methods.problem import Certificate
from maskforge.methods.turns import at_all_turns, directions, histogram, limits

STEPS = 7200
"""Turns of 0.05 degrees: what is between two of them costs 1e-7 of the bound.  A multiple of twice
the usual numbers of levels, so that the kinks of their H fall on a step."""

STEP = 2 * np.pi / STEPS

SMALLEST, LARGEST = 1e-100, 1e100
"""Of multipliers: beyond, their products are no numbers."""

EXACT = 1e-13
"""Of the longest entry: parts of gaps and multipliers which are rounding."""


TINY = 1e-3
"""Of a vector: parts of gaps that are EXACT of it are rounding."""

NEARLY = 1e-4
"""Of a bound: what fewer multipliers may cost."""


@dataclass(frozen=True, eq=False)
class Proof:
    """Multipliers (K,), and `limits` (STEPS,): the bound of |<t, c>| that they prove from each
    multiple of STEP to the next, as a phase of <t, c>; negative where no mask is so pure.
    `is_draft`: nearly so only."""

    multipliers: Complex
    limits: Real
    is_draft: bool = False

    def limit(self, phase: float) -> float:
        """The bound at a phase (rad)."""
        return float(self.limits[int(np.mod(phase, 2 * np.pi) / STEP) % STEPS])


def proof_of(
    launch: Launch, target: Target, purity: float, multipliers: Complex, *, draft: bool = False
) -> Proof:
    """What multipliers (K,) prove at every phase, turned there; from a `draft` nearly so, where
    that is less work."""
    if is_real_for(launch, target):
        multipliers = real_part(launch, multipliers)
    draft = draft and not launch.is_real and matrix_of(launch) is None
    return Proof(multipliers, _limits(launch, target, purity, multipliers, draft=draft), draft)


def joined(target: Target, purity: float, proofs: Sequence[Proof]) -> tuple[Certificate, float]:
    """(the least that proofs give together at every phase, its largest value over all phases)."""
    limits = np.stack([proof.limits for proof in proofs])
    top = float(limits.min(axis=0).max())
    # the first that does, so that most phases are left to the same one
    owner = np.argmax(limits <= top, axis=0)
    multipliers, spans = [], []
    for first, last in _runs(owner):
        multipliers.append(proofs[owner[first]].multipliers)
        spans.append((first, last))
    made = Certificate(target, purity, np.array(multipliers), np.array(spans, dtype=np.int64))
    return made, top


def needed(proofs: Sequence[Proof]) -> list[Proof]:
    """As few of the proofs as give nearly the same bound; the first, if it serves at all."""
    limits = np.stack([proof.limits for proof in proofs])
    top = float(limits.min(axis=0).max())
    serves = limits <= top + NEARLY * abs(top)
    left = np.ones(STEPS, dtype=bool)
    kept: list[int] = []
    while np.any(left):
        gains = np.count_nonzero(serves & left, axis=1)
        best = 0 if not kept and gains[0] else int(np.argmax(gains))
        kept.append(best)
        left &= ~serves[best]
    return [proofs[index] for index in kept]


def certified_bound(launch: Launch, certificate: Certificate) -> float:
    """The largest |<t, c>| of any mask of this modulator at the certificate's purity.

    In double precision; negative where no mask is so pure; infinite where the certificate proves
    nothing: numbers that are not finite, multipliers that belong to no bound, phases left out.
    """
    target, purity = certificate.target, certificate.purity
    seen = np.zeros(STEPS, dtype=bool)
    top = -np.inf
    for multipliers, (first, last) in zip(certificate.multipliers, certificate.spans, strict=True):
        if not 0 <= first < last <= first + STEPS:
            return np.inf
        cells = np.arange(first, last) % STEPS
        found = _limits(launch, target, purity, multipliers)[cells]
        if not np.all(np.isfinite(found)):
            return np.inf
        top = max(top, float(found.max()))
        seen[cells] = True
    return top if np.all(seen) else np.inf


def turned(launch: Launch, multipliers: Complex, *, draft: bool = False) -> Real:
    """F (STEPS,) of exp(i d) times multipliers (K,), for d = 0, STEP, ...; no less, that is.

    A `draft`, in single precision on fewer facet samples, is right to some 1e-5.
    """
    real = _is_real(launch) and is_real_vector(launch, multipliers)
    if draft:
        back = draft_of(launch).back(multipliers)
    else:
        back = quick_back(launch, multipliers, real=real)
    pixels = at_all_turns(histogram(back, STEPS), _supports(launch.modulator))
    if not real and launch.modulator.crosstalk == 0:
        # without what the steps cost where many pixels lie at a kink of H
        pixels[0] = min(pixels[0], _total_support(launch.modulator.alphabet, back))
    fixed = np.conj(directions(STEPS)) * np.vdot(multipliers, launch.gaps)
    return np.asarray(pixels + fixed.real)


def is_real_for(launch: Launch, target: Target) -> bool:
    """Whether all couplings of all masks lie on one line of the complex plane, mode by mode."""
    if not _is_real(launch) or not is_real_vector(launch, launch.gaps):
        return False
    along = target.vector / _turn(launch)
    return float(np.abs(np.sum(along**2))) > 1 - EXACT


def _is_real(launch: Launch) -> bool:
    # blurred phases are not those of the states
    return launch.is_real and launch.modulator.crosstalk == 0


def real_part(launch: Launch, vector: Complex) -> Complex:
    """Of a vector (J,) what real light on the pixels can give."""
    turn = _turn(launch)
    return np.asarray(turn * np.real(vector / turn))


def is_real_vector(launch: Launch, vector: Complex) -> bool:
    """Whether a vector (J,) is what real light on the pixels can give."""
    turn = _turn(launch)
    if np.any(np.isnan(turn)):
        return False
    rest = np.abs(np.imag(vector / turn))
    return bool(np.max(rest) <= EXACT * max(float(np.max(np.abs(vector))), TINY))


def _turn(launch: Launch) -> Complex:
    """Phases (J,) of what real light on the pixels gives: NaN where it can have any.

    The far field of real light is even and real or odd and imaginary; the lens adds 1/i.
    """
    into_modes = np.array([1j if mode.l % 2 == 0 else 1.0 for mode in launch.basis])
    if launch.halves:
        into_modes = into_modes * launch.amplitudes / np.abs(launch.amplitudes)
    if launch.setup.passage is None:
        return into_modes
    return _turn_behind(launch.setup.passage, into_modes.tobytes())


@lru_cache(maxsize=8)
def _turn_behind(passage: Passage, into_modes: bytes) -> Complex:
    sent = passage.matrix * np.frombuffer(into_modes, dtype=complex)
    largest = sent[np.arange(len(sent)), np.argmax(np.abs(sent), axis=1)]
    sizes = np.abs(largest)
    turn = np.where(sizes > 0, largest / np.where(sizes > 0, sizes, 1.0), 1.0)
    rest = np.abs(np.imag(sent / turn[:, None])).max(axis=1)
    return np.where(rest <= EXACT * sizes, turn, np.nan)


def _limits(
    launch: Launch, target: Target, purity: float, multipliers: Complex, *, draft: bool = False
) -> Real:
    """The bound of |<t, c>| that multipliers prove at every phase (STEPS,); infinite for none."""
    length = float(np.max(np.abs(multipliers))) if np.all(np.isfinite(multipliers)) else 0.0
    if not SMALLEST < length < LARGEST:
        return np.full(STEPS, np.inf)
    multipliers = multipliers / length
    along = complex(np.vdot(target.vector, multipliers))
    lost = kappa_of(purity) * np.linalg.norm(multipliers - along * target.vector)
    place = float(np.mod(np.angle(along), 2 * np.pi) / STEP)
    return limits(turned(launch, multipliers, draft=draft), place, abs(along), float(lost))


def _supports(modulator: Modulator) -> Real:
    """H (STEPS,).  Crosstalk blurs phases out of the states' hull, but not out of a disc."""
    if modulator.crosstalk > 0:
        return np.full(STEPS, float(np.max(np.abs(modulator.alphabet.values))))
    return _supports_of(modulator.alphabet)


@lru_cache(maxsize=8)
def _supports_of(alphabet: Alphabet) -> Real:
    turns = directions(STEPS)
    return np.asarray(np.real(np.conj(turns) * alphabet.values[alphabet.support(turns)]))


def _total_support(alphabet: Alphabet, values: Array) -> float:
    """The sum of h over all values."""
    xp = namespace(values)

    def total(part: Array) -> float:
        states = picked(constant(alphabet.values, part), alphabet.support(part))
        # on a device sums of every other number take ten times as long
        return float(xp.sum(contiguous(xp.real(conj(part) * states)), dtype=xp.float64))

    return math.fsum(map(total, row_parts(values)))


def _runs(owner: NDArray[np.intp]) -> list[tuple[int, int]]:
    """Where runs of one owner begin and end, around the circle."""
    starts = np.flatnonzero(owner != np.roll(owner, 1))
    if starts.size == 0:
        return [(0, owner.size)]
    ends = np.append(starts[1:], starts[0] + owner.size)
    return list(zip(starts.tolist(), ends.tolist(), strict=True))
