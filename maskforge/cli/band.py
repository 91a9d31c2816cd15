"""maskforge band."""

from collections.abc import Mapping, Sequence
from typing import Annotated

import typer

from maskforge.base.csv_text import Cell, csv_text, finite
from maskforge.base.files import check_place, write_bytes, write_text
from maskforge.base.ranges import Range
from maskforge.base.wording import counted
from maskforge.bench.section import Nanometres
from maskforge.cli.common import FigureFile, SetFolder, TableFile, interruptible, progress_bar
from maskforge.cli.last_lines import say_ends, say_next
from maskforge.cli.option_values import spaced
from maskforge.cli.terminal import print_table, say, table_of
from maskforge.launch.prediction import unwanted_db
from maskforge.report import format_of
from maskforge.sets.reading import WrittenSet, read_set
from maskforge.study.band import Seen, seen_over, worst_of

COUNT = Range(2, 1000, "wavelengths", whole=True)

COLUMNS = (
    "wavelength_nm",
    "target",
    "orientation_deg",
    "index",
    "purity",
    "unwanted_db",
    "efficiency",
)
"""Header of the CSV: of each wavelength and label the least pure mask; powers are shares."""

MOST_COLUMNS = 8
"""Wavelengths that the printed table has room for; of more, evenly chosen ones."""

Worst = Mapping[str, Seen]


def band(
    folder: SetFolder,
    wavelengths: Annotated[
        str,
        typer.Option(
            metavar="FIRST:LAST:COUNT",
            help="Evenly spaced wavelengths in nm, as in 1530:1565:8.",
            show_default=False,
        ),
    ],
    realign: Annotated[
        bool,
        typer.Option("--realign", help="The fibre follows the carrier's order."),
    ] = False,
    csv: TableFile = None,
    figure: FigureFile = None,
) -> None:
    """Predict the purity of a set over a band of wavelengths.

    Each label's least pure mask is shown.  The fibre stays where it was aligned at the bench's own
    wavelength, so that a carrier's order moves off it, or is aligned again.  The fibre's glass
    disperses, and a phase of the panel, of its flatness map or of the beam's wavefront counts for
    less at a longer wavelength.
    """
    asked = spaced("--wavelengths", wavelengths, Nanometres, COUNT, "1530:1565:8")
    kind = None if figure is None else format_of(figure)
    for path in filter(None, (csv, figure)):
        check_place(path)
    with interruptible("interrupted; nothing is written"):
        written = read_set(folder)
        found = _found(written, asked, realign=realign)
    if csv is not None:
        write_text(csv, csv_text(COLUMNS, [_cells(s) for w in found for s in w.values()]))
    _print(written, found)
    say_ends([str(one.get("name")) for one in written.outputs])
    if figure is not None and kind is not None:
        # the plotting library takes longer to load than most commands take to run
        from maskforge.report.figures.band import band_figure

        curves = {
            label: [(worst[label].wavelength_nm, worst[label].purity) for worst in found]
            for label in found[0]
        }
        title = f"{folder.resolve().name}, fibre {'aligned again' if realign else 'as aligned'}"
        write_bytes(figure, band_figure(curves, title, kind))
    say_next(
        "where that is not pure enough, [light] wavelength_nm = [FIRST, ..., LAST] in the bench "
        "file designs masks for all of the band"
    )


def _found(written: WrittenSet, asked: Sequence[float], *, realign: bool) -> list[Worst]:
    """The worst masks at each wavelength, counted by a progress bar as they get done."""
    found: list[Worst] = []
    with progress_bar("predicting") as bar:
        task = bar.add_task("", total=len(asked))
        for seen in seen_over(written, asked, realign=realign):
            found.append(worst_of(seen))
            bar.advance(task)
    return found


def _cells(seen: Seen) -> list[Cell]:
    """A mask's values, as COLUMNS says."""
    mask = seen.mask
    return [
        seen.wavelength_nm,
        mask.target,
        mask.orientation_deg,
        mask.index,
        seen.purity,
        finite(unwanted_db(seen.purity)),
        seen.efficiency,
    ]


def _print(written: WrittenSet, found: Sequence[Worst]) -> None:
    """A row a label, and where the least pure mask of all is."""
    step = (len(found) - 1) / (min(len(found), MOST_COLUMNS) - 1)
    shown = [found[round(k * step)] for k in range(min(len(found), MOST_COLUMNS))]
    labels = list(found[0])
    heads = [f"{worst[labels[0]].wavelength_nm:g}\nnm" for worst in shown]
    table = table_of("purity %", "masks", *heads, "least\n%", "at\nnm", left=("purity %",))
    for label in labels:
        least = min((worst[label] for worst in found), key=lambda one: one.purity)
        table.add_row(
            label,
            str(sum(mask.target == label for mask in written.masks)),
            *(f"{100 * worst[label].purity:.3f}" for worst in shown),
            f"{100 * least.purity:.3f}",
            f"{least.wavelength_nm:g}",
        )
    print_table(table)
    least = min((one for worst in found for one in worst.values()), key=lambda one: one.purity)
    say(
        f"\n{counted(len(written.masks), 'mask')} at {counted(len(found), 'wavelength')}, the "
        f"least pure {least.mask.name} at {least.wavelength_nm:g} nm: {100 * least.purity:.4f} %"
    )
