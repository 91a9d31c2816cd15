"""One side of the transform between mask and facet by a padded, pruned FFT, planned once."""

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from threading import get_ident
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import phasors
from maskforge.base.device import CPU, Device
from maskforge.launch.fourier import Dense
from maskforge.launch.light import Real

LINES = 16
"""Lines that one plan takes at once, interleaved, so that vector units work across them; of 8, 16,
32 and 64 the fastest, as these still lie in the cache."""

WHOLE = 1e-14
"""How far from a whole number, by share, a grid's length may be: a phase is then right to 1e-11."""


@dataclass(frozen=True, eq=False)
class Planned:
    """One side of the transform between axes symmetric about 0, as `fourier.Folded` is, by FFT.

    With x and u in steps whose product is scale / `length`, the sum over x is `after` (len(u),)
    times an FFT of `length` of `before` (len(x),) times the field, padded with zeros, of which the
    first len(u) are kept.  `samples`: (len(u), len(x)), neither longer than `length`.
    `sign` of the exponent: -1 forward, 1 of the adjoint.
    """

    before: NDArray[np.complexfloating]
    after: NDArray[np.complexfloating]
    samples: tuple[int, int]
    length: int
    sign: int = -1

    @cached_property
    def single(self) -> "Planned":
        """The same in single precision."""
        before, after = self.before.astype(np.complex64), self.after.astype(np.complex64)
        return replace(self, before=before, after=after)

    @cached_property
    def adjoint(self) -> "Planned":
        """The conjugate transpose, from u to x."""
        before, after = self.after.conj(), self.before.conj()
        return Planned(before, after, self.samples[::-1], self.length, -self.sign)

    def on(self, device: Device) -> "Planned | Dense":
        """The same on a device, where one product is less work than many small steps."""
        if device == CPU:
            return self
        return Dense(device.put(self.rows))

    @property
    def rows(self) -> NDArray[np.complexfloating]:
        """The whole side (len(u), len(x)), as `fourier.fourier_rows`."""
        # whole turns left out
        turns = np.outer(*map(np.arange, self.samples)) % self.length
        around = phasors(self.sign * 2 * np.pi / self.length * turns)
        return np.asarray(self.after[:, None] * around * self.before, dtype=self.before.dtype)

    def along(self, field: NDArray[Any]) -> NDArray[Any]:
        """`fourier.fourier_rows` times a field (len(x), any number), real or complex; complex."""
        if np.iscomplexobj(field):
            return self._transformed(field)
        # two real lines in one: what is Hermitian about the middle is of the first
        both = self._transformed(_paired(field))
        mirror = both[::-1].conj()
        return _parted((both + mirror) / 2, (both - mirror) / 2j, field.shape[1])

    def real_along(self, field: NDArray[Any]) -> NDArray[Any]:
        """The real part of `along` for a complex field."""
        # only the Hermitian part of a line has a real transform
        hermitian = (field + field[::-1].conj()) / 2
        first, second = hermitian[:, ::2], hermitian[:, 1::2]
        both = first.copy()
        both[:, : second.shape[1]] += 1j * second
        found = self._transformed(both)
        return _parted(found.real, found.imag, field.shape[1])

    def _transformed(self, field: NDArray[np.complexfloating]) -> NDArray[np.complexfloating]:
        (count, span), lines = self.samples, field.shape[1]
        out = np.empty((count, lines), dtype=field.dtype)
        before = self.before.astype(field.dtype, copy=False)[:, None]
        after = self.after.astype(field.dtype, copy=False)[:, None]
        plan = _plan(self.length, field.dtype.char, self.sign, get_ident())
        buffer = plan.input_array
        for first in range(0, lines, LINES):
            some = field[:, first : first + LINES]
            width = some.shape[1]
            np.multiply(some, before, out=buffer[:span, :width])
            buffer[:span, width:] = 0
            buffer[span:] = 0
            plan.execute()
            np.multiply(buffer[:count, :width], after, out=out[:, first : first + width])
        return out


def _paired(field: NDArray[np.floating]) -> NDArray[np.complexfloating]:
    """Real columns, two and two as real and imaginary part."""
    kind = np.result_type(field, np.complex64)
    both = np.zeros((len(field), -(-field.shape[1] // 2)), dtype=kind)
    both.real = field[:, ::2]
    both.imag[:, : field.shape[1] // 2] = field[:, 1::2]
    return both


def _parted(first: NDArray[Any], second: NDArray[Any], lines: int) -> NDArray[Any]:
    """The columns of two fields by turns, `lines` in all."""
    out = np.empty((len(first), lines), dtype=first.dtype)
    out[:, ::2], out[:, 1::2] = first, second[:, : lines // 2]
    return out


@lru_cache(maxsize=16)
def _plan(length: int, kind: str, sign: int, thread: int) -> Any:
    """In place, of (length, LINES); `thread`: each has a buffer of its own.

    Estimated, never measured: the algorithm, and with it the last bits, are then the same in every
    run and every process.
    """
    # as long to load as most commands take to run
    import pyfftw

    buffer = pyfftw.zeros_aligned((length, LINES), dtype=kind)
    direction = "FFTW_FORWARD" if sign < 0 else "FFTW_BACKWARD"
    return pyfftw.FFTW(
        buffer, buffer, axes=(0,), threads=1, direction=direction, flags=("FFTW_ESTIMATE",)
    )


def length_of(x: Real, u: Real, scale: float) -> int | None:
    """Length of the FFT from `x` to `u`, both symmetric about 0; None: their steps have none."""
    longest = max(x.size, u.size)
    if min(x.size, u.size) < 2:
        return None
    steps = (x[-1] - x[0]) / (x.size - 1) * (u[-1] - u[0]) / (u.size - 1)
    length = round(scale / steps)
    whole = length >= longest and abs(scale / steps / length - 1) < WHOLE
    return length if whole else None


def planned(x_count: int, u_count: int, length: int) -> Planned:
    """The side from `x_count` to `u_count` samples whose steps have an FFT of `length`."""
    # (j - (n - 1)/2) (k - (m - 1)/2) = j k - j (m - 1)/2 - (k - (m - 1)/2) (n - 1)/2, in turns
    j, k = np.arange(x_count), np.arange(u_count) - (u_count - 1) / 2
    before = np.exp(1j * np.pi * (u_count - 1) / length * j)
    after = np.exp(1j * np.pi * (x_count - 1) / length * k)
    return Planned(before, after, (u_count, x_count), length)
