"""Of many small changes of the couplings those that bring them where they are wanted, greedily."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import (
    Array,
    beside,
    contiguous,
    is_cupy,
    namespace,
    on_host,
    smallest,
)
from maskforge.methods.dual_function import FastReal, Real

PRICES = (0.05, 0.25)
"""Tolls for what a change shortens the residual by: those above wait until none below helps."""

ROUNDS = 300
MOST_AT_ONCE = 4096

SLIGHT = 3e-4
"""Of the squared length: a round that takes off less is the last one at its price."""

LEAST = 32
"""Changes that are tried together, if so many help."""

POOL = 512
"""Changes on a device that are tried at a time, a power of two: with 1024 or 4096 of them what is
left over is the same to a few per cent."""

SLIGHT_OF_POOL = 3e-3
"""The same of a round among these: the next pool holds better ones.  What is left over in the end
is the same to a few per cent, after a third of the rounds."""

EVEN_FLOOR = 1e-4
"""Of the mean square: directions that are moved less than this are as good as not moved at all."""

STILL = 1e-12
"""Of the largest mean square: what rounding moves in a direction."""


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
    if is_cupy(changes) and changes.shape[0] >= POOL:
        return _greedy_on_gpu(rest - goal, goal, changes, metric, limit, blocks, tolls)[0]
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
    signed = changes if metric is None else changes @ metric
    # where light and states are real half of the directions are not moved in
    sizes = np.einsum("ij,ij->j", signed, signed)
    moved = np.flatnonzero(sizes > STILL * np.max(sizes))
    signed = signed[:, moved]
    squares = np.einsum("ij,ij->i", signed, signed)
    dear = [0.0] if tolls is None else [*(1 / price for price in PRICES), 0.0]
    toll = 0 * squares if tolls is None else 2 * np.float32(np.linalg.norm(residual)) * tolls
    for _ in range(ROUNDS):
        if _is_short(residual + goal, limit, blocks):
            break
        seen = (residual if metric is None else residual @ metric)[moved]
        cost = np.float32(dear[0]) * toll
        gain = 2 * (signed @ seen.astype(np.float32)) + squares + cost
        helpful = int(np.count_nonzero(gain < 0))
        if helpful == 0 and len(dear) > 1:
            del dear[0]
            continue
        if helpful == 0:
            break
        some = min(max(helpful // 4, LEAST), helpful, MOST_AT_ONCE)
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


def _greedy_on_gpu(
    residual: Real,
    goal: Real,
    changes: Array,
    metric: FastReal | None,
    limit: float | Real,
    blocks: Sequence[slice],
    tolls: FastReal | None = None,
) -> tuple[NDArray[np.bool_], Real]:
    """The same on a GPU: the POOL of them that help most are tried there."""
    from maskforge.base.kernels import greedy

    xp, n = namespace(changes), residual.size
    ends = np.array([block.indices(n)[:2] for block in blocks], np.int32)
    limits = np.broadcast_to(np.asarray(limit, float), len(blocks)).copy()
    aim, limits_there, ends_there = (beside(part, changes) for part in (goal, limits, ends))
    now, rows = beside(residual.copy(), changes), contiguous(changes)
    seen, seen_rows = now, rows
    if metric is not None:
        seen, seen_rows = beside(residual @ metric, changes), rows @ beside(metric, changes)
    squares = xp.sum(seen_rows * seen_rows, axis=1)
    signs, dear, toll = xp.ones_like(squares), [0.0], xp.zeros_like(squares)
    if tolls is not None:
        dear = [*(1 / price for price in PRICES), 0.0]
        toll = beside(2 * np.float32(np.linalg.norm(residual)) * tolls, changes)
    costs, length = dear[0] * toll, float(seen @ seen)
    for _ in range(ROUNDS):
        gain = signs * (2 * (seen_rows @ xp.astype(seen, xp.float32)) + costs) + squares
        before = length
        made, length = greedy(
            smallest(gain, POOL),
            rows,
            seen_rows,
            squares,
            costs,
            aim,
            limits_there,
            ends_there,
            signs,
            now,
            seen,
            rounds=ROUNDS,
            least=LEAST,
            slight=SLIGHT_OF_POOL,
        )
        if not made or length > (1 - SLIGHT) * before:
            if len(dear) == 1:
                break
            del dear[0]
            costs = dear[0] * toll
    return on_host(signs) < 0, on_host(now)


def _is_short(now: Real, limit: float | Real, blocks: Sequence[slice]) -> bool:
    """Whether every one of the blocks is shorter than its limit."""
    lengths = [math.sqrt(float(now[block] @ now[block])) for block in blocks]
    return bool(np.all(lengths <= np.asarray(limit)))
