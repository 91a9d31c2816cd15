"""Iterative Fourier transform design: the target in a signal window, free noise outside.

Between the mask and the facet the window's samples are replaced by the target's, everything outside
is left as it fell (Wyrowski and Bryngdahl, J. Opt. Soc. Am. A 5, 1058, 1988), and the pixels are
brought back to what the alphabet can show.  Since the noise stays, only the window is transformed:
with W the window's rows of the unitary transform, u' = u + W^H (target - W u) is one full forward
and backward transform.  Quantisation comes in steps, a growing share of the pixels being frozen to
a state while the others make up for it (Wyrowski, J. Opt. Soc. Am. A 7, 961, 1990).
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge.launch.basis import sampled
from maskforge.launch.couplings import (
    Launch,
    Prediction,
    back_propagated,
    facet_at,
    gap_field,
    predict,
)
from maskforge.launch.facet import Facet, slant_of
from maskforge.launch.fourier import axis
from maskforge.launch.modulator import Alphabet, emitted
from maskforge.launch.targets import target_field
from maskforge.methods.problem import Design, Problem, Settings, overall_phase, supported

Fast = NDArray[np.complex64]

OVERSAMPLING = 2
"""Window samples per lambda f / (mask width): at 1 the field between them would be free."""

LARGEST_AMPLITUDE = 0.9
"""Of the simple mask's: where the search for the largest amplitude begins."""

AMPLITUDE_STEP = 0.92
"""By which it is lowered: 15 % in efficiency."""

CHECK_EVERY = 8
STAGNATION = 0.02
"""The window's error must fall by this share between two checks, or the pass has ended."""

RELAXED_SHARE = 0.25
"""Of the impurity asked for, this much may be left before quantisation, which adds its own."""

FREEZING_POWER = 2.0
"""The free share falls as (1 - progress) to this power: the last steps freeze few pixels."""

DITHER = 0.5
"""Pixels are frozen nearest first, plus this much of a random number: without it whole areas of one
grey fall the same way at once, 100 times worse in purity on a binary panel."""

TRIES = 4


@dataclass(frozen=True, eq=False)
class Window:
    """Signal window: samples of the unitary transform, which are inside, what gaps send there.

    Its fields are without the envelope of the beam's mean in the pixels, and without the lens's
    slant.  `mean` is the facet of that term alone.
    """

    facet: Facet
    mean: Facet
    inside: NDArray[np.bool_]
    envelope: NDArray[np.floating]
    modes: NDArray[np.float64]
    gaps: Fast
    slant: NDArray[np.complex128]
    brighter: NDArray[np.float32]
    """1 / abs(light)^2: from the adjoint on the pixels to what the pixel must do."""

    def forward(self, factors: Fast) -> Fast:
        facet = self.facet.field(factors) + self.gaps
        return np.asarray(facet * self.inside, dtype=np.complex64)

    def corrected(self, factors: Fast, change: Fast) -> Fast:
        """Factors that add `change` to the window, but for other terms of the beam inside the
        pixels, and leave the noise as it is."""
        return np.asarray(factors + self.brighter * self.mean.back(change), dtype=np.complex64)


