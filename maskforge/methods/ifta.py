"""Iterative Fourier transform design: the target in a signal window, free noise outside.

Between the mask and the facet the window's samples are replaced by the target's, everything outside
is left as it fell (Wyrowski and Bryngdahl, J. Opt. Soc. Am. A 5, 1058, 1988), and the pixels are
brought back to what the alphabet can show.  Since the noise stays, only the window is transformed:
with W the window's rows of the unitary transform, u' = u + W^H (target - W u) is one full forward
and backward transform.  With the pixels in the alphabet's hull that is a projected gradient step of
a convex problem, and takes Nesterov's momentum (Beck and Teboulle, SIAM J. Imaging Sci. 2, 183,
2009).  Quantisation comes in steps, a growing share of the pixels being frozen to a state while the
others make up for it (Wyrowski, J. Opt. Soc. Am. A 7, 961, 1990).
"""

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import on_host
from maskforge.launch.basis import sampled
from maskforge.launch.couplings import (
    Launch,
    back_propagated,
    facet_at,
    gap_field,
    launch_target,
    predict,
)
from maskforge.launch.facet import Facet, slant_of
from maskforge.launch.modulator import Alphabet, emitted
from maskforge.launch.prediction import Prediction
from maskforge.launch.targets import target_field
from maskforge.launch.transform import fast_length, padded_axis
from maskforge.methods.problem import Design, Problem, Settings, overall_phase, supported

Fast = NDArray[np.complex64]

OVERSAMPLING = 1.25
"""Window samples per lambda f / (mask width), at least: at 1 the field between them would be free;
at 2 masks are no purer, and have less light by up to 1 %."""

LARGEST_AMPLITUDE = 0.9
"""Of the simple mask's: no more is asked for, since that seldom survives quantisation."""

EXCESS, EXCESS_KEPT = 0.5, 0.91
"""Of the simple mask's amplitude, how much more is asked for than the window holds, and what of
that is kept at the next iteration: it draws light there for as long as the purity lets it.  With
0.1 and 0.95 masks have up to 20 % less light; with 1 and 0.88, which takes as long, no more."""

AMPLITUDE_STEP = 0.94
"""By which the amplitude is lowered where the quantised mask is not pure: 12 % in efficiency."""

CHECK_EVERY = 8
STAGNATION = 0.02
"""The window's error must fall by this share between two checks, once no more than that is asked
for in excess, or the pass has ended."""

RELAXED_SHARE = 0.25
"""Of the impurity asked for, this much may be left before quantisation, which adds its own."""

FREEZING_POWER = 2.0
"""The free share falls as (1 - progress) to this power: the last steps freeze few pixels."""

FREEZE_EVERY, FEW_FREE = 4, 0.25
"""Iterations, while more than this share is free: to decide which pixels to freeze then takes as
long as a transform.  The last ones are frozen step by step: that is what makes a mask pure."""

DITHER = 0.5
"""Pixels are frozen nearest first, plus this much of a random number: without it whole areas of one
grey fall the same way at once, 100 times worse in purity on a binary panel."""

MOMENTUM = 0.4
"""Of a free pixel's last step, while others are frozen: without it a quarter of the iterations
leaves up to 1.5 times the impurity; with 0.7 all of them leave several times as much."""

SHARES = (4, 2, 1, 1, 1, 1)
"""The iterations are divided by these in the tries to quantise; the first does for most masks."""


@dataclass(frozen=True, eq=False)
class Window:
    """Signal window: samples of the unitary transform, which are inside, what gaps send there.

    Its fields are without the envelope of the beam's mean in the pixels, and without the lens's
    slant.  `undone` goes back from it to what the pixels must do for that mean: their light is
    divided out.
    """

    facet: Facet
    undone: Facet
    inside: NDArray[np.bool_]
    envelope: NDArray[np.floating]
    modes: NDArray[np.float64]
    gaps: Fast
    slant: NDArray[np.complex128]

    def forward(self, factors: Fast) -> Fast:
        facet = self.facet.field(factors) + self.gaps
        return np.asarray(facet * self.inside, dtype=np.complex64)

    def change(self, miss: Fast) -> Fast:
        """What to add to factors to add `miss` to the window, but for other terms of the beam
        inside the pixels, and to leave the noise as it is."""
        return np.asarray(self.undone.back(miss), dtype=np.complex64)


