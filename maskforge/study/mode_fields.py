"""The guided modes' fields on a grid, as arrays for the person's own programs."""

import io

import numpy as np
from numpy.typing import NDArray

from maskforge.fiber.profile import Fiber
from maskforge.launch.basis import Basis, mode_name, sampled
from maskforge.launch.mode_samples import facet_axis
from maskforge.launch.tails import SAMPLES_PER_CORE_RADIUS

TAIL = 1e-6
"""Power of a mode that may lie outside the grid."""


def field_arrays(basis: Basis, guide: Fiber) -> dict[str, NDArray[np.generic]]:
    """The fields at the light's wavelength, lengths in um, by name.

    `fields_per_um` (modes, y, x), real; the sum of each one's square times the area of a sample
    is 1.  `x_um`, `y_um`: from the fibre's axis, x to the right and y up.  `names` (modes,), such
    as "LP21 cos"; `group`, `n_eff` (modes,); `wavelength_nm`, `core_radius_um`.
    """
    radius = guide.profile.core_radius
    axis = facet_axis(basis, radius / max(SAMPLES_PER_CORE_RADIUS), TAIL)
    return {
        "fields_per_um": sampled(basis, axis, axis) * 1e-6,
        "x_um": axis * 1e6,
        "y_um": axis * 1e6,
        "names": np.array([mode_name(mode) for mode in basis]),
        "group": np.array([mode.group for mode in basis]),
        "n_eff": np.array([mode.n_eff for mode in basis]),
        "wavelength_nm": np.array(guide.wavelength * 1e9),
        "core_radius_um": np.array(radius * 1e6),
    }


def npz_bytes(arrays: dict[str, NDArray[np.generic]]) -> bytes:
    """The arrays as an npz archive, which NumPy loads without pickles."""
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)  # type: ignore[arg-type]
    return buffer.getvalue()
