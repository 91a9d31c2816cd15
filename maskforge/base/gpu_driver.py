"""A GPU's driver, asked directly: the library that works on it takes ten times as long to load."""

import ctypes
import sys
from functools import cache
from threading import Thread

FIRST = 0
"""Of the GPUs that the driver shows: the one that is worked on."""

LIBRARY = "nvcuda.dll" if sys.platform == "win32" else "libcuda.so.1"


@cache
def _driver() -> ctypes.CDLL:
    return ctypes.CDLL(LIBRARY)


def ask_ahead() -> None:
    """Has the driver begin beside what the interpreter does: the first answer takes 0.1 s."""
    Thread(target=lacking, daemon=True).start()


def lacking() -> str | None:
    """Why there is no GPU to work on; None where there is one."""
    try:
        driver = _driver()
    except OSError:
        return "no driver"
    count = ctypes.c_int()
    failed = driver.cuInit(0) or driver.cuDeviceGetCount(ctypes.byref(count))
    if failed:
        text = ctypes.c_char_p()
        driver.cuGetErrorString(failed, ctypes.byref(text))
        return (text.value or b"it does not say why").decode(errors="replace")
    return None if count.value else "no CUDA-capable device"


def wake() -> None:
    """Has the GPU begin for this process, beside what the interpreter does: it takes half a second.

    Whatever is wrong with it is told where it is worked on.
    """
    Thread(target=_wake, daemon=True).start()


def _wake() -> None:
    if lacking() is None:
        # the one that all libraries of a process share; kept until its end
        context = ctypes.c_void_p()
        _driver().cuDevicePrimaryCtxRetain(ctypes.byref(context), FIRST)
