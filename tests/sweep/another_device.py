"""A second program that makes readings of a device: unitary mixing, mode by mode.

Nothing of the package's simulation or de-embedding is in it.  A launch with couplings c passes
W = (port amplitudes) (mixing) (mode-dependent loss) (mixing); power at a port is |W c|^2.  Mixing
is unitary: Haar's measure within each group (Mezzadri, Notices AMS 54, 592, 2007), and exp(i H)
between groups, H scaled until the wanted share of a mode's power leaves its group.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm, qr
from scipy.optimize import brentq

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class MixingDevice:
    """`ports`: what takes c (K,) to the fields at each port, (K, K) each."""

    ports: tuple[Complex, ...]

    def powers(self, couplings: Complex) -> Real:
        """(launches, ports)."""
        return np.stack(
            [np.sum(np.abs(couplings @ port.T) ** 2, axis=1) for port in self.ports], axis=1
        )

    def passed(self) -> Real:
        """Of each mode (K, ports), launched alone."""
        return np.stack([np.sum(np.abs(port) ** 2, axis=0) for port in self.ports], axis=1)


def mixing_device(
    groups: NDArray[np.intp], *, between: float, loss_db: float, seed: int, steepness: float = 1.5
) -> MixingDevice:
    """A splitter: port A keeps the low groups, port B the high ones, a factor of 10 in `steepness`
    groups.  `loss_db`: standard deviation of the modes' losses."""
    chance = np.random.default_rng([11, seed])
    ratio = 10 ** ((groups - (groups.min() + groups.max()) / 2) / steepness)
    split = 0.8 * np.stack([1 / (1 + ratio), ratio / (1 + ratio)])
    parts = []
    for _ in range(2):
        parts += [_within(groups, chance), _between(groups, between / 2, chance)]
    loss = np.diag(10 ** (-np.abs(loss_db * chance.standard_normal(groups.size)) / 20))
    way = parts[3] @ parts[2] @ loss @ parts[1] @ parts[0]
    return MixingDevice(tuple(np.sqrt(share)[:, None] * way for share in split))


def _within(groups: NDArray[np.intp], chance: np.random.Generator) -> Complex:
    out = np.zeros((groups.size, groups.size), complex)
    for group in np.unique(groups):
        own = np.flatnonzero(groups == group)
        q, r = qr(_normal(chance, own.size))
        out[np.ix_(own, own)] = q * (np.diag(r) / np.abs(np.diag(r)))
    return out


def _between(groups: NDArray[np.intp], share: float, chance: np.random.Generator) -> Complex:
    """exp(i s H) in which a mode leaves its group with `share` of its power, in the mean."""
    h = _normal(chance, groups.size)
    h = h + h.conj().T
    other = groups[:, None] != groups

    def left(scale: float) -> float:
        return float(np.mean(np.sum(np.abs(expm(1j * scale * h)) ** 2 * other, axis=0)) - share)

    most = 1.0 / np.sqrt(groups.size)
    return np.asarray(expm(1j * brentq(left, 0.0, most) * h))


def _normal(chance: np.random.Generator, count: int) -> Complex:
    real, imaginary = chance.standard_normal((2, count, count))
    return np.asarray(real + 1j * imaginary)
