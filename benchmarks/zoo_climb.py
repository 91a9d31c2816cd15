"""From multipliers to masks: pixels rounded together, then changed singly and in pairs.

See `zoo_attack`; a corner is its place in `Field.corners`.
"""

import numpy as np
from numpy.typing import NDArray
from zoo_phases import CORNERS, LAST_WIDTHS, scale_of
from zoo_relaxed import Complex, Field, Index, Real, directions, multipliers, shares

DECIDED = 0.98
"""Share of a corner above which a pixel takes it."""

OPTIONS = 3
"""Corners that such a pixel chooses from."""

COSTLY = 2.0
"""What a corner costs the relaxed mask, times the pixel's weight, against the error squared."""

WEAK = 0.01
"""Of the strongest pixel's weight: a weaker one is not worth trying."""

POOL, PAIRED = 6000, 1200
"""Pixels that may change, and of them those of which pairs are tried."""

AT_ONCE, ROUNDS, PAIR_ROUNDS = 256, 3000, 40
PRICES = (1.5, 6.0, 30.0)
"""Of a lack of purity, in the multipliers' length: a higher one where it does not suffice."""

TIED = 1e-12
"""A gain in the target's coupling as small as this is none."""


def rounded(field: Field, kappa: float, z: Real) -> Index:
    """Corners (P,) of a mask near the relaxed one."""
    v = directions(field, multipliers(z, kappa))
    if field.corners.size > CORNERS:
        # so fine that the supporting corner alone comes close
        return supporting(v, field.corners)
    _, share = shares(v, field.corners, LAST_WIDTHS[-1] * scale_of(field))
    return balanced(field, v, share)


def supporting(v: Complex, corners: Complex) -> Index:
    """The corner of largest Re(conj(v) s); it changes along the normals of the hull's edges."""
    normals = np.angle(-1j * (np.roll(corners, -1) - corners))
    order = np.argsort(normals)
    after = (order + 1) % corners.size
    return after[np.searchsorted(normals[order], np.angle(v), side="right") - 1]


def balanced(field: Field, v: Complex, share: Real) -> Index:
    """Corners (P,): of the undecided pixels, heaviest first, the one that keeps the error small."""
    wanted, weight = share @ field.corners, field.weight
    along = np.outer(v.real, field.corners.real) + np.outer(v.imag, field.corners.imag)
    order = np.argsort(along, axis=1)
    chosen = order[:, -1].copy()
    open_ = np.flatnonzero(share.max(axis=1) < DECIDED)
    fixed = np.setdiff1d(np.arange(v.size), open_)
    error = (field.corners[chosen[fixed]] - wanted[fixed]) @ field.rows[fixed]
    for pixel in open_[np.argsort(-weight[open_])]:
        options = order[pixel, -OPTIONS:]
        moved = np.outer(field.corners[options] - wanted[pixel], field.rows[pixel])
        sums = error + moved
        cost = weight[pixel] * (along[pixel, chosen[pixel]] - along[pixel, options])
        squares = np.einsum("ij,ij->i", sums, sums.conj()).real
        best = int(np.argmin(squares + COSTLY * cost))
        chosen[pixel], error = options[best], sums[best]
    return chosen


def climbed(field: Field, kappa: float, z: Real, corners: Index, rng: np.random.Generator) -> Index:
    """Corners with single pixels and pairs changed while the merit grows."""
    best, most = corners, -np.inf
    length = float(np.linalg.norm(z))
    for price in PRICES:
        corners = _climbed(field, kappa, price * (1 + length), z, corners, rng)
        found = field.fixed + field.corners[corners] @ field.rows
        lack = float(np.linalg.norm(found[1:]) - kappa * np.abs(found[0]))
        if lack <= 0 and np.abs(found[0]) > most:
            best, most = corners, float(np.abs(found[0]))
        if lack <= 0 and price > PRICES[0]:
            break
    return best


