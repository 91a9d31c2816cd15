"""Attempts on all pixels of several scenarios at once, as `attempts` makes them of one launch."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from maskforge.base.arrays import Array, flat, namespace, picked, single
from maskforge.launch.couplings import Launch, Scenario, couplings
from maskforge.launch.modulator import Complex, emitted
from maskforge.methods.coupling_matrix import quick_couplings
from maskforge.methods.draft import draft_of
from maskforge.methods.dual_function import Real, complex_of, real_of
from maskforge.methods.dual_of_scenarios import Sides
from maskforge.methods.last_pixels import Undecided, alternatives, changed, cheapest
from maskforge.methods.one_mask import worth_of
from maskforge.methods.search import Attempt
from maskforge.methods.single_pixels import table_of
from maskforge.methods.states_for_all import Palette

AIMS = ((0.0, False), (0.004, False), (0.015, False), (0.06, False), (0.25, False))
"""As in `dual`, finer: near the purest that can be had in all scenarios a little costs much."""


@dataclass(frozen=True, eq=False)
class AllLaunches:
    """What the search sees of all scenarios, the nominal one first."""

    scenarios: tuple[Scenario, ...]
    vectors: tuple[Complex, ...]
    """The target in each scenario's basis."""
    palette: Palette
    floor: float = -math.inf
    # costly pixels take half a minute of several scenarios, and seldom help
    aims: Sequence[tuple[float, bool]] = AIMS

    @property
    def launches(self) -> tuple[Launch, ...]:
        return tuple(scenario.launch for scenario in self.scenarios)

    def attempt(self, side: Sides, point: Real) -> Attempt:
        """The mask that supports the multipliers at a point, in single precision."""
        multipliers = side.multipliers(point)
        drafts = [draft_of(launch) for launch in self.launches]
        parts = [complex_of(multipliers[own]) for own in side.own]
        backs = self.palette.gathered(
            [draft.back(part) for draft, part in zip(drafts, parts, strict=True)]
        )
        states = self.palette.support(backs)
        found = np.concatenate([real_of(draft.couplings(states)) for draft in drafts])
        return Attempt(point, float(multipliers @ found), states, backs, found)

    def each(self, states: Array) -> list[Complex]:
        """Couplings in every scenario by the full model."""
        return [couplings(one, emitted(one.modulator, states)) for one in self.launches]

    def found(self, states: Array) -> Real:
        each = [quick_couplings(one, states) for one in self.launches]
        return np.concatenate([real_of(c) for c in each])

    def undecided(
        self, back: Array, states: Array, count: int, residual: float, *, aside: bool = False
    ) -> Undecided:
        """The pixels whose other state costs least for what it moves in all scenarios."""
        palette, xp = self.palette, namespace(back)
        first = palette.support(back)
        other = xp.where(states == first, self._other(back, first, aside), first)
        cost = palette.gain(back, states) - palette.gain(back, other)
        weight = xp.sqrt(sum(table_of(launch).weight ** 2 for launch in self.launches))
        pixels = cheapest(cost, weight, count, residual)
        new = picked(flat(other), pixels)
        changes = [changed(launch, states, pixels, new) for launch in self.launches]
        costs = single(picked(flat(cost), pixels))
        return Undecided(pixels, new, xp.concat(changes, axis=1), costs)

    def _other(self, back: Array, first: Array, aside: bool) -> Array:
        """The state to take instead of the supporting one, never the same."""
        palette = self.palette
        if palette.alphabet.size == 2:
            return 1 - first
        direction = palette.direction(back, first)
        other = alternatives(palette.alphabet, direction, aside=aside)
        xp = namespace(back)
        return xp.where(other == first, palette.alphabet.support(-direction), other)

    def shares(self, found: Sequence[Complex]) -> list[tuple[float, float]]:
        """(purity, efficiency) in every scenario."""
        out = []
        for vector, c in zip(self.vectors, found, strict=True):
            wanted = abs(np.vdot(vector, c)) ** 2
            out.append((float(wanted / max(np.sum(np.abs(c) ** 2), 1e-300)), float(wanted)))
        return out

    def purity(self, found: Real) -> float:
        """The worst scenario's."""
        return min(purity for purity, _ in self.shares(self._split(found)))

    def worth(self, found: Real, kappa: float) -> float:
        """The light, as `one_mask.worth_of` has it."""
        shares = self.shares(self._split(found))
        light = float(np.mean([efficiency for _, efficiency in shares]))
        return worth_of(light, min(purity for purity, _ in shares), 1 / (1 + kappa**2))

    def _split(self, found: Real) -> list[Complex]:
        ends = np.cumsum([2 * vector.size for vector in self.vectors])[:-1]
        return [complex_of(c) for c in np.split(found, ends)]
