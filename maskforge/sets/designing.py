"""A design run: from a bench to its masks in play order, over processes."""

import itertools
import math
import os
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from maskforge.base.cluster import Cluster
from maskforge.base.crew import nothing
from maskforge.base.device import CPU, Device, begin
from maskforge.base.errors import BenchError
from maskforge.base.processes import Started, Workers, spread, started
from maskforge.bench import Bench
from maskforge.bench.ready import Outline, Prepared, prepared
from maskforge.launch.light import Complex
from maskforge.launch.prediction import Prediction
from maskforge.launch.symmetry import Turn, images, symmetries, turn_to
from maskforge.launch.targets import Target
from maskforge.methods.problem import Design

FEW_MASKS, USUAL_PIXELS = 40, 2**18
"""Starting a process takes as long as these do, of so many pixels each or fewer."""

MOST_PROCESSES = 16
"""Each takes about 120 MiB for 512 x 512 pixels and 45 modes, 490 MiB for 1920 x 1080.  On 16 cores
245 such small masks took 8 of them 3.2 s and 16 of them 2.8 s, 96 large ones 20.6 and 14.7 s."""

MOST_OF_A_GPU = 4
"""They take turns on it: 96 masks of 1920 x 1080 pixels took 1 of them 8.3 s, 2 of them 8.1 and 4
of them 7.0 s; 245 of 512 x 512 took 7.3, 7.3 and 5.7 s (benchmarks/gpu.py)."""

LONGEST_CHAIN = 12
"""Masks that one process makes in a row: they wait for the earlier ones in memory."""

LAST = 4
"""Chains a process that it takes in another order, a third of all at most: their masks wait."""

SHORTEST_PART, PARTS = 3, 12
"""Masks of a label that are not parted any more, since the first of a chain takes 1.5 times as long
as the others; and of what is left of a set, from a chain on, it is one of so many parts or more."""

OF_A_GPU = 4, 6
"""PARTS and SHORTEST_PART there, where the first one takes 5 times as long, of few processes."""


@dataclass(frozen=True, eq=False)
class Finished:
    """One mask of a set with its pixels and proofs: `index` from 0 in play order."""

    index: int
    target: Target
    design: Design

    @property
    def prediction(self) -> Prediction:
        """The full model's."""
        return self.design.prediction


Made = TypeVar("Made")

Make = Callable[[Iterable[Iterable[Finished]]], Iterator[Made]]
"""Makes something of the masks of chains, one by one."""

Making = Callable[[Prepared], Make[Made]]
"""Gives what does so where a bench's masks are designed; must pickle."""

Keep = Callable[[range, Sequence[Finished]], None]


@dataclass(frozen=True)
class Memory:
    """What is left of an earlier run, and what this one leaves, by chains (see `chains_of`).

    `recall` gives the masks of one of the `known` chains; `keep`, which must pickle, takes those
    of a chain as soon as it is finished, in the process that designed it.
    """

    known: frozenset[range]
    recall: Callable[[range], Iterable[Finished]]
    keep: Keep


def processes_for(count: int, device: Device = CPU, *, pixels: int = USUAL_PIXELS) -> int:
    """Processes worth starting for `count` masks of `pixels`: one a core, but one for a few masks,
    and MOST_OF_A_GPU on a GPU."""
    most = MOST_PROCESSES if device == CPU else MOST_OF_A_GPU
    return min(os.cpu_count() or 1, most) if _is_much(count, pixels) else 1


def _is_much(count: int, pixels: int) -> bool:
    """Whether masks take longer than starting processes does."""
    return count * max(pixels / USUAL_PIXELS, 1.0) > FEW_MASKS


def finished_masks(
    ready: Prepared, *, jobs: Workers = 1, memory: Memory | None = None
) -> Iterator[Finished]:
    """Every mask in play order as it gets done, over `jobs` processes; the same for any number."""
    return made_of_masks(ready, _themselves, jobs=jobs, memory=memory)


def _themselves(_: Prepared) -> Make[Finished]:
    return itertools.chain.from_iterable


