"""From a bench to the numerics' types in SI units, and what several sections decide together."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np

from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError
from maskforge.base.wording import one_line
from maskforge.bench.device_matrix import matched, outputs_of
from maskforge.bench.device_section import DeviceSection
from maskforge.bench.sections import Bench, FiberSection, ModulatorSection
from maskforge.bench.values import fail
from maskforge.fiber import glass, profile
from maskforge.launch import basis as fields
from maskforge.launch import light as optics
from maskforge.launch import modulator as pixels
from maskforge.launch.output_targets import output_targets
from maskforge.launch.passage import Passage
from maskforge.launch.setup import Half, Setup
from maskforge.launch.targets import (
    Target,
    all_lg_targets,
    all_targets,
    gaussian_waist,
    superposition,
)

# --- building --------------------------------------------------------------------------------


AGREEMENT = 1e-6
"""Refractive index: how far two ways to give the same index may differ."""


@contextmanager
def named(bench: Bench, section: str, key: str = "") -> Iterator[None]:
    """Puts the bench, the section and the key before what the numerics complain of."""
    try:
        yield
    except BenchError as error:
        if key:
            fail(bench.source, section, key, getattr(getattr(bench, section), key), str(error))
        raise BenchError(one_line(f"{bench.source}: [{section}] {error}")) from None


def light(bench: Bench) -> optics.Light:
    """The beam on the modulator, SI units."""
    part = bench.light
    waist = part.waist_mm if part.waist_mm is not None else 1.0
    x, y = part.waist_x_mm, part.waist_y_mm
    waists = (x, y) if x is not None and y is not None else (waist, waist)
    with named(bench, "light"):
        return optics.Light(
            wavelength=part.wavelength_nm * 1e-9,
            waist=(waists[0] * 1e-3, waists[1] * 1e-3),
            angle=float(np.deg2rad(part.angle_deg or 0.0)),
            offset=(part.offset_mm[0] * 1e-3, part.offset_mm[1] * 1e-3),
            curvature=part.curvature_per_m,
            zernike=part.zernike,
            zernike_radius=zernike_radius_mm(bench) * 1e-3 if part.zernike else None,
            image=None if part.image is None else part.image.data,
            image_pitch=None if part.image_pixel_um is None else part.image_pixel_um * 1e-6,
            power=None if part.power_mw is None else part.power_mw * 1e-3,
        )


def zernike_radius_mm(bench: Bench) -> float:
    """Radius of the Zernike disc in mm: half the shorter side of the mask unless given."""
    if bench.light.zernike_radius_mm is not None:
        return bench.light.zernike_radius_mm
    return min(bench.modulator.pixels) * bench.modulator.pitch_um * 1e-3 / 2


def modulator(bench: Bench) -> pixels.Modulator:
    """The panel and its pixels, SI units; raises BenchError where the mask leaves the panel."""
    part = bench.modulator
    with named(bench, "modulator"):
        found = pixels.Modulator(
            shape=(part.pixels[1], part.pixels[0]),
            pitch=part.pitch_um * 1e-6,
            alphabet=_alphabet(bench),
            panel_shape=(part.panel[1], part.panel[0]),
            at=part.at,
            fill_factor=part.fill_factor,
            gap_reflectance=part.gap_reflectance,
            incidence=float(np.deg2rad(part.incidence_deg)),
            crosstalk=part.crosstalk_px,
            background=_background(part),
        )
        if part.flatness is None:
            return found
        return _flattened(found, part.flatness.data)


def _background(part: ModulatorSection) -> pixels.Background:
    tilt = None
    if part.background_period_px is not None:
        angle = float(np.deg2rad(part.background_angle_deg or 0.0))
        tilt = pixels.Carrier(part.background_period_px, angle)
    return pixels.Background(
        part.background, part.background_grey, part.background_cell_px or 1, tilt
    )


def _flattened(found: pixels.Modulator, waves: optics.Real) -> pixels.Modulator:
    """The modulator with its map of waves (y up); a map of the panel is cut to the mask."""
    if waves.shape != found.shape:
        top, left = found.corner
        bottom = found.panel[0] - top - found.shape[0]
        waves = waves[bottom : bottom + found.shape[0], left : left + found.shape[1]]
    return replace(found, flatness=waves)


def phase_wavelength_nm(bench: Bench) -> float:
    """Wavelength in nm at which the panel's phases were measured: the light's unless given."""
    return bench.modulator.phase_wavelength_nm or bench.light.wavelength_nm


def phases(bench: Bench) -> optics.Real:
    """Phases (n,) in rad of the panel's states at the light's wavelength, not wrapped."""
    part = bench.modulator
    if part.table is not None:
        return _in_the_light(bench, part.table.data[:, 1])
    if part.alphabet == "binary":
        return _in_the_light(bench, np.array([0.0, part.phase_step_deg or 0.0]))
    count = part.levels or pixels.CONTINUOUS_LEVELS
    depth = 360.0 if part.depth_deg is None else part.depth_deg
    return _in_the_light(bench, depth) * np.arange(count) / count


def _in_the_light(bench: Bench, degrees: float | optics.Real) -> optics.Real:
    """Phases of the panel as they are given, in rad for the light: paths go with 1/wavelength."""
    ratio = phase_wavelength_nm(bench) / bench.light.wavelength_nm
    return np.asarray(np.deg2rad(degrees * ratio))


def _alphabet(bench: Bench) -> pixels.Alphabet:
    part = bench.modulator
    if part.alphabet == "binary":
        return pixels.binary(float(phases(bench)[1]), part.greys or pixels.BINARY_GREYS)
    if part.alphabet == "levels":
        return pixels.levels(part.levels or 0, float(_in_the_light(bench, part.depth_deg or 0.0)))
    if part.alphabet == "continuous":
        return pixels.continuous()
    assert part.table is not None
    columns = part.table.data.T
    greys = [int(grey) for grey in columns[0]]
    return pixels.table(greys, phases(bench).tolist(), columns[2] if len(columns) == 3 else None)


def carrier(bench: Bench) -> pixels.Carrier:
    """The tilt of the masks: period in pixels, angle in rad."""
    part = bench.design
    return pixels.Carrier(part.carrier_period_px, float(np.deg2rad(part.carrier_angle_deg)))


def focal_length(bench: Bench) -> float:
    """Focal length of the lens in m."""
    return bench.lens.focal_length_mm * 1e-3


def lens_offset(bench: Bench) -> tuple[float, float]:
    """Middle of the mask, (x, y) in m from the lens's axis."""
    x, y = bench.lens.offset_mm
    return x * 1e-3, y * 1e-3


