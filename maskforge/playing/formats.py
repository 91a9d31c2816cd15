"""The open formats of a pack: pictures of masks written into files, one at a time.

tiff    masks.tif, a page a mask; greyscale of 1, 8 or 16 bits, zlib
png     a greyscale PNG a mask, of 1, 8 or 16 bits
planes  masks of two greys as the 24 bit planes of 8-bit RGB frames (PNG)
bits    masks.bin, masks of two greys, eight pixels a byte
numpy   masks.npy, an array [mask, row, column] of 8 or 16 bits

Greys are kept as they are, never stretched, but for pixels of one bit, which say which of two greys
it is; row 0 is the panel's top row.  What lies where is a
`Place`; `order_of` says how planes and bits are packed.
"""

import io
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from maskforge.base.errors import BenchError
from maskforge.base.files import telling
from maskforge.base.ranges import BadValueError, Choice
from maskforge.sets.names import STACK
from maskforge.sets.stack import ZLIB_LEVEL, Picture, page_of, raw_bytes, stack

BITS = "masks.bin"
ARRAY = "masks.npy"

DEPTHS: Mapping[str, tuple[int, ...]] = {
    "tiff": (1, 8, 16),
    "png": (1, 8, 16),
    "planes": (1,),
    "bits": (1,),
    "numpy": (8, 16),
}
"""The formats, and how many bits a pixel each can have."""

PLANES = 24
"""Bit planes of a frame: 8 bits of 3 colours."""

LONGEST_NAME = 60
"""Characters of what a mask shows in a file's name."""

UNSAFE = re.compile(r"[^A-Za-z0-9._-]")
"""All but the portable filename character set (POSIX.1, 3.282)."""

Order = dict[str, object]


@dataclass(frozen=True)
class Layout:
    """A pack before its first picture: format, bits a pixel, (rows, columns), number of masks.

    `greys`: those of the pictures that the bits 0 and 1 stand for, where a pixel is one bit.
    """

    kind: str
    bits: int
    shape: tuple[int, int]
    count: int
    greys: tuple[int, int] | None = None

    @property
    def row_bytes(self) -> int:
        """Bytes that a row takes where each one begins on a whole byte."""
        return (self.shape[1] * self.bits + 7) // 8

    @property
    def mask_bytes(self) -> int:
        return self.shape[0] * self.row_bytes


@dataclass(frozen=True)
class Place:
    """Where a mask lies; what a format has no use for is None.

    `page`: of a TIFF file, or the index in an array; `plane`: of a frame; both from 0.
    """

    file: str
    page: int | None = None
    plane: int | None = None
    offset_bytes: int | None = None


Append = Callable[[int, Picture, str], Place]
"""Takes a mask's index, its picture and what it shows; gives where it lies."""


def check_format(kind: str, bits: int | None = None) -> None:
    """BenchError where there is no such format, or it cannot have so many bits a pixel."""
    try:
        Choice(tuple(DEPTHS))(kind)
    except BadValueError as problem:
        raise BenchError(f"--as = {kind}: {problem.text}") from None
    if bits is not None and bits not in DEPTHS[kind]:
        words = " or ".join(map(str, DEPTHS[kind]))
        raise BenchError(f"--bits = {bits}: must be {words} (bits a pixel) with --as {kind}")


def depth_of(kind: str, bits: int | None, own: int) -> int:
    """Bits a pixel: those asked for, else `own`, the set's, where the format can have them."""
    allowed = DEPTHS[kind]
    return bits or (own if own in allowed else allowed[0])


