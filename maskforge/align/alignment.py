"""The fits of several steps: one after the other, each on the bench that those before it found."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from maskforge import bench as benches
from maskforge.align.bench_update import changes, whole_table
from maskforge.align.catalogue import NAMES
from maskforge.align.fit import Changes, Fit, fitted
from maskforge.align.readings import Readings
from maskforge.align.scene import scene_of
from maskforge.align.stack import Stack
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.bench.files import DataFile

GREYS = ("phase-depth", "grey-amplitude")
ORDER = (*GREYS, *(name for name in NAMES if name not in GREYS))

SAME_PLACE = 1e-9
"""m: two steps whose detectors stand as near are taken with the fibre at one place."""


@dataclass(frozen=True, eq=False)
class StepFit:
    """A step's fit; `stack`: with the bench, and the fibre's place, that the steps before found.

    `own`: the bench that the step was made for.
    """

    stack: Stack
    fit: Fit
    own: Bench


@dataclass(frozen=True, eq=False)
class Update:
    """What steps change in a bench.  `left`: what they found that no key of it holds, in lines."""

    changes: Changes
    bench: Bench
    left: tuple[str, ...]


def fitted_in_order(
    parts: Sequence[tuple[Stack, Readings]], saturation: float | None = None
) -> tuple[StepFit, ...]:
    """Fits steps in the order in which they depend on each other, whatever the order given.

    The greys first, which depend on no other, then as a bench is aligned.  `saturation` in mW as in
    `fit.fitted`.  Raises BenchError, which names the step where there are several, and where one is
    there twice.
    """
    names = [stack.step.name for stack, _ in parts]
    twice = [name for name in NAMES if names.count(name) > 1]
    if twice:
        raise BenchError(f"{twice[0]}: {names.count(twice[0])} stacks of this step; give one")
    found: list[StepFit] = []
    for stack, readings in sorted(parts, key=lambda part: ORDER.index(part[0].step.name)):
        here = stack
        for earlier in found:
            here = _after(here, earlier)
        try:
            found.append(StepFit(here, fitted(here, readings, saturation), stack.bench))
        except BenchError as problem:
            if len(parts) == 1:
                raise
            raise BenchError(f"{stack.step.name}: {problem}") from None
    return tuple(found)


def update_of(bench: Bench, found: Sequence[StepFit], table: str | None = None) -> Update:
    """What steps change in a bench, one after the other; `table`: as in `bench_update.changes`."""
    every: Changes = {}
    left: list[str] = []
    for each in found:
        changed, kept = _taken(bench, each, table)
        every, left = every | changed, [*left, *kept]
        bench = benches.changed(bench, _in_memory(changed, each))
    return Update(every, bench, tuple(left))


def _taken(bench: Bench, found: StepFit, table: str | None) -> tuple[Changes, tuple[str, ...]]:
    """What a step changes, and what it leaves as it was."""
    step = found.stack.step
    try:
        changed = changes(bench, found.stack, found.fit, table)
    except BenchError as problem:
        return {}, (f"{step.name} changes nothing: {problem}",)
    left = step.left(bench, found.fit.results) if step.left else ()
    return changed, tuple(f"{step.name}: {line}" for line in left)


def _in_memory(changed: Changes, found: StepFit) -> Changes:
    """The same with the greys' table itself in the place of its path."""
    table = found.fit.table
    if table is None or ("modulator", "table") not in changed:
        return changed
    full = whole_table(found.stack.bench, table)
    columns = [full.greys, full.phase_deg]
    if full.amplitude is not None:
        columns.append(full.amplitude)
    return changed | {("modulator", "table"): DataFile("", np.column_stack(columns).astype(float))}


def _after(stack: Stack, earlier: StepFit) -> Stack:
    """A step on the bench that an earlier one found, its detector where it stands there."""
    changed, _ = _taken(stack.bench, earlier, "")
    bench = benches.changed(stack.bench, _in_memory(changed, earlier))
    nominal, there = scene_of(stack.bench), scene_of(bench)
    # the order that the detector was set to lies elsewhere behind another lens
    order = there.place_of(nominal.carrier_to(stack.detector.order))
    apart = np.hypot(*np.subtract(stack.detector.order, earlier.stack.detector.order))
    if (
        earlier.fit.step == "fiber-position"
        and stack.detector.kind == "fiber"
        and apart < SAME_PLACE
    ):
        order = there.place_of(there.carrier)
    return replace(stack, bench=bench, detector=replace(stack.detector, order=order))
