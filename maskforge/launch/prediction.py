"""What couplings are worth for a target: purity, group purity, efficiency, and these in dB."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from maskforge.launch.basis import Counted, groups_of
from maskforge.launch.light import Complex
from maskforge.launch.targets import Target


@dataclass(frozen=True, eq=False)
class Prediction:
    """What a mask launches: couplings (K,), purity, group purity and efficiency; see `judged`.

    Behind a device its figures are those of the `outputs` (J,), the couplings the launch's own.
    """

    couplings: Complex
    purity: float
    group_purity: float
    efficiency: float
    outputs: Complex | None = None


def judged(ends: Sequence[Counted], target: Target, found: Complex) -> Prediction:
    """Purity |<t, c>|^2 / sum of |c_k|^2, group purity (the sum over the groups that the target
    has modes of, instead) and efficiency |<t, c>|^2 of couplings c (K,), t the target's vector over
    the same modes or outputs."""
    wanted = float(np.abs(np.vdot(target.vector, found)) ** 2)
    power = np.abs(found) ** 2
    total = float(power.sum())
    groups = groups_of(ends)
    own = np.isin(groups, groups[np.abs(target.vector) > 1e-9])
    if total == 0.0:
        return Prediction(found, 0.0, 0.0, 0.0)
    return Prediction(found, wanted / total, float(power[own].sum()) / total, wanted)


def unwanted_db(purity: float) -> float:
    """Unwanted power in dB below the target: -10 log10((1 - purity) / purity)."""
    if purity <= 0.0:
        return -np.inf
    return float(10 * np.log10(purity) - 10 * np.log10(1 - purity)) if purity < 1 else np.inf


def insertion_loss_db(efficiency: float) -> float:
    """-10 log10 of the efficiency."""
    return float(-10 * np.log10(efficiency)) if efficiency > 0 else np.inf
