"""What light passes between the launch and the place where it is to be pure: a measured device.

With c (K,) the couplings into the guided modes and M (J, K) the device's transmission matrix, its
J outputs get d = M c.  Everything that is linear in c stays so: multipliers mu (J,) over the
outputs act as M^H mu over the guided modes, since <mu, d> = <M^H mu, c>.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

NOTHING = 1e-6
"""Of the largest singular value, -120 dB of power: what is below passes nothing."""


@dataclass(frozen=True)
class Output:
    """One output of a device; `group` is that of its LP label, or its own where it has none."""

    name: str
    group: int


@dataclass(frozen=True, eq=False)
class Passage:
    """A device's `matrix` (J, K) from the guided modes, in the basis's order, to its `outputs`.

    `errors` (J, K): standard errors of the real and of the imaginary part each; None: not known.
    """

    outputs: tuple[Output, ...]
    matrix: Complex
    errors: Real | None = None

    @cached_property
    def parts(self) -> tuple[Complex, Real, Complex]:
        """(U (J, n), singular values (n,) descending, V^H (n, K)): M = U diag(s) V^H.

        The phase of each pair is fixed: the largest entry of each row of V^H is real, above 0.
        """
        left, sizes, right = np.linalg.svd(self.matrix, full_matrices=False)
        largest = np.argmax(np.abs(right), axis=1)
        phases = np.exp(1j * np.angle(right[np.arange(len(right)), largest]))
        return left * phases, sizes, right / phases[:, None]

    @property
    def singular_values(self) -> Real:
        """Amplitudes (n,) that the channels of least loss pass, descending."""
        return self.parts[1]

    @property
    def rank(self) -> int:
        """How many channels pass more than NOTHING."""
        sizes = self.singular_values
        return int(np.count_nonzero(sizes > NOTHING * sizes[0]))

    def through(self, found: Complex) -> Complex:
        """d (..., J) of couplings c (..., K)."""
        return np.asarray(found @ self.matrix.T)

    def back(self, multipliers: Complex) -> Complex:
        """M^H mu (K,) of multipliers (J,)."""
        return np.asarray(multipliers @ np.conj(self.matrix))

    def channel(self, number: int) -> Complex:
        """What arrives, of unit length (J,), of the right singular vector `number`, from 1."""
        return np.asarray(self.parts[0][:, number - 1])

    def reach(self, vector: Complex) -> float:
        """The highest purity that any launch has in a unit vector (J,) of the outputs."""
        left = self.parts[0][:, : self.rank]
        return float(np.linalg.norm(left.conj().T @ vector) ** 2)

    def launch_for(self, vector: Complex) -> Complex:
        """The unit launch (K,) of least power that gives a vector (J,), as far as any can."""
        left, sizes, right = self.parts
        some = slice(0, self.rank)
        found = right[some].conj().T @ ((left[:, some].conj().T @ vector) / sizes[some])
        return np.asarray(found / np.linalg.norm(found))

    def passed(self, launched: Complex) -> float:
        """Share of a launch's power (K,) that arrives in all outputs; 0 of none."""
        power = float(np.sum(np.abs(launched) ** 2))
        return float(np.sum(np.abs(self.through(launched)) ** 2)) / power if power else 0.0
