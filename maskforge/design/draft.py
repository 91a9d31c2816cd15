"""The launch in single precision on the fewest facet samples: what the designs iterate with."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge.fields import sampled
from maskforge.launch import Launch, facet_axis, finest_detail, pixel_field
from maskforge.optics import fourier_rows, real_times, times_real

Fast = NDArray[np.complex64]
FastReal = NDArray[np.float32]

DRAFT_TAIL = 1e-7
"""Power of a mode outside the draft's window: its couplings are right to 3e-4 of the target's, and
the last steps of a design go by the full model anyway."""


DRAFT_SAMPLES = 8
"""Samples a core radius at least."""


@dataclass(frozen=True, eq=False)
class Draft:
    """c = gaps + kernel . (rows_y (incident s) rows_x^T), as in Launch but for the precision.

    `kernel` (K, len(v) len(u)) complex: the lens's factor -i is in it.
    """

    u: NDArray[np.float64]
    incident: Fast
    rows_y: Fast
    rows_x: Fast
    kernel: FastReal
    gaps: NDArray[np.complex128]

    def couplings(self, factors: Fast) -> NDArray[np.complex128]:
        """c (K,) of the pixels' factors (rows, columns)."""
        facet = self.rows_y @ (self.incident * factors) @ self.rows_x.T
        return np.asarray(self.gaps - 1j * real_times(self.kernel, facet.ravel()))

    def back(self, vector: NDArray[np.complex128]) -> Fast:
        """v (rows, columns): Re<vector, c - gaps> = sum over pixels of Re(conj(v) s)."""
        facet = times_real(1j * vector, self.kernel).astype(np.complex64)
        facet = facet.reshape(self.rows_y.shape[0], self.rows_x.shape[0])
        back = self.rows_y.conj().T @ facet @ self.rows_x.conj()
        return np.asarray(np.conj(self.incident) * back)


@lru_cache(maxsize=2)
def draft_of(launch: Launch) -> Draft:
    """The draft of a launch."""
    detail = finest_detail(launch.scale, launch.modulator)
    step = min(detail / 2, launch.core_radius / DRAFT_SAMPLES)
    u = facet_axis(launch.basis, step, DRAFT_TAIL)
    field = sampled(launch.basis, u, u) * pixel_field(
        launch.modulator, launch.centre, launch.scale, u, u
    )
    return Draft(
        u=u,
        incident=launch.incident.astype(np.complex64),
        rows_y=fourier_rows(launch.y, u, launch.scale).astype(np.complex64),
        rows_x=fourier_rows(launch.x, u, launch.scale).astype(np.complex64),
        kernel=((u[1] - u[0]) ** 2 * field.reshape(len(launch.basis), -1)).astype(np.float32),
        gaps=launch.gaps,
    )
