"""The matrix Fourier transform between the mask and the facet, and products of real matrices."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import (
    Array,
    as_complex,
    beside,
    conj,
    flat,
    namespace,
    on_host,
    parts,
    phasors,
    single,
    whole,
)
from maskforge.base.device import CPU, Device
from maskforge.launch.light import Complex, Real


def axis(count: int, step: float) -> Real:
    """`count` samples `step` apart, symmetric about 0."""
    return np.asarray((np.arange(count) - (count - 1) / 2) * step)


def fourier_rows(x: Real, u: Real, scale: float) -> Complex:
    """exp(-2 pi i u x / scale), (len(u), len(x)): one side of the matrix Fourier transform."""
    return np.asarray(phasors(-2 * np.pi / scale * np.outer(u, x)))


def matrix_transform(field: Complex, rows_y: Complex, rows_x: Complex) -> Complex:
    """Sum of field(x, y) exp(-2 pi i (x u + y v) / (lambda f)) on any u, v: (len(v), len(u)).

    The matrix Fourier transform: two thin products, exact on any sample grid, no padding.
    Its adjoint is `matrix_transform(facet, rows_y.conj().T, rows_x.conj().T)`.
    """
    return np.asarray(rows_y @ field @ rows_x.T)


@dataclass(frozen=True, eq=False)
class Folded:
    """One side of the matrix Fourier transform between axes symmetric about 0, by their halves.

    `cos`, `sin` (half of u, half of x) on the halves from 0 up: what is even in x goes to what is
    even in u, and odd to odd, which is a quarter of the products of `fourier_rows`.
    `samples`: (len(u), len(x)).
    """

    cos: NDArray[np.floating]
    sin: NDArray[np.floating]
    samples: tuple[int, int]

    def on(self, device: Device) -> "Folded | Dense":
        """The same on a device, where one product is less work than many small steps."""
        if device == CPU:
            return self
        return Dense(device.put(self.rows))

    @property
    def rows(self) -> NDArray[np.complexfloating]:
        """The whole side (len(u), len(x)), as `fourier_rows`."""
        count, length = self.samples
        cos = np.hstack([self.cos[:, length % 2 :][:, ::-1], self.cos])
        sin = np.hstack([-self.sin[:, length % 2 :][:, ::-1], self.sin])
        upper = cos - 1j * sin
        return np.vstack([upper[count % 2 :][::-1].conj(), upper])

    @cached_property
    def single(self) -> "Folded":
        """The same in single precision."""
        return Folded(self.cos.astype(np.float32), self.sin.astype(np.float32), self.samples)

    @cached_property
    def adjoint(self) -> "Folded":
        """The conjugate transpose, from u to x."""
        cos, sin = np.ascontiguousarray(self.cos.T), np.ascontiguousarray(-self.sin.T)
        return Folded(cos, sin, self.samples[::-1])

    def along(self, field: NDArray[Any]) -> NDArray[Any]:
        """`fourier_rows` times a field (len(x), any number), real or complex; complex."""
        even, odd = self._halves(field)
        if np.isrealobj(field):
            kind = np.result_type(field, np.complex64)
            return self._unfolded(self.cos @ even, self.sin @ odd, kind)
        count, length = self.samples
        # -i where there are fewer numbers
        odd = (
            -1j * _real_product(self.sin, odd)
            if count < length
            else _real_product(self.sin, -1j * odd)
        )
        return self._unfolded(_real_product(self.cos, even), odd, field.dtype)

    def real_along(self, field: NDArray[Any]) -> NDArray[Any]:
        """The real part of `along` for a complex field."""
        even, odd = self._halves(field)
        even, odd = np.ascontiguousarray(even.real), np.ascontiguousarray(odd.imag)
        return self._unfolded(self.cos @ even, self.sin @ odd, even.dtype)

    def _halves(self, field: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
        """What is even and what is odd in a field, twice, from the middle on."""
        length = self.samples[1]
        upper, lower = field[length // 2 :], field[(length - 1) // 2 :: -1]
        even, odd = np.add(upper, lower, order="C"), np.subtract(upper, lower, order="C")
        if length % 2:
            even[0] /= 2
        return even, odd

    def _unfolded(self, even: NDArray[Any], odd: NDArray[Any], kind: Any) -> NDArray[Any]:
        count = self.samples[0]
        out = np.empty((count, even.shape[1]), dtype=kind)
        upper, lower = out[count // 2 :], out[(count - 1) // 2 :: -1]
        if np.isrealobj(even) and np.iscomplexobj(out):
            upper.real = lower.real = even
            upper.imag, lower.imag = -odd, odd
        else:
            np.add(even, odd, out=upper)
            np.subtract(even, odd, out=lower)
        return out


@dataclass(frozen=True, eq=False)
class Dense:
    """The same side with all its `rows`, (len(u), len(x)) complex: one product, on any device."""

    rows: Array

    @property
    def samples(self) -> tuple[int, int]:
        return self.rows.shape[0], self.rows.shape[1]

    def on(self, device: Device) -> "Dense":
        """The same on a device."""
        return Dense(device.put(self.rows))

    @cached_property
    def single(self) -> "Dense":
        """The same in single precision."""
        return Dense(single(self.rows))

    @cached_property
    def adjoint(self) -> "Dense":
        """The conjugate transpose, from u to x."""
        return Dense(conj(self.rows).T)

    def along(self, field: Array) -> Array:
        """As `Folded.along`."""
        return self.rows @ as_complex(field)

    def real_along(self, field: Array) -> Array:
        """The real part of `along`."""
        return namespace(field).real(self.rows @ field)


def folded(x: Real, u: Real, scale: float) -> Folded:
    """The folded side from `x` to `u`, both symmetric about 0."""
    turns = 2 * np.pi / scale * np.outer(u[u.size // 2 :], x[x.size // 2 :])
    return Folded(np.cos(turns), np.sin(turns), (u.size, x.size))


def _real_product(matrix: NDArray[np.floating], field: NDArray[Any]) -> NDArray[Any]:
    """matrix times a contiguous complex field, without a complex copy of the matrix."""
    parts = matrix @ field.view(field.real.dtype)
    return np.asarray(parts.view(field.dtype))


def real_times(matrix: Array, vector: Array) -> Complex:
    """matrix (m, n) real times vector (n,) complex, without a complex copy of the matrix; on the
    host."""
    pairs = parts(namespace(vector).reshape(vector, (-1, 1)))
    return np.asarray(on_host(matrix @ pairs) @ np.array([1, 1j]))


def times_real(vector: NDArray[np.complexfloating], matrix: Array) -> Array:
    """vector (m,) complex of the host times matrix (m, n) real, without a complex copy of the
    matrix; where the matrix is."""
    pair = np.stack([vector.real, vector.imag])
    kind = np.float32 if matrix.dtype == namespace(matrix).float32 else np.float64
    return flat(whole((beside(pair.astype(kind), matrix) @ matrix).T))
