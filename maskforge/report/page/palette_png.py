"""Small pictures of few colours, as PNG files made in a fraction of a millisecond."""

import base64
import struct
import zlib
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from maskforge.report.page.colour_maps import INTENSITY, PHASE, STEPS

Indices = NDArray[np.uint8]

SIGNED_COLOURS = ((0x6F, 0x5A, 0xC8), (0xD9, 0x82, 0x00))
"""Of a field's negative and positive part: seen on white and on dark, with any colour vision."""


@dataclass(frozen=True, eq=False)
class PngPalette:
    """`colours` (n, 4) of 8 bits, RGBA, at most 256; pictures are indices into it."""

    colours: NDArray[np.uint8]

    @cached_property
    def chunks(self) -> bytes:
        """The PNG file's palette and its opacities."""
        return _chunk(b"PLTE", self.colours[:, :3].tobytes()) + _chunk(
            b"tRNS", self.colours[:, 3].tobytes()
        )


def _mapped(colours: bytes, *, clear: bool) -> PngPalette:
    """The STEPS colours of a map; `clear`: index 0 is transparent and they follow it."""
    opaque = np.full((STEPS, 4), 255, dtype=np.uint8)
    opaque[:, :3] = np.frombuffer(colours, np.uint8).reshape(STEPS, 3)
    none = np.zeros((1, 4), dtype=np.uint8)
    return PngPalette(np.concatenate([none, opaque]) if clear else opaque)


def _signed() -> PngPalette:
    """From full negative over clear to full positive, 2 STEPS + 1 colours.

    The opacity rises faster than the field, as an eye needs it for the outer lobes.
    """
    share = np.arange(-STEPS, STEPS + 1)[:, None] / STEPS
    colour = np.where(share < 0, *(np.array(c) for c in SIGNED_COLOURS))
    return PngPalette(
        np.concatenate([colour, 255 * np.abs(share) ** 0.7], axis=1).round().astype(np.uint8)
    )


BRIGHT = _mapped(INTENSITY, clear=False)
CYCLE = _mapped(PHASE, clear=True)
LEVEL = _mapped(INTENSITY, clear=True)
SIGNED = _signed()


def bright(share: NDArray[np.floating]) -> Indices:
    """Indices into BRIGHT of shares 0 to 1, what is outside at its ends."""
    return np.asarray(np.rint((STEPS - 1) * np.clip(share, 0, 1)), dtype=np.uint8)


def cycle(phase: NDArray[np.floating]) -> Indices:
    """Indices into CYCLE of phases in rad; index 0, which is clear, is for places without light."""
    turns = np.rint(phase * (STEPS / (2 * np.pi))).astype(np.int16)
    return np.asarray(1 + turns % STEPS, dtype=np.uint8)


def level(share: NDArray[np.floating]) -> Indices:
    """Indices into LEVEL of shares 0 to 1; below 0: clear."""
    return np.where(share < 0, 0, 1 + bright(share)).astype(np.uint8)


def signed(share: NDArray[np.floating]) -> Indices:
    """Indices into SIGNED of shares -1 to 1."""
    return np.asarray(np.rint(STEPS * np.clip(share, -1, 1)) + STEPS, dtype=np.uint8)


def png(picture: Indices, palette: PngPalette) -> bytes:
    """A picture (rows, columns), row 0 on top, as a PNG file.

    8 bits a pixel, no filter: ISO/IEC 15948, clauses 5 and 11; the same picture, the same bytes.
    """
    rows, columns = picture.shape
    header = struct.pack(">IIBBBBB", columns, rows, 8, 3, 0, 0, 0)
    lines = np.zeros((rows, columns + 1), dtype=np.uint8)
    lines[:, 1:] = picture
    data = _chunk(b"IDAT", zlib.compress(lines.tobytes(), 6))
    start = b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", header)
    return start + palette.chunks + data + _chunk(b"IEND", b"")


def inline(picture: Indices, palette: PngPalette) -> str:
    """A picture as a data URL."""
    return "data:image/png;base64," + base64.b64encode(png(picture, palette)).decode("ascii")


def _chunk(kind: bytes, content: bytes) -> bytes:
    check = struct.pack(">I", zlib.crc32(kind + content))
    return struct.pack(">I", len(content)) + kind + content + check
