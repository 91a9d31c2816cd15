"""What single pixels do to the couplings: w_k at any pixel, from one radial table per label.

On small panels all of them are kept.  On larger ones, since LP modes are separable, w_k(x) is a
radial function of the label times 1, cos(l theta) or sin(l theta), with the pixel's envelope, and
the beam in the pixel, as they are seen from the fibre's axis: right to about 1 % (10 % at four
pixels a waist), which is what choosing pixels needs; couplings that count come from the full model.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import (
    Array,
    as_complex,
    constant,
    flat,
    namespace,
    picked,
    single,
)
from maskforge.launch.apertures import sent_by_all
from maskforge.launch.basis import Basis, Mode
from maskforge.launch.couplings import Launch, pixel_field
from maskforge.launch.light import Complex, Real
from maskforge.launch.mode_samples import mode_samples
from maskforge.launch.passage import Passage
from maskforge.methods.draft import DRAFT_TAIL, drafted, sent_from
from maskforge.methods.per_launch import kept

RADII = 4096
"""Radii of the table: the nearest one is off by less than 1e-4 of the mask's half diagonal."""

ROUNDING = 1e-13
"""Of the largest number of a table: what double precision makes of 0."""

MOST_KEPT = 2**22
"""Pixels times modes: 32 MiB."""


@dataclass(frozen=True, eq=False)
class Table:
    """`radial` (labels, RADII) complex64 at radii `step` m apart; per mode its label and l.

    `weight` (rows, columns): |a_x| times the length of w(x), what a pixel can move at most.
    `light` (pixels,): a_x.  `radial`, `weight` and `light` are on the launch's device.
    """

    radial: Array
    step: float
    label: NDArray[np.intp]
    order: NDArray[np.intp]
    is_sin: NDArray[np.bool_]
    weight: Array
    light: Array


@kept
def table_of(launch: Launch) -> Table:
    """The radial table of a launch."""
    if launch.halves:
        return _side_by_side(launch)
    radial, step, length = radial_of(launch)
    put, basis = launch.setup.device.put, launch.basis
    light = put(launch.incident)
    xp = namespace(light)
    x, y = (put(z + off) for z, off in zip((launch.x, launch.y), launch.lens_offset, strict=True))
    nearest = xp.astype(xp.round(xp.hypot(x[None, :], y[:, None]) / step), xp.int64)
    place = {mode.label: index for index, mode in enumerate(_radial(basis))}
    return Table(
        radial=put(radial),
        step=step,
        label=np.array([place[mode.label] for mode in basis]),
        order=np.array([mode.l for mode in basis]),
        is_sin=np.array([mode.part == "sin" for mode in basis]),
        weight=xp.astype(xp.abs(light) * picked(put(length), nearest), xp.float32),
        light=xp.astype(flat(light), xp.complex64),
    )


@kept
def radial_of(launch: Launch) -> tuple[NDArray[np.complex64], float, Real]:
    """(radial, step) of the table of one aperture, and the length of w at these radii (RADII,), on
    the host."""
    u = drafted(launch)[0].u
    first = _radial(launch.basis)
    # along +x the transform in y is a plain sum
    profile = np.zeros((len(first), u.size))
    for row, ((_, columns), one) in enumerate(mode_samples(first, u, DRAFT_TAIL).each()):
        profile[row, columns] = one.sum(axis=0)
    centre = np.zeros(1)
    field = float(pixel_field(launch.modulator, launch.centre, launch.scale, centre, centre)[0, 0])
    x, y = launch.x + launch.lens_offset[0], launch.y + launch.lens_offset[1]
    step = float(np.hypot(np.abs(x).max(), np.abs(y).max())) / (RADII - 1)
    turns = np.exp(-2j * np.pi / launch.scale * np.outer(u, np.arange(RADII) * step))
    radial = _cleared(-1j * field * (u[1] - u[0]) ** 2 * (profile @ turns)).astype(np.complex64)
    length = np.sqrt((np.abs(radial) ** 2).sum(axis=0)) * _passed(launch.setup.passage)
    return radial, step, length


def _radial(basis: Basis) -> list[Mode]:
    """Those whose radial functions are in the table."""
    return [mode for mode in basis if mode.part != "sin"]


