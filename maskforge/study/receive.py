"""The same masks the other way round: light from the fibre, single-mode fibre at the beam.

By reciprocity what a mask sends from the beam into mode k is what it sends from mode k into the
single-mode fibre whose mode is the beam: the launch matrix transposed (Landau, Lifshitz and
Pitaevskii, Electrodynamics of Continuous Media, sec. 89; Haus, Waves and Fields in Optoelectronics,
1984, ch. 3; citations from memory).  Behind a device light enters its outputs.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from maskforge.launch.basis import Basis, mode_name
from maskforge.launch.light import Complex, Real
from maskforge.launch.passage import Passage
from maskforge.launch.prediction import insertion_loss_db, unwanted_db
from maskforge.launch.targets import Target
from maskforge.sets.manifest import Record

OWN_POWER = 1e-9
"""Amplitude of a target in a mode from which on the mode is one of its own."""


@dataclass(frozen=True)
class Received:
    """What the single-mode fibre gets behind a mask, of unit power in each mode, or output.

    `names` of what light comes from, and `powers`: the mask's row of the launch matrix.  `own`: of
    light in the target, that is in its complex conjugate.  `worst`: the mode outside the target of
    which it gets most, and that power; `others`: the sum over all light that is not in the target.
    """

    mask: Record
    names: tuple[str, ...]
    powers: tuple[float, ...]
    own: float
    worst: str
    worst_power: float
    others: float

    @property
    def loss_db(self) -> float:
        """Of light in the target."""
        return insertion_loss_db(self.own)

    @property
    def crosstalk_db(self) -> float:
        """The worst mode against the target, each of the same power; infinite below for none."""
        return _ratio_db(self.worst_power, self.own)

    @property
    def all_crosstalk_db(self) -> float:
        """All other modes together against the target, each of the same power, incoherent."""
        total = self.own + self.others
        return -unwanted_db(self.own / total) if total else 0.0


def ends_of(basis: Basis, passage: Passage | None) -> tuple[str, ...]:
    """What light comes from: the guided modes, or a device's outputs."""
    if passage is None:
        return tuple(mode_name(mode) for mode in basis)
    return tuple(one.name for one in passage.outputs)


def received(mask: Record, target: Target, found: Complex, names: Sequence[str]) -> Received:
    """Of a mask's couplings to ends (J,) of these names; `target` over the same."""
    powers: Real = np.abs(found) ** 2
    own = float(np.abs(np.vdot(target.vector, found)) ** 2)
    inside = np.abs(target.vector) > OWN_POWER
    # what is in the target's own modes, but otherwise
    rest = max(float(powers[inside].sum()) - own, 0.0)
    outside = np.where(inside, 0.0, powers)
    worst = int(np.argmax(outside))
    name, power = names[worst], float(outside[worst])
    if rest > power:
        name, power = f"{mask.target} otherwise", rest
    others = max(float(powers.sum()) - own, 0.0)
    return Received(mask, tuple(names), tuple(powers.tolist()), own, name, power, others)


def _ratio_db(power: float, own: float) -> float:
    if own <= 0:
        return np.inf
    return float(10 * np.log10(power / own)) if power > 0 else -np.inf
