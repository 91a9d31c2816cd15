"""The map of a plan: what could be launched with each lens and waist, as heat maps."""

from collections.abc import Sequence
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle
from matplotlib.ticker import LogLocator, NullFormatter, ScalarFormatter

from maskforge.report.figures.style import INK, INTENSITY, PAPER, RULE, figure_bytes, styled
from maskforge.study.plan import CRITERIA, Outcome, Plan, PlannedBounds, Row

TITLES = {"worst": "worst target", "mean": "mean of targets"}

MOST_NUMBERS = 9, 12
"""Lenses and waists up to which the cells hold their numbers."""

ALONE = 1.1
"""Height of a cell whose lens has but one waist: from 1/1.1 to 1.1 of it."""

PANEL = 3.05, 3.5
"""Inches of a map with its scale."""

LONGEST_TITLE = 56
"""Characters that fit above the maps."""

CHOSEN = "#c1121f"
"""Of the frame around the cell of the chosen setting; a wider one in PAPER below it shows it on any
colour."""

FRAMES = (PAPER, 3.4, 7.0), (CHOSEN, 1.8, 8.0)
"""(colour, line width, rank) of the frame, and of the marks at its sides."""

MARK = 0.16
"""Of a cell's width: the marks at both its sides, at the chosen waist itself."""


@dataclass(frozen=True)
class Cell:
    """A setting of the grid: its lens's column, its waists from `low` to `high` in mm."""

    column: int
    low: float
    high: float
    outcome: Outcome


def plan_figure(plan: Plan, title: str, kind: str) -> bytes:
    """Bound of the worst target and mean bound over lens and waist, a row of maps a carrier.

    `kind`: one of report.FORMATS.  Refused settings are hatched.  The cell of the chosen one has a
    frame, with marks at its own waist, which may lie between the grid's; its bounds are printed
    above.
    """
    periods = list(dict.fromkeys(row.key[1] for row in plan.rows))
    with styled():
        figure = Figure(figsize=(2 * PANEL[0] + 0.4, PANEL[1] * len(periods) + 0.9))
        maps = figure.subplots(len(periods), 2, sharex=True, sharey=True, squeeze=False)
        for place, by in enumerate(CRITERIA):
            top = max(found.merit(by) for found in _found(plan))
            scale = ScalarMappable(Normalize(0, 100 * top), mpl.colormaps[INTENSITY])
            for axes, period in zip(maps[:, place], periods, strict=True):
                _map(axes, plan, period, by, scale)
                where = f"carrier {period:g} px" if period else "on the axis"
                axes.set_title(f"{TITLES[by]}, {where}", fontsize=9.0)
            bar = figure.colorbar(scale, ax=maps[:, place], pad=0.02, aspect=30)
            bar.set_label("bound, % of the beam's power")
            bar.outline.set_visible(False)
        for axes in maps[-1]:
            axes.set_xlabel("focal length, mm")
        for axes in maps[:, 0]:
            axes.set_ylabel("waist on the modulator, mm" if _has_waists(plan) else "")
        short = title if len(title) <= LONGEST_TITLE else title[: LONGEST_TITLE - 1] + "…"
        figure.suptitle(
            f"{short}\n{_told(plan.choice())}", x=0.01, ha="left", fontsize=9.0, parse_math=False
        )
        _legend(figure, plan)
        return figure_bytes(figure, kind)


def _told(choice: PlannedBounds) -> str:
    """The chosen setting with its bounds, in words."""
    setting, (target, worst) = choice.setting, choice.worst
    waists = "" if setting.waists_mm is None else f", waist {setting.waists_mm[0]:.4g} mm"
    period = setting.row[1]
    where = f"carrier {period:g} px" if period else "on the axis"
    return (
        f"chosen: {setting.row[0]:.4g} mm lens{waists}, {where}\n"
        f"bound of the worst target, {target}: {100 * worst:.1f} %; mean {100 * choice.mean:.1f} %"
    )


def _found(plan: Plan) -> list[PlannedBounds]:
    return [one for row in plan.rows for one in row.grid if isinstance(one, PlannedBounds)]


def _has_waists(plan: Plan) -> bool:
    return plan.own.setting.waists_mm is not None


