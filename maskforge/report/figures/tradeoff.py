"""The figure of a trade-off, as bytes of a PNG, SVG or PDF file."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from maskforge.launch.prediction import unwanted_db
from maskforge.report.figures.style import COLOURS, INK, PAPER, figure_bytes, styled
from maskforge.study.tradeoff import Point

ROUND_PURITIES = (0.6, 0.8, 0.9, 0.99, 0.999, 0.9999, 0.99999, 0.999999, 0.9999999)

LEAST_SPAN = 1.0
"""Percentage points of efficiency shown at least, so that rounding does not look like a slope."""

LONGEST_TITLE = 44
"""Characters that fit above the axes."""

CHARACTERS = 62.0
"""That fit side by side along the axes."""


def tradeoff_figure(points: Sequence[Point], title: str, kind: str) -> bytes:
    """Efficiency over asked purity: lines are the bounds, markers the designed masks.

    `kind`: one of report.FORMATS.  Bounds that hold only for a lower purity are left out, and masks
    that missed the asked purity are hollow.
    """
    with styled():
        figure = Figure(figsize=(6.9, 4.3))
        axes = figure.add_subplot()
        names = list(dict.fromkeys(point.alphabet for point in points))
        for rank, name in enumerate(names):
            _curve(axes, [p for p in points if p.alphabet == name], rank, len(names))
        _scales(axes, points)
        short = title if len(title) <= LONGEST_TITLE else title[: LONGEST_TITLE - 1] + "…"
        # a dollar sign in a name is no mathematics
        axes.set_title(short, pad=10, parse_math=False)
        _legend(figure, names, any(not point.reached for point in points))
        return figure_bytes(figure, kind)


def _looks(rank: int, count: int) -> tuple[str, float, float]:
    """(colour, marker size, line width): later ones are smaller and lie on top.

    Alphabets often do equally well; the earlier ones then show as rings around the later ones.
    """
    early = 1 - rank / max(count - 1, 1)
    return COLOURS[rank % len(COLOURS)], 3.4 + 7.6 * early, 1.0 + 3.0 * early


def _curve(axes: Axes, points: Sequence[Point], rank: int, count: int) -> None:
    colour, size, width = _looks(rank, count)
    asked = [unwanted_db(point.asked) for point in points]
    bound = [np.nan if point.lowered else 100 * point.bound for point in points]
    # a line takes two points: a single one is a dash
    single = np.isfinite(bound).sum() == 1
    alone: dict[str, Any] = {"marker": "_", "ms": 24, "mew": width} if single else {}
    axes.plot(asked, bound, color=colour, lw=width, zorder=2 + 0.01 * rank, **alone)
    for level, point in zip(asked, points, strict=True):
        look = _marker(colour, size, point.reached)
        axes.plot(level, 100 * point.efficiency, zorder=3 + 0.01 * rank, **look)


def _marker(colour: str, size: float, full: bool) -> dict[str, Any]:
    fill = {"mfc": colour, "mew": 0.0} if full else {"mfc": PAPER, "mew": 1.3}
    return {"marker": "o", "ms": size, "ls": "none", "mec": colour, **fill}


def _scales(axes: Axes, points: Sequence[Point]) -> None:
    levels = [unwanted_db(point.asked) for point in points]
    low, high = min(levels), max(levels)
    edge = max(0.05 * (high - low), 1.0) if high > low else 5.0
    axes.set_xlim(low - edge, high + edge)
    axes.set_xlabel("asked limit of unwanted power, dB below the target")
    axes.set_ylabel("efficiency, % of the beam's power")
    shown = [100 * p.efficiency for p in points] + [100 * p.bound for p in points if not p.lowered]
    least, most = min(shown), max(shown)
    room = 0.06 * (most - least) + max(LEAST_SPAN - (most - least), 0.0) / 2
    axes.set_ylim(max(least - room, 0.0), most + room)
    above = axes.secondary_xaxis("top")
    inside = [p for p in ROUND_PURITIES if low - edge <= unwanted_db(p) <= high + edge]
    ticks = inside if len(inside) > 1 else sorted({point.asked for point in points})
    named = apart([(unwanted_db(p), f"{100 * p:.10g}") for p in ticks], high - low + 2 * edge)
    above.set_xticks([place for place, _ in named], [text for _, text in named])
    above.set_xlabel("asked purity, %")


def apart(ticks: Sequence[tuple[float, str]], length: float) -> list[tuple[float, str]]:
    """(place, text) with no text over another on an axis of such a length; the last ones stay.

    They are the high purities, which a dB sets far apart.
    """
    kept: list[tuple[float, str]] = []
    for place, text in reversed(ticks):
        room = ((len(text) + len(kept[-1][1])) / 2 + 1 if kept else 0.0) * length / CHARACTERS
        if not kept or kept[-1][0] - place >= room:
            kept.append((place, text))
    return kept[::-1]


def _legend(figure: Figure, names: Sequence[str], missed: bool) -> None:
    """Alphabets, then what lines and markers mean, beside the axes."""
    keys = []
    for rank, name in enumerate(names):
        colour, size, width = _looks(rank, len(names))
        look = _marker(colour, size, True) | {"ls": "-", "color": colour, "lw": width}
        keys.append(Line2D([], [], label=name, **look))
    keys.append(Line2D([], [], ls="none", label=""))
    keys.append(Line2D([], [], color=INK, lw=1.8, label="bound: no mask\nlaunches more"))
    keys.append(Line2D([], [], label="designed mask", **_marker(INK, 6.5, True)))
    if missed:
        look = _marker(INK, 6.5, False)
        keys.append(Line2D([], [], label="designed mask,\npurity missed", **look))
    figure.legend(
        handles=keys,
        title="pixel alphabet",
        loc="outside right upper",
        alignment="left",
        handlelength=2.6,
        labelspacing=0.8,
    )