def na_wavelength_nm(bench: Bench) -> float:
    """Wavelength in nm at which na or delta_percent holds: the light's unless given."""
    return bench.fiber.na_wavelength_nm or bench.light.wavelength_nm


def indices(bench: Bench) -> tuple[float, float, float, float]:
    """Core and cladding index, core and cladding group index, at the light's wavelength.

    With glass = "silica" the cladding is silica and the core germania-doped silica whose mole
    fraction gives the index step at na_wavelength_nm; with fixed indices the group indices are the
    indices.  Raises BenchError where no glass has the index, or two ways to give it disagree.
    """
    part = bench.fiber
    if part.glass is not None:
        found = _glass_indices(bench)
    else:
        if part.table is not None:
            core = float(part.table.data[:, 1].max())
            cladding = part.cladding_index or float(part.table.data[-1, 1])
        else:
            cladding = part.cladding_index or 0.0
            core = _core_above(part, cladding)
        found = core, cladding, core, cladding
    for key, value in (("core_index", found[0]), ("cladding_index", found[1])):
        given = getattr(part, key)
        if given is not None and abs(given - value) > AGREEMENT:
            fail(
                bench.source, "fiber", key, given, f"the other keys give {value:.6f}; leave it out"
            )
    return found


def _core_above(part: FiberSection, cladding: float) -> float:
    """Core index over a cladding index, from na, delta_percent or core_index."""
    if part.na is not None:
        return float(np.hypot(cladding, part.na))
    if part.delta_percent is not None:
        return cladding / float(np.sqrt(1 - 2 * part.delta_percent / 100))
    assert part.core_index is not None
    return part.core_index


def _glass_indices(bench: Bench) -> tuple[float, float, float, float]:
    part, here = bench.fiber, bench.light.wavelength_nm * 1e-9
    key = next(k for k in ("na", "delta_percent", "core_index") if getattr(part, k) is not None)
    there = here if key == "core_index" else na_wavelength_nm(bench) * 1e-9
    with named(bench, "fiber", key):
        wanted = _core_above(part, glass.SILICA.index(there))
        core = glass.germania_doped(glass.germania_fraction(there, wanted))
        return (
            wanted if there == here else core.index(here),
            glass.SILICA.index(here),
            core.group_index(here),
            glass.SILICA.group_index(here),
        )


def fiber(bench: Bench) -> profile.Fiber:
    """The fibre at the light's wavelength, SI units; raises BenchError where it cannot guide."""
    core, cladding, core_group, cladding_group = indices(bench)
    with named(bench, "fiber"):
        shape = _profile(bench.fiber, core, cladding)
        return profile.Fiber(
            shape, bench.light.wavelength_nm * 1e-9, core, cladding, core_group, cladding_group
        )


