"""Text and tables on the terminal."""

from collections.abc import Iterable, Sequence

from rich import box
from rich.console import Console
from rich.table import Table

from maskforge.base.columns import Column, Row

LONG_SET = 40
"""Masks up to which each one gets a row."""


WIDEST = 10_000
"""Columns of text in which every table has its natural width."""


def plain_console(*, stderr: bool = False, width: int | None = None) -> Console:
    """Brackets in a message are brackets, numbers are not coloured, long lines not broken."""
    return Console(
        markup=False, highlight=False, emoji=False, soft_wrap=True, stderr=stderr, width=width
    )


def say(text: str) -> None:
    """Prints text to the standard output as it is."""
    plain_console().print(text)


def table_of(*columns: str, left: Iterable[str] = ()) -> Table:
    """A table whose columns are of numbers, those in `left` of text."""
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    for name in columns:
        text = name in left or not name
        table.add_column(name, justify="left" if text else "right", no_wrap=True)
    return table


def table_of_rows(columns: Sequence[Column[Row]], rows: Iterable[Row]) -> Table:
    """A row each."""
    table = table_of(
        *(column.heading for column in columns),
        left=[column.heading for column in columns if column.left],
    )
    for row in rows:
        table.add_row(*(column.printed(row) for column in columns))
    return table


def print_table(table: Table) -> None:
    """Prints all of it: in a pipe or a narrow terminal a long line goes on, it is not cut."""
    plain_console(width=WIDEST).print(table, soft_wrap=False)
