"""What a detector sees of a stack's pictures: the model of the fits, on blocks of pixels.

Of the pictures' light in the detector's order a block keeps its sum and its first moments, of the
beam in a pixel its value and its slope.  `launch` is the full model, which the simulation uses and
this is tested against.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from maskforge.align.scene import Detector, Scene, pinhole_rule
from maskforge.launch.basis import sampled
from maskforge.launch.beam_in_pixels import inner_envelope
from maskforge.launch.fourier import axis, fourier_rows
from maskforge.launch.light import Light, Real, illumination, pixel_envelope
from maskforge.launch.lit_panel import active_width, finest_detail
from maskforge.launch.mode_samples import facet_axis
from maskforge.launch.modulator import Complex, emitted, gaps_beside_pixels
from maskforge.launch.panel import Picture, states_of

MOST_BLOCKS = 96
"""Along the panel's longer side."""

CORE_SAMPLES = 8
"""Facet samples a core radius."""

TAIL = 1e-6
"""Power of a mode that may lie outside of them."""

MOMENTS = 3
"""Of a block: the sum, and the first moments along x and along y."""

SENT = 5
"""What of it goes to a detector: the moments, and the sum by the beam's slopes in the pixels."""


@dataclass(frozen=True, eq=False)
class BlockView:
    """`factors` (frames, MOMENTS * blocks): what the pictures do to light that goes to the order.

    `x`, `y`: the blocks' middles in m from the middle of the mask, blocks in rows, x fastest;
    `size` in pixels.
    """

    scene: Scene
    detector: Detector
    factors: Complex
    x: Real
    y: Real
    size: int


