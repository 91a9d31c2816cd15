"""Files behind a bench: TOML text, the presets in the package, pictures and CSV tables."""

import csv
import hashlib
import math
import re
import tomllib
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.base.csv_text import csv_rows
from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError
from maskforge.base.regular_files import open_regular, read_regular
from maskforge.base.wording import listed, nearest, one_line, shown
from maskforge.bench.pictures import check_pixels, open_tiff

Real = NDArray[np.float64]

FOLDERS = {"bench": "benches", "fiber": "fibers", "modulator": "modulators"}
"""Kinds of presets and the folders of presets/ that hold them."""

LARGEST_FILE = 256 * 2**20
"""Bytes of a data file: four times a 16-megapixel camera's picture of floats; more is a mistake."""

LARGEST_BENCH = 2**20
"""Bytes of a bench file: a hundred times a long one."""

MOST_ROWS = 2**16
"""Of a CSV file: a row for each grey value, eight times the rows of the largest panel."""

MOST_NUMBERS = 2**22
"""Of a CSV file: a picture of 2048 x 2048 pixels; larger ones belong into a TIFF."""

MOST_PARTS = 32
"""Of a dotted key: memory goes with their square.  No bench has more than three."""

_PART = r"""[ \t]*+(?:[A-Za-z0-9_-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\."""

DEEP_KEY = re.compile(rf"(?<![A-Za-z0-9_-])(?:{_PART}){{{MOST_PARTS}}}")

GREYSCALE = ("1", "L", "I", "F", "I;16", "I;16B", "I;16L")
"""Pillow's modes of one number a pixel."""


@dataclass(frozen=True, eq=False)
class DataFile:
    """A file that a bench names: the path as written, and what was read from it.

    `data`: a picture (rows, columns), y up, or the columns of a table (rows, columns).
    """

    path: str
    data: Real
    floating: bool = True
    """Whether the file held floating-point numbers."""
    sha256: str = ""
    """Of the file's bytes, in hexadecimal."""

    @property
    def names(self) -> tuple[tuple[str, ...], ...]:
        """Of its rows and columns, where they have any."""
        return ()

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, DataFile)
            and self.path == other.path
            and self.names == other.names
            and np.array_equal(self.data, other.data)
        )

    def __hash__(self) -> int:
        return hash((self.path, self.data.shape))


def files_in(value: object) -> tuple[DataFile, ...]:
    """The data files that a value of a bench names: one, or those of a list."""
    some = value if isinstance(value, tuple) else (value,)
    return tuple(one for one in some if isinstance(one, DataFile))


@dataclass(frozen=True)
class BenchText:
    """Where a bench comes from: its name, how errors call it, and the folder of its data files."""

    name: str
    shown_as: str
    folder: Path
    text: str


# --- presets ---------------------------------------------------------------------------------


def _preset_files(kind: str) -> dict[str, Traversable]:
    folder = files("maskforge.presets") / FOLDERS[kind]
    found = (item for item in folder.iterdir() if item.name.endswith(".toml"))
    return {item.name.removesuffix(".toml"): item for item in sorted(found, key=lambda i: i.name)}


def preset_names() -> list[tuple[str, str, str]]:
    """(kind, name, description on one line) of every preset; kind: bench, fiber or modulator."""
    return [
        (kind, name, item.read_text("utf-8").partition("\n")[0].lstrip("# ").strip())
        for kind in FOLDERS
        for name, item in _preset_files(kind).items()
    ]


def preset_text(name: str) -> str:
    """The TOML text of a preset of any kind; BenchError where there is none of this name."""
    for kind in FOLDERS:
        found = _preset_files(kind).get(name)
        if found is not None:
            return found.read_text("utf-8")
    raise BenchError(_no_preset(name, [known for _, known, _ in preset_names()]))


def preset_keys(kind: str, name: object) -> dict[str, Any]:
    """Keys of a fibre or modulator preset; BadValueError where there is none of this name."""
    found = _preset_files(kind)
    if not isinstance(name, str) or name not in found:
        near = nearest(name, found) if isinstance(name, str) else None
        hint = f'; did you mean "{near}"?' if near else ""
        raise BadValueError(f"no {kind} preset of this name; there are {listed(found)}{hint}")
    return parsed(found[name].read_text("utf-8"), f"preset {name}")


