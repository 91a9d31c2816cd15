"""The launch in single precision on the fewest facet samples: what the designs iterate with."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskforge.design.kept import kept
from maskforge.fields import sampled
from maskforge.launch import Launch, facet_axis, finest_detail, pixel_field, slant_of
from maskforge.optics import Folded, folded, folded_transform, real_times, times_real

Fast = NDArray[np.complex64]
FastReal = NDArray[np.float32]

DRAFT_TAIL = 1e-7
"""Power of a mode outside the draft's window: its couplings are right to 3e-4 of the target's, and
the last steps of a design go by the full model anyway."""


DRAFT_SAMPLES = 8
"""Samples a core radius at least."""


@dataclass(frozen=True, eq=False)
class Draft:
    """The launch's arrays, as in Launch but for the precision and the number of facet samples."""

    u: NDArray[np.float64]
    incident: Fast | FastReal
    values: Fast | FastReal
    """The alphabet's; both these are real where light and states are, and so is `back`."""
    over_y: Folded
    over_x: Folded
    kernel: FastReal
    gaps: NDArray[np.complex128]
    slant: Fast | None = None

    def couplings(self, states: NDArray[np.integer]) -> NDArray[np.complex128]:
        """c (K,) of the pixels' states (rows, columns)."""
        facet = folded_transform(self.incident * self.values[states], self.over_y, self.over_x)
        if self.slant is not None:
            facet = facet * self.slant
        return np.asarray(self.gaps - 1j * real_times(self.kernel, facet.ravel()))

    def back(self, vector: NDArray[np.complex128]) -> Fast | FastReal:
        """v (rows, columns): Re<vector, c - gaps> = sum over pixels of Re(conj(v) s)."""
        facet = times_real(1j * vector, self.kernel).astype(np.complex64)
        facet = facet.reshape(self.u.size, self.u.size)
        if self.slant is not None:
            facet = facet * np.conj(self.slant)
        real = np.isrealobj(self.incident)
        back = folded_transform(facet, self.over_y.adjoint, self.over_x.adjoint, real=real)
        return np.asarray(np.conj(self.incident) * back)


@kept
def draft_of(launch: Launch) -> Draft:
    """The draft of a launch."""
    detail = finest_detail(launch.scale, launch.modulator, launch.lens_offset)
    step = min(detail / 2, launch.core_radius / DRAFT_SAMPLES)
    u = facet_axis(launch.basis, step, DRAFT_TAIL)
    field = sampled(launch.basis, u, u) * pixel_field(
        launch.modulator, launch.centre, launch.scale, u, u
    )
    incident, values = launch.incident, launch.modulator.alphabet.values
    return Draft(
        u=u,
        incident=incident.real.astype(np.float32)
        if launch.is_real
        else incident.astype(np.complex64),
        values=values.real.astype(np.float32) if launch.is_real else values.astype(np.complex64),
        over_y=folded(launch.y, u, launch.scale).single,
        over_x=folded(launch.x, u, launch.scale).single,
        kernel=((u[1] - u[0]) ** 2 * field.reshape(len(launch.basis), -1)).astype(np.float32),
        gaps=launch.gaps,
        slant=slant_of(launch, u, u).astype(np.complex64) if any(launch.lens_offset) else None,
    )
