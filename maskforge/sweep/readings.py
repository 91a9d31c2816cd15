"""Tables of readings, streamed: a row a played frame with its time, its mask and its powers.

Columns: `time_s`; `page`, `mask` or `step`, what was shown; `<port>_mw` or `<port>_dbm` for each
port; `reference_mw` (or `_dbm`), where the power before the fibre was watched.  Lines that start
with # are comments.  A row that cannot be used is told by its line, never left out in silence.
"""

import csv
import io
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.base.ranges import Range
from maskforge.base.regular_files import check_lines, open_regular
from maskforge.base.wording import nearest, one_line, shown
from maskforge.launch.light import Real

TIME = "time_s"
MONITOR = "reference"
"""The port that watches the light before the fibre."""

SUFFIXES = ("_mw", "_dbm")

LIMITS: Mapping[str, Range] = {
    "_mw": Range(0, 1e6, "mW"),
    "_dbm": Range(-200, 60, "dBm"),
    TIME: Range(-1e12, 1e12, "s"),
}

CHUNK = 2**20
"""Characters of text parsed at a time."""

BATCH = 2**16
"""Rows of a Parquet file taken at a time."""

MOST_COMMENTS = 100
"""Comments above the header that are kept."""

HEADER_WITHIN = 10_000
"""Lines: a file without a header may be as long as any."""

MOST_COLUMNS = 1000

NAMED = 5
"""Bad rows of a chunk that are named."""

Lookups = Mapping[str, NDArray[np.intp]]
"""For each column that may say what was shown, the first choice first: the mask's index by the
column's number, -1 where there is none."""


@dataclass(frozen=True)
class ReadingsHeader:
    """What the columns hold: `names` and `places` of those that are used: time, `key`, the ports,
    and last, where `monitored`, the reference.  `width`: how many there are in all."""

    key: str
    ports: tuple[str, ...]
    monitored: bool
    names: tuple[str, ...]
    places: tuple[int, ...]
    width: int
    ignored: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class ReadingsBlock:
    """Rows as they are in the file: `values` (n, used columns), NaN where there is no number;
    `numbers` (n,) of their lines; `problems`, by row, of those that are no rows of numbers."""

    values: Real
    numbers: NDArray[np.intp]
    problems: Mapping[int, str]


@dataclass(frozen=True, eq=False)
class ReadingsSource:
    """An open table.  `word`: what its rows are counted by, "line" or "row"."""

    path: Path
    header: ReadingsHeader
    comments: tuple[str, ...]
    blocks: Iterator[ReadingsBlock]
    word: str


@dataclass(frozen=True, eq=False)
class Chunk:
    """The good rows of a block: `time` (n,) in s, `mask` (n,) indices, `power` (n, ports) in mW,
    `reference` (n,) in mW or None; of the bad ones how many, and the first few in words."""

    time: Real
    mask: NDArray[np.int32]
    power: Real
    reference: Real | None
    bad: int
    named: tuple[str, ...]


def header_of(path: Path, names: Sequence[str], keys: Sequence[str]) -> ReadingsHeader:
    """What the columns `names` hold; of `keys` the first that is there says what was shown.

    Raises BenchError where a column is missing or there twice.
    """
    where = f"{path}: the header"
    if len(names) > MOST_COLUMNS:
        raise BenchError(f"{where} has {len(names)} columns; at most {MOST_COLUMNS} are read")
    cleaned = [name.strip() for name in names]
    lower = [name.lower() for name in cleaned]
    for name in lower:
        if lower.count(name) > 1:
            raise BenchError(one_line(f"{where} has the column {shown(name)} twice"))
    key = next((key for key in keys if key in lower), None)
    if TIME not in lower or key is None:
        wanted = TIME if TIME not in lower else " or ".join(keys)
        near = nearest(TIME if TIME not in lower else keys[0], lower)
        hint = f"; it has {shown(near)}" if near else ""
        step = "; step needs the play list" if key is None and "step" in lower else ""
        raise BenchError(one_line(f"{where} must have the column {wanted}{hint}{step}"))
    ends = {at: s for at, name in enumerate(lower) for s in SUFFIXES if name.endswith(s)}
    titles = {at: cleaned[at][: -len(end)] for at, end in ends.items()}
    for at, title in titles.items():
        if not title or list(titles.values()).count(title) > 1:
            reason = "there is a second column of this port" if title else "names no port"
            raise BenchError(one_line(f"{where}: {cleaned[at]}: {reason}"))
    ports = [at for at, title in titles.items() if title.lower() != MONITOR]
    monitor = [at for at in titles if at not in ports]
    if not ports:
        raise BenchError(
            one_line(f"{where} names no port: each needs a column <port>_mw or <port>_dbm")
        )
    places = (lower.index(TIME), lower.index(key), *ports, *monitor)
    return ReadingsHeader(
        key=key,
        ports=tuple(titles[at] for at in ports),
        monitored=bool(monitor),
        names=tuple(cleaned[at] for at in places),
        places=places,
        width=len(names),
        ignored=tuple(name for at, name in enumerate(cleaned) if at not in places),
    )


