"""CSV text from rows of cells, and the rows of a file."""

import csv
import io
import math
from collections.abc import Iterator, Sequence
from pathlib import Path

from maskforge.base.regular_files import check_lines, open_regular

LARGEST_CSV = 32 * 2**20
"""Bytes: a picture of 2048 x 2048 numbers of 8 characters; larger ones belong into a TIFF."""

MOST_LINES = 2**19
"""Blank ones and remarks among them: a reading a second for six days."""

Cell = str | int | float | None


def finite(value: float | None) -> float | None:
    """The number as plain float, None where it is none: JSON knows no infinity."""
    return float(value) if value is not None and math.isfinite(value) else None


def csv_text(header: Sequence[str], rows: Sequence[Sequence[Cell]]) -> str:
    """A table as CSV, numbers in full precision, None as an empty cell, bool as yes or no."""
    words = {True: "yes", False: "no"}
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(
        [words[cell] if isinstance(cell, bool) else cell for cell in row] for row in rows
    )
    return text.getvalue()


def csv_rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    """Rows of a file that are neither blank nor begin with #: the line's number and the cells.

    Cells come without the spaces around them, a byte order mark is passed over.  Raises OSError,
    UnicodeDecodeError and csv.Error where it is no such file, or has more than MOST_LINES.
    """
    with open_regular(path, LARGEST_CSV) as raw:
        check_lines(raw)
        reader = csv.reader(io.TextIOWrapper(raw, encoding="utf-8-sig", newline=""))
        for row in reader:
            if reader.line_num > MOST_LINES:
                raise csv.Error(f"more than {MOST_LINES} lines")
            cells = [cell.strip() for cell in row]
            if any(cells) and not cells[0].startswith("#"):
                yield reader.line_num, cells
