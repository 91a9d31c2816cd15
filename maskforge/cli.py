"""The command line: parses, calls, prints, and maps errors to one line and an exit code."""

import os
import sys
from collections.abc import Sequence
from typing import Annotated, cast

import typer

from maskforge import __version__
from maskforge.commands.band import band
from maskforge.commands.bringup import bringup
from maskforge.commands.check import check
from maskforge.commands.common import INTERRUPTED, failed
from maskforge.commands.compare import compare
from maskforge.commands.design import design
from maskforge.commands.modes import modes
from maskforge.commands.pack import pack
from maskforge.commands.plan import plan
from maskforge.commands.play import play
from maskforge.commands.predict import predict
from maskforge.commands.presets import presets
from maskforge.commands.readings import readings
from maskforge.commands.report import report
from maskforge.commands.simulate import simulate_bench
from maskforge.commands.simulate_device import simulate_device
from maskforge.commands.tolerance import tolerance
from maskforge.commands.tradeoff import tradeoff
from maskforge.errors import MaskforgeError

USAGE = cast(type[Exception], typer.BadParameter.__mro__[2])
"""Base of what the parser complains of: typer's own class, or click's where typer builds on it."""

app = typer.Typer(
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command line; the exit code: 0, 2 (bad input or output), 130 (interrupted)."""
    if hasattr(sys.stdout, "reconfigure"):
        # a name that the terminal cannot show must not cost the table of a finished run
        sys.stdout.reconfigure(errors="replace")
    try:
        code = app(args=arguments, prog_name="maskforge", standalone_mode=False)
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
    if isinstance(error, MemoryError):
        return "not enough memory; fewer pixels or fewer --jobs need less"
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
        typer.echo(f"maskforge {__version__}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def _start(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Phase masks that launch one chosen fibre mode, with their purity known beforehand."""
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


for command in (
    plan,
    design,
    check,
    report,
    predict,
    tolerance,
    band,
    play,
    pack,
    bringup,
    simulate_bench,
    simulate_device,
    tradeoff,
    compare,
    modes,
    presets,
):
    app.command()(command)
app.add_typer(readings)