def _profile(part: FiberSection, core: float, cladding: float) -> profile.Profile:
    if part.table is not None:
        radius, index = part.table.data.T
        return profile.table(radius * 1e-6, profile.shape_from_index(index, cladding))
    radius_m = (part.core_radius_um or 0.0) * 1e-6
    inside = profile.step(radius_m)
    if part.alpha is not None:
        inside = profile.power_law(radius_m, part.alpha)
    if part.profile != "trench":
        return inside
    ring = (part.trench_inner_um or 0.0) * 1e-6, (part.trench_outer_um or 0.0) * 1e-6
    depth = profile.trench_depth(-(part.trench_delta_index or 0.0), core, cladding)
    return profile.trench(inside, *ring, depth)


def setup(bench: Bench, basis: fields.Basis) -> Setup:
    """The bench in SI units, with its guided modes; raises BenchError where it cannot be built."""
    made = Setup(
        light(bench),
        modulator(bench),
        carrier(bench),
        focal_length(bench),
        fiber(bench),
        basis,
        lens_offset(bench),
        passage=passage(bench, basis),
    )
    return with_second(made, bench, bench.device)


def with_second(made: Setup, bench: Bench, device: DeviceSection) -> Setup:
    """A bench's setup with the aperture for a second polarisation, where a device has one."""
    if device.second_at is None:
        return made
    part = bench.modulator.model_copy(update={"at": device.second_at})
    second = modulator(bench.model_copy(update={"modulator": part}))
    panels = made.modulator, second
    halves = (Half(*one) for one in zip(panels, device.amplitudes, strict=True))
    both = replace(made.modulator, second=device.second_at)
    return replace(made, modulator=both, halves=tuple(halves))


def passage(bench: Bench, basis: fields.Basis, nm: float | None = None) -> Passage | None:
    """The bench's device, its inputs in the basis's order; None without one.

    `nm`: at another wavelength than the light's.  Raises BenchError where its inputs are not the
    guided modes, or it is not known at that wavelength.
    """
    several, waves = bench.device.matrices, bench.light.wavelengths_nm
    if not several:
        return None
    nm = bench.light.wavelength_nm if nm is None else nm
    if nm not in waves:
        known = ", ".join(f"{wave:g}" for wave in waves)
        text = f"the device's matrix is known at {known} nm, not at {nm:g} nm"
        fail(bench.source, "device", "matrix", bench.device.matrix, text)
    own, first = several[waves.index(nm)], several[0]
    try:
        columns = matched(own, [fields.mode_name(mode) for mode in basis])
    except BadValueError as problem:
        fail(bench.source, "device", "matrix", own, problem.text)
    some = np.ix_([own.outputs.index(name) for name in first.outputs], columns)
    errors = None if own.errors is None else own.errors[some]
    return Passage(outputs_of(first.outputs), own.matrix[some], errors)


def targets(bench: Bench, basis: fields.Basis) -> tuple[Target, ...]:
    """The wanted launches in play order; raises BenchError where the basis lacks a label."""
    part = bench.targets
    labels = None if part.labels == "all" else tuple(part.labels)
    if part.family == "output":
        behind = passage(bench, basis)
        assert behind is not None
        weights = {one.name: _weights(one.weights) for one in part.superpositions or ()}
        with named(bench, "targets", "labels"):
            return output_targets(behind, labels, weights, bench.design.purity)
    if part.family == "superposition":
        with named(bench, "targets", "superpositions"):
            return tuple(
                _superposition(basis, entry.name, entry.weights)
                for entry in part.superpositions or ()
                if labels is None or entry.name in labels
            )
    with named(bench, "targets", "labels"):
        if part.family == "lp":
            return all_targets(basis, labels, part.orientations or 1)
        given = part.lg_waist_um
        waist = gaussian_waist(basis) if given is None else given * 1e-6
        return all_lg_targets(basis, labels, waist)


def _superposition(
    basis: fields.Basis, name: str, weights: tuple[tuple[str, tuple[float, float]], ...]
) -> Target:
    wanted: dict[tuple[str, str | None], complex] = {}
    for mode, weight in _weights(weights).items():
        label, _, part = mode.partition(" ")
        wanted[label, part or None] = weight
    return superposition(basis, name, wanted)


def _weights(weights: tuple[tuple[str, tuple[float, float]], ...]) -> dict[str, complex]:
    return {
        name: complex(amplitude * np.exp(1j * np.deg2rad(phase)))
        for name, (amplitude, phase) in weights
    }


# --- checks ----------------------------------------------------------------------------------
