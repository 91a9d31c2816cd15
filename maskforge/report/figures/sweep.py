"""The figure of a sweep: what the mode groups pass to each port, and how well ports part them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from maskforge.launch.light import Real
from maskforge.report.figures.style import COLOURS, INK, PAPER, RULE, figure_bytes, styled
from maskforge.sweep.answer import Answer, AnswerSide

LOOKS: tuple[Mapping[str, Any], ...] = (
    MappingProxyType({"marker": "o", "ms": 6.5, "ls": ":", "mfc": PAPER, "mew": 1.2}),
    MappingProxyType({"marker": "o", "ms": 5.0, "ls": "-"}),
    MappingProxyType({"marker": "s", "ms": 5.0, "ls": "--", "mfc": PAPER, "mew": 1.2}),
    MappingProxyType({"marker": "", "ls": "-", "lw": 5.0, "alpha": 0.3}),
)
"""Of the curves in their order."""

LONGEST_TITLE = 56

BEYOND = 1e3
"""dB: how far an error bar goes that never ends."""


@dataclass(frozen=True, eq=False)
class SweepCurve:
    """A curve for each port: `level` (groups, ports) and `isolation` (groups,) in dB, each with its
    low and high end in front where that is known.  `look`: which of LOOKS."""

    name: str
    level: Real
    isolation: Real
    look: int
    level_band: Real | None = None
    isolation_band: Real | None = None


def curve_of(name: str, side: AnswerSide, look: int) -> SweepCurve:
    """Raw or corrected, with what the bootstrap tells."""
    return SweepCurve(
        name, side.level, side.isolation, look, side.band(), side.band(isolation=True)
    )


def sweep_figure(answer: Answer, title: str, kind: str) -> bytes:
    """A sweep's answer, raw and corrected; `kind`: one of report.FORMATS."""
    curves = (curve_of("raw", answer.raw, 0), curve_of("corrected", answer.corrected, 1))
    marked = f"{title} (simulated, invented data)" if answer.readings.invented else title
    unit = "what is launched" if answer.absolute else "the best group"
    return groups_figure(
        curves,
        (answer.groups, answer.ports),
        marked,
        kind,
        unit=unit,
        required=answer.question.isolation,
        guard=answer.guard,
    )


def groups_figure(
    curves: Sequence[SweepCurve],
    of: tuple[Sequence[int], Sequence[str]],
    title: str,
    kind: str,
    *,
    unit: str = "what is launched",
    required: float | None = None,
    guard: Sequence[int] = (),
) -> bytes:
    """Curves over the groups and ports `of` which they are; `guard` groups are shaded."""
    groups, ports = of
    with styled():
        figure = Figure(figsize=(7.2, 5.6 if len(ports) > 1 else 3.6))
        panels = figure.subplots(2 if len(ports) > 1 else 1, 1, sharex=True, squeeze=False)[:, 0]
        for curve in curves:
            for port in range(len(ports)):
                band = None if curve.level_band is None else curve.level_band[..., port]
                colour = COLOURS[port % len(COLOURS)]
                _drawn(panels[0], groups, curve.level[:, port], band, curve.look, colour)
            if len(panels) > 1:
                _drawn(panels[1], groups, curve.isolation, curve.isolation_band, curve.look, INK)
        panels[0].set_ylabel(f"transmission, dB of {unit}")
        if len(panels) > 1:
            panels[1].set_ylabel("isolation of the ports, dB")
            if required is not None:
                panels[1].axhline(required, color=COLOURS[2], lw=1.0)
        for axes, values in zip(panels, _values(curves), strict=False):
            low, high = float(values.min()), float(values.max())
            room = 0.06 * (high - low) + 0.1
            axes.set_ylim(low - room, high + room)
            _shaded(axes, guard)
        panels[-1].set_xlabel("mode group")
        panels[-1].set_xticks(list(groups))
        short = title if len(title) <= LONGEST_TITLE else title[: LONGEST_TITLE - 1] + "…"
        # a dollar sign in a name is no mathematics
        panels[0].set_title(short, pad=10, parse_math=False)
        _legend(figure, curves, ports, required if len(panels) > 1 else None, bool(guard))
        return figure_bytes(figure, kind)


def _values(curves: Sequence[SweepCurve]) -> tuple[Real, Real]:
    """All finite levels, and all finite isolations; 0 where there is none."""
    levels = [part for c in curves for part in (c.level, c.level_band) if part is not None]
    parts = [part for c in curves for part in (c.isolation, c.isolation_band) if part is not None]
    every = [np.concatenate([part.ravel() for part in found]) for found in (levels, parts)]
    first, second = (values[np.isfinite(values)] for values in every)
    return np.append(first, 0.0) if not first.size else first, np.append(second, 0.0)


def _drawn(
    axes: Axes, groups: Sequence[int], values: Real, band: Real | None, look: int, colour: str
) -> None:
    """One curve; a value that is infinite is left out, the end of a bar lies beyond the axes."""
    shown = np.where(np.isfinite(values), values, np.nan)
    axes.plot(groups, shown, color=colour, **{"lw": 1.2, "mec": colour, **LOOKS[look]})
    if band is None:
        return
    ends = np.clip(band, shown - BEYOND, shown + BEYOND)
    lengths = np.maximum(np.stack([shown - ends[0], ends[1] - shown]), 0.0)
    axes.errorbar(groups, shown, yerr=lengths, fmt="none", ecolor=colour, elinewidth=1.0, capsize=3)


def _shaded(axes: Axes, guard: Sequence[int]) -> None:
    for group in guard:
        axes.axvspan(group - 0.5, group + 0.5, color=RULE, alpha=0.6, lw=0, zorder=0)


def _legend(
    figure: Figure,
    curves: Sequence[SweepCurve],
    ports: Sequence[str],
    required: float | None,
    guarded: bool,
) -> None:
    handles: list[Any] = [
        Line2D([], [], color=COLOURS[at % len(COLOURS)], lw=3.0, label=f"port {port}")
        for at, port in enumerate(ports)
    ]
    handles += [
        Line2D([], [], color=INK, label=curve.name, **{"lw": 1.2, "mec": INK, **LOOKS[curve.look]})
        for curve in curves
    ]
    if required is not None:
        handles.append(
            Line2D([], [], color=COLOURS[2], lw=1.0, label=f"required:\n{required:g} dB")
        )
    if guarded:
        handles.append(Patch(color=RULE, alpha=0.6, label="guard band"))
    legend = figure.legend(
        handles=handles, loc="outside right upper", alignment="left", labelspacing=0.8
    )
    for text in legend.get_texts():
        # names of ports are the user's
        text.set_parse_math(False)
