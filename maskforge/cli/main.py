"""The command line: parses, calls, prints, and maps errors to one line and an exit code."""

import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Annotated, cast

import typer

from maskforge.base.errors import LostProcessError, MaskforgeError
from maskforge.cli.command_list import COMMANDS, GroupedCommands, place_of
from maskforge.cli.exits import (
    INTERRUPTED,
    failed,
    interrupted_at_once,
    is_interrupt,
    lines_told,
)

USAGE = cast(type[Exception], typer.BadParameter.__mro__[2])
"""Base of what the parser complains of: typer's own class, or click's where typer builds on it."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command line; the exit code: 0, one of `exits`, or 1 where nobody reads on."""
    if hasattr(sys.stdout, "reconfigure"):
        # a name that the terminal cannot show must not cost the table of a finished run
        sys.stdout.reconfigure(errors="replace")
    told = lines_told()
    try:
        given = sys.argv[1:] if arguments is None else arguments
        with interrupted_at_once():
            app = app_for(given)
        code = app(args=given, prog_name="maskforge", standalone_mode=False)
        print(end="", flush=True)
    except (KeyboardInterrupt, typer.Abort):
        return failed("interrupted", INTERRUPTED)
    except RuntimeError as error:
        if not is_interrupt(error):
            raise
        return failed("interrupted", INTERRUPTED)
    except BrokenPipeError:
        _close_output()
        return 1
    except (MaskforgeError, OSError, MemoryError, USAGE) as error:
        _close_output()
        return failed(f"error: {_reason(error)}")
    if code == INTERRUPTED and lines_told() == told:
        # the parser ends on an interrupt without a word
        return failed("interrupted", INTERRUPTED)
    return code if isinstance(code, int) else 0


def _reason(error: BaseException) -> str:
    if isinstance(error, MemoryError | LostProcessError):
        reason = "not enough memory" if isinstance(error, MemoryError) else error
        return f"{reason}; fewer pixels or fewer --jobs need less"
    if isinstance(error, OSError):
        return f"{error.filename or 'output'}: {error.strerror or error}"
    return str(getattr(error, "format_message", error.__str__)())


def _close_output() -> None:
    """Drops what the standard output cannot take, so that the exit does not try again."""
    try:
        print(end="", flush=True)
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _version(asked: bool) -> None:
    if asked:
        # the metadata of packages take a while to look through
        from maskforge.base.version import VERSION

        typer.echo(f"maskforge {VERSION}")
        raise typer.Exit


def _start(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Phase masks that launch one chosen fibre mode, with their purity known beforehand."""
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


# --- commands --------------------------------------------------------------------------------


def app_for(arguments: Sequence[str]) -> typer.Typer:
    """The command line with those commands that the arguments name; of the others the names.

    A command imports what it needs, which takes longer than most of them run.
    """
    app = typer.Typer(
        cls=GroupedCommands,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback(invoke_without_command=True)(_start)
    completing = any(key.startswith("_") and key.endswith("_COMPLETE") for key in os.environ)
    for name, place in COMMANDS.items():
        module, found = place_of(place)
        if not completing and name not in arguments:
            app.command(name)(_not_named)
            continue
        command = getattr(import_module(module), found)
        if isinstance(command, typer.Typer):
            app.add_typer(command, name=name)
        else:
            app.command(name)(command)
    return app


def _not_named() -> None:
    raise AssertionError("a command that the arguments do not name")
