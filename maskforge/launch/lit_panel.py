"""The beam on the panel: on the mask's pixels, on what is shown around it, and in the gaps."""

from dataclasses import dataclass, replace

import numpy as np

from maskforge.launch.beam_in_pixels import LEFT_OUT, Beam, Pair, beam_within
from maskforge.launch.facet import facet_of
from maskforge.launch.fourier import axis
from maskforge.launch.light import Complex, Light, Real, illumination
from maskforge.launch.modulator import Modulator
from maskforge.launch.panel import background_light, mask_window

NO_LIGHT = 1e-10
"""Power around the mask that is left out of account: at most 1e-5 in a coupling."""

LOOKED_AT = 128
"""Pixels along the panel's shorter side, at least, on which that power is found."""

Axes = tuple[Real, Real]


@dataclass(frozen=True, eq=False)
class Lit:
    """A beam on a panel, seen from where a fibre stands.

    `tilt`: where the fibre's axis is, `reach`: how far its modes extend, on the facet over lambda f
    (1/m).  `limit` and `nearer` as for `beam_within`.
    """

    light: Light
    modulator: Modulator
    tilt: Pair
    reach: float
    limit: float = LEFT_OUT
    nearer: Pair | None = None


def active_width(modulator: Modulator) -> Pair:
    """Width (x, y) in m of a pixel's active square, as the light sees it."""
    share = float(np.sqrt(modulator.fill_factor))
    return modulator.pitch_seen[0] * share, modulator.pitch_seen[1] * share


def has_gaps(modulator: Modulator) -> bool:
    """Whether light comes from between the pixels."""
    return modulator.gap_reflectance > 0.0 and modulator.fill_factor < 1.0


def mask_axes(modulator: Modulator) -> Axes:
    """x of the mask's columns and y of its rows, from its middle, in m."""
    (rows, columns), (pitch_x, pitch_y) = modulator.shape, modulator.pitch_seen
    return axis(columns, pitch_x), axis(rows, pitch_y)


def panel_axes(modulator: Modulator) -> Axes:
    """x of the panel's columns and y, ascending, of its rows, from the mask's middle, in m."""
    (rows, columns), (row, column) = modulator.shape, modulator.corner
    pitch_x, pitch_y = modulator.pitch_seen
    x = np.arange(modulator.panel[1]) - (column + (columns - 1) / 2)
    y = (row + (rows - 1) / 2) - np.arange(modulator.panel[0])[::-1]
    return np.asarray(x * pitch_x), np.asarray(y * pitch_y)


def finest_detail(
    scale: float, modulator: Modulator, lens_offset: tuple[float, float] = (0.0, 0.0)
) -> float:
    """lambda f / (mask width) in m, the finest detail that a mask can form; of the longer side.

    Off the lens's axis the width is that of a mask about the axis which reaches as far.
    """
    (rows, columns), pitch = modulator.shape, modulator.pitch_seen
    x, y = lens_offset
    return scale / max(columns * pitch[0] + 2 * abs(x), rows * pitch[1] + 2 * abs(y))


def detail_of_all(modulator: Modulator, spills: bool, scale: float, lens_offset: Pair) -> Pair:
    """The finest detail (x, y) in m on the facet of the mask's light; of the whole panel's where
    the beam `spills` over."""
    axes = panel_axes(modulator) if spills else mask_axes(modulator)
    x, y = (
        scale / (2 * float(np.max(np.abs(z)) + abs(offset)) + pitch)
        for z, offset, pitch in zip(axes, lens_offset, modulator.pitch_seen, strict=True)
    )
    return x, y


def on_panel(lit: Lit) -> tuple[Beam, Beam | None]:
    """The beam in the active squares of the mask, flatness in it, and in those of the whole panel,
    0 on the mask; None: next to none."""
    modulator, width = lit.modulator, active_width(lit.modulator)
    if _spills(lit):
        whole, (rows, columns) = _within(lit, panel_axes(modulator), width), _window(modulator)
        mask, outside = whole.within(rows, columns), whole
        for light in (outside.light, *(term.light for term in outside.terms)):
            light[rows, columns] = 0
    else:
        mask, outside = _within(lit, mask_axes(modulator), width), None
    flatness = modulator.flatness
    return (mask if flatness is None else mask.times(np.exp(2j * np.pi * flatness))), outside


def _spills(lit: Lit) -> bool:
    """Whether there is light around the mask."""
    modulator = lit.modulator
    if modulator.panel == modulator.shape:
        return False
    some = max(1, min(modulator.panel) // LOOKED_AT)
    x, y = (z[::some] for z in panel_axes(modulator))
    around = np.ones(modulator.panel, bool)
    around[_window(modulator)] = False
    power = np.sum(np.abs(illumination(lit.light, x, y)[around[::some, ::some]]) ** 2)
    return bool(power * np.prod(modulator.pitch_seen) * some**2 >= NO_LIGHT)


def _window(modulator: Modulator) -> tuple[slice, slice]:
    """Rows, ascending, and columns of the panel that the mask takes."""
    rows, columns = mask_window(modulator)
    count = modulator.panel[0]
    return slice(count - rows.stop, count - rows.start), columns


def _within(lit: Lit, axes: Axes, width: Pair) -> Beam:
    return beam_within(
        lit.light,
        axes,
        lit.modulator.pitch_seen,
        width,
        lit.tilt,
        lit.reach,
        limit=lit.limit,
        nearer=lit.nearer,
    )


def dark_field(
    lit: Lit, beam: Beam, outside: Beam | None, scale: float, u: Real, v: Real
) -> Complex | None:
    """Facet field (len(v), len(u)) in 1/m of what no pixel of the mask changes, but for -i.

    From between the pixels: whole cells without their active squares, at the gaps' amplitude.
    From around the mask: what the panel shows there.  None: no such light.  `scale`: lambda f; u, v
    in m from the fibre's axis, symmetric about 0.  The lens's slant is not in it.
    """
    modulator = lit.modulator
    gaps = np.sqrt(modulator.gap_reflectance) if has_gaps(modulator) else 0.0
    parts = []
    if gaps:
        parts += [(gaps, _cells(lit, outside)), (-gaps, (beam, mask_axes(modulator)))]
    if outside is not None:
        shown = outside.times(background_light(modulator) - gaps)
        parts.append((1.0, (shown, panel_axes(modulator))))
    if not parts:
        return None
    area = float(np.prod(modulator.pitch_seen))
    facets = [(weight, facet_of(*one, area, scale, u, v)) for weight, one in parts]
    return np.asarray(sum(weight * facet.field(1.0) for weight, facet in facets))


def _cells(lit: Lit, outside: Beam | None) -> tuple[Beam, Axes]:
    """The beam in whole cells of the panel, or of the mask alone where that is all of the light."""
    modulator = lit.modulator
    whole = replace(lit, nearer=None)
    flatness = 0.0 if modulator.flatness is None else modulator.flatness
    bent = np.exp(2j * np.pi * np.broadcast_to(flatness, modulator.shape))
    if outside is None:
        axes, factors = mask_axes(modulator), bent
    else:
        axes, factors = panel_axes(modulator), np.ones(modulator.panel, complex)
        factors[_window(modulator)] = bent
    return _within(whole, axes, modulator.pitch_seen).times(factors), axes
