"""`index.html`: the sets of a campaign on one page, with links to their own pages."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import jinja2

from maskforge.base.columns import Column
from maskforge.base.csv_text import Cell
from maskforge.base.files import write_text
from maskforge.base.wording import counted, some_of
from maskforge.report import INDEX, PAGE
from maskforge.report.page.templates import environment
from maskforge.sets.campaign import TABLE, CampaignList
from maskforge.sets.campaign_table import (
    SetFigures,
    all_figures,
    columns_of,
    printed_columns,
    table_text,
    value_text,
)
from maskforge.sets.mask_columns import decibel, percent

PALEST, DARKEST = 6, 58
"""Share of ink, in %, in the cells of a map: text on the darkest is read as well as on paper."""


@dataclass(frozen=True)
class MapCell:
    """A set's place in a map: its figure in print, and how dark, from 0 to 1."""

    name: str
    text: str
    shade: float
    short: bool


@dataclass(frozen=True)
class Map:
    """One figure of the sets over two axes; None where there is no set."""

    title: str
    across: str
    down: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[MapCell | None, ...]], ...]


def write_index(folder: Path, known: CampaignList) -> list[SetFigures]:
    """Writes index.csv and index.html over the finished sets of a campaign; their figures.

    Raises BenchError where a set cannot be read, OutputError where a file cannot be written.
    """
    rows = all_figures(folder, known)
    write_text(folder / TABLE, table_text(known.keys, rows))
    write_text(folder / INDEX, page_text(folder.resolve().name, known, rows))
    return rows


def page_text(name: str, known: CampaignList, rows: Sequence[SetFigures]) -> str:
    """The page of the campaign called `name`."""
    several = len({one.bench for one in known.entries}) > 1
    first = columns_of(known.keys)[0]
    shown = [first, *(one for one in printed_columns(known, rows) if one.name != first.name)]
    return (
        _environment()
        .get_template("campaign_page.html.jinja")
        .render(
            name=name,
            known=known,
            rows=rows,
            columns=shown,
            masks=sum(one.masks for one in rows),
            missing=[one.name for one in known.entries if one.name not in _names(rows)],
            short=[one for one in rows if one.short],
            summary=list(_summary(rows)),
            maps=_maps(known, rows, several=several),
        )
    )


def _names(rows: Sequence[SetFigures]) -> set[str]:
    return {one.entry.name for one in rows}


def _summary(rows: Sequence[SetFigures]) -> list[tuple[str, str, str]]:
    """(what, value, the set that it is of) of the figures to know first."""
    if not rows:
        return []
    least = min(rows, key=lambda one: one.worst.purity)
    most = max(rows, key=lambda one: one.lossiest.loss_db)
    found = [
        ("lowest purity", f"{percent(least.worst.purity)} %", least.entry.name),
        ("highest insertion loss", f"{decibel(most.lossiest.loss_db)} dB", most.entry.name),
    ]
    gaps = [(one.worst_gap, one.entry.name) for one in rows if one.worst_gap is not None]
    if gaps:
        gap, name = max(gaps)
        found.append(("largest gap to the bound", f"{percent(gap)} %", name))
    return found


# --- maps ------------------------------------------------------------------------------------


def _maps(known: CampaignList, rows: Sequence[SetFigures], *, several: bool) -> list[Map]:
    """Where two things vary (a key, or the bench): what is worst in each set, for each bench."""
    if len(known.keys) == 2:
        benches = dict.fromkeys(one.entry.bench for one in rows)
        parts = [(f" of {bench}" if several else "", bench) for bench in benches]
        return [
            _map(f"{title}{of}", known.keys, [one for one in rows if one.entry.bench == bench], by)
            for of, bench in parts
            for title, by in WORST
        ]
    if len(known.keys) == 1 and several:
        return [_map(title, ("bench", known.keys[0]), rows, by) for title, by in WORST]
    return []


def _map(
    title: str,
    axes: Sequence[str],
    rows: Sequence[SetFigures],
    column: Column[SetFigures],
) -> Map:
    """Darker is worse."""
    down, across = axes
    places = {(_on(down, one), _on(across, one)): one for one in rows}
    values = [_number(column.value(one)) for one in rows]
    low, high = min(values), max(values)
    if column.name == WORST[0][1].name:
        low, high = high, low

    def cell(one: SetFigures | None) -> MapCell | None:
        if one is None:
            return None
        shade = 0.0 if low == high else (_number(column.value(one)) - low) / (high - low)
        return MapCell(one.entry.name, column.printed(one), shade, bool(one.short))

    columns = tuple(dict.fromkeys(at for _, at in places))
    return Map(
        title,
        across,
        down,
        columns,
        tuple(
            (at, tuple(cell(places.get((at, other))) for other in columns))
            for at in dict.fromkeys(at for at, _ in places)
        ),
    )


def _on(axis: str, one: SetFigures) -> str:
    return one.entry.bench if axis == "bench" else value_text(one.entry.values[axis])


def _number(value: Cell) -> float:
    return float(value or 0.0)


_OF = {one.name: one for one in columns_of(())}
WORST = (
    ("Lowest purity, %", _OF["worst_purity"]),
    ("Highest insertion loss, dB", _OF["worst_loss_db"]),
)


# --- the template ----------------------------------------------------------------------------


@cache
def _environment() -> jinja2.Environment:
    found = environment()
    found.globals |= {
        "counted": counted,
        "some_of": some_of,
        "PAGE": PAGE,
        "TABLE": TABLE,
        "ink": lambda shade: f"{PALEST + shade * (DARKEST - PALEST):.0f}%",
    }
    return found
