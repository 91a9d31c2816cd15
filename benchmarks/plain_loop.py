"""The plain loop: an iterative Fourier-transform design as it is commonly written with NumPy alone.

Per mask: 150 iterations of one forward and one inverse FFT.  On the facet the signal window (the
core and half a radius more) is set to the scaled target and the noise outside is left as it fell;
on the mask the pixels are brought back to real numbers from -1 to 1, more of them to the ends with
each iteration, and are rounded to the two states at last.  Of the usual ways to quantise this one
was the purest here: 99.8 % for LP21, where a free phase rounded once has 98.6 % and rounding
in each iteration 86 %.  The fibre's modes come from maskforge, the rest does not.

    python benchmarks/plain_loop.py

prints time, purity and efficiency of a few masks, the latter two by the full model.
"""

import time
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge import bench as benches
from maskforge.bench.ready import Prepared, prepared
from maskforge.launch.basis import sampled
from maskforge.launch.couplings import predict
from maskforge.launch.modulator import emitted
from maskforge.launch.prediction import Prediction
from maskforge.launch.targets import lp_target, target_field

ITERATIONS = 150

WINDOW = 1.5
"""Radius of the signal window in core radii: the highest modes reach beyond the core."""

STRENGTH = 0.75
"""Amplitude of the window's field, of what the two-state target phase launches; 0.6 makes the masks
99.9 % pure with a quarter less light."""

SOFT_START = 30
"""Iterations before the range of greys begins to shrink, linearly, to nothing."""

EXAMPLES = [("LP01", 0.0), ("LP21", 0.0), ("LP21", 15.0), ("LP33", 0.0)]


@dataclass(frozen=True, eq=False)
class Scene:
    """A bench on FFT grids: modes (K, n, n) on the facet and the window, zero order in the corner.

    `beam` (n, n): amplitude on the pixels, of unit power before the edge clips it.
    """

    ready: Prepared
    beam: NDArray[np.float64]
    modes: NDArray[np.float64]
    window: NDArray[np.bool_]
    half_pixel: NDArray[np.complex128]


@lru_cache(maxsize=2)
def scene(bench_name: str) -> Scene:
    """The grids of a preset or bench file with a square mask, two states and no carrier."""
    bench = benches.load(bench_name)
    ready = prepared(bench)
    n, pitch = bench.modulator.pixels[0], benches.modulator(bench).pitch
    light = benches.light(bench)
    x = (np.arange(n) - (n - 1) / 2) * pitch
    r2 = x**2 + x[:, None] ** 2
    beam = np.sqrt(2 / np.pi) / light.waist[0] * pitch * np.exp(-r2 / light.waist[0] ** 2)
    # the FFT's pixel 0 lies half a pixel beside the mask's middle: a slight tilt on the facet
    k = np.arange(n) - n // 2
    u = np.asarray(k * light.wavelength * benches.focal_length(bench) / (n * pitch), dtype=float)
    tilt = np.exp(1j * np.pi * k / n)
    inside = np.hypot(u, u[:, None]) < WINDOW * ready.launch.core_radius
    return Scene(
        ready=ready,
        beam=beam,
        modes=np.fft.ifftshift(sampled(ready.launch.basis, u, u), axes=(1, 2)),
        window=np.fft.ifftshift(inside),
        half_pixel=np.fft.ifftshift(tilt * tilt[:, None]),
    )


def design(bench_name: str, label: str, orientation: float) -> NDArray[np.uint16]:
    """States (rows, columns) of one mask by the plain loop."""
    scenery = scene(bench_name)
    target = lp_target(scenery.ready.launch.basis, label, orientation)
    field = target_field(scenery.modes, target) * scenery.half_pixel
    beam = np.fft.ifftshift(scenery.beam)
    window = scenery.window

    back = np.fft.ifft2(field)
    # the target's phase is free: real on the pixels for even modes, imaginary for odd ones
    back *= np.exp(-0.5j * np.angle(np.sum(back**2)))
    mask = np.sign(back.real)
    facet = np.fft.fft2(beam * mask)
    wanted = field / np.linalg.norm(field * window)
    wanted = STRENGTH * np.vdot(wanted[window], facet[window]) * wanted

    for step in range(ITERATIONS):
        facet[window] = wanted[window]
        greys = min(1.0, (ITERATIONS - step) / (ITERATIONS - SOFT_START))
        mask = np.clip(np.fft.ifft2(facet).real / (greys * beam), -1, 1)
        facet = np.fft.fft2(beam * mask)
    return np.fft.fftshift(mask < 0).astype(np.uint16)


def judged(bench_name: str, label: str, orientation: float) -> tuple[float, Prediction]:
    """Seconds that a mask takes, and what the full model finds for it."""
    launch = scene(bench_name).ready.launch
    start = time.perf_counter()
    states = design(bench_name, label, orientation)
    seconds = time.perf_counter() - start
    found = predict(
        launch, lp_target(launch.basis, label, orientation), emitted(launch.modulator, states)
    )
    return seconds, found


def main() -> None:
    bench_name = "gi50-1550"
    start = time.perf_counter()
    scene(bench_name)
    print(f"{bench_name}: fibre and grids {time.perf_counter() - start:.2f} s")
    print("mask             seconds   purity  efficiency")
    for label, orientation in EXAMPLES:
        seconds, found = judged(bench_name, label, orientation)
        name = f"{label} {orientation:g} deg"
        print(f"{name:<16} {seconds:7.2f} {found.purity:8.4f} {100 * found.efficiency:9.1f} %")


if __name__ == "__main__":
    main()
