"""Where a sweep is worth being worked on, and what is made ready there."""

import math
import os

from maskforge.base.device import CPU, Device, device_of
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


def prepare_ahead(written: WrittenSet) -> None:
    """Makes ready what every process of a set's sweep begins with, here and in copies of this one;
    a GPU is left alone, since those could not work with it any more."""
    guided_basis(bench_of(written))
