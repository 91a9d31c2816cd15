"""maskforge check."""

from collections.abc import Iterable
from itertools import chain
from pathlib import Path
from typing import Annotated

import numpy as np
import typer
from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.wording import counted
from maskforge.cli.common import interruptible, progress_bar
from maskforge.cli.last_lines import say_next, typed
from maskforge.cli.terminal import LONG_SET, say
from maskforge.playing.pack_check import header_problems, other_pictures, own_pictures, packed_names
from maskforge.playing.pack_header import PACK, read_pack
from maskforge.sets.check.check import Finding, checked, page_texts
from maskforge.sets.check.numbers import Deviations
from maskforge.sets.reading import WrittenSet, pages, read_set
from maskforge.sets.rebuilding import bench_of, power_warnings

DISAGREES = 1
"""Exit code where anything does not agree."""


def check(
    folder: Annotated[
        Path, typer.Argument(metavar="SET", help="Folder of a finished set; with --of, of a pack.")
    ],
    of: Annotated[
        Path | None,
        typer.Option(metavar="SET", help="The set that a pack was made of: check the pack."),
    ] = None,
    beside: Annotated[
        Path | None,
        typer.Option(metavar="OTHER", help="The second set of a pack with two on one panel."),
    ] = None,
) -> None:
    """Check a finished set from its files alone.

    Pages, descriptions and checksums against the manifest, every coupling computed again from the
    pixels with the manifest's bench, the figures, tables and modes, and the bounds from their
    proofs.  What disagrees is told line by line, with the cause where it can be found, and the
    exit code is then 1.
    """
    if beside is not None and of is None:
        raise BenchError(f"--beside {beside}: goes with --of, which is missing")
    if of is None and (folder / PACK).is_file():
        raise BenchError(f"{folder}: is a pack; give the set that it was made of with --of SET")
    # one thread: beside other work several only wait for each other on products as small as these
    with interruptible("interrupted; the check is not complete"), threadpool_limits(1):
        if of is None:
            written = read_set(folder)
            # the templates take longer to load than the command to say what it does
            from maskforge.report.page.page_check import page_problems

            texts = page_texts(written.stack)
            found = checked(written, pages(written), texts, more=page_problems)
            fine = _told(written, found, "")
            _say_power(written)
        else:
            fine = _pack_told(folder, read_set(of), None if beside is None else read_set(beside))
    kind = "set" if of is None else "pack"
    if not fine:
        say_next(f"copy the {kind} again from where it was right, or make it anew")
        raise typer.Exit(DISAGREES)
    say_next(
        f"load {written.stack} into the panel's player, or {typed('pack', folder)} --as FORMAT"
        if of is None
        else typed("play", folder)
    )


def _has_bounds(written: WrittenSet) -> bool:
    bounded = (mask.bound is not None or mask.bound_asked is not None for mask in written.masks)
    return bool(written.robust) or any(bounded)


def _say_power(written: WrittenSet) -> None:
    """How strong the light on the panel is, where the set's bench says its power."""
    bench = bench_of(written)
    found = benches.safety(bench)
    if found is None:
        return
    limit = found.damage_mw_per_mm2
    told = "no damage_mw_per_mm2 is given" if limit is None else f"damage_mw_per_mm2 = {limit:g}"
    say(f"power on the modulator: {found.text}; {told}")
    for warning in power_warnings(written):
        say(f"Warning: {warning}")


def _pack_told(folder: Path, written: WrittenSet, other: WrittenSet | None) -> bool:
    """Checks a pack against its set or sets; whether all agrees."""
    pack = read_pack(folder)
    if other is not None and pack.header.apertures is None:
        raise BenchError(f"{folder / PACK}: apertures = null: the pack holds one set, no --beside")
    if other is None and pack.header.apertures is not None:
        raise BenchError(f"{folder / PACK}: holds a second set; give it with --beside OTHER")
    ahead = Finding(None, tuple(header_problems(pack, written)))
    pictures = own_pictures(pack, written, other)
    found = chain([ahead], checked(written, pictures, packed_names(pack)))
    fine = _told(written, found, f" of {written.folder}")
    if other is None:
        return fine
    return _told(other, checked(other, other_pictures(pack, other)), f" of {other.folder}") and fine


def _told(written: WrittenSet, findings: Iterable[Finding], whose: str) -> bool:
    """Prints what was found; whether all agrees."""
    largest, count = Deviations(), len(written.masks)
    whole: list[str] = []
    single: dict[int, list[str]] = {}
    disagreeing: set[int] = set()
    # numbers of a damaged file may be too large to be squared
    with np.errstate(over="ignore", invalid="ignore"), progress_bar("checking") as progress:
        task = progress.add_task("", total=count)
        for finding in findings:
            largest = largest.widened(finding.deviations)
            for problem in finding.problems:
                if problem.mask is None:
                    whole.append(problem.line)
                    continue
                disagreeing.add(problem.mask.index)
                if len(disagreeing) <= LONG_SET or problem.mask.index in single:
                    single.setdefault(problem.mask.index, []).append(problem.line)
            progress.advance(task, 0 if finding.mask is None else 1)
    for line in [*whole, *(line for lines in single.values() for line in lines)]:
        say(line)
    if len(disagreeing) > len(single):
        say(f"and {counted(len(disagreeing) - len(single), 'more mask')}")
    if disagreeing:
        say(f"! {len(disagreeing)} of {counted(count, 'mask')}{whose} disagree")
    elif whole:
        say(f"! {counted(count, 'mask')}{whose}: what the files say of the whole set disagrees")
    else:
        bounds = ", bounds" if _has_bounds(written) else ""
        say(f"{counted(count, 'mask')}{whose}: pages, checksums, tables, couplings{bounds} agree")
    say(
        f"largest deviation: {largest.couplings:.1e} of a coupling, {largest.figures:.1e} of a "
        f"figure, {largest.bounds:.1e} of a bound"
    )
    return not whole and not disagreeing