def _climbed(
    field: Field, kappa: float, price: float, z: Real, corners: Index, rng: np.random.Generator
) -> Index:
    v = directions(field, multipliers(z, kappa))
    other = _others(field, v, corners, rng)
    moved = field.corners[other] - field.corners[corners]
    cost = -np.real(np.conj(v) * moved)
    reach = np.abs(moved) * field.weight
    rank = np.where(reach > WEAK * reach.max(), cost / np.maximum(reach, 1e-300), np.inf)
    pool = np.argsort(rank)[:POOL]
    changes = field.rows[pool] * moved[pool, None]
    found = field.fixed + field.corners[corners] @ field.rows
    done = flips(changes, found, kappa, price)
    corners = corners.copy()
    corners[pool[done]] = other[pool[done]]
    return corners


def _others(field: Field, v: Complex, corners: Index, rng: np.random.Generator) -> Index:
    """For each pixel the corner to try: the better neighbour, or one some corners away."""
    size = field.corners.size
    far = max(1, size // 24)
    step = rng.integers(1, far + 1, corners.size)
    after, before = (corners + step) % size, (corners - step) % size
    gain = [np.real(np.conj(v) * field.corners[side]) for side in (after, before)]
    return np.where(gain[0] >= gain[1], after, before)


def _merit(found0: Real, rest: Real, kappa: float, price: float) -> Real:
    return np.asarray(found0 - price * np.maximum(rest - kappa * found0, 0))


def flips(changes: Complex, found: Complex, kappa: float, price: float) -> NDArray[np.bool_]:
    """Which changes (m, K) of the couplings `found` (K,) to make, greedily."""
    done = np.zeros(len(changes), dtype=bool)
    signed = changes.copy()
    squares = np.einsum("ij,ij->i", changes[:, 1:], changes[:, 1:].conj()).real
    pairs = 0
    for _ in range(ROUNDS):
        now = float(_merit(np.abs(found[0]), np.linalg.norm(found[1:]), kappa, price))
        missed = float(np.linalg.norm(found[1:]) ** 2)
        rest = missed + 2 * np.real(signed[:, 1:] @ found[1:].conj()) + squares
        wanted = np.abs(found[0] + signed[:, 0])
        merit = _merit(wanted, np.sqrt(np.maximum(rest, 0)), kappa, price)
        some = np.argpartition(-merit, min(PAIRED, merit.size) - 1)[:PAIRED]
        some = some[np.argsort(-merit[some])]
        if merit[some[0]] > now + TIED:
            made = _prefix(signed, some[:AT_ONCE], found, kappa, price)
        elif pairs < PAIR_ROUNDS:
            pairs += 1
            made = _pair(signed[some], found, kappa, price, now)
            if made.size == 0:
                break
            made = some[made]
        else:
            break
        found = found + signed[made].sum(axis=0)
        done[made] ^= True
        signed[made] *= -1
    return done


def _prefix(signed: Complex, order: Index, found: Complex, kappa: float, price: float) -> Index:
    """As many of the best changes as still gain together."""
    paths = found + np.cumsum(signed[order], axis=0)
    merit = _merit(np.abs(paths[:, 0]), np.linalg.norm(paths[:, 1:], axis=1), kappa, price)
    return order[: int(np.argmax(merit)) + 1]


def _pair(some: Complex, found: Complex, kappa: float, price: float, now: float) -> Index:
    """The two changes that gain most together; empty where none do."""
    rest = some[:, 1:]
    single = 2 * np.real(rest @ found[1:].conj()) + np.einsum("ij,ij->i", rest, rest.conj()).real
    missed = float(np.linalg.norm(found[1:]) ** 2)
    both = missed + single + single[:, None] + 2 * np.real(rest @ rest.conj().T)
    wanted = np.abs(found[0] + some[:, 0] + some[:, 0][:, None])
    merit = _merit(wanted, np.sqrt(np.maximum(both, 0)), kappa, price)
    np.fill_diagonal(merit, -np.inf)
    top = int(np.argmax(merit))
    if merit.ravel()[top] <= now + TIED:
        return np.zeros(0, dtype=np.intp)
    return np.array(np.unravel_index(top, merit.shape), dtype=np.intp)
