"""Arrays of a npz file, whose names, types and shapes are looked at before any is read."""

import math
import zipfile
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.base.regular_files import open_regular
from maskforge.base.wording import one_line

LARGEST = 2**29
"""Bytes of all arrays together: the couplings of 5,000 masks of 6,000 modes."""

Check = Callable[[str, np.dtype[Any], tuple[int, ...]], None]
"""Raises what it wants where an array of this name, type and shape is not what is needed."""


def read_arrays(
    path: Path, wanted: Collection[str], check: Check, *, optional: Collection[str] = ()
) -> dict[str, NDArray[Any]]:
    """The wanted arrays by name, each read after its `check`, and the optional ones that are there.

    Raises BenchError, one line, where there is no such file or array, or it is damaged.
    """
    try:
        with open_regular(path, LARGEST) as raw, zipfile.ZipFile(raw) as archive:
            found = _arrays(archive, [*wanted, *optional], check)
    except FileNotFoundError:
        raise BenchError(one_line(f"{path}: no such file")) from None
    except BenchError:
        raise
    except Exception as error:  # a damaged archive raises many kinds
        reason = getattr(error, "strerror", None) or error or type(error).__name__
        raise BenchError(one_line(f"{path}: cannot be read ({reason})")) from None
    for name in wanted:
        if name not in found:
            raise BenchError(f"{path}: holds no array {name}")
    return found


def _arrays(
    archive: zipfile.ZipFile, wanted: Collection[str], check: Check
) -> dict[str, NDArray[Any]]:
    parts = {part.filename.removesuffix(".npy"): part for part in archive.infolist()}
    own = {name: parts[name] for name in wanted if name in parts}
    if sum(part.file_size for part in own.values()) > LARGEST:
        raise ValueError(f"its arrays have more than {LARGEST // 2**20} MiB")
    found: dict[str, NDArray[Any]] = {}
    for name, part in own.items():
        with archive.open(part) as file:
            shape, dtype, start = _header(file)
            check(name, dtype, shape)
            # else memory would be asked for by the header and not by what is there
            if start + math.prod(shape) * dtype.itemsize != part.file_size:
                raise ValueError(f"{name} has not the size that its shape says")
        with archive.open(part) as file:
            found[name] = np.lib.format.read_array(file, allow_pickle=False)
    return found


def _header(file: Any) -> tuple[tuple[int, ...], np.dtype[Any], int]:
    """Shape, type, and where the numbers begin."""
    readers = {
        (1, 0): np.lib.format.read_array_header_1_0,
        (2, 0): np.lib.format.read_array_header_2_0,
    }
    version = np.lib.format.read_magic(file)
    if version not in readers:
        raise ValueError(f"an array of format {version}")
    shape, _, dtype = readers[version](file)
    return shape, dtype, int(file.tell())
