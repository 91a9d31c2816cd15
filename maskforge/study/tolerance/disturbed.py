"""A bench with errors: what its launch, its fibre and its pixels are then.

Everything follows from what `couplings.prepare` takes.  The fibre stays where it was aligned, where
the carrier's order is on the bench without errors.
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge import bench as benches
from maskforge.base.arrays import (
    Array,
    as_complex,
    beside,
    blurred,
    constant,
    namespace,
    picked,
)
from maskforge.base.device import CPU, Device
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.bench.build import phases
from maskforge.bench.elsewhere import lit_at
from maskforge.bench.ready import guided_basis
from maskforge.fiber import Fiber
from maskforge.fiber.modes import solve
from maskforge.launch.basis import Basis, basis_of
from maskforge.launch.fourier import axis
from maskforge.launch.light import Real, zernike
from maskforge.launch.modulator import Alphabet, Modulator
from maskforge.launch.setup import Setup
from maskforge.study.tolerance.causes import Errors

RESIDUE = range(4, 16)
"""Noll indices of the random wavefront: focus to the fourth order, without tilts."""


@dataclass(frozen=True, eq=False, kw_only=True)
class Nominal(Setup):
    """A bench without errors, SI units, and the seed of the random patterns.

    `phases` (n,): phase in rad of each state, not wrapped.
    """

    bench: Bench
    seed: int
    phases: Real

    @cached_property
    def grey_pattern(self) -> Real:
        """Phase errors of the states (n,), of unit rms on the average."""
        return self._random(1).normal(size=self.phases.size)

    @cached_property
    def dying(self) -> NDArray[np.intp]:
        """All pixels (flat index) in the order in which they die."""
        rows, columns = self.modulator.shape
        return self._random(2).permutation(rows * columns)

    @cached_property
    def residue(self) -> Real:
        """A random low-order wavefront (rows, columns): rms 1 over the mask, mean 0.

        Its Zernike polynomials' disc goes through the mask's corners.
        """
        rows, columns = self.modulator.shape
        x, y = axis(columns, 1.0), axis(rows, 1.0)[:, None]
        rho = np.hypot(x, y) / np.hypot(x[-1], y[-1])
        theta = np.arctan2(y, x)
        weights = self._random(3).normal(size=len(RESIDUE))
        wave = np.zeros((rows, columns))
        for index, weight in zip(RESIDUE, weights, strict=True):
            wave += weight * zernike(index, rho, theta)
        wave -= wave.mean()
        return np.asarray(wave / np.sqrt(np.mean(wave**2)))

    def _random(self, stream: int) -> np.random.Generator:
        return np.random.default_rng([self.seed, stream])


def nominal(bench: Bench, seed: int = 0, device: Device = CPU) -> Nominal:
    """The bench in SI units, its pixels on a device; BenchError where it cannot be built."""
    setup = replace(benches.setup(bench, guided_basis(bench)), device=device)
    return Nominal(**vars(setup), bench=bench, seed=seed, phases=phases(bench))


# --- the fibre -------------------------------------------------------------------------------


def disturbed_fiber(bench: Bench, errors: Errors) -> Fiber:
    """The fibre at the disturbed wavelength, with its glass's dispersion.

    Core radius, NA (the cladding's index kept) and alpha are off by what `errors` says; all radii
    of the profile scale with that of the core.
    """
    there = lit_at(bench, bench.light.wavelength_nm + errors.wavelength * 1e9)
    core, cladding, _, _ = benches.indices(there)
    part, wider, lift = there.fiber, 1 + errors.core_radius, 1 + errors.na
    changes: dict[str, object] = {}
    if part.table is not None:
        radius, index = part.table.data.T
        index = np.sqrt(cladding**2 + (index**2 - cladding**2) * lift**2)
        changes |= {"table": replace(part.table, data=np.c_[radius * wider, index])}
        changes |= {"cladding_index": cladding, "core_index": None}
    else:
        changes |= dict.fromkeys(("na", "delta_percent", "na_wavelength_nm"))
        changes |= {"core_index": float(np.hypot(cladding, np.sqrt(core**2 - cladding**2) * lift))}
    for key in ("core_radius_um", "trench_inner_um", "trench_outer_um"):
        value = getattr(part, key)
        changes |= {key: None if value is None else value * wider}
    changes |= {"alpha": None if part.alpha is None else part.alpha + errors.alpha}
    fiber = part.model_copy(update=changes)
    return benches.fiber(there.model_copy(update={"fiber": fiber}))


@lru_cache(maxsize=64)
def _guided(start: Nominal, fiber_errors: Errors) -> tuple[Fiber, Basis]:
    fiber = disturbed_fiber(start.bench, fiber_errors)
    try:
        modes = solve(fiber)
    except BenchError:  # no mode is guided
        return fiber, ()
    limit = start.bench.fiber.groups
    return fiber, basis_of([mode for mode in modes if limit is None or mode.group <= limit])


def guided(start: Nominal, errors: Errors) -> tuple[Fiber, Basis]:
    """The fibre and its modes, of the first `groups` where the bench limits them, as everywhere:
    some may be lost, some new."""
    own = Errors(
        wavelength=errors.wavelength,
        core_radius=errors.core_radius,
        na=errors.na,
        alpha=errors.alpha,
    )
    return (start.fiber, start.basis) if own == Errors() else _guided(start, own)


@lru_cache(maxsize=64)
def carried_over(start: Nominal, basis: Basis) -> Real:
    """Which mode of the bench (K, K') is which of a disturbed basis: 1 at the same label and part.

    A target's vector times it is the target there; what is no longer guided drops out.
    """
    own, there = (
        np.array([f"{mode.label} {mode.part}" for mode in modes]) for modes in (start.basis, basis)
    )
    return np.asarray((own[:, None] == there).astype(float))


# --- light, lens and pixels ------------------------------------------------------------------


def setup_of(start: Nominal, errors: Errors) -> Setup:
    """Light, lens, pixels and fibre with errors.

    The fibre's tilt is in `lens_offset`, as light that meets the facet aslant; `fiber_at` is its
    place as it looks from the focal plane.
    A facet z behind the focal plane sees what the mask sends through the phase
    -pi z |X|^2 / (lambda f^2), X from the lens's axis: the paraxial transfer function of free
    space (Goodman, Introduction to Fourier Optics, sec. 4.2), since light from X travels at -X/f.
    Around the beam's centre o that is a curvature of -z/f^2 and a tilt, which is the place where
    the beam's chief ray has moved to.
    """
    there = _lit(start, errors.wavelength)
    light, f = benches.light(there), start.focal_length * (1 + errors.focal_length)
    centre = light.offset[0] + errors.beam_offset_x, light.offset[1] + errors.beam_offset_y
    wider, rounder = 1 + errors.waist, float(np.sqrt(1 + errors.ellipticity))
    fiber, basis = guided(start, errors)
    middle = start.lens_offset
    return Setup(
        light=replace(
            light,
            waist=(light.waist[0] * wider * rounder, light.waist[1] * wider / rounder),
            offset=centre,
            curvature=light.curvature - errors.defocus / f**2,
            image_pitch=None if light.image_pitch is None else light.image_pitch * wider,
        ),
        modulator=_modulator(start, errors, there),
        carrier=start.carrier,
        focal_length=f,
        fiber=fiber,
        basis=basis,
        lens_offset=(middle[0] + f * errors.fiber_tilt_x, middle[1] + f * errors.fiber_tilt_y),
        fiber_at=(
            start.place[0] + errors.fiber_offset_x + errors.defocus * (centre[0] + middle[0]) / f,
            start.place[1] + errors.fiber_offset_y + errors.defocus * (centre[1] + middle[1]) / f,
        ),
        device=start.device,
        passage=start.passage,
    )


@lru_cache(maxsize=8)
def _lit(start: Nominal, wavelength_error: float) -> Bench:
    bench = start.bench
    return lit_at(bench, bench.light.wavelength_nm + wavelength_error * 1e9)


def _modulator(start: Nominal, errors: Errors, there: Bench) -> Modulator:
    panel = start.modulator
    flatness = panel.flatness
    if flatness is not None and errors.wavelength:
        flatness = benches.modulator(there).flatness
    if errors.flatness:
        residue = errors.flatness * start.residue
        flatness = residue if flatness is None else flatness + residue
    return replace(
        panel,
        alphabet=disturbed_alphabet(start, errors),
        crosstalk=float(np.hypot(panel.crosstalk, errors.crosstalk)),
        flatness=flatness,
    )


def state_phases(start: Nominal, errors: Errors) -> Real:
    """Phase (n,) in rad of each state, continuous in the errors.

    From state 0 on it goes with the depth and with 1/wavelength, to which the grey table's error
    adds.  Without errors it lies from 0 to 2 pi, as `modulator.emitted` blurs it.
    """
    slower = start.light.wavelength / (start.light.wavelength + errors.wavelength)
    more = (1 + errors.phase_depth) * slower - 1
    own = np.mod(np.angle(start.modulator.alphabet.values), 2 * np.pi)
    own = own + more * (start.phases - start.phases[0]) + errors.grey_table * start.grey_pattern
    return np.asarray(own)


def disturbed_alphabet(start: Nominal, errors: Errors) -> Alphabet:
    """The states' values with errors of depth, grey table and wavelength."""
    alphabet = start.modulator.alphabet
    if not (errors.phase_depth or errors.grey_table or errors.wavelength):
        return alphabet
    values = np.abs(alphabet.values) * np.exp(1j * state_phases(start, errors))
    return replace(alphabet, values=values, drawn_by=alphabet.drawn_by or alphabet)


def living(start: Nominal, errors: Errors, states: Array) -> Array:
    """States (..., rows, columns) with the dead pixels in state 0."""
    count = round(errors.dead_pixels * math.prod(states.shape[-2:]))
    if not count:
        return states
    dead = np.zeros(states.shape[-2:], dtype=bool)
    dead.flat[start.dying[:count]] = True
    xp = namespace(states)
    return xp.where(beside(dead, states), xp.zeros_like(states), states)


def disturbed_factors(
    start: Nominal,
    errors: Errors,
    states: Array,
    real: type[np.floating] = np.float64,
) -> Array:
    """What the pixels do to the light, as `modulator.emitted`; real where all of them are.

    `states` (..., rows, columns); `real`: the precision.
    """
    alphabet = disturbed_alphabet(start, errors)
    shown = living(start, errors, states)
    blur = float(np.hypot(start.modulator.crosstalk, errors.crosstalk))
    if blur == 0.0:
        values = alphabet.values.real if alphabet.is_real else alphabet.values
        kind = real if alphabet.is_real else np.result_type(real, np.complex64)
        return picked(constant(values.astype(kind), shown), shown)
    phases, amplitudes = state_phases(start, errors), np.abs(alphabet.values)
    phase = blurred(picked(constant(phases.astype(real), shown), shown), blur)
    xp = namespace(phase)
    out = as_complex(xp.cos(phase)) + 1j * as_complex(xp.sin(phase))
    if np.all(amplitudes == 1):
        return out
    return out * picked(constant(amplitudes.astype(real), shown), shown)
