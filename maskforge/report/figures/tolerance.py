"""Figures of what errors cost: a panel a cause; and all errors at once."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter
from scipy.interpolate import PchipInterpolator

from maskforge.launch.light import Real
from maskforge.report.figures.style import COLOURS, INK, PAPER, RULE, figure_bytes, styled
from maskforge.study.tolerance.one_error import ErrorCurve

if TYPE_CHECKING:
    from maskforge.study.tolerance.all_errors import Spread

MEDIAN, WORST, BAND = COLOURS[0], COLOURS[2], COLOURS[5]

ACROSS = 5
"""Panels side by side."""

PANEL = 2.15, 1.75
"""Inches of a panel."""

FINE = 97
"""Points of a curve through the sweep's values."""

LEAST = 1e-5
"""Unwanted share down to which is drawn: what is less lies on the axis."""

NAMED = 5
"""Errors that have a colour of their own in the bars of shares."""

LONGEST_TITLE = 80
"""Characters that fit above the panels."""


def tolerance_figure(
    curves: Sequence[ErrorCurve], names: Sequence[str], limit: float, title: str, kind: str
) -> bytes:
    """Unwanted light (1 - purity) over each error: median, 5 to 95 % of the masks, the worst mask.

    `kind`: one of report.FORMATS.  All panels share their scale; the dotted lines are where the
    worst mask has lost `limit` of its purity.
    """
    rows = -(-len(curves) // ACROSS)
    across = min(ACROSS, len(curves))
    with styled():
        figure = Figure(figsize=(PANEL[0] * across + 0.5, PANEL[1] * rows + 1.0))
        panels = figure.subplots(rows, across, sharey=True, squeeze=False)
        for axes, curve in zip(panels.flat, curves, strict=False):
            _panel(axes, curve, names[curve.limit.worst])
        for axes in panels.flat[len(curves) :]:
            axes.set_visible(False)
        first = panels[0, 0]
        first.set_yscale("log")
        first.set_ylim(bottom=100 * LEAST)
        first.yaxis.set_major_locator(LogLocator(10.0, numticks=12))
        first.yaxis.set_minor_formatter(NullFormatter())
        first.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        figure.supylabel("unwanted light, % of what is guided (100 % - purity)", fontsize=9.0)
        _title(figure, title)
        _legend(figure, limit, len(names))
        return figure_bytes(figure, kind)


def _title(figure: Figure, title: str) -> None:
    short = title if len(title) <= LONGEST_TITLE else title[: LONGEST_TITLE - 1] + "…"
    # a dollar sign in a name is no mathematics
    figure.suptitle(short, x=0.01, ha="left", fontsize=10.5, fontweight="bold", parse_math=False)


def _panel(axes: Axes, curve: ErrorCurve, worst: str) -> None:
    x = np.linspace(curve.values[0], curve.values[-1], FINE)
    # between the values, and never beyond them: purity jumps where a mode is lost
    purity = PchipInterpolator(curve.values, curve.purity)(x)
    unwanted = 100 * np.maximum(1 - purity, LEAST)
    low, middle, high = np.percentile(unwanted, [5, 50, 95], axis=1)
    axes.fill_between(x, low, high, color=BAND, alpha=0.55, lw=0)
    axes.plot(x, middle, color=MEDIAN, lw=1.5)
    axes.plot(x, unwanted[:, curve.limit.worst], color=WORST, lw=1.2, ls=(0, (4, 1.5)))
    value = curve.limit.value
    if value is not None and abs(value) <= curve.cause.half_range:
        for sign in (1, -1) if curve.limit.both else (1,):
            axes.axvline(sign * value, color=INK, lw=0.9, ls=":")
    axes.set_xlim(x[0], x[-1])
    axes.set_xlabel(curve.cause.title, labelpad=2)
    axes.set_title(worst, fontsize=8.0, fontweight="normal", color=WORST, loc="right", pad=2)
    axes.tick_params(labelsize=8.0)


def _legend(figure: Figure, limit: float, masks: int) -> None:
    keys = [
        Line2D([], [], color=MEDIAN, lw=1.5, label=f"median of {masks} masks"),
        Patch(color=BAND, alpha=0.55, lw=0, label="5 to 95 % of the masks"),
        Line2D([], [], color=WORST, lw=1.2, ls=(0, (4, 1.5)), label="worst mask, as named"),
        Line2D([], [], color=INK, lw=0.9, ls=":", label=f"it has lost {100 * limit:.3g} % purity"),
    ]
    figure.legend(handles=keys, loc="outside lower center", ncols=len(keys))


# --- all errors at once ----------------------------------------------------------------------


def spread_figure(spread: "Spread", names: Sequence[str], title: str, kind: str) -> bytes:
    """Left: the share of benches on which a mask is at least so pure.  Right: whose doing it is.

    `kind`: one of report.FORMATS.
    """
    own = [names[mask] for mask in spread.masks]
    with styled():
        figure = Figure(figsize=(9.6, max(3.4, 1.9 + 0.42 * len(own))))
        left, right = figure.subplots(1, 2, width_ratios=(1.0, 1.15))
        _distribution(left, spread, own)
        _bars(right, spread, own)
        _title(figure, title)
        return figure_bytes(figure, kind)


STYLES: tuple[Any, ...] = ("-", (0, (5, 1.5)), (0, (1.5, 1.2)), (0, (6, 1.5, 1.5, 1.5)), "--")
"""Five to six colours: twelve lines that differ."""


def _distribution(axes: Axes, spread: "Spread", names: Sequence[str]) -> None:
    for place, name in enumerate(names):
        purity = np.sort(100 * spread.figures[:, place, 0])
        share = 100 * (1 - np.arange(purity.size) / purity.size)
        colour, style = COLOURS[place % len(COLOURS)], STYLES[place % len(STYLES)]
        axes.step(purity, share, where="pre", lw=1.6, label=name, color=colour, ls=style)
    low, high = axes.get_xlim()
    axes.set_xlim(low, min(high, 100 + 0.02 * (100 - low)))
    axes.set_xlabel("purity, %")
    axes.set_ylabel("benches as pure or purer, %")
    axes.set_ylim(0, 100)
    axes.legend(loc="lower left", fontsize=8.5)


def _bars(axes: Axes, spread: "Spread", names: Sequence[str]) -> None:
    shares = 100 * np.nan_to_num(spread.shares)
    order = np.argsort(-shares.max(axis=0), kind="stable")
    named, rest = order[:NAMED], order[NAMED:]
    parts: list[tuple[str, Real, str]] = [
        (spread.factors[k].name, shares[:, k], COLOURS[place]) for place, k in enumerate(named)
    ]
    if rest.size:
        parts.append(("all others", shares[:, rest].sum(axis=1), RULE))
    begin = np.zeros(len(names))
    rows = np.arange(len(names))[::-1]
    for label, width, colour in parts:
        axes.barh(
            rows, width, left=begin, color=colour, edgecolor=PAPER, lw=0.8, label=label, height=0.62
        )
        begin += width
    axes.set_yticks(rows, names)
    axes.set_xlim(0, 100)
    axes.grid(axis="y", visible=False)
    axes.set_xlabel(
        "share in the variance of the purity, %\n(total indices of Sobol' over their sum)"
    )
    axes.figure.legend(
        loc="outside lower center", ncols=3, handles=axes.get_legend_handles_labels()[0]
    )
