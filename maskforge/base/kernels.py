"""What a GPU needs beyond the array libraries' own functions."""

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array

RANGE = 2.0**62
"""Of whole numbers that stand for a sum: it is then the same in any order."""


def summed_by(index: Array, weights: Array, size: int) -> NDArray[np.float64]:
    """`arrays.summed_by` on a GPU, in fixed point: of what is added up at once the order is not
    known, and sums of floating-point numbers would depend on it."""
    import cupy
    import cupyx

    total = float(weights.sum(dtype=cupy.float64))
    if not 0 < total < np.inf:
        # nothing, or numbers that are none
        return np.full(size, total)
    scale = RANGE / total
    whole = cupy.rint(weights.astype(cupy.float64) * scale).astype(cupy.uint64)
    sums = cupy.zeros(size, cupy.uint64)
    cupyx.scatter_add(sums, index, whole)
    return np.asarray(sums.get() / scale)


def blurred(values: Array, width: float) -> Array:
    """`arrays.blurred` on a GPU."""
    from cupyx.scipy.ndimage import gaussian_filter

    return gaussian_filter(values, width, mode="nearest")


def out_of_memory() -> tuple[type[Exception], ...]:
    """What is raised where a GPU's memory runs out."""
    import cupy

    return (
        cupy.cuda.memory.OutOfMemoryError,
        cupy.cuda.runtime.CUDARuntimeError,
        cupy.cuda.cublas.CUBLASError,
    )


def free_memory() -> None:
    """Gives back what the library keeps for its next arrays."""
    import cupy

    cupy.get_default_memory_pool().free_all_blocks()
