"""maskforge design with several benches: a campaign, one folder of sets with a page over them."""

import math
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import typer

from maskforge import bench as benches
from maskforge.base.cluster import Cluster, worker_count
from maskforge.base.crew import AHEAD
from maskforge.base.device import CPU, device_of
from maskforge.base.errors import MaskforgeError
from maskforge.base.files import check_replaceable, telling
from maskforge.base.processes import Workers, spread
from maskforge.base.wording import counted
from maskforge.bench.campaign import Campaign, Member
from maskforge.bench.ready import guided_basis
from maskforge.cli.common import progress_bar
from maskforge.cli.exits import INTERRUPTED, SHORT, failed
from maskforge.cli.last_lines import say_caution, say_next, typed
from maskforge.cli.option_values import as_options
from maskforge.cli.print_campaign import print_campaign
from maskforge.cli.terminal import plain_console, say
from maskforge.cli.whole_set import Begun, Watch, set_written
from maskforge.report import INDEX
from maskforge.sets import journal as progress
from maskforge.sets.campaign import (
    CampaignList,
    check_folder,
    forget,
    is_campaign,
    is_there,
    list_of,
    mark_finished,
    read_list,
    write_list,
)
from maskforge.sets.campaign_table import SetFigures
from maskforge.sets.designing import LONGEST_CHAIN, processes_for
from maskforge.sets.manifest import Record
from maskforge.sets.names import SET

WIDE = 100
"""Columns of a terminal that has room for a bar of the set too."""

MOST_AT_ONCE = 16
"""Sets that a cluster works on side by side: each takes a process here, of some 200 MiB."""

MOST_WARNINGS = 3
"""About the power on the panel; they differ little over a campaign."""


@dataclass(frozen=True)
class PlannedSet:
    """A bench that was checked: how many masks of how many pixels, the digest of all that they
    depend on, whether the pixels go to a GPU, and what is to be said of its power."""

    member: Member
    masks: int
    pixels: int
    digest: str
    on_gpu: bool
    warning: str | None


def design_campaign(
    campaign: Campaign, out: Path | None, jobs: Workers | None, device: str, *, resume: bool
) -> None:
    """Designs every set that is not finished, then writes the table and the page over them."""
    folder = Path("out") / campaign.name if out is None else out
    check_folder(folder)
    with as_options():
        planned = [_planned(one, folder, device) for one in campaign.members]
    known = _begun(campaign, planned, folder, resume=resume)
    left = [p for p, one in zip(planned, known.entries, strict=True) if one.digest is None]
    total = sum(one.masks for one in left)
    say(f"{counted(len(planned), 'set')} in {folder}; {counted(total, 'mask')} to design")
    if resume:
        say(f"{len(planned) - len(left)} of {counted(len(planned), 'set')} are finished")
    say("")
    jobs = jobs or _processes_for(left)
    try:
        _design(left, folder, jobs, device, resume=resume)
    except KeyboardInterrupt:
        text = f"interrupted; {_kept(folder)}"
        raise typer.Exit(failed(text, INTERRUPTED)) from None
    except MaskforgeError as error:
        raise type(error)(f"{error}; {_kept(folder)}") from error
    rows = _settled(folder)
    print_campaign(read_list(folder), rows)
    warnings = list(dict.fromkeys(filter(None, (one.warning for one in planned))))
    say(f"\n{counted(len(rows), 'set')} in {folder}, a row each in index.csv")
    say_caution(*warnings[:MOST_WARNINGS])
    say_next(f"open {folder / INDEX} in a browser, then {typed('check', folder / 'SET')}")
    if any(one.short for one in rows):
        raise typer.Exit(SHORT)


def _planned(member: Member, folder: Path, device: str) -> PlannedSet:
    """BenchError, which names the bench, where it cannot be designed for; OutputError where its set
    has no place."""
    check_replaceable(folder / member.name, SET)
    bench = member.loaded()
    basis = guided_basis(bench)
    masks = len(benches.targets(bench, basis))
    rows, columns = benches.setup(bench, basis).modulator.shape
    there = device_of(device, rows * columns, masks)
    digest = progress.journal_of(folder / member.name, bench).digest
    warning = benches.power_warning(bench)
    return PlannedSet(member, masks, rows * columns, digest, there != CPU, warning)


def _processes_for(left: Sequence[PlannedSet]) -> int:
    if not left or any(one.on_gpu for one in left):
        return 1
    masks = sum(one.masks for one in left)
    return processes_for(masks, CPU, pixels=max(one.pixels for one in left))


