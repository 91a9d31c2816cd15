"""The figure of purity over a band of wavelengths."""

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from maskforge.launch.prediction import unwanted_db
from maskforge.report.figures.style import COLOURS, figure_bytes, styled
from maskforge.report.figures.tradeoff import LONGEST_TITLE, ROUND_PURITIES

DASHES, MARKERS = ("-", "--", ":", "-."), ("o", "s", "^", "D")
"""With as many colours these tell 24 labels apart."""

TALLEST = 20
"""Labels in one column of the legend."""

MOST_DB = 60.0
"""Purer than this is as good as pure."""


def band_figure(
    curves: Mapping[str, Sequence[tuple[float, float]]], title: str, kind: str
) -> bytes:
    """(wavelength in nm, purity) of each label as lines of unwanted power; `kind` of FORMATS."""
    with styled():
        figure = Figure(figsize=(6.9, 4.3))
        axes = figure.add_subplot()
        for rank, (label, points) in enumerate(curves.items()):
            style = rank // len(COLOURS) % len(DASHES)
            # labels of one order often do equally well: the earlier ones show around the later
            early = 1 - rank / max(len(curves) - 1, 1)
            axes.plot(
                [nm for nm, _ in points],
                [np.clip(unwanted_db(purity), -MOST_DB, MOST_DB) for _, purity in points],
                color=COLOURS[rank % len(COLOURS)],
                ls=DASHES[style],
                marker=MARKERS[style],
                ms=3.0 + 2.5 * early,
                lw=1.2 + 2.0 * early,
                label=label,
            )
        _scales(axes)
        short = title if len(title) <= LONGEST_TITLE else title[: LONGEST_TITLE - 1] + "…"
        axes.set_title(short, pad=10, parse_math=False)
        figure.legend(
            title="least pure mask of",
            loc="outside right upper",
            alignment="left",
            handlelength=2.6,
            ncols=1 + (len(curves) - 1) // TALLEST,
        )
        return figure_bytes(figure, kind)


def _scales(axes: Axes) -> None:
    axes.set_xlabel("wavelength, nm")
    axes.set_ylabel("unwanted power, dB below the target")
    axes.margins(x=0.03, y=0.08)
    axes.ticklabel_format(useOffset=False)
    low, high = axes.get_ylim()
    beside = axes.secondary_yaxis("right")
    ticks = [p for p in ROUND_PURITIES if low <= unwanted_db(p) <= high]
    beside.set_yticks([unwanted_db(p) for p in ticks], [f"{100 * p:.10g}" for p in ticks])
    beside.set_ylabel("purity, %")
