"""Exit codes of the command line, and the line that goes with a bad one."""

import sys

from maskforge.base.wording import one_line

SHORT, BAD_INPUT, INTERRUPTED = 1, 2, 130
"""Exit codes."""


def failed(text: str, code: int = BAD_INPUT) -> int:
    """Prints one line to the standard error; the exit code."""
    print(one_line(text), file=sys.stderr)
    return code
