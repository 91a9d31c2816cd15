"""The beam on the mask and the way to the facet, in single precision, for any number of masks.

With k the facet's coordinate over lambda f, what a mask sends is one function F(k) of the mask and
of the beam on it; lens and fibre only say where F is looked at and with which modes.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import on_host
from maskforge.launch.beam_in_pixels import Beam
from maskforge.launch.couplings import REACH
from maskforge.launch.facet import Facet, facet_of, real_where
from maskforge.launch.fourier import axis
from maskforge.launch.light import Complex, Real
from maskforge.launch.lit_panel import Lit, dark_field, finest_detail, mask_axes, on_panel
from maskforge.launch.mode_samples import facet_axis
from maskforge.launch.setup import Setup
from maskforge.methods.draft import DRAFT_LEFT_OUT, DRAFT_SAMPLES
from maskforge.study.tolerance.causes import Errors
from maskforge.study.tolerance.disturbed import Nominal, setup_of

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

    `k` (J,): facet samples over lambda f, in 1/m, of both axes, from the one where the light of
    the beam's tilt lands.  `facet`: the way to those samples, the layers' turns being in their
    lights; `envelopes` (J, J) in double precision: what the mask's pixels send is the sum of these
    times what goes there, but for -i / (lambda f).  `dark` (J, J): what they cannot change,
    likewise.
    """

    k: Real
    beam: Beam
    facet: Facet
    envelopes: tuple[NDArray[np.floating], ...]
    dark: Complex | None

    @property
    def lights(self) -> tuple[NDArray[np.inexact], ...]:
        """Of the layers, (rows, columns) each, on the host."""
        return tuple(on_host(layer.light) for layer in self.facet.layers)

    @property
    def orders(self) -> tuple[tuple[int, int], ...]:
        """Of the beam within the pixels, beside the mean."""
        return tuple(term.order for term in self.beam.terms)


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


def frame_of(setup: Setup, k: Real, like: Frame | None = None) -> Frame:
    """The frame of a disturbed bench whose samples are centred on the fibre.

    The light in the pixels sits where it does in the frame `like`, for which sums of some frames'
    light stand for others.
    """
    panel = setup.modulator
    tilt = setup.place[0] / setup.scale, setup.place[1] / setup.scale
    reach = (REACH * setup.fiber.profile.core_radius + MARGIN) / setup.scale
    nearer = None if like is None else like.beam.nearer
    lit = Lit(setup.light, panel, tilt, reach, DRAFT_LEFT_OUT, nearer)
    beam, outside = on_panel(lit)
    facet = facet_of(beam, mask_axes(panel), float(np.prod(panel.pitch_seen)), 1.0, k, k)
    turned = tuple(
        replace(layer, light=real_where(layer.light * layer.turn), turn=1) for layer in facet.layers
    )
    return Frame(
        k=k,
        beam=beam,
        facet=replace(facet, layers=turned).single.on(setup.device),
        envelopes=tuple(layer.envelope for layer in facet.layers),
        dark=dark_field(lit, beam, outside, 1.0, k, k),
    )


# --- where the fibre is looked at ------------------------------------------------------------


def beside(setup: Setup, frame: Frame) -> tuple[float, float]:
    """Where the fibre stands, (x, y) in m from the middle of a frame's samples."""
    (x, y), (tilt_x, tilt_y) = setup.place, frame.beam.tilt
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
