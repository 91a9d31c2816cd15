"""Powers behind stripes of one grey against another.

In the first order a pair's power is K |v_a - v_b|^2, in the zero order K |v_a + v_b + 2 g|^2
(stripes equally wide: Goodman, Introduction to Fourier Optics, sec. 4.4, orders 0 and 1 of a square
wave), with g the light of the gaps.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from maskforge import bench as benches
from maskforge.align.fit import column
from maskforge.align.stack import Stack, pictures
from maskforge.base.errors import BenchError
from maskforge.launch.light import Real
from maskforge.launch.modulator import gaps_beside_pixels


@dataclass(frozen=True, eq=False)
class Greys:
    """The pairs of a stack, and what else of the bench is in their powers.

    `greys` (greys,) ascending, `nominal` their phases (rad, unwrapped) and `amplitude`; `one`,
    `other` (pages,): places of each page's two in them; `sign`: -1 in the first order, +1 in the
    zero order.  `gap`: the amplitude of the gaps' light there, against a pixel of value 1, in phase
    with it; `blur`: of the phase, in pixels (standard deviation), over stripes of `period` pixels.
    """

    greys: NDArray[np.intp]
    nominal: Real
    amplitude: Real
    one: NDArray[np.intp]
    other: NDArray[np.intp]
    sign: int
    gap: float
    blur: float
    period: int

    @property
    def same(self) -> NDArray[np.bool_]:
        """Pages of one grey alone."""
        return np.asarray(self.one == self.other)

    @property
    def turns_alike(self) -> bool:
        """Whether powers stay as they are where all phases change their sign."""
        return not self.blur and (not self.gap or abs(np.sin(self.nominal[0])) < 1e-9)


def greys_of(stack: Stack) -> Greys:
    """BenchError where the bench has not the greys of the stack."""
    pair = [column(stack, key) for key in ("grey_a", "grey_b")]
    greys, places = np.unique(np.stack(pair), return_inverse=True)
    panel = benches.modulator(stack.bench)
    alphabet = panel.alphabet
    state_of = {int(grey): state for state, grey in reversed(list(enumerate(alphabet.greys)))}
    wrong = [grey for grey in greys if grey not in state_of]
    if wrong:
        raise BenchError(f"{stack.folder}: grey {wrong[0]:g} is none of the bench's")
    order = np.argsort(alphabet.greys, kind="stable")
    every = np.unwrap(np.angle(alphabet.values[order]))
    phases = dict(zip(alphabet.greys[order].tolist(), every.tolist(), strict=True))
    one, other = places.reshape(2, -1)
    zero = not any(stack.detector.order)
    return Greys(
        greys=greys.astype(np.intp),
        nominal=np.array([phases[int(grey)] for grey in greys]),
        amplitude=np.array([abs(alphabet.values[state_of[int(grey)]]) for grey in greys]),
        one=one,
        other=other,
        sign=1 if zero else -1,
        gap=gaps_beside_pixels(panel) if zero else 0.0,
        blur=panel.crosstalk,
        period=_period(stack, one != other) if panel.crosstalk else 2,
    )


def _period(stack: Stack, striped: NDArray[np.bool_]) -> int:
    """Pixels of a stripe of each of two greys, from the first picture that has some."""
    for shown, picture in zip(striped, pictures(stack), strict=True):
        changes = np.flatnonzero(picture[0] != picture[0, 0])
        if shown and changes.size:
            return 2 * int(changes[0])
    raise BenchError(f"{stack.folder}: no picture has stripes of two greys")


def power_of(greys: Greys, sizes: Real, phases: Real) -> Real:
    """Power of every page, of any common scale; amplitudes, and phases in rad, (greys,)."""
    if greys.blur:
        return _blurred_power(greys, sizes, phases)
    values = sizes * np.exp(1j * phases)
    light = values[greys.one] + greys.sign * values[greys.other] + 2 * greys.gap
    return np.asarray(np.abs(light / 2) ** 2)


def _blurred_power(greys: Greys, sizes: Real, phases: Real) -> Real:
    """The same, pixel by pixel of a period: what neighbours do to the phase blurs the stripes."""
    half, period = greys.period // 2, greys.period
    repeats = 2 * int(np.ceil(greys.blur * 4 / period)) + 1
    within, place = np.mod(phases, 2 * np.pi), np.arange(period)
    first = np.where(place < half, 1.0, 0.0)
    share = gaussian_filter1d(np.tile(first, repeats), greys.blur, mode="wrap")[:period]
    mixed = np.multiply.outer(within[greys.one], share)
    mixed += np.multiply.outer(within[greys.other], 1 - share)
    size = np.where(first > 0, sizes[greys.one][:, None], sizes[greys.other][:, None])
    light = size * np.exp(1j * mixed)
    if greys.sign > 0:
        return np.asarray(np.abs(light.mean(axis=1) + greys.gap) ** 2)
    # as high as without a blur, so that starting values hold
    wave = np.exp(-2j * np.pi * place / period)
    return np.asarray(np.abs(light @ wave / np.sum(wave[:half]) / 2) ** 2)


def scaled(greys: Greys, sizes: Real) -> Real:
    """Amplitudes whose largest is the bench's: the gaps' light is told against it."""
    return np.asarray(sizes * (greys.amplitude.max() / sizes.max()))
