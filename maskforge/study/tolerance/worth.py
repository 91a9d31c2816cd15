"""Where a sweep is worth being worked on, and what is made ready there."""

import math
import os
from threading import Thread

from maskforge.base.device import CPU, Device, device_of, load_library
from maskforge.bench import Bench
from maskforge.bench.ready import guided_basis
from maskforge.sets.designing import MOST_PROCESSES
from maskforge.sets.reading import WrittenSet
from maskforge.sets.rebuilding import bench_of
from maskforge.study.tolerance.causes import VALUES
from maskforge.study.tolerance.mask_file import Study

WORTH_A_PROCESS = 2**22
"""Pixels of all masks together; fewer take less time than a process to start."""

MOST_OF_A_GPU = 4
"""Processes: most of the work is to make the disturbed benches, on the host, but more of them wait
for each other's turns there, and take longer to begin and to end."""


def device_for(study: Study, name: str) -> Device:
    """The device of a name for a sweep; see `device.device_of`."""
    masks, rows, columns = study.store.shape
    return device_of(name, rows * columns, masks * VALUES)


def processes_for(study: Study, device: Device = CPU) -> int:
    """Processes worth starting for a sweep: one a core, but one for a few small masks."""
    pixels = math.prod(study.store.shape)
    most = MOST_PROCESSES if device == CPU else MOST_OF_A_GPU
    return min(os.cpu_count() or 1, most) if pixels > WORTH_A_PROCESS else 1


def prepare_ahead(written: WrittenSet, device: str) -> None:
    """Makes ready what every process of a set's sweep begins with, here and in copies of this one;
    the device is left alone, since those could not work with it any more."""
    bench = bench_of(written)
    guided_basis(bench)
    _load_library(bench, written, device)


def begin_loading(bench: Bench, written: WrittenSet, device: str) -> None:
    """Has what a GPU is worked on with loaded beside what the host does first with a set's masks,
    where they may be swept there."""
    Thread(target=_load_library, args=(bench, written, device)).start()


def _load_library(bench: Bench, written: WrittenSet, device: str) -> None:
    load_library(device, math.prod(bench.modulator.panel), len(written.masks) * VALUES)
