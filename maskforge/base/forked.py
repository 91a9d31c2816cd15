"""The process that those which work for this one are copies of, and how it is begun.

It loads what they need beside what this one loads itself, so nothing more is loaded here before.
"""

import multiprocessing
import os
import signal
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from multiprocessing import forkserver, resource_tracker

FORKED = sys.platform == "linux"
"""Whether processes are copies of one that has loaded what they need and done nothing yet.

Elsewhere each loads it anew: the system's own libraries do not bear to be copied.
"""


def load_ahead(*modules: str, told: Mapping[str, str] | None = None) -> None:
    """Has what later processes need loaded beside this one; of no effect where none is FORKED.

    `told`: what those modules find in the environment.
    """
    if not FORKED:
        return
    first, last = "maskforge.base.loads_first", "maskforge.base.loads_last"
    multiprocessing.set_forkserver_preload([first, *modules, last])
    with _started_with(told or {}), uninterrupted():
        forkserver.ensure_running()


@contextmanager
def _started_with(told: Mapping[str, str]) -> Iterator[None]:
    """What is started here finds modules where this process does; else the first place would be the
    current folder, which may hold another version's text."""
    ours = {
        "PYTHONPATH": os.pathsep.join(path or os.getcwd() for path in sys.path),
        "PYTHONSAFEPATH": "1",
        **told,
    }
    before = {name: os.environ.get(name) for name in ours}
    os.environ.update(ours)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


@contextmanager
def uninterrupted() -> Iterator[None]:
    """What is started here never sees the terminal's interrupt, from its first moment on."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    # started on its own: its start would lift the mask
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
