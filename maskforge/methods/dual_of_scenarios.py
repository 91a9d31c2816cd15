"""The side conditions of several scenarios at once: one target and one purity in each of them.

Every scenario i has its own couplings c_i; vectors stand one scenario after the other.  Maximising
the mean of Re<t_i, c_i> with |c_i - t_i<t_i, c_i>| <= kappa Re<t_i, c_i> in every scenario has, as
in `dual_function`, the dual in all scenarios' multipliers.  n times the mean is at most

    F(z) = sum over i of Re<mu_i, c0_i> + sum over pixels of max over states s of
           sum over i of Re(conj(v_i) s_i),     mu_i = (1 + kappa |z_i|) t_i - z_i

since the sum over i of Re<mu_i, c_i> is at most F for every mask, and Re<mu_i, c_i> at least
Re<t_i, c_i> for a pure one.  A state's factor s_i may differ from scenario to scenario.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

from maskforge.base.arrays import Array, namespace, on_host
from maskforge.methods.dual_function import Real, Side, smooth_length


def places(lengths: Sequence[int]) -> tuple[slice, ...]:
    """Where parts of these lengths stand, one after the other."""
    return tuple(slice(a, b) for a, b in pairwise(np.cumsum([0, *lengths]).tolist()))


@dataclass(frozen=True, eq=False)
class Sides:
    """As `dual_function.Side`, of several scenarios with one kappa; `each` is one scenario's."""

    each: tuple[Side, ...]

    @property
    def kappa(self) -> float:
        return self.each[0].kappa

    @cached_property
    def target(self) -> Real:
        return np.concatenate([side.target for side in self.each])

    @cached_property
    def blocks(self) -> tuple[slice, ...]:
        return places([side.complement.shape[1] for side in self.each])

    @cached_property
    def own(self) -> tuple[slice, ...]:
        """Where each scenario's couplings and multipliers stand."""
        return places([side.target.size for side in self.each])

    def with_kappa(self, kappa: float) -> "Sides":
        return Sides(tuple(side.with_kappa(kappa) for side in self.each))

    def turned(self, angle: Real) -> "Sides":
        """The same sides for each target times exp(i angle); angles (n,)."""
        return Sides(tuple(side.turned(a) for side, a in zip(self.each, angle, strict=True)))

    def multipliers(self, point: Real) -> Real:
        return np.concatenate([side.multipliers(z) for side, z in self._with(point)])

    def certificate(self, point: Real) -> Real:
        return np.concatenate([side.certificate(z) for side, z in self._with(point)])

    def outset(self, couplings: Real, length: float) -> Real:
        return np.concatenate([side.outset(c, length) for side, c in self._seen(couplings)])

    def outward(self, point: Real) -> Real:
        """Of each scenario z / |z|, shorter where the purity is met without more ado."""
        return np.concatenate([z / smooth_length(z) for _, z in self._with(point)])

    def reduced(self, changes: Array) -> Array:
        parts = [
            side.reduced(changes[:, own]) for side, own in zip(self.each, self.own, strict=True)
        ]
        return namespace(changes).concat(parts, axis=1)

    def split(self, couplings: Real) -> tuple[Real, Real, Real]:
        parts = [side.split(c) for side, c in self._seen(couplings)]
        rest, missed, wanted = (np.concatenate(part) for part in zip(*parts, strict=True))
        return rest, missed, wanted

    def turn(self, couplings: Real) -> Real:
        return np.concatenate([side.turn(c) for side, c in self._seen(couplings)])

    def gradient(self, point: Real, couplings: Real) -> Real:
        parts = zip(self._with(point), self._seen(couplings), strict=True)
        return np.concatenate([side.gradient(z, c) for (side, z), (_, c) in parts])

    def curvature(self, point: Real, couplings: Real, inner: Array) -> Real:
        inner = on_host(inner)
        slopes = [side.slope(z) for side, z in self._with(point)]
        along = list(zip(self.own, slopes, strict=True))
        lefts = np.concatenate([slope.T @ inner[own] for own, slope in along])
        out = np.concatenate([lefts[:, own] @ slope for own, slope in along], axis=1)
        parts = zip(self.blocks, self._with(point), self._seen(couplings), strict=True)
        for block, (side, z), (_, c) in parts:
            out[block, block] += side.cone(z, c)
        return out

    def _with(self, point: Real) -> Iterator[tuple[Side, Real]]:
        for side, block in zip(self.each, self.blocks, strict=True):
            yield side, point[block]

    def _seen(self, couplings: Real) -> Iterator[tuple[Side, Real]]:
        for side, own in zip(self.each, self.own, strict=True):
            yield side, couplings[own]