def view_of(scene: Scene, detector: Detector, pictures: Iterable[Picture]) -> BlockView:
    """The view of a stack's pictures on its own bench."""
    rows, columns = scene.whole.shape
    size = max(1, -(-max(rows, columns) // MOST_BLOCKS))
    x, y = scene.axes
    tilt_x, tilt_y = (
        np.exp(-2j * np.pi * frequency * axis(count, 1.0))
        for frequency, count in zip(
            scene.carrier_to(detector.order).frequency, (columns, rows), strict=True
        )
    )
    middle_x, middle_y = (_means(z, size) for z in (x, y))
    off_x, off_y = (z - np.repeat(m, size)[: z.size] for z, m in ((x, middle_x), (y, middle_y)))
    # light from the gaps joins that of the pixels: as much, per pixel, as their areas say
    gaps = gaps_beside_pixels(scene.whole)
    flatness = scene.whole.flatness
    bent = 1.0 if flatness is None else np.exp(2j * np.pi * flatness)
    found = []
    for picture in pictures:
        light = emitted(scene.whole, states_of(scene.whole, picture)) + gaps
        light = light * tilt_y[:, None] * tilt_x * bent
        moments = (light, light * off_x, light * off_y[:, None])
        found.append(np.concatenate([_blocks(moment, size) for moment in moments]))
    return BlockView(scene, detector, np.array(found), middle_x, middle_y, size)


def _means(values: Real, size: int) -> Real:
    starts = np.arange(0, values.size, size)
    return np.asarray(np.add.reduceat(values, starts) / np.diff([*starts, values.size]))


def _blocks(field: Complex, size: int) -> Complex:
    """Sums over blocks of `size` pixels, in a row; those at the far ends may be smaller."""
    rows, columns = field.shape
    across = np.add.reduceat(field, np.arange(0, columns, size), axis=1)
    return np.asarray(np.add.reduceat(across, np.arange(0, rows, size), axis=0).ravel())


def _waves(middles: Real, places: Real, scale: float, size: int, pitch: float) -> list[Complex]:
    """What a block's sum and its first moment are multiplied by, each (places, blocks), for the
    sum over its pixels of light times exp(-2 pi i x u / scale), to first order in the light."""
    inside = axis(size, pitch)
    wave = fourier_rows(inside, places, scale)
    square = float(np.sum(inside**2))
    slope = wave @ inside / square if square else np.zeros(places.size)
    over = fourier_rows(middles, places, scale)
    return [over * wave.mean(axis=1)[:, None], over * slope[:, None]]


def seen_by(
    view: BlockView, *, shift: tuple[float, float] = (0.0, 0.0), stretch: float = 1.0
) -> Complex:
    """(places, SENT * blocks) that take the light of blocks to a detector.

    The detector's power is the sum of the squares there.  `shift` (x, y): its place from the
    nominal one, in m; `stretch`: of the focal length, the fibre being as it is and on the order.
    """
    scene, scale = view.scene, view.scene.scale * stretch
    fields, u, v = _places(view, scale)
    u, v = u + shift[0], v + shift[1]
    offset, pitch = scene.lens_offset, scene.whole.pitch_seen
    order = (stretch * z for z in view.detector.order)
    widths = active_width(scene.whole)
    ks = [(z + m) / scale for z, m in zip((u, v), order, strict=True)]
    across, up = (pixel_envelope(w, k, 1.0) for w, k in zip(widths, ks, strict=True))
    in_x, in_y = (inner_envelope(w, k) for w, k in zip(widths, ks, strict=True))
    plain = up[:, None] * across
    # the phase that the lens's offset puts on the facet is that of places counted from its axis
    x0, x1 = _waves(view.x + offset[0], u, scale, view.size, pitch[0])
    y0, y1 = _waves(view.y + offset[1], v, scale, view.size, pitch[1])
    ways = (
        (plain, y0, x0),
        (plain, y0, x1),
        (plain, y1, x0),
        (up[:, None] * in_x, y0, x0),
        (in_y[:, None] * across, y0, x0),
    )
    return np.concatenate(
        [
            (over_y.T @ (fields * envelope) @ over_x).reshape(len(fields), -1)
            for envelope, over_y, over_x in ways
        ],
        axis=1,
    )


def _places(view: BlockView, scale: float) -> tuple[Real, Real, Real]:
    """What the detector sees of the facet: fields (places, len(v), len(u)), u and v, in m from its
    middle, or from the order where it stands aside."""
    scene, detector = view.scene, view.detector
    if detector.kind == "fiber":
        # the panel shows at most half a turn a sample, which leaves room for that of the modes
        finest = finest_detail(scale, scene.whole, scene.lens_offset)
        step = min(scene.fiber.profile.core_radius / CORE_SAMPLES, finest)
        u = facet_axis(scene.basis, step, TAIL)
        return sampled(scene.basis, u, u) * step**2, u, u
    u, v, weight = pinhole_rule(detector, scale, scene.width)
    up, right = np.nonzero(weight)
    fields = np.zeros((up.size, v.size, u.size))
    fields[np.arange(up.size), up, right] = np.sqrt(weight[up, right])
    return fields, u + detector.aside[0], v + detector.aside[1]


def turned(view: BlockView, turn: float) -> BlockView:
    """The view of a detector that stands turned by `turn` rad about its order."""
    (x, y), cos, sin = view.detector.aside, np.cos(turn), np.sin(turn)
    aside = (x * cos - y * sin, x * sin + y * cos)
    return replace(view, detector=replace(view.detector, aside=aside))


def lit(view: BlockView, light: Light) -> Complex:
    """The beam (rows, columns) of blocks, in 1/m."""
    return illumination(light, view.x, view.y)


def signals(view: BlockView, field: Complex, seen: Complex) -> Real:
    """Power (frames,) at the detector, of any common scale; `field`, `seen`: as of `lit` and
    `seen_by`."""
    up, across = np.gradient(field, view.y, view.x)
    plain, along_x, along_y, in_x, in_y = np.split(seen, SENT, axis=1)
    vary_x, vary_y = ((view.size**2 - 1) / 12 * p**2 for p in view.scene.whole.pitch_seen)
    # to second order in what changes over a block: pictures, waves to the detector, light
    parts = (
        plain * field.ravel()
        + (vary_x * along_x + in_x) * across.ravel()
        + (vary_y * along_y + in_y) * up.ravel(),
        along_x * field.ravel() + plain * across.ravel(),
        along_y * field.ravel() + plain * up.ravel(),
    )
    return np.asarray(np.sum(np.abs(view.factors @ np.concatenate(parts, axis=1).T) ** 2, axis=1))
