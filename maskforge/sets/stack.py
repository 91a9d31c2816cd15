"""The stack of masks: a TIFF file, one greyscale page a mask, in play order."""

import hashlib
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from maskforge.base.files import telling

Picture = NDArray[np.unsignedinteger]

CLASSIC_LIMIT = 2**32 - 2**24
"""Bytes that a file with 32-bit offsets holds, less 16 MiB for the directories of its pages."""

STRIP_BYTES = 2**18
"""Of pixels in a strip of rows that is compressed by itself: what a reader holds at once."""

ZLIB_LEVEL = 4
"""Half the time of the usual 6, for masks of two states a third more bytes."""


@dataclass(frozen=True, eq=False)
class Page:
    """A picture as it stands in the file: of `shape` (rows, columns) and type, in compressed
    `strips` of `rows` rows each, the last one perhaps of fewer."""

    shape: tuple[int, ...]
    dtype: np.dtype[np.unsignedinteger]
    rows: int
    strips: tuple[bytes, ...]


Over = Callable[[Callable[[bytes], bytes], Iterable[bytes]], Iterable[bytes]]
"""As `map`, perhaps over threads."""


def page_of(picture: Picture, over: Over = map) -> Page:
    """The page of a picture (rows, columns), row 0 on top; its strips are packed `over` threads."""
    count, columns = picture.shape
    rows = max(1, min(count, STRIP_BYTES // (columns * picture.itemsize)))
    # a row of single bits begins with a whole byte
    pixels = np.packbits(picture, axis=1) if picture.dtype == bool else picture
    strips = (raw_bytes(pixels[first : first + rows]) for first in range(0, count, rows))
    packed = over(lambda strip: zlib.compress(strip, ZLIB_LEVEL), strips)
    return Page(picture.shape, picture.dtype, rows, tuple(packed))


def raw_bytes(picture: Picture) -> bytes:
    """The pixels of a page: rows from the top, each from the left, 16-bit ones little-endian."""
    return np.ascontiguousarray(picture, dtype=picture.dtype.newbyteorder("<")).tobytes()


def pixel_hash(picture: Picture) -> str:
    """SHA-256 in hexadecimal of `raw_bytes`: of the pixels, not of the file around them."""
    return hashlib.sha256(raw_bytes(picture)).hexdigest()


@contextmanager
def stack(path: Path, size: int, shown: Path) -> Iterator[Callable[[Page, str], None]]:
    """A function that appends a page, and its description.

    `size` in bytes of all pages as they are in memory decides whether the file has 64-bit offsets
    (BigTIFF), which only files past 4 GiB need and some readers lack.  Nothing in the file tells
    when it was written: the same masks give the same bytes.  Raises OutputError, which names the
    file `shown`, where it cannot be written.
    """
    # who only makes pages ready need not load it
    import tifffile

    with telling(shown):
        writer = tifffile.TiffWriter(path, bigtiff=size > CLASSIC_LIMIT, byteorder="<")

    def append(page: Page, description: str) -> None:
        with telling(shown):
            writer.write(
                iter(page.strips),
                shape=page.shape,
                dtype=page.dtype,
                rowsperstrip=page.rows,
                # stated, not guessed: three or four planes may pass for colours
                photometric="minisblack",
                compression="zlib",
                contiguous=False,
                metadata=None,
                software=False,
                description=description.encode(),
            )

    try:
        yield append
    finally:
        with telling(shown):
            writer.close()
