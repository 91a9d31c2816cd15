"""maskforge modes."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from maskforge.base.columns import csv_table
from maskforge.base.errors import BenchError
from maskforge.base.files import write_bytes, write_text
from maskforge.base.wording import counted
from maskforge.cli.common import BenchName, TableFile, check_files, interruptible, progress_bar
from maskforge.report import format_of

if TYPE_CHECKING:
    from maskforge.bench import Bench
    from maskforge.fiber.modes import RadialMode
    from maskforge.fiber.profile import Fiber

MANY = 2000
"""Modes that take more than a second or two to solve."""


def modes(
    bench_name: BenchName,
    csv: TableFile = None,
    figure: Annotated[
        Path | None, typer.Option(help="Draw the modes into this file: .png, .svg or .pdf.")
    ] = None,
    fields: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.npz", help="Write the fields with their axes in um to this NumPy archive."
        ),
    ] = None,
) -> None:
    """List the guided modes of a bench's fibre.

    Delay is relative to LP01.  Cut-off margin: 1 - V(cut-off)/V.  MFD: mode field diameter by
    Petermann's second definition.  Fields: how many modes (cos, sin) share the label.

    In the archive of --fields: fields_per_um [mode, y, x], of unit power; x_um, y_um from the axis,
    y up; names, group, n_eff; wavelength_nm, core_radius_um.
    """
    # its help is printed without what it computes with
    from maskforge import bench as benches
    from maskforge.bench.ready import counted_modes
    from maskforge.cli.last_lines import say_next, typed
    from maskforge.cli.print_modes import COLUMNS, fields_of, print_modes
    from maskforge.cli.terminal import say
    from maskforge.launch.basis import basis_of
    from maskforge.study.mode_fields import field_arrays, npz_bytes

    kind = None if figure is None else format_of(figure)
    check_files("--csv, --figure, --fields", csv, figure, fields)
    if fields is not None and fields.suffix != ".npz":
        raise BenchError(f"--fields = {fields}: the name must end in .npz")
    bench = benches.load(bench_name)
    guide, limit = benches.fiber(bench), bench.fiber.groups
    with interruptible("interrupted; nothing is written"):
        every = _counted(bench, guide)
        kept = counted_modes(bench, every)
    summary = (
        f"{counted(sum(fields_of(mode) for mode in kept), 'mode')}, "
        f"{counted(len(kept), 'label')}, {counted(kept[-1].group, 'group')}; "
        f"V = {guide.v:.4f} at {guide.wavelength * 1e9:g} nm"
    )
    picture = None if kind is None else _picture(kept, guide, bench.name, summary, kind)
    if csv is not None:
        write_text(csv, csv_table(COLUMNS, kept))
    if figure is not None and picture is not None:
        write_bytes(figure, picture)
    if fields is not None:
        arrays = field_arrays(basis_of(kept), guide)
        write_bytes(fields, npz_bytes(arrays))
    print_modes(kept)
    say(f"\n{summary}")
    left = [mode.label for mode in every if limit is not None and mode.group > limit]
    if left:
        say(f"groups = {limit} leaves out {counted(len(left), 'guided label')}: {', '.join(left)}")
    if fields is not None:
        reach = arrays["x_um"].max()
        say(f"fields out to {reach:.3g} um along x and y in {fields}")
    say_next(
        f"{typed('plan', bench_name)} for lens and waist, or {typed('design', bench_name)} for the "
        "masks"
    )


def _counted(bench: "Bench", guide: "Fiber") -> "Sequence[RadialMode]":
    """All guided modes, counted by a progress bar, and said ahead where they are many."""
    from maskforge.bench.ready import guided_modes
    from maskforge.cli.print_modes import fields_of
    from maskforge.fiber.modes import about_how_many

    total = about_how_many(guide)
    if total >= MANY:
        digits = 10 ** (len(str(total)) - 2)
        typer.echo(
            f"about {round(total / digits) * digits} modes: 6000 take some 10 s of one processor, "
            "twice as many four times as long",
            err=True,
        )
    with progress_bar("solving") as progress:
        task = progress.add_task("", total=total)
        return guided_modes(bench, told=lambda mode: progress.advance(task, fields_of(mode)))


def _picture(
    kept: "Sequence[RadialMode]", guide: "Fiber", name: str, summary: str, kind: str
) -> bytes:
    # the plotting library takes longer to load than most commands take to run
    from maskforge.report.figures.modes import modes_figure

    return modes_figure(kept, guide.profile.core_radius, (name, summary), kind)
