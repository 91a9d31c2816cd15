"""maskforge readings: what comes back from the bench."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from maskforge import bench as benches
from maskforge.align.alignment import StepFit, fitted_in_order
from maskforge.align.fit import Fit
from maskforge.align.new_bench import greys_text, write_bench
from maskforge.align.readings import read_readings
from maskforge.align.stack import Stack
from maskforge.align.stack_file import read_stack
from maskforge.base.errors import BenchError, OutputError
from maskforge.base.files import check_place, write_bytes, write_text
from maskforge.base.ranges import Range
from maskforge.base.wording import counted
from maskforge.cli.common import bench_names, interruptible
from maskforge.cli.last_lines import say_caution, say_next, typed
from maskforge.cli.option_values import number
from maskforge.cli.sweep import sweep
from maskforge.cli.terminal import print_table, say, table_of
from maskforge.report import format_of

LIMIT = Range(1e-12, 1e6, "mW")


def fit(
    paths: Annotated[
        list[Path],
        typer.Argument(
            metavar="STACK READINGS [STACK READINGS]...",
            help="Folders of bring-up stacks, each followed by its CSV with the columns time_s, "
            "page, power_mw (or power_dbm).",
        ),
    ],
    saturation: Annotated[
        float | None,
        typer.Option(
            metavar="MW", help="The detector's limit.", show_default="a highest value that repeats"
        ),
    ] = None,
    figure: Annotated[
        Path | None,
        typer.Option(
            help="Draw data, fit and residuals: .png, .svg or .pdf; of several stacks a file each, "
            "the step in its name."
        ),
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option(help="Write the greys' phases to this CSV file, as the bench file takes it."),
    ] = None,
    update: Annotated[
        str | None,
        typer.Option(
            metavar="BENCH",
            help="The bench whose file gets the result; goes with --write.",
            autocompletion=bench_names,
        ),
    ] = None,
    write: Annotated[
        Path | None,
        typer.Option(metavar="TOML", help="The new bench file; never one that is there already."),
    ] = None,
) -> None:
    """Fit a bring-up's readings: what the bench is really like.

    Uncertainties are half-widths of 95 % intervals.  Saturated readings and outliers are left out
    and counted; a row that cannot be read is an error.  Several stacks are fitted in the order of
    the bring-up, each on the bench that those before it found.
    """
    if saturation is not None:
        number("--saturation", saturation, LIMIT)
    kind = None if figure is None else format_of(figure)
    stacks = _stacks(paths)
    figures = _figures(figure, [stack for stack, _ in stacks])
    if table is not None:
        _check_greys(table, [stack for stack, _ in stacks])
    _check_update(update, write)
    for output in (*figures.values(), table, write):
        if output is not None:
            check_place(output)
    parts = [(stack, read_readings(path, len(stack.frames))) for stack, path in stacks]
    with interruptible("interrupted; nothing is written"):
        try:
            found = fitted_in_order(parts, saturation)
        except BenchError as problem:
            # with one stack the step is in no doubt, and which file is
            where = f"{paths[1]}: " if len(parts) == 1 else ""
            raise BenchError(f"{where}{problem}") from None
    pictures = _drawn(found, figures, kind) if kind is not None else {}
    # what was found is on the screen, whatever becomes of the files
    for each in found:
        if len(found) > 1:
            above = "" if each is found[0] else "\n"
            say(f"{above}{each.fit.step}: {each.stack.step.purpose}")
        _tell(each.fit)
    for note in _written(found, table, update, write):
        say(note)
    for place, picture in pictures.items():
        write_bytes(place, picture)
    if write is not None:
        say_caution(benches.power_warning(benches.load(write)))
    say_next(_next(found, write))


def _check_update(update: str | None, write: Path | None) -> None:
    """What is known before a fit: both are given, the bench is one, its new file is not there."""
    if (update is None) != (write is None):
        one, other = ("--update", "--write") if write is None else ("--write", "--update")
        raise BenchError(f"{one}: goes with {other}, which is missing")
    if update is not None and write is not None:
        benches.load(update)
        if write.exists():
            raise OutputError(f"{write}: is there already; a bench is never written over")


def _written(
    found: Sequence[StepFit], table: Path | None, update: str | None, write: Path | None
) -> tuple[str, ...]:
    """Writes the table and the new bench file; what to tell of it."""
    notes: tuple[str, ...] = ()
    if update is not None and write is not None:
        notes = write_bench(found, update, write, table)
    if table is not None:
        if write is None:
            write_text(table, greys_text(found))
        notes = (f"greys and their phases in {table}", *notes)
    return notes


def _stacks(paths: Sequence[Path]) -> list[tuple[Stack, Path]]:
    """Each stack with its readings."""
    if len(paths) % 2:
        raise BenchError(
            f"{paths[-1]}: a stack without readings; they come in pairs, STACK READINGS"
        )
    return [(read_stack(a), b) for a, b in zip(paths[::2], paths[1::2], strict=True)]


def _figures(figure: Path | None, stacks: Sequence[Stack]) -> dict[str, Path]:
    """Where each step's figure goes."""
    if figure is None:
        return {}
    if len(stacks) == 1:
        return {stacks[0].step.name: figure}
    names = [stack.step.name for stack in stacks]
    return {name: figure.with_name(f"{figure.stem}-{name}{figure.suffix}") for name in names}


