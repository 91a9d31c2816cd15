"""The bench to scale: what lies where in the plane of the modulator and on the facet.

Everything is in the units of the drawing, x to the right and y down as SVG has it.
"""

from dataclasses import dataclass

import numpy as np

from maskforge.launch.couplings import Launch
from maskforge.launch.light import Light
from maskforge.launch.lit_panel import finest_detail, panel_axes
from maskforge.launch.mode_samples import farthest_reach
from maskforge.report.page.thumbnails import VIEW

PLANE = 230.0
"""Side of a drawing's square."""

INSET = 190.0
"""Diameter of the round view of the core."""

TAIL = 1e-3
"""Power of a mode outside the circle that is called its tail."""

WIDEST = 2.5
"""Half width of the view of the core in core radii, at most."""


@dataclass(frozen=True)
class Box:
    """A rectangle: its left top corner and its sides."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class Round:
    """An ellipse: its middle, its half axes, and the angle of the first one in deg, clockwise."""

    x: float
    y: float
    rx: float
    ry: float
    angle: float = 0.0


@dataclass(frozen=True)
class Bar:
    """A length as a bar `width` long, and what it is called."""

    width: float
    text: str


@dataclass(frozen=True)
class MaskPlane:
    """The modulator as the light sees it; a beam's ellipse is that of 1/e^2.

    Of two apertures there are two masks and beams.
    """

    panel: Box
    masks: tuple[Box, ...]
    beams: tuple[Round, ...]
    bar: Bar
    alone: bool
    """The mask is the whole panel."""


@dataclass(frozen=True)
class FacetSketch:
    """The facet: the field that the pixels show once, and the view of the core in it.

    `zero`, `plus`, `minus`: the zero order and the two of the carrier, radius that of the beam's
    own spot.  `zero_in_view`: the zero order in the view of the core, None where it is outside.
    """

    field: Box
    field_um: tuple[float, float]
    zero: Round
    plus: Round
    minus: Round
    core: Round
    bar: Bar
    carried: bool
    view_half: float
    """Half width of the view of the core, on the field."""
    core_in_view: Round
    tail_in_view: Round | None
    tail_um: float
    zero_in_view: Round | None
    view_bar: Bar
    detail_um: float
    distance_um: float
    spot_um: float


def beam_axes(light: Light) -> tuple[float, float, float, tuple[float, float]]:
    """1/e^2 radii in m, the first one's angle in rad and the centre (x, y) in m of the beam.

    Of a measured beam: twice the standard deviations along its own axes (ISO 11146-1).
    """
    if light.image is None or light.image_pitch is None:
        return *light.waist, light.angle, light.offset
    power = light.image / light.image.sum()
    rows, columns = power.shape
    x, y = np.arange(columns) - (columns - 1) / 2, np.arange(rows) - (rows - 1) / 2
    along, up = power.sum(axis=0), power.sum(axis=1)
    mean_x, mean_y = float(along @ x), float(up @ y)
    x, y = x - mean_x, y - mean_y
    cross = float(y @ power @ x)
    spread = np.array([[along @ x**2, cross], [cross, up @ y**2]])
    variances, turns = np.linalg.eigh(spread)
    widths = 2 * light.image_pitch * np.sqrt(np.maximum(variances[::-1], 0))
    angle = float(np.arctan2(turns[1, 1], turns[0, 1]))
    centre = (
        light.offset[0] + mean_x * light.image_pitch,
        light.offset[1] + mean_y * light.image_pitch,
    )
    return float(widths[0]), float(widths[1]), angle, centre


def mask_plane(launch: Launch, light: Light) -> MaskPlane:
    """The modulator's plane, drawn as large as its square allows."""
    modulator = launch.modulator
    x, y = panel_axes(modulator)
    pitch_x, pitch_y = modulator.pitch_seen
    rows, columns = modulator.shape
    first, second, angle, (beam_x, beam_y) = beam_axes(light)
    reach_x = float(np.hypot(first * np.cos(angle), second * np.sin(angle)))
    reach_y = float(np.hypot(first * np.sin(angle), second * np.cos(angle)))
    row, column = modulator.corner
    # the middles of the masks, from that of the first
    middles = [((c - column) * pitch_x, (row - r) * pitch_y) for r, c in modulator.corners]
    along, up = (np.array(one) for one in zip(*middles, strict=True))
    left = min(x[0] - pitch_x / 2, beam_x - reach_x + float(along.min()))
    right = max(x[-1] + pitch_x / 2, beam_x + reach_x + float(along.max()))
    low = min(y[0] - pitch_y / 2, beam_y - reach_y + float(up.min()))
    high = max(y[-1] + pitch_y / 2, beam_y + reach_y + float(up.max()))
    per_metre = PLANE / max(right - left, high - low)
    # what is narrower than the square lies in its middle
    spare_x = (PLANE - (right - left) * per_metre) / 2
    spare_y = (PLANE - (high - low) * per_metre) / 2

    def place(at_x: float, at_y: float) -> tuple[float, float]:
        return spare_x + (at_x - left) * per_metre, spare_y + (high - at_y) * per_metre

    def box(at_x: float, top: float, count_x: int, count_y: int) -> Box:
        sides = count_x * pitch_x * per_metre, count_y * pitch_y * per_metre
        return Box(*place(at_x, top), *sides)

    panel_rows, panel_columns = modulator.panel
    return MaskPlane(
        panel=box(x[0] - pitch_x / 2, y[-1] + pitch_y / 2, panel_columns, panel_rows),
        masks=tuple(
            box(dx - columns * pitch_x / 2, dy + rows * pitch_y / 2, columns, rows)
            for dx, dy in middles
        ),
        beams=tuple(
            Round(
                *place(beam_x + dx, beam_y + dy),
                first * per_metre,
                second * per_metre,
                -float(np.rad2deg(angle)),
            )
            for dx, dy in middles
        ),
        bar=bar_of(per_metre, 1e-3, "mm"),
        alone=modulator.panel == modulator.shape,
    )


