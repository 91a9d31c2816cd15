"""Passes over pixels a few rows at a time: what they make in between stays in a core's own cache.

On the host alone: elsewhere the whole is one call.
"""

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from maskforge.base.arrays import Array

NUMBERS = 2**15
"""In a strip: a few arrays of so many fit into 1 MiB."""

LARGE = 2**17
"""Numbers of an array that is worth parting."""


def strips(shape: tuple[int, ...]) -> Iterator[slice]:
    """The rows of an array of this shape, those of a strip at a time."""
    rows = max(1, NUMBERS // max(1, int(np.prod(shape[1:]))))
    for first in range(0, shape[0], rows):
        yield slice(first, first + rows)


def row_parts(array: Array) -> Iterator[Array]:
    """The strips of an array of the host (rows, columns), for sums over it; any other one whole."""
    if not isinstance(array, np.ndarray) or array.ndim < 2:
        yield array
        return
    for rows in strips(array.shape):
        yield array[rows]


def by_strips(made: Callable[..., Array], *arrays: Array) -> Array:
    """made(*arrays) of arrays of one shape (rows, columns), each number by itself."""
    return each_by_strips(lambda *parts: (made(*parts),), *arrays)[0]


def each_by_strips(made: Callable[..., tuple[Array, ...]], *arrays: Array) -> tuple[Array, ...]:
    """The same of a function that makes several arrays."""
    first = arrays[0]
    if not isinstance(first, np.ndarray) or first.ndim < 2 or first.size < LARGE:
        return made(*arrays)
    whole: tuple[np.ndarray[Any, Any], ...] = ()
    for rows in strips(first.shape):
        parts = made(*(one[rows] for one in arrays))
        if not whole:
            whole = tuple(np.empty(first.shape, part.dtype) for part in parts)
        for out, part in zip(whole, parts, strict=True):
            out[rows] = part
    return whole
