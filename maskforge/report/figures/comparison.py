"""The figure of a comparison: the mask, what it sends to the facet, and what the fibre keeps of it.

A block a target: a column a method; rows from the mask to the field after the fibre.  Blocks stand
below each other, those of several benches side by side.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Circle
from numpy.typing import NDArray

from maskforge.base.arrays import beside
from maskforge.base.wording import counted
from maskforge.launch.basis import groups_of
from maskforge.launch.couplings import Launch, facet_field, passed_on
from maskforge.launch.fourier import axis
from maskforge.launch.light import Complex, Real
from maskforge.launch.modulator import emitted
from maskforge.launch.prediction import insertion_loss_db
from maskforge.report.figures.field_colours import field_colours, wheel
from maskforge.report.figures.layout import (
    MOST_HEIGHT,
    MOST_WIDTH,
    axes_at,
    draw_facet,
    draw_scale_bar,
    sheet,
    shortened,
    write,
)
from maskforge.report.figures.style import INK, PHASE, figure_bytes, styled
from maskforge.report.notebook import phase_colours
from maskforge.report.page.palette_png import CYCLE
from maskforge.report.page.purity_by_group import groups_in, name_of
from maskforge.report.page.thumbnails import VIEW, camera_of, mask_picture
from maskforge.study.comparison import ComparedMask, kept_field

ROWS = ("mask", "far field", "after the fibre")

SAMPLES = 161
"""Of a field's picture along a side."""

LARGEST = 640
"""Pixels along a side up to which a mask without a carrier is drawn as it is."""

BANDS = 3
"""Blocks below each other at most: a page."""

COLUMNS, MOST_COLUMNS = 6, 9
"""Pictures side by side that one or two benches are given, and the most of all."""

NARROWEST = 5.4
"""Inches that the legend takes."""

LARGEST_SIDE = 1.3
"""Of a picture, inches."""

LEFT, RIGHT, TOP, HEAD, CAPTION, FOOT, BETWEEN = 0.34, 0.08, 0.5, 0.38, 0.3, 0.7, 0.18
"""Inches: beside the rows, above everything, above and below a block, of the legend, between."""

PADDING = 0.035
"""Inches between two pictures."""


