"""The command line: parses, calls, prints, and maps errors to one line and an exit code."""

import os
import re
import sys
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Annotated, cast

import typer
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from maskforge import __version__, handoff
from maskforge import bench as benches
from maskforge import tradeoff as trading
from maskforge.bench import Bench
from maskforge.errors import BenchError, MaskforgeError
from maskforge.fiber.modes import solve
from maskforge.fields import Target
from maskforge.printed import (
    MODE_COLUMNS,
    POINT_COLUMNS,
    Outcome,
    counted,
    fields_of,
    mode_cells,
    outcome_of,
    plain_console,
    point_cells,
    print_modes,
    print_outcomes,
    print_points,
    print_table,
    say,
    table_of,
)
from maskforge.report import format_of, tradeoff_figure
from maskforge.run import Finished, Prepared, finished_masks, prepared, processes_for
from maskforge.safety import CAUTION
from maskforge.units import one_line

USAGE = cast(type[Exception], typer.BadParameter.__mro__[2])
"""Base of what the parser complains of: typer's own class, or click's where typer builds on it."""

BAD_INPUT, INTERRUPTED = 2, 130
"""Exit codes."""

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
        return _failed("interrupted", INTERRUPTED)
    except BrokenPipeError:
        _close_output()
        return 1
    except (MaskforgeError, OSError, MemoryError, USAGE) as error:
        _close_output()
        return _failed(f"error: {_reason(error)}")
    return code if isinstance(code, int) else 0


def _reason(error: BaseException) -> str:
    if isinstance(error, MemoryError):
        return "not enough memory; fewer pixels or fewer --jobs need less"
    if isinstance(error, OSError):
        return f"{error.filename or 'output'}: {error.strerror or error}"
    return str(getattr(error, "format_message", error.__str__)())


def _failed(text: str, code: int = BAD_INPUT) -> int:
    print(one_line(text), file=sys.stderr)
    return code


@contextmanager
def _interruptible(text: str) -> Iterator[None]:
    """Tells of an interrupt; the parser would end on it without a word."""
    try:
        yield
    except KeyboardInterrupt:
        raise typer.Exit(_failed(text, INTERRUPTED)) from None


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


def _bench_names(incomplete: str) -> list[str]:
    """Presets and bench files that begin with what is typed, for the shell."""
    presets = [name for kind, name, _ in benches.preset_names() if kind == "bench"]
    folder, _, start = incomplete.rpartition("/")
    here = Path(folder or ("/" if incomplete.startswith("/") else "."))
    try:
        entries = [e for e in here.iterdir() if e.name.startswith(start)]
        files = [f"{e}/" if e.is_dir() else str(e) for e in entries if _may_lead(e)]
    except OSError:
        files = []
    return [name for name in presets if name.startswith(incomplete)] + sorted(files)


def _may_lead(entry: Path) -> bool:
    hidden = entry.name.startswith(".")
    return entry.suffix == ".toml" or (entry.is_dir() and not hidden)


BenchName = Annotated[
    str,
    typer.Argument(
        metavar="BENCH",
        help="A preset's name (see maskforge presets) or a TOML file.",
        autocompletion=_bench_names,
    ),
]


def _whole(option: str) -> Callable[[str], int]:
    """A parser of whole numbers from 1; BenchError, which names the option, for anything else."""

    def parse(text: str) -> int:
        # a default comes as the number itself
        if not re.fullmatch(r"0*[1-9][0-9]{0,5}", str(text)):
            raise BenchError(f"{option} = {text}: must be a whole number from 1")
        return int(text)

    return parse


# --- design ----------------------------------------------------------------------------------


