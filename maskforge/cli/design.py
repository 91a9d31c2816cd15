"""maskforge design."""

from pathlib import Path
from typing import Annotated

import typer

from maskforge import bench as benches
from maskforge.base.errors import MaskforgeError
from maskforge.base.processes import Workers
from maskforge.base.wording import counted
from maskforge.bench import Bench
from maskforge.bench.campaign import campaign_of, is_campaign
from maskforge.cli.common import (
    BenchNames,
    ClusterAddress,
    DeviceName,
    label_list,
    progress_bar,
    whole,
    workers,
)
from maskforge.cli.exits import INTERRUPTED, SHORT, failed
from maskforge.cli.last_lines import say_caution, say_next, typed
from maskforge.cli.print_masks import print_masks
from maskforge.cli.terminal import say
from maskforge.cli.whole_set import Watch, set_written
from maskforge.report import PAGE
from maskforge.sets import journal as progress
from maskforge.sets.reading import WrittenSet, robust_in


def design(
    bench_names: BenchNames,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder of the set.", show_default="out/<name of the bench>"),
    ] = None,
    vary: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KEY=LIST",
            help="A set for each value of a key, as in light.wavelength_nm=1530,1550; repeated: "
            "all combinations.",
        ),
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
            metavar="N", help="Per label, instead of the bench's.", parser=whole("--orientations")
        ),
    ] = None,
    jobs: Annotated[
        int | None,
        typer.Option(
            metavar="N",
            help="Processes to design with; one a core if left out and there is enough to do.",
            parser=whole("--jobs"),
        ),
    ] = None,
    cluster: ClusterAddress = None,
    device: DeviceName = "auto",
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on with a run that was killed or interrupted.")
    ] = False,
) -> None:
    """Design the masks of a bench and write them as one set.

    The set is masks.tif, manifest.json, masks.csv, coupling.csv and coupling.npz, with the proofs
    of the bounds in certificate.npz, and report.html to look at.  Gap: 1 - efficiency/bound.  An
    earlier set in the folder is replaced once the new one is whole; other files there are kept.
    What a run that was killed or interrupted had finished waits beside the folder for --resume;
    without it a run starts anew.
    Up to 40 masks are listed one by one; of more, the worst and the median of each label.
    The exit code is 1 where a mask is less pure than asked: the set is written and whole.

    Several benches, a folder of bench files or --vary make a campaign: a folder with a folder for
    each set, index.csv and index.html over them.  --resume takes the sets that are finished.
    """
    crew = workers(jobs, cluster)
    wanted = None if labels is None else label_list(labels)
    if is_campaign(bench_names, vary or []):
        from maskforge.cli.design_campaign import design_campaign

        changes = benches.changed_keys(method=method, labels=wanted, orientations=orientations)
        design_campaign(
            campaign_of(bench_names, vary or [], changes), out, crew, device, resume=resume
        )
        return
    (bench_name,) = bench_names
    bench = benches.load(bench_name, method=method, labels=wanted, orientations=orientations)
    place = Path("out") / bench.name if out is None else out
    written = _designed(bench, place, crew, device, resume=resume)
    print_masks(
        written.masks, bench.design.purity, robust_in(written), written.launches, written.bands
    )
    count = counted(len(written.masks), "mask")
    say(f"\n{count} in {place} (all of them in masks.csv)")
    say_caution(benches.power_warning(bench))
    say_next(f"open {place / PAGE} in a browser, then {typed('check', place)}")
    if not all(mask.reached for mask in written.masks):
        raise typer.Exit(SHORT)


def _designed(
    bench: Bench, out: Path, jobs: Workers | None, device: str, *, resume: bool
) -> WrittenSet:
    """Designs and writes the set, and reads it back."""
    journal = progress.journal_of(out, bench)
    try:
        with progress_bar() as bar:

            def begun(count: int) -> Watch:
                task = bar.add_task("", total=count)
                return lambda mask: bar.advance(task)

            written = set_written(
                bench, out, journal, jobs, device, resume=resume, begun=begun, say=say
            )
    except KeyboardInterrupt:
        hint = _hint(journal, ", ")
        text = f"interrupted; the earlier set is untouched{hint}"
        raise typer.Exit(failed(text, INTERRUPTED)) from None
    except MaskforgeError as error:
        raise type(error)(f"{error}{_hint(journal, '; ')}") from error
    progress.discard(journal)
    return written


def _hint(journal: progress.Journal, before: str) -> str:
    """What to do after a run that did not end well, as the end of a sentence."""
    kept = progress.kept_masks(journal)
    return f"{before}--resume goes on from {counted(kept, 'mask')}" if kept else ""
