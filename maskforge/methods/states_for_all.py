"""Which state a pixel takes where several scenarios pull at it.

A state multiplies the light by a factor that may differ from scenario to scenario, since a phase
of the panel counts for less at a longer wavelength.  With v_i what scenario i asks for, the pixel
takes the state of the largest sum over i of Re(conj(v_i) s_i).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import (
    Array,
    beside,
    conj,
    constant,
    contiguous,
    flat,
    namespace,
    on_host,
    picked,
)
from maskforge.launch.couplings import Launch
from maskforge.launch.modulator import Alphabet, Complex

FEW = 16
"""States up to which all are compared; of more, those near the best one to first order."""

ROUNDS = 2
"""A band of 10 % turns the directions by 0.6 rad at most, each round leaves a tenth of it."""

MANY = 1024
"""States up to which the bound looks at every one; of more, at this many evenly spaced ones."""

CHUNK = 2**22
"""Numbers at a time: 32 MiB."""

CHUNK_THERE = 2**25
"""The same on a device, where few large steps are quicker: 256 MiB."""

EVEN = 1e-9
"""rad: phase steps that differ by less are equal."""


@dataclass(frozen=True, eq=False)
class Palette:
    """The alphabet of the first scenario, and each scenario's `values` (n, S) of its S states.

    With the same values in all scenarios what they ask for just adds up, and n is 1.
    """

    alphabet: Alphabet
    values: Complex

    @property
    def is_shared(self) -> bool:
        return len(self.values) == 1

    @cached_property
    def _factors(self) -> NDArray[np.complex64]:
        """Each scenario's values over the first one's (n, S)."""
        dark = np.abs(self.values[0]) < 1e-12
        safe = np.where(dark, 1, self.values[0])
        return np.asarray(np.where(dark, 1, self.values / safe), dtype=np.complex64)

    @cached_property
    def _fast(self) -> NDArray[np.complex64]:
        return np.asarray(self.values, dtype=np.complex64)

    def gathered(self, backs: Sequence[Array]) -> Array:
        """What the scenarios ask for, (n, rows, columns)."""
        xp = namespace(backs[0])
        if not self.is_shared:
            return xp.astype(xp.stack(list(backs)), xp.complex64)
        return xp.astype(sum(backs[1:], start=backs[0]), xp.complex64)[None, ...]

    def direction(self, backs: Array, states: Array) -> Array:
        """What all ask of the first scenario's alphabet, to first order about `states`."""
        if self.is_shared:
            return backs[0, ...]
        factors = beside(np.conj(self._factors), backs)
        return products(backs, (picked(factors[n, :], states) for n in range(len(self.values))))

    def gain(self, backs: Array, states: Array) -> Array:
        """Sum over scenarios of Re(conj(v_i) s_i) on every pixel."""
        xp, values = namespace(backs), beside(self._fast, backs)
        seen = [picked(values[n, :], states) for n in range(len(self.values))]
        across = products(xp.real(backs), map(xp.real, seen))
        return across + products(xp.imag(backs), map(xp.imag, seen))

    def support(self, backs: Array) -> Array:
        """The state of the largest gain (rows, columns)."""
        if self.is_shared:
            return self.alphabet.support(backs[0, ...])
        if self.alphabet.size <= FEW:
            return self._best_of_all(backs)
        xp = namespace(backs)
        middle = xp.full_like(xp.real(backs[0, ...]), self.alphabet.size // 2, dtype=xp.int64)
        best = self.alphabet.support(self.direction(backs, middle))
        most = self.gain(backs, best)
        tried = best
        for _ in range(ROUNDS):
            tried = self.alphabet.support(self.direction(backs, tried))
            gain = self.gain(backs, tried)
            best, most = xp.where(gain > most, tried, best), xp.maximum(gain, most)
        return best

    def _best_of_all(self, backs: Array) -> Array:
        xp = namespace(backs)
        real, imag = xp.real(backs), xp.imag(backs)
        most = xp.full_like(real[0, ...], -xp.inf)
        best = xp.zeros_like(most, dtype=xp.int64)
        for state in range(self.alphabet.size):
            values = self._fast[:, state]
            along, beyond = beside(values.real, real), beside(values.imag, real)
            gain = xp.tensordot(along, real, axes=1) + xp.tensordot(beyond, imag, axes=1)
            better = gain > most
            best, most = xp.where(better, state, best), xp.where(better, gain, most)
        return best

    def highest(self, backs: Sequence[Array]) -> float:
        """Sum over pixels of the largest gain, in double precision and never below it.

        Of many evenly spaced phases only some are looked at: between two, d rad apart, a sum of
        cosines of the phase rises above both by at most d^2/8 of its second derivative.
        """
        xp = namespace(backs[0])
        if self.is_shared:
            whole = sum(backs[1:], start=backs[0])
            values = picked(constant(self.values[0], whole), self.alphabet.support(whole))
            return float(xp.sum(contiguous(xp.real(conj(whole) * values))))
        asked = xp.stack([flat(back) for back in backs])
        some, room = self._looked_at()
        total = float(room @ on_host(xp.sum(xp.abs(asked), axis=1)))
        rows = constant(np.hstack([some.real.T, some.imag.T]), asked)
        step = max(1, (CHUNK if isinstance(asked, np.ndarray) else CHUNK_THERE) // rows.shape[0])
        for start in range(0, asked.shape[1], step):
            part = asked[:, start : min(start + step, asked.shape[1])]
            gains = rows @ xp.concat([xp.real(part), xp.imag(part)])
            total += float(xp.sum(xp.max(gains, axis=0)))
        return total

    def _looked_at(self) -> tuple[Complex, NDArray[np.float64]]:
        """Values (n, some) to compare, and what others may add for each |v_i| (n,)."""
        size = self.alphabet.size
        steps = np.angle(self.values[:, 1:] * np.conj(self.values[:, :-1]))
        uneven = np.ptp(steps, axis=1).max() > EVEN or np.ptp(np.abs(self.values)) > EVEN
        if size <= MANY or uneven:
            return self.values, np.zeros(len(self.values))
        stride = -(-size // MANY)
        some = np.union1d(np.arange(0, size, stride), size - 1)
        return self.values[:, some], (stride * steps[:, 0]) ** 2 / 8


def products(rows: Array, others: Iterable[Array]) -> Array:
    """Sum over n of rows (n, ...) times others, each (...)."""
    parts = [rows[n, ...] * other for n, other in enumerate(others)]
    return sum(parts[1:], start=parts[0])


def palette_of(launches: Sequence[Launch]) -> Palette:
    """The palette of scenarios, the first of them the nominal one."""
    alphabets = [launch.modulator.alphabet for launch in launches]
    first = alphabets[0]
    if all(np.array_equal(alphabet.values, first.values) for alphabet in alphabets):
        return Palette(first, first.values[None])
    return Palette(first, np.stack([alphabet.values for alphabet in alphabets]))
