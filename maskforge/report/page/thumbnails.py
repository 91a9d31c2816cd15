"""Each mask as small pictures: what it sends to the facet, and itself."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, beside, on_host, single
from maskforge.base.device import CPU
from maskforge.launch.apertures import parted
from maskforge.launch.basis import Basis, sampled
from maskforge.launch.couplings import Launch, facet_at, gap_field, single_values
from maskforge.launch.facet import Facet
from maskforge.launch.fourier import axis
from maskforge.launch.light import Complex, Real
from maskforge.launch.modulator import Levels, Modulator, emitted, values_of
from maskforge.report.page.palette_png import BRIGHT, CYCLE, SIGNED, bright, cycle, inline, signed

VIEW = 1.6
"""Half width of a facet picture in core radii."""

SAMPLES, MODE_SAMPLES, MASK_SIDE = 65, 49, 128
"""Along the sides of a facet's picture, of a mode's, and along the longer side of a mask's."""

FAINT = 0.01
"""Of the brightest place in the core: below this a phase is not shown."""

UNDECIDED = 0.35
"""Of the largest average: pixels whose averages are smaller have no phase in common."""

LONGEST_FRINGE = 24.0
"""Pixels: a carrier with longer fringes shows as it is, a shorter one's other orders average
out over a fringe."""

TOGETHER = 8
"""Rows of averages that are taken at once."""


@dataclass(frozen=True)
class Shot:
    """The pictures of a mask as data URLs."""

    intensity: str
    phase: str
    kept: str
    mask: str


@dataclass(frozen=True, eq=False)
class Averages:
    """A matrix whose rows hold little but zeros: of some rows at a time `weights` and the columns
    that they are of."""

    parts: tuple[tuple[slice, NDArray[np.number]], ...]

    def __matmul__(self, values: Array) -> Array:
        return np.concatenate([weights @ values[columns] for columns, weights in self.parts])


@dataclass(frozen=True, eq=False)
class Camera:
    """What turns the pixels of masks into pictures, prepared once, in single precision.

    `values`: of the alphabet's states.  To what they send to `facet` the field `dark` is added,
    likewise but for -i.  `modes` (K, n, n): the guided ones there.  `rows`, `columns`: averages of
    the mask, the carrier taken out.  `values`, `facet` and averages are on the launch's device.
    `halves`: of two apertures, whose light is of `amplitude`; the rest is then that of the first.
    """

    modulator: Modulator
    values: Array
    facet: Facet
    dark: NDArray[np.complex64] | float
    core: NDArray[np.bool_]
    modes: NDArray[np.float32]
    rows: Array | Averages
    columns: Array | Averages
    amplitude: complex = 1.0
    halves: "tuple[Camera, ...]" = ()


def facet_samples(launch: Launch) -> Real:
    """Samples of a facet picture along each axis, in m from the fibre's axis."""
    return axis(SAMPLES, 2 * VIEW * launch.core_radius / (SAMPLES - 1))


def camera_of(launch: Launch) -> Camera:
    """The camera of a bench."""
    if launch.halves:
        each = zip(launch.halves, launch.setup.halves, strict=True)
        halves = tuple(replace(camera_of(one), amplitude=half.amplitude) for one, half in each)
        return replace(halves[0], modulator=launch.modulator, halves=halves)
    modulator, u = launch.modulator, facet_samples(launch)
    dark = gap_field(launch, u, u)
    across, up = (
        place / launch.scale * pitch
        for place, pitch in zip(launch.centre, modulator.pitch_seen, strict=True)
    )
    rows, columns = modulator.shape
    block = max(1.0, max(rows, columns) / MASK_SIDE)
    steeper, device = max(abs(across), abs(up)), launch.setup.device

    def there(means: NDArray[np.number]) -> Array | Averages:
        return averages_of(means) if device == CPU else device.put(means)

    return Camera(
        modulator=modulator,
        values=device.put(single_values(launch)),
        facet=facet_at(launch, u, u).single.on(device),
        dark=0.0 if dark is None else dark.astype(np.complex64),
        core=np.hypot(u, u[:, None]) <= launch.core_radius,
        modes=np.asarray(list(sampled(launch.basis, u, u)), dtype=np.float32),
        # the steeper direction is enough to average the other orders out
        rows=there(averages(rows, block, up, smooth=abs(up) == steeper)),
        columns=there(averages(columns, block, across, smooth=abs(up) < steeper)),
    )


