"""What a GPU's driver is asked, and what is said of its answers.

Names and codes of the functions: CUDA Driver API reference manual (cuInit, cuDeviceGetCount,
cuGetErrorString, cuDevicePrimaryCtxRetain), from memory; the driver here is a stand-in.
"""

import sys
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from maskforge.base import gpu_driver
from maskforge.base.device import Device, device_of
from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError

NO_DEVICE = 100


@dataclass
class Driver:
    """A driver that shows so many GPUs, or fails with a code."""

    count: int = 1
    code: int = 0
    text: bytes | None = b"no CUDA-capable device is detected"
    kept: list[int] = field(default_factory=list)

    def cuInit(self, flags: int) -> int:
        return self.code

    def cuDeviceGetCount(self, count: Any) -> int:
        count._obj.value = self.count
        return 0

    def cuGetErrorString(self, code: int, text: Any) -> int:
        assert code == self.code
        text._obj.value = self.text
        return 0

    def cuDevicePrimaryCtxRetain(self, context: Any, place: int) -> int:
        self.kept.append(place)
        return 0


def shown_by(driver: Driver, monkeypatch: pytest.MonkeyPatch) -> Driver:
    monkeypatch.setattr(gpu_driver, "_driver", lambda: driver)
    monkeypatch.setattr("maskforge.base.device.find_spec", lambda name: "there")
    return driver


def test_a_gpu_is_there_by_its_driver_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    shown_by(Driver(), monkeypatch)
    monkeypatch.setitem(sys.modules, "cupy", None)
    there = device_of("cuda")
    assert there == Device("cuda")
    # what is missing is told where it is worked with
    with pytest.raises(BenchError, match=r"^device = cuda: CuPy is there but cannot be loaded \("):
        there.put(np.zeros(3))
    assert device_of("auto", 2**22, 100) == there
    assert device_of("auto", 2**10, 100) == Device("cpu", np)


@pytest.mark.parametrize(
    ("driver", "told"),
    [
        (Driver(code=NO_DEVICE), "no CUDA-capable device is detected"),
        (Driver(code=NO_DEVICE, text=None), "it does not say why"),
        (Driver(count=0), "no CUDA-capable device"),
    ],
)
def test_why_there_is_none(driver: Driver, told: str, monkeypatch: pytest.MonkeyPatch) -> None:
    shown_by(driver, monkeypatch)
    with pytest.raises(BadValueError) as caught:
        device_of("cuda")
    assert caught.value.text == f"no GPU to work on ({told}); cpu works"
    assert device_of("auto", 2**22, 100).name == "cpu"
    gpu_driver._wake()
    assert driver.kept == []


def test_without_a_driver(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gpu_driver, "LIBRARY", "libno-such-driver.so.1")
    gpu_driver._driver.cache_clear()
    assert gpu_driver.lacking() == "no driver"


def test_it_is_woken_once_for_all_libraries(monkeypatch: pytest.MonkeyPatch) -> None:
    driver = shown_by(Driver(), monkeypatch)
    gpu_driver._wake()
    assert driver.kept == [gpu_driver.FIRST]
