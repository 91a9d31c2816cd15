"""The stack of masks: a TIFF file, one greyscale page a mask, in play order."""

import hashlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import tifffile
from numpy.typing import NDArray

from maskforge.base.files import telling

Picture = NDArray[np.unsignedinteger]

CLASSIC_LIMIT = 2**32 - 2**24
"""Bytes that a file with 32-bit offsets holds, less 16 MiB for the directories of its pages."""

ZLIB_LEVEL = 4
"""Half the time of the usual 6, for masks of two states a third more bytes."""


def raw_bytes(picture: Picture) -> bytes:
    """The pixels of a page: rows from the top, each from the left, 16-bit ones little-endian."""
    return np.ascontiguousarray(picture, dtype=picture.dtype.newbyteorder("<")).tobytes()


def pixel_hash(picture: Picture) -> str:
    """SHA-256 in hexadecimal of `raw_bytes`: of the pixels, not of the file around them."""
    return hashlib.sha256(raw_bytes(picture)).hexdigest()


@contextmanager
def stack(path: Path, size: int, shown: Path) -> Iterator[Callable[[Picture, str], None]]:
    """A function that appends a page: picture (rows, columns), row 0 on top, and description.

    `size` in bytes of all pages as they are in memory decides whether the file has 64-bit offsets
    (BigTIFF), which only files past 4 GiB need and some readers lack.  Nothing in the file tells
    when it was written: the same masks give the same bytes.  Raises OutputError, which names the
    file `shown`, where it cannot be written.
    """
    with telling(shown):
        writer = tifffile.TiffWriter(path, bigtiff=size > CLASSIC_LIMIT, byteorder="<")

    def append(picture: Picture, description: str) -> None:
        with telling(shown):
            writer.write(
                picture,
                # stated, not guessed: three or four planes may pass for colours
                photometric="minisblack",
                compression="zlib",
                compressionargs={"level": ZLIB_LEVEL},
                contiguous=False,
                metadata=None,
                software=False,
                description=description.encode(),
                maxworkers=1,
            )

    try:
        yield append
    finally:
        with telling(shown):
            writer.close()