@app.command()
def design(
    bench_name: BenchName,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder of the set.", show_default="out/<name of the bench>"),
    ] = None,
    method: Annotated[
        str | None, typer.Option(help=f"Instead of the bench's: {' or '.join(benches.METHODS)}.")
    ] = None,
    labels: Annotated[
        str | None, typer.Option(help="Instead of the bench's, as in LP01,LP21; or all.")
    ] = None,
    orientations: Annotated[
        int | None,
        typer.Option(
            metavar="N", help="Per label, instead of the bench's.", parser=_whole("--orientations")
        ),
    ] = None,
    jobs: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            help="Processes to design with; one a core if left out and there is enough to do.",
            parser=_whole("--jobs"),
        ),
    ] = None,
) -> None:
    """Design the masks of a bench and write them as one set.

    The set is masks.tif, manifest.json, masks.csv, coupling.csv and coupling.npz, with the proofs
    of the bounds in certificate.npz.  Gap: 1 - efficiency/bound.  An earlier set in the folder is
    replaced once the new one is whole; other files there are kept.  Up to 40 masks are listed one
    by one; of more, the worst and the median of each label.
    """
    wanted = None if labels is None else _labels(labels)
    bench = benches.load(bench_name, method=method, labels=wanted, orientations=orientations)
    place = Path("out") / bench.name if out is None else out
    with _interruptible("interrupted; the earlier set is untouched"):
        outcomes = _designed(bench, place, jobs)
    print_outcomes(outcomes, bench.design.purity)
    say(f"\n{counted(len(outcomes), 'mask')} in {place} (all of them in masks.csv)\n\n{CAUTION}")
    warning = benches.power_warning(bench)
    if warning is not None:
        say(f"Warning: {warning}")


def _labels(text: str) -> str | list[str]:
    """Labels between commas; the comma of a label like LP10,1 is its own."""
    if text.strip() == "all":
        return "all"
    found: list[str] = []
    for part in (piece.strip() for piece in text.split(",")):
        if part.isdecimal() and found and re.fullmatch(r"LP\d+", found[-1]):
            found[-1] += f",{part}"
        elif part:
            found.append(part)
    return found


def _designed(bench: Bench, out: Path, jobs: int | None) -> list[Outcome]:
    """Designs and writes the set; what came of its masks."""
    outcomes: list[Outcome] = []
    # the folder comes first: that it cannot be written is better known before the work
    with handoff.replacing(out) as folder:
        ready = prepared(bench)
        head = handoff.Head(
            out=out,
            bench=benches.resolved(bench, start=out.resolve()),
            modulator=ready.launch.modulator,
            basis=ready.launch.basis,
            count=len(ready.targets),
        )
        jobs = jobs or processes_for(len(ready.targets))
        with closing(_watched(ready, jobs, outcomes)) as masks:
            handoff.write_set(folder, head, masks)
    return outcomes


def _watched(
    ready: Prepared, jobs: int, outcomes: list[Outcome]
) -> Generator[Finished, None, None]:
    """The masks as they get done, counted by a progress bar; notes down what the table tells."""
    with _progress() as progress, closing(_generator(finished_masks(ready, jobs=jobs))) as masks:
        task = progress.add_task("", total=len(ready.targets))
        for mask in masks:
            outcomes.append(outcome_of(mask))
            yield mask
            progress.advance(task)