def order_of(layout: Layout) -> Order | None:
    """How the pixels of several masks share bytes, in words and numbers; None where they do not."""
    if layout.kind == "planes":
        return {
            "words": "plane k of a frame is bit k % 8 (0: the least significant) of colour channel "
            "k // 8 (0 red, 1 green, 2 blue); planes are filled from 0, unused ones of the last "
            "frame are 0",
            "planes_per_frame": PLANES,
            "channel_of_plane": [plane // 8 for plane in range(PLANES)],
            "bit_of_plane": [plane % 8 for plane in range(PLANES)],
        }
    if layout.kind == "bits":
        return {
            "words": "masks one after another, of each the rows from the top, of each row the "
            "pixels from the left, the first in the most significant bit of its byte; rows are "
            "filled up with 0 to whole bytes",
            "first_pixel_bit": 7,
            "row_bytes": layout.row_bytes,
            "mask_bytes": layout.mask_bytes,
        }
    return None


@contextmanager
def opened(folder: Path, layout: Layout, shown: Path) -> Iterator[Append]:
    """A function that appends a mask's picture to a pack in `files`; its greys must fit the layout.

    Complete when the block ends well.  The same pictures give the same bytes.  Raises OutputError,
    which names the file in `shown`, where a file cannot be written.
    """
    with WRITERS[layout.kind](folder, layout, shown) as append:

        def cast_and_append(index: int, picture: Picture, name: str) -> Place:
            if layout.greys is None:
                return append(index, picture.astype(_pixel_type(layout.bits)), name)
            return append(index, picture == layout.greys[1], name)

        yield cast_and_append


def _pixel_type(bits: int) -> np.dtype[Any]:
    return np.dtype({1: np.bool_, 8: np.uint8, 16: np.uint16}[bits])


# --- files of pages --------------------------------------------------------------------------


@contextmanager
def _tiff(folder: Path, layout: Layout, shown: Path) -> Iterator[Append]:
    size = layout.count * layout.mask_bytes
    with stack(folder / STACK, size, shown / STACK) as append_page:

        def append(index: int, picture: Picture, name: str) -> Place:
            append_page(page_of(picture), name)
            return Place(STACK, page=index)

        yield append


@contextmanager
def _bits(folder: Path, layout: Layout, shown: Path) -> Iterator[Append]:
    with _growing(folder / BITS, shown / BITS) as write:

        def append(index: int, picture: Picture, name: str) -> Place:
            write(np.packbits(picture, axis=1, bitorder="big").tobytes())
            return Place(BITS, offset_bytes=index * layout.mask_bytes)

        yield append


@contextmanager
def _numpy(folder: Path, layout: Layout, shown: Path) -> Iterator[Append]:
    # one picture after another, not through a memory map: on a full disk a write into one ends
    # the process without a word
    head = {
        "descr": np.lib.format.dtype_to_descr(_pixel_type(layout.bits).newbyteorder("<")),
        "fortran_order": False,
        "shape": (layout.count, *layout.shape),
    }
    text = io.BytesIO()
    np.lib.format.write_array_header_1_0(text, head)
    with _growing(folder / ARRAY, shown / ARRAY) as write:
        write(text.getvalue())

        def append(index: int, picture: Picture, name: str) -> Place:
            write(raw_bytes(picture))
            return Place(ARRAY, page=index)

        yield append


@contextmanager
def _growing(path: Path, shown: Path) -> Iterator[Callable[[bytes], None]]:
    """A function that appends bytes to a new file."""
    with telling(shown):
        file = path.open("wb")

    def write(content: bytes) -> None:
        with telling(shown):
            file.write(content)

    try:
        yield write
    finally:
        with telling(shown):
            file.close()


# --- a picture a file ------------------------------------------------------------------------


def _file_name(index: int, count: int, name: str) -> str:
    """ "0007-LP21-30deg.png": sorted by name the files are in play order."""
    digits = max(4, len(str(count - 1)))
    safe = UNSAFE.sub("_", name.replace(" deg", "deg").replace(" ", "-"))[:LONGEST_NAME]
    return f"{index:0{digits}d}-{safe}.png"


def _save(pixels: NDArray[np.generic], path: Path, shown: Path) -> None:
    with telling(shown):
        Image.fromarray(pixels).save(path, "png", compress_level=ZLIB_LEVEL)


@contextmanager
def _png(folder: Path, layout: Layout, shown: Path) -> Iterator[Append]:
    def append(index: int, picture: Picture, name: str) -> Place:
        file = _file_name(index, layout.count, name)
        _save(picture, folder / file, shown / file)
        return Place(file)

    yield append


@contextmanager
def _planes(folder: Path, layout: Layout, shown: Path) -> Iterator[Append]:
    frame = np.zeros((*layout.shape, 3), dtype=np.uint8)
    digits = max(4, len(str((layout.count - 1) // PLANES)))

    def name_of(index: int) -> str:
        return f"frame-{index // PLANES:0{digits}d}.png"

    def append(index: int, picture: Picture, name: str) -> Place:
        file, plane = name_of(index), index % PLANES
        if plane == 0:
            frame[:] = 0
        frame[..., plane // 8] |= picture.astype(np.uint8) << np.uint8(plane % 8)
        if plane == PLANES - 1 or index == layout.count - 1:
            _save(frame, folder / file, shown / file)
        return Place(file, plane=plane)

    yield append


WRITERS: Mapping[str, Callable[[Path, Layout, Path], AbstractContextManager[Append]]] = {
    "tiff": _tiff,
    "png": _png,
    "planes": _planes,
    "bits": _bits,
    "numpy": _numpy,
}
