"""maskforge predict."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Annotated

import typer
from rich.table import Table
from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.base.csv_text import Cell, csv_text, finite
from maskforge.base.errors import BenchError
from maskforge.base.files import check_place, write_text
from maskforge.base.ranges import BadValueError, Range
from maskforge.base.wording import counted, some_of
from maskforge.cli.common import bench_names, interruptible, progress_bar
from maskforge.cli.terminal import LONG_SET, print_table, say, table_of
from maskforge.launch.couplings import Prediction, insertion_loss_db, unwanted_db
from maskforge.sets.check.claims import mask_name
from maskforge.sets.reading import read_set
from maskforge.study.replay import Replay, replayed, replayed_at

WAVELENGTH = Range(200, 3000, "nm")

COLUMNS = (
    "index",
    "target",
    "orientation_deg",
    "guided",
    "purity_before",
    "purity",
    "purity_change",
    "group_purity_before",
    "group_purity",
    "efficiency_before",
    "efficiency",
    "unwanted_db_before",
    "unwanted_db",
)
"""Header of the CSV; purities and efficiencies are shares."""


def _wavelength(text: str) -> float:
    try:
        return WAVELENGTH(float(text))
    except BadValueError as problem:
        raise BenchError(f"--wavelength-nm = {text}: {problem.text}") from None
    except ValueError:
        raise BenchError(f"--wavelength-nm = {text}: {WAVELENGTH.phrase()}") from None


def predict(
    folder: Annotated[Path, typer.Argument(metavar="SET", help="Folder of a finished set.")],
    bench_name: Annotated[
        str | None,
        typer.Option(
            "--bench",
            metavar="BENCH",
            help="The other bench: a preset's name or a TOML file.",
            autocompletion=bench_names,
        ),
    ] = None,
    wavelength_nm: Annotated[
        float | None,
        typer.Option(
            metavar="NM",
            help="Instead of --bench: the set's own bench in light of this wavelength.",
            parser=_wavelength,
        ),
    ] = None,
    realign: Annotated[
        bool,
        typer.Option("--realign", help="At --wavelength-nm the fibre follows the carrier's order."),
    ] = False,
    csv: Annotated[
        Path | None, typer.Option(help="Write the table to this CSV file, in full precision.")
    ] = None,
) -> None:
    """Predict what the pixels of a finished set launch on another bench.

    The panel must be the same; the beam, the lens, the fibre and what the greys do may differ.
    The fibre sits on the order of the other bench's carrier.  Before: what the set's manifest says.
    In light of another wavelength nothing on the bench moves: the carrier's order moves off the
    fibre, whose glass disperses, and a phase of the panel, of its flatness map or of the beam's
    wavefront counts for less at a longer one.  Up to 40 masks are listed one by one; of more, the
    worst and the median of each label.
    """
    if (bench_name is None) == (wavelength_nm is None):
        raise BenchError("--bench or --wavelength-nm: one of them is needed, and not both")
    if realign and wavelength_nm is None:
        raise BenchError("--realign: goes with --wavelength-nm; a --bench says where it stands")
    if csv is not None:
        check_place(csv)
    # one thread, as the masks were designed: the same bench then gives the same digits
    with interruptible("interrupted; nothing is written"), threadpool_limits(1):
        written = read_set(folder)
        with progress_bar("predicting") as progress:
            if wavelength_nm is not None:
                (masks,) = replayed_at(written, [wavelength_nm], realign=realign)
            else:
                assert bench_name is not None
                masks = replayed(written, benches.load(bench_name))
            replays = list(progress.track(masks, total=len(written.masks)))
    if csv is not None:
        write_text(csv, csv_text(COLUMNS, [_cells(one) for one in replays]))
    print_table(_by_label(replays) if len(replays) > LONG_SET else _each(replays))
    _print_summary(replays)


def _cells(one: Replay) -> list[Cell]:
    """A mask's values, as COLUMNS says."""
    mask, found = one.mask, one.prediction
    return [
        mask.index,
        mask.target,
        mask.orientation_deg,
        "no" if found is None else "yes",
        mask.purity,
        None if found is None else found.purity,
        None if found is None else found.purity - mask.purity,
        mask.group_purity,
        None if found is None else found.group_purity,
        mask.efficiency,
        None if found is None else found.efficiency,
        mask.unwanted_db,
        None if found is None else finite(unwanted_db(found.purity)),
    ]


# --- printed ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Column:
    """A printed number: its heading, its value of a mask, which is the worst, and as text."""

    head: str
    value: Callable[[Replay], float | None]
    worst: Callable[[Sequence[float]], float]
    text: Callable[[float], str]


def _after(figure: Callable[[Prediction], float]) -> Callable[[Replay], float | None]:
    """A figure of the prediction, None where there is none."""
    return lambda one: None if one.prediction is None else figure(one.prediction)


def _change(one: Replay) -> float | None:
    return None if one.prediction is None else one.prediction.purity - one.mask.purity


def _percent(share: float) -> str:
    return f"{100 * share:.4f}"


def _decibel(loss: float) -> str:
    return f"{loss:.3f}"


PRINTED = (
    _Column("purity %\nbefore", lambda one: one.mask.purity, min, _percent),
    _Column("purity %\nnow", _after(lambda found: found.purity), min, _percent),
    _Column("change\n%", _change, min, lambda share: f"{100 * share:+.4f}"),
    _Column("loss dB\nbefore", lambda one: insertion_loss_db(one.mask.efficiency), max, _decibel),
    _Column(
        "loss dB\nnow", _after(lambda found: insertion_loss_db(found.efficiency)), max, _decibel
    ),
)


def _each(replays: Sequence[Replay]) -> Table:
    """A row a mask."""
    heads = [column.head for column in PRINTED]
    table = table_of("target", "orientation\ndeg", *heads, "", left=("target",))
    for one in replays:
        values = [(column, column.value(one)) for column in PRINTED]
        table.add_row(
            one.mask.target,
            f"{one.mask.orientation_deg:g}",
            *("-" if value is None else column.text(value) for column, value in values),
            "! not guided" if one.prediction is None else "",
        )
    return table


def _by_label(replays: Sequence[Replay]) -> Table:
    """A row a label: the worst and the median of its masks, each number by itself."""
    heads = [f"{column.head}\n{which}" for column in PRINTED for which in ("worst", "median")]
    table = table_of("target", "masks", *heads, "", left=("target",))
    for name in dict.fromkeys(one.mask.target for one in replays):
        own = [one for one in replays if one.mask.target == name]
        cells: list[str] = []
        for column in PRINTED:
            values = [value for value in map(column.value, own) if value is not None]
            picks = (column.worst, median) if values else ()
            cells += [column.text(pick(values)) for pick in picks] or ["-", "-"]
        lost = sum(one.prediction is None for one in own)
        table.add_row(name, str(len(own)), *cells, f"! {lost} not guided" if lost else "")
    return table


def _print_summary(replays: Sequence[Replay]) -> None:
    """The least pure mask now, and what the other fibre does not guide."""
    guided = [(one.prediction.purity, one.mask) for one in replays if one.prediction is not None]
    if guided:
        purity, mask = min(guided, key=lambda pair: pair[0])
        say(
            f"\n{counted(len(guided), 'mask')}, the least pure now {mask_name(mask)}: "
            f"{_percent(purity)} %, before {_percent(mask.purity)} %"
        )
    lost = list(dict.fromkeys(one.mask.target for one in replays if one.prediction is None))
    if lost:
        count = counted(len(replays) - len(guided), "mask")
        say(f"! {count} for what the other fibre does not guide: {some_of(lost)}")
