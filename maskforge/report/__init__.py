"""What people look at: figures for print and screen."""

from pathlib import Path

from maskforge.base.errors import BenchError

PAGE = "report.html"
"""The page of a set, in its folder."""

INDEX = "index.html"
"""The page of a campaign, in its folder."""

FORMATS = ("png", "svg", "pdf")
"""What a figure can be written as."""


def format_of(path: Path, option: str = "--figure") -> str:
    """The format of a figure by its name; BenchError, which names the option, for another."""
    kind = path.suffix.lower().removeprefix(".")
    if kind not in FORMATS:
        known = " or ".join(f".{name}" for name in FORMATS)
        raise BenchError(f"{option} = {path}: the name must end in {known}")
    return kind
