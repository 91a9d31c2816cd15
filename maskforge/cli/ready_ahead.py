"""A design's bench made ready in the process that those which design are copies of.

Loaded there alone, beside the command, which tells what it was given in the environment; what is
wrong with that is told by the command.
"""

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager, suppress

BENCH, METHOD, DEVICE = "MASKFORGE_BENCH", "MASKFORGE_METHOD", "MASKFORGE_DEVICE"
"""Names in the environment."""

LOOK = 0.2
"""Seconds between looks whether the command is still there."""


def made_ready() -> None:
    """The told bench made ready, as far as can be."""
    bench, method, device = (os.environ.pop(name, "") for name in (BENCH, METHOD, DEVICE))
    if not bench:
        return
    from maskforge import bench as benches
    from maskforge.bench.ready import prepare_ahead

    # whatever goes wrong here goes wrong there
    with _not_alone(), suppress(Exception):
        prepare_ahead(benches.load(bench, method=method or None), device or "auto")


@contextmanager
def _not_alone() -> Iterator[None]:
    """This process ends with the one that started it, be it in the middle of a large fibre."""
    started_by = os.getppid()

    def look(*_: object) -> None:
        if os.getppid() != started_by:
            os._exit(1)

    before = signal.signal(signal.SIGALRM, look)
    signal.setitimer(signal.ITIMER_REAL, LOOK, LOOK)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


made_ready()