@contextmanager
def opened(path: Path, keys: Sequence[str]) -> Iterator[ReadingsSource]:
    """The table in a CSV file, or in a file whose name ends in .parquet.

    Raises BenchError where it cannot be read or its header cannot be used.
    """
    try:
        if path.suffix.lower() == ".parquet":
            yield _parquet(path, keys)
            return
        with open_regular(path) as raw:
            check_lines(raw)
            file = io.TextIOWrapper(raw, encoding="utf-8-sig", errors="replace")
            yield _text(path, file, keys)
    except OSError as error:
        raise BenchError(one_line(f"{path}: cannot be read ({error.strerror})")) from error


# --- CSV -------------------------------------------------------------------------------------


def _text(path: Path, file: IO[str], keys: Sequence[str]) -> ReadingsSource:
    comments: list[str] = []
    for number, line in enumerate(file, start=1):
        if line.startswith("#"):
            comments += [line[1:].strip()] if len(comments) < MOST_COMMENTS else []
        elif line.strip():
            names = _cells(line)
            if len(names) == 1 and ";" in line:
                raise BenchError(f"{path}: line {number}: cells must be parted by commas")
            header = header_of(path, names, keys)
            return ReadingsSource(
                path, header, tuple(comments), _lines(file, header, number), "line"
            )
        if number == HEADER_WITHIN:
            raise BenchError(f"{path}: no line names the columns; {number} lines were looked at")
    raise BenchError(f"{path}: is empty; the first line must name the columns")


def _lines(file: IO[str], header: ReadingsHeader, before: int) -> Iterator[ReadingsBlock]:
    """The rows below the header, which is line `before`."""
    while lines := file.readlines(CHUNK):
        kept = [at for at, line in enumerate(lines) if line[0] != "#" and not line.isspace()]
        numbers = np.array(kept, dtype=np.intp) + before + 1
        before += len(lines)
        if kept:
            rows = lines if len(kept) == len(lines) else [lines[at] for at in kept]
            yield _parsed(rows, numbers, header)


def _parsed(rows: list[str], numbers: NDArray[np.intp], header: ReadingsHeader) -> ReadingsBlock:
    """All rows at once where they are all numbers, else one by one."""
    if all(row.count(",") == header.width - 1 for row in rows):
        try:
            values = np.loadtxt(rows, delimiter=",", comments=None, usecols=header.places, ndmin=2)
        except ValueError:
            pass
        else:
            return ReadingsBlock(values, numbers, {})
    values = np.full((len(rows), len(header.places)), np.nan)
    problems: dict[int, str] = {}
    for at, row in enumerate(rows):
        try:
            values[at] = _numbers(_cells(row), header)
        except ValueError as problem:
            problems[at] = str(problem)
    return ReadingsBlock(values, numbers, problems)


def _cells(row: str) -> list[str]:
    try:
        return next(csv.reader([row]), [])
    except csv.Error as error:
        raise ValueError(f"is not CSV ({error})") from None


def _numbers(cells: list[str], header: ReadingsHeader) -> list[float]:
    """The used cells of a row; ValueError says what is wrong with it."""
    if len(cells) != header.width:
        raise ValueError(f"has {len(cells)} cells, the header has {header.width}")
    found = []
    for name, at in zip(header.names, header.places, strict=True):
        cell = cells[at].strip()
        try:
            if "_" in cell:
                raise ValueError
            found.append(float(cell))
        except ValueError:
            raise ValueError(f"{name} = {shown(cell)}: must be a number") from None
    return found


# --- Parquet ---------------------------------------------------------------------------------


def _parquet(path: Path, keys: Sequence[str]) -> ReadingsSource:
    try:
        from pyarrow import ArrowException, parquet
    except ImportError:
        raise BenchError(
            f"{path}: Parquet needs the package pyarrow: install maskforge[parquet], or write CSV"
        ) from None
    try:
        open_regular(path).close()
        file = parquet.ParquetFile(path)
        header = header_of(path, file.schema_arrow.names, keys)
    except ArrowException as error:
        raise BenchError(one_line(f"{path}: is not Parquet ({error})")) from error

    def blocks() -> Iterator[ReadingsBlock]:
        columns = [file.schema_arrow.names[at] for at in header.places]
        before = 0
        try:
            for batch in file.iter_batches(batch_size=BATCH, columns=columns):
                cells = [batch.column(name).cast("double") for name in columns]
                values = np.stack([cell.to_numpy(zero_copy_only=False) for cell in cells], axis=1)
                yield ReadingsBlock(values, before + 1 + np.arange(len(values)), {})
                before += len(values)
        except ArrowException as error:
            raise BenchError(one_line(f"{path}: cannot be read as numbers ({error})")) from error

    return ReadingsSource(path, header, (), blocks(), "row")