def cells_of(rows: Sequence[Row]) -> list[Cell]:
    """The cells of some lenses; neighbours meet half way, on a scale of logarithms."""
    out = []
    for column, row in enumerate(rows):
        waists = np.array([_waist(one) for one in row.grid])
        middles = np.sqrt(waists[1:] * waists[:-1])
        step = middles[-1] / waists[-2] if middles.size else ALONE
        first = middles[0] / waists[1] if middles.size else 1 / ALONE
        edges = [waists[0] * first, *middles, waists[-1] * step]
        out += [
            Cell(column, float(low), float(high), one)
            for low, high, one in zip(edges[:-1], edges[1:], row.grid, strict=True)
        ]
    return out


def _waist(outcome: Outcome) -> float:
    waists = outcome.setting.waists_mm
    return 1.0 if waists is None else waists[0]


def _map(axes: Axes, plan: Plan, period: float, by: str, scale: ScalarMappable) -> None:
    rows = [row for row in plan.rows if row.key[1] == period]
    cells = cells_of(rows)
    numbered = len(rows) <= MOST_NUMBERS[0] and len(cells) <= MOST_NUMBERS[1] * len(rows)
    for cell in cells:
        corner, height = (cell.column - 0.5, cell.low), cell.high - cell.low
        if not isinstance(cell.outcome, PlannedBounds):
            axes.add_patch(
                Rectangle(corner, 1, height, fc=PAPER, ec=RULE, hatch="////", lw=0, zorder=1)
            )
            continue
        value = 100 * cell.outcome.merit(by)
        colour = scale.to_rgba(np.array(value))
        axes.add_patch(Rectangle(corner, 1, height, fc=colour, ec=PAPER, lw=0.4, zorder=1))
        if numbered:
            middle = cell.column, float(np.sqrt(cell.low * cell.high))
            ink = PAPER if np.dot(colour[:3], (0.299, 0.587, 0.114)) < 0.5 else INK
            axes.annotate(
                f"{value:.1f}", middle, color=ink, fontsize=5.5, ha="center", va="center", zorder=6
            )
    _axes(axes, rows, cells, plan)
    _mark(axes, rows, cells, plan.choice())


def _mark(axes: Axes, rows: Sequence[Row], cells: Sequence[Cell], choice: PlannedBounds) -> None:
    """A frame around the cell that the chosen setting lies in, marks where it lies."""
    keys = [row.key for row in rows]
    if choice.setting.row not in keys:
        return
    column, waist = keys.index(choice.setting.row), _waist(choice)
    own = [cell for cell in cells if cell.column == column]
    cell = min(own, key=lambda one: max(one.low / waist, waist / one.high))
    left, right = column - 0.5, column + 0.5
    for colour, width, rank in FRAMES:
        axes.add_patch(
            Rectangle(
                (left, cell.low),
                1,
                cell.high - cell.low,
                fill=False,
                ec=colour,
                lw=width,
                zorder=rank,
                clip_on=False,
            )
        )
        for start, end in ((left, left + MARK), (right - MARK, right)):
            axes.plot([start, end], [waist] * 2, color=colour, lw=width, zorder=rank)


def _axes(axes: Axes, rows: Sequence[Row], cells: Sequence[Cell], plan: Plan) -> None:
    axes.grid(visible=False)
    axes.spines[:].set_visible(False)
    axes.set_xlim(-0.5, len(rows) - 0.5)
    axes.set_xticks(range(len(rows)), [f"{row.key[0]:g}" for row in rows])
    axes.tick_params(length=2.5)
    axes.set_yscale("log")
    axes.set_ylim(min(cell.low for cell in cells), max(cell.high for cell in cells))
    if not _has_waists(plan):
        axes.set_yticks([], minor=False)
        axes.set_yticks([], minor=True)
        return
    axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    plain = ScalarFormatter()
    plain.set_scientific(False)
    axes.yaxis.set_major_formatter(plain)
    axes.yaxis.set_minor_formatter(NullFormatter())


def _legend(figure: Figure, plan: Plan) -> None:
    keys: list[Artist] = [Patch(fill=False, ec=CHOSEN, lw=1.8, label="chosen")]
    if len(_found(plan)) < sum(len(row.grid) for row in plan.rows):
        keys.append(Patch(fc=PAPER, ec=RULE, hatch="////", lw=0, label="not possible"))
    figure.legend(handles=keys, loc="outside lower right", ncols=len(keys), handlelength=1.6)
