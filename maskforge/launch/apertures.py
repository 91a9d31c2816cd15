"""Two apertures of one panel, whose rows of pixels come one behind the other, as are the modes that
each of them launches; the `amplitudes` (K,) are those of each mode's light at the fibre."""

from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, namespace

Complex = NDArray[np.complex128]

Half = TypeVar("Half")


def parted(values: Array, count: int) -> list[Array]:
    """What belongs to each of `count` apertures of (rows, columns) of all pixels."""
    rows = values.shape[0] // count
    return [values[first : first + rows, :] for first in range(0, values.shape[0], rows)]


def launched_by_all(
    halves: Sequence[Half],
    amplitudes: Complex | float,
    factors: Array,
    launched: Callable[[Half, Array], Complex],
) -> Complex:
    """c (K,) of factors (rows, columns), by what each aperture's launch."""
    each = zip(halves, parted(factors, len(halves)), strict=True)
    return np.asarray(amplitudes * np.concatenate([launched(*one) for one in each]))


def returned_to_all(
    halves: Sequence[Half],
    amplitudes: Complex | float,
    vector: Complex,
    returned: Callable[[Half, Complex], Array],
) -> Array:
    """The adjoint, (rows, columns) of a vector (K,)."""
    own = np.split(np.conj(amplitudes) * vector, len(halves))
    backs = [returned(*one) for one in zip(halves, own, strict=True)]
    return namespace(backs[0]).concat(backs)


def sent_by_all(
    halves: Sequence[Half],
    amplitudes: Complex,
    sent: Callable[[Half], NDArray[np.complexfloating]],
) -> Complex:
    """What all pixels send into each mode (K, pixels), by what each aperture's do."""
    from scipy.linalg import block_diag

    return np.asarray(block_diag(*map(sent, halves)) * amplitudes[:, None])
