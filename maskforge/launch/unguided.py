"""Power on the facet that the fibre does not guide, in discs and in a whole order.

The facet field E is split at right angles into what is guided, G = sum of c_k psi_k, and the rest
E - G, whose power is integrated here over parts of the facet.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, flat, namespace
from maskforge.base.device import Device
from maskforge.launch.basis import sampled
from maskforge.launch.beam_in_pixels import Pair
from maskforge.launch.couplings import Launch, facet_at, gap_field, standing_at
from maskforge.launch.facet import Facet
from maskforge.launch.fourier import axis, times_real
from maskforge.launch.light import Complex, Real
from maskforge.launch.lit_panel import detail_of_all
from maskforge.launch.special import disc_spectrum, erfc
from maskforge.launch.tails import outside
from maskforge.launch.transform import fast_length

FINER = 4
"""Samples of the finest detail in a disc.  The detail of the power is half as long; what remains
is left for the disc's edge, see `disc_weights`."""

NOTHING = 1e-20
"""Share of a mode's power in a window: its light there is not told from rounding."""

CUT = 3.0
"""How steeply the edge's spectrum is cut off: to erfc(CUT) = 2e-5 at either end of its range."""


@dataclass(frozen=True, eq=False)
class Discs:
    """A window of the facet and areas in it, in which what is not guided is integrated.  Arrays may
    be on a device.

    `dark`: the field of what no pixel changes, as that of `facet`, which lacks a factor -i;
    `modes` (m, samples) in 1/m of those `which` have light there, by their place in the basis, and
    `turn`, by which their phase differs from the field's;
    `weights` (n, samples) of the n areas in m^2.
    """

    facet: Facet
    dark: Array | float
    modes: Array
    which: NDArray[np.intp]
    turn: complex
    weights: Array

    def powers(self, factors: Array, found: Complex) -> list[float]:
        """The power in each area, of factors (rows, columns) whose couplings (K,) are `found`."""
        field = flat(self.facet.field(factors) + self.dark)
        guided = times_real(1j * self.turn * found[self.which], self.modes)
        rest, xp = field - guided, namespace(field)
        power = xp.real(rest) ** 2 + xp.imag(rest) ** 2
        power = xp.astype(power, self.weights.dtype, copy=False)
        return [float(power @ self.weights[area, :]) for area in range(self.weights.shape[0])]

    def on(self, device: Device) -> "Discs":
        """The same on a device."""
        return replace(
            self,
            facet=self.facet.on(device),
            dark=self.dark if isinstance(self.dark, float) else device.put(self.dark),
            modes=device.put(self.modes),
            weights=device.put(self.weights),
        )


@dataclass(frozen=True, eq=False)
class OwnOrder:
    """One period of the pixels' spectrum about the fibre, by an FFT of the whole mask.

    `facet` and `dark` as in `Discs`; the window `near` of its samples holds the `modes` (K, rows,
    columns); `weights` (rows, columns) in m^2 of the area.
    """

    facet: Facet
    dark: Complex | float
    near: tuple[slice, slice]
    modes: Real
    weights: Real

    def power(self, factors: NDArray[Any], found: Complex) -> float:
        """As `Discs.powers`."""
        field = self.facet.field(factors) + self.dark
        guided = times_real(1j * found, self.modes.reshape(len(found), -1))
        field[self.near] -= guided.reshape(self.modes.shape[1:])
        return float(np.sum((field.real**2 + field.imag**2) * self.weights))


def detail_of(launch: Launch) -> Pair:
    """The finest detail (x, y) in m of the light of all that is lit of the panel."""
    spills = launch.outside is not None
    return detail_of_all(launch.modulator, spills, launch.scale, launch.lens_offset)


def disc_axis(radius: float, step: float) -> Real:
    """Samples out to where a disc's weights have died away."""
    return axis(2 * int(np.ceil(radius / step + CUT * (FINER + 1))) + 1, step)


def disc_weights(u: Real, v: Real, radius: float, step: float) -> Real:
    """Weights (len(v), len(u)) of samples `step` m apart that integrate over a disc about 0, in
    units of a sample's area.

    Right to 2e-5 for a power whose spectrum along u and v ends at 1 / (FINER step): the disc's own,
    R J_1(2 pi R k) / k, is cut off between there and where the samples repeat it.
    """
    detail = FINER * step
    first, last = np.sqrt(2) / detail, (FINER - 1) / detail
    far = max(float(np.max(np.abs(z))) for z in (u, v)) + radius
    # what lies at negative k is the same
    count = np.arange(int(np.ceil(2 * last * far)) + 1)
    # a third of them are of different lengths
    lengths, which = np.unique(count**2 + (count**2)[:, None], return_inverse=True)
    k, size = count / (2 * far), np.sqrt(lengths) / (2 * far)
    cut = erfc(CUT * (2 * size - first - last) / (last - first)) / 2
    spectrum = (disc_spectrum(radius, size) * cut)[which.reshape(k.size, k.size)]
    both = np.where(k > 0, 2, 1)
    across, up = (both * np.cos(2 * np.pi * np.outer(z, k)) for z in (u, v))
    return np.asarray(up @ spectrum @ across.T / (2 * far) ** 2)