def made_of_masks(
    ready: Prepared,
    making: Making[Made],
    *,
    jobs: Workers | Started = 1,
    memory: Memory | None = None,
    meanwhile: Callable[[], object] = nothing,
) -> Iterator[Made]:
    """The same of what is made of each mask; `meanwhile` is done while processes begin with it.

    `jobs` may have begun: see `designers`.

    Each process works on one thread: the result of a threaded product could depend on their number.
    With a `memory` the chains that it knows are not designed again.
    """
    if isinstance(jobs, int) and jobs < 1:
        raise BenchError(f"jobs = {jobs}: at least 1 process")
    keep = None if memory is None else memory.keep
    known = frozenset[range]() if memory is None else memory.known
    chains = chains_of(ready)
    new = [chain for chain in chains if chain not in known]
    make: Make[Made] | None = None
    with closing(_designed(ready, making, new, jobs, keep, meanwhile)) as designed:
        for chain in chains:
            if memory is not None and chain in known:
                make = make or making(ready)
                yield from make([memory.recall(chain)])
            else:
                yield from itertools.islice(designed, len(chain))


@contextmanager
def designers(
    outline: Outline, making: Making[Made], jobs: Workers, keep: Keep | None
) -> Iterator[Workers | Started]:
    """`jobs` for `made_of_masks` of an outline's bench, which begin before that is ready."""
    device = outline.setup.device
    # whether symmetry copies masks is not known yet
    most = len(_chains(outline.targets, outline.pixels, device, copied=False))
    if isinstance(jobs, Cluster) or min(jobs, most) == 1:
        yield jobs
        return
    start = _start_of(outline.bench, device, making, keep)
    with started(start, min(jobs, most)) as every:
        yield every


def _designed(
    ready: Prepared,
    making: Making[Made],
    chains: Sequence[range],
    jobs: Workers | Started,
    keep: Keep | None,
    meanwhile: Callable[[], object],
) -> Generator[Made, None, None]:
    """What is made of the masks of the chains, designed."""

    def here() -> Callable[[Sequence[range]], Iterable[Made]]:
        ready.launch.setup.device.begin()
        return partial(_made, ready, _begun(ready, making), keep)

    start = _start_of(ready.bench, ready.launch.setup.device, making, keep)
    if jobs == 1:
        # the masks of all chains flow through what makes something of them
        for flow in spread(start, here, [tuple(chains)], 1, meanwhile):
            yield from flow
        return
    taken: deque[range] = deque()
    waiting: dict[range, Iterable[Made]] = {}
    due = deque(chains)

    def tasks() -> Iterator[tuple[range]]:
        for chain in as_taken(ready, chains, jobs):
            taken.append(chain)
            yield (chain,)

    with closing(spread(start, here, tasks(), jobs, meanwhile, count=len(chains))) as every:
        for made in every:
            waiting[taken.popleft()] = made
            while due and due[0] in waiting:
                yield from waiting.pop(due.popleft())