# --- what can be used ------------------------------------------------------------------------

Fault = tuple[NDArray[np.bool_], Callable[[int], str]]
"""Which rows have it, and what to say of a row."""


def chunks(source: ReadingsSource, lookups: Lookups) -> Iterator[Chunk]:
    """The good rows of a table, block after block; times never go back from one to the next."""
    latest = -np.inf, 0
    for block in source.blocks:
        chunk, latest = _judged(source, block, lookups[source.header.key], latest)
        yield chunk


def _judged(
    source: ReadingsSource,
    block: ReadingsBlock,
    lookup: NDArray[np.intp],
    latest: tuple[float, int],
) -> tuple[Chunk, tuple[float, int]]:
    """The block's good rows; the latest time so far and its line."""
    header, values = source.header, block.values
    faults = _faults(header, block, lookup)
    good = ~np.logical_or.reduce([rows for rows, _ in faults])
    back = _going_back(header, block, good, latest, source.word)
    faults.append(back)
    good &= ~back[0]
    named = []
    for at in np.flatnonzero(~good)[:NAMED].tolist():
        reason = next(tell(at) for rows, tell in faults if rows[at])
        named.append(one_line(f"{source.word} {block.numbers[at]}: {reason}"))
    kept = values[good]
    if len(kept) and kept[:, 0].max() >= latest[0]:
        last = int(np.argmax(kept[:, 0]))
        latest = float(kept[last, 0]), int(block.numbers[good][last])
    for column, name in enumerate(header.names[2:], start=2):
        if name.lower().endswith("_dbm"):
            kept[:, column] = 10 ** (kept[:, column] / 10)
    end = 2 + len(header.ports)
    chunk = Chunk(
        time=kept[:, 0],
        # half the memory of an index: there may be many
        mask=lookup[kept[:, 1].astype(np.intp)].astype(np.int32),
        power=kept[:, 2:end],
        reference=kept[:, end] if header.monitored else None,
        bad=int(np.count_nonzero(~good)),
        named=tuple(named),
    )
    return chunk, latest


def _faults(header: ReadingsHeader, block: ReadingsBlock, lookup: NDArray[np.intp]) -> list[Fault]:
    """What is wrong with rows by themselves, the first that holds being told."""
    values = block.values
    broken = np.zeros(len(values), dtype=bool)
    broken[list(block.problems)] = True
    faults: list[Fault] = [(broken, block.problems.__getitem__)]
    for column, name in enumerate(header.names):
        cells = values[:, column]
        if column == 1:
            faults.append(_unknown(name, cells, lookup))
            continue
        limit = _limit(header, column)
        outside = ~((cells >= limit.low) & (cells <= limit.high))
        if limit.open:
            outside |= cells == limit.low
        faults.append((outside, _telling(name, cells, limit.phrase())))
    return faults


def _limit(header: ReadingsHeader, column: int) -> Range:
    if column == 0:
        return LIMITS[TIME]
    name = header.names[column].lower()
    limit = LIMITS[name[name.rindex("_") :]]
    # powers are divided by that of the reference
    divides = header.monitored and column == len(header.names) - 1 and limit.low == 0
    return replace(limit, open=True) if divides else limit


def _telling(name: str, cells: Real, rule: str) -> Callable[[int], str]:
    return lambda at: f"{name} = {cells[at]:g}: {rule}"


def _unknown(name: str, cells: Real, lookup: NDArray[np.intp]) -> Fault:
    """Rows whose number shows no mask."""
    known = np.flatnonzero(lookup >= 0)
    whole = (cells >= 0) & (cells < len(lookup)) & (np.floor(cells) == cells)
    places = np.where(whole, cells, 0).astype(np.intp)
    rule = f"must be a whole number from {known.min()} to {known.max()}"
    return ~whole | (lookup[places] < 0), _telling(name, cells, rule)


def _going_back(
    header: ReadingsHeader,
    block: ReadingsBlock,
    good: NDArray[np.bool_],
    latest: tuple[float, int],
    word: str,
) -> Fault:
    """Rows that are earlier than one above them."""
    time = np.where(good, block.values[:, 0], -np.inf)
    highest = np.maximum.accumulate(np.concatenate(([latest[0]], time)))[:-1]

    def tell(at: int) -> str:
        above = np.flatnonzero(good[:at] & (time[:at] == highest[at]))
        line = int(block.numbers[above[-1]]) if above.size else latest[1]
        return f"{TIME} = {time[at]:.9g}: goes back; {word} {line} was at {highest[at]:.9g} s"

    return good & (time < highest), tell
