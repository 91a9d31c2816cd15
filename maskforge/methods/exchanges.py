"""The very last pixels: changed one or two at a time, for as much light as the purity leaves.

What single changes cannot better two may: one wins light, the other makes its harm good.  Of a few
hundred changes all pairs are tried at once, since the length of the rest of the couplings after any
two of them follows from one table of their products.
"""

from functools import partial

import numpy as np
from numpy.typing import NDArray

from maskforge.base.arrays import Array, beside, on_host
from maskforge.launch.modulator import Levels
from maskforge.methods.dual_function import Conditions, FastReal, Real
from maskforge.methods.last_pixels import EXACT, SHORT, Pixels, refined, with_changes

FEW = 300
"""Changes of which all pairs are tried."""

ATTEMPTS = 3
"""From the first states, from what single changes found, and from more of these."""

ROUNDS = 4
"""Each begins with the full model's couplings."""

PURE = -1.0
"""The unwanted coupling allowed, as a multiple of itself; negative, as less is better."""

WON = 2e-4
"""Of the light: where a round wins less it is the last."""

STEPS = 200
"""Changes or pairs at most: each looks at all pairs anew."""

WITHIN = 1e-4
"""Of the unwanted coupling allowed: so much is left, as single pixels are not known exactly."""

ROUNDED = 1e-6
"""Of a squared length in single precision."""

PRICE = 0.02
"""Of the unwanted coupling allowed for light: what light counts while the purity is not got."""

LITTLE, HARDLY = 2e-6, 1e-4
"""Of the light, and of the unwanted coupling: what a step that is worth making gains."""


def decided(
    pixels: Pixels,
    side: Conditions,
    point: Real,
    back: Array,
    states: Array,
    bound: float,
    *,
    spare_share: float = 0.0,
    patient: bool = True,
    seed: int = 0,
) -> tuple[Levels, Real]:
    """What `last_pixels.refined` finds, and of a single launch with pairs changed, where that is
    not pure, or has less light than a `bound` of the target's coupling tells.

    Pairs are changed from the first states on, then from what was found; and where nothing is pure
    yet, from what changing ever more pixels finds.
    """

    single = partial(
        refined,
        pixels,
        side,
        point,
        back,
        states,
        spare_share=spare_share,
        patient=patient,
        seed=seed,
    )
    first = single()
    if len(side.blocks) > 1:
        return first
    best, kept = first, _judged(side, first[1])
    for attempt in range(ATTEMPTS):
        if kept >= (PURE, (1 - SHORT) * bound) or (attempt == ATTEMPTS - 1 and kept[0] == PURE):
            break
        if attempt == 0:
            start = on_host(states).astype(np.uint16), pixels.found(states)
        else:
            start = first if attempt == 1 else single(thorough=True)
        made = _in_pairs(pixels, side, back, *start)
        now = _judged(side, made[1])
        if now > kept:
            best, kept = made, now
    return best


def _in_pairs(
    pixels: Pixels, side: Conditions, back: Array, states: Levels, found: Real
) -> tuple[Levels, Real]:
    """The best that changing pairs finds."""
    best, kept = (states, found), _judged(side, found)
    there = beside(states.copy(), back)
    for _ in range(ROUNDS):
        some = pixels.undecided(back, there, FEW, np.inf, aside=True)
        made = exchanged(side, found, on_host(some.change))
        if not np.any(made):
            break
        there = with_changes(there, some, made)
        found = pixels.found(there)
        now = _judged(side, found)
        if now > kept:
            is_last = kept[0] == PURE and now[1] < kept[1] * (1 + WON)
            best, kept = (on_host(there).copy(), found), now
        else:
            is_last = now[0] == PURE
        if is_last:
            break
    return best


def _judged(side: Conditions, found: Real) -> tuple[float, float]:
    """(PURE, or less for what is not; the target's coupling): the better, the larger."""
    _, missed, wanted = side.split(found)
    allowed = side.kappa * float(wanted[0]) * EXACT
    return min(PURE, -float(missed[0]) / allowed), float(wanted[0])


def exchanged(side: Conditions, found: Real, changes: FastReal) -> NDArray[np.bool_]:
    """Which changes (m, 2 K) of the couplings `found` (2 K,) to make.

    Until the purity is got those that win most of it, then those that win most light and keep it.
    """
    side = side.turned(side.turn(found))
    aside = side.reduced(changes)
    along = (changes @ side.target.astype(np.float32)).astype(np.float32)
    rest, wanted = side.split(found)[0], float(side.target @ found)
    allowed = side.kappa * (1 - WITHIN)
    squares = np.einsum("ij,ij->i", aside, aside)
    products = 2 * (aside @ aside.T)
    sign = np.ones(len(changes), np.float32)
    one = np.arange(len(changes))
    for _ in range(STEPS):
        length = float(np.linalg.norm(rest))
        gains = sign * along
        light = gains[:, None] + gains
        light[one, one] = gains
        longer = 2 * sign * (aside @ rest.astype(np.float32)) + squares
        lengths = products + longer
        lengths += longer[:, None]
        lengths[one, one] = longer
        lengths += np.float32(length**2)
        if length > allowed * wanted:
            price = np.float32(allowed + PRICE * side.kappa)
            worth = price * light - np.sqrt(np.maximum(lengths, 0))
            enough = -length * (1 - HARDLY)
        else:
            limits = np.float32(allowed * (1 - ROUNDED)) * (np.float32(wanted) + light)
            worth = np.where(lengths <= limits**2, light, -np.inf)
            enough = LITTLE * wanted
        first, second = np.unravel_index(int(np.argmax(worth)), worth.shape)
        if not worth[first, second] > enough:
            break
        for place in {int(first), int(second)}:
            rest = rest + sign[place] * aside[place]
            wanted += float(gains[place])
            sign[place] *= -1
            products[place] *= -1
            products[:, place] *= -1
    return np.asarray(sign < 0)
