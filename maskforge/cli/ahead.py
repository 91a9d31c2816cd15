"""What a command's processes will need, loaded beside what it needs itself."""

import os
import re
from collections.abc import Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path

from maskforge.base.regular_files import read_regular
from maskforge.cli.ready_ahead import BENCH, DEVICE, METHOD

SPREADING: Mapping[str, str] = {
    "plan": "maskforge.study.plan",
    "design": "maskforge.report.page.looks",
    "tolerance": "maskforge.study.tolerance.one_error",
    "compare": "maskforge.study.comparison",
}
"""Commands that work over processes, and the module of which those do the work."""

GUESSED = ("design", "tolerance")
"""Those of which what they are given tells how many processes they start without --jobs."""

MANY = 4
"""Orientations of each label that are worth several processes on most fibres."""

LARGE = 2**16
"""Bytes of a set's stack that are worth several processes, mostly."""

ORIENTATIONS = re.compile(r"^[ \t]*orientations[ \t]*=[ \t]*([0-9]+)", re.MULTILINE)

LONGEST = 2**16
"""Bytes of a bench file that is looked at: others are left to who reads them well."""


def load_for(arguments: Sequence[str]) -> None:
    """Begins to load where a line asks for several processes, or its bench for many masks.

    That is long before line and bench are read: a command's own modules take as long to load.  A
    wrong guess costs half a second of another core.  What is loaded for a design or a tolerance
    makes its bench or its set ready too, see `ready_ahead`.  Where a GPU may be worked on, its
    driver is asked.
    """
    module = SPREADING.get(arguments[0]) if arguments else None
    if module is None:
        return
    if _given(arguments, "--device") != "cpu" and find_spec("cupy") is not None:
        from maskforge.base.gpu_driver import ask_ahead

        ask_ahead()
    if not _is_for_several(arguments):
        return
    from maskforge.base.forked import load_ahead

    if arguments[0] not in GUESSED:
        load_ahead(module)
        return
    method, device = (_given(arguments, name) or "" for name in ("--method", "--device"))
    told = {BENCH: arguments[1], METHOD: method, DEVICE: device}
    load_ahead(module, "maskforge.cli.ready_ahead", told=told)


def _is_for_several(arguments: Sequence[str]) -> bool:
    asked = _given(arguments, "--jobs")
    if asked is not None:
        return asked not in ("", "0", "1") and len(arguments) > 1
    if arguments[0] not in GUESSED or len(arguments) < 2 or (os.cpu_count() or 1) == 1:
        return False
    if any(_given(arguments, name) is not None for name in ("--help", "--cluster")):
        return False
    if arguments[0] == "tolerance" and Path(arguments[1]).is_dir():
        return _is_large(Path(arguments[1]))
    count = _given(arguments, "--orientations") or _orientations(arguments[1])
    return count.isdecimal() and int(count) >= MANY


def _is_large(folder: Path) -> bool:
    from maskforge.sets.names import STACK

    stack = folder / STACK
    return stack.is_file() and stack.stat().st_size >= LARGE


def _given(arguments: Sequence[str], name: str) -> str | None:
    """What an option is given; None without it."""
    for option, following in zip(arguments, [*arguments[1:], ""], strict=True):
        own, equal, value = option.partition("=")
        if own == name:
            return value if equal else following
    return None


def _orientations(bench: str) -> str:
    """What a bench file or preset says of them, "" where that cannot be told at a glance."""
    try:
        if Path(bench).is_file():
            text = read_regular(Path(bench), LONGEST).decode()
        else:
            # as long to load as the rest of this
            from importlib.resources import files

            preset = files("maskforge.presets").joinpath("benches", f"{bench}.toml")
            text = preset.read_text("utf-8")
    except (OSError, ValueError):
        return ""
    found = ORIENTATIONS.search(text)
    return found[1] if found else ""
