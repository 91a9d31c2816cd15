"""The launch in single precision on the fewest facet samples: what the designs iterate with."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, beside, is_real, on_host
from maskforge.launch.apertures import launched_by_all, returned_to_all
from maskforge.launch.couplings import Launch, facet_at, single_values
from maskforge.launch.facet import Facet
from maskforge.launch.fourier import fourier_rows
from maskforge.launch.light import Real
from maskforge.launch.lit_panel import finest_detail
from maskforge.launch.mode_samples import ModeSamples, facet_axis, mode_samples
from maskforge.launch.modulator import values_of
from maskforge.launch.passage import Passage
from maskforge.methods.coupling_matrix import CouplingMatrix, matrix_of
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
class Draft:
    """The launch's arrays, as in Launch but for the precision and the number of facet samples; on
    its device.

    `facet` has the layers that count here, and `kernels` for each of them the modes with its
    envelope, as `beam_in_pixels.Layer` has it.  `matrix`: instead of all that, where it is small.
    """

    facet: Facet
    kernels: tuple[ModeSamples, ...]
    values: Array
    """The alphabet's; real where these and the light are, and so is `back`."""
    gaps: NDArray[np.complex128]
    matrix: CouplingMatrix | None
    passage: Passage | None = None
    dark: NDArray[np.complex128] | None = None
    """Behind a device the gaps' couplings into the guided modes."""
    halves: "tuple[Draft, ...]" = ()
    """Of two apertures, whose light has these amplitudes in each guided mode."""
    amplitudes: NDArray[np.complex128] | float = 1.0

    def couplings(self, states: Array) -> NDArray[np.complex128]:
        """What counts (J,) of the pixels' states (rows, columns)."""
        factors = values_of(self.values, states)
        if self.matrix is not None:
            return np.asarray(self.gaps + self.matrix.couplings(factors))
        found = self._launched(factors)
        return np.asarray(found if self.passage is None else self.passage.through(found))

    def _launched(self, factors: Array) -> NDArray[np.complex128]:
        """The couplings into the guided modes."""
        if self.halves:
            return launched_by_all(self.halves, self.amplitudes, factors, Draft._launched)
        found = self.gaps if self.dark is None else self.dark
        sent = self.facet.sent(factors)
        for layer, kernel, there in zip(self.facet.layers, self.kernels, sent, strict=True):
            found = found - 1j * layer.turn * kernel.overlaps(there)
        return found

    def back(self, vector: NDArray[np.complex128]) -> Array:
        """v (rows, columns): Re<vector, c - gaps> = sum over pixels of Re(conj(v) s)."""
        if self.matrix is not None:
            return self.matrix.back(vector, real=is_real(self.values))
        vector = vector if self.passage is None else self.passage.back(vector)
        return self._returned(vector)

    def _returned(self, vector: NDArray[np.complex128]) -> Array:
        """The adjoint of `_launched`."""
        if self.halves:
            return returned_to_all(self.halves, self.amplitudes, vector, Draft._returned)
        facets = (
            kernel.mixed(1j * np.conj(layer.turn) * vector)
            for layer, kernel in zip(self.facet.layers, self.kernels, strict=True)
        )
        return self.facet.returned(facets, real=is_real(self.values))


def sent_from(launch: Launch, x: Real, y: Real, layer: int = 0) -> Iterator[Fast]:
    """What unit light of a layer sends from points (x, y) into each mode: K of (len(y), len(x)),
    before any device.

    With the lens's offset it holds the slant, but for a phase of the whole.
    """
    draft, nearer = draft_of(launch), launch.beam.nearer
    u, turn = draft.facet.u, draft.facet.layers[layer].turn
    x, y = x * nearer[0] + launch.lens_offset[0], y * nearer[1] + launch.lens_offset[1]
    across, up = (fourier_rows(z, u, launch.scale).astype(np.complex64) for z in (x, y))
    sides: dict[int, tuple[Array, Array]] = {}
    for (rows, columns), field in draft.kernels[layer].each():
        if field.shape[0] not in sides:
            sides[field.shape[0]] = beside(up[rows].T, field), beside(across[columns], field)
        left, right = sides[field.shape[0]]
        yield on_host(-1j * turn * (left @ (field @ right)))


@kept
def draft_of(launch: Launch) -> Draft:
    """The draft of a launch."""
    matrix = matrix_of(launch)
    if launch.halves:
        values = launch.setup.device.put(single_values(launch))
        halves = tuple(replace(draft_of(one), values=values) for one in launch.halves)
        return replace(
            halves[0],
            gaps=launch.gaps,
            matrix=None if matrix is None else matrix.single,
            passage=launch.setup.passage,
            dark=launch.dark,
            halves=halves,
            amplitudes=launch.amplitudes,
        )
    (facet, kernels), device = drafted(launch), launch.setup.device
    return Draft(
        facet=facet.on(device),
        kernels=tuple(kernel.on(device) for kernel in kernels),
        values=device.put(single_values(launch)),
        gaps=launch.gaps,
        matrix=None if matrix is None else matrix.single,
        passage=launch.setup.passage,
        dark=launch.dark,
    )


@kept
def drafted(launch: Launch) -> tuple[Facet, tuple[ModeSamples, ...]]:
    """Facet and kernels of the draft of one aperture, on the host."""
    detail = finest_detail(launch.scale, launch.modulator, launch.lens_offset)
    step = min(detail / 2, launch.core_radius / DRAFT_SAMPLES)
    u = facet_axis(launch.basis, step, DRAFT_TAIL)
    modes, area = mode_samples(launch.basis, u, DRAFT_TAIL), (u[1] - u[0]) ** 2
    whole = facet_at(launch, u, u)
    layers = tuple(layer for layer in whole.layers if layer.size > DRAFT_LEFT_OUT)
    kernels = tuple(modes.weighted(area, layer.envelope) for layer in layers)
    return replace(whole, layers=layers).single, kernels
