"""Arrays of NumPy, of CuPy, or of any library that keeps to the array API standard.

What works on pixels takes its namespace from its arrays, so that it is written once.  What the
standard lacks, and NumPy and CuPy have, is here.  Numbers of modes stay on the host, as NumPy's.
"""

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = Any
"""On any device."""

FARTHEST = 4.0
"""Of a blur's width: where SciPy ends it, whose blur on the host is the same."""


def _numpy() -> Any:
    """NumPy, which has the standard's names itself from 2.1 on."""
    if np.lib.NumpyVersion(np.__version__) >= "2.1.0":
        # the other takes longer to load than NumPy itself
        return np
    import array_api_compat.numpy as named

    return named


NUMPY = _numpy()
_LIBRARIES: dict[type, Any] = {np.ndarray: NUMPY}


def namespace(array: Array) -> Any:
    """The library that an array is of, with the standard's names."""
    found = _LIBRARIES.get(type(array))
    if found is None:
        import array_api_compat

        found = _LIBRARIES[type(array)] = array_api_compat.array_namespace(array)
    return found


def beside(values: NDArray[Any], array: Array) -> Array:
    """Values of the host where an array is."""
    if isinstance(array, np.ndarray):
        return values
    # the quicker of the two, where there is one
    return namespace(array).array(values) if _has_more(array) else namespace(array).asarray(values)


def constant(values: NDArray[Any], array: Array) -> Array:
    """A few values of the host where an array is, sent there once; not to be changed."""
    if isinstance(array, np.ndarray):
        return values
    return _sent(values.tobytes(), values.dtype.str, values.shape, namespace(array))


@lru_cache(maxsize=256)
def _sent(content: bytes, kind: str, shape: tuple[int, ...], xp: Any) -> Array:
    return xp.asarray(np.frombuffer(content, kind).reshape(shape).copy())


def on_host(array: Array) -> NDArray[Any]:
    """The array as NumPy's."""
    if isinstance(array, np.ndarray):
        return array
    return np.asarray(array.get() if is_cupy(array) else array)


def is_cupy(array: Array) -> bool:
    """Whether an array is on a GPU."""
    if isinstance(array, np.ndarray):
        return False
    import array_api_compat

    return bool(array_api_compat.is_cupy_array(array))


def _has_more(array: Array) -> bool:
    """Whether its library has NumPy's functions beyond the standard."""
    return isinstance(array, np.ndarray) or is_cupy(array)


def is_real(array: Array) -> bool:
    """Whether an array's numbers are real by their type."""
    if isinstance(array, np.ndarray):
        return bool(array.dtype.kind != "c")
    return not bool(namespace(array).isdtype(array.dtype, "complex floating"))


def conj(array: Array) -> Array:
    return array if is_real(array) else namespace(array).conj(array)


def as_complex(array: Array) -> Array:
    """The array as complex numbers of its precision."""
    if not is_real(array):
        return array
    xp = namespace(array)
    return xp.astype(array, xp.complex64 if array.dtype == xp.float32 else xp.complex128)


def single(array: Array) -> Array:
    """The array in single precision."""
    xp = namespace(array)
    return xp.astype(array, xp.float32 if is_real(array) else xp.complex64)


def angle(array: Array) -> Array:
    """Phases in rad, from -pi to pi."""
    xp = namespace(array)
    if is_real(array):
        return xp.atan2(xp.zeros_like(array), array)
    imag, real = xp.imag(array), xp.real(array)
    if isinstance(array, np.ndarray):
        # of parts that do not lie next to each other it takes twice the time
        imag, real = imag.copy(), real.copy()
    return xp.atan2(imag, real)


def phasors(phases: Array) -> Array:
    """exp(i phase) of phases in rad, in their precision; a complex exponential takes several times
    as long."""
    xp = namespace(phases)
    if not isinstance(phases, np.ndarray):
        return xp.exp(1j * as_complex(phases))
    found = np.empty(phases.shape, np.result_type(phases, np.complex64))
    found.real, found.imag = np.cos(phases), np.sin(phases)
    return found


def flat(array: Array) -> Array:
    return namespace(array).reshape(array, (-1,))


def transposed(array: Array) -> Array:
    """With the last two axes exchanged."""
    return array.T if array.ndim == 2 else namespace(array).matrix_transpose(array)


def contiguous(array: Array) -> Array:
    """The array with its last axis running fastest, where its library knows of that."""
    return namespace(array).ascontiguousarray(array) if _has_more(array) else array


