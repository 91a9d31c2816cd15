"""From the pixels to samples of the facet, and back: the forward model that all others are uses of.

Couplings, designs and pictures differ in where they sample the facet, in the precision, and in what
they do with the field there.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, conj, single
from maskforge.base.device import Device
from maskforge.launch.beam_in_pixels import Beam, Layer, Pair, layers_of
from maskforge.launch.light import Complex, Real
from maskforge.launch.transform import Side, side_of, transform


@dataclass(frozen=True, eq=False)
class Facet:
    """Samples u, v of the facet in m from the fibre's axis, symmetric about 0, and the way there.

    Pixels of factors s (rows, columns) send the field (len(v), len(u)) in 1/m, but for -i, that is
    the sum over the layers of slant * field * transform(light * s).  Lights are real arrays where
    all of their values are.  `slant`: None: 1 everywhere.
    """

    u: Real
    v: Real
    layers: tuple[Layer, ...]
    over_y: Side
    over_x: Side
    slant: Array | None

    @property
    def single(self) -> "Facet":
        """The same in single precision."""

        def halved(layer: Layer) -> Layer:
            return replace(layer, light=single(layer.light), envelope=single(layer.envelope))

        return replace(
            self,
            layers=tuple(map(halved, self.layers)),
            over_y=self.over_y.single,
            over_x=self.over_x.single,
            slant=None if self.slant is None else single(self.slant),
        )

    def on(self, device: Device) -> "Facet":
        """The same with what acts on pixels on a device."""

        def moved(layer: Layer) -> Layer:
            light, envelope = device.put(layer.light), device.put(layer.envelope)
            return replace(layer, light=light, envelope=envelope)

        return replace(
            self,
            layers=tuple(map(moved, self.layers)),
            over_y=self.over_y.on(device),
            over_x=self.over_x.on(device),
            slant=None if self.slant is None else device.put(self.slant),
        )

    def sent(self, factors: Array | float) -> Iterator[Array]:
        """What each layer sends, (len(v), len(u)), but for its `field`."""
        for layer in self.layers:
            there = transform(layer.light * factors, self.over_y, self.over_x)
            yield there if self.slant is None else there * self.slant

    def field(self, factors: Array | float) -> Array:
        """The field (len(v), len(u)) of factors (rows, columns)."""
        pairs = zip(self.layers, self.sent(factors), strict=True)
        return _sum(layer.field * there for layer, there in pairs)

    def returned(self, facets: Iterable[Array], *, real: bool = False) -> Array:
        """The adjoint of `sent`, (rows, columns): of a field for each layer.

        `real`: its real part alone, where all lights are real.
        """
        over_y, over_x = self.over_y.adjoint, self.over_x.adjoint

        def back(layer: Layer, there: Array) -> Array:
            straight = there if self.slant is None else there * conj(self.slant)
            return layer.light_back * transform(straight, over_y, over_x, real=real)

        return _sum(back(*pair) for pair in zip(self.layers, facets, strict=True))

    def back(self, facet: Array, *, real: bool = False) -> Array:
        """The adjoint of `field`, likewise."""
        return self.returned((facet * conj(layer.field) for layer in self.layers), real=real)


def _sum(parts: Iterator[Array]) -> Array:
    # one at a time: each may be as large as the facet
    total = next(parts)
    for part in parts:
        total = total + part
    return total


def facet_of(
    beam: Beam,
    axes: tuple[Real, Real],
    area: float,
    scale: float,
    u: Real,
    v: Real,
    lens_offset: Pair = (0.0, 0.0),
) -> Facet:
    """The facet at u, v in m, symmetric about 0, for a beam on centres on `axes` (x, y), evenly
    spaced.

    `area` in m^2 of a pixel's cell; `scale`: lambda f; `lens_offset`: where on the lens the zero of
    the axes is, see `slant_of`.
    """
    sides, middles = [], []
    for z, nearer, w, offset in zip(axes, beam.nearer, (u, v), lens_offset, strict=True):
        middle = 0.0 if np.array_equal(z, -z[::-1]) else float(z.mean())
        sides.append(side_of((z - middle) * nearer, w, scale))
        middles.append(offset + middle * nearer)
    (over_x, over_y), middle_at = sides, (middles[0], middles[1])
    return Facet(
        u=u,
        v=v,
        layers=tuple(
            replace(layer, light=real_where(layer.light))
            for layer in layers_of(beam, area, scale, u, v)
        ),
        over_y=over_y,
        over_x=over_x,
        slant=slant_of(middle_at, scale, u, v) if any(middle_at) else None,
    )


def real_where(light: NDArray[np.inexact]) -> NDArray[np.inexact]:
    """The light as a real array where all of it is real."""
    return light if np.any(light.imag) else np.ascontiguousarray(light.real)


def slant_of(middle: Pair, scale: float, u: Real, v: Real) -> Complex:
    """Phase factor (len(v), len(u)) on the facet of pixels about (x, y) in m from the lens's axis
    (shift theorem)."""
    turn_u, turn_v = (
        np.exp(-2j * np.pi / scale * offset * place)
        for offset, place in zip(middle, (u, v), strict=True)
    )
    return np.asarray(turn_v[:, None] * turn_u)
