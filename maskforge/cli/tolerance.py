"""maskforge tolerance."""

import math
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated

import typer

from maskforge.base.csv_text import csv_text
from maskforge.base.errors import BenchError
from maskforge.base.files import write_bytes, write_text
from maskforge.base.processes import Workers
from maskforge.base.wording import nearest, one_line
from maskforge.bench import Bench
from maskforge.bench.ready import prepared
from maskforge.bench.section import Seed
from maskforge.cli.common import (
    ClusterAddress,
    DeviceName,
    Jobs,
    bench_names,
    check_files,
    closable,
    interruptible,
    label_list,
    progress_bar,
    workers,
)
from maskforge.cli.last_lines import say_ends, say_next, typed
from maskforge.cli.option_values import as_options, number
from maskforge.cli.print_tolerance import (
    CURVE_COLUMNS,
    curve_cells,
    page_table,
    print_curves,
    print_spread,
    print_unharmed,
    sample_cells,
    sample_columns,
)
from maskforge.cli.terminal import say
from maskforge.report import format_of
from maskforge.sets.designing import finished_masks
from maskforge.sets.designing import processes_for as designers_for
from maskforge.sets.digests import add_files
from maskforge.sets.names import TOLERANCE
from maskforge.sets.opened import set_or_bench
from maskforge.sets.reading import WrittenSet
from maskforge.sets.rebuilding import bench_of
from maskforge.study.tolerance.causes import causes_of, left_out
from maskforge.study.tolerance.mask_file import Study, stored, stored_set
from maskforge.study.tolerance.one_error import LIMIT, LOSSES, ErrorCurve, ranked, swept
from maskforge.study.tolerance.worth import device_for, processes_for

if TYPE_CHECKING:
    from maskforge.study.tolerance.all_errors import Factor, Spread

MOST_MASKS = 12
"""Masks that all errors at once are drawn for."""

WORST = 3
"""Masks that they are drawn for unless told: those that lose most, and the fundamental mode."""

FUNDAMENTAL = ("LP01", "LG0+0")


def tolerance(
    source: Annotated[
        str,
        typer.Argument(
            metavar="SET|BENCH",
            help="Folder of a finished set; or a bench, a preset's name or a TOML file, whose "
            "masks are then designed first and not kept.",
            autocompletion=bench_names,
        ),
    ],
    limit: Annotated[
        str, typer.Option(metavar="SHARE", help="Loss of purity that errors are measured by.")
    ] = f"{LIMIT:g}",
    csv: Annotated[
        Path | None,
        typer.Option(help="Write the whole sweep, each mask at each error, to this CSV file."),
    ] = None,
    figure: Annotated[
        Path | None, typer.Option(help="Draw the sweep into this file: .png, .svg or .pdf.")
    ] = None,
    keep: Annotated[
        bool,
        typer.Option("--keep", help="Write the table into the set: maskforge report shows it."),
    ] = False,
    deviations: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.toml",
            help="Draw all errors at once, too: a section [deviations] with standard deviations, "
            "such as fiber_offset_um = 0.3.",
        ),
    ] = None,
    monte_carlo: Annotated[
        str | None,
        typer.Option(
            metavar="N",
            help="How many to draw, a power of 2: 2 N benches, and N more for each error.",
            show_default="what takes about 20 s",
        ),
    ] = None,
    masks: Annotated[
        str | None,
        typer.Option(
            metavar="LIST",
            help="Masks to draw them for, as in LP01,LP11@15 (degrees).",
            show_default="the 3 targets that lose most in the sweep, and LP01",
        ),
    ] = None,
    samples: Annotated[
        Path | None, typer.Option(help="Write what was drawn, and the figures, to this CSV file.")
    ] = None,
    samples_figure: Annotated[
        Path | None,
        typer.Option(help="Draw distribution and shares into this file: .png, .svg or .pdf."),
    ] = None,
    seed: Annotated[
        str, typer.Option(metavar="N", help="Of everything random.", show_default="0")
    ] = "0",
    device: DeviceName = "auto",
    jobs: Jobs = None,
    cluster: ClusterAddress = None,
) -> None:
    """Show what errors of alignment, beam, panel and fibre cost.

    Every mask is predicted under each error, one at a time, from minus to plus a half-range.
    Costs: the smallest error that lowers the purity by the limit.  Wavelength and focal length move
    the carrier's order, while the fibre stays where it was aligned; a longer wavelength lowers the
    phases of the panel, too.  The grey table's errors, dead pixels and the wavefront of flatness
    are patterns by chance, which --seed picks and the error scales.

    With --deviations all errors are drawn at once: signed ones from a normal distribution, amounts
    (grey table, crosstalk, dead pixels, flatness) from the positive half of one.  x and y of a pair
    are drawn apart and share one entry.  The draws take no GPU.
    """
    crew = workers(jobs, cluster)
    options = "--csv, --figure, --samples, --samples-figure"
    check_files(options, csv, figure, samples, samples_figure)
    _check_draws(
        deviations,
        ("--monte-carlo", monte_carlo),
        ("--masks", masks),
        ("--samples", samples),
        ("--samples-figure", samples_figure),
    )
    share, chance = number("--limit", limit, LOSSES), int(number("--seed", seed, Seed))
    kind = None if figure is None else format_of(figure)
    samples_kind = None if samples_figure is None else format_of(samples_figure, "--samples-figure")
    given = set_or_bench(source)
    bench = given if isinstance(given, Bench) else bench_of(given)
    if keep and isinstance(given, Bench):
        raise BenchError(f"--keep: goes with a set, {source} is a bench")
    name = given.name if isinstance(given, Bench) else given.folder.resolve().name
    factors = None if deviations is None else _factors(deviations, bench)
    count = None if factors is None else _count(monte_carlo, factors, bench)
    some = None if masks is None else _named(given, masks)
    with TemporaryDirectory(prefix="maskforge-", ignore_cleanup_errors=True) as folder:
        with interruptible("interrupted; nothing is written"):
            study = _study(Path(folder), given, crew, device)
            curves = _swept(study, share, chance, crew, device)
        print_unharmed(curves[0].purity[curves[0].unharmed], name)
        print_curves(curves, study.names, share, left_out(bench))
        say_ends(bench.device.outputs)
        if keep and not isinstance(given, Bench):
            table = page_table(curves, study.names, share)
            add_files(given.folder, {TOLERANCE: table})
        if csv is not None:
            cells = list(curve_cells(curves, study.targets))
            write_text(csv, csv_text(CURVE_COLUMNS, cells))
        if figure is not None and kind is not None:
            write_bytes(figure, _curves_figure(curves, study, share, name, kind))
        if factors is None or count is None:
            _say_next(source, given)
            return
        with interruptible("interrupted; nothing of all errors at once is written"):
            spread = _drawn(study, some or _usual(study, curves), factors, count, chance, crew)
    _say_drawn(spread, count)
    print_spread(spread, study.names, share)
    if samples is not None:
        cells = list(sample_cells(spread, study.targets))
        write_text(samples, csv_text(sample_columns(spread), cells))
    if samples_figure is not None and samples_kind is not None:
        write_bytes(samples_figure, _spread_figure(spread, study, name, samples_kind))
    _say_next(source, given)