def parts(array: Array) -> Array:
    """A complex array (n, m) as real numbers (n, 2 m), real and imaginary parts in turn."""
    if _has_more(array):
        array = contiguous(array)
        return array.view(array.real.dtype)
    xp = namespace(array)
    return xp.reshape(xp.stack([xp.real(array), xp.imag(array)], axis=-1), (array.shape[0], -1))


def whole(array: Array) -> Array:
    """The complex array (n, m) of its `parts` (n, 2 m)."""
    xp = namespace(array)
    kind = xp.complex64 if array.dtype == xp.float32 else xp.complex128
    if _has_more(array):
        return contiguous(array).view(kind)
    return xp.astype(array[:, ::2], kind) + 1j * xp.astype(array[:, 1::2], kind)


def picked(values: Array, index: Array) -> Array:
    """values[index] for values (n, ...) and an index of any shape."""
    if isinstance(values, np.ndarray):
        return np.take(values, index, axis=0)
    if _has_more(values):
        return values[index]
    xp = namespace(values)
    found = xp.take(values, xp.astype(flat(index), xp.int64), axis=0)
    return xp.reshape(found, index.shape + values.shape[1:])


def replaced(array: Array, index: Array, values: Array) -> Array:
    """The array (n, ...) with other values at an index (m,); NumPy's and CuPy's change in place."""
    if _has_more(array):
        array[index] = values
        return array
    changed = on_host(array).copy()
    changed[on_host(index)] = on_host(values)
    return beside(changed, array)


def blurred(values: Array, width: float) -> Array:
    """Values (..., rows, columns) blurred by a Gaussian of that standard deviation, their edges
    going on as they are."""
    if isinstance(values, np.ndarray):
        # what few benches need is loaded where they do
        from scipy.ndimage import gaussian_filter

        widths = *(values.ndim - 2) * (0.0,), width, width
        return gaussian_filter(values, widths, mode="nearest")
    xp, kind = namespace(values), values.dtype
    over_y, over_x = (xp.astype(_blurring(count, width, xp), kind) for count in values.shape[-2:])
    return over_y @ values @ transposed(over_x)


@lru_cache(maxsize=8)
def _blurring(count: int, width: float, xp: Any) -> Array:
    """The same along an axis as a matrix: on a GPU the filter is compiled anew for each width."""
    far = int(FARTHEST * width + 0.5)
    weights = np.exp(-((np.arange(-far, far + 1) / width) ** 2) / 2)
    found, place = np.zeros((count, count)), np.arange(count)
    for apart, weight in zip(range(-far, far + 1), weights / weights.sum(), strict=True):
        found[place, np.clip(place + apart, 0, count - 1)] += weight
    return xp.asarray(found)


def smoothed(x: Array, y: Array, square: float) -> tuple[Array, Array, Array]:
    """sqrt(x^2 + y^2 + square), and x and y over it."""
    if is_cupy(x):
        from maskforge.base.kernels import smoothed as on_device

        return on_device(x, y, square)
    size = namespace(x).sqrt(x * x + y * y + square)
    return size, x / size, y / size


def sector(values: Array, first: float, width: float, corners: NDArray[np.intp]) -> Array:
    """Of complex values the corners of the sectors `width` wide, from the angle `first` (rad) on,
    that they lie in."""
    if is_cupy(values) and not is_real(values):
        from maskforge.base.kernels import sector as on_device

        return on_device(values, first, width, constant(corners, values))
    xp = namespace(values)
    around = xp.astype(angle(values), xp.float64)
    place = xp.astype(xp.floor((around - first) / width), xp.int64)
    return picked(constant(corners, values), place % corners.size)


def smallest(values: Array, count: int) -> Array:
    """Where the `count` smallest of values (n,) are, in no order."""
    if isinstance(values, np.ndarray):
        return np.argpartition(values, count - 1)[:count]
    return namespace(values).argsort(values)[:count]


def summed_by(index: Array, weights: Array, size: int) -> NDArray[np.float64]:
    """Sums (size,) on the host of weights (n,), not negative, by whole numbers from 0 (n,)."""
    if is_cupy(weights):
        from maskforge.base.kernels import summed_by as on_device

        return on_device(index, weights, size)
    sums = np.bincount(on_host(index), on_host(weights), size)
    return np.asarray(sums, dtype=np.float64)
