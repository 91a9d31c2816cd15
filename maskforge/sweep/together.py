"""What labels do together at a port, which the readings do not tell: drawn for an assumed mixing.

A fibre and a device that move a little of each mode's light into others take a port's response
from D, what each mode passes, to D + i(DH - HD) in first order, with H Hermitian.  Between modes
of different labels that is light which no de-embedding by labels knows of.  H is drawn at random
(a sum of RANK dyads with random signs), so strong that a share `between` of a mode's power goes
to other groups; within a group, whose modes mix whatever one does, modes pass alike but for a
relative spread `within`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maskforge.launch.light import Complex, Real

BETWEEN = 0.2
"""Of a mode's power, what goes to other groups on its way; common practice, no source.
In simulated devices that move a tenth, with losses by mode of 1 dB, the intervals then hold the
truth in 97 % of cases, in those that move 2 % in 98 to 99 %."""

WITHIN = 0.4
"""Relative spread of the transmission of a group's modes, 2 dB; common practice, no source."""

RANK = 8
"""Dyads of a drawn matrix: its elements are then next to normal."""


@dataclass(frozen=True)
class Mixing:
    """Shares that are assumed: `between` groups of a mode's power, `within` a group as a spread."""

    between: float = BETWEEN
    within: float = WITHIN


@dataclass(frozen=True, eq=False)
class Together:
    """Couplings (masks, K) of launches; of each mode its `label` and `group` as numbers from 0."""

    couplings: Complex
    label: NDArray[np.intp]
    group: NDArray[np.intp]

    def drawn(self, passed: Real, mixing: Mixing, chance: np.random.Generator) -> Real:
        """Power (masks, ports), a share of the beam's, of one draw; `passed` (K, ports): of each
        mode what arrives."""
        modes = self.couplings.shape[1]
        groups = _ones(self.group)
        mean = (groups.T @ passed) / groups.sum(axis=0)[:, None]
        size = groups.sum(axis=0)[self.group]
        others = np.maximum(modes - size, 1)
        between = np.sqrt(mixing.between / others)
        within = mixing.within / np.sqrt(groups.sum(axis=0))
        of_label, label_group = _ones(self.label), self._group_of_label()
        out: Real = np.zeros((len(self.couplings), passed.shape[1]))
        for sign in chance.choice([-1.0, 1.0], RANK) / np.sqrt(RANK):
            dyad = _normal(chance, modes)
            # by label, summed to groups: what a label does with itself is among the unknowns
            parts = (self.couplings * dyad.conj()) @ of_label
            sums = parts @ label_group
            # of a pair of groups the one is lit by the other, hence no term of a group alone
            wave = (self.couplings * (dyad.conj() * np.sqrt(between))) @ groups
            total = wave.sum(axis=1, keepdims=True)
            alone = np.abs(parts) ** 2 @ label_group
            inside = (np.abs(sums) ** 2 - alone) * within
            out += sign * (2 * np.imag((wave @ mean).conj() * total) + inside @ mean)
        return out

    def _group_of_label(self) -> Real:
        """1 (labels, groups) where a label is of a group."""
        return (_ones(self.label).T @ _ones(self.group) > 0).astype(float)


def _ones(number: NDArray[np.intp]) -> Real:
    """1 (K, numbers) where an element has a number."""
    return np.eye(int(number.max()) + 1)[number]


def _normal(chance: np.random.Generator, count: int) -> Complex:
    """Complex normal numbers of unit variance."""
    real, imaginary = chance.standard_normal((2, count))
    return np.asarray((real + 1j * imaginary) / np.sqrt(2))
