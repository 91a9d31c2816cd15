"""Files of others, opened only where they are what they should be: regular, and not too long."""

import errno
import os
import stat
from io import BufferedReader
from pathlib import Path

LARGEST_TEXT = 64 * 2**20
"""Bytes of a text, JSON or npz file that is read whole: the manifest of 100,000 masks has 50 MB."""


def open_regular(path: Path, most: int | None = None) -> BufferedReader:
    """The file at `path`, which has at most `most` bytes (None: any number), open to be read.

    Raises OSError, FileNotFoundError included, where there is none; also for folders, pipes and
    devices, of which some never end and some never begin, and for what is longer.
    """
    _check(os.stat(path))
    # what is no regular file by now is not waited for
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    try:
        size = _check(os.fstat(handle))
        if most is not None and size > most:
            raise OSError(errno.EFBIG, f"{size / 2**20:.0f} MiB; at most {most / 2**20:.0f} MiB")
        return os.fdopen(handle, "rb")
    except BaseException:
        os.close(handle)
        raise


def read_regular(path: Path, most: int = LARGEST_TEXT) -> bytes:
    """All bytes of the file; raises as `open_regular` does."""
    with open_regular(path, most) as file:
        return file.read(most)


def _check(found: os.stat_result) -> int:
    """The size in bytes of a regular file; OSError for another."""
    if stat.S_ISDIR(found.st_mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    if not stat.S_ISREG(found.st_mode):
        raise OSError(errno.EINVAL, "not a regular file")
    return found.st_size
