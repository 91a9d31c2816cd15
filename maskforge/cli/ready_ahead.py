"""A bench, or a set, made ready in the process that those which work on it are copies of.

Loaded there alone, beside the command, which tells what it was given in the environment; what is
wrong with that is told by the command.
"""

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

BENCH, METHOD, DEVICE = "MASKFORGE_BENCH", "MASKFORGE_METHOD", "MASKFORGE_DEVICE"
"""Names in the environment."""

LOOK = 0.2
"""Seconds between looks whether the command is still there."""


def made_ready() -> None:
    """The told bench, or that of the set in a told folder, made ready as far as can be."""
    bench, method, device = (os.environ.pop(name, "") for name in (BENCH, METHOD, DEVICE))
    if not bench:
        return
    make_ready = _set_made_ready if Path(bench).is_dir() else _bench_made_ready
    # whatever goes wrong here goes wrong there
    with _not_alone(), suppress(Exception):
        make_ready(bench, method, device or "auto")


def _bench_made_ready(bench: str, method: str, device: str) -> None:
    # what masks are designed with, which the command itself does not load
    import maskforge.sets.chain  # noqa: F401
    from maskforge import bench as benches
    from maskforge.bench.ready import prepare_ahead

    prepare_ahead(benches.load(bench, method=method or None), device)


def _set_made_ready(folder: str, *_: str) -> None:
    from maskforge.sets.reading import read_set
    from maskforge.study.tolerance.worth import prepare_ahead

    prepare_ahead(read_set(Path(folder)))


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
