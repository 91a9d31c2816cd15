"""What the page shows of a mask's light: its pictures, and where the light goes."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from maskforge.base.device import CPU
from maskforge.base.threads import in_turn
from maskforge.bench.ready import Prepared
from maskforge.launch.couplings import Launch, launch_target
from maskforge.launch.light import Complex
from maskforge.launch.modulator import Levels
from maskforge.launch.noise_budget import Budget, Ledger, budget_of, ledger_of
from maskforge.launch.targets import Target
from maskforge.report.page.thumbnails import Camera, Shot, camera_of, factors_of, shot_of
from maskforge.sets.designing import Finished
from maskforge.sets.writing import Leaf, leaf_of


@dataclass(frozen=True)
class Look:
    """A mask's pictures and noise budget; None where its target is not known."""

    shot: Shot
    budget: Budget | None = None


Looking = Callable[[Target | None, Levels, Complex], Look]
"""A mask's target, states (rows, columns) and couplings (K,) -> how it looks."""


def looking(launch: Launch) -> Looking:
    """What looks at the masks of a launch, one after the other.

    Images of a mask share its budget: see `_powers_by_label`.
    """
    return _looking(launch, camera_of(launch), ledger_of(launch).single)


def leaves_with_looks(
    ready: Prepared,
) -> Callable[[Iterable[Finished]], Iterator[tuple[Leaf, Look]]]:
    """What makes of each mask what its set holds and shows of it."""
    launch = ready.launch
    camera, ledger = camera_of(launch), ledger_of(launch).single

    def made(masks: Iterable[Finished]) -> Iterator[tuple[Leaf, Look]]:
        # what masks share must not depend on where other chains are designed
        look = _looking(launch, camera, ledger)

        def one(mask: Finished) -> tuple[Leaf, Look]:
            seen = look(mask.target, mask.design.states, mask.prediction.couplings)
            return leaf_of(launch.modulator, mask), seen

        # beside a GPU a core is free for them; one thread keeps their order
        return map(one, masks) if launch.setup.device == CPU else in_turn(one, masks, 1)

    return made


def _looking(launch: Launch, camera: Camera, ledger: Ledger) -> Looking:
    budgets: dict[tuple[object, ...], Budget] = {}

    def look(target: Target | None, states: Levels, found: Complex) -> Look:
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
    """What a mask launches into each label, to ten digits.

    Those of a target that launch the same are turned or mirror images of each other, whose light
    goes to the same parts of the facet.
    """
    powers: dict[str, float] = {}
    for mode, power in zip(launch.basis, (np.abs(found) ** 2).tolist(), strict=True):
        powers[mode.label] = powers.get(mode.label, 0.0) + power
    return tuple(float(f"{power:.9e}") for power in powers.values())
