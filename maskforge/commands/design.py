"""maskforge design."""

import re
from collections.abc import Generator
from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer

from maskforge import bench as benches
from maskforge import handoff
from maskforge.bench import Bench
from maskforge.commands.common import BenchName, closable, interruptible, progress_bar, whole
from maskforge.printed import Outcome, counted, outcome_of, print_outcomes, say
from maskforge.run import Finished, Prepared, finished_masks, prepared, processes_for
from maskforge.safety import CAUTION


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
) -> None:
    """Design the masks of a bench and write them as one set.

    The set is masks.tif, manifest.json, masks.csv, coupling.csv and coupling.npz, with the proofs
    of the bounds in certificate.npz.  Gap: 1 - efficiency/bound.  An earlier set in the folder is
    replaced once the new one is whole; other files there are kept.  Up to 40 masks are listed one
    by one; of more, the worst and the median of each label.
    """
    wanted = None if labels is None else _labels(labels)
    bench = benches.load(bench_name, method=method, labels=wanted, orientations=orientations)
    place = Path("out") / bench.name if out is None else out
    with interruptible("interrupted; the earlier set is untouched"):
        outcomes = _designed(bench, place, jobs)
    print_outcomes(outcomes, bench.design.purity)
    say(f"\n{counted(len(outcomes), 'mask')} in {place} (all of them in masks.csv)\n\n{CAUTION}")
    warning = benches.power_warning(bench)
    if warning is not None:
        say(f"Warning: {warning}")


def _labels(text: str) -> str | list[str]:
    """Labels between commas; the comma of a label like LP10,1 is its own."""
    if text.strip() == "all":
        return "all"
    found: list[str] = []
    for part in (piece.strip() for piece in text.split(",")):
        if part.isdecimal() and found and re.fullmatch(r"LP\d+", found[-1]):
            found[-1] += f",{part}"
        elif part:
            found.append(part)
    return found


def _designed(bench: Bench, out: Path, jobs: int | None) -> list[Outcome]:
    """Designs and writes the set; what came of its masks."""
    outcomes: list[Outcome] = []
    # the folder comes first: that it cannot be written is better known before the work
    with handoff.replacing(out) as folder:
        ready = prepared(bench)
        head = handoff.Head(
            out=out,
            bench=benches.resolved(bench, start=out.resolve()),
            modulator=ready.launch.modulator,
            basis=ready.launch.basis,
            count=len(ready.targets),
        )
        jobs = jobs or processes_for(len(ready.targets))
        with closing(_watched(ready, jobs, outcomes)) as masks:
            handoff.write_set(folder, head, masks)
    return outcomes


def _watched(
    ready: Prepared, jobs: int, outcomes: list[Outcome]
) -> Generator[Finished, None, None]:
    """The masks as they get done, counted by a progress bar; notes down what the table tells."""
    with progress_bar() as progress, closing(closable(finished_masks(ready, jobs=jobs))) as masks:
        task = progress.add_task("", total=len(ready.targets))
        for mask in masks:
            outcomes.append(outcome_of(mask))
            yield mask
            progress.advance(task)
