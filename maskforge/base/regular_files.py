"""Files of others, opened only where they are what they should be: regular, and not too long."""

import errno
import os
import stat
from io import BufferedReader
from pathlib import Path

LARGEST_TEXT = 32 * 2**20
"""Bytes of a text or JSON file that is read whole: the manifest of 50,000 masks."""

LONGEST_LINE = 2**20
"""Bytes of a line of text: four times a row of 8192 numbers in full precision."""


def open_regular(path: Path, most: int | None = None) -> BufferedReader:
    """The file at `path`, which has at most `most` bytes (None: any number), open to be read.

    Raises OSError, FileNotFoundError included, where there is none; also for folders, pipes and
    devices, of which some never end and some never begin, and for what is longer.
    """
    _check(os.stat(path))
    file = open(path, "rb", opener=_opened)  # noqa: SIM115
    try:
        size = _check(os.fstat(file.fileno()))
        if most is not None and size > most:
            raise OSError(errno.EFBIG, f"{size} bytes; at most {most} are read")
    except BaseException:
        file.close()
        raise
    return file


def _opened(path: str, flags: int) -> int:
    # what is no regular file by now is not waited for
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def read_regular(path: Path, most: int = LARGEST_TEXT) -> bytes:
    """All bytes of the file; raises as `open_regular` does."""
    with open_regular(path, most) as file:
        return file.read(most)


def check_lines(file: BufferedReader) -> None:
    """OSError where a line of a text file is longer than LONGEST_LINE; back at the start then."""
    while block := file.read(LONGEST_LINE):
        # a line that is twice as long has a block of its own
        if len(block) == LONGEST_LINE and b"\n" not in block and b"\r" not in block:
            raise OSError(errno.EFBIG, f"a line of more than {LONGEST_LINE} bytes")
    file.seek(0)


def _check(found: os.stat_result) -> int:
    """The size in bytes of a regular file; OSError for another."""
    if stat.S_ISDIR(found.st_mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    if not stat.S_ISREG(found.st_mode):
        raise OSError(errno.EINVAL, "not a regular file")
    return found.st_size
