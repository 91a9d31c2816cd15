"""Pictures of others, whose size is looked at before their pixels are read."""

import logging
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from maskforge.base.regular_files import open_regular

if TYPE_CHECKING:
    from tifffile import TiffFile

MOST_PIXELS = 2**26
"""Of a picture: 8192 x 8192, the largest panel."""


@contextmanager
def open_tiff(path: Path, most: int | None = None) -> Iterator["TiffFile"]:
    """A TIFF file of at most `most` bytes, its reader's log lines left out.

    Raises OSError where there is none; its reader raises whatever a damaged file leads to.
    """
    # what few commands need is loaded where they do
    import tifffile

    logger = logging.getLogger("tifffile")
    before, logger.disabled = logger.disabled, True
    try:
        with open_regular(path, most) as raw, tifffile.TiffFile(raw) as file:
            yield file
    finally:
        logger.disabled = before


def check_pixels(shape: Sequence[int]) -> None:
    """ValueError where a picture of this shape has more than MOST_PIXELS."""
    count = 1
    for side in shape:
        count *= int(side)
    if count > MOST_PIXELS:
        size = " x ".join(str(side) for side in shape)
        raise ValueError(f"{size} pixels; at most {MOST_PIXELS} can be read")
