"""maskforge presets."""

import sys
from typing import Annotated

import typer

from maskforge import bench as benches
from maskforge.cli.last_lines import say_next
from maskforge.cli.terminal import print_table, table_of


def preset_names(incomplete: str) -> list[str]:
    return [name for _, name, _ in benches.preset_names() if name.startswith(incomplete)]


def presets(
    name: Annotated[
        str | None,
        typer.Argument(help="Print this preset's text.", autocompletion=preset_names),
    ] = None,
) -> None:
    """List the presets, or print one.

    A bench preset's text is a start for a bench file of your own.
    """
    if name is not None:
        sys.stdout.write(benches.preset_text(name))
        return
    table = table_of("kind", "name", "what it is", left=("kind", "name", "what it is"))
    for row in benches.preset_names():
        table.add_row(*row)
    print_table(table)
    say_next(
        "maskforge presets NAME > mine.toml, your own numbers in it, maskforge design mine.toml"
    )
