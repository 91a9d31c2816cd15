"""A design run: from a bench to its masks in play order, over processes."""

import multiprocessing
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.bench import Bench
from maskforge.design import Design, Problem, Settings, design
from maskforge.errors import BenchError
from maskforge.fiber.modes import solve
from maskforge.fields import Basis, Target, basis_of
from maskforge.launch import Launch, Prediction, predict, prepare
from maskforge.modulator import emitted


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
    """Solves the fibre and prepares light, panel and lens; BenchError where they do not fit."""
    basis = guided_basis(bench)
    targets = benches.targets(bench, basis)
    launch = prepare(
        benches.light(bench),
        benches.modulator(bench),
        benches.carrier(bench),
        benches.focal_length(bench),
        benches.fiber(bench),
        basis,
    )
    return Prepared(bench, launch, targets)


def finished_masks(ready: Prepared, *, jobs: int = 1) -> Iterator[Finished]:
    """Every mask in play order as it gets done, over `jobs` processes; the same for any number.

    Each process works on one thread: the result of a threaded product could depend on their number.
    """
    if jobs < 1:
        raise BenchError(f"--jobs = {jobs}: at least 1 process")
    indices = range(len(ready.targets))
    if jobs == 1 or len(indices) == 1:
        with threadpool_limits(1):
            for index in indices:
                yield _finished(ready, index)
        return
    # spawn: a forked child would share locks of threaded libraries in an unknown state
    pool = ProcessPoolExecutor(
        min(jobs, len(indices)),
        mp_context=multiprocessing.get_context("spawn"),
        initializer=_start_worker,
        initargs=(ready.bench,),
    )
    try:
        yield from pool.map(_work, indices)
    finally:
        pool.shutdown(cancel_futures=True)


def _finished(ready: Prepared, index: int) -> Finished:
    part, target, launch = ready.bench.design, ready.targets[index], ready.launch
    settings = Settings(
        window_factor=part.window_factor,
        iterations=part.iterations,
        amplitude=part.amplitude,
        start=part.start,
        seed=part.seed,
    )
    made = design(Problem(launch, target, part.purity), part.method, settings=settings)
    return Finished(
        index, target, made, predict(launch, target, emitted(launch.modulator, made.states))
    )


_worker: list[Prepared] = []


def _start_worker(bench: Bench) -> None:
    threadpool_limits(1)
    _worker.append(prepared(bench))


def _work(index: int) -> Finished:
    return _finished(_worker[0], index)
