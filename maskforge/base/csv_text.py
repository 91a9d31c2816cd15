"""CSV text from rows of cells."""

import csv
import io
import math
from collections.abc import Sequence

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
