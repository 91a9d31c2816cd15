"""Memory that was freed serves the next arrays: counted by the system's page faults.

Common practice, no source.
"""

import platform
import subprocess
import sys

import pytest

FAULTS = """
import resource, sys
import numpy as np
from maskforge.base.memory import keep_freed_memory
if sys.argv[1] == "kept":
    keep_freed_memory()
def faults():
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt
np.ones(2**23)
before = faults()
for _ in range(10):
    np.ones(2**23)
print(faults() - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="of glibc alone")
def test_pages_are_not_asked_for_anew() -> None:
    """Ten arrays of 64 MiB one after the other; a page is 2 MiB at most."""
    kept, given_back = (
        int(subprocess.check_output([sys.executable, "-c", FAULTS, how])) for how in ("kept", "not")
    )
    assert given_back > 10 * 32 / 2
    assert kept < 10
