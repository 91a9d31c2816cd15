"""Readings of a detector: a CSV file of time, page and power."""

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from maskforge.base.csv_text import csv_rows
from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError
from maskforge.base.wording import one_line, shown
from maskforge.bench.files import LARGEST_FILE
from maskforge.launch.light import Real

POWERS = ("power_mw", "power_dbm")
COLUMNS = ("time_s", "page", "power_mw")

DARK = "dark"
"""In place of a page: the beam is blocked."""

NO_PAGE = -1
"""Page of a reading with the beam blocked."""

MOST_DBM = 200
LARGEST = 1e15
"""Numbers beyond these are no readings."""

REPEATED = 3
"""Readings that share the highest value for it to be the detector's limit, in those that share the
next one."""


@dataclass(frozen=True, eq=False)
class Readings:
    """Rows of a file: `time` in s, `page` (NO_PAGE: dark), `power` in mW, each (rows,)."""

    time: Real
    page: NDArray[np.intp]
    power: Real

    def __len__(self) -> int:
        return self.time.size


def read_readings(path: Path, pages: int) -> Readings:
    """The readings of a stack of `pages`.

    Raises BenchError where a column is missing or a row cannot be read: it names the first one and
    says how many there are; none is left out in silence.
    """
    rows, bad = [], []
    header: list[str] | None = None
    for line, cells in _rows(path):
        if header is None:
            header = _header(path, cells)
            continue
        try:
            rows.append(_row(header, cells, pages))
        except BadValueError as problem:
            bad.append(f"line {line}: {problem.text}")
    if bad:
        more = f" ({len(bad)} rows cannot be read)" if len(bad) > 1 else ""
        raise BenchError(one_line(f"{path}: {bad[0]}{more}"))
    if not rows:
        raise BenchError(one_line(f"{path}: holds no readings"))
    table = np.array(rows)
    return Readings(table[:, 0], table[:, 1].astype(np.intp), table[:, 2])


def _rows(path: Path) -> list[tuple[int, list[str]]]:
    """The file's rows; BenchError where it cannot be read."""
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise BenchError(one_line(f"{path}: more than {LARGEST_FILE // 2**20} MiB"))
        return list(csv_rows(path))
    except FileNotFoundError:
        raise BenchError(one_line(f"{path}: no such file")) from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = getattr(error, "strerror", None) or error
        raise BenchError(one_line(f"{path}: cannot be read ({reason})")) from None


def _header(path: Path, cells: list[str]) -> list[str]:
    names = [cell.lower() for cell in cells]
    power = [name for name in names if name in POWERS]
    if "time_s" not in names or "page" not in names or len(power) != 1:
        raise BenchError(
            one_line(
                f"{path}: its first line must name the columns time_s, page and one of "
                f"{' or '.join(POWERS)}, separated by commas; it is {shown(','.join(cells))}"
            )
        )
    for name in ("time_s", "page"):
        if names.count(name) > 1:
            raise BenchError(f"{path}: column {name} is there twice")
    return names


def _row(header: list[str], cells: list[str], pages: int) -> tuple[float, float, float]:
    """(time, page, power in mW); BadValueError says what is wrong."""
    if len(cells) != len(header):
        raise BadValueError(f"{len(cells)} values, the header has {len(header)}")
    row = dict(zip(header, cells, strict=True))
    unit = next(name for name in POWERS if name in row)
    power = _finite(unit, row[unit])
    if unit == "power_dbm":
        if abs(power) > MOST_DBM:
            raise BadValueError(
                f"{unit} = {shown(row[unit])}: must be from {-MOST_DBM} to {MOST_DBM} dBm"
            )
        power = 10 ** (power / 10)
    return _finite("time_s", row["time_s"]), _page(row["page"], pages), power


def _page(text: str, pages: int) -> int:
    if text.lower() == DARK:
        return NO_PAGE
    if not (text.isascii() and text.isdecimal() and int(text[:9]) < pages):
        raise BadValueError(f"page = {shown(text)}: must be from 0 to {pages - 1}, or {DARK}")
    return int(text[:9])


def _finite(key: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not abs(value) < LARGEST:
        raise BadValueError(f"{key} = {shown(text)}: must be a finite number")
    return value


def saturated(readings: Readings, level: float | None) -> NDArray[np.bool_]:
    """Rows at the detector's limit: from `level` mW on, or at a highest value that repeats."""
    if level is not None:
        return np.asarray(readings.power >= level)
    values, counts = np.unique(readings.power, return_counts=True)
    # a meter of few digits repeats its other values as well
    others = counts[-2] if counts.size > 1 else 0
    if counts[-1] < REPEATED * max(others, 1):
        return np.zeros(readings.power.shape, dtype=bool)
    return np.asarray(readings.power == values[-1])
