"""The modes on samples of the facet, each no further out than it reaches.

The field of a mode just above its cut-off reaches several core radii, that of the others hardly
one: of some hundreds of modes a few decide how wide the samples lie.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, flat, namespace
from maskforge.base.device import Device
from maskforge.fiber.modes import RadialMode
from maskforge.launch.basis import Mode, sampled
from maskforge.launch.fourier import axis, real_times, times_real
from maskforge.launch.light import Complex, Real

WORTH = 0.5
"""Share of the samples that must be left for the modes to be held in two parts."""

MOST_SAMPLES, LONGEST_SIDE = 2**25, 1536
"""Field values of all modes together, a quarter of a GiB, and samples along an axis; further out a
mode that is very near its cut-off is cut."""

Inner = tuple[slice, slice]


@dataclass(frozen=True, eq=False)
class Part:
    """Modes (k,), by their place, with `values` (k, n n) on the inner n x n samples, which may be
    on a device."""

    modes: NDArray[np.intp]
    inner: Inner
    values: Array


@dataclass(frozen=True, eq=False)
class ModeSamples:
    """Real fields of K modes on the samples (`side`, `side`), 0 where a part has none."""

    side: int
    parts: tuple[Part, ...]

    @property
    def count(self) -> int:
        return sum(part.modes.size for part in self.parts)

    def weighted(self, area: float, envelope: NDArray[np.floating]) -> "ModeSamples":
        """The fields times an area and an envelope (side, side), in single precision."""

        def of(part: Part) -> Part:
            inner = envelope[part.inner].ravel()
            out = np.empty(part.values.shape, np.float32)
            for row, values in zip(out, part.values, strict=True):
                row[:] = area * values * inner
            return replace(part, values=out)

        return replace(self, parts=tuple(map(of, self.parts)))

    def on(self, device: Device) -> "ModeSamples":
        """The same with the fields on a device."""
        parts = (replace(part, values=device.put(part.values)) for part in self.parts)
        return replace(self, parts=tuple(parts))

    def overlaps(self, field: Array) -> Complex:
        """Sums (K,), on the host, of the fields times a complex one (side, side)."""
        out = np.empty(self.count, dtype=complex)
        for part in self.parts:
            out[part.modes] = real_times(part.values, flat(field[part.inner]))
        return out

    def mixed(self, vector: Complex) -> Array:
        """Sum (side, side) of the fields times the numbers of a vector (K,) of the host."""
        out = None
        for part in self.parts:
            size = part.inner[0].stop - part.inner[0].start
            found = times_real(vector[part.modes], part.values)
            xp = namespace(found)
            if out is None:
                out = xp.zeros((self.side, self.side), dtype=found.dtype)
            out[part.inner] += xp.reshape(found, (size, size))
        return out

    def each(self) -> Iterator[tuple[Inner, Array]]:
        """Of the modes in their order the samples that they are held on, and the field there."""
        place = {k: (part, row) for part in self.parts for row, k in enumerate(part.modes)}
        for k in range(self.count):
            part, row = place[k]
            side = part.inner[0].stop - part.inner[0].start
            values = part.values[row, :]
            yield part.inner, namespace(values).reshape(values, (side, side))


@lru_cache(maxsize=2048)
def reach_of(radial: RadialMode, tail: float) -> float:
    """Radius in m outside of which a mode has `tail` of its power."""
    return radial.field.radius_enclosing(tail)


def farthest_reach(modes: Sequence[Mode], tail: float) -> float:
    """The largest of them, in m."""
    farthest = 0.0
    # those of high groups reach far, and one look tells that another one does not
    for radial in dict.fromkeys(mode.radial for mode in reversed(modes)):
        if farthest == 0.0 or radial.field.power_outside(farthest) > tail:
            farthest = reach_of(radial, tail)
    return farthest


def axis_within(reach: float, step: float, count: int) -> Real:
    """Facet samples `step` m apart, symmetric about 0, out to `reach` in m; fewer where they would
    be more than MOST_SAMPLES for `count` modes together, or than LONGEST_SIDE."""
    longest = min(float(np.sqrt(MOST_SAMPLES / count)), LONGEST_SIDE)
    half = min(reach, step * (longest / 2 - 2))
    return axis(2 * int(np.ceil(half / step)) + 1, step)


def facet_axis(modes: Sequence[Mode], step: float, tail: float) -> Real:
    """Facet samples `step` m apart, outside of which no mode has more than `tail` of its power, as
    far as `axis_within` allows."""
    return axis_within(farthest_reach(modes, tail), step, len(modes))


def mode_samples(modes: Sequence[Mode], u: Real, tail: float) -> ModeSamples:
    """The modes at u, u (m), evenly spaced about 0.

    In two parts where that is worth it, the first as far out as its modes have `tail` beyond.
    """
    step = (u[-1] - u[0]) / (u.size - 1)
    reach = np.array([reach_of(mode.radial, tail) for mode in modes])
    spared = (u.size - np.minimum(2 * np.ceil(reach / step) + 1, u.size)).astype(int) // 2
    # in the order of their reach, the first `near` modes are held on the samples of the last one
    order = np.argsort(-spared, kind="stable")
    sizes = (u.size - 2 * spared[order]) ** 2
    near = np.arange(1, len(modes) + 1)
    held = near * sizes + (len(modes) - near) * u.size**2
    best = int(np.argmin(held))
    whole = np.arange(len(modes))
    if held[best] > WORTH * len(modes) * u.size**2:
        return ModeSamples(u.size, (_part(modes, whole, u, 0),))
    first, rest = np.sort(order[: best + 1]), np.sort(order[best + 1 :])
    parts = [_part(modes, first, u, int(spared[order[best]]))]
    if rest.size:
        parts.append(_part(modes, rest, u, 0))
    return ModeSamples(u.size, tuple(parts))


def _part(modes: Sequence[Mode], some: NDArray[np.intp], u: Real, spared: int) -> Part:
    """Modes on the samples but `spared` ones at each end."""
    inner = slice(spared, u.size - spared)
    values = sampled([modes[k] for k in some], u[inner], u[inner])
    return Part(some, (inner, inner), values.reshape(some.size, -1))