def _say_next(source: str, given: WrittenSet | Bench) -> None:
    bench = source if isinstance(given, Bench) else "BENCH"
    say_next(f"align first what costs most: {typed('bringup', bench)} lists the steps")


# --- what is asked for -----------------------------------------------------------------------


def _check_draws(deviations: Path | None, *others: tuple[str, object]) -> None:
    if deviations is not None:
        return
    for option, value in others:
        if value is not None:
            raise BenchError(
                f"{option} = {value}: goes with --deviations, a file with standard deviations"
            )


def _factors(path: Path, bench: Bench) -> "tuple[Factor, ...]":
    # the statistics take longer to load than the sweep of a small set
    from maskforge.study.tolerance.all_errors import read_factors

    return read_factors(path, left_out(bench))


def _count(text: str | None, factors: "Sequence[Factor]", bench: Bench) -> int:
    """How many to draw; BenchError where it is no power of 2."""
    from maskforge.study.tolerance.all_errors import LEAST_DRAWS, MOST_DRAWS, usual_draws

    if text is None:
        return usual_draws(factors, math.prod(bench.modulator.panel))
    rule = f"must be a power of 2 from {LEAST_DRAWS} to {MOST_DRAWS}"
    if not (text.isascii() and text.isdecimal()):
        raise BenchError(one_line(f"--monte-carlo = {text}: {rule}"))
    count = int(text[:9])
    if not LEAST_DRAWS <= count <= MOST_DRAWS or count & (count - 1):
        near = min(max(LEAST_DRAWS, 2 ** round(math.log2(max(count, 1)))), MOST_DRAWS)
        raise BenchError(f"--monte-carlo = {text}: {rule}; did you mean {near}?")
    return count


