"""Exit codes of the command line, and the line that goes with a bad one."""

import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from threading import current_thread, main_thread

from maskforge.base.wording import one_line

SHORT, BAD_INPUT, INTERRUPTED = 1, 2, 130
"""Exit codes."""


_told: list[str] = []


def failed(text: str, code: int = BAD_INPUT) -> int:
    """Prints one line to the standard error; the exit code."""
    _told.append(one_line(text))
    print(_told[-1], file=sys.stderr)
    return code


def lines_told() -> int:
    """How many lines `failed` has printed."""
    return len(_told)


def is_interrupt(error: BaseException) -> bool:
    """Whether it stands for an interrupt: one while a class is made comes, before Python 3.12, as
    the cause of another error."""
    return isinstance(error, KeyboardInterrupt) or isinstance(error.__cause__, KeyboardInterrupt)


@contextmanager
def interrupted_at_once() -> Iterator[None]:
    """For while modules are loaded and nothing is begun: an interrupt ends this process.

    Raised among imports it may be lost, or come as another error.
    """
    usual = signal.default_int_handler
    if current_thread() is not main_thread() or signal.getsignal(signal.SIGINT) is not usual:
        yield
        return
    signal.signal(signal.SIGINT, _leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, usual)


def _leave(*_: object) -> None:
    from maskforge.base.ending import leave

    leave(failed("interrupted", INTERRUPTED))
