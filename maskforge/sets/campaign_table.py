"""The table over the sets of a campaign: the worst and the median of each one's figures."""

from collections.abc import Sequence
from dataclasses import dataclass
from operator import attrgetter
from pathlib import Path
from statistics import median

from maskforge.base.columns import Column, csv_table
from maskforge.base.csv_text import Cell
from maskforge.base.errors import BenchError
from maskforge.sets.campaign import CampaignList, Entry, is_there
from maskforge.sets.manifest import Record
from maskforge.sets.mask_columns import decibel, percent
from maskforge.sets.names import MANIFEST
from maskforge.sets.reading import read_set


@dataclass(frozen=True)
class SetFigures:
    """A finished set of a campaign in figures; `gap`s are None where no mask has a bound.

    `figures_of`: "launch", or "output" where they are those at a device's outputs.
    """

    entry: Entry
    figures_of: str
    asked: float
    masks: int
    short: tuple[str, ...]
    worst: Record
    median_purity: float
    lossiest: Record
    median_loss: float
    worst_gap: float | None
    median_gap: float | None


def figures_of(folder: Path, entry: Entry) -> SetFigures:
    """Of the set in the campaign's `folder`; BenchError where it cannot be read."""
    written = read_set(folder / entry.name)
    if not written.masks:
        raise BenchError(f"{written.folder / MANIFEST}: masks: is empty; a set has at least one")
    masks = written.masks
    gaps = [mask.gap for mask in masks if mask.gap is not None]
    design = written.bench.get("design")
    asked = design.get("purity") if isinstance(design, dict) else None
    if not isinstance(asked, float):
        raise BenchError(f"{written.folder / MANIFEST}: bench design purity: must be a number")
    return SetFigures(
        entry,
        figures_of="output" if written.outputs else "launch",
        asked=asked,
        masks=len(masks),
        short=tuple(mask.name for mask in masks if not mask.reached),
        worst=min(masks, key=lambda mask: mask.purity),
        median_purity=median(mask.purity for mask in masks),
        lossiest=max(masks, key=lambda mask: mask.loss_db),
        median_loss=median(mask.loss_db for mask in masks),
        worst_gap=max(gaps, default=None),
        median_gap=median(gaps) if gaps else None,
    )


def all_figures(folder: Path, known: CampaignList) -> list[SetFigures]:
    """Of every finished set, in the campaign's order; BenchError where one cannot be read."""
    return [figures_of(folder, one) for one in known.entries if is_there(folder, one)]


def value_text(value: object) -> str:
    """A varied value as a table shows it."""
    if isinstance(value, list):
        return " x ".join(map(value_text, value))
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _of_key(key: str) -> Column[SetFigures]:
    def cell(one: SetFigures) -> Cell:
        value = one.entry.values[key]
        return value if isinstance(value, int | float) else value_text(value)

    return Column(key, cell, key.replace(".", "\n"), value_text)


WHERE = Column[SetFigures]("figures_of", attrgetter("figures_of"), "figures\nof", left=True)
"""Printed where one of the sets is behind a device."""

FIGURES: tuple[Column[SetFigures], ...] = (
    Column("masks", attrgetter("masks"), "masks"),
    WHERE,
    Column("asked_purity", attrgetter("asked")),
    Column("worst_purity", attrgetter("worst.purity"), "worst\npurity %", percent),
    Column("worst_purity_mask", attrgetter("worst.name"), "of", left=True),
    Column("median_purity", attrgetter("median_purity"), "median\npurity %", percent),
    Column("worst_loss_db", attrgetter("lossiest.loss_db"), "worst\nloss dB", decibel),
    Column("worst_loss_mask", attrgetter("lossiest.name"), "of", left=True),
    Column("median_loss_db", attrgetter("median_loss"), "median\nloss dB", decibel),
    Column("worst_gap", attrgetter("worst_gap"), "worst\ngap %", percent),
    Column("median_gap", attrgetter("median_gap"), "median\ngap %", percent),
    Column("short", lambda one: len(one.short), "short", lambda n: f"! {n}" if n else "0"),
)
"""Of a campaign's table, behind the set and what is varied."""


def columns_of(keys: Sequence[str], *, several: bool = True) -> list[Column[SetFigures]]:
    """The columns of a campaign's table; `several`: whether its benches are more than one."""
    first: list[Column[SetFigures]] = [
        Column("set", attrgetter("entry.name"), "" if keys and not several else "set", left=True),
        Column("bench", attrgetter("entry.bench"), "bench" if keys and several else "", left=True),
    ]
    return [*first, *map(_of_key, keys), *FIGURES]


def table_text(keys: Sequence[str], rows: Sequence[SetFigures]) -> str:
    """index.csv."""
    return csv_table(columns_of(keys), rows)


def printed_columns(known: CampaignList, rows: Sequence[SetFigures]) -> list[Column[SetFigures]]:
    """Those of the printed table of such rows."""
    several = len({one.bench for one in known.entries}) > 1
    plain = all(one.figures_of == "launch" for one in rows)
    columns = columns_of(known.keys, several=several)
    return [one for one in columns if one.heading and not (plain and one is WHERE)]
