"""The launch in single precision on the fewest facet samples: what the designs iterate with."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskforge.launch.basis import sampled
from maskforge.launch.beam_in_pixels import Layer
from maskforge.launch.couplings import Launch, facet_axis, finest_detail, layers_at, slant_of
from maskforge.launch.fourier import (
    Folded,
    folded,
    folded_transform,
    fourier_rows,
    real_times,
    times_real,
)
from maskforge.launch.light import Real
from maskforge.methods.per_launch import kept

Fast = NDArray[np.complex64]
FastReal = NDArray[np.float32]

DRAFT_TAIL = 1e-7
"""Power of a mode outside the draft's window: its couplings are right to 3e-4 of the target's, and
the last steps of a design go by the full model anyway."""


DRAFT_SAMPLES = 8
"""Samples a core radius at least."""

DRAFT_LEFT_OUT = 1e-4
"""What a term of the beam inside the pixels has to add to a coupling at most, to be worth a
transform of its own: as above."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """A layer of the launch, as in `beam_in_pixels.Layer`; `kernel` (K, facet samples) has its
    envelope in it."""

    incident: Fast | FastReal
    kernel: FastReal
    turn: complex


@dataclass(frozen=True, eq=False)
class Draft:
    """The launch's arrays, as in Launch but for the precision and the number of facet samples.

    `sheets`: its layers that count here.
    """

    u: NDArray[np.float64]
    sheets: tuple[Sheet, ...]
    values: Fast | FastReal
    """The alphabet's; these and the light are real where all of them are, and so is `back`."""
    over_y: Folded
    over_x: Folded
    gaps: NDArray[np.complex128]
    slant: Fast | None = None

    @property
    def kernel(self) -> FastReal:
        """The first sheet's."""
        return self.sheets[0].kernel

    def couplings(self, states: NDArray[np.integer]) -> NDArray[np.complex128]:
        """c (K,) of the pixels' states (rows, columns)."""
        factors = self.values[states]
        found = self.gaps
        for sheet in self.sheets:
            facet = folded_transform(sheet.incident * factors, self.over_y, self.over_x)
            if self.slant is not None:
                facet = facet * self.slant
            found = found - 1j * sheet.turn * real_times(sheet.kernel, facet.ravel())
        return np.asarray(found)

    def back(self, vector: NDArray[np.complex128]) -> Fast | FastReal:
        """v (rows, columns): Re<vector, c - gaps> = sum over pixels of Re(conj(v) s)."""
        parts = [self._back(sheet, 1j * np.conj(sheet.turn) * vector) for sheet in self.sheets]
        return parts[0] if len(parts) == 1 else np.asarray(np.sum(parts, axis=0))

    def _back(self, sheet: Sheet, vector: NDArray[np.complex128]) -> Fast | FastReal:
        facet = times_real(vector, sheet.kernel).astype(np.complex64)
        facet = facet.reshape(self.u.size, self.u.size)
        if self.slant is not None:
            facet = facet * np.conj(self.slant)
        real = np.isrealobj(sheet.incident)
        back = folded_transform(facet, self.over_y.adjoint, self.over_x.adjoint, real=real)
        return np.asarray(np.conj(sheet.incident) * back)


def sent_from(launch: Launch, x: Real, y: Real, sheet: Sheet) -> Iterator[Fast]:
    """What unit light of a sheet sends from points (x, y) into each mode: K times (len(y), len(x)).

    With the lens's offset it holds the slant, but for a phase of the whole.
    """
    draft, nearer = draft_of(launch), launch.beam.nearer
    x, y = x * nearer[0] + launch.lens_offset[0], y * nearer[1] + launch.lens_offset[1]
    across, up = (fourier_rows(z, draft.u, launch.scale).astype(np.complex64) for z in (x, y))
    for field in sheet.kernel.reshape(len(launch.basis), draft.u.size, draft.u.size):
        yield np.asarray(-1j * sheet.turn * (up.T @ (field @ across)), dtype=np.complex64)


@kept
def draft_of(launch: Launch) -> Draft:
    """The draft of a launch."""
    detail = finest_detail(launch.scale, launch.modulator, launch.lens_offset)
    step = min(detail / 2, launch.core_radius / DRAFT_SAMPLES)
    u = facet_axis(launch.basis, step, DRAFT_TAIL)
    modes = (u[1] - u[0]) ** 2 * sampled(launch.basis, u, u)

    def single(light: NDArray[np.complex128]) -> Fast | FastReal:
        return light.real.astype(np.float32) if launch.is_real else light.astype(np.complex64)

    def sheet(layer: Layer) -> Sheet:
        kernel = (modes * layer.envelope).reshape(len(modes), -1)
        return Sheet(single(layer.light), kernel.astype(np.float32), layer.turn)

    counted = [layer for layer in layers_at(launch, u, u) if layer.size > DRAFT_LEFT_OUT]
    return Draft(
        u=u,
        sheets=tuple(sheet(layer) for layer in counted),
        values=single(launch.modulator.alphabet.values),
        over_y=folded(launch.y * launch.beam.nearer[1], u, launch.scale).single,
        over_x=folded(launch.x * launch.beam.nearer[0], u, launch.scale).single,
        gaps=launch.gaps,
        slant=slant_of(launch, u, u).astype(np.complex64) if any(launch.lens_offset) else None,
    )
