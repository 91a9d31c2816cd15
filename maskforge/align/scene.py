"""Where a bring-up acts: the bench with its whole panel as the mask, and the detector behind it."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from maskforge import bench as benches
from maskforge.bench import Bench
from maskforge.bench.ready import guided_basis
from maskforge.launch.couplings import Launch, prepare
from maskforge.launch.fourier import axis
from maskforge.launch.light import Light, Real
from maskforge.launch.lit_panel import panel_axes
from maskforge.launch.modulator import Background, Carrier, Modulator
from maskforge.launch.panel import mask_window
from maskforge.launch.setup import Setup

SMALL = 1.0
"""Radius in lambda f / (panel's width) up to which seven places stand for a pinhole."""

FINE = 2.5
"""Samples of a wider one in lambda f / (panel's width): the power there repeats within one."""


@dataclass(frozen=True)
class Detector:
    """What the power is measured behind: `kind` is `fiber` (all guided modes) or `pinhole`.

    `order` (x, y): the carrier's order, in m from the zero order, as the nominal bench has it;
    `aside`: the detector's middle from there; `radius` in m of a pinhole, 0 for the fibre.
    """

    kind: str
    order: tuple[float, float]
    radius: float = 0.0
    aside: tuple[float, float] = (0.0, 0.0)

    @property
    def place(self) -> tuple[float, float]:
        """The detector's middle, (x, y) in m from the zero order."""
        return self.order[0] + self.aside[0], self.order[1] + self.aside[1]


@dataclass(frozen=True, eq=False, kw_only=True)
class Scene(Setup):
    """A bench for bring-up.  Places on the panel are (x, y) in m from the middle of the mask.

    `whole`: the modulator with the whole panel as its mask.
    """

    bench: Bench
    whole: Modulator

    @cached_property
    def axes(self) -> tuple[Real, Real]:
        """x of the panel's columns and y of its rows, ascending."""
        return panel_axes(self.modulator)

    @cached_property
    def edges(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """The panel's ends, (lowest, highest) x and y."""
        (left, right), (low, high) = ((float(z[0]), float(z[-1])) for z in self.axes)
        x, y = (pitch / 2 for pitch in self.modulator.pitch_seen)
        return (left - x, right + x), (low - y, high + y)

    @property
    def middle(self) -> tuple[float, float]:
        """The panel's middle."""
        (left, right), (low, high) = self.edges
        return (left + right) / 2, (low + high) / 2

    @property
    def width(self) -> float:
        """The panel's longer side in m."""
        return max(high - low for low, high in self.edges)

    @cached_property
    def waists(self) -> tuple[float, float]:
        """1/e^2 radii of the beam along x and y: twice the standard deviations."""
        if self.light.image is not None:
            return _image_waists(self.light)
        (first, second), angle = self.light.waist, self.light.angle
        cos, sin = np.cos(angle), np.sin(angle)
        return (
            float(np.hypot(first * cos, second * sin)),
            float(np.hypot(first * sin, second * cos)),
        )

    @property
    def waist(self) -> float:
        """Their geometric mean."""
        return float(np.sqrt(self.waists[0] * self.waists[1]))

    @property
    def spot(self) -> float:
        """1/e^2 radius in m of the beam's focus behind the lens; Kogelnik and Li, Appl. Opt. 5,
        1550 (1966)."""
        return self.scale / (np.pi * self.waist)

    def place_of(self, carrier: Carrier) -> tuple[float, float]:
        """Where a carrier's order lies, (x, y) in m from the zero order."""
        return replace(self, carrier=carrier).place

    def carrier_to(self, place: tuple[float, float]) -> Carrier:
        """The carrier whose order lies at a place: undoes `place_of`."""
        pitch = self.modulator.pitch_seen
        x, y = (z * p / self.scale for z, p in zip(place, pitch, strict=True))
        size = float(np.hypot(x, y))
        if size < 1e-9:
            return Carrier()
        return Carrier(1 / size, float(np.arctan2(y, x)))

    def launch(self, carrier: Carrier, *, whole: bool) -> Launch:
        """The launch of the bench's mask, or of the `whole` panel, with a carrier of one's own."""
        own = replace(self, carrier=carrier)
        if not whole:
            return prepare(own)
        (x, y), light = self.middle, self.light
        light = replace(light, offset=(light.offset[0] - x, light.offset[1] - y))
        offset = self.lens_offset[0] + x, self.lens_offset[1] + y
        return prepare(replace(own, light=light, modulator=self.whole, lens_offset=offset))


def scene_of(bench: Bench) -> Scene:
    """The bench in SI units; BenchError where it cannot be built."""
    setup = benches.setup(bench, guided_basis(bench))
    return Scene(**vars(setup), bench=bench, whole=_whole(bench, setup.modulator))


def _whole(bench: Bench, masked: Modulator) -> Modulator:
    flatness, measured = None, bench.modulator.flatness
    if measured is not None and masked.flatness is not None:
        flatness = measured.data
        if flatness.shape != masked.panel:
            flatness = np.zeros(masked.panel)
            flatness[::-1][mask_window(masked)] = masked.flatness[::-1]
    return replace(masked, shape=masked.panel, at=None, flatness=flatness, background=Background())


def _image_waists(light: Light) -> tuple[float, float]:
    assert light.image is not None
    assert light.image_pitch is not None
    found = []
    for across in (0, 1):
        weight = light.image.sum(axis=across)
        place = np.arange(weight.size) * light.image_pitch
        mean = np.average(place, weights=weight)
        found.append(2 * float(np.sqrt(np.average((place - mean) ** 2, weights=weight))))
    return found[0], found[1]


def pinhole_rule(detector: Detector, scale: float, width: float) -> tuple[Real, Real, Real]:
    """Where to sample a pinhole: u, v in m from its middle, and weights (len(v), len(u)) in m^2.

    `scale` is lambda f, `width` the panel's longer side, in m^2 and m.  A small one: the rule of
    seven points, exact to degree 5 (Abramowitz and Stegun 25.4.61; citation from memory).
    """
    radius = detector.radius
    if radius * width <= SMALL * scale:
        reach = radius * np.sqrt(2 / 3)
        u = reach * np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
        v = reach * np.array([-np.sqrt(3) / 2, 0.0, np.sqrt(3) / 2])
        side = np.array([0.0, 1.0, 0.0, 1.0, 0.0]) / 8
        weight = np.stack([side, np.array([1.0, 0.0, 2.0, 0.0, 1.0]) / 8, side])
        return np.asarray(u), np.asarray(v), np.asarray(np.pi * radius**2 * weight)
    count = 2 * int(np.ceil(radius * FINE * width / scale)) + 1
    step = 2 * radius / count
    u = axis(count, step)
    fine = axis(8 * count, step / 8)
    inside = (fine**2 + fine[:, None] ** 2 <= radius**2).astype(float)
    share = inside.reshape(count, 8, count, 8).mean(axis=(1, 3))
    return u, u, np.asarray(share * step**2)