def averages(count: int, block: float, frequency: float, *, smooth: bool) -> NDArray[np.number]:
    """(n, count): means over blocks of `block` pixels of `count`, a tilt taken out.

    `frequency`: the tilt's fringes a pixel.  `smooth`: over a fringe too.
    """
    n = max(1, round(count / block))
    pixels = axis(count, 1.0)
    apart = np.abs(axis(n, block)[:, None] - pixels)
    width = 1 / abs(frequency) if smooth and abs(frequency) * LONGEST_FRINGE >= 1 else 1.0
    # two boxes, one of a block and one of a fringe (or a pixel), one after the other
    shared = np.clip((block + width) / 2 - apart, 0, min(block, width))
    weights = shared / shared.sum(axis=1, keepdims=True)
    if frequency == 0.0:
        return np.asarray(weights, np.float32)
    return np.asarray(weights * np.exp(-2j * np.pi * frequency * pixels), np.complex64)


def averages_of(matrix: NDArray[np.number]) -> Averages:
    """The matrix without most of its zeros."""
    parts = []
    for rows in np.array_split(matrix, math.ceil(len(matrix) / TOGETHER)):
        used = np.flatnonzero(rows.any(axis=0))
        columns = slice(int(used[0]), int(used[-1]) + 1)
        parts.append((columns, rows[:, columns].copy()))
    return Averages(tuple(parts))


def shot_of(camera: Camera, factors: Array, couplings: Complex) -> Shot:
    """The pictures of a mask's factors (rows, columns), y up, and of its couplings (K,).

    Of two polarisations intensities are those of both, the phase is that of the brighter one.
    """
    cameras = camera.halves or (camera,)
    parts = parted(factors, len(cameras))
    fields = [field_seen(*one) for one in zip(cameras, parts, strict=True)]
    powers = [np.abs(field) ** 2 for field in fields]
    power = sum(powers[1:], start=powers[0])
    brightest = max(float(power[camera.core].max()), 1e-30)
    brighter = int(np.argmax([float(one[camera.core].sum()) for one in powers]))
    faint = powers[brighter] < FAINT * brightest
    phase = np.where(faint, np.uint8(0), cycle(np.angle(fields[brighter])))
    masks = [mask_picture(camera, part) for part in parts]
    return Shot(
        inline(bright(power[::-1] / brightest), BRIGHT),
        inline(phase[::-1], CYCLE),
        inline(kept_picture(camera, couplings), BRIGHT),
        inline(np.hstack(masks), CYCLE),
    )


def factors_of(camera: Camera, states: Levels) -> Array:
    """What the pixels do to the light: states (rows, columns) -> factors in single precision, on
    the launch's device."""
    there = beside(states, camera.values)
    if camera.modulator.crosstalk == 0.0:
        return values_of(camera.values, there)
    return single(emitted(camera.modulator, there))


def field_seen(camera: Camera, factors: Array) -> NDArray[np.complex64]:
    """`couplings.facet_field` at the camera's samples, in single precision."""
    field = on_host(camera.facet.field(factors))
    return np.asarray(-1j * camera.amplitude * (field + camera.dark), dtype=np.complex64)


def kept_picture(camera: Camera, couplings: Complex) -> NDArray[np.uint8]:
    """Intensity of what the fibre guides of a launch, as indices into BRIGHT; row 0 on top."""
    each = couplings.astype(np.complex64).reshape(-1, len(camera.modes))
    power = np.sum(np.abs(np.tensordot(each, camera.modes, 1)) ** 2, axis=0)
    return bright(power[::-1] / max(float(power[camera.core].max()), 1e-30))


def mask_picture(camera: Camera, factors: Array) -> NDArray[np.uint8]:
    """Phase of a mask's averages, the carrier taken out, as indices into CYCLE; row 0 on top."""
    mean = on_host((camera.columns @ (camera.rows @ factors).T).T)
    size = np.abs(mean)
    phase = np.where(size < UNDECIDED * size.max(), np.uint8(0), cycle(np.angle(mean)))
    return np.asarray(phase[::-1])


def mode_shots(basis: Basis, core_radius: float) -> list[str]:
    """The fields of a basis as data URLs, each from its largest negative to its largest value."""
    u = axis(MODE_SAMPLES, 2 * VIEW * core_radius / (MODE_SAMPLES - 1))
    return [
        inline(signed(field[::-1] / np.max(np.abs(field))), SIGNED)
        for field in sampled(basis, u, u)
    ]
