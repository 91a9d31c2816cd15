"""What a command's processes will need, loaded beside what it needs itself."""

from collections.abc import Mapping, Sequence

from maskforge.base.processes import load_ahead

SPREADING: Mapping[str, str] = {
    "plan": "maskforge.study.plan",
    "design": "maskforge.report.page.looks",
    "tolerance": "maskforge.study.tolerance.one_error",
    "compare": "maskforge.study.comparison",
}
"""Commands that work over processes, and the module of which those do the work."""


def load_for(arguments: Sequence[str]) -> None:
    """Begins to load where a line asks for several processes.

    That is long before the line is read: a command's own modules take as long to load.
    """
    module = SPREADING.get(arguments[0]) if arguments else None
    if module is not None and _asked(arguments) not in ("", "0", "1"):
        load_ahead(module)


def _asked(arguments: Sequence[str]) -> str:
    """What `--jobs` is given; nothing without it."""
    for option, following in zip(arguments, [*arguments[1:], ""], strict=True):
        name, equal, value = option.partition("=")
        if name == "--jobs":
            return value if equal else following
    return ""