@lru_cache(maxsize=2)
def window_of(launch: Launch, factor: float) -> Window:
    """The window of `factor` core radii around the fibre's axis, as wide as no sample repeats."""
    radius = launch.core_radius * factor
    rows, columns = (fast_length(OVERSAMPLING * count) for count in launch.modulator.shape)
    pitch = launch.modulator.pitch_seen
    u = padded_axis(columns, pitch[0], launch.scale, radius)
    v = padded_axis(rows, pitch[1], launch.scale, radius)
    whole, dark = facet_at(launch, u, v), gap_field(launch, u, v)
    slant = slant_of(launch.lens_offset, launch.scale, u, v)
    envelope = whole.layers[0].envelope
    share = 1 / np.sqrt(rows * columns) / envelope
    layers = tuple(replace(one, envelope=share * one.envelope) for one in whole.layers)
    facet = replace(whole, layers=layers, slant=None).single
    mean, power = facet.layers[0], np.abs(launch.incident) ** 2
    brighter = (1 / np.maximum(power, 1e-12 * power.max())).astype(np.float32)
    return Window(
        facet=facet,
        undone=replace(facet, layers=(replace(mean, light=mean.light * brighter),)),
        inside=np.hypot(u, v[:, None]) <= radius,
        envelope=envelope,
        modes=sampled(launch.basis, u, v),
        gaps=np.asarray(0.0 if dark is None else share * dark * np.conj(slant), np.complex64),
        slant=slant,
    )


