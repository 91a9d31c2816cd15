"""How a command ends: the caution where light is about to go on, and what a person does next."""

import shlex
from collections.abc import Sequence

from maskforge.base.safety import BRIEF
from maskforge.base.wording import some_of
from maskforge.cli.terminal import say


def say_caution(*warnings: str | None) -> None:
    """The caution in one line, and warnings where there are some, a line each."""
    say(f"\n{BRIEF}")
    for warning in filter(None, warnings):
        say(f"Warning: {warning}")


def say_ends(names: Sequence[str]) -> None:
    """Where the figures above are, if at the outputs of a device and not at the launch."""
    if names:
        say(f"\nFigures are those at the outputs of the device: {some_of(names)}")


def say_next(text: str) -> None:
    """The last line: what the person would do now."""
    say(f"\nNext: {text}")


def typed(*words: object) -> str:
    """A command of maskforge as it is typed."""
    return shlex.join(["maskforge", *map(str, words)])
