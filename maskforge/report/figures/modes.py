"""The figure of a fibre's guided modes: a picture each, the labels of a group side by side."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from maskforge.fiber.modes import NEAR_CUTOFF, RadialMode
from maskforge.launch.basis import basis_of, sampled
from maskforge.launch.fourier import axis
from maskforge.report.figures.field_colours import field_colours
from maskforge.report.figures.layout import (
    MOST_HEIGHT,
    MOST_WIDTH,
    axes_at,
    draw_facet,
    sheet,
    shortened,
    write,
)
from maskforge.report.figures.style import RULE, figure_bytes, styled

SAMPLES = 121
"""Of a picture along a side."""

LEAST, LARGEST = 0.48, 1.25
"""Inches, a picture with its padding; the text below it needs the least, whatever the page."""

LEFT, TOP, HEAD, CAPTION, FOOT, APART = 0.12, 0.52, 0.24, 0.42, 0.32, 0.22
"""Inches: beside everything, above it, above and below a picture, below everything, and between
two groups."""

PADDING = 0.05
"""Inches between two pictures of a group."""

TAIL, VIEWS = 5e-3, (1.15, 2.5)
"""Power of a mode that its picture may cut off; least and most half width in core radii."""

SMALL = 0.72
"""Inches of a picture below which its text is set smaller."""

LARGE_TEXT, SMALL_TEXT = (6.0, 0.105), (4.6, 0.085)
"""Points, and inches between two lines."""

Group = tuple[RadialMode, ...]


@dataclass(frozen=True)
class FigureSetting:
    """Groups set in lines as words are; `fit`: inches of a picture's side that fit a page."""

    lines: tuple[tuple[Group, ...], ...]
    fitting: float

    @property
    def side(self) -> float:
        """Of a picture with its padding, inches."""
        return max(self.fitting, LEAST)

    @property
    def size(self) -> tuple[float, float]:
        """Of the figure, inches."""
        width = max(_width(line, self.side) for line in self.lines)
        height = len(self.lines) * (HEAD + self.side + CAPTION)
        return max(2 * LEFT + width, 4.6), TOP + height + FOOT


def _width(line: Sequence[Group], side: float) -> float:
    return sum(map(len, line)) * side + (len(line) - 1) * APART


def groups_of_modes(modes: Sequence[RadialMode]) -> tuple[Group, ...]:
    """The modes by mode group, ascending."""
    ordered = sorted(modes, key=lambda mode: mode.group)
    return tuple(tuple(own) for _, own in groupby(ordered, key=lambda mode: mode.group))


def setting_of(groups: Sequence[Group]) -> FigureSetting:
    """The lines in which the pictures are largest on a page; of very many it gets longer."""
    longest = max(map(len, groups))
    every = [_set(groups, most) for most in range(longest, sum(map(len, groups)) + 1)]
    narrow = [one for one in every if one.size[0] <= MOST_WIDTH + 1e-9]
    return max(narrow or every[:1], key=lambda one: (one.fitting, -len(one.lines)))


def _set(groups: Sequence[Group], most: int) -> FigureSetting:
    """Lines of at most `most` pictures."""
    lines: list[list[Group]] = [[]]
    for group in groups:
        if lines[-1] and sum(map(len, lines[-1])) + len(group) > most:
            lines.append([])
        lines[-1].append(group)
    across = min(
        (MOST_WIDTH - 2 * LEFT - (len(line) - 1) * APART) / sum(map(len, line)) for line in lines
    )
    down = (MOST_HEIGHT - TOP - FOOT) / len(lines) - HEAD - CAPTION
    return FigureSetting(tuple(map(tuple, lines)), min(across, down, LARGEST))


def modes_figure(
    modes: Sequence[RadialMode], core_radius: float, title: tuple[str, str], kind: str
) -> bytes:
    """Signed fields (of cos, sin modes the cos one) of the labels, with n_eff and delay.

    `core_radius` in m; `title`: the name, and a line below it; `kind`: one of report.FORMATS.
    """
    setting = setting_of(groups_of_modes(modes))
    window = window_of(modes, core_radius)
    with styled():
        figure = sheet(setting.size)
        write(figure, LEFT, 0.22, shortened(title[0]), fontsize=9.5, fontweight="bold")
        write(figure, LEFT, 0.37, title[1], fontsize=6.5)
        for row, line in enumerate(setting.lines):
            x, y = LEFT, TOP + row * (HEAD + setting.side + CAPTION)
            for group in line:
                _group(figure, (x, y), setting.side, group, window)
                x += len(group) * setting.side + APART
        _foot(figure, setting, core_radius, any(mode.near_cutoff for mode in modes))
        return figure_bytes(figure, kind)


@dataclass(frozen=True)
class FigureWindow:
    """What a picture shows: `view` core radii to each side; `core_radius` in m."""

    core_radius: float
    view: float


def window_of(modes: Sequence[RadialMode], core_radius: float) -> FigureWindow:
    """A window that holds all of the modes but TAIL."""
    reach = max(mode.field.radius_enclosing(TAIL) for mode in modes)
    return FigureWindow(core_radius, float(np.clip(reach / core_radius, *VIEWS)))


def _group(
    figure: Figure, corner: tuple[float, float], side: float, group: Group, window: FigureWindow
) -> None:
    x, y = corner
    write(figure, x, y + 0.12, f"group {group[0].group}", fontsize=7.0, fontweight="bold")
    across, down = figure.get_size_inches()
    ends = x / across, (x + len(group) * side - PADDING) / across
    height = 1 - (y + 0.17) / down
    figure.add_artist(Line2D(ends, (height, height), color=RULE, lw=0.8))
    for k, mode in enumerate(group):
        _mode(figure, (x + k * side, y + HEAD), side - PADDING, mode, window)


def _mode(
    figure: Figure, corner: tuple[float, float], side: float, mode: RadialMode, window: FigureWindow
) -> None:
    x, y = corner
    u = axis(SAMPLES, 2 * window.view * window.core_radius / (SAMPLES - 1))
    axes = axes_at(figure, x, y, side, side)
    field = sampled(basis_of([mode])[:1], u, u)[0]
    draw_facet(axes, field_colours(field, float(np.abs(field).max())), window.view)
    size, step = LARGE_TEXT if side + PADDING > SMALL else SMALL_TEXT
    fields = " × 2" if mode.l else ""
    mark = " !" if mode.near_cutoff else ""
    lines = (
        f"{mode.label}{fields}{mark}",
        f"{mode.n_eff:.6f}",
        f"{round(mode.delay * 1e12, 3) + 0.0:.3f} ps/m".replace("-", "−"),
    )
    for k, line in enumerate(lines):
        weight = "normal" if k else "bold"
        below = y + side + 0.09 + k * step
        write(figure, x + side / 2, below, line, fontsize=size, ha="center", fontweight=weight)


def _foot(figure: Figure, setting: FigureSetting, core_radius: float, marked: bool) -> None:
    y = setting.size[1] - 0.1
    near = f"; !: cut-off margin below {100 * NEAR_CUTOFF:g} %" if marked else ""
    lines = (
        f"colour: sign and strength of the field (× 2: cos and sin, cos shown); circle: the core, "
        f"radius {core_radius * 1e6:.4g} µm",
        f"below: effective index, delay relative to LP01{near}",
    )
    for k, line in enumerate(lines):
        write(figure, LEFT, y - 0.12 * (1 - k), line, fontsize=5.6)
