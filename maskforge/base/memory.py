"""Memory that was freed serves the next arrays."""

import ctypes
import sys

TRIM_THRESHOLD, TOP_PAD, MMAP_THRESHOLD = -1, -2, -3
"""From <malloc.h>; see mallopt(3)."""

LARGEST = 2**30
"""Bytes of an array, or left free at once, that are kept."""

ALLOWED = 2**25
"""Bytes that older C libraries allow at most."""

STEP = 2**26
"""Bytes that the process grows by."""


def keep_freed_memory() -> None:
    """Has the C library keep for what is asked for next what is freed.

    Given back to the system it would come anew, page by page and cleared, for every array of more
    than 32 MiB, and for most of a mask's pixels.  Does nothing where the library is another one.
    """
    if not sys.platform.startswith("linux"):
        return
    try:
        set_to = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError):
        return
    if set_to(MMAP_THRESHOLD, LARGEST) or set_to(MMAP_THRESHOLD, ALLOWED):
        set_to(TRIM_THRESHOLD, LARGEST)
        set_to(TOP_PAD, STEP)