def _progress() -> Progress:
    """A bar that goes away when done, and is not there where nobody looks."""
    return Progress(
        TextColumn("designing"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=plain_console(stderr=True),
        transient=True,
        disable=not sys.stderr.isatty(),
    )


def _generator(masks: Iterator[Finished]) -> Generator[Finished, None, None]:
    """The iterator as one that can be closed, so that its processes end with it."""
    yield from masks


# --- tradeoff --------------------------------------------------------------------------------


@app.command()
def tradeoff(
    bench_name: BenchName,
    label: Annotated[str, typer.Argument(metavar="LABEL", help="One target, as in LP21.")],
    orientation: Annotated[
        float, typer.Option(metavar="DEG", help="Of an LP target, counter-clockwise from +x.")
    ] = 0.0,
    purity: Annotated[
        str, typer.Option(metavar="LIST", help="Asked purities, between 0.5 and 1.")
    ] = ",".join(f"{value:g}" for value in trading.PURITIES),
    alphabets: Annotated[
        str,
        typer.Option(
            metavar="LIST",
            help="Of binary (0, 180 deg), numbers of levels over 360 deg, continuous, and own: "
            "the bench's.",
        ),
    ] = ",".join(trading.WORDS),
    csv: Annotated[
        Path | None, typer.Option(help="Write the table to this CSV file, in full precision.")
    ] = None,
    figure: Annotated[
        Path | None, typer.Option(help="Draw it into this file: .png, .svg or .pdf.")
    ] = None,
) -> None:
    """Show what one target's efficiency is at several purities and pixel alphabets.

    Bound: no mask of these pixels launches more at the asked purity.  Beside it what a designed
    mask launches, by the full prediction.
    """
    asked = trading.purities_of(purity)
    kind = None if figure is None else format_of(figure)
    for path in filter(None, (csv, figure)):
        handoff.check_place(path)
    bench = benches.load(bench_name)
    choices = trading.choices_of(alphabets, benches.modulator(bench).alphabet)
    ready = prepared(bench)
    target = trading.target_of(bench, ready.launch.basis, label, orientation)
    with _interruptible("interrupted; nothing is written"):
        points = _traded(ready, target, choices, asked)
    title = f"{handoff.described(target.name, target.orientation)} on {bench.name}"
    print_points(points)
    picture = None if kind is None else tradeoff_figure(points, title, kind)
    if csv is not None:
        cells = [[target.name, target.orientation, *point_cells(point)] for point in points]
        handoff.write_text(csv, handoff.csv_text(POINT_COLUMNS, cells))
    if figure is not None and picture is not None:
        handoff.write_bytes(figure, picture)


def _traded(
    ready: Prepared, target: Target, choices: Sequence[trading.Choice], asked: Sequence[float]
) -> list[trading.Point]:
    """The points, counted by a progress bar as they get done."""
    points: list[trading.Point] = []
    with _progress() as progress:
        task = progress.add_task("", total=len(choices) * len(asked))
        for point in trading.walked(ready.launch, target, choices, asked):
            points.append(point)
            progress.advance(task)
    return points


# --- modes -----------------------------------------------------------------------------------


@app.command()
def modes(
    bench_name: BenchName,
    csv: Annotated[
        Path | None, typer.Option(help="Write the table to this CSV file, in full precision.")
    ] = None,
) -> None:
    """List the guided modes of a bench's fibre.

    Delay is relative to LP01.  Cut-off margin: 1 - V(cut-off)/V.  MFD: mode field diameter by
    Petermann's second definition.  Fields: how many modes (cos, sin) share the label.
    """
    bench = benches.load(bench_name)
    guide, limit = benches.fiber(bench), bench.fiber.groups
    every = solve(guide)
    # solved again where limited: that tells when fewer groups are guided than asked
    kept = every if limit is None else solve(guide, groups=limit)
    if csv is not None:
        handoff.write_text(csv, handoff.csv_text(MODE_COLUMNS, [mode_cells(m) for m in kept]))
    print_modes(kept)
    say(
        f"\n{counted(sum(fields_of(mode) for mode in kept), 'mode')}, "
        f"{counted(len(kept), 'label')}, {counted(kept[-1].group, 'group')}; "
        f"V = {guide.v:.4f} at {guide.wavelength * 1e9:g} nm"
    )
    left = [mode.label for mode in every if limit is not None and mode.group > limit]
    if left:
        say(f"groups = {limit} leaves out {counted(len(left), 'guided label')}: {', '.join(left)}")


# --- presets ---------------------------------------------------------------------------------


def _preset_names(incomplete: str) -> list[str]:
    return [name for _, name, _ in benches.preset_names() if name.startswith(incomplete)]


@app.command()
def presets(
    name: Annotated[
        str | None,
        typer.Argument(help="Print this preset's text.", autocompletion=_preset_names),
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
