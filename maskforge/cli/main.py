"""The command line: parses, calls, prints, and maps errors to one line and an exit code."""

import ast
import os
import sys
from collections.abc import Mapping, Sequence
from importlib import import_module
from importlib.util import find_spec
from typing import Annotated, cast

import typer

from maskforge.base.errors import LostProcessError, MaskforgeError
from maskforge.cli.exits import INTERRUPTED, failed

COMMANDS: Mapping[str, str] = {
    "plan": "plan.plan",
    "design": "design.design",
    "check": "check.check",
    "report": "report.report",
    "predict": "predict.predict",
    "tolerance": "tolerance.tolerance",
    "band": "band.band",
    "play": "play.play",
    "pack": "pack.pack",
    "bringup": "align.bringup",
    "simulate-bench": "simulate.simulate_bench",
    "simulate-device": "simulate_device.simulate_device",
    "tradeoff": "tradeoff.tradeoff",
    "compare": "compare.compare",
    "modes": "modes.modes",
    "presets": "presets.presets",
    "readings": "readings.readings",
}
"""Where each command stands, in the order of the help text: a module of this room and a name."""

USAGE = cast(type[Exception], typer.BadParameter.__mro__[2])
"""Base of what the parser complains of: typer's own class, or click's where typer builds on it."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command line; the exit code: 0, one of `exits`, or 1 where nobody reads on."""
    if hasattr(sys.stdout, "reconfigure"):
        # a name that the terminal cannot show must not cost the table of a finished run
        sys.stdout.reconfigure(errors="replace")
    try:
        given = sys.argv[1:] if arguments is None else arguments
        app = app_for(given)
        code = app(args=given, prog_name="maskforge", standalone_mode=False)
        print(end="", flush=True)
    except (KeyboardInterrupt, typer.Abort):
        return failed("interrupted", INTERRUPTED)
    except BrokenPipeError:
        _close_output()
        return 1
    except (MaskforgeError, OSError, MemoryError, USAGE) as error:
        _close_output()
        return failed(f"error: {_reason(error)}")
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
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback(invoke_without_command=True)(_start)
    # a list of commands is printed where none comes first
    listed = not arguments or arguments[0] not in COMMANDS
    completing = any(key.startswith("_") and key.endswith("_COMPLETE") for key in os.environ)
    for name, place in COMMANDS.items():
        module, _, found = f"maskforge.cli.{place}".rpartition(".")
        if not completing and name not in arguments:
            app.command(name, help=_first_words(module, found) if listed else "")(_not_named)
            continue
        command = getattr(import_module(module), found)
        if isinstance(command, typer.Typer):
            app.add_typer(command, name=name)
        else:
            app.command(name)(command)
    return app


def _first_words(module: str, name: str) -> str:
    """What a command says of itself, or a group of them in its `help`, read without importing."""
    spec = find_spec(module)
    source = spec.loader.get_source(module) if spec and spec.loader else None  # type: ignore[attr-defined]
    for node in ast.parse(source or "").body:
        if isinstance(node, ast.FunctionDef) and node.name == name:
            return ast.get_docstring(node) or ""
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Call):
            told = [key.value for key in node.value.keywords if key.arg == "help"]
            if ast.unparse(node.targets[0]) == name and told:
                return str(ast.literal_eval(told[0]))
    return ""


def _not_named() -> None:
    raise AssertionError("a command that the arguments do not name")
