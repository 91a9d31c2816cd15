"""Where the arrays of the pixels are: in the host's memory, or in that of a GPU."""

from dataclasses import dataclass, field
from typing import Any

import array_api_compat.numpy as array_api_numpy
import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, on_host
from maskforge.base.errors import BenchError


@dataclass(frozen=True)
class Device:
    """A place of arrays, and the library that works on them there."""

    name: str
    namespace: Any = field(repr=False)

    def put(self, array: NDArray[Any]) -> Array:
        """An array of the host there."""
        if self.namespace is array_api_numpy or not isinstance(array, np.ndarray):
            return array
        return self.namespace.asarray(array)

    def fetch(self, array: Array) -> NDArray[Any]:
        """An array from there on the host."""
        return on_host(array)


CPU = Device("cpu", array_api_numpy)


def cuda() -> Device:
    """The GPU; BenchError where there is none, or nothing to work on it with."""
    try:
        import array_api_compat.cupy as array_api_cupy
        import cupy
    except ImportError:
        raise BenchError(
            'device = cuda: needs CuPy: pip install "maskforge[gpu]", or --device cpu'
        ) from None
    try:
        count = cupy.cuda.runtime.getDeviceCount()
    except cupy.cuda.runtime.CUDARuntimeError as error:
        raise BenchError(f"device = cuda: no GPU to work on ({error}); --device cpu") from None
    if count == 0:
        raise BenchError("device = cuda: no GPU to work on; --device cpu")
    return Device("cuda", array_api_cupy)


def device_named(name: str) -> Device:
    """The device of a name; BenchError where it is none, or not there."""
    if name == "cuda":
        return cuda()
    if name in ("cpu", "auto"):
        return CPU
    raise BenchError(f"device = {name}: must be auto, cpu or cuda")