def as_taken(ready: Prepared, chains: Sequence[range], jobs: Workers | Started) -> Iterator[range]:
    """Chains in the order in which processes take them: of the last few those first of which most
    masks are designed, or a process would wait for the others at the end."""
    known = jobs.count if isinstance(jobs, Started) else jobs
    count = known if isinstance(known, int) else 0
    few = min(LAST * count, len(chains) // 3)
    first, last = chains[: len(chains) - few], chains[len(chains) - few :]
    yield from first
    # it takes as long as starting a process, and is not needed before
    yield from sorted(last, key=lambda chain: -designed_in(ready, chain))


def designed_in(ready: Prepared, chain: range) -> int:
    """How many masks of a chain are no images of others of it."""
    turns, basis = turns_of(ready), ready.launch.basis
    if not turns:
        return len(chain)
    found: list[Complex] = []
    for target in ready.targets[chain.start : chain.stop]:
        if all(turn_to(turns, vectors, target) is None for vectors in found):
            found.append(images(basis, turns, target))
    return len(found)


def chains_of(ready: Prepared) -> list[range]:
    """Runs of orientations of one label, which start from each other, by bench and device alone.

    Towards the end of a long run they are cut shorter, or processes would wait for the last ones;
    not where symmetry copies masks, which need their sources at hand.
    """
    launch, copied = ready.launch, bool(turns_of(ready))
    return _chains(ready.targets, launch.incident.size, launch.setup.device, copied=copied)


def _chains(targets: Sequence[Target], pixels: int, device: Device, *, copied: bool) -> list[range]:
    whole, total = _labels(targets), len(targets)
    if not _is_much(total, pixels) or copied:
        return [part for label in whole for part in _cut(label, LONGEST_CHAIN)]
    parts, shortest = (PARTS, SHORTEST_PART) if device == CPU else OF_A_GPU
    return [part for label in whole for part in _shared(label, total - label[0], parts, shortest)]


def _shared(label: range, left: int, parts: int, shortest: int) -> list[range]:
    """A label's orientations in even parts, `left` being the masks from its first one on."""
    longest = min(max(math.ceil(left / parts), shortest), LONGEST_CHAIN)
    count, parts = len(label), math.ceil(len(label) / longest)
    return [label[count * k // parts : count * (k + 1) // parts] for k in range(parts)]


def _cut(label: range, longest: int) -> list[range]:
    return [label[first : first + longest] for first in range(0, len(label), longest)]


def _labels(targets: Sequence[Target]) -> list[range]:
    """The orientations of each label."""
    starts = [
        index
        for index, target in enumerate(targets)
        if index == 0 or target.name != targets[index - 1].name
    ]
    return [range(a, b) for a, b in itertools.pairwise([*starts, len(targets)])]


def turns_of(ready: Prepared) -> tuple[Turn, ...]:
    """What turns the bench into itself; that need not do so with its scenarios, or a device."""
    passage = ready.launch.setup.passage
    return () if ready.others or passage is not None else symmetries(ready.launch)


def _start_of(
    bench: Bench, device: Device, making: Making[Made], keep: Keep | None
) -> Callable[[], Callable[[Sequence[range]], list[Made]]]:
    return partial(_starting, bench, device.name, making, keep)


def _starting(
    bench: Bench, device: str, making: Making[Made], keep: Keep | None
) -> Callable[[Sequence[range]], list[Made]]:
    """What a process designs chains with."""
    begin(device)
    ready = prepared(bench, device)
    make = _begun(ready, making)
    if keep is not None and ready.launch.setup.device != CPU:
        # the next chain is not to wait for the file of this one
        keep = _kept_by(ThreadPoolExecutor(1), keep)
    return lambda chains: list(_all_made(ready, make, keep, chains))


def _begun(ready: Prepared, making: Making[Made]) -> Make[Made]:
    """What makes something of masks that are designed in this process, which begins with these."""
    # loaded where masks are designed: who has others design them need not wait for it
    from maskforge.methods.by_name import begin_with

    begin_with(ready.launch, ready.bench.design.method)
    return making(ready)


def _made(
    ready: Prepared,
    make: Make[Made],
    keep: Keep | None,
    chains: Sequence[range],
) -> Iterator[Made]:
    with keeping_beside(ready.launch.setup.device, keep) as own:
        yield from _all_made(ready, make, own, chains)


def _all_made(
    ready: Prepared, make: Make[Made], keep: Keep | None, chains: Sequence[range]
) -> Iterator[Made]:
    from maskforge.sets.chain import kept

    return make(kept(ready, chain, keep) for chain in chains)


@contextmanager
def keeping_beside(device: Device, keep: Keep | None) -> Iterator[Keep | None]:
    """What keeps chains while the block runs: beside a GPU a thread, waited for at its end."""
    if keep is None or device == CPU:
        yield keep
        return
    with ThreadPoolExecutor(1) as writer:
        yield _kept_by(writer, keep)


def _kept_by(writer: Executor, keep: Keep) -> Keep:
    def later(chain: range, masks: Sequence[Finished]) -> None:
        writer.submit(keep, chain, masks)

    return later