def discs_about(
    launch: Launch, middle: Pair, u: Real, areas: Sequence[Real], kind: type = np.float64
) -> Discs:
    """The window of samples u along both axes about `middle`, in m from the fibre's axis.

    `areas` (len(u), len(u)): weights of the samples, as of `disc_weights`; all in numbers of a
    `kind`.
    """
    at = launch.centre[0] + middle[0], launch.centre[1] + middle[1]
    there = standing_at(launch, at) if any(middle) else launch
    dark = gap_field(there, u, u)
    nearest = float(np.hypot(*middle) - np.hypot(u[-1], u[-1]))
    far = [nearest > 0 and outside(mode, nearest) < NOTHING for mode in launch.basis]
    which = np.flatnonzero(~np.array(far))
    own = [launch.basis[k] for k in which]
    modes = sampled(own, u + middle[0], u + middle[1], kind)
    # a launch's phase is that of a fibre where it stands
    turns = np.dot(launch.lens_offset, middle) / launch.scale
    facet, is_single = facet_at(there, u, u), kind is np.float32
    return Discs(
        facet=facet.single if is_single else facet,
        dark=0.0 if dark is None else dark.astype(np.complex64) if is_single else dark,
        modes=modes.reshape(which.size, u.size**2),
        which=which,
        turn=complex(np.exp(2j * np.pi * turns)),
        weights=np.array([(u[1] - u[0]) ** 2 * area.ravel() for area in areas], kind),
    )


def own_order_of(launch: Launch, taken: Sequence[tuple[Pair, float]]) -> OwnOrder:
    """The fibre's own order without discs of (middle, radius) in m from the fibre's axis.

    It reaches half of the way to the carrier's next orders; without a carrier, and across it, half
    a period of the pixels' spectrum to each side.  At its edges a sample counts by its part within.
    """
    scale, axes = launch.scale, []
    sides = zip(launch.modulator.pitch_seen, launch.beam.nearer, detail_of(launch), strict=True)
    for pitch, nearer, detail in sides:
        # two samples of each detail hold the power of the field as well
        count = fast_length(2 * scale / (pitch * nearer * detail))
        axes.append(axis(count, scale / (count * pitch * nearer)))
    u, v = axes
    dark = gap_field(launch, u, v)
    near = tuple(np.flatnonzero(np.abs(z) <= launch.reach) for z in (v, u))
    over_v, over_u = (slice(some[0], some[-1] + 1) for some in near)
    weights = (u[1] - u[0]) * (v[1] - v[0]) * _in_strip(launch, u, v)
    for (x, y), radius in taken:
        weights *= 1 - _in_disc(u - x, v - y, radius)
    return OwnOrder(
        facet=facet_at(launch, u, v),
        dark=0.0 if dark is None else dark,
        near=(over_v, over_u),
        modes=sampled(launch.basis, u[over_u], v[over_v]),
        weights=weights,
    )


def _in_strip(launch: Launch, u: Real, v: Real) -> Real:
    """Parts (len(v), len(u)) of the samples that are nearer to the fibre than to the carrier's
    next orders."""
    carrier = launch.setup.carrier.frequency
    x, y = (
        launch.scale * f / pitch
        for f, pitch in zip(carrier, launch.modulator.pitch_seen, strict=True)
    )
    apart = np.hypot(x, y)
    if apart == 0.0:
        return np.ones((v.size, u.size))
    along = (x * u + y * v[:, None]) / apart
    width = (abs(x) * (u[1] - u[0]) + abs(y) * (v[1] - v[0])) / apart
    return np.asarray(np.clip(0.5 + (apart / 2 - np.abs(along)) / width, 0, 1))


def _in_disc(u: Real, v: Real, radius: float) -> Real:
    """Parts of the samples that are in a disc about 0."""
    step = np.hypot(u[1] - u[0], v[1] - v[0]) / np.sqrt(2)
    return np.asarray(np.clip(0.5 + (radius - np.hypot(u, v[:, None])) / step, 0, 1))
