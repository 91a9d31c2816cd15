"""The couplings as one matrix on the pixels, where that is small: a product instead of transforms.

Few pixels a waist take many layers (see `beam_in_pixels`), each a transform of its own; the matrix
has them all in it.
"""

from dataclasses import dataclass

import numpy as np

from maskforge.base.arrays import Array, as_complex, beside, flat, is_real, namespace, on_host
from maskforge.launch.couplings import Launch, back_propagated, couplings, factors_of
from maskforge.launch.light import Complex
from maskforge.methods.per_launch import kept

NUMBERS, MOST = 2**18, 2**22
"""Modes (or a device's outputs) times pixels for each layer of the launch, up to which one product
is less work than its transforms; and of all, 64 MiB."""


@dataclass(frozen=True, eq=False)
class CouplingMatrix:
    """`rows` (2 J, pixels): what each pixel's factor adds to Re c, and to Im c; on the launch's
    device.  `shape` of the mask."""

    rows: Array
    shape: tuple[int, int]

    @property
    def single(self) -> "CouplingMatrix":
        """The same in single precision."""
        xp = namespace(self.rows)
        return CouplingMatrix(xp.astype(self.rows, xp.float32), self.shape)

    def couplings(self, factors: Array) -> Complex:
        """c - c0 (J,), what counts of it, of factors (rows, columns)."""
        xp = namespace(self.rows)
        real = on_host(self.rows @ flat(xp.real(factors) if not is_real(factors) else factors))
        half = len(real) // 2
        found = real[:half] + 1j * real[half:]
        if not is_real(factors):
            turned = on_host(self.rows @ flat(xp.imag(factors)))
            found = found + 1j * turned[:half] - turned[half:]
        return np.asarray(found, dtype=np.complex128)

    def back(self, vector: Complex, *, real: bool = False) -> Array:
        """The adjoint (rows, columns) of a vector (J,), as `couplings.back_propagated`."""
        xp, (a, b) = namespace(self.rows), (vector.real, vector.imag)
        pair = np.array([np.concatenate([a, b]), np.concatenate([b, -a])])[: 1 if real else 2]
        kind = np.float32 if self.rows.dtype == xp.float32 else np.float64
        found = beside(pair.astype(kind), self.rows) @ self.rows
        there = found[0, :] if real else as_complex(found[0, :]) + 1j * as_complex(found[1, :])
        return xp.reshape(there, self.shape)


@kept
def matrix_of(launch: Launch) -> CouplingMatrix | None:
    """The matrix of a launch; None where it is large for what it spares."""
    count, shape = len(launch.ends), launch.modulator.states_shape
    layers = launch.apertures[0].facet.layers
    if count * shape[0] * shape[1] > min(NUMBERS * len(layers), MOST):
        return None
    units = np.eye(count, dtype=complex)
    backs = [flat(back_propagated(launch, unit)) for unit in units]
    xp = namespace(backs[0])
    # <vector, c - c0> is the sum of conj(v) s
    real, imag = [xp.real(back) for back in backs], [-xp.imag(back) for back in backs]
    return CouplingMatrix(xp.stack(real + imag), shape)


def quick_couplings(launch: Launch, states: Array) -> Complex:
    """Couplings of states (rows, columns) in the way that is less work; as `launch.couplings` has
    them but for rounding."""
    matrix = matrix_of(launch)
    factors = factors_of(launch, states)
    if matrix is None:
        return couplings(launch, factors)
    return np.asarray(launch.gaps + matrix.couplings(launch.setup.device.put(factors)))


def quick_back(launch: Launch, vector: Complex, *, real: bool = False) -> Array:
    """As `launch.couplings.back_propagated`, likewise."""
    matrix = matrix_of(launch)
    if matrix is None:
        return back_propagated(launch, vector, real=real)
    return matrix.back(vector, real=real)
