"""maskforge plan."""

from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer

from maskforge import bench as benches
from maskforge.base.csv_text import csv_text
from maskforge.base.errors import BenchError, OutputError
from maskforge.base.files import write_bytes, write_text
from maskforge.base.processes import Workers
from maskforge.bench import Bench
from maskforge.bench.files import BenchText, bench_source
from maskforge.bench.section import Metres
from maskforge.bench.values import carrier as carrier_period
from maskforge.cli.common import (
    BenchName,
    ClusterAddress,
    DeviceName,
    Jobs,
    check_files,
    interruptible,
    label_list,
    progress_bar,
    workers,
)
from maskforge.cli.last_lines import say_caution, say_ends, say_next, typed
from maskforge.cli.option_values import as_options, numbers
from maskforge.cli.print_plan import plan_cells, plan_columns, print_plan
from maskforge.report import format_of
from maskforge.sets.designing import processes_for
from maskforge.study import plan as planning
from maskforge.study import plan_search
from maskforge.study.plan import Plan
from maskforge.study.plan_file import check_text, planned_text


def plan(
    bench_name: BenchName,
    focal: Annotated[
        str | None,
        typer.Option(
            metavar="LIST",
            help="Focal lengths in mm of the lenses that you have.",
            show_default="7 from half to twice the bench's",
        ),
    ] = None,
    waist: Annotated[
        str | None,
        typer.Option(
            metavar="LIST",
            help="Waists in mm (of an elliptic beam along its first axis), and no others.",
            show_default="10 from 0.7 to 4 times the one imaged onto LP01, then the best between",
        ),
    ] = None,
    carrier: Annotated[
        str | None,
        typer.Option(
            metavar="LIST",
            help="Carrier periods in pixels, 0: on the axis.",
            show_default="the bench's",
        ),
    ] = None,
    by: Annotated[
        str, typer.Option(metavar="WORD", help="What counts: worst or mean target.")
    ] = planning.CRITERIA[0],
    labels: Annotated[
        str | None, typer.Option(help="Targets instead of the bench's, as in LP01,LP21; or all.")
    ] = None,
    write: Annotated[
        Path | None,
        typer.Option(metavar="NEW.toml", help="Write the bench with the choice to a new file."),
    ] = None,
    csv: Annotated[
        Path | None, typer.Option(help="Write all settings to this CSV file, in full precision.")
    ] = None,
    figure: Annotated[
        Path | None, typer.Option(help="Draw the map into this file: .png, .svg or .pdf.")
    ] = None,
    device: DeviceName = "auto",
    jobs: Jobs = None,
    cluster: ClusterAddress = None,
) -> None:
    """Find the lens, waist and carrier that launch most light.

    Bound: no mask of these pixels launches more of a target at the bench's purity, whatever its
    overall phase; one orientation of each target is looked at.  The best waist of each lens and
    carrier is listed (on large panels found by an estimate, its bounds proven), and the best of
    those is chosen, by its worst target or by the mean.  Those within 0.5 % of it count as equal,
    but for less than the bench as it is: of them the lowest power density on the modulator wins,
    then the most pixels a fringe.

    Pixels a fringe: on so many the light of a point at the core's edge turns by 360 deg, that is
    wavelength x focal length / (core radius x pitch); the far field repeats at so many core radii.
    Zero order, conjugate: where light that is not modulated and the carrier's order -1 (weak for
    many levels) land, in core radii from the core's axis.
    """
    kind = None if figure is None else format_of(figure)
    _check_places(write, csv, figure)
    if by not in planning.CRITERIA:
        raise BenchError(f"--by = {by}: must be {' or '.join(planning.CRITERIA)}")
    wanted = None if labels is None else label_list(labels)
    bench = benches.load(bench_name)
    source = bench_source(bench_name)
    if write is not None:
        check_text(bench, source, write)
    with as_options():
        fixed = planning.fixed_of(benches.override(bench, labels=wanted), device)
    rows = planning.rows_of(
        fixed,
        None if focal is None else numbers("--focal", focal, planning.FOCAL),
        None if waist is None else numbers("--waist", waist, Metres),
        None if carrier is None else numbers("--carrier", carrier, carrier_period),
    )
    crew = workers(jobs, cluster) or processes_for(
        sum(map(len, rows)) * len(fixed.targets), fixed.device
    )
    with interruptible("interrupted; nothing is written"):
        found = _planned(fixed, rows, by, fine=waist is None, jobs=crew)
    print_plan(found, bench)
    say_ends(bench.device.outputs)
    _written(found, bench, source, (write, csv, figure, kind))
    say_caution()
    say_next(
        "the same with --write NEW.toml, then maskforge design NEW.toml"
        if write is None
        else typed("design", write)
    )


def _check_places(write: Path | None, csv: Path | None, figure: Path | None) -> None:
    """BenchError or OutputError where a file cannot be written, or would replace a bench."""
    check_files("--write, --csv, --figure", write, csv, figure)
    if write is not None and write.suffix != ".toml":
        raise BenchError(f"--write = {write}: the name must end in .toml")
    if write is not None and write.exists():
        raise OutputError(f"--write = {write}: is there already; a new file is needed")


def _planned(
    fixed: planning.Fixed,
    rows: tuple[tuple[planning.PlannedSetting, ...], ...],
    by: str,
    *,
    fine: bool,
    jobs: Workers,
) -> Plan:
    """The plan; a progress bar counts its settings, then its rows as they get done."""
    done: list[planning.Row] = []
    own = ((planning.setting_of(fixed.bench),),)
    with progress_bar("planning") as progress:
        task = progress.add_task("", total=sum(map(len, rows)) + len(rows) + 1)
        work = plan_search.explored(
            fixed, rows, by, fine=fine, jobs=jobs, advanced=lambda: progress.advance(task)
        )
        with closing(work):
            for row in work:
                done.append(row)
                progress.advance(task)
        (as_it_is,) = plan_search.explored(fixed, own, by, fine=False)
    return Plan(tuple(done), as_it_is.grid[0], by, fine)


def _written(
    found: Plan,
    bench: Bench,
    source: BenchText,
    to: tuple[Path | None, Path | None, Path | None, str | None],
) -> None:
    write, csv, figure, kind = to
    text = None if write is None else planned_text(bench, source, write, found)
    picture = None
    if kind is not None:
        # the plotting library takes longer to load than most commands take to run
        from maskforge.report.figures.plan import plan_figure

        picture = plan_figure(found, bench.name, kind)
    if csv is not None:
        columns, cells = plan_columns(found), plan_cells(found)
        write_text(csv, csv_text(columns, cells))
    if figure is not None and picture is not None:
        write_bytes(figure, picture)
    if write is not None and text is not None:
        if write.exists():
            raise OutputError(f"--write = {write}: is there already; a new file is needed")
        write_text(write, text)
