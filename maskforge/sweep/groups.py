"""What a device with several ports does to mode groups: roll-off, guard band, pairs for channels.

Levels are transmissions in dB; -inf where nothing arrives.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from maskforge.launch.basis import Basis
from maskforge.launch.light import Real
from maskforge.sweep.labels import isolation_db

ROLL_OFF_DB = 3.0


@dataclass(frozen=True)
class RollOff:
    """Where a port's transmission has fallen by ROLL_OFF_DB from its best group, as group numbers
    with fractions: toward `lower` and toward `higher` groups, None where it does not."""

    best: int
    lower: float | None
    higher: float | None


@dataclass(frozen=True)
class GroupPair:
    """Two channels: group `groups[k]` is launched for port `ports[k]` (indices).

    `isolation` in dB: the least of what each port gets of its own group over the other one, and of
    what each group sends to its own port over the others.  `loss` in dB of each; `delay` in s/m of
    the second channel after the first.
    """

    groups: tuple[int, int]
    ports: tuple[int, int]
    isolation: float
    loss: tuple[float, float]
    delay: float


def roll_off(groups: Sequence[int], levels: Real) -> RollOff:
    """Of one port, `levels` (groups,) in dB; linear in dB between neighbours of the list."""
    best = int(np.argmax(levels))
    limit = float(levels[best]) - ROLL_OFF_DB
    return RollOff(
        best=groups[best],
        lower=_crossing(groups[best::-1], levels[best::-1], limit),
        higher=_crossing(groups[best:], levels[best:], limit),
    )


def _crossing(groups: Sequence[int], levels: Real, limit: float) -> float | None:
    """Where the levels first fall to the limit, from one that is above it."""
    for at in range(1, len(groups)):
        above, below = float(levels[at - 1]), float(levels[at])
        if below <= limit:
            # nothing arriving in the next group: the fall is at the last one
            share = (above - limit) / (above - below)
            return groups[at - 1] + share * (groups[at] - groups[at - 1])
    return None


def isolations(shares: Real, own: NDArray[np.intp]) -> Real:
    """Port `own` (groups,) of each group over the strongest other one (..., groups) in dB; `shares`
    (..., groups, ports) are powers."""
    parts = [isolation_db(shares[..., at, :], int(port)) for at, port in enumerate(own)]
    return np.stack(parts, axis=-1)


def guard_band(groups: Sequence[int], isolation: Real, required: float) -> tuple[int, ...]:
    """The groups that no port separates by `required` dB from the others."""
    return tuple(g for g, own in zip(groups, isolation, strict=True) if not own >= required)


def pairs_of(
    groups: Sequence[int], levels: Real, delays: Real, required: float
) -> tuple[GroupPair, ...]:
    """The pairs of groups for two channels, the least worst-case loss first.

    `levels` (groups, ports) in dB, `delays` (groups,) in s/m.  Every isolation of a pair is at
    least `required` dB.
    """
    found = []
    ports = range(levels.shape[1])
    for a, b in permutations(ports, 2):
        for one in range(len(groups)):
            for other in range(one + 1, len(groups)):
                own = levels[one, a], levels[other, b]
                if not np.all(np.isfinite(own)):
                    continue
                crossed = (
                    own[0] - levels[other, a],
                    own[1] - levels[one, b],
                    own[0] - np.delete(levels[one], a).max(),
                    own[1] - np.delete(levels[other], b).max(),
                )
                if min(crossed) >= required:
                    found.append(
                        GroupPair(
                            groups=(groups[one], groups[other]),
                            ports=(a, b),
                            isolation=float(min(crossed)),
                            loss=(float(-own[0]), float(-own[1])),
                            delay=float(delays[other] - delays[one]),
                        )
                    )
    return tuple(sorted(found, key=lambda pair: (max(pair.loss), -pair.isolation, pair.groups)))


def group_delays(basis: Basis, groups: Sequence[int]) -> Real:
    """Mean delay (groups,) of each group's modes in s/m relative to LP01."""
    own: list[NDArray[np.float64]] = [
        np.array([mode.radial.delay for mode in basis if mode.group == group]) for group in groups
    ]
    return np.array([delays.mean() for delays in own])
