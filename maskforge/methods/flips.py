"""Of many small changes of the couplings those that bring them where they are wanted, greedily."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, beside, namespace, on_host, picked, replaced, smallest
from maskforge.methods.dual_function import FastReal, Real

PRICES = (0.05, 0.25)
"""Tolls for what a change shortens the residual by: those above wait until none below helps."""

ROUNDS = 300
MOST_AT_ONCE = 4096

SLIGHT = 3e-4
"""Of the squared length: a round that takes off less is the last one at its price."""

POOL = 512
"""Changes on a device that are tried on the host at a time: thousands of small steps are quicker
there, and with 1024 or 4096 of them what is left over is the same to a few per cent."""

EVEN_FLOOR = 1e-4
"""Of the mean square: directions that are moved less than this are as good as not moved at all."""


def flipped(
    rest: Real,
    goal: Real,
    changes: Array,
    limit: float | Real,
    *,
    blocks: Sequence[slice] = (slice(None),),
    even: bool = False,
    tolls: FastReal | None = None,
) -> NDArray[np.bool_]:
    """Which changes (m, n) bring `rest` (n,) nearer to `goal`, until it is shorter than `limit`.

    Of several `blocks` of the numbers, each has to be shorter than its own.
    Greedy: each round makes those that help most, as many at once as still help together.  With
    `even`, lengths are measured in what a change typically moves in each direction, so that one
    which few pixels can move counts for more; else the greedy search ends stuck in those.
    `tolls` (m,): what changes cost, as a share of the most that theirs can cost; dear ones wait.
    """
    metric = None
    if even:
        spread = on_host(changes.T @ changes).astype(np.float64) / changes.shape[0]
        spread += EVEN_FLOOR * np.trace(spread) / rest.size * np.eye(rest.size)
        metric = np.linalg.inv(np.linalg.cholesky(spread)).T.astype(np.float32)
    if tolls is None and not isinstance(changes, np.ndarray):
        return _greedy_there(rest - goal, goal, changes, metric, limit, blocks)[0]
    return _greedy(rest - goal, goal, on_host(changes), metric, limit, blocks, tolls)[0]


def _greedy(
    residual: Real,
    goal: Real,
    changes: FastReal,
    metric: FastReal | None,
    limit: float | Real,
    blocks: Sequence[slice],
    tolls: FastReal | None = None,
) -> tuple[NDArray[np.bool_], Real]:
    """(which changes to make, the residual they leave); see `flipped`.

    `metric` (n, n): of lengths, or None where they are as they are.
    """
    done = np.zeros(len(changes), dtype=bool)
    signed = changes.copy() if metric is None else changes @ metric
    squares = np.einsum("ij,ij->i", signed, signed)
    dear = [0.0] if tolls is None else [*(1 / price for price in PRICES), 0.0]
    toll = 0 * squares if tolls is None else 2 * np.float32(np.linalg.norm(residual)) * tolls
    for _ in range(ROUNDS):
        if _is_short(residual + goal, limit, blocks):
            break
        seen = residual if metric is None else residual @ metric
        cost = np.float32(dear[0]) * toll
        gain = 2 * (signed @ seen.astype(np.float32)) + squares + cost
        helpful = int(np.count_nonzero(gain < 0))
        if helpful == 0 and len(dear) > 1:
            del dear[0]
            continue
        if helpful == 0:
            break
        some = min(max(helpful // 4, 32), helpful, MOST_AT_ONCE)
        few = np.argpartition(gain, some - 1)[:some]
        order = few[np.argsort(gain[few])]
        paths = seen + np.cumsum(signed[order], axis=0, dtype=np.float64)
        lengths = np.einsum("ij,ij->i", paths, paths) + np.cumsum(cost[order])
        nearest = int(np.argmin(lengths))
        slight = lengths[nearest] > (1 - SLIGHT) * float(seen @ seen)
        if slight and len(dear) > 1:
            del dear[0]
            continue
        made = order[: nearest + 1]
        residual = residual + np.where(done[made], -1.0, 1.0) @ changes[made]
        done[made] ^= True
        signed[made] *= -1
        toll[made] *= -1
        if slight:
            break
    return done, residual


def _greedy_there(
    residual: Real,
    goal: Real,
    changes: Array,
    metric: FastReal | None,
    limit: float | Real,
    blocks: Sequence[slice],
) -> tuple[NDArray[np.bool_], Real]:
    """The same of changes on a device: the POOL of them that help most are tried on the host."""
    xp, count = namespace(changes), changes.shape[0]
    done = np.zeros(count, dtype=bool)
    signed = xp.asarray(changes, copy=True)
    if metric is not None:
        signed = changes @ beside(metric, changes)
    squares = xp.sum(signed * signed, axis=1)
    for _ in range(ROUNDS):
        if _is_short(residual + goal, limit, blocks):
            break
        seen = (residual if metric is None else residual @ metric).astype(np.float32)
        gain = 2 * (signed @ beside(seen, signed)) + squares
        pool = smallest(gain, min(POOL, count))
        ours, rows = on_host(pool), on_host(picked(changes, pool))
        rows = np.where(done[ours], np.float32(-1), np.float32(1))[:, None] * rows
        made, residual = _greedy(residual, goal, rows, metric, limit, blocks)
        if not np.any(made):
            break
        done[ours] ^= made
        turns = beside(np.where(made, np.float32(-1), np.float32(1)), signed)
        signed = replaced(signed, pool, turns[:, None] * picked(signed, pool))
    return done, residual


def _is_short(now: Real, limit: float | Real, blocks: Sequence[slice]) -> bool:
    """Whether every one of the blocks is shorter than its limit."""
    lengths = [math.sqrt(float(now[block] @ now[block])) for block in blocks]
    return bool(np.all(lengths <= np.asarray(limit)))
