"""The command line: parses, calls, prints, and maps errors to one line and an exit code."""

import os
import sys
from collections.abc import Sequence
from typing import Annotated, cast

import typer

from maskforge.base.errors import LostProcessError, MaskforgeError
from maskforge.base.version import VERSION as RELEASE
from maskforge.cli.align import bringup
from maskforge.cli.band import band
from maskforge.cli.check import check
from maskforge.cli.common import INTERRUPTED, failed
from maskforge.cli.compare import compare
from maskforge.cli.design import design
from maskforge.cli.modes import modes
from maskforge.cli.pack import pack
from maskforge.cli.plan import plan
from maskforge.cli.play import play
from maskforge.cli.predict import predict
from maskforge.cli.presets import presets
from maskforge.cli.readings import readings
from maskforge.cli.report import report
from maskforge.cli.simulate import simulate_bench
from maskforge.cli.simulate_device import simulate_device
from maskforge.cli.tolerance import tolerance
from maskforge.cli.tradeoff import tradeoff

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
        typer.echo(f"maskforge {RELEASE}")
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
