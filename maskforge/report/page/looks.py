"""What the page shows of a mask's light: its pictures, and where the light goes."""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache

import numpy as np

from maskforge.base.crew import in_order
from maskforge.base.device import CPU
from maskforge.base.threads import threads
from maskforge.bench.ready import Prepared
from maskforge.launch.couplings import Launch, launch_target
from maskforge.launch.light import Complex
from maskforge.launch.modulator import Levels
from maskforge.launch.noise_budget import Budget, Ledger, Ledgers, budget_of, ledger_of
from maskforge.launch.targets import Target
from maskforge.report.page.thumbnails import Camera, Shot, camera_of, factors_of, shot_of
from maskforge.sets.designing import Finished, Make
from maskforge.sets.stack import Over
from maskforge.sets.writing import Leaf, leaf_of


@dataclass(frozen=True)
class Look:
    """A mask's pictures and noise budget; None where its target is not known."""

    shot: Shot
    budget: Budget | None = None


Tools = Callable[[], tuple[Camera, Ledger | Ledgers]]

THREADS = 3
"""That pack a page's strips beside a GPU: a page of 1920 x 1080 pixels takes one 40 to 50 ms, and
the last one of a chain is waited for."""

WAITING = 8
"""Masks that may wait to be looked at: the first one waits for what all of them share, as long as
several masks take."""

Looking = Callable[[Target | None, Levels, Complex], Look]
"""A mask's target, states (rows, columns) and couplings (K,) -> how it looks."""


def looking(launch: Launch) -> Looking:
    """What looks at the masks of a launch, one after the other.

    Images of a mask share its budget: see `_powers_by_label`.
    """
    return _looking(launch, _tools_of(launch))


def leaves_with_looks(ready: Prepared) -> Make[tuple[Leaf, Look]]:
    """What makes of each mask of some chains what its set holds and shows of it."""
    launch = ready.launch
    tools = _tools_of(launch)
    over: Over = map if launch.setup.device == CPU else ThreadPoolExecutor(THREADS).map

    def made(chains: Iterable[Iterable[Finished]]) -> Iterator[tuple[Leaf, Look]]:
        # what masks share must not depend on where other chains are designed
        masks = (
            (look, mask) for chain in chains for look in [_looking(launch, tools)] for mask in chain
        )

        def seen(pair: tuple[Looking, Finished]) -> tuple[Finished, Look]:
            look, mask = pair
            return mask, look(mask.target, mask.design.states, mask.prediction.couplings)

        def packed(pair: tuple[Finished, Look]) -> tuple[Leaf, Look]:
            return leaf_of(launch.modulator, pair[0], over), pair[1]

        if launch.setup.device == CPU:
            return map(packed, map(seen, masks))
        # beside a GPU cores are free for them; budgets are found in order, since some are shared
        looked_at = in_order(threads(seen, 1, WAITING), masks)
        return in_order(threads(packed, 1, WAITING), looked_at)

    return made


def _tools_of(launch: Launch) -> Tools:
    """What prepares camera and ledger once, where the first mask is looked at.

    Beside a GPU, which leaves cores free, that is begun at once.
    """

    def tools() -> tuple[Camera, Ledger | Ledgers]:
        return camera_of(launch), ledger_of(launch, np.float32).on(launch.setup.device)

    if launch.setup.device == CPU:
        return cache(tools)
    pool = ThreadPoolExecutor(1)
    begun = pool.submit(tools)
    pool.shutdown(wait=False)
    return begun.result


def _looking(launch: Launch, tools: Tools) -> Looking:
    budgets: dict[tuple[object, ...], Budget] = {}

    def look(target: Target | None, states: Levels, found: Complex) -> Look:
        camera, ledger = tools()
        factors = factors_of(camera, states)
        shot = shot_of(camera, factors, found)
        if target is None:
            return Look(shot)
        key = target.name, *_powers_by_label(launch, found)
        if key not in budgets:
            own = launch_target(launch, target)
            budgets[key] = budget_of(ledger, own, factors, found, by_order=False)
        return Look(shot, budgets[key])

    return look


def _powers_by_label(launch: Launch, found: Complex) -> tuple[float, ...]:
    """What a mask launches into each label, to 1e-12 of the beam.

    Those of a target that launch the same are turned or mirror images of each other, whose light
    goes to the same parts of the facet.
    """
    powers: dict[str, float] = {}
    for mode, power in zip(launch.basis, (np.abs(found) ** 2).tolist(), strict=True):
        powers[mode.label] = powers.get(mode.label, 0.0) + power
    return tuple(round(power, 12) for power in powers.values())
