"""maskforge tradeoff."""

from collections.abc import Sequence
from typing import Annotated

import typer

from maskforge import bench as benches
from maskforge.base.files import check_place, write_bytes, write_text
from maskforge.base.ranges import BadValueError
from maskforge.bench.ready import Prepared, prepared
from maskforge.cli.common import (
    BenchName,
    DeviceName,
    FigureFile,
    TableFile,
    interruptible,
    progress_bar,
)
from maskforge.cli.last_lines import say_ends, say_next, typed
from maskforge.cli.option_values import as_options, numbers, some_words
from maskforge.cli.print_points import points_text, print_points
from maskforge.launch.targets import Target, described
from maskforge.report import format_of
from maskforge.study import tradeoff as trading

ASKED = ",".join(f"{purity:g}" for purity in trading.PURITIES)


def tradeoff(
    bench_name: BenchName,
    label: Annotated[str, typer.Argument(metavar="LABEL", help="One target, as in LP21.")],
    orientation: Annotated[
        float, typer.Option(metavar="DEG", help="Of an LP target, counter-clockwise from +x.")
    ] = 0.0,
    purity: Annotated[
        str, typer.Option(metavar="LIST", help="Asked purities, between 0.5 and 1.")
    ] = ASKED,
    alphabets: Annotated[
        str,
        typer.Option(
            metavar="LIST",
            help="Of binary (0, 180 deg), numbers of levels over 360 deg, continuous, and own: "
            "the bench's.",
        ),
    ] = ",".join(trading.WORDS),
    device: DeviceName = "auto",
    csv: TableFile = None,
    figure: FigureFile = None,
) -> None:
    """Show what purity costs in light, for one target.

    Efficiencies are shown at several purities and alphabets of the pixels.  Bound: no mask of these
    pixels launches more at the asked purity, or at the one designed instead where it is lowered.
    Beside it what a designed mask launches, by the full prediction.
    """
    needed = "at least one number between 0.5 and 1"
    asked = numbers("--purity", purity, _asked_purity, needed)
    words = some_words("--alphabets", alphabets, trading.WORDS)
    kind = None if figure is None else format_of(figure)
    for path in filter(None, (csv, figure)):
        check_place(path)
    bench = benches.load(bench_name)
    with as_options():
        choices = trading.choices_of(words, benches.modulator(bench).alphabet)
        ready = prepared(bench, device)
        target = trading.target_of(bench, ready.launch.basis, label, orientation)
    with interruptible("interrupted; nothing is written"):
        points = _traded(ready, target, choices, asked)
    title = f"{described(target.name, target.orientation)} on {bench.name}"
    print_points(points)
    say_ends(bench.device.outputs)
    picture = None
    if kind is not None:
        # the plotting library takes longer to load than most commands take to run
        from maskforge.report.figures.tradeoff import tradeoff_figure

        picture = tradeoff_figure(points, title, kind)
    if csv is not None:
        write_text(csv, points_text(target, points))
    if figure is not None and picture is not None:
        write_bytes(figure, picture)
    say_next(
        f"the purity and pixels of your choice into the bench file, {typed('design', bench_name)}"
    )


def _asked_purity(value: object) -> float:
    """A purity; BadValueError where it is none, which tells a share from per cent."""
    try:
        return trading.PURITY(value)
    except BadValueError as problem:
        if isinstance(value, float) and 50 < value < 100:
            meant = f"; did you mean {value / 100:.10g}?"
            raise BadValueError(problem.text + meant) from None
        raise


def _traded(
    ready: Prepared,
    target: Target,
    choices: Sequence[trading.AlphabetChoice],
    asked: Sequence[float],
) -> list[trading.Point]:
    """The points, counted by a progress bar as they get done."""
    points: list[trading.Point] = []
    with progress_bar() as progress:
        task = progress.add_task("", total=len(choices) * len(asked))
        for point in trading.walked(ready.launch, target, choices, asked):
            points.append(point)
            progress.advance(task)
    return points
