"""What a line costs by the folded product and by the padded FFT, and which of them is chosen.

    python benchmarks/transforms.py

An aperture is padded to twice its pixels; the window's samples are of that grid.  Microseconds a
line in single precision on one thread, the least of some runs; the sides are timed by turns.
"""

import platform
import time
from collections.abc import Callable
from functools import partial

import numpy as np
from threadpoolctl import threadpool_limits

from maskforge.launch.fourier import axis, folded
from maskforge.launch.planned import Planned, planned
from maskforge.launch.transform import fast_length, side_of

APERTURES = 512, 1024, 2048
WINDOWS = 16, 32, 64, 128, 256, 384, 512
LINES, RUNS = 512, 7


def least(*ways: Callable[[], object]) -> list[float]:
    """Least seconds of processor time of each way, after one run to warm up."""
    found = [np.inf] * len(ways)
    for run in range(RUNS + 1):
        for place, way in enumerate(ways):
            start = time.process_time()
            way()
            if run:
                found[place] = min(found[place], time.process_time() - start)
    return found


def main() -> None:
    rng = np.random.default_rng(0)
    print(f"{platform.machine()}, numpy {np.__version__}")
    print("aperture  window  product us  FFT us  chosen")
    for count in APERTURES:
        length = fast_length(2.0 * count)
        shape = count, LINES
        field = (rng.normal(size=shape) + 1j * rng.normal(size=shape)).astype(np.complex64)
        for window in WINDOWS:
            x, u = axis(count, 1.0), axis(window, 1 / length)
            product, fft = folded(x, u, 1.0).single, planned(count, window, length).single
            times = least(partial(product.along, field), partial(fft.along, field))
            chosen = "FFT" if isinstance(side_of(x, u, 1.0), Planned) else "product"
            first, second = (1e6 * seconds / LINES for seconds in times)
            print(f"{count:8d} {window:7d} {first:11.2f} {second:7.2f}  {chosen}")


if __name__ == "__main__":
    with threadpool_limits(1):
        main()