def _cleared(values: Complex) -> Complex:
    """Real and imaginary parts that are rounding are 0: products of such are slow, as they are too
    small for the exponent of single precision."""
    least = ROUNDING * np.abs(values).max()
    for part in (values.real, values.imag):
        part[np.abs(part) < least] = 0.0
    return values


def _passed(passage: Passage | None) -> float:
    """What a device leaves of an amplitude, of all directions alike."""
    if passage is None:
        return 1.0
    return float(np.linalg.norm(passage.matrix) / np.sqrt(passage.matrix.shape[1]))


def _side_by_side(launch: Launch) -> Table:
    """The table of two apertures, whose pixels differ in their light alone."""
    tables, passed = [table_of(one) for one in launch.halves], _passed(launch.setup.passage)
    each = list(zip((one.amplitude for one in launch.setup.halves), tables, strict=True))
    xp = namespace(tables[0].weight)
    weights = [one.weight * (abs(amplitude) * passed) for amplitude, one in each]
    lights = [one.light * amplitude for amplitude, one in each]
    return replace(tables[0], weight=xp.concat(weights), light=xp.concat(lights))


def pixel_couplings(launch: Launch, pixels: Array) -> Array:
    """a_x w_k(x), (len(pixels), J), of pixels given by their index in the flattened mask."""
    if launch.incident.size * len(launch.ends) <= MOST_KEPT:
        return picked(_all_pixels(launch), pixels)
    table, xp = table_of(launch), namespace(pixels)
    # among 1, cos, cos 2 ... and then 0, sin, sin 2 ...
    part = table.order + (1 + table.order.max()) * table.is_sin
    part, label = (constant(a, pixels) for a in (part, table.label))
    row, column = pixels // launch.x.size, pixels % launch.x.size
    aperture, row = row // launch.y.size, row % launch.y.size
    x = picked(constant(launch.x, pixels), column) + launch.lens_offset[0]
    y = picked(constant(launch.y, pixels), row) + launch.lens_offset[1]
    radius = xp.hypot(x, y)
    size = xp.maximum(radius, xp.full_like(radius, 1e-12))
    turn = single((as_complex(x) + 1j * as_complex(y)) / size)
    # a row a mode while it is made: whole rows are taken in a tenth of the time of single numbers
    most = xp.broadcast_to(turn[None, :], (int(table.order.max()), turn.shape[0]))
    turns = xp.cumulative_prod(most, axis=0, include_initial=True)
    angular = xp.take(xp.concat([xp.real(turns), xp.imag(turns)]), part, axis=0)
    near = xp.astype(xp.round(radius / table.step), xp.int64)
    radial = xp.take(table.radial, near, axis=1) * picked(table.light, pixels)
    found, passage = (xp.take(radial, label, axis=0) * angular).T, launch.setup.passage
    if launch.halves:
        own = [single(as_complex(xp.astype(aperture == k, radius.dtype))) for k in (0, 1)]
        found = xp.concat([found * one[:, None] for one in own], axis=1)
    return found if passage is None else found @ constant(_single(passage), pixels).T


@kept
def _all_pixels(launch: Launch) -> Array:
    """The same of all pixels (pixels, J)."""
    passage, sent = launch.setup.passage, _launched_by_pixels
    if launch.halves:
        whole = sent_by_all(launch.halves, launch.amplitudes, sent).astype(np.complex64)
    else:
        whole = sent(launch)
    if passage is not None:
        whole = _single(passage) @ whole
    return launch.setup.device.put(np.ascontiguousarray(whole.T))


def _launched_by_pixels(launch: Launch) -> NDArray[np.complex64]:
    """What all pixels of one aperture launch (K, pixels)."""
    lights = [layer.light for layer in drafted(launch)[0].layers]
    parts = [
        np.stack([mode * light for mode in sent_from(launch, launch.x, launch.y, index)])
        for index, light in enumerate(lights)
    ]
    whole = np.sum(parts, axis=0, dtype=np.complex64)
    return np.asarray(whole.reshape(len(launch.basis), -1))


def _single(passage: Passage) -> NDArray[np.complex64]:
    return passage.matrix.astype(np.complex64)
