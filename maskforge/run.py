"""A design run: from a bench to its masks in play order, over processes."""

import multiprocessing
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise

from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.bench import Bench
from maskforge.design import Design, Problem, Settings, design
from maskforge.errors import BenchError
from maskforge.fiber.modes import solve
from maskforge.fields import Basis, Target, basis_of
from maskforge.launch import Launch, Prediction, prepare
from maskforge.optics import Complex
from maskforge.symmetry import Turn, images, symmetries, turn_to, turned

FEW_MASKS = 40
"""Starting a process takes as long as these do."""

MOST_PROCESSES = 8
"""Each takes about 200 MiB for 512 x 512 pixels and 45 modes."""

LONGEST_CHAIN = 12
"""Masks that one process makes in a row: they wait for the earlier ones in memory."""


@dataclass(frozen=True, eq=False)
class Prepared:
    """A bench with everything that its masks share, and what is to be launched in play order."""

    bench: Bench
    launch: Launch
    targets: tuple[Target, ...]


@dataclass(frozen=True, eq=False)
class Finished:
    """One mask of a set: `index` from 0 in play order; the prediction is the full model's."""

    index: int
    target: Target
    design: Design
    prediction: Prediction


def guided_basis(bench: Bench) -> Basis:
    """The guided modes that a bench counts; BenchError where there is none."""
    return basis_of(solve(benches.fiber(bench), groups=bench.fiber.groups))


def prepared(bench: Bench) -> Prepared:
    """Solves the fibre and prepares light, panel and lens; BenchError where they do not fit.

    On one thread, as the masks: the modes' last digits could depend on their number.
    """
    with threadpool_limits(1):
        basis = guided_basis(bench)
        targets = benches.targets(bench, basis)
        launch = prepare(
            benches.light(bench),
            benches.modulator(bench),
            benches.carrier(bench),
            benches.focal_length(bench),
            benches.fiber(bench),
            basis,
            benches.lens_offset(bench),
        )
    return Prepared(bench, launch, targets)


def processes_for(count: int) -> int:
    """Processes worth starting for `count` masks: one a core, but one for a few masks."""
    return min(os.cpu_count() or 1, MOST_PROCESSES) if count > FEW_MASKS else 1


def finished_masks(ready: Prepared, *, jobs: int = 1) -> Iterator[Finished]:
    """Every mask in play order as it gets done, over `jobs` processes; the same for any number.

    Each process works on one thread: the result of a threaded product could depend on their number.
    """
    if jobs < 1:
        raise BenchError(f"--jobs = {jobs}: at least 1 process")
    chains = chains_of(ready.targets)
    if jobs == 1 or len(chains) == 1:
        with threadpool_limits(1):
            for chain in chains:
                yield from _chained(ready, chain)
        return
    # spawn: a forked child would share locks of threaded libraries in an unknown state
    pool = ProcessPoolExecutor(
        min(jobs, len(chains)),
        mp_context=multiprocessing.get_context("spawn"),
        initializer=_start_worker,
        initargs=(ready.bench,),
    )
    try:
        for finished in pool.map(_work, chains):
            yield from finished
    finally:
        pool.shutdown(cancel_futures=True)


def chains_of(targets: Sequence[Target]) -> list[range]:
    """Runs of orientations of one label, which start from each other, cut at LONGEST_CHAIN."""
    starts = [
        index
        for index, target in enumerate(targets)
        if index == 0 or target.name != targets[index - 1].name
    ]
    whole = [range(a, b) for a, b in pairwise([*starts, len(targets)])]
    return [
        chain[first : first + LONGEST_CHAIN]
        for chain in whole
        for first in range(0, len(chain), LONGEST_CHAIN)
    ]


def _chained(ready: Prepared, chain: range) -> Iterator[Finished]:
    part, launch = ready.bench.design, ready.launch
    settings = Settings(
        window_factor=part.window_factor,
        iterations=part.iterations,
        amplitude=part.amplitude,
        start=part.start,
        seed=part.seed,
    )
    turns = symmetries(launch)
    sources: list[tuple[Design, Complex]] = []
    made: Design | None = None
    for index in chain:
        target = ready.targets[index]
        done = _image(launch, turns, sources, target)
        if done is None:
            problem = Problem(launch, target, part.purity)
            done = made = design(problem, part.method, settings=settings, previous=made)
            sources.append((made, images(launch.basis, turns, target)))
        yield Finished(index, target, done, done.prediction)


def _image(
    launch: Launch,
    turns: tuple[Turn, ...],
    sources: Sequence[tuple[Design, Complex]],
    target: Target,
) -> Design | None:
    """The first of the designs that can be turned to be the target's, turned; None without."""
    for made, vectors in sources:
        turn = turn_to(turns, vectors, target)
        if turn is not None:
            return turned(launch, made, turn, target)
    return None


_worker: list[Prepared] = []


def _start_worker(bench: Bench) -> None:
    threadpool_limits(1)
    _worker.append(prepared(bench))


def _work(chain: range) -> list[Finished]:
    return list(_chained(_worker[0], chain))
