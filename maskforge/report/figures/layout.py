"""Figures laid out in inches from the left top corner: axes, text, and pictures of the facet."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle
from numpy.typing import NDArray

from maskforge.report.figures.style import INK

MOST_WIDTH, MOST_HEIGHT = 7.2, 10.6
"""Of a figure: A4 (ISO 216) without its margins."""

LONGEST_NAME = 30
"""Characters of a name."""

EDGE = "#c4c9d0"

ROUND_LENGTHS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
"""um, of a scale bar."""

LONGEST_BAR = 0.67
"""Of the core's radius."""


def sheet(size: tuple[float, float]) -> Figure:
    """An empty figure of (width, height) inches; call it within `style.styled`."""
    figure = Figure(figsize=size)
    figure.set_layout_engine("none")
    return figure


def axes_at(figure: Figure, x: float, y: float, width: float, height: float) -> Axes:
    """Axes without a frame; x, y: their left top corner."""
    across, down = figure.get_size_inches()
    box = (x / across, 1 - (y + height) / down, width / across, height / down)
    axes = figure.add_axes(box)
    axes.set_axis_off()
    return axes


def write(figure: Figure, x: float, y: float, text: str, **look: Any) -> None:
    """Text whose base line is y below the top; a dollar sign is no mathematics."""
    across, down = figure.get_size_inches()
    figure.text(x / across, 1 - y / down, text, parse_math=False, **look)


def shortened(name: str) -> str:
    return name if len(name) <= LONGEST_NAME else name[: LONGEST_NAME - 1] + "…"


def draw_facet(axes: Axes, colours: NDArray[np.uint8], view: float) -> None:
    """An RGB picture, y up, `view` core radii from the axis to its sides, and the core's circle."""
    extent = (-view, view, -view, view)
    axes.imshow(colours, origin="lower", extent=extent, interpolation="bilinear")
    axes.add_patch(Circle((0, 0), 1, fill=False, ec=INK, lw=0.6))
    axes.add_patch(Rectangle((-view, -view), 2 * view, 2 * view, fill=False, ec=EDGE, lw=0.8))


def draw_scale_bar(axes: Axes, core_radius: float, view: float) -> None:
    """A round length in such a picture, at the lower left; `core_radius` in m."""
    radius = core_radius * 1e6
    fitting = [length for length in ROUND_LENGTHS if length < LONGEST_BAR * radius]
    length = max(fitting, default=ROUND_LENGTHS[0])
    x, y = -0.93 * view, -0.9 * view
    axes.plot([x, x + length / radius], [y, y], color=INK, lw=1.2, solid_capstyle="butt")
    axes.text(x, y + 0.08, f"{length:g} µm", fontsize=5.0, color=INK)
