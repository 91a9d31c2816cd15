"""The pixels of a set on another bench, or in other light: what they launch there."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.wording import one_line, some_of
from maskforge.bench import Bench
from maskforge.bench.elsewhere import at_wavelength
from maskforge.bench.ready import guided_basis
from maskforge.bench.values import fail
from maskforge.launch.basis import Basis, mode_name
from maskforge.launch.couplings import Launch, launch_target, predict
from maskforge.launch.modulator import emitted
from maskforge.launch.noise_budget import Budget, budget_of, ledger_of
from maskforge.launch.panel import states_of
from maskforge.launch.prediction import Prediction
from maskforge.launch.targets import held_by, transferred
from maskforge.sets.manifest import Record
from maskforge.sets.reading import WrittenSet, checked_pages
from maskforge.sets.rebuilding import Targets, bench_of, launch_of, targets_in
from maskforge.study.receive import Received, ends_of, received


@dataclass(frozen=True, eq=False)
class Replay:
    """A mask as the manifest knows it, and what it launches there.

    `prediction` is None where the fibre does not guide the target there, and `budget` there and
    where it is not asked for.  `received`: what it does the other way round, where it is guided.
    """

    mask: Record
    prediction: Prediction | None
    budget: Budget | None = None
    received: Received | None = None


def replayed(written: WrittenSet, other: Bench, *, budgets: bool = False) -> Iterator[Replay]:
    """What the pages of a set launch on another bench, one at a time, in play order.

    A grey is the state that the other bench's modulator has for it; a target is the one of the
    same name and orientation in its fibre, which sits where its own carrier sends the light.
    `budgets`: with where the light goes.  Raises BenchError where the masks do not fit its panel, a
    grey is none of its states, or the pages are not those of the manifest.
    """
    own = bench_of(written)
    _same_panel(own, other)
    launch = launch_of(other)
    if own.device.matrices or other.device.matrices:
        targets = _at_outputs(own, other)
    else:
        targets = targets_in(own, launch.basis)
    return _replays(written, launch, targets, other.source, budgets)


def _at_outputs(own: Bench, other: Bench) -> Targets:
    """A bench's targets at the outputs of another one's device.

    They must be the same outputs; launches are judged at outputs that are named as their modes.
    """
    basis = guided_basis(own)
    names = own.device.outputs or tuple(mode_name(mode) for mode in basis)
    there = other.device.outputs
    if not there or (set(names) != set(there) if own.device.outputs else set(names) - set(there)):
        fail(
            other.source,
            "device",
            "matrix",
            other.device.matrix,
            f"the set's targets are {_told(own, names)}, here there are "
            + (f"the outputs {some_of(there)}" if there else "launches, and no device"),
        )
    # each output's place in the targets' vectors; one that they know nothing of: none
    places = [names.index(name) if name in names else len(names) for name in there]
    return {
        key: replace(target, vector=np.append(target.vector, 0.0)[places])
        for key, target in targets_in(own, basis).items()
    }


def _told(bench: Bench, names: tuple[str, ...]) -> str:
    return f"{'at the outputs' if bench.device.outputs else 'of the modes'} {some_of(names)}"


def replayed_at(
    written: WrittenSet,
    wavelengths: Iterable[float],
    *,
    realign: bool = False,
    budgets: bool = False,
) -> Iterator[Iterator[Replay]]:
    """What they launch on their own bench in light of each of some wavelengths in nm, likewise.

    `elsewhere.at_wavelength` says what changes there, and what it is to `realign`; a target is the
    same sum of modes.  Raises BenchError as that does, and where the pages are not those of the
    manifest, or the bench has not their targets.
    """
    bench = bench_of(written)
    basis = guided_basis(bench)
    targets = targets_in(bench, basis)
    for mask in written.masks:
        if (mask.target, mask.orientation_deg) not in targets:
            raise BenchError(
                f"{bench.source}: masks[{mask.index}]: the bench has no target {mask.name}"
            )
    for nm in wavelengths:
        launch = at_wavelength(bench, nm, realign=realign)
        there = (
            targets if launch.setup.passage is not None else _carried(targets, basis, launch.basis)
        )
        yield _replays(written, launch, there, bench.source, budgets)


def _carried(targets: Targets, basis: Basis, other: Basis) -> Targets:
    """The same sums of modes in another basis, of those that it holds."""
    return {
        key: replace(target, vector=transferred(target.vector, basis, other))
        for key, target in targets.items()
        if held_by(other, target.vector, basis)
    }


def _replays(
    written: WrittenSet, launch: Launch, targets: Targets, source: str, budgets: bool
) -> Iterator[Replay]:
    """The pages' pixels on the launch of the bench `source`, whose fibre guides `targets`."""
    ledger = ledger_of(launch) if budgets else None
    names = ends_of(launch.basis, launch.setup.passage)
    for mask, picture in zip(written.masks, checked_pages(written), strict=True):
        try:
            states = states_of(launch.modulator, picture)
        except BenchError as error:
            raise BenchError(
                one_line(f"{source}: [modulator]: mask {mask.index} ({mask.name}): {error}")
            ) from None
        target = targets.get((mask.target, mask.orientation_deg))
        found = budget = back = None
        if target is not None:
            factors = emitted(launch.modulator, states)
            found = predict(launch, target, factors)
            ends = found.couplings if found.outputs is None else found.outputs
            back = received(mask, target, ends, names)
            if ledger is not None:
                own = launch_target(launch, target)
                budget = budget_of(ledger, own, factors, found.couplings)
        yield Replay(mask, found, budget, back)


def _same_panel(own: Bench, other: Bench) -> None:
    """BenchError where the masks of one do not lie on the panel of the other as on their own."""
    ours, theirs = benches.modulator(own), benches.modulator(other)
    for key, need, got in (
        ("pixels", ours.shape, theirs.shape),
        ("panel", ours.panel, theirs.panel),
        ("at", ours.corner, theirs.corner),
    ):
        if need != got:
            raise BenchError(
                f"{other.source}: [modulator] {key} = {list(got[::-1])}: must be "
                f"{list(need[::-1])}, as the masks of the set lie"
            )
    second, there = own.device.second_at, other.device.second_at
    if second != there:
        text = "must be " + ("left out" if second is None else f"{list(second)}")
        fail(other.source, "device", "second_at", there, f"{text}, as the masks of the set lie")