def facet(launch: Launch, light: Light) -> FacetSketch:
    """The facet's plane, the zero order in the middle of its square."""
    sides = [launch.scale / pitch for pitch in launch.modulator.pitch_seen]
    per_metre = PLANE / max(sides)
    middle, core = PLANE / 2, launch.core_radius
    waist = min(beam_axes(light)[:2])
    spot = launch.scale / (np.pi * waist)
    u, v = (place * per_metre for place in launch.centre)
    tail = farthest_reach(launch.basis, TAIL)
    half = float(np.clip(1.08 * tail, VIEW * core, WIDEST * core))
    closer = INSET / 2 / half
    away = float(np.hypot(*launch.centre))
    in_view = away < half + spot
    zero = -launch.centre[0] * closer, launch.centre[1] * closer
    return FacetSketch(
        field=Box(
            middle - sides[0] * per_metre / 2,
            middle - sides[1] * per_metre / 2,
            sides[0] * per_metre,
            sides[1] * per_metre,
        ),
        field_um=(sides[0] * 1e6, sides[1] * 1e6),
        zero=Round(middle, middle, spot * per_metre, spot * per_metre),
        plus=Round(middle + u, middle - v, spot * per_metre, spot * per_metre),
        minus=Round(middle - u, middle + v, spot * per_metre, spot * per_metre),
        core=Round(middle + u, middle - v, core * per_metre, core * per_metre),
        bar=bar_of(per_metre, 1e-6, "µm"),
        carried=away > 0.0,
        view_half=half * per_metre,
        core_in_view=Round(0.0, 0.0, core * closer, core * closer),
        tail_in_view=Round(0.0, 0.0, tail * closer, tail * closer) if tail < half else None,
        tail_um=tail * 1e6,
        zero_in_view=Round(*zero, spot * closer, spot * closer) if in_view else None,
        view_bar=bar_of(closer, 1e-6, "µm"),
        detail_um=finest_detail(launch.scale, launch.modulator) * 1e6,
        distance_um=away * 1e6,
        spot_um=spot * 1e6,
    )


def bar_of(per_metre: float, unit: float, name: str) -> Bar:
    """A bar of 1, 2 or 5 times a power of ten of a unit (m), at most a third of a square."""
    longest = PLANE / 3 / (per_metre * unit)
    power = 10.0 ** np.floor(np.log10(longest))
    length = next(step * power for step in (5.0, 2.0, 1.0) if step * power <= longest * (1 + 1e-9))
    return Bar(float(length * unit * per_metre), f"{length:g} {name}")
