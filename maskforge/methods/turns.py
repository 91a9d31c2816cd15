"""A sum of supports over many pixels, at all turns at once."""

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import (
    Array,
    angle,
    conj,
    constant,
    flat,
    is_real,
    namespace,
    picked,
    summed_by,
)
from maskforge.base.strips import row_parts
from maskforge.launch.modulator import Complex

Real = NDArray[np.float64]


ROUNDING = 1e-6
"""Steps: a phase that is a whole one but for rounding is that one on every machine."""

WIDEST = np.pi / 3
"""Phases so far apart that what lies between two solutions is no good guess."""

BESIDE = 2
"""Solutions on each side from which a guess is made.  With one each 28 phases were solved for
instead of 20 (on blocks of bench c of the zoo's known ones, a stroke of 250 degrees)."""

MOST_SHARE = 2.0
"""Angles next to each other have shares that only cancel: one on each side is then better."""


@lru_cache(maxsize=4)
def directions(steps: int) -> Complex:
    """`steps` unit directions around the full turn, from 0 on."""
    out = np.asarray(np.exp(2j * np.pi * np.arange(steps) / steps))
    out.flags.writeable = False
    return out


def histogram(values: Array, steps: int) -> Real:
    """|v| of all values by direction (steps,), each v split into its two neighbouring directions.

    v = |v| (sin(w - x) e1 + sin(x) e2) / sin(w), x its angle from e1 and w the step: a sublinear
    function of the values is no larger than of what is split.
    """
    if is_real(values):
        xp, values, out = namespace(values), flat(values), np.zeros(steps)
        none = xp.zeros_like(values)
        out[0] = float(xp.sum(xp.maximum(values, none)))
        out[steps // 2] = float(xp.sum(xp.maximum(-values, none)))
        return out
    return np.asarray(np.sum([_histogram(part, steps) for part in row_parts(values)], axis=0))


def _histogram(values: Array, steps: int) -> Real:
    """The same of complex values."""
    xp, step = namespace(values), 2 * np.pi / steps
    values = flat(values)
    index = xp.astype(xp.floor(angle(values) / step), xp.int64)
    # quicker than a remainder
    index = xp.where(index < 0, index + steps, index)
    aside = conj(picked(constant(directions(steps), values), index)) * values
    # |v| sin(x), |v| cos(x)
    upper, along = xp.imag(aside), xp.real(aside)
    upper = xp.astype(upper, xp.float64) / float(np.sin(step))
    lower = xp.astype(along, xp.float64) - upper * float(np.cos(step))
    none = xp.zeros_like(upper)
    lower, upper = (summed_by(index, xp.maximum(part, none), steps) for part in (lower, upper))
    return np.asarray(lower + np.roll(upper, 1))


def at_all_turns(weights: Real, supports: Real) -> Real:
    """Sum of weights (steps,) times supports (steps,) for every turn of the weights (steps,)."""
    product = np.conj(np.fft.rfft(weights)) * np.fft.rfft(supports)
    return np.asarray(np.fft.irfft(product, weights.size))


def limits(values: Real, place: float, along: float, lost: float) -> Real:
    """The bound (steps,) of |<t, c>| that multipliers prove for the phases of each step.

    `values` (steps,): F of the multipliers turned by 0, 1, ... steps; `along` = |<t, mu>|, whose
    phase lies at `place` (in steps); `lost` = kappa |z|.  Multipliers whose phase is x away from
    that of <t, c> prove (along cos x - lost) |<t, c>| <= F, here the better ones of those turned
    near to it and those not turned at all.  Negative where no mask is so pure.
    """
    steps = values.size
    step = 2 * np.pi / steps
    whole = int(np.floor(place + ROUNDING))
    turned = _over(np.roll(values, whole), along * np.cos(2 * step) - lost)
    # from a step's farther end to `place`
    away = np.abs(np.arange(steps) + 0.5 - place)
    away = np.minimum(away, steps - away) + 0.5
    near = away < steps / 4
    still = np.full(steps, np.inf)
    still[near] = _over(values[0], along * np.cos(step * away[near]) - lost)
    return np.asarray(np.minimum(turned, still))


def _over(values: Real, scales: Real) -> Real:
    positive = scales > 0
    return np.asarray(np.where(positive, values / np.where(positive, scales, 1), np.inf))


def shares_around(angles: Real) -> dict[int, float]:
    """By index the shares of those angles (rad) next to 0, on both sides, that interpolate there
    (Lagrange's polynomial); none where a side has no angle within WIDEST."""
    away = np.angle(np.exp(1j * angles))
    order = [int(i) for i in np.argsort(np.abs(away), kind="stable") if abs(away[i]) < WIDEST]
    sides = ([i for i in order if away[i] < 0], [i for i in order if away[i] > 0])
    if not all(sides):
        return {}
    some = [i for side in sides for i in side[:BESIDE]]
    if len(set(away[some].tolist())) == len(some):
        shares = _interpolating(away, some)
        if max(map(abs, shares.values())) < MOST_SHARE:
            return shares
    return _interpolating(away, [side[0] for side in sides])


def _interpolating(away: Real, some: Sequence[int]) -> dict[int, float]:
    return {
        i: float(np.prod([away[j] / (away[j] - away[i]) for j in some if j != i])) for i in some
    }
