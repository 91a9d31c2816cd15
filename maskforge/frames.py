"""The beam on the mask and the way to the facet, in single precision, for any number of masks.

With k the facet's coordinate over lambda f, what a mask sends is one function F(k) of the mask and
of the beam on it; lens and fibre only say where F is looked at and with which modes.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge.causes import Errors
from maskforge.design.draft import DRAFT_SAMPLES
from maskforge.disturbed import Nominal, Setup, setup_of
from maskforge.launch import NO_LIGHT, facet_axis, finest_detail, has_gaps, panel_axes
from maskforge.optics import Complex, Folded, Real, axis, folded, folded_transform, illumination
from maskforge.panel import background_light, mask_window

Fast = NDArray[np.complex64]
FastReal = NDArray[np.float32]

TAIL = 1e-8
"""Power of a mode outside the samples: 1e-4 in amplitude.  Purities are right to 1e-5 by that and
single precision, efficiencies to 3e-5; errors of eight half-ranges make it 1e-4."""

MARGIN = 2.5e-6
"""m on the facet beyond the modes: offsets up to it take no new transform."""

COARSER = 1.05
"""Samples of the facet may lie farther apart by this than in a draft made for the very bench."""

WIDER = 1.2
"""Factor by which samples reach farther until they do."""

MOST = 128
"""Samples from the fibre's axis outwards: a mode just above its cut-off is cut there, which is 16
core radii away or more."""


@dataclass(frozen=True, eq=False)
class Frame:
    """The beam on the mask, and the way to the facet.

    `k` (J,): facet samples over lambda f, in 1/m, of both axes, from the one where the light of a
    tilt `tilt` (x, y; 1/m) lands, which is taken out of `incident` (rows, columns).
    `around`, `whole` (J, J): what the panel sends from outside the mask, and all of its light.
    """

    k: Real
    tilt: tuple[float, float]
    incident: Fast | FastReal
    over_y: Folded
    over_x: Folded
    around: Complex | None = None
    whole: Complex | None = None


@lru_cache(maxsize=2)
def home(start: Nominal) -> Frame:
    """The frame of a bench without errors, MARGIN wider than its modes."""
    setup = setup_of(start, Errors())
    u = _window(setup, start.lens_offset)
    step = float(u[1] - u[0])
    wider = axis(u.size + 2 * int(np.ceil(MARGIN / step)), step)
    return frame_of(setup, np.asarray(wider / setup.scale))


def _window(setup: Setup, lens_offset: tuple[float, float]) -> Real:
    """Facet samples in m around the fibre's modes."""
    u = facet_axis(setup.basis, _step(setup, lens_offset), TAIL)
    beyond = max(0, u.size // 2 - MOST)
    return u[beyond : u.size - beyond]


def _step(setup: Setup, lens_offset: tuple[float, float]) -> float:
    """Facet samples in m, as a draft has them."""
    detail = finest_detail(setup.scale, setup.modulator, lens_offset)
    return min(detail / 2, setup.fiber.profile.core_radius / DRAFT_SAMPLES)


def frame_of(setup: Setup, k: Real) -> Frame:
    """The frame of a disturbed bench whose samples are centred on the fibre."""
    panel = setup.modulator
    tilt = setup.place[0] / setup.scale, setup.place[1] / setup.scale
    x, y = panel_axes(panel)
    beam = _beam(setup, x, y, tilt)
    lit = beam[::-1][mask_window(panel)][::-1]
    if panel.flatness is not None:
        lit *= np.exp(2j * np.pi * panel.flatness)
    real = not np.any(lit.imag)
    sides = zip(panel.shape, panel.pitch_seen[::-1], strict=True)
    over_y, over_x = (folded(axis(count, pitch), k, 1.0).single for count, pitch in sides)
    frame = Frame(
        k=k,
        tilt=tilt,
        incident=lit.real.astype(np.float32) if real else lit.astype(np.complex64),
        over_y=over_y,
        over_x=over_x,
    )

    def seen(light: Complex) -> Complex:
        middles = y.mean(), x.mean()
        over = (folded(z - m, k, 1.0).single for z, m in zip((y, x), middles, strict=True))
        turn_y, turn_x = (np.exp(-2j * np.pi * k * middle) for middle in middles)
        sent = folded_transform(light.astype(np.complex64), *over)
        return np.asarray(sent * turn_y[:, None] * turn_x)

    if has_gaps(panel):
        frame = replace(frame, whole=seen(beam))
    if panel.panel != panel.shape:
        lit[:] = 0
        if np.sum(np.abs(beam) ** 2) >= NO_LIGHT:
            frame = replace(frame, around=seen(beam * background_light(panel)))
    return frame


def _beam(setup: Setup, x: Real, y: Real, tilt: tuple[float, float]) -> Complex:
    """Amplitude (len(y), len(x)) on pixels, a tilt in 1/m taken out; as in `launch.prepare`."""
    pitch_x, pitch_y = setup.modulator.pitch_seen
    beam: Complex = illumination(setup.light, x, y) * np.sqrt(pitch_x * pitch_y)
    if not any(tilt):
        return beam
    turn_y, turn_x = (np.exp(-2j * np.pi * t * z) for t, z in ((tilt[1], y), (tilt[0], x)))
    return np.asarray(beam * turn_y[:, None] * turn_x)


# --- where the fibre is looked at ------------------------------------------------------------


def beside(setup: Setup, frame: Frame) -> tuple[float, float]:
    """Where the fibre stands, (x, y) in m from the middle of a frame's samples."""
    (x, y), (tilt_x, tilt_y) = setup.place, frame.tilt
    return x - setup.scale * tilt_x, y - setup.scale * tilt_y


def fits(start: Nominal, setup: Setup, frame: Frame, place: tuple[float, float]) -> bool:
    """Whether the frame's samples are dense enough for the setup and reach around its modes.

    `place`: the fibre's, in m from the samples' middle.
    """
    reach = setup.scale * float(frame.k[-1]) - max(abs(place[0]), abs(place[1]))
    return _dense(start, setup, frame.k) and _enclosed(start, setup, reach)


def _dense(start: Nominal, setup: Setup, k: Real) -> bool:
    tilts = np.abs(np.subtract(setup.lens_offset, start.lens_offset))
    # a slant is the modes' displacement on the mask, and the samples' image of it has to stay away
    width = setup.scale / finest_detail(setup.scale, setup.modulator)
    step = setup.scale * float(k[1] - k[0])
    return step <= COARSER * _step(setup, start.lens_offset) and bool(tilts.max() <= width / 4)


def _enclosed(start: Nominal, setup: Setup, reach: float) -> bool:
    """Whether the modes lie within a radius in m, but for TAIL."""
    if setup.basis is start.basis:
        return reach >= _reach(start)
    fields = {id(mode.radial): mode.radial.field for mode in setup.basis}.values()
    return reach > 0 and all(field.power_outside(reach) <= TAIL for field in fields)


@lru_cache(maxsize=2)
def _reach(start: Nominal) -> float:
    """Radius in m that the modes of a bench without errors take."""
    return float(_window(setup_of(start, Errors()), start.lens_offset)[-1])


def samples(start: Nominal, setup: Setup, frame: Frame) -> Real:
    """Samples over lambda f centred on the fibre: the frame's own where they will do."""
    if fits(start, setup, frame, (0.0, 0.0)):
        return frame.k
    step, half = float(frame.k[1] - frame.k[0]), float(frame.k[-1])
    if not _dense(start, setup, frame.k):
        step = _step(setup, setup.lens_offset) / setup.scale
    while half < MOST * step and not _enclosed(start, setup, setup.scale * half):
        half *= WIDER
    return axis(2 * min(int(np.ceil(half / step)), MOST) + 1, step)
