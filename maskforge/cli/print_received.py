"""The printed tables of a set that measures modes, and the columns of its CSV file."""

from collections.abc import Callable, Sequence
from operator import attrgetter

import numpy as np

from maskforge.base.columns import Column, alike, of_part, worst_and_median
from maskforge.cli.print_replays import OF_MASK
from maskforge.cli.terminal import LONG_SET, print_table, say, table_of, table_of_rows
from maskforge.launch.light import Real
from maskforge.launch.prediction import insertion_loss_db
from maskforge.sets.mask_columns import decibel
from maskforge.study.receive import Received

MOST_ACROSS = 8
"""Masks that stand side by side; of more, the two that get most light are named."""

CLEAR = -120.0
"""dB: what is below is said to be below it; in double precision it is nothing."""


def level(value: float) -> str:
    """A level in dB with two decimals."""
    return f"<{CLEAR:g}" if value < CLEAR else f"{value:.2f}"


COLUMNS: tuple[Column[Received], ...] = (
    Column("name", attrgetter("mask.name"), "mask", left=True),
    Column("received_db", attrgetter("loss_db"), "loss dB\nof target", decibel, worst=max),
    Column("worst_mode", attrgetter("worst"), "most of\nother light", left=True),
    Column("crosstalk_db", attrgetter("crosstalk_db"), "against\ntarget dB", level, worst=max),
    Column(
        "all_crosstalk_db",
        attrgetter("all_crosstalk_db"),
        "all others\ntogether dB",
        level,
        worst=max,
    ),
)

OF_LABEL: tuple[Column[Sequence[Received]], ...] = (
    Column("target", lambda own: own[0].mask.target, "target", left=True),
    Column("masks", len, "masks"),
)


def csv_columns(names: Sequence[str]) -> list[Column[Received]]:
    """A row a mask: its crosstalk, then what is received of unit power in each mode or output."""
    return [
        *(of_part(column, attrgetter("mask")) for column in OF_MASK),
        Column("received", attrgetter("own")),
        *COLUMNS[2:],
        *(Column(f"from {name}", _power(place)) for place, name in enumerate(names)),
    ]


def _power(place: int) -> Callable[[Received], float]:
    return lambda one: one.powers[place]


def print_received(found: Sequence[Received], names: Sequence[str]) -> None:
    """For light in each mode (or output) what is received behind the masks, and of each mask what
    else it lets in."""
    powers = np.array([one.powers for one in found])
    say("\nreceived behind each mask, in dB of the power in the mode:\n")
    if len(found) <= MOST_ACROSS:
        _print_matrix(found, powers, names)
    else:
        _print_most(found, powers, names)
    say("\nwhat else each mask lets in, of modes of the same power:\n")
    if len(found) <= LONG_SET:
        print_table(table_of_rows(COLUMNS, found))
        return
    columns = [*OF_LABEL, *worst_and_median(COLUMNS)]
    print_table(table_of_rows(columns, alike(found, attrgetter("mask.target"))))


def _print_matrix(found: Sequence[Received], powers: Real, names: Sequence[str]) -> None:
    heads = [f"{one.mask.target}\n{one.mask.orientation_deg:g} deg" for one in found]
    table = table_of("light in", *heads, left=("light in",))
    for place, name in enumerate(names):
        table.add_row(name, *(level(-insertion_loss_db(x)) for x in powers[:, place]))
    print_table(table)


def _print_most(found: Sequence[Received], powers: Real, names: Sequence[str]) -> None:
    """The mask that gets most light of each mode, and of the others' targets the next one."""
    table = table_of(
        "light in",
        "most behind",
        "dB",
        "next target",
        "below\ndB",
        left=("light in", "most behind", "next target"),
    )
    for place, name in enumerate(names):
        order = np.argsort(-powers[:, place], kind="stable")
        first = found[order[0]].mask
        row = [name, first.name, level(-insertion_loss_db(powers[order[0], place]))]
        later = next((k for k in order if found[k].mask.target != first.target), None)
        if later is not None:
            ratio = powers[order[0], place] / max(powers[later, place], 1e-300)
            row += [found[later].mask.name, f"{10 * np.log10(ratio):.2f}"]
        table.add_row(*row)
    print_table(table)
