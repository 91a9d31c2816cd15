"""maskforge compare."""

from collections.abc import Callable, Sequence
from contextlib import closing
from operator import attrgetter
from pathlib import Path
from typing import Annotated

import typer
from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.base.columns import UNKNOWN, Column, csv_table, named, of_part
from maskforge.base.errors import BenchError
from maskforge.base.files import write_bytes, write_text
from maskforge.base.processes import Workers
from maskforge.base.wording import counted, some_of
from maskforge.bench.elsewhere import refuse_second
from maskforge.bench.ready import Prepared
from maskforge.cli.common import (
    ClusterAddress,
    DeviceName,
    Jobs,
    TableFile,
    bench_names,
    check_files,
    interruptible,
    label_list,
    progress_bar,
    workers,
)
from maskforge.cli.compare_campaigns import are_campaigns, compare_campaigns
from maskforge.cli.compare_sets import are_sets, compare_sets
from maskforge.cli.last_lines import say_ends, say_next, typed
from maskforge.cli.option_values import as_options, some_words
from maskforge.cli.print_points import limit_text
from maskforge.cli.terminal import print_table, say, table_of, table_of_rows
from maskforge.report import format_of
from maskforge.sets import mask_columns
from maskforge.sets.designing import processes_for
from maskforge.sets.mask_columns import decibel, percent
from maskforge.study import comparison
from maskforge.study.comparison import ComparedMask, Place, Standing

COLUMNS: tuple[Column[ComparedMask], ...] = (
    Column("bench", attrgetter("bench"), "bench", left=True),
    Column("asked_purity", attrgetter("asked")),
    Column(
        "short", lambda one: one.mask.purity < one.asked, "", lambda short: "!" if short else ""
    ),
    *(of_part(column, attrgetter("mask")) for column in mask_columns.COLUMNS),
)

IN_FILE = named(
    COLUMNS,
    *("bench", "target", "orientation_deg", "method", "asked_purity", "purity", "group_purity"),
    *("unwanted_db", "efficiency", "loss_db", "bound", "bound_purity", "bound_asked", "gap"),
    *("reached", "status"),
)
"""Purities, efficiencies and bounds are shares."""

PRINTED = named(
    COLUMNS,
    *("bench", "target", "method", "purity", "group_purity", "unwanted_db", "loss_db", "gap"),
    "short",
)

ALL_METHODS = ",".join(benches.METHODS)
ANY_DEVICE = "auto"

NAMED = 6
"""Targets that a line names."""


def compare(
    bench_names: Annotated[
        list[str],
        typer.Argument(
            metavar="BENCH...",
            help="Presets' names (see maskforge presets) or TOML files; or two finished sets, or "
            "one or two campaigns.",
            autocompletion=bench_names,
        ),
    ],
    methods: Annotated[
        str, typer.Option(metavar="LIST", help=f"Of {', '.join(benches.METHODS)}.")
    ] = ALL_METHODS,
    labels: Annotated[
        str | None,
        typer.Option(
            metavar="LIST",
            help="Targets instead of the benches', as in LP01,LP21; or all.",
        ),
    ] = None,
    device: DeviceName = ANY_DEVICE,
    csv: TableFile = None,
    figure: Annotated[
        Path | None, typer.Option(help="Draw masks and fields into this file: .png, .svg or .pdf.")
    ] = None,
    jobs: Jobs = None,
    cluster: ClusterAddress = None,
) -> None:
    """Compare what the methods launch, target by target.

    One orientation of each target is designed, on one fibre or on several.  Gap: 1 -
    efficiency/bound; the bound is for masks as pure as the bench asks, or as pure as can be had, so
    that less pure ones have none.  The figure shows the mask, the far field on the facet and what
    the fibre keeps of it, for as many targets as a page holds, taken evenly from the first to the
    last.

    Two folders of finished sets are compared as they are: the masks of each target and orientation,
    what only one of them has, and what changed in the bench.  Of a campaign the sets are compared
    with each other, of two campaigns the sets of the same name.
    """
    check_files(f"--csv, --figure = {csv}", csv, figure)
    finished = _of_finished(bench_names)
    if finished is not None:
        for option, value, default in (
            ("--methods", methods, ALL_METHODS),
            ("--labels", labels, None),
            ("--device", device, ANY_DEVICE),
            ("--figure", figure, None),
            ("--jobs", jobs, None),
            ("--cluster", cluster, None),
        ):
            if value != default:
                raise BenchError(f"{option} = {value}: goes with benches, not with finished sets")
        finished(bench_names, csv)
        return
    chosen = _methods(methods)
    kind = None if figure is None else format_of(figure)
    wanted = None if labels is None else label_list(labels)
    given = [benches.load(name) for name in bench_names]
    if figure is not None:
        for bench in given:
            refuse_second(bench, "--figure")
    # one thread: the result of a threaded product could depend on their number
    with threadpool_limits(1), interruptible("interrupted; nothing is written"):
        with as_options():
            ready = comparison.entrants(given, device, wanted)
        shown = set() if figure is None else _places(ready, len(chosen))
        entries = _compared(ready, chosen, shown, workers(jobs, cluster))
        picture = None if kind is None else _picture(ready, entries, kind)
    _print_entries(entries)
    _print_not_everywhere(entries)
    _print_standings(comparison.standings(entries))
    say_ends(given[0].device.outputs)
    if figure is not None and picture is not None:
        _print_shown(entries)
        write_bytes(figure, picture)
    if csv is not None:
        write_text(csv, csv_table(IN_FILE, entries))
    one = bench_names[0] if len(bench_names) == 1 else "BENCH"
    say_next(f"{typed('design', one)}, with --method for another one than the bench's")


