"""The figure of a fit: readings, the fit through them, and what is left between the two."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from maskforge.align.fit import Fit, FittedCurve
from maskforge.report.figures.style import COLOURS, INK, PAPER, figure_bytes, styled
from maskforge.report.figures.wavefront import wavefront_figure

MOST_SCANS = 12
"""Drawn side by side; of more, as many spread evenly."""

COLUMNS = 4

SIZE = 2.5, 2.6
"""Inches of a scan, across and down."""

AXES = {
    "x_mm": "x, mm",
    "edge_mm": "edge, mm",
    "line_mm": "line, mm",
    "grey_b": "grey",
    "rms_waves": "added, waves RMS",
    "angle_deg": "angle, deg",
    "place_um": "moved, um",
    "curvature_per_m": "added curvature, 1/m",
    "diameter_mm": "diameter, mm",
}
"""What is scanned, by the key of a frame."""


def fit_figure(fit: Fit, kind: str) -> bytes:
    """Every scan with its residuals below, or the wavefront; `kind`: one of report.FORMATS.

    Readings are free of background and drift; those left out as wild are hollow.
    """
    if fit.wavefront is not None:
        return wavefront_figure(fit.wavefront, heading(fit), kind)
    curves = _picked(fit.curves)
    columns = min(COLUMNS, len(curves))
    rows = -(-len(curves) // columns)
    top = max(float(np.max(curve.fitted)) for curve in curves)
    with styled():
        figure = Figure(figsize=(max(SIZE[0] * columns, 4.2) + 0.6, SIZE[1] * rows + 0.6))
        ratios = [3, 1] * rows
        grid = figure.add_gridspec(2 * rows, columns, height_ratios=ratios)
        for place, curve in enumerate(curves):
            row, column = divmod(place, columns)
            upper = figure.add_subplot(grid[2 * row, column])
            lower = figure.add_subplot(grid[2 * row + 1, column], sharex=upper)
            _scan(upper, curve, top)
            _left(lower, curve, top)
            if column == 0:
                upper.set_ylabel("power, % of highest")
                lower.set_ylabel("residual, %")
        figure.suptitle(heading(fit), x=0.01, ha="left", fontsize=9.5)
        return figure_bytes(figure, kind)


def heading(fit: Fit) -> str:
    """The step, and how well it was fitted."""
    return f"{fit.step}\nresidual {100 * fit.residual:.2g} %, {fit.used} of {fit.rows} readings"


def _picked(curves: tuple[FittedCurve, ...]) -> list[FittedCurve]:
    if len(curves) <= MOST_SCANS:
        return list(curves)
    places = np.linspace(0, len(curves) - 1, MOST_SCANS).round().astype(int)
    return [curves[place] for place in places]


def _scan(axes: Axes, curve: FittedCurve, top: float) -> None:
    order = np.argsort(curve.x, kind="stable")
    axes.plot(curve.x[order], 100 * curve.fitted[order] / top, color=COLOURS[1], lw=1.4, zorder=2)
    for kept, fill in ((True, COLOURS[0]), (False, PAPER)):
        some = curve.kept == kept
        axes.plot(
            curve.x[some],
            100 * curve.measured[some] / top,
            ls="none",
            marker="o",
            ms=2.6,
            mec=COLOURS[0],
            mew=0.7,
            mfc=fill,
            zorder=3,
        )
    axes.set_title(curve.title.replace("_", " "), fontsize=9.0)
    axes.tick_params(labelbottom=False)
    inside = np.append(curve.measured[curve.kept], curve.fitted)
    low, high = 100 * float(inside.min()) / top, 100 * float(inside.max()) / top
    room = 0.08 * max(high - low, 1.0)
    axes.set_ylim(low - room, high + room)


def _left(axes: Axes, curve: FittedCurve, top: float) -> None:
    left = 100 * (curve.measured - curve.fitted) / top
    axes.axhline(0, color=INK, lw=0.7, zorder=1)
    axes.errorbar(
        curve.x[curve.kept],
        left[curve.kept],
        100 * curve.sigma[curve.kept] / top,
        fmt="o",
        ms=2.0,
        lw=0.6,
        color=COLOURS[0],
        zorder=3,
    )
    axes.set_xlabel(AXES.get(curve.axis, curve.axis))