def _begun(
    campaign: Campaign, planned: Sequence[PlannedSet], folder: Path, *, resume: bool
) -> CampaignList:
    """The campaign's list, now in its folder, with what is finished of it and to be taken over."""
    known = list_of(campaign)
    if resume and is_campaign(folder):
        made = {(one.name, one.digest): one for one in read_list(folder).entries}
        entries = [
            replace(one, digest=old.digest, manifest=old.manifest)
            if (old := made.get((one.name, plan.digest))) and is_there(folder, old)
            else one
            for one, plan in zip(known.entries, planned, strict=True)
        ]
        known = replace(known, entries=tuple(entries))
    with telling(folder):
        folder.mkdir(parents=True, exist_ok=True)
    write_list(folder, known)
    forget(folder, known)
    return known


def _settled(folder: Path) -> list[SetFigures]:
    """Has the list, the table and the page tell of all that is finished."""
    from maskforge.report.page.campaign_page import write_index

    known = read_list(folder)
    write_list(folder, known)
    forget(folder, known)
    return write_index(folder, known)


def _kept(folder: Path) -> str:
    """What is left of a run that did not end well, as the end of a sentence."""
    count = 0
    with suppress(MaskforgeError, OSError):
        count = len(_settled(folder))
    return f"{counted(count, 'set')} finished in {folder}; --resume goes on"


# --- the sets --------------------------------------------------------------------------------


def _design(
    left: Sequence[PlannedSet], folder: Path, jobs: Workers, device: str, *, resume: bool
) -> None:
    """Each process makes whole sets where there are enough of them, else all make one set."""
    at_once = _at_once(left, jobs)
    across = at_once > 1
    start = partial(_starting, folder, jobs if isinstance(jobs, Cluster) else 1, device, resume)
    with progress_bar("{task.description}", "{task.fields[short]}") as bar:
        every = bar.add_task("all sets", total=sum(one.masks for one in left), short="")
        short = 0

        def count(masks: int, missed: int) -> None:
            nonlocal short
            short += missed
            bar.update(every, advance=masks, short=f"{short} short" if short else "")

        def here() -> Callable[[Member], int]:
            return lambda member: _shown(
                member, lambda begun: _made(member, folder, jobs, device, resume, begun)
            )

        def _shown(member: Member, make: Callable[[Begun], int]) -> int:
            own = None

            def begun(masks: int) -> Watch:
                nonlocal own
                wide = plain_console(stderr=True).width >= WIDE
                own = bar.add_task(member.name, total=masks, short="", visible=wide)

                def watch(mask: Record) -> None:
                    count(1, not mask.reached)
                    bar.advance(own)

                return watch

            missed = make(begun)
            if own is not None:
                bar.remove_task(own)
            return missed

        tasks = [one.member for one in left]
        with closing(spread(start, here, tasks, at_once)) as made:
            for one, missed in zip(left, made, strict=True):
                if across:
                    count(one.masks, missed)


def _at_once(left: Sequence[PlannedSet], jobs: Workers) -> int:
    """How many sets are made side by side, each by a process here.

    Of a cluster so many that its workers have enough to do, and one more for where a set ends.
    """
    if isinstance(jobs, int):
        return jobs if len(left) >= jobs else 1
    if len(left) < 2:
        return 1
    chains = min(math.ceil(one.masks / LONGEST_CHAIN) for one in left)
    wanted = math.ceil(AHEAD * worker_count(jobs) / chains) + 1
    return min(wanted, len(left), MOST_AT_ONCE)


def _starting(folder: Path, jobs: Workers, device: str, resume: bool) -> Callable[[Member], int]:
    """What a process makes whole sets with."""
    return lambda member: _made(member, folder, jobs, device, resume, lambda _: lambda mask: None)


def _made(
    member: Member, folder: Path, jobs: Workers, device: str, resume: bool, begun: Begun
) -> int:
    """Designs and writes one set; how many of its masks fell short."""
    bench = member.loaded()
    journal = progress.journal_of(folder / member.name, bench)
    written = set_written(
        bench,
        folder / member.name,
        journal,
        jobs,
        device,
        resume=resume,
        begun=begun,
        say=lambda line: None,
    )
    mark_finished(folder, member.name, journal.digest)
    progress.discard(journal)
    return sum(not mask.reached for mask in written.masks)
