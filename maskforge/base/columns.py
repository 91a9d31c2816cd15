"""Columns of a table: a printed table and a CSV file come from one list of them."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any, Generic, TypeVar

from maskforge.base.csv_text import Cell, csv_text, finite

Row = TypeVar("Row")
Part = TypeVar("Part")

UNKNOWN = "-"
"""In print, where a value is not known."""


@dataclass(frozen=True)
class Column(Generic[Row]):
    """What a table tells of each row.

    `name`: in the header of a CSV file.  `value` of a row, in full precision; None: not known.
    `heading` above it in print, where a line may end; `text`: the value in print.  `left`: its
    cells begin below each other, as words do.  `worst`: `min` or `max`, the worse end of several
    values; None: they are not summed up (see `worst_and_median`).  `cell`: what a CSV file has,
    where that is not the value.
    """

    name: str
    value: Callable[[Row], Cell]
    heading: str = ""
    text: Callable[[Any], str] = str
    left: bool = False
    worst: Callable[[Iterable[Any]], Any] | None = None
    cell: Callable[[Row], Cell] | None = None

    def printed(self, row: Row) -> str:
        """The cell of a row in print."""
        value = self.value(row)
        return UNKNOWN if value is None else self.text(value)

    def written(self, row: Row) -> Cell:
        """The cell of a row in a CSV file; empty where a number is not finite."""
        value = self.value(row) if self.cell is None else self.cell(row)
        return finite(value) if isinstance(value, float) else value


def worst_and_median(columns: Iterable[Column[Row]]) -> Iterator[Column[Sequence[Row]]]:
    """For a table that has a row for several rows: two columns for each that has a worst value.

    Both are of the values that are known, each column by itself.
    """

    def picked(
        column: Column[Row], which: str, pick: Callable[[Iterable[Any]], Any]
    ) -> Column[Sequence[Row]]:
        def value(rows: Sequence[Row]) -> Cell:
            known = [value for value in map(column.value, rows) if value is not None]
            return pick(known) if known else None

        heading = f"{column.heading}\n{which}"
        return Column(f"{column.name}_{which}", value, heading, column.text)

    for column in columns:
        if column.worst is not None:
            yield picked(column, "worst", column.worst)
            yield picked(column, "median", median)


def alike(rows: Sequence[Row], by: Callable[[Row], str]) -> list[list[Row]]:
    """The rows of each word, in the order in which the words come."""
    return [[row for row in rows if by(row) == word] for word in dict.fromkeys(map(by, rows))]


def named(columns: Iterable[Column[Row]], *names: str) -> tuple[Column[Row], ...]:
    """Those of these names, in their order."""
    known = {column.name: column for column in columns}
    return tuple(known[name] for name in names)


def of_part(column: Column[Part], part: Callable[[Row], Part]) -> Column[Row]:
    """The column of a table whose rows have what this one tells of."""
    cell = column.cell
    return Column(
        column.name,
        lambda row: column.value(part(row)),
        column.heading,
        column.text,
        column.left,
        column.worst,
        None if cell is None else lambda row: cell(part(row)),
    )


def csv_table(columns: Sequence[Column[Row]], rows: Iterable[Row]) -> str:
    """The table as CSV; see `csv_text`."""
    header = [column.name for column in columns]
    return csv_text(header, [[column.written(row) for column in columns] for row in rows])
