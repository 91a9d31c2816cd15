"""What starting costs: libraries that a command does not need are not loaded (common practice)."""

import subprocess
import sys
from importlib import import_module

import pytest
import typer

from maskforge.cli.main import COMMANDS, _first_words, app_for

# the parser of the command line loads pydantic itself
HEAVY = ("numpy", "scipy", "matplotlib", "rich.table", "tifffile", "PIL", "jinja2")


@pytest.mark.parametrize("line", ["--version", "--help", "modes --help", "frobnicate"])
def test_nothing_is_loaded_for_what_only_prints(line: str) -> None:
    program = (
        "import sys; from maskforge.cli.main import main; main(sys.argv[1:]); "
        f"print([name for name in {HEAVY} if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *line.split()], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_says_of_a_command_what_its_own_help_says(name: str) -> None:
    module, _, found = f"maskforge.cli.{COMMANDS[name]}".rpartition(".")
    command = getattr(import_module(module), found)
    own = command.info.help if isinstance(command, typer.Typer) else command.__doc__
    first = own.strip().splitlines()[0]
    assert first
    assert _first_words(module, found).startswith(first)


def test_every_command_is_there_when_it_is_named() -> None:
    for name in COMMANDS:
        app = app_for([name, "--help"])
        names = [one.name for one in (*app.registered_commands, *app.registered_groups)]
        assert sorted(map(str, names)) == sorted(COMMANDS)
