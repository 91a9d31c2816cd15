"""One list of columns makes a printed table and a CSV file (common practice, no source)."""

import csv
import io
import math

from maskforge.base.columns import Column, alike, csv_table, named, worst_and_median

Row = tuple[str, float | None]

COLUMNS: tuple[Column[Row], ...] = (
    Column("label", lambda row: row[0], "label", left=True),
    Column("loss_db", lambda row: row[1], "loss\ndB", "{:.1f}".format, worst=max),
    Column("known", lambda row: row[1] is not None, "", lambda known: "" if known else "!"),
)
ROWS: list[Row] = [("LP01", 1.25), ("LP11", None), ("LP21", math.inf), ("LP02", 1 / 3)]


def test_print_rounds_and_a_file_does_not() -> None:
    printed = [[column.printed(row) for column in COLUMNS] for row in ROWS]
    assert printed == [
        ["LP01", "1.2", ""],
        ["LP11", "-", "!"],
        ["LP21", "inf", ""],
        ["LP02", "0.3", ""],
    ]
    found = list(csv.reader(io.StringIO(csv_table(COLUMNS, ROWS))))
    assert found == [
        ["label", "loss_db", "known"],
        ["LP01", "1.25", "yes"],
        ["LP11", "", "no"],
        ["LP21", "", "yes"],
        ["LP02", repr(1 / 3), "yes"],
    ]


def test_worst_and_median_are_of_what_is_known() -> None:
    worst, middle = worst_and_median(COLUMNS)
    assert (worst.heading, middle.heading) == ("loss\ndB\nworst", "loss\ndB\nmedian")
    assert (worst.printed(ROWS), middle.printed(ROWS)) == ("inf", "1.2")
    assert (worst.printed(ROWS[1:2]), middle.printed(ROWS[1:2])) == ("-", "-")


def test_rows_that_are_alike_keep_their_order() -> None:
    rows = ["b1", "a1", "b2", "a0"]
    assert alike(rows, lambda row: row[0]) == [["b1", "b2"], ["a1", "a0"]]


def test_columns_are_taken_by_name() -> None:
    assert [one.name for one in named(COLUMNS, "known", "label")] == ["known", "label"]