def room(benches: int, methods: int) -> tuple[int, int]:
    """(benches, targets of each) that the figure takes."""
    taken = min(benches, MOST_COLUMNS // methods)
    return taken, BANDS * _abreast(taken, methods)


def _abreast(benches: int, methods: int) -> int:
    """Blocks of one bench side by side."""
    return max(1, COLUMNS // (benches * methods))


@dataclass(frozen=True)
class Grid:
    """Where everything lies: lengths in inches from the left and from the top."""

    columns: int
    bands: int
    methods: int

    @property
    def side(self) -> float:
        """Of a picture, with its padding."""
        across = MOST_WIDTH - LEFT - RIGHT - (self.columns - 1) * BETWEEN
        down = MOST_HEIGHT - TOP - FOOT - self.bands * (HEAD + CAPTION)
        widest = across / (self.columns * self.methods)
        return min(widest, down / (self.bands * len(ROWS)), LARGEST_SIDE)

    @property
    def size(self) -> tuple[float, float]:
        blocks = self.columns * self.methods * self.side + (self.columns - 1) * BETWEEN
        height = self.bands * (HEAD + len(ROWS) * self.side + CAPTION)
        return max(LEFT + blocks + RIGHT, NARROWEST), TOP + height + FOOT

    def corner(self, column: int, band: int) -> tuple[float, float]:
        """Left top corner of a block's first picture."""
        x = LEFT + column * (self.methods * self.side + BETWEEN)
        y = TOP + band * (HEAD + len(ROWS) * self.side + CAPTION) + HEAD
        return x, y


@dataclass(frozen=True, eq=False)
class ShownField:
    """The pictures of a mask: RGB (rows, columns, 3), y up; fields in 1/m at `FigureBlock.u`."""

    entry: ComparedMask
    mask: NDArray[np.uint8]
    far: Complex
    kept: Complex


@dataclass(frozen=True, eq=False)
class FigureBlock:
    """A target's masks; `u` the fields' samples in m, `strongest` the amplitude of full colour."""

    launch: Launch
    masks: tuple[ShownField, ...]
    u: Real
    strongest: float


def comparison_figure(
    launches: Mapping[str, Launch], entries: Sequence[ComparedMask], kind: str
) -> bytes:
    """The masks of those entries that kept their states; `launches` by the entries' benches.

    `kind`: one of report.FORMATS.  No more benches and targets than `room` says.
    """
    shown = [one for one in entries if one.states is not None]
    blocks = {name: list(_blocks(launches[name], shown, name)) for name in launches}
    blocks = {name: own for name, own in blocks.items() if own}
    methods = len(dict.fromkeys(one.mask.method for one in shown))
    most = max(map(len, blocks.values()))
    abreast = min(_abreast(len(blocks), methods), most)
    page = Grid(len(blocks) * abreast, -(-most // abreast), methods)
    with styled():
        figure = sheet(page.size)
        for place, (name, own) in enumerate(blocks.items()):
            _bench(figure, page, place * abreast, name, own[0].launch)
            for k, block in enumerate(own):
                _block(figure, page, (place * abreast + k % abreast, k // abreast), block)
        carried = any(any(launches[name].centre) for name in blocks)
        _legend(figure, page, carried=carried)
        return figure_bytes(figure, kind)


# --- the pictures ----------------------------------------------------------------------------


def _blocks(launch: Launch, entries: Sequence[ComparedMask], bench: str) -> Iterator[FigureBlock]:
    u = axis(SAMPLES, 2 * VIEW * launch.core_radius / (SAMPLES - 1))
    core = np.hypot(u, u[:, None]) <= launch.core_radius
    own = [one for one in entries if one.bench == bench]
    for name in dict.fromkeys(one.target.name for one in own):
        masks = tuple(_shown(launch, one, u) for one in own if one.target.name == name)
        strongest = max(float(np.abs(f[core]).max()) for one in masks for f in (one.far, one.kept))
        yield FigureBlock(launch, masks, u, strongest)


def _shown(launch: Launch, entry: ComparedMask, u: Real) -> ShownField:
    """The phases of the fields are those from the target's."""
    assert entry.states is not None
    factors = emitted(launch.modulator, entry.states)
    along = complex(np.vdot(entry.target.vector, passed_on(launch, entry.couplings)))
    turn = np.conj(along) / max(abs(along), 1e-300)
    return ShownField(
        entry,
        mask_colours(launch, factors),
        turn * facet_field(launch, factors, u, u),
        turn * kept_field(launch.basis, entry.couplings, u, u),
    )


def mask_colours(launch: Launch, factors: Complex) -> NDArray[np.uint8]:
    """RGB picture of the phase of a mask's factors (rows, columns), y up, by PHASE.

    Where there is a carrier, or many pixels, of averages with the carrier taken out.
    """
    if any(launch.centre) or max(factors.shape) > LARGEST:
        camera = camera_of(launch)
        indices = mask_picture(camera, beside(factors.astype(np.complex64), camera.values))
        colours = CYCLE.colours[indices[::-1]]
        # what has no phase is clear there, and white on paper
        return np.where(colours[..., 3:] > 0, colours[..., :3], np.uint8(255))
    return phase_colours(np.angle(factors))[::-1]


# --- drawing ---------------------------------------------------------------------------------


def _bench(figure: Figure, page: Grid, column: int, name: str, launch: Launch) -> None:
    x, _ = page.corner(column, 0)
    rows, columns = launch.modulator.shape
    pitch_x, pitch_y = launch.modulator.pitch_seen
    groups = len(set(groups_of(launch.basis).tolist()))
    width, height = columns * pitch_x * 1e3, rows * pitch_y * 1e3
    lines = (
        f"{counted(len(launch.basis), 'mode')} in {counted(groups, 'group')}, "
        f"core radius {launch.core_radius * 1e6:.3g} µm",
        f"mask {columns} × {rows} pixels, {width:.3g} × {height:.3g} mm",
    )
    write(figure, x, 0.22, shortened(name), fontsize=9.5, fontweight="bold")
    for k, line in enumerate(lines):
        write(figure, x, 0.36 + 0.115 * k, line, fontsize=6.0)


def _block(figure: Figure, page: Grid, place: tuple[int, int], block: FigureBlock) -> None:
    left, top = page.corner(*place)
    target = block.masks[0].entry.target
    group = name_of(groups_in(block.launch.basis, target))
    write(figure, left, top - 0.19, shortened(target.name), fontsize=8.0, fontweight="bold")
    right = left + page.methods * page.side - PADDING
    write(figure, right, top - 0.19, f"group {group}", fontsize=6.0, ha="right")
    if place[0] == 0:
        for row, name in enumerate(ROWS):
            middle = top + (row + 0.5) * page.side
            look: dict[str, Any] = {"fontsize": 7.0, "rotation": 90, "ha": "center", "va": "center"}
            write(figure, LEFT - 0.13, middle, name, **look)
    for k, shown in enumerate(block.masks):
        _column(figure, page, (left + k * page.side, top), block, shown)
    first = figure.axes[-len(ROWS) * len(block.masks) + 1]
    draw_scale_bar(first, block.launch.core_radius, VIEW)


def _column(
    figure: Figure, page: Grid, corner: tuple[float, float], block: FigureBlock, shown: ShownField
) -> None:
    """A method: its pictures, and what came of it."""
    (x, y), side, entry = corner, page.side - PADDING, shown.entry
    middle = x + side / 2
    write(figure, middle, y - 0.05, entry.mask.method, fontsize=7.0, ha="center")
    axes = axes_at(figure, x, y, side, side)
    pitch_x, pitch_y = block.launch.modulator.pitch_seen
    rows, columns = block.launch.modulator.shape
    across, up = columns * pitch_x / 2, rows * pitch_y / 2
    axes.imshow(shown.mask, origin="lower", extent=(-across, across, -up, up))
    for row, field in enumerate((shown.far, shown.kept), start=1):
        axes = axes_at(figure, x, y + row * page.side, side, side)
        draw_facet(axes, field_colours(field, block.strongest), VIEW)
    below = y + len(ROWS) * page.side
    size = 6.0 if page.side > 0.8 else 5.2
    weight = "bold" if entry.mask.purity >= entry.asked else "normal"
    lines = (
        f"{100 * entry.mask.purity:.4f} %",
        f"{insertion_loss_db(entry.mask.efficiency):.2f} dB",
    )
    write(figure, middle, below + 0.08, lines[0], fontsize=size, ha="center", fontweight=weight)
    write(figure, middle, below + 0.19, lines[1], fontsize=size, ha="center")


def _legend(figure: Figure, page: Grid, *, carried: bool) -> None:
    y = page.size[1] - FOOT + 0.1
    disc = 0.46
    axes = axes_at(figure, LEFT, y, disc, disc)
    picture = axes.imshow(wheel(121), origin="lower", extent=(-1, 1, -1, 1))
    rim = Circle((0, 0), 1, fill=False, ec=INK, lw=0.5, transform=axes.transData)
    axes.add_patch(rim)
    picture.set_clip_path(rim)
    small: dict[str, Any] = {"fontsize": 5.0, "va": "center"}
    axes.text(1.1, 0, "0°", **small)
    axes.text(-1.1, 0, "180°", ha="right", **small)
    meanings = (
        "fields: hue for the phase (0°: the target's), strength for the amplitude;",
        "full colour: strongest place in the core (circle) of the target's masks;",
        "after the fibre: the guided modes alone, their phases as launched;",
        "below: purity (bold: as pure as asked), insertion loss",
    )
    for k, line in enumerate(meanings):
        write(figure, LEFT + disc + 0.22, y + 0.07 + 0.125 * k, line, fontsize=6.0)
    x = page.size[0] - 1.15
    bar = axes_at(figure, x, y + 0.03, 0.95, 0.1)
    bar.imshow(np.linspace(0, 1, 256)[None], cmap=PHASE, aspect="auto", extent=(0, 1, 0, 1))
    for at, text in ((0, "0°"), (0.5, "180°"), (1, "360°")):
        bar.text(at, -0.25, text, fontsize=5.0, ha="center", va="top")
    for k, line in enumerate(
        ("mask: phase,", "carrier taken out") if carried else ("mask: phase",)
    ):
        write(figure, x + 0.475, y + 0.37 + 0.11 * k, line, fontsize=6.0, ha="center")
