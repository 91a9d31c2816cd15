"""The commands by what a person is doing, where each one stands, and the list of them in --help."""

import ast
from collections.abc import Mapping
from importlib.util import find_spec
from typing import Any

from typer.core import TyperGroup

GROUPS: Mapping[str, Mapping[str, str]] = {
    "Design": {
        "presets": "presets.presets",
        "modes": "modes.modes",
        "plan": "plan.plan",
        "tradeoff": "tradeoff.tradeoff",
        "compare": "compare.compare",
        "design": "design.design",
    },
    "Hand over": {
        "check": "check.check",
        "report": "report.report",
        "pack": "pack.pack",
        "play": "play.play",
    },
    "Look ahead": {
        "predict": "predict.predict",
        "band": "band.band",
        "tolerance": "tolerance.tolerance",
    },
    "Align": {
        "bringup": "align.bringup",
        "simulate-bench": "simulate.simulate_bench",
        "readings fit": "readings.fit",
    },
    "Read back": {
        "simulate-device": "simulate_device.simulate_device",
        "readings sweep": "sweep.sweep",
    },
}
"""What is listed, in its order: a module of this room and a function."""

_LISTED: Mapping[str, str] = {name: place for own in GROUPS.values() for name, place in own.items()}

COMMANDS: Mapping[str, str] = {
    **{name: place for name, place in _LISTED.items() if " " not in name},
    "readings": "readings.readings",
}
"""What the first argument may be: a module of this room and a command, or a group of them."""


def place_of(place: str) -> tuple[str, str]:
    """The module's full name, and the name in it."""
    module, _, name = f"maskforge.cli.{place}".rpartition(".")
    return module, name


def first_line(place: str) -> str:
    """What a command says of itself first, read without importing it."""
    module, name = place_of(place)
    spec = find_spec(module)
    source = spec.loader.get_source(module) if spec and spec.loader else None  # type: ignore[attr-defined]
    for node in ast.parse(source or "").body:
        if isinstance(node, ast.FunctionDef) and node.name == name:
            return (ast.get_docstring(node) or "").partition("\n")[0]
    return ""


class GroupedCommands(TyperGroup):
    """The commands of all groups, each with its first line, whole."""

    # the parser's types stand in another package from one of its versions to the next
    def format_commands(self, ctx: Any, formatter: Any) -> None:
        widest = max(map(len, _LISTED))
        for heading, own in GROUPS.items():
            with formatter.section(heading):
                rows = [(name.ljust(widest), first_line(place)) for name, place in own.items()]
                formatter.write_dl(rows)