def _no_preset(name: str, known: list[str]) -> str:
    near = nearest(name, known)
    return one_line(
        f"no preset {shown(name)}"
        + (f'; did you mean "{near}"?' if near else f"; there are {listed(known)};")
        + " a path to a .toml file works too"
    )


# --- TOML ------------------------------------------------------------------------------------


def bench_source(name_or_path: str | Path) -> BenchText:
    """The text of a bench preset or of a TOML file; BenchError where there is none."""
    given = str(name_or_path)
    path = Path(name_or_path)
    presets = _preset_files("bench")
    if given in presets:
        return BenchText(given, given, Path(), presets[given].read_text("utf-8"))
    looks_like_path = isinstance(name_or_path, Path) or path.suffix == ".toml" or "/" in given
    if looks_like_path or "\\" in given or ("\0" not in given and path.is_file()):
        return BenchText(path.stem, one_line(given), path.parent, _text_of(path))
    for kind, name, _ in preset_names():
        if name == given:
            raise BenchError(
                f'{given}: a {kind} preset; a bench uses it by preset = "{given}" under [{kind}]; '
                f"bench presets are {listed(presets)}"
            )
    raise BenchError(_no_preset(given, list(presets)))


def _text_of(path: Path) -> str:
    where = one_line(str(path))
    try:
        text = read_regular(path, LARGEST_BENCH).decode("utf-8-sig")
    except FileNotFoundError:
        raise BenchError(f"{where}: no such file") from None
    except UnicodeDecodeError as error:
        raise BenchError(f"{where}: not UTF-8 text (byte {error.start})") from None
    except (OSError, ValueError) as error:
        raise BenchError(f"{where}: cannot be read ({_reason(error)})") from None
    deep = DEEP_KEY.search(text)
    if deep is not None:
        line = text.count("\n", 0, deep.start()) + 1
        raise BenchError(f"{where}: line {line}: a key of more than {MOST_PARTS} parts")
    return text


def parsed(text: str, shown_as: str) -> dict[str, Any]:
    """TOML text as a dictionary; a mistake is a BenchError with its line number."""
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        reason = _reason(error)
    place = re.search(r" ?\(at (line \d+, column \d+|end of document)\)", reason)
    if place is None:
        raise BenchError(f"{shown_as}: not a TOML file ({reason})")
    last = f"line {max(1, len(text.splitlines()))} (the end)"
    at = place[1] if place[1].startswith("line") else last
    raise BenchError(f"{shown_as}: {at}: not TOML: {reason.replace(place[0], '')}")


def _reason(error: BaseException) -> str:
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return one_line(str(text))[:120]


# --- data files ------------------------------------------------------------------------------


def opened(path: str, folder: Path) -> tuple[Path, str]:
    """The file and the SHA-256 of its bytes; BadValueError where it cannot be read."""
    found, digest = folder / path, ""
    try:
        if not found.is_file():
            raise BadValueError(f"no such file ({found})")
        size = found.stat().st_size
        if size <= LARGEST_FILE:
            with found.open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError) as error:
        if isinstance(error, BadValueError):
            raise
        raise BadValueError(f"cannot be read ({_reason(error)})") from None
    if size > LARGEST_FILE:
        raise BadValueError(f"{size / 2**20:.0f} MiB; at most {LARGEST_FILE // 2**20} MiB")
    return found, digest


def read_picture(path: object, folder: Path) -> DataFile:
    """A greyscale picture, or a CSV grid of numbers, y up; BadValueError where unusable."""
    if not isinstance(path, str):
        raise BadValueError("must be the path of a picture (TIFF, PNG, ...) or CSV grid, in quotes")
    found, digest = opened(path, folder)
    data = np.array(_numbers(found)) if found.suffix.lower() == ".csv" else _pixels(found)
    if data.size == 0:
        raise BadValueError("not a picture that can be read (it holds no pixels)")
    if data.ndim != 2 or min(data.shape) < 2:
        size = " x ".join(str(n) for n in data.shape)
        raise BadValueError(
            f"one greyscale picture of at least 2 x 2 pixels is needed, this is {size}"
        )
    if data.dtype.kind not in "biuf":
        raise BadValueError(
            f"its pixels are {data.dtype}; whole or floating-point numbers are needed"
        )
    # in place where it can be: one as large as the largest panel has 512 MiB
    with np.errstate(invalid="ignore"):
        # some that are not numbers cannot be converted in silence
        values = np.asarray(data[::-1], np.float64)
    if not np.all(np.isfinite(values)):
        raise BadValueError("some of its pixels are not finite numbers")
    return DataFile(path, values, data.dtype.kind == "f", digest)