def _of_finished(names: Sequence[str]) -> Callable[[Sequence[str], Path | None], None] | None:
    """What compares what the names are of; None for benches."""
    if are_campaigns(names):
        return compare_campaigns
    return compare_sets if are_sets(names) else None


def _methods(text: str) -> tuple[str, ...]:
    """Methods between commas, each once; BenchError for another word, or none."""
    found = tuple(dict.fromkeys(some_words("--methods", text, benches.METHODS)))
    for word in found:
        if word not in benches.METHODS:
            raise BenchError(f"--methods = {word}: must be of {', '.join(benches.METHODS)}")
    return found


def _places(ready: Sequence[Prepared], methods: int) -> set[Place]:
    """The targets that the figure shows."""
    # the plotting library takes longer to load than most commands take to run
    from maskforge.report.figures.comparison import room

    count, most = room(len(ready), methods)
    return {
        (b, t)
        for b, each in enumerate(ready[:count])
        for t in comparison.evenly(len(each.targets), most)
    }


def _compared(
    ready: Sequence[Prepared], methods: Sequence[str], shown: set[Place], jobs: Workers | None
) -> list[ComparedMask]:
    """The entries, counted by a progress bar as they get done."""
    total = len(methods) * sum(len(each.targets) for each in ready)
    entries: list[ComparedMask] = []
    work = comparison.compared(ready, methods, shown, jobs or processes_for(total))
    with progress_bar() as progress, closing(work):
        task = progress.add_task("", total=total)
        for found in work:
            entries += found
            progress.advance(task, len(found))
    return entries


def _picture(ready: Sequence[Prepared], entries: Sequence[ComparedMask], kind: str) -> bytes:
    from maskforge.report.figures.comparison import comparison_figure

    names = comparison.names_of(ready)
    launches = {name: each.launch for name, each in zip(names, ready, strict=True)}
    return comparison_figure(launches, entries, kind)


# --- printed ---------------------------------------------------------------------------------


def _print_entries(entries: Sequence[ComparedMask]) -> None:
    """The table: the methods of a target below each other."""
    several = len({one.bench for one in entries}) > 1
    columns = PRINTED if several else PRINTED[1:]
    print_table(table_of_rows(columns, entries))
    missed = sum(one.mask.purity < one.asked for one in entries)
    asked = " or ".join(dict.fromkeys(f"{100 * one.asked:.10g} %" for one in entries))
    if missed:
        say(f"\n! {missed} of {counted(len(entries), 'mask')} less pure than the asked {asked}")
    for one in {(one.bench, one.target.name): one for one in entries}.values():
        purity, limit = one.mask.bound_purity, one.mask.bound_asked
        if purity is not None and limit is not None and purity < one.asked:
            where = f" on {one.bench}" if several else ""
            told = limit_text(one.asked, limit)
            say(f"  {one.target.name}{where}: {told}; its gaps are at {percent(purity)} %")


def _print_not_everywhere(entries: Sequence[ComparedMask]) -> None:
    """What one fibre has and another has not."""
    for bench, names in comparison.not_everywhere(entries).items():
        say(f"\nnot on every bench: {some_of(names)} on {bench}")


def _print_standings(standings: Sequence[Standing]) -> None:
    """A row a bench and method, and what each method is enough for."""
    table = table_of(
        "bench",
        "method",
        "worst\npurity %",
        "of",
        "median\npurity %",
        "worst group\npurity %",
        "of",
        "median\nloss dB",
        "median\ngap %",
        "as pure\nas asked",
        "in their\ngroup",
        left=("bench", "method", "of"),
    )
    for one in standings:
        table.add_row(
            one.bench,
            one.method,
            percent(one.worst[1]),
            one.worst[0],
            percent(one.median),
            percent(one.worst_group[1]),
            one.worst_group[0],
            decibel(one.median_loss),
            UNKNOWN if one.median_gap is None else percent(one.median_gap),
            f"{len(one.pure)} of {one.count}",
            f"{len(one.group_pure)} of {one.count}",
        )
    say("")
    print_table(table)
    say("")
    for method in dict.fromkeys(one.method for one in standings):
        say(f"{method} is enough")
        for one in standings:
            if one.method == method:
                say(f"  {_enough(one)}")


def _enough(one: Standing) -> str:
    """For which targets of a bench a method is enough, as the end of a sentence."""
    asked = f"{100 * one.asked:.10g} %"
    if one.enough:
        every = {1: "the only target", 2: "both targets"}.get(one.count, f"all {one.count} targets")
        return f"on {one.bench} for {every}: {asked} and more"
    names = list(one.pure)
    if len(names) > NAMED:
        names = [*names[:NAMED], f"{len(names) - NAMED} more"]
    which = f" ({', '.join(names)})" if names else ""
    label, purity = one.worst
    return (
        f"on {one.bench} for {len(one.pure) or 'none'} of {counted(one.count, 'target')}{which}: "
        f"the least pure is {label} with {percent(purity)} % instead of {asked}"
    )


def _print_shown(entries: Sequence[ComparedMask]) -> None:
    """Which targets the figure shows, where it has no room for all."""
    every = {(one.bench, one.target.name): one.states is not None for one in entries}
    if all(every.values()):
        return
    parts = []
    for bench in dict.fromkeys(bench for bench, _ in every):
        names = [name for (its, name), shown in every.items() if its == bench and shown]
        parts.append(f"{', '.join(names) or 'nothing'} of {bench}")
    say(f"\nThe figure has room for {'; '.join(parts)}: --labels chooses others")