def ifta(
    problem: Problem, settings: Settings | None = None, previous: Design | None = None
) -> Design:
    """The mask whose window holds the target's field, scaled, and noise outside.

    Without a given amplitude a large one is found that reaches the asked purity, with the pixels
    relaxed to the alphabet's hull and then again with them quantised.
    """
    settings = settings or Settings()
    launch = problem.launch
    window = window_of(launch, settings.window_factor)
    rng = np.random.default_rng(settings.seed)
    factors, wanted = _start(problem, settings, window, rng)
    most = settings.amplitude or LARGEST_AMPLITUDE
    order = rng.random(launch.modulator.shape, dtype=np.float32)
    best: tuple[Prediction, NDArray[np.uint16]] | None = None
    for share in SHARES[-1:] if settings.amplitude else SHARES:
        factors, amplitude = _relaxed(problem, settings, window, factors, wanted, most)
        steps = max(settings.iterations // share, 1)
        states = _quantised(
            steps, window, launch.modulator.alphabet, factors, wanted * amplitude, order
        )
        found = predict(launch, problem.target, emitted(launch.modulator, states))
        if best is None or found.purity > best[0].purity:
            best = found, states
        if found.purity >= problem.purity:
            return Design(states, found, "ifta", True, f"amplitude {amplitude:.3f}")
        most = amplitude * AMPLITUDE_STEP
    assert best is not None
    status = (
        f"purity {best[0].purity:.6f} instead of {problem.purity:g}: more iterations, a larger "
        "window_factor or a lower purity may help; an alphabet of two states on the axis shows "
        "only fields that are real but for a phase"
    )
    return Design(best[1], best[0], "ifta", False, status)


def _start(
    problem: Problem, settings: Settings, window: Window, rng: np.random.Generator
) -> tuple[Fast, Fast]:
    """First factors, and the window's field for amplitude 1: what the simple mask launches."""
    launch = problem.launch
    vector = problem.target.vector
    back = on_host(back_propagated(launch, vector))
    back = back * overall_phase(launch, vector, back)
    simple = supported(launch, back).astype(np.complex64)
    shape = target_field(window.modes, launch_target(launch, problem.target))
    shape *= np.conj(window.slant)
    shape *= window.inside / window.envelope
    shape = (shape / np.linalg.norm(shape)).astype(np.complex64)
    overlap = np.vdot(shape, window.forward(simple))
    if settings.start == "random":
        simple = supported(launch, np.exp(2j * np.pi * rng.random(back.shape))).astype(np.complex64)
    return simple, np.asarray(shape * overlap, dtype=np.complex64)


def _relaxed(
    problem: Problem,
    settings: Settings,
    window: Window,
    factors: Fast,
    wanted: Fast,
    most: float,
) -> tuple[Fast, float]:
    """Factors in the alphabet's hull, and the amplitude at which they are pure enough.

    It is `most` where the settings give one; or else what the window holds of the target and some
    EXCESS, until the launch is pure or the window's error stagnates: light that the pixels cannot
    change then outweighs the target.
    """
    enough = 1 - RELAXED_SHARE * (1 - problem.purity)
    alphabet, whole, last = problem.launch.modulator.alphabet, float(np.linalg.norm(wanted)), np.inf
    excess = 0.0 if settings.amplitude else EXCESS
    ahead, weight, amplitude = factors, 1.0, most
    for step in range(settings.iterations):
        field = window.forward(ahead)
        if settings.amplitude is None:
            held = float(np.vdot(wanted, field).real) / whole**2
            amplitude = min(max(held, 0.0) + excess, most)
        miss = wanted * amplitude - field
        before, factors = factors, relaxed(alphabet, ahead + window.change(miss))
        if step % CHECK_EVERY == CHECK_EVERY - 1:
            purity = predict(problem.launch, problem.target, factors).purity
            if settings.amplitude is None and purity >= enough:
                break
            error = float(np.linalg.norm(miss)) / amplitude
            if excess < STAGNATION and error > (1 - STAGNATION) * last:
                break
            last = error
        following = (1 + math.sqrt(1 + 4 * weight**2)) / 2
        ahead = factors + ((weight - 1) / following) * (factors - before)
        weight, excess = following, excess * EXCESS_KEPT
    return factors, amplitude


def relaxed(alphabet: Alphabet, factors: Fast) -> Fast:
    """The nearest values that a mixture of states has: on their line, or in their circle."""
    if alphabet.is_line:
        ends = alphabet.values[alphabet.hull]
        half, middle = (ends[0] - ends[1]) / 2, ends.mean()
        turn, start = np.complex64(1 / half), np.float32(np.real(middle / half))
        along = factors.real * turn.real - factors.imag * turn.imag - start
        return np.complex64(middle) + np.complex64(half) * np.clip(along, -1, 1)
    largest = np.float32(np.abs(alphabet.values).max())
    return factors * (largest / np.maximum(np.abs(factors), largest))


def _quantised(
    steps: int,
    window: Window,
    alphabet: Alphabet,
    factors: Fast,
    wanted: Fast,
    order: NDArray[np.float32],
) -> NDArray[np.uint16]:
    """States, frozen in so many steps while the pixels still free make up for it."""
    states = np.zeros(factors.size, dtype=np.uint16)
    values = alphabet.values.astype(np.complex64)
    free, held, ahead = np.arange(states.size), factors.ravel(), factors.ravel()
    shown = ahead.copy()
    for step in range(steps):
        miss = wanted - window.forward(shown.reshape(factors.shape))
        moved = ahead + window.change(miss).ravel()[free]
        before, held = held, relaxed(alphabet, moved)
        ahead = held + MOMENTUM * (held - before)
        left = (1 - (step + 1) / steps) ** FREEZING_POWER
        keep = int(left * states.size)
        is_due = left < FEW_FREE or step % FREEZE_EVERY == FREEZE_EVERY - 1
        if not is_due or keep >= free.size:
            shown[free] = ahead
            continue
        nearest = alphabet.nearest(moved)
        rank = np.abs(held - values[nearest]) + DITHER * order.ravel()[free]
        first = np.partition(rank, free.size - keep - 1)[free.size - keep - 1]
        frozen = rank <= first
        states[free[frozen]] = nearest[frozen]
        shown[free] = np.where(frozen, values[nearest], ahead)
        free, held, ahead = free[~frozen], held[~frozen], ahead[~frozen]
    return states.reshape(factors.shape)
