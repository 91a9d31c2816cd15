"""What the page shows of a mask's light: its pictures, and where the light goes."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from maskforge.launch.couplings import Launch
from maskforge.launch.light import Complex
from maskforge.launch.modulator import Levels
from maskforge.launch.noise_budget import Budget, budget_of, ledger_of
from maskforge.launch.targets import Target
from maskforge.report.page.thumbnails import Shot, camera_of, factors_of, shot_of


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
    camera, ledger = camera_of(launch), ledger_of(launch).single
    budgets: dict[tuple[object, ...], Budget] = {}

    def look(target: Target | None, states: Levels, found: Complex) -> Look:
        factors = factors_of(camera, states)
        shot = shot_of(camera, factors)
        if target is None:
            return Look(shot)
        key = target.name, *_powers_by_label(launch, found)
        if key not in budgets:
            budgets[key] = budget_of(ledger, target, factors, found, by_order=False)
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