@lru_cache(maxsize=2)
def window_of(launch: Launch, factor: float) -> Window:
    """The window of `factor` core radii around the fibre's axis, as wide as no sample repeats."""
    radius = launch.core_radius * factor
    (rows, columns), pitch = launch.modulator.shape, launch.modulator.pitch_seen
    step_x = launch.scale / (OVERSAMPLING * columns * pitch[0])
    step_y = launch.scale / (OVERSAMPLING * rows * pitch[1])
    # the transform repeats after the sample count: the window may not lap itself
    half_x = min(int(radius / step_x), (OVERSAMPLING * columns - 1) // 2)
    half_y = min(int(radius / step_y), (OVERSAMPLING * rows - 1) // 2)
    u, v = axis(2 * half_x + 1, step_x), axis(2 * half_y + 1, step_y)
    whole, dark = facet_at(launch, u, v), gap_field(launch, u, v)
    slant = slant_of(launch.lens_offset, launch.scale, u, v)
    envelope = whole.layers[0].envelope
    share = 1 / np.sqrt(OVERSAMPLING**2 * rows * columns) / envelope
    layers = tuple(replace(one, envelope=share * one.envelope) for one in whole.layers)
    facet = replace(whole, layers=layers, slant=None).single
    power = np.abs(launch.incident) ** 2
    return Window(
        facet=facet,
        mean=replace(facet, layers=facet.layers[:1]),
        inside=np.hypot(u, v[:, None]) <= radius,
        envelope=envelope,
        modes=sampled(launch.basis, u, v),
        gaps=np.asarray(0.0 if dark is None else share * dark * np.conj(slant), np.complex64),
        slant=slant,
        brighter=(1 / np.maximum(power, 1e-12 * power.max())).astype(np.float32),
    )


def ifta(
    problem: Problem, settings: Settings | None = None, previous: Design | None = None
) -> Design:
    """The mask whose window holds the target's field, scaled, and noise outside.

    Without a given amplitude the largest is searched that reaches the asked purity, with the pixels
    relaxed to the alphabet's hull and then again with them quantised.
    """
    settings = settings or Settings()
    launch = problem.launch
    window = window_of(launch, settings.window_factor)
    rng = np.random.default_rng(settings.seed)
    factors, wanted = _start(problem, settings, window, rng)
    amplitude = settings.amplitude or LARGEST_AMPLITUDE
    order = rng.random(launch.modulator.shape, dtype=np.float32)
    best: tuple[Prediction, NDArray[np.uint16]] | None = None
    for _ in range(1 if settings.amplitude else TRIES):
        factors, amplitude = _relaxed(problem, settings, window, factors, wanted, amplitude)
        states = _quantised(
            settings, window, launch.modulator.alphabet, factors, wanted * amplitude, order
        )
        found = predict(launch, problem.target, emitted(launch.modulator, states))
        if best is None or found.purity > best[0].purity:
            best = found, states
        if found.purity >= problem.purity:
            return Design(states, found, "ifta", True, f"amplitude {amplitude:.3f}")
        amplitude *= AMPLITUDE_STEP
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
    back = back_propagated(launch, vector)
    back = back * overall_phase(launch, vector, back)
    simple = supported(launch, back).astype(np.complex64)
    shape = target_field(window.modes, problem.target) * np.conj(window.slant)
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
    amplitude: float,
) -> tuple[Fast, float]:
    """Factors in the alphabet's hull, and the amplitude at which they are pure enough.

    The amplitude is lowered each time that the window's error stagnates, until that makes the
    launch no purer: light that the pixels cannot change then outweighs the target.
    """
    enough = 1 - RELAXED_SHARE * (1 - problem.purity)
    last, best = np.inf, (0.0, factors, amplitude)
    for step in range(settings.iterations):
        miss = wanted * amplitude - window.forward(factors)
        if step % CHECK_EVERY == CHECK_EVERY - 1:
            purity = predict(problem.launch, problem.target, factors).purity
            if settings.amplitude is None and purity >= enough:
                return factors, amplitude
            error = float(np.linalg.norm(miss) / np.linalg.norm(wanted)) / amplitude
            if error > (1 - STAGNATION) * last:
                if settings.amplitude is not None or purity < best[0]:
                    break
                best = purity, factors, amplitude
                amplitude *= AMPLITUDE_STEP
                error = np.inf
            last = error
        factors = relaxed(problem.launch.modulator.alphabet, window.corrected(factors, miss))
    if settings.amplitude is None and best[0] > 0:
        return best[1], best[2]
    return factors, amplitude


def relaxed(alphabet: Alphabet, factors: Fast) -> Fast:
    """The nearest values that a mixture of states has: on their line, or in their circle."""
    if alphabet.is_line:
        ends = alphabet.values[alphabet.hull]
        half, middle = (ends[0] - ends[1]) / 2, ends.mean()
        along = np.real((factors - middle) / half)
        return np.asarray(middle + half * np.clip(along, -1, 1), dtype=np.complex64)
    largest = float(np.abs(alphabet.values).max())
    return np.asarray(factors / np.maximum(np.abs(factors) / largest, 1), dtype=np.complex64)


def _quantised(
    settings: Settings,
    window: Window,
    alphabet: Alphabet,
    factors: Fast,
    wanted: Fast,
    order: NDArray[np.float32],
) -> NDArray[np.uint16]:
    """States, frozen in steps while the pixels still free make up for it."""
    states = np.zeros(factors.shape, dtype=np.uint16).ravel()
    free = np.arange(states.size)
    factors = factors.copy()
    for step in range(settings.iterations):
        left = (1 - (step + 1) / settings.iterations) ** FREEZING_POWER
        moved = window.corrected(factors, wanted - window.forward(factors)).ravel()[free]
        nearest = alphabet.nearest(moved)
        values = alphabet.values[nearest].astype(np.complex64)
        rest = relaxed(alphabet, moved)
        keep = int(left * states.size)
        rank = np.abs(rest - values) + DITHER * order.ravel()[free]
        split = np.argpartition(rank, free.size - keep - 1) if keep < free.size else None
        if split is None:
            factors.ravel()[free] = rest
            continue
        frozen = split[: free.size - keep]
        rest[frozen] = values[frozen]
        factors.ravel()[free] = rest
        states[free[frozen]] = nearest[frozen]
        free = free[split[free.size - keep :]]
    return states.reshape(factors.shape)
