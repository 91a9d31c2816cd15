"""What no key alone can tell: whether the parts of a bench go together."""

import math

import numpy as np

from maskforge.bench.build import carrier, fiber, focal_length, light, modulator, named
from maskforge.bench.section import PURITIES
from maskforge.bench.sections import Bench
from maskforge.bench.values import fail, keys_of
from maskforge.fiber import profile
from maskforge.launch import light as optics
from maskforge.launch import modulator as pixels
from maskforge.launch.fourier import axis
from maskforge.launch.panel import background_states

LEAST_SHARE = 1 - float(np.exp(-2))
"""Power of a Gaussian beam inside its own 1/e^2 radius: a mask that catches less is too small."""


LARGEST_WAIST = 0.552
"""Waist in sides of a square that lets just LEAST_SHARE in: erf(1 / (sqrt(2) waist))^2 = 0.865."""


PIXELS_PER_WAIST = 2.0
"""At 2 samples a waist the sum of a Gaussian over the pixels is its integral to 1e-8 (the error of
the midpoint sum is 2 exp(-(pi w / h)^2 / 2)); at 1 it is off by 1 %."""


LEAST_CHANGE = 2 * float(np.sin(np.deg2rad(0.99) / 2))
"""Between two states that differ: that of the least phase step, 1 deg, less its rounding."""


def check(bench: Bench) -> None:
    """Builds everything and checks what several sections decide together; raises BenchError."""
    beam, panel, guide = light(bench), modulator(bench), fiber(bench)
    _check_states(bench, panel.alphabet)
    _check_robust(bench)
    _check_device(bench)
    _check_beam(bench, beam, panel)
    _check_facet(bench, panel, guide)
    with named(bench, "modulator", "background_grey"):
        background_states(panel)


def _check_states(bench: Bench, alphabet: pixels.Alphabet) -> None:
    """Some states must differ in this light, say, not be whole turns of the phase apart."""
    if np.max(np.abs(alphabet.values - alphabet.values[0])) < LEAST_CHANGE:
        key = {"binary": "phase_step_deg", "levels": "depth_deg"}.get(alphabet.name, "table")
        value = getattr(bench.modulator, key)
        text = (
            f"all states of the panel do the same to light of {bench.light.wavelength_nm:g} nm; "
            "some must differ by 1 deg or more beside whole turns"
        )
        fail(bench.source, "modulator", key, value, text)


def _check_robust(bench: Bench) -> None:
    """Only `dual` designs for several wavelengths, or for a box of offsets."""
    part = bench.design
    if part.method == "dual":
        return
    for section, key, given in (
        ("light", "wavelength_nm", len(bench.light.wavelengths_nm) > 1),
        ("design", "fiber_offset_um", any(part.fiber_offset_um)),
    ):
        if given:
            value = keys_of(getattr(bench, section))[key]
            text = f'a robust design takes [design] method = "dual", here it is "{part.method}"'
            fail(bench.source, section, key, value, text)


def _check_device(bench: Bench) -> None:
    """Targets are a device's outputs where there is one, which is known at every wavelength."""
    part, found, waves = bench.targets, bench.device.matrices, bench.light.wavelengths_nm
    if (part.family == "output") != bool(found):
        text = (
            'behind a [device] targets are its outputs: "output"'
            if found
            else "needs a [device], whose outputs the targets are"
        )
        fail(bench.source, "targets", "family", part.family, text)
    if found and len(found) != len(waves):
        text = (
            f"{len(found)} for {len(waves)} of [light] wavelength_nm; a device is measured at each "
            "of them, in ascending order"
        )
        fail(bench.source, "device", "matrix", bench.device.matrix, text)
    if bench.device.second_at is not None:
        _check_second(bench, bench.device.second_at)
    at = bench.device.purity_at
    if at == PURITIES[0]:
        return
    if any(one.errors is None for one in found):
        text = "needs a matrix with standard errors"
        fail(bench.source, "device", "purity_at", at, text)
    if len(waves) > 1 or any(bench.design.fiber_offset_um):
        text = "goes without a robust design, of several wavelengths or fibre offsets"
        fail(bench.source, "device", "purity_at", at, text)


def _check_second(bench: Bench, at: tuple[int, int]) -> None:
    """The second aperture lies on the panel, beside the first one."""
    part = bench.modulator
    (columns, rows), panel = part.pixels, part.panel
    if part.at is None:
        text = "beside a second aperture it must say where the first one lies on the panel"
        fail(bench.source, "modulator", "at", part.at, text)
    if at[0] + columns > panel[0] or at[1] + rows > panel[1]:
        text = (
            f"a mask of {columns} x {rows} pixels there does not fit on the panel of "
            f"{panel[0]} x {panel[1]}"
        )
        fail(bench.source, "device", "second_at", at, text)
    if abs(at[0] - part.at[0]) < columns and abs(at[1] - part.at[1]) < rows:
        text = (
            f"the apertures overlap: the first one takes {columns} x {rows} pixels from "
            f"{list(part.at)} on"
        )
        fail(bench.source, "device", "second_at", at, text)
    if bench.design.method == "ifta":
        text = 'knows no second aperture; "dual" and "simple" do'
        fail(bench.source, "design", "method", bench.design.method, text)


