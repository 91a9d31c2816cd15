"""The launch: couplings of a mask into the guided modes, purity and efficiency.

The one place for all of it.  With a the light on the pixels and s what the pixels do to it, the
coupling of mode k is linear, c_k = c0_k + sum over pixels of w_k a s; c0 is the light of the gaps.
Behind a device (see `passage`) the couplings that count are those to its outputs, d = M c.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, beside, flat, is_real, namespace
from maskforge.base.device import Device
from maskforge.launch.apertures import launched_by_all, returned_to_all
from maskforge.launch.basis import Basis, Counted
from maskforge.launch.beam_in_pixels import Beam
from maskforge.launch.facet import Facet, facet_of, slant_of
from maskforge.launch.fourier import real_times, times_real
from maskforge.launch.light import Complex, Real, pixel_envelope
from maskforge.launch.lit_panel import (
    Lit,
    active_width,
    dark_field,
    detail_of_all,
    finest_detail,
    mask_axes,
    on_panel,
)
from maskforge.launch.modulator import Alphabet, Modulator, emitted, values_of
from maskforge.launch.prediction import Prediction, judged
from maskforge.launch.setup import Setup, check_window
from maskforge.launch.tails import Tails, held, left_out
from maskforge.launch.targets import Target, transferred

REACH = 1.5
"""Core radii within which what is left out of the beam inside the pixels is kept small; it grows
with the distance from the fibre's axis, and the modes' light lies mostly within one."""

Window = tuple[slice | NDArray[np.intp], Facet, Array]


@dataclass(frozen=True, eq=False)
class Launch:
    """A bench ready to predict: modulator, light, lens and fibre as arrays.

    `setup`: what it is made from.  `beam`: the light on the mask's pixels, flatness and carrier
    tilt in it; `outside`: that on the panel's pixels (rows, columns), y up, 0 on the mask; None:
    next to none.  `x`, `y`: the pixels' centres, `u`, `v`: facet samples in m from the fibre's
    axis, all symmetric about 0.  `kernel` (K, len(v) len(u)): modes times the sample's area, so
    that couplings into modes are `kernel` times the facet field; and `tails`, where some reach far
    beyond them, times the field there.  `gaps` (J,): couplings that count
    of the light that no pixel of the mask changes: from the gaps, and from around it; `dark` (K,):
    the same into the guided modes, None where these are what counts.

    `halves`: the launches of two apertures, each into one polarisation, whose rows of pixels come
    one behind the other; `x` to `kernel` are then those of each of them.
    """

    setup: Setup
    beam: Beam
    outside: Beam | None
    x: Real
    y: Real
    u: Real
    v: Real
    kernel: Real
    gaps: Complex
    dark: Complex | None = None
    tails: Tails | None = None
    halves: "tuple[Launch, ...]" = ()

    @property
    def amplitudes(self) -> Complex:
        """Of the light of each guided mode's aperture (K,): 1 where there is one aperture."""
        shares = [one.amplitude for one in self.setup.halves] or [1.0]
        return np.repeat(np.array(shares, complex), len(self.basis) // len(shares))

    @property
    def apertures(self) -> "tuple[Launch, ...]":
        """The launch of each aperture: the halves, or the launch itself."""
        return self.halves or (self,)

    @property
    def basis(self) -> Basis:
        return self.setup.basis

    @property
    def ends(self) -> Sequence[Counted]:
        """What couplings count for: the guided modes (K,), or a device's outputs (J,)."""
        passage = self.setup.passage
        return self.basis if passage is None else passage.outputs

    @property
    def modulator(self) -> Modulator:
        return self.setup.modulator

    @property
    def core_radius(self) -> float:
        """In m."""
        return self.setup.fiber.profile.core_radius

    @property
    def scale(self) -> float:
        """lambda f in m^2."""
        return self.setup.scale

    @property
    def centre(self) -> tuple[float, float]:
        """Where on the facet the fibre's axis lies, in m from the zero order."""
        return self.setup.place

    @property
    def lens_offset(self) -> tuple[float, float]:
        """Middle of the mask, (x, y) in m from the lens's axis: its light meets the facet
        aslant."""
        return self.setup.lens_offset

    @property
    def incident(self) -> Complex:
        """Amplitude (rows, columns) on each pixel as it is seen from the fibre; see `Beam.light`.
        The sum of its square is the share of the beam that the pixels catch."""
        return self.beam.light

    @cached_property
    def is_real(self) -> bool:
        """Light and states are real on all pixels, which halves the work."""
        if self.halves:
            return all(one.is_real for one in self.halves)
        return (
            self.modulator.alphabet.is_real
            and self.lens_offset == (0.0, 0.0)
            and all(is_real(layer.light) for layer in self.facet.layers)
        )

    @cached_property
    def facet(self) -> Facet:
        """From the pixels to the facet samples, on the launch's device."""
        return facet_at(self, self.u, self.v).on(self.setup.device)

    @cached_property
    def windows(self) -> tuple[Window, ...]:
        """Modes by their place, the way to samples of the facet, and their kernel there, whose sums
        make a coupling: of the close samples, and of the tails; on the launch's device."""
        device, tails = self.setup.device, self.tails
        close = slice(None), self.facet, device.put(self.kernel)
        if tails is None:
            return (close,)
        far = facet_at(self, tails.u, tails.u).on(device)
        return close, (tails.modes, far, device.put(tails.kernel))

    @property
    def reach(self) -> float:
        """How far along each axis the modes are held, in m from the fibre's axis."""
        return float((self.u if self.tails is None else self.tails.u)[-1])


def prepare(setup: Setup) -> Launch:
    """Everything that the couplings of masks on this bench need, computed once.

    Raises BenchError where the pixels are too coarse for this lens and core.
    """
    if setup.halves:
        return _side_by_side(setup, [prepare(one) for one in setup.alone])
    check_window(setup)
    modulator, basis = setup.modulator, setup.basis
    beam, outside = on_panel(lit_of(setup))
    detail = finest_detail(setup.scale, modulator, setup.lens_offset)
    finest = min(detail_of_all(modulator, outside is not None, setup.scale, setup.lens_offset))
    u, kernel, tails = held(basis, setup.fiber.profile, detail, finest)
    x, y = mask_axes(modulator)
    return _with_gaps(
        Launch(
            setup=setup,
            beam=beam,
            outside=outside,
            x=x,
            y=y,
            u=u,
            v=u,
            kernel=kernel,
            gaps=np.zeros(0, complex),
            tails=tails,
        )
    )


def _side_by_side(setup: Setup, halves: Sequence[Launch]) -> Launch:
    """The launch of two apertures from those of each by itself."""
    amplitudes = [one.amplitude for one in setup.halves]
    each = list(zip(amplitudes, halves, strict=True))
    dark = np.concatenate([amplitude * one.gaps for amplitude, one in each])
    light = np.concatenate([amplitude * one.incident for amplitude, one in each])
    first, passage = halves[0], setup.passage
    return replace(
        first,
        setup=setup,
        beam=replace(first.beam, light=light, terms=()),
        outside=None,
        gaps=dark if passage is None else passage.through(dark),
        dark=None if passage is None else dark,
        halves=tuple(halves),
    )


def lit_of(setup: Setup) -> Lit:
    """The beam on the panel, as it is seen from the fibre."""
    (x, y), scale = setup.place, setup.scale
    reach = REACH * setup.fiber.profile.core_radius / scale
    return Lit(setup.light, setup.modulator, (x / scale, y / scale), reach)


def standing_at(launch: Launch, centre: tuple[float, float]) -> Launch:
    """The launch with its fibre's axis somewhere else on the facet, in m from the zero order."""
    there = replace(launch.setup, fiber_at=centre)
    if launch.halves:
        return _side_by_side(there, [standing_at(one, centre) for one in launch.halves])
    beam, outside = on_panel(lit_of(there))
    return _with_gaps(replace(launch, setup=there, beam=beam, outside=outside))


def modes_cut(launch: Launch) -> str | None:
    """Which modes reach farther than they are held, see `tails.left_out`; None: none."""
    return left_out(launch.basis, launch.setup.fiber.cladding_index, launch.reach)


def on_device(launch: Launch, device: Device) -> Launch:
    """The launch with its pixels' arrays on a device."""
    halves = tuple(on_device(one, device) for one in launch.halves)
    return replace(launch, setup=replace(launch.setup, device=device), halves=halves)


def with_alphabet(launch: Launch, alphabet: Alphabet) -> Launch:
    """The launch with other states of its pixels; nothing else in it depends on them, but for
    light around the mask."""
    halves = tuple(with_alphabet(one, alphabet) for one in launch.halves)
    return replace(launch, setup=launch.setup.with_panel(alphabet=alphabet), halves=halves)


def _with_gaps(launch: Launch) -> Launch:
    """The launch with `gaps` as its other arrays make them."""
    field, passage = gap_field(launch, launch.u, launch.v), launch.setup.passage
    tails = launch.tails
    found = np.zeros(len(launch.basis), complex)
    if field is not None:
        found = -1j * (launch.kernel @ field.ravel())
        if tails is not None:
            there = gap_field(launch, tails.u, tails.u)
            assert there is not None
            found[tails.modes] -= 1j * real_times(tails.kernel, there.ravel())
    if passage is None:
        return replace(launch, gaps=found)
    return replace(launch, gaps=passage.through(found), dark=found)


def pixel_field(
    modulator: Modulator, centre: tuple[float, float], scale: float, u: Real, v: Real
) -> Real:
    """Facet field (len(v), len(u)) in 1/m of one pixel of unit power, but for its place's phase."""
    pitch, width = modulator.pitch_seen, active_width(modulator)
    envelope = pixel_envelope(width[1], v + centre[1], scale)[:, None] * pixel_envelope(
        width[0], u + centre[0], scale
    )
    return np.asarray(modulator.fill_factor * np.sqrt(pitch[0] * pitch[1]) / scale * envelope)


def facet_at(launch: Launch, u: Real, v: Real) -> Facet:
    """From the pixels to other samples of the facet, in m from the fibre's axis."""
    area = float(np.prod(launch.modulator.pitch_seen))
    return facet_of(launch.beam, (launch.x, launch.y), area, launch.scale, u, v, launch.lens_offset)


def single_values(launch: Launch) -> NDArray[np.complex64] | NDArray[np.float32]:
    """The alphabet's values in single precision, real where these and the light are."""
    values = launch.modulator.alphabet.values
    return values.real.astype(np.float32) if launch.is_real else values.astype(np.complex64)


def gap_field(launch: Launch, u: Real, v: Real) -> Complex | None:
    """Facet field (len(v), len(u)) in 1/m of what the mask's pixels cannot change, but for -i, as
    of `facet_at`; None where there is no such light."""
    lit, scale = lit_of(launch.setup), launch.scale
    dark = dark_field(lit, launch.beam, launch.outside, scale, u, v)
    if dark is None or not any(launch.lens_offset):
        return dark
    return dark * slant_of(launch.lens_offset, scale, u, v)


def launched(launch: Launch, factors: Array) -> Complex:
    """c (K,), into the guided modes, of a mask given as the complex factors (rows, columns) of its
    pixels."""
    if launch.halves:
        return launched_by_all(launch.halves, launch.amplitudes, factors, launched)
    xp = namespace(factors)
    real = launch.is_real and (is_real(factors) or not bool(xp.any(xp.imag(factors) != 0)))
    there = launch.setup.device.put(xp.real(factors) if real else factors)
    found = np.array(launch.gaps if launch.dark is None else launch.dark)
    for modes, facet, kernel in launch.windows:
        found[modes] -= 1j * real_times(kernel, flat(facet.field(there)))
    return found


def factors_of(launch: Launch, states: Array) -> Array:
    """What the pixels of states (rows, columns) do to the light, real where that is all."""
    modulator = launch.modulator
    if not launch.is_real or modulator.crosstalk != 0.0:
        return emitted(modulator, states)
    return values_of(beside(modulator.alphabet.values.real, states), states)


def couplings(launch: Launch, factors: Array) -> Complex:
    """The couplings that count of the same: c (K,), or behind a device d (J,)."""
    return passed_on(launch, launched(launch, factors))


def passed_on(launch: Launch, found: Complex) -> Complex:
    """The couplings that count of those into the guided modes (..., K)."""
    passage = launch.setup.passage
    return found if passage is None else passage.through(found)


def facet_field(launch: Launch, factors: NDArray[np.complexfloating], u: Real, v: Real) -> Complex:
    """Facet field (len(v), len(u)) in 1/m of a mask's factors (rows, columns) at other samples.

    `u`, `v` in m from the fibre's axis, symmetric about 0; the integral of its square over the
    plane is at most 1.  Far outside the core it is right to about the square of pixel over waist.
    """
    field, dark = facet_at(launch, u, v).field(factors), gap_field(launch, u, v)
    return np.asarray(-1j * (field if dark is None else field + dark))


def back_propagated(launch: Launch, vector: Complex, *, real: bool = False) -> Array:
    """v (rows, columns) with <vector, c - c0> = sum over pixels of conj(v) s, s the factors; on the
    launch's device.

    `real`: its real part alone, on a launch whose light is real.
    """
    passage = launch.setup.passage
    vector = vector if passage is None else passage.back(vector)
    if launch.halves:
        returned = partial(back_propagated, real=real)
        return returned_to_all(launch.halves, launch.amplitudes, vector, returned)
    parts = (_back(facet, vector[modes], kernel, real) for modes, facet, kernel in launch.windows)
    first = next(parts)
    return sum(parts, start=first)


def _back(facet: Facet, vector: Complex, kernel: Array, real: bool) -> Array:
    there = times_real(vector, kernel)
    field = 1j * namespace(there).reshape(there, (facet.v.size, facet.u.size))
    return facet.back(field, real=real)


def predict(launch: Launch, target: Target, factors: NDArray[np.complexfloating]) -> Prediction:
    """Couplings, purity, group purity and efficiency of a mask for a target."""
    return predicted(launch, target, launched(launch, factors))


def predicted(launch: Launch, target: Target, found: Complex) -> Prediction:
    """The same of a mask's couplings (K,) into the guided modes."""
    seen = judged(launch.ends, target, passed_on(launch, found))
    if launch.setup.passage is None:
        return seen
    return replace(seen, couplings=found, outputs=seen.couplings)


def launch_target(launch: Launch, target: Target) -> Target:
    """The target as a launch into the guided modes: behind a device the one that gives it."""
    passage = launch.setup.passage
    if passage is None:
        return target
    return replace(target, vector=passage.launch_for(target.vector))


def wanted_in(target: Target, launch: Launch, other: Launch) -> Complex:
    """The target's vector in another launch: the same modes, which it must guide, or outputs."""
    if launch.setup.passage is not None:
        return target.vector
    return transferred(target.vector, launch.basis, other.basis)


def moved(launch: Launch, dx: float, dy: float) -> Launch:
    """The launch with its fibre moved by (dx, dy) m on the facet: one beside another carrier."""
    return standing_at(launch, (launch.centre[0] + dx, launch.centre[1] + dy))


@dataclass(frozen=True, eq=False)
class Scenario:
    """The same pixels in another light or before a moved fibre; its basis holds the bench's."""

    name: str
    launch: Launch
