"""What changing single pixels does where neighbours blur into each other.

With crosstalk a pixel that changes state takes its neighbours' phases along, by how much is not
linear in the change, and depends on what they show.  Modes and light vary slowly from a pixel to
the next, but for the carrier, so that all of that is as if the pixel's own factor moved by
something else.
"""

import math

import numpy as np

from maskforge.base.arrays import Array, angle, beside, blurred, flat, namespace, phasors, picked
from maskforge.launch.couplings import Launch, single_values
from maskforge.methods.single_pixels import table_of

REACH = 4.0
"""Widths of the blur: none of it is farther away."""

LEAST = 2e-3
"""Of a change: neighbours which take less of it are left out."""


def moves(launch: Launch, states: Array, pixels: Array, others: Array) -> Array:
    """By how much the factors of pixels (m,) of a mask of `states` seem to move, each by itself, to
    states `others` (m,)."""
    xp, modulator = namespace(states), launch.modulator
    values = beside(single_values(launch), states)
    old, new = picked(values, picked(flat(states), pixels)), picked(values, others)
    if modulator.crosstalk == 0.0:
        return new - old
    shown = picked(values, states)
    phases, light = flat(blurred(_phase(shown), modulator.crosstalk)), table_of(launch).light
    # what each pixel sends now; a neighbour's change turns that
    sent = flat(xp.abs(shown)) * phasors(phases) * light
    step, turns = _phase(new) - _phase(old), dict[float, Array]()
    rows, columns = modulator.states_shape
    row, column = pixels // columns, pixels % columns
    own = picked(light, pixels)
    found = xp.zeros_like(own)
    for dy, dx, share in _neighbours(modulator.crosstalk):
        y, x = row + dy, column + dx
        inside = (y >= 0) & (y < rows) & (x >= 0) & (x < columns)
        there = xp.where(inside, y * columns + x, pixels)
        if share not in turns:
            turns[share] = phasors(share * step)
        moved = picked(sent, there) * (turns[share] - 1)
        found = found + xp.where(inside, moved, xp.zeros_like(moved))
        if dy == dx == 0:
            # its own amplitude changes as well
            brighter = (xp.abs(new) - xp.abs(old)) * phasors(picked(phases, pixels)) * turns[share]
            found = found + brighter * own
    return found / xp.where(own == 0, xp.ones_like(own), own)


def _phase(values: Array) -> Array:
    """rad, from 0 on, as the panel shows them."""
    return namespace(values).remainder(angle(values), 2 * np.pi)


def _neighbours(width: float) -> list[tuple[int, int, float]]:
    """(rows up, columns right, share of a change) of the neighbours that a blur reaches."""
    reach = math.ceil(REACH * width)
    one = np.zeros((2 * reach + 1, 2 * reach + 1))
    one[reach, reach] = 1.0
    shares = blurred(one, width)
    up, right = np.nonzero(shares >= LEAST)
    return [
        (int(y) - reach, int(x) - reach, float(shares[y, x]))
        for y, x in zip(up, right, strict=True)
    ]