def _check_beam(bench: Bench, beam: optics.Light, panel: pixels.Modulator) -> None:
    ways = ("waist_mm", "waist_x_mm", "image")
    key = next(name for name in ways if getattr(bench.light, name) is not None)
    value = getattr(bench.light, key)
    if beam.image is None and min(beam.waist) < PIXELS_PER_WAIST * panel.pitch:
        need = PIXELS_PER_WAIST * panel.pitch * 1e3
        text = f"the beam is narrower than the pixels can shape; at least {need:.3g} mm (2 pixels)"
        fail(bench.source, "light", key, value, text)
    share = share_on_mask(bench)
    if share < LEAST_SHARE:
        sides = [n * p * 1e3 for n, p in zip(panel.shape[::-1], panel.pitch_seen, strict=True)]
        fail(
            bench.source,
            "light",
            key,
            value,
            f"only {100 * share:.1f} % of the beam's power falls on the mask of {sides[0]:.3g} x "
            f"{sides[1]:.3g} mm; at least {100 * LEAST_SHARE:.1f} % must: a centred round beam's "
            f"waist of at most {LARGEST_WAIST * min(sides):.3g} mm, or more pixels",
        )


def share_on_mask(bench: Bench) -> float:
    """Share of the beam's power that falls on the mask's area (0 to 1).

    A turned ellipse and a measured beam are summed up over samples, right to about 0.3 %.
    """
    beam, panel = light(bench), modulator(bench)
    rows, columns = panel.shape
    half_x, half_y = columns * panel.pitch_seen[0] / 2, rows * panel.pitch_seen[1] / 2
    if beam.image is None and (beam.angle == 0.0 or beam.waist[0] == beam.waist[1]):
        sides = zip((half_x, half_y), beam.offset, beam.waist, strict=True)
        return math.prod(_share_within(*side) for side in sides)
    if beam.image is None:
        # the beam sampled in its own axes, so that any width is resolved
        line = axis(601, 0.01)
        weight = np.exp(-2 * (line**2 + line[:, None] ** 2))
        first, second = line * beam.waist[0], line[:, None] * beam.waist[1]
        cos, sin = np.cos(beam.angle), np.sin(beam.angle)
        x, y = first * cos - second * sin, first * sin + second * cos
    else:
        assert beam.image_pitch is not None
        weight = beam.image
        x = axis(weight.shape[1], beam.image_pitch)
        y = axis(weight.shape[0], beam.image_pitch)[:, None]
    inside = (np.abs(x + beam.offset[0]) <= half_x) & (np.abs(y + beam.offset[1]) <= half_y)
    return float(np.sum(weight, where=inside) / np.sum(weight))


def _share_within(half: float, offset: float, waist: float) -> float:
    """Integral of sqrt(2/pi)/w exp(-2 (x - offset)^2 / w^2) from -half to half."""
    unit = math.sqrt(2) / waist
    return (math.erf(unit * (half - offset)) + math.erf(unit * (half + offset))) / 2


def _check_facet(bench: Bench, panel: pixels.Modulator, guide: profile.Fiber) -> None:
    """The core, moved by the carrier, must lie within the field that the pixels show but once.

    Beyond lambda f / (2 pitch) the facet repeats, and the carrier's order meets its mirror image.
    """
    period, core = bench.design.carrier_period_px, guide.profile.core_radius
    for pitch, frequency in zip(panel.pitch_seen, carrier(bench).frequency, strict=True):
        room = (0.5 - abs(frequency)) / pitch * guide.wavelength
        if room < 1e-9 * guide.wavelength / pitch:
            text = "must be longer than 2 pixels along each axis: the core finds no room beside it"
            fail(bench.source, "design", "carrier_period_px", period, text)
        if room * focal_length(bench) < core:
            tilted = f" beside a carrier of {period:g} pixels" if period else ""
            fail(
                bench.source,
                "lens",
                "focal_length_mm",
                bench.lens.focal_length_mm,
                f"pixels of {pitch * 1e6:.4g} um leave {room * focal_length(bench) * 1e6:.3g} um "
                f"of the facet{tilted}, less than the core radius of {core * 1e6:.4g} um; at least "
                f"{_rounded_up(core / room * 1e3)} mm",
            )


def _rounded_up(value: float) -> str:
    """Three digits, not below the value."""
    step = 10.0 ** (np.floor(np.log10(value)) - 2)
    return f"{np.ceil(value / step) * step:.3g}"
