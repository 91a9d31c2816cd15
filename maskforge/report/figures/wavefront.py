"""The figure of a measured wavefront: maps of it and of what the fit leaves, and two cuts."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import PatchCollection
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from maskforge.align.fit import Wavefront
from maskforge.launch.light import Real
from maskforge.report.figures.style import COLOURS, PAPER, SIGNED, figure_bytes, styled

SIZE = 7.2, 5.4
"""Inches."""

LEAST = 1e-6
"""Waves from the middle of the colours to their ends, at least."""


def wavefront_figure(wavefront: Wavefront, title: str, kind: str) -> bytes:
    """Measured waves and measured less fitted ones over the mask, then cuts along x and y.

    `kind`: one of report.FORMATS.  Each map has colours of its own, white at 0.
    """
    x, y = wavefront.x * 1e3, wavefront.y * 1e3
    left = wavefront.measured - wavefront.fitted
    with styled():
        figure = Figure(figsize=SIZE)
        axes = figure.subplots(2, 2, height_ratios=[3, 2])
        for panel, waves, name in (
            (axes[0, 0], wavefront.measured, "measured"),
            (axes[0, 1], left, "measured less fit"),
        ):
            _map(panel, x, y, waves)
            panel.set_title(name, fontsize=9.0)
        axes[0, 0].set_ylabel("y, mm")
        _cut(axes[1, 0], wavefront, x, y, ("x", "y"))
        _cut(axes[1, 1], wavefront, y, x, ("y", "x"))
        axes[1, 0].set_ylabel("waves")
        axes[1, 1].legend(loc="best", fontsize=8.0)
        figure.suptitle(
            f"{title}\nwaves beyond the bench's own wavefront, piston and tilt taken out",
            x=0.01,
            ha="left",
            fontsize=9.5,
        )
        return figure_bytes(figure, kind)


def step_of(places: Real) -> float:
    """The least distance of neighbours along an axis; 1 where there is one place."""
    apart = np.diff(np.unique(np.round(places, 6)))
    return float(apart.min()) if apart.size else 1.0


def _map(axes: Axes, x: Real, y: Real, waves: Real) -> None:
    reach = max(float(np.max(np.abs(waves))), LEAST)
    scale = ScalarMappable(Normalize(-reach, reach), SIGNED)
    wide, high = step_of(x), step_of(y)
    tiles = [
        Rectangle((at - wide / 2, up - high / 2), wide, high) for at, up in zip(x, y, strict=True)
    ]
    axes.add_collection(
        PatchCollection(tiles, facecolors=scale.to_rgba(waves), edgecolors=PAPER, linewidths=0.4)
    )
    axes.set_xlim(x.min() - wide, x.max() + wide)
    axes.set_ylim(y.min() - high, y.max() + high)
    axes.set_aspect("equal")
    axes.set_xlabel("x, mm")
    axes.grid(visible=False)
    axes.figure.colorbar(scale, ax=axes, pad=0.02, aspect=25, label="waves")


def _cut(
    axes: Axes, wavefront: Wavefront, along: Real, across: Real, names: tuple[str, str]
) -> None:
    """The row with most places; of such, the one nearest to the middle of all."""
    lines, counts = np.unique(np.round(across, 6), return_counts=True)
    fullest = lines[counts == counts.max()]
    line = fullest[np.argmin(np.abs(fullest - np.mean(across)))]
    own = np.flatnonzero(np.isclose(across, line, rtol=0, atol=1e-6))
    own = own[np.argsort(along[own])]
    axes.plot(along[own], wavefront.fitted[own], color=COLOURS[1], lw=1.4, label="fit")
    axes.plot(
        along[own],
        wavefront.measured[own],
        ls="none",
        marker="o",
        ms=3.4,
        color=COLOURS[0],
        label="measured",
    )
    axes.set_title(f"cut along {names[0]} at {names[1]} = {line:.3g} mm", fontsize=9.0)
    axes.set_xlabel(f"{names[0]}, mm")
