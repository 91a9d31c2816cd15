"""The end of this process, while others that worked for it still clear up."""

import os
import sys
from collections.abc import Callable
from contextlib import suppress
from multiprocessing import util
from threading import Thread
from typing import NoReturn

SHORTLY = 0.05
"""Seconds in which processes end that give nothing back."""

_clearing: list[Thread] = []


def clear_up_beside(work: Callable[[], object]) -> Thread:
    """Does `work` in a thread that the end of the command does not wait for."""
    thread = Thread(target=work)
    thread.start()
    _clearing[:] = [*(one for one in _clearing if one.is_alive()), thread]
    return thread


def end(code: int) -> int:
    """The code; where something is still cleared up, this process ends with it.

    Python itself would wait for processes that have nothing left to do: they give back a GPU's
    memory, which takes them a third of a second.
    """
    for thread in _clearing:
        thread.join(SHORTLY)
    if any(thread.is_alive() for thread in _clearing):
        leave(code)
    return code


def leave(code: int) -> NoReturn:
    """Ends this process now."""
    # what it made for others to find: semaphores, the socket's folder
    util._run_finalizers()  # type: ignore[attr-defined]
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):
            stream.flush()
    os._exit(code)
