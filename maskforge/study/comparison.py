"""The methods side by side: what each one's mask launches of every target, on several benches.

One orientation a label.  All masks of a target are held against the same bound.
"""

from collections.abc import Callable, Collection, Generator, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from statistics import median

import numpy as np

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.processes import Workers, spread
from maskforge.base.wording import some_of
from maskforge.bench import Bench
from maskforge.bench.elsewhere import device_at
from maskforge.bench.ready import Prepared, guided_basis, prepared
from maskforge.bench.values import fail
from maskforge.launch.basis import Basis, sampled
from maskforge.launch.light import Complex, Real
from maskforge.launch.modulator import Levels
from maskforge.launch.panel import rendered
from maskforge.launch.prediction import insertion_loss_db
from maskforge.launch.targets import Target
from maskforge.methods.problem import Design, Problem, gap_of
from maskforge.methods.quick_bound import bound_asked, quick_bound
from maskforge.sets.designing import Finished, finished_masks
from maskforge.sets.manifest import Record
from maskforge.sets.writing import record_of

Place = tuple[int, int]
"""A target: index of its bench, and its own on that bench."""


@dataclass(frozen=True, eq=False)
class ComparedMask:
    """One method's mask for one target.

    The bound and the gap of `mask` are those that all methods are held against: where it is less
    pure than the bound is for it has no gap, and `bound_asked` is known always.  `asked`: the
    purity.  `states` (rows, columns), y up, only where the mask is to be shown; `couplings` (K,).
    """

    bench: str
    target: Target
    asked: float
    mask: Record
    couplings: Complex
    states: Levels | None


# --- what is compared ------------------------------------------------------------------------


def entrants(
    given: Sequence[Bench], device: str = "cpu", labels: str | Sequence[str] | None = None
) -> tuple[Prepared, ...]:
    """The benches made ready on a device of that name, LP targets in one orientation; `labels`:
    these targets, each bench with those of them that its fibre guides.

    What a robust design has more, several wavelengths or places of the fibre, is left out: only one
    method knows of it, and so is the purity asked of an edge of a device's errors.  BenchError
    where a bench is given twice, lacks a target, or has not the outputs of the first one.
    """
    _check_ends(given)
    places = [Path(bench.source).resolve() for bench in given]
    for k, bench in enumerate(given):
        if places[k] in places[:k]:
            raise BenchError(f"{bench.source}: given twice; each bench is compared once")
    some = given if labels is None else _with_labels(given, labels)
    return tuple(prepared(_nominal(bench), device) for bench in some)


def _check_ends(given: Sequence[Bench]) -> None:
    """BenchError where figures are not at the same place: at launches, or at the same outputs."""
    first = given[0]
    for bench in given[1:]:
        if set(bench.device.outputs) != set(first.device.outputs):
            here, there = (
                f"the outputs {some_of(one.device.outputs)}" if one.device.outputs else "launches"
                for one in (bench, first)
            )
            text = f"figures at {here} do not compare with those of {there} on {first.source}"
            fail(bench.source, "device", "matrix", bench.device.matrix, text)


def _with_labels(given: Sequence[Bench], labels: str | Sequence[str]) -> tuple[Bench, ...]:
    """The benches with these targets, each with those of them that its fibre guides.

    BenchError, which names bench and label, where no bench has one, or a bench has none.
    """
    if isinstance(labels, str):
        return tuple(benches.override(bench, labels=labels) for bench in given)
    bases = [guided_basis(bench) for bench in given]
    had = [
        [label for label in labels if _has(bench, basis, label)]
        for bench, basis in zip(given, bases, strict=True)
    ]
    missing = set(labels).difference(*had)
    for bench, basis, own in zip(given, bases, had, strict=True):
        if missing or not own:
            benches.targets(benches.override(bench, labels=labels), basis)
    return tuple(benches.override(bench, labels=own) for bench, own in zip(given, had, strict=True))


def _has(bench: Bench, basis: Basis, label: str) -> bool:
    try:
        return bool(benches.targets(benches.override(bench, labels=[label]), basis))
    except BenchError:
        return False


def _nominal(bench: Bench) -> Bench:
    alone = bench.model_copy(
        update={
            "light": bench.light.at(bench.light.wavelength_nm),
            "device": device_at(bench, bench.light.wavelength_nm),
            "design": bench.design.model_copy(update={"fiber_offset_um": (0.0, 0.0)}),
        }
    )
    return benches.override(alone, orientations=1 if bench.targets.family == "lp" else None)


def names_of(ready: Sequence[Prepared]) -> tuple[str, ...]:
    """What tables call the benches: their names, or the files where two have the same name."""
    names = [each.bench.name for each in ready]
    return tuple(
        each.bench.source if names.count(each.bench.name) > 1 else each.bench.name for each in ready
    )


def evenly(count: int, most: int) -> tuple[int, ...]:
    """At most `most` of `count` indices, evenly from the first to the last."""
    if count <= most:
        return tuple(range(count))
    return tuple(round(k * (count - 1) / max(most - 1, 1)) for k in range(most))


def not_everywhere(entries: Sequence[ComparedMask]) -> dict[str, list[str]]:
    """Of each bench that has some: the targets that not every other bench has, in play order."""
    own = {
        bench: list(dict.fromkeys(one.target.name for one in entries if one.bench == bench))
        for bench in dict.fromkeys(one.bench for one in entries)
    }
    shared = set.intersection(*map(set, own.values()))
    found = {bench: [name for name in names if name not in shared] for bench, names in own.items()}
    return {bench: names for bench, names in found.items() if names}


