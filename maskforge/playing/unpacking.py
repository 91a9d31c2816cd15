"""The pictures of a pack, read back from its files and its header alone."""

from collections.abc import Callable, Generator, Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from maskforge.base.errors import BenchError
from maskforge.base.regular_files import open_regular
from maskforge.base.wording import one_line
from maskforge.playing.pack_header import PackedMask, WrittenPack
from maskforge.sets.reading import stack_pages
from maskforge.sets.stack import Picture, pixel_hash

GREY_MODES = ("1", "L", "I;16", "I")
"""How Pillow calls 1, 8 and 16 bits of grey; 16 are "I" before its version 11."""

Pixels = NDArray[Any]


def pack_pictures(pack: WrittenPack) -> Iterator[Picture]:
    """The pictures (rows, columns), row 0 on top, uint8 or uint16 as in the set, in play order.

    One at a time is in memory.  Raises BenchError, which names the file, where one cannot be read
    or is not the picture that the header lists.
    """
    header = pack.header
    kind = np.uint8 if header.picture_bits == 8 else np.uint16
    greys = header.layout.greys
    with closing(READERS[header.kind](pack)) as found:
        for mask in header.masks:
            where = f"{pack.folder / mask.file}: mask {mask.index}"
            pixels = next(found, None)
            if pixels is None:
                raise BenchError(f"{where}: missing, the file ends before it")
            _check_size(pixels.shape, pack, mask)
            picture: Picture = pixels.astype(kind)
            if greys is not None:
                picture = np.where(pixels.astype(bool), *np.array(greys[::-1], dtype=kind))
            if pixel_hash(picture) != mask.sha256:
                raise BenchError(
                    f"{where}: its pixels have sha256 {pixel_hash(picture)}, the header says "
                    f"{mask.sha256}"
                )
            yield picture
        if next(found, None) is not None:
            raise BenchError(f"{where}: more pictures follow than the header lists")


def _check_size(shape: tuple[int, ...], pack: WrittenPack, mask: PackedMask) -> None:
    columns, rows = pack.header.pixels
    if shape != (rows, columns):
        raise BenchError(
            f"{pack.folder / mask.file}: {shape[1]} x {shape[0]} pixels, the header says "
            f"{columns} x {rows}"
        )


@contextmanager
def _reading(path: Path) -> Iterator[None]:
    """Turns whatever a damaged file leads to into a BenchError of one line."""
    try:
        yield
    except BenchError:
        raise
    except FileNotFoundError as error:
        raise BenchError(f"{path}: no such file") from error
    except Exception as error:  # Pillow, zlib and numpy raise many kinds for a damaged file
        reason = getattr(error, "strerror", None) or error or type(error).__name__
        raise BenchError(one_line(f"{path}: cannot be read ({reason})")) from error


def _tiff(pack: WrittenPack) -> Generator[Pixels, None, None]:
    masks = pack.header.masks
    path = pack.folder / masks[0].file
    for mask in masks:
        if (mask.file, mask.page) != (masks[0].file, mask.index):
            raise BenchError(f"{path}: mask {mask.index}: must be page {mask.index} of the file")
    yield from stack_pages(path)


def _png(pack: WrittenPack) -> Generator[Pixels, None, None]:
    for mask in pack.header.masks:
        yield _picture(pack, mask, GREY_MODES)


def _picture(pack: WrittenPack, mask: PackedMask, modes: tuple[str, ...]) -> Pixels:
    path = pack.folder / mask.file
    with _reading(path), open_regular(path) as raw, Image.open(raw, formats=["PNG"]) as image:
        if image.mode not in modes:
            raise BenchError(f"{path}: colour mode {image.mode}, must be {' or '.join(modes)}")
        _check_size((image.height, image.width), pack, mask)
        return np.asarray(image)


def _planes(pack: WrittenPack) -> Generator[Pixels, None, None]:
    shown, frame = "", np.zeros((0, 0, 3), dtype=np.uint8)
    for mask in pack.header.masks:
        if mask.file != shown:
            shown, frame = mask.file, _picture(pack, mask, ("RGB",))
        assert mask.plane is not None
        channel, bit = divmod(mask.plane, 8)
        yield (frame[..., channel] >> np.uint8(bit)) & np.uint8(1)


def _bits(pack: WrittenPack) -> Generator[Pixels, None, None]:
    layout = pack.header.layout
    for mask in pack.header.masks:
        path = pack.folder / mask.file
        assert mask.offset_bytes is not None
        with _reading(path), open_regular(path) as file:
            file.seek(mask.offset_bytes)
            content = file.read(layout.mask_bytes)
        if len(content) < layout.mask_bytes:
            return
        rows = np.frombuffer(content, dtype=np.uint8).reshape(-1, layout.row_bytes)
        yield np.unpackbits(rows, axis=1, count=layout.shape[1], bitorder="big")


def _numpy(pack: WrittenPack) -> Generator[Pixels, None, None]:
    for mask in pack.header.masks:
        path = pack.folder / mask.file
        with _reading(path):
            # mapped anew for every mask: pages of the file that were read leave the memory
            open_regular(path).close()
            table = np.lib.format.open_memmap(path, mode="r")
            if table.ndim != 3 or table.dtype.kind != "u":
                raise BenchError(f"{path}: must be [mask, row, column] of whole numbers")
            if mask.page is None or mask.page >= len(table):
                return
            picture = np.array(table[mask.page])
        yield picture


READERS: Mapping[str, Callable[[WrittenPack], Generator[Pixels, None, None]]] = {
    "tiff": _tiff,
    "png": _png,
    "planes": _planes,
    "bits": _bits,
    "numpy": _numpy,
}
