"""maskforge readings: what comes back from the bench."""

from pathlib import Path
from typing import Annotated

import typer

from maskforge import bench as benches
from maskforge.align.bench_update import changes, differing, relative, table_text
from maskforge.align.fit import Fit, fitted
from maskforge.align.readings import read_readings
from maskforge.align.stack import Stack
from maskforge.align.stack_file import read_stack
from maskforge.base.errors import BenchError, OutputError
from maskforge.base.files import check_place, write_bytes, write_text
from maskforge.base.ranges import Range
from maskforge.base.wording import counted
from maskforge.bench.edit import moved_paths, with_keys
from maskforge.bench.files import bench_source, parsed
from maskforge.cli.common import bench_names, interruptible
from maskforge.cli.last_lines import say_caution, say_next, typed
from maskforge.cli.option_values import number
from maskforge.cli.sweep import sweep
from maskforge.cli.terminal import print_table, say, table_of
from maskforge.report import format_of

LIMIT = Range(1e-12, 1e6, "mW")


def fit(
    folder: Annotated[Path, typer.Argument(metavar="STACK", help="Folder of a bring-up stack.")],
    path: Annotated[
        Path,
        typer.Argument(
            metavar="READINGS", help="CSV with the columns time_s, page, power_mw (or power_dbm)."
        ),
    ],
    saturation: Annotated[
        float | None,
        typer.Option(
            metavar="MW", help="The detector's limit.", show_default="a highest value that repeats"
        ),
    ] = None,
    figure: Annotated[
        Path | None, typer.Option(help="Draw data, fit and residuals: .png, .svg or .pdf.")
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
    and counted; a row that cannot be read is an error.
    """
    if saturation is not None:
        number("--saturation", saturation, LIMIT)
    if (update is None) != (write is None):
        one, other = ("--update", "--write") if write is None else ("--write", "--update")
        raise BenchError(f"{one}: goes with {other}, which is missing")
    kind = None if figure is None else format_of(figure)
    stack = read_stack(folder)
    if update is not None and stack.step.changes is None:
        raise BenchError(
            f"--update: no key of the bench file holds the result of {stack.step.name}; take it "
            "into account where orientations are used"
        )
    place = _table_place(stack, table, write)
    for output in (figure, place, write):
        if output is not None:
            check_place(output)
    for new in (write, place if table is None else None):
        if new is not None and new.exists():
            raise OutputError(f"{new}: is there already; a bench is never written over")
    readings = read_readings(path, len(stack.frames))
    with interruptible("interrupted; nothing is written"):
        try:
            found = fitted(stack, readings, saturation)
        except BenchError as problem:
            raise BenchError(f"{path}: {problem}") from None
    picture = None
    if kind is not None:
        # the plotting library takes longer to load than the fit takes to run
        from maskforge.report.figures.fit import fit_figure

        picture = fit_figure(found, kind)
    notes = _written(stack, found, place, update, write)
    if figure is not None and picture is not None:
        write_bytes(figure, picture)
    _tell(found)
    for note in notes:
        say(note)
    if write is not None:
        say_caution(benches.power_warning(benches.load(write)))
    say_next(_next(stack, write))


def _next(stack: Stack, write: Path | None) -> str:
    if write is not None:
        return f"{typed('bringup', write)} for the next step, or {typed('design', write)}"
    if stack.step.changes is None:
        return "the next step; no key of the bench file holds this result"
    return "the same with --update BENCH --write NEW.toml, for a bench file with the result"


def _table_place(stack: Stack, table: Path | None, write: Path | None) -> Path | None:
    """Where the greys' table goes, None where there is none to write."""
    greys = stack.step.name in ("phase-depth", "grey-amplitude")
    many = greys and benches.modulator(stack.bench).alphabet.size > 2
    if table is not None and not many:
        raise BenchError(
            f"--table = {table}: goes with stacks of phase-depth or grey-amplitude on more than "
            f"two greys; this is {stack.step.name}"
        )
    if table is None and many and write is not None:
        return write.with_name(f"{write.stem}-greys.csv")
    return table


def _written(
    stack: Stack, found: Fit, place: Path | None, update: str | None, write: Path | None
) -> list[str]:
    """Writes the table and the new bench file; what to tell of it."""
    told = []
    new = place is not None and not place.exists()
    if place is not None and found.table is not None:
        write_text(place, table_text(stack.bench, found.table))
        told.append(f"greys and their phases in {place}")
    if update is None or write is None:
        return told
    try:
        text, differs = _bench_text(stack, found, place, update, write)
    except BaseException:
        if new and place is not None:
            place.unlink(missing_ok=True)
        raise
    write_text(write, text)
    told.append(f"new bench file {write}")
    if differs:
        told.insert(0, f"! {update} is not the bench of the stack: {', '.join(differs)} differ")
    return told


def _bench_text(
    stack: Stack, found: Fit, place: Path | None, update: str, write: Path
) -> tuple[str, tuple[str, ...]]:
    """The new bench file's text, loaded once, and where the bench is not that of the stack."""
    source, bench = bench_source(update), benches.load(update)
    table = None if place is None else relative(place, write.parent)
    changed = moved_paths(bench, write.parent) | changes(bench, stack, found, table)
    text = with_keys(source.text, changed, source.shown_as)
    # loaded once: what cannot be used is better known now
    benches.from_dict(parsed(text, str(write)), str(write), write.parent)
    return text, differing(bench, stack.bench)


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