# --- the masks -------------------------------------------------------------------------------


def compared(
    ready: Sequence[Prepared],
    methods: Sequence[str],
    shown: Collection[Place] = (),
    jobs: Workers = 1,
) -> Generator[tuple[ComparedMask, ...], None, None]:
    """Every target's masks, one a method, as they get done; bench after bench, in play order.

    Over `jobs` processes on one thread each; the same for any number.  Those in `shown` keep their
    states.
    """
    tasks = [(b, t) for b, each in enumerate(ready) for t in range(len(each.targets))]
    places = [(each.bench, each.launch.setup.device.name) for each in ready]
    start = partial(_starting, places, methods, frozenset(shown))
    yield from spread(start, lambda: partial(_entered, ready, methods, shown), tasks, jobs)


def _starting(
    given: Sequence[tuple[Bench, str]], methods: Sequence[str], shown: Collection[Place]
) -> Callable[[Place], tuple[ComparedMask, ...]]:
    """What a process works on targets with."""
    return partial(_entered, [prepared(*one) for one in given], methods, shown)


def _entered(
    ready: Sequence[Prepared], methods: Sequence[str], shown: Collection[Place], place: Place
) -> tuple[ComparedMask, ...]:
    each, target = ready[place[0]], ready[place[0]].targets[place[1]]
    name, asked = names_of(ready)[place[0]], each.bench.design.purity
    masks = [_mask(each, place[1], method) for method in methods]
    limits = _limits(each, target, [mask.design for mask in masks])
    return tuple(
        ComparedMask(
            bench=name,
            target=target,
            asked=asked,
            mask=_held(
                record_of(mask, rendered(each.launch.modulator, mask.design.states)), limits
            ),
            couplings=mask.prediction.couplings,
            states=mask.design.states if place in shown else None,
        )
        for mask in masks
    )


def _mask(each: Prepared, index: int, method: str) -> Finished:
    """The mask of a bench's target as a design run makes it."""
    bench = benches.override(each.bench, method=method)
    (mask,) = finished_masks(Prepared(bench, each.launch, (each.targets[index],)))
    return replace(mask, index=index)


def _limits(
    each: Prepared, target: Target, designs: Sequence[Design]
) -> tuple[float, float, float]:
    """(bound, the purity that it holds for, the bound at the asked one) of a target: the designs'
    own, or else the quick one."""
    problem = Problem(each.launch, target, each.bench.design.purity)
    for design in designs:
        if design.bound is not None and design.certificate is not None:
            return design.bound, design.certificate.purity, bound_asked(problem, design)
    limit = quick_bound(problem).efficiency
    return limit, problem.purity, limit


def _held(mask: Record, limits: tuple[float, float, float]) -> Record:
    """A mask against the target's limits; see `_limits`."""
    bound, purity, asked = limits
    gap = gap_of(mask.efficiency, bound) if mask.purity >= purity else None
    return replace(mask, bound=bound, bound_purity=purity, bound_asked=asked, gap=gap)


def kept_field(basis: Basis, couplings: Complex, u: Real, v: Real) -> Complex:
    """Field (len(v), len(u)) in 1/m that stays in the fibre: the sum of c_k times mode k.

    The rest is stripped by the cladding.  Phases are those of the launch; further on each group has
    its own.  `u`, `v` in m from the fibre's axis.
    """
    return np.asarray(np.tensordot(couplings, sampled(basis, u, v), axes=1))


# --- summary ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Standing:
    """A method on a bench, over its `count` targets; purities are shares, losses in dB.

    `worst`, `worst_group`: the least pure target's name and purity.  `pure`, `group_pure`: names of
    the targets that get the `asked` purity, alone and with their group.
    """

    bench: str
    method: str
    asked: float
    count: int
    worst: tuple[str, float]
    median: float
    worst_group: tuple[str, float]
    median_loss: float
    median_gap: float | None
    pure: tuple[str, ...]
    group_pure: tuple[str, ...]

    @property
    def enough(self) -> bool:
        """Every target is as pure as asked."""
        return len(self.pure) == self.count


def standings(entries: Sequence[ComparedMask]) -> tuple[Standing, ...]:
    """One a bench and method, in the order of the entries."""
    return tuple(_standings(entries))


def _standings(entries: Sequence[ComparedMask]) -> Iterator[Standing]:
    for bench, method in dict.fromkeys((one.bench, one.mask.method) for one in entries):
        own = [one for one in entries if (one.bench, one.mask.method) == (bench, method)]
        purities = [(one.target.name, one.mask.purity) for one in own]
        shared = [(one.target.name, one.mask.group_purity) for one in own]
        asked = own[0].asked
        gaps = [one.mask.gap for one in own if one.mask.gap is not None]
        yield Standing(
            bench=bench,
            method=method,
            asked=asked,
            count=len(own),
            worst=min(purities, key=lambda pair: pair[1]),
            median=median(purity for _, purity in purities),
            worst_group=min(shared, key=lambda pair: pair[1]),
            median_loss=median(insertion_loss_db(one.mask.efficiency) for one in own),
            median_gap=median(gaps) if gaps else None,
            pure=tuple(name for name, purity in purities if purity >= asked),
            group_pure=tuple(name for name, purity in shared if purity >= asked),
        )
