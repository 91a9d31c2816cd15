"""The columns of tables of masks: masks.csv, the printed table, and the one in a notebook."""

from collections.abc import Sequence
from dataclasses import fields
from operator import attrgetter

from maskforge.base.columns import Column, csv_table, named
from maskforge.base.wording import rounded
from maskforge.launch.prediction import unwanted_db
from maskforge.sets.manifest import Record

NO_DIGITS = 150
"""dB of unwanted power: 1 - purity has no digits left beyond, about 1e-15."""


def percent(share: float) -> str:
    """A share in % with four decimals."""
    return rounded(100 * share, 4)


def decibel(loss: float) -> str:
    """A loss in dB with three decimals."""
    return f"{loss:.3f}"


def unwanted(level: float) -> str:
    """Unwanted power in dB below the target with two decimals."""
    return f">{NO_DIGITS}" if level > NO_DIGITS else f"{level:.2f}"


COLUMNS: tuple[Column[Record], ...] = (
    *(
        Column(key, attrgetter(key))
        for key in (
            *("index", "page", "efficiency", "bound", "bound_purity", "bound_asked"),
            *("sha256", "status"),
        )
    ),
    Column("name", attrgetter("name"), "mask", left=True),
    Column("target", attrgetter("target"), "target", left=True),
    Column("orientation_deg", attrgetter("orientation_deg"), "orientation\ndeg", "{:g}".format),
    Column("method", attrgetter("method"), "method", left=True),
    Column("purity", attrgetter("purity"), "purity\n%", percent, worst=min),
    Column("group_purity", attrgetter("group_purity"), "group\npurity %", percent, worst=min),
    Column(
        "unwanted_db",
        lambda mask: unwanted_db(mask.purity),
        "unwanted\npower dB",
        unwanted,
        worst=min,
        # as the manifest has it: none where nothing is left
        cell=attrgetter("unwanted_db"),
    ),
    Column("loss_db", attrgetter("loss_db"), "insertion\nloss dB", decibel, worst=max),
    Column("gap", attrgetter("gap"), "gap\n%", percent, worst=max),
    Column("reached", attrgetter("reached"), "", lambda reached: "" if reached else "!"),
)
"""All that a table can have; those without a heading are for files."""

IN_FILE = named(COLUMNS, *(field.name for field in fields(Record)))
"""In masks.csv: every key of the manifest's record."""

PRINTED = named(
    COLUMNS,
    *("target", "orientation_deg", "method"),
    *("purity", "unwanted_db", "loss_db", "gap", "reached"),
)
"""On the terminal: of each mask, or where there is a worst one of each label."""

IN_NOTEBOOK = named(COLUMNS, "name", "purity", "loss_db", "gap")


def records_text(masks: Sequence[Record]) -> str:
    """masks.csv: the manifest's table of masks."""
    return csv_table(IN_FILE, masks)
