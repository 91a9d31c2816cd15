"""Where the arrays of the pixels are: in the host's memory, or in that of a GPU."""

from collections.abc import Callable
from dataclasses import dataclass, field
from importlib.util import find_spec
from threading import Thread
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import NUMPY, Array
from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError
from maskforge.base.wording import one_line

Made = TypeVar("Made")

DEVICES = ("auto", "cpu", "cuda")

LARGE, MANY = 2**20, 2**23
"""Pixels of a mask, and of all masks, from which on a GPU is worth its start: 4 of 1920 x 1080 take
a core 6 s.  Of 512 x 512 eight cores design as fast (benchmarks/gpu.py)."""


@dataclass(frozen=True)
class Device:
    """A place of arrays, and the library that works on them there."""

    name: str
    namespace: Any = field(default=None, repr=False)
    """None: CuPy's, loaded with the first array that is put there."""

    def put(self, array: NDArray[Any]) -> Array:
        """An array of the host there."""
        if self.namespace is NUMPY or not isinstance(array, np.ndarray):
            return array
        return (self.namespace or _cupy()).asarray(array)

    def begin(self) -> None:
        """Has a GPU begin beside what the host does first: that takes it a while."""
        if self.name == "cuda":
            from maskforge.base.gpu_driver import wake
            from maskforge.base.kernels import begin

            wake()
            Thread(target=begin, daemon=True).start()

    def holding(self, work: Callable[[], Made]) -> Made:
        """What `work` there gives; done again with all memory freed where that ran out.

        Raises BenchError where it still does not do.
        """
        if self.name != "cuda":
            return work()
        from maskforge.base.kernels import free_memory, out_of_memory

        try:
            return work()
        except out_of_memory():
            free_memory()
        try:
            return work()
        except out_of_memory():
            raise BenchError(
                "device = cuda: the GPU's memory does not hold the arrays of one mask; "
                "fewer pixels or modes, or cpu"
            ) from None


CPU = Device("cpu", NUMPY)


def device_of(name: str, pixels: int = 0, masks: int = 1) -> Device:
    """The device of a name, where `masks` of so many pixels are to be designed.

    `auto` is a GPU where there is one and the work is worth its start.  Raises BadValueError for
    another name than those of DEVICES, and for a GPU that cannot be worked on.
    """
    if name not in DEVICES:
        raise BadValueError(f"must be {', '.join(DEVICES[:-1])} or {DEVICES[-1]}", "device", name)
    if name == "auto":
        if not _may_be_worth_a_gpu(pixels, masks):
            return CPU
        try:
            return _cuda()
        except BadValueError:
            return CPU
    return _cuda() if name == "cuda" else CPU


def begin(name: str) -> None:
    """Has the device of a name begin that `device_of` has given elsewhere: before it is asked for
    here, since that waits for it."""
    Device(name).begin()


def may_be_cuda(name: str, pixels: int, masks: int) -> bool:
    """Whether `device_of` may give a GPU, which is left alone."""
    return name == "cuda" or (name == "auto" and _may_be_worth_a_gpu(pixels, masks))


def _may_be_worth_a_gpu(pixels: int, masks: int) -> bool:
    return pixels >= LARGE and pixels * masks >= MANY and find_spec("cupy") is not None


def _cuda() -> Device:
    if find_spec("cupy") is None:
        text = 'needs CuPy: pip install "maskforge[gpu]"; cpu works without'
        raise BadValueError(text, "device", "cuda")
    from maskforge.base.gpu_driver import lacking

    told = lacking()
    if told is not None:
        raise BadValueError(f"no GPU to work on ({told}); cpu works", "device", "cuda")
    return Device("cuda")


def _cupy() -> Any:
    try:
        import array_api_compat.cupy as array_api_cupy
    except ImportError as error:
        text = f"device = cuda: CuPy is there but cannot be loaded ({one_line(str(error))})"
        raise BenchError(f"{text}; cpu works") from None
    return array_api_cupy