def _drawn(found: Sequence[StepFit], figures: dict[str, Path], kind: str) -> dict[Path, bytes]:
    # the plotting library takes longer to load than the fit takes to run
    from maskforge.report.figures.fit import fit_figure

    return {figures[each.fit.step]: fit_figure(each.fit, kind) for each in found}


def _check_greys(table: Path, stacks: Sequence[Stack]) -> None:
    names = ("phase-depth", "grey-amplitude")
    greys = [stack for stack in stacks if stack.step.name in names]
    if not any(stack.bench.modulator.alphabet != "binary" for stack in greys):
        shown = ", ".join(stack.step.name for stack in stacks)
        raise BenchError(
            f"--table = {table}: goes with stacks of phase-depth or grey-amplitude, and not "
            f'with alphabet = "binary"; this is {shown}'
        )


def _next(found: Sequence[StepFit], write: Path | None) -> str:
    if write is not None:
        return f"{typed('bringup', write)} for the next step, or {typed('design', write)}"
    if all(each.stack.step.changes is None for each in found):
        return "the next step; no key of the bench file holds this result"
    return "the same with --update BENCH --write NEW.toml, for a bench file with the result"


def _tell(found: Fit) -> None:
    table = table_of("result", "value", "+- (95 %)", "unit", left=("result", "unit"))
    for value in found.values:
        digits = _digits(value.uncertainty)
        table.add_row(
            value.name, f"{value.value:.{digits}f}", f"{value.uncertainty:.{digits}f}", value.unit
        )
    print_table(table)
    gone = [f"{count} {why}" for why, count in found.left_out.items() if count]
    say(
        f"\n{found.used} of {counted(found.rows, 'reading')} used"
        + (f"; left out: {', '.join(gone)}" if gone else "")
        + (f"; {found.missing} of the play list missing" if found.missing else "")
        + (f"; {counted(found.unseen, 'frame')} without a reading" if found.unseen else "")
    )
    say(f"residual {100 * found.residual:.3g} % of the highest signal (standard deviation)")
    for note in found.notes:
        say(f"! {note}")


def _digits(uncertainty: float) -> int:
    """Decimals for two digits of it."""
    if not uncertainty > 0:
        return 6
    text = f"{uncertainty:.1e}"
    return min(max(1 - int(text.partition("e")[2]), 0), 12)


readings = typer.Typer(
    name="readings",
    help="What comes back from the bench.",
    rich_markup_mode=None,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)

for command in (fit, sweep):
    readings.command()(command)