def _named(given: Bench | WrittenSet, text: str) -> list[int]:
    """Masks (index) between commas: LP21 is the first of its label, LP21@15 one of its angles."""
    words = label_list(text)
    if isinstance(words, str):
        raise BenchError("--masks = all: must be names of masks, as in LP01,LP11@15")
    if not 0 < len(words) <= MOST_MASKS:
        raise BenchError(one_line(f"--masks = {text}: must be 1 to {MOST_MASKS} masks"))
    if isinstance(given, Bench):
        masks = [(t.name, float(t.orientation)) for t in prepared(given).targets]
    else:
        masks = [(mask.target, mask.orientation_deg) for mask in given.masks]
    return list(dict.fromkeys(_mask(masks, word) for word in words))


def _mask(masks: Sequence[tuple[str, float]], word: str) -> int:
    label, _, angle = word.partition("@")
    own = {index: degrees for index, (name, degrees) in enumerate(masks) if name == label}
    if not own:
        labels = list(dict.fromkeys(name for name, _ in masks))
        near = nearest(label, labels)
        hint = f"did you mean {near}?" if near else f"there are {', '.join(labels[:MOST_MASKS])}"
        raise BenchError(one_line(f"--masks = {word}: no such mask; {hint}"))
    for index, degrees in own.items():
        if not angle or f"{degrees:g}" == angle:
            return index
    angles = ", ".join(f"{degrees:g}" for degrees in list(own.values())[:MOST_MASKS])
    raise BenchError(one_line(f"--masks = {word}: {label} has the orientations {angles} deg"))


# --- what is done ----------------------------------------------------------------------------


def _study(folder: Path, given: Bench | WrittenSet, jobs: Workers | None, device: str) -> Study:
    """The masks, designed where they are not there yet."""
    if not isinstance(given, Bench):
        return stored_set(folder, given)
    with as_options():
        ready = prepared(given, device)
    jobs = jobs or designers_for(
        len(ready.targets), ready.launch.setup.device, pixels=ready.launch.incident.size
    )
    with progress_bar() as progress, closing(closable(finished_masks(ready, jobs=jobs))) as masks:
        task = progress.add_task("", total=len(ready.targets))
        return stored(
            folder,
            given,
            ready.launch.modulator,
            ((mask.target, mask.design.states) for mask in progress.track(masks, task_id=task)),
        )


def _swept(
    study: Study, limit: float, seed: int, jobs: Workers | None, device: str
) -> list[ErrorCurve]:
    """The curves in the order of tables."""
    with as_options():
        there = device_for(study, device)
    jobs = jobs or processes_for(study, there)
    causes = causes_of(study.bench)
    found = {}
    curves = swept(study, causes, limit=limit, seed=seed, jobs=jobs, device=there)
    with progress_bar("sweeping") as progress, closing(curves):
        task = progress.add_task("", total=len(causes))
        for curve in curves:
            found[curve.cause.field] = curve
            progress.advance(task)
    return [found[cause.field] for cause in causes]


def _usual(study: Study, curves: Sequence[ErrorCurve]) -> list[int]:
    """The masks that lose most, of different targets, and the fundamental mode's."""
    worst: dict[str, int] = {}
    for mask in ranked(curves):
        worst.setdefault(study.targets[mask].name, int(mask))
    first = [k for k, target in enumerate(study.targets) if target.name in FUNDAMENTAL]
    return list(dict.fromkeys([*list(worst.values())[:WORST], *first[:1]]))


def _drawn(
    study: Study,
    masks: Sequence[int],
    factors: "Sequence[Factor]",
    count: int,
    seed: int,
    jobs: Workers | None,
) -> "Spread":
    from maskforge.study.tolerance.all_errors import evaluations, processes_for, spread_of

    total = evaluations(factors, count)
    jobs = jobs or processes_for(total, math.prod(study.bench.modulator.panel))
    with progress_bar("drawing") as progress:
        task = progress.add_task("", total=total)
        return spread_of(
            study,
            masks,
            factors,
            count,
            seed=seed,
            jobs=jobs,
            done=lambda benches: progress.advance(task, benches),
        )


def _curves_figure(
    curves: Sequence[ErrorCurve], study: Study, limit: float, name: str, kind: str
) -> bytes:
    # the plotting library takes longer to load than the sweep of a small set
    from maskforge.report.figures.tolerance import tolerance_figure

    return tolerance_figure(curves, study.names, limit, f"{name}: what errors cost", kind)


def _spread_figure(spread: "Spread", study: Study, name: str, kind: str) -> bytes:
    from maskforge.report.figures.tolerance import spread_figure

    title = f"{name}: all errors at once, {len(spread.samples)} benches"
    return spread_figure(spread, study.names, title, kind)


def _say_drawn(spread: "Spread", count: int) -> None:
    total = len(spread.samples) + count * len(spread.factors)
    say(
        f"\nAll errors at once (N = {count}): the distribution is of {2 * count} benches, the "
        f"shares are of {total}.\n"
    )
