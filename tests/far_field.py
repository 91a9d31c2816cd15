"""The whole far field by FFT: for tests."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from maskforge.launch.fourier import axis
from maskforge.launch.planned import planned
from maskforge.launch.transform import transform

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]


def far_field(
    field: Complex, shape: tuple[int, int], pitch: Sequence[float], scale: float
) -> tuple[Complex, Real, Real]:
    """(Far field (rows, columns) of `shape`, a whole period, u, v)."""
    (ny, nx), (rows, columns) = field.shape, shape
    facet = transform(field, planned(ny, rows, rows), planned(nx, columns, columns))
    u = axis(columns, scale / (columns * pitch[0]))
    return facet, u, axis(rows, scale / (rows * pitch[1]))
