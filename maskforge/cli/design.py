"""maskforge design."""

from collections.abc import Generator
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Annotated

import typer
from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.base.errors import MaskforgeError
from maskforge.base.files import replacing
from maskforge.base.wording import counted
from maskforge.bench import Bench
from maskforge.bench.ready import Prepared, prepared
from maskforge.cli.common import (
    BenchName,
    DeviceName,
    closable,
    label_list,
    progress_bar,
    whole,
)
from maskforge.cli.exits import INTERRUPTED, SHORT, failed
from maskforge.cli.last_lines import say_caution, say_next, typed
from maskforge.cli.option_values import as_options
from maskforge.cli.print_masks import print_masks
from maskforge.cli.terminal import say
from maskforge.report import PAGE
from maskforge.report.page.looks import Look, leaves_with_looks
from maskforge.sets import journal as progress
from maskforge.sets.designing import Memory, chains_of, made_of_masks, processes_for
from maskforge.sets.digests import add_files
from maskforge.sets.names import SET
from maskforge.sets.reading import WrittenSet, read_set, robust_in
from maskforge.sets.writing import Head, Leaf, head_of, write_leaves


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
    """
    wanted = None if labels is None else label_list(labels)
    bench = benches.load(bench_name, method=method, labels=wanted, orientations=orientations)
    place = Path("out") / bench.name if out is None else out
    written = _designed(bench, place, jobs, device, resume=resume)
    print_masks(written.masks, bench.design.purity, robust_in(written))
    count = counted(len(written.masks), "mask")
    say(f"\n{count} in {place} (all of them in masks.csv)")
    say_caution(benches.power_warning(bench))
    say_next(f"open {place / PAGE} in a browser, then {typed('check', place)}")
    if not all(mask.reached for mask in written.masks):
        raise typer.Exit(SHORT)


def _designed(
    bench: Bench, out: Path, jobs: int | None, device: str, *, resume: bool
) -> WrittenSet:
    """Designs and writes the set, and reads it back."""
    journal = progress.journal_of(out, bench)
    try:
        written = _written(bench, out, journal, jobs, device, resume=resume)
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


def _written(
    bench: Bench,
    out: Path,
    journal: progress.Journal,
    jobs: int | None,
    device: str,
    *,
    resume: bool,
) -> WrittenSet:
    # the folder comes first: that it cannot be written is better known before the work
    with replacing(out, SET) as folder:
        with as_options():
            ready = prepared(bench, device)
        head = head_of(ready, out)
        with progress.opened(journal, resume=resume) as earlier:
            memory = _memory(ready, journal, earlier)
            known = 0 if memory is None else sum(len(chain) for chain in memory.known)
            if resume:
                say(_found(earlier, known, head))
            jobs = jobs or processes_for(
                len(ready.targets) - known,
                ready.launch.setup.device,
                pixels=ready.launch.incident.size,
            )
            looks: list[Look] = []
            # several threads would wait for each other on the pictures' small products
            with threadpool_limits(1), closing(_watched(ready, jobs, memory, looks)) as leaves:
                write_leaves(folder, head, leaves)
        from maskforge.report.page.set_page import page_of_set

        written = read_set(folder)
        add_files(folder, {PAGE: page_of_set(written, ready, looks)})
    return written


def _memory(ready: Prepared, journal: progress.Journal, earlier: progress.Earlier) -> Memory | None:
    """What the journal gives to the run and takes from it; None where it is not ours."""
    if earlier is progress.Earlier.BUSY:
        return None
    return Memory(
        progress.finished_chains(journal, chains_of(ready)),
        partial(progress.recalled, journal, ready.targets),
        partial(progress.keep, journal),
    )


def _found(earlier: progress.Earlier, known: int, head: Head) -> str:
    """What --resume found, as a line."""
    if known:
        return f"{known} of {counted(head.count, 'mask')} from the earlier run\n"
    nothing = earlier is progress.Earlier.SAME
    reason = progress.Earlier.NOTHING if nothing else earlier
    return f"{head.out}: {reason.value}: all masks are designed\n"


def _watched(
    ready: Prepared, jobs: int, memory: Memory | None, looks: list[Look]
) -> Generator[Leaf, None, None]:
    """The masks as they get done, counted by a progress bar; how each looks goes into `looks`."""
    made = closable(made_of_masks(ready, leaves_with_looks, jobs=jobs, memory=memory))
    with progress_bar() as bar, closing(made) as masks:
        task = bar.add_task("", total=len(ready.targets))
        for leaf, look in masks:
            looks.append(look)
            yield leaf
            bar.advance(task)
