"""maskforge predict."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer
from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.base.columns import csv_table
from maskforge.base.errors import BenchError
from maskforge.base.files import check_place, write_text
from maskforge.base.wording import counted, some_of
from maskforge.bench.section import Nanometres
from maskforge.cli.common import SetFolder, TableFile, bench_names, interruptible, progress_bar
from maskforge.cli.last_lines import say_ends, say_next, typed
from maskforge.cli.option_values import number
from maskforge.cli.print_received import csv_columns, print_received
from maskforge.cli.print_replays import IN_FILE, OF_BUDGET, print_budgets, print_replays
from maskforge.cli.terminal import say
from maskforge.sets.check.claims import mask_name
from maskforge.sets.mask_columns import percent
from maskforge.sets.reading import read_set
from maskforge.sets.rebuilding import bench_of
from maskforge.study.replay import Replay, replayed, replayed_at


def predict(
    folder: SetFolder,
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
            parser=lambda text: number("--wavelength-nm", text, Nanometres),
        ),
    ] = None,
    realign: Annotated[
        bool,
        typer.Option("--realign", help="At --wavelength-nm the fibre follows the carrier's order."),
    ] = False,
    budget: Annotated[
        bool,
        typer.Option(
            "--budget",
            help="Also where the rest of the light goes; alone: on the set's own bench.",
        ),
    ] = False,
    receive: Annotated[
        bool,
        typer.Option(
            "--receive",
            help="The other way round: what a single-mode fibre in the beam's place gets of light "
            "in each mode; alone: on the set's own bench.",
        ),
    ] = False,
    csv: TableFile = None,
) -> None:
    """Predict a set on another bench, or at another wavelength.

    The pixels are taken as they are, and the panel must be the same; the beam, the lens, the fibre
    and what the greys do may differ.  The fibre sits on the order of the other bench's carrier.
    Before: what the set's manifest says.
    In light of another wavelength nothing on the bench moves: the carrier's order moves off the
    fibre, whose glass disperses, and a phase of the panel, of its flatness map or of the beam's
    wavefront counts for less at a longer one.  --budget adds a table of where all of the beam goes.
    Up to 40 masks are listed one by one; of more, the worst and the median of each label (of the
    budget the median).
    --receive tells what the same masks do with light that comes from the fibre, by reciprocity
    the launch matrix transposed.
    """
    if budget and receive:
        raise BenchError("--budget: goes without --receive, which is about light from the fibre")
    own = (budget or receive) and bench_name is None and wavelength_nm is None
    if (bench_name is None) == (wavelength_nm is None) and not own:
        raise BenchError("--bench or --wavelength-nm: one of them is needed, and not both")
    if realign and wavelength_nm is None:
        raise BenchError("--realign: goes with --wavelength-nm; a --bench says where it stands")
    if csv is not None:
        check_place(csv)
    # one thread, as the masks were designed: the same bench then gives the same digits
    with interruptible("interrupted; nothing is written"), threadpool_limits(1):
        written = read_set(folder)
        other = bench_of(written) if bench_name is None else benches.load(bench_name)
        outputs = other.device.outputs
        with progress_bar("predicting") as progress:
            if wavelength_nm is not None:
                (masks,) = replayed_at(written, [wavelength_nm], realign=realign, budgets=budget)
            else:
                masks = replayed(written, other, budgets=budget)
            replays = list(progress.track(masks, total=len(written.masks)))
    if receive:
        _tell_received(replays, csv)
        say_next("--csv FILE for all powers" if csv is None else f"look into {csv}")
        return
    if csv is not None:
        write_text(csv, csv_table([*IN_FILE, *(OF_BUDGET if budget else ())], replays))
    print_replays(replays)
    _print_summary(replays)
    say_ends(outputs)
    if budget:
        say("\nwhere the light goes, in % of the beam:\n")
        print_budgets(replays)
    say_next(
        f"{typed('design', bench_name)} for masks of that bench"
        if bench_name is not None
        else f"{typed('band', folder)} --wavelengths FIRST:LAST:COUNT for a range of wavelengths"
    )


def _tell_received(replays: Sequence[Replay], csv: Path | None) -> None:
    """What a single-mode fibre gets behind the masks, of light in each mode."""
    found = [one.received for one in replays if one.received is not None]
    if not found:
        raise BenchError("--receive: the fibre guides none of the set's targets")
    if csv is not None:
        write_text(csv, csv_table(csv_columns(found[0].names), found))
    print_received(found, found[0].names)
    _print_lost(replays)


def _print_summary(replays: Sequence[Replay]) -> None:
    """The least pure mask now, and what the other fibre does not guide."""
    guided = [(one.prediction.purity, one.mask) for one in replays if one.prediction is not None]
    if guided:
        purity, mask = min(guided, key=lambda pair: pair[0])
        say(
            f"\n{counted(len(guided), 'mask')}, the least pure now {mask_name(mask)}: "
            f"{percent(purity)} %, before {percent(mask.purity)} %"
        )
    _print_lost(replays)


def _print_lost(replays: Sequence[Replay]) -> None:
    lost = list(dict.fromkeys(one.mask.target for one in replays if one.prediction is None))
    if lost:
        count = counted(sum(one.prediction is None for one in replays), "mask")
        say(f"! {count} for what the other fibre does not guide: {some_of(lost)}")
