"""A bench's masks designed and written as one set with its page, gone on with where asked."""

from collections.abc import Callable, Generator
from contextlib import closing
from functools import partial
from pathlib import Path

from threadpoolctl import threadpool_limits

from maskforge.base.files import replacing
from maskforge.base.processes import Started, Workers
from maskforge.base.wording import counted
from maskforge.bench import Bench
from maskforge.bench.ready import Prepared, outlined, prepared_from
from maskforge.cli.common import closable
from maskforge.cli.option_values import as_options
from maskforge.launch.couplings import modes_cut
from maskforge.report import PAGE
from maskforge.report.page.looks import Look, leaves_with_looks
from maskforge.sets import journal as progress
from maskforge.sets.designing import (
    Keep,
    Memory,
    chains_of,
    designers,
    made_of_masks,
    processes_for,
)
from maskforge.sets.digests import add_files
from maskforge.sets.manifest import Record
from maskforge.sets.names import SET
from maskforge.sets.reading import WrittenSet, read_set
from maskforge.sets.writing import Head, Leaf, head_of, write_leaves

Watch = Callable[[Record], None]
"""Is told of each mask as it gets done, those of an earlier run too."""

Begun = Callable[[int], Watch]
"""Is told how many masks there will be."""


def set_written(
    bench: Bench,
    out: Path,
    journal: progress.Journal,
    jobs: Workers | None,
    device: str,
    *,
    resume: bool,
    begun: Begun,
    say: Callable[[str], None],
) -> WrittenSet:
    """Designs and writes the set, and reads it back; the journal is left for the caller.

    `say` is told what --resume found and which modes' light is left out, as a line.
    """
    # the folder comes first: that it cannot be written is better known before the work
    with replacing(out, SET) as folder:
        with as_options():
            outline = outlined(bench, device)
        jobs = jobs or processes_for(
            len(outline.targets), outline.setup.device, pixels=outline.pixels
        )
        looks: list[Look] = []
        keep = partial(progress.keep, journal)
        with designers(outline, leaves_with_looks, jobs, keep) as crew:
            ready = prepared_from(outline)
            head = head_of(ready, out)
            with progress.opened(journal, resume=resume) as earlier:
                memory = _memory(ready, journal, earlier, keep)
                if resume:
                    say(_found(earlier, memory, head))
                beyond = modes_cut(ready.launch)
                if beyond is not None:
                    say(f"Warning: {bench.source}: [fiber] {beyond}\n")
                watch = begun(len(ready.targets))
                # those that have begun would keep what they finish
                hands = jobs if memory is None else crew
                # several threads would wait for each other on the pictures' small products
                with (
                    threadpool_limits(1),
                    closing(_watched(ready, hands, memory, looks, watch)) as leaves,
                ):
                    write_leaves(folder, head, leaves)
        from maskforge.report.page.set_page import page_of_set

        written = read_set(folder)
        add_files(folder, {PAGE: page_of_set(written, ready, looks)})
    return written


def _memory(
    ready: Prepared, journal: progress.Journal, earlier: progress.Earlier, keep: Keep
) -> Memory | None:
    """What the journal gives to the run and takes from it; None where it is not ours."""
    if earlier is progress.Earlier.BUSY:
        return None
    return Memory(
        progress.finished_chains(journal, chains_of(ready)),
        partial(progress.recalled, journal, ready.targets),
        keep,
    )


def _found(earlier: progress.Earlier, memory: Memory | None, head: Head) -> str:
    """What --resume found, as a line."""
    known = 0 if memory is None else sum(len(chain) for chain in memory.known)
    if known:
        return f"{known} of {counted(head.count, 'mask')} from the earlier run\n"
    nothing = earlier is progress.Earlier.SAME
    reason = progress.Earlier.NOTHING if nothing else earlier
    return f"{head.out}: {reason.value}: all masks are designed\n"


def _watched(
    ready: Prepared, jobs: Workers | Started, memory: Memory | None, looks: list[Look], watch: Watch
) -> Generator[Leaf, None, None]:
    """The masks as they get done; how each looks goes into `looks`."""
    made = made_of_masks(
        ready,
        leaves_with_looks,
        jobs=jobs,
        memory=memory,
        meanwhile=partial(_page_ahead, ready),
    )
    with closing(closable(made)) as masks:
        for leaf, look in masks:
            looks.append(look)
            yield leaf
            watch(leaf.record)


def _page_ahead(ready: Prepared) -> None:
    """Begins with the page, while other processes design the masks."""
    from maskforge.report.page.set_page import page_ahead

    page_ahead(ready.launch)