@contextmanager
def _without_warnings() -> Iterator[None]:
    """A library's warning of a large picture would stand beside our own line."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _pixels(path: Path) -> NDArray[Any]:
    # what few benches need is loaded where they do
    from PIL import Image

    try:
        if path.suffix.lower() in (".tif", ".tiff"):
            with open_tiff(path, LARGEST_FILE) as tiff:
                # a page by itself first: those of a large file take long to count
                check_pixels(tiff.pages.first.shape)
                check_pixels(tiff.series[0].shape)
                return np.asarray(tiff.series[0].asarray())
        with open_regular(path, LARGEST_FILE) as raw, _without_warnings(), Image.open(raw) as image:
            mode = image.mode
            check_pixels((image.height, image.width))
            if mode in GREYSCALE:
                return np.asarray(image)
    except Exception as error:  # decoders of broken files raise whatever they meet
        raise BadValueError(f"not a picture that can be read ({_reason(error)})") from None
    raise BadValueError(f"a picture in colour (mode {mode}); greyscale is needed")


def read_table(
    path: object, folder: Path, columns: tuple[str, ...], optional: tuple[str, ...] = ()
) -> DataFile:
    """A CSV with these columns, header line or not; BadValueError names the line at fault."""
    names = ", ".join(columns) + "".join(f"[, {name}]" for name in optional)
    if not isinstance(path, str):
        raise BadValueError(f"must be the path of a CSV file with columns {names}, in quotes")
    every = (*columns, *optional)
    found, digest = opened(path, folder)
    rows = _numbers(found, every)
    if len(rows) < 2:
        raise BadValueError(f"{len(rows)} rows of numbers; at least 2 are needed, columns {names}")
    if not len(columns) <= len(rows[0]) <= len(every):
        raise BadValueError(f"{len(rows[0])} columns, separated by commas; needed are {names}")
    return DataFile(path, np.array(rows), sha256=digest)


def named_rows(
    path: Path, columns: tuple[str, ...], optional: str
) -> Iterator[tuple[int, tuple[str, str], list[float]]]:
    """Rows of a CSV of two names and numbers, the last one optional: line, names, numbers.

    BadValueError names the line at fault.
    """
    every, width = (*columns, optional), 0
    for line, cells in _cells(path):
        if not width and tuple(cells) == every[: len(cells)]:
            continue
        if not len(columns) <= len(cells) <= len(every) or len(cells) != (width or len(cells)):
            raise BadValueError(
                f"line {line}: {len(cells)} values; needed are {', '.join(columns)}[, {optional}], "
                "the same number on every line"
            )
        width = len(cells)
        yield line, (cells[0], cells[1]), [_number(cell, line, every) for cell in cells[2:]]


def _numbers(path: Path, header: tuple[str, ...] = ()) -> list[list[float]]:
    """Rows of numbers, each as long as the first; blank lines and lines of # are left out."""
    rows: list[list[float]] = []
    for number, cells in _cells(path):
        if not rows and header and tuple(cells) == header[: len(cells)]:
            continue
        if len(rows) == MOST_ROWS or (len(rows) + 1) * len(cells) > MOST_NUMBERS:
            raise BadValueError(
                f"line {number}: at most {MOST_ROWS} rows and {MOST_NUMBERS} numbers are read"
            )
        rows.append([_number(cell, number, header) for cell in cells])
        if len(rows[-1]) != len(rows[0]):
            raise BadValueError(
                f"line {number}: {len(rows[-1])} values, the first has {len(rows[0])}"
            )
    return rows


def _cells(path: Path) -> Iterator[tuple[int, list[str]]]:
    try:
        yield from csv_rows(path)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise BadValueError(f"not a CSV file ({_reason(error)})") from None


def _number(cell: str, line: int, header: tuple[str, ...]) -> float:
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        wanted = f" (columns {', '.join(header)}, separated by commas)" if header else ""
        raise BadValueError(f"line {line}: {shown(cell)} is not a finite number{wanted}")
    return value
