"""What the states of several scenarios add up to, against every state of every pixel."""

import math
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from maskforge.launch.modulator import table
from maskforge.methods.states_for_all import MANY, Palette

Complex = NDArray[np.complex128]

SHARES = (1.0, 0.97, 1.04)
"""Of the panel's phases, that three wavelengths see."""


@lru_cache(maxsize=8)
def palette_of_levels(count: int, depth: float = 2 * math.pi) -> Palette:
    """`count` even steps up to `depth` rad, at three wavelengths."""
    phases = depth * np.arange(count) / count
    alphabets = [table(list(range(count)), list(share * phases)) for share in SHARES]
    return Palette(alphabets[0], np.stack([alphabet.values for alphabet in alphabets]))


def every_state(palette: Palette, backs: Complex) -> float:
    """Sum over pixels of the largest of all states' gains; backs (n, pixels)."""
    return float(np.real(backs.conj().T @ palette.values).max(axis=1).sum())


def most_added(palette: Palette, backs: Complex) -> float:
    """By how much the bound may lie above the best state of all.

    Between two states that are looked at, d rad apart, a sum of cosines of the phase rises above
    both by at most d^2/8 of its second derivative, the remainder of linear interpolation.
    """
    stride = -(-palette.alphabet.size // MANY)
    steps = np.angle(palette.values[:, 1] / palette.values[:, 0])
    return float(((stride * steps) ** 2 / 8) @ np.abs(backs).sum(axis=1))


@pytest.mark.parametrize("count", [1500, 4096, 4097, 65536])
@pytest.mark.parametrize("depth", [2 * math.pi, 3.0])
def test_the_bound_where_the_best_state_is_not_looked_at(count: int, depth: float) -> None:
    """Every pixel asks for one state, in all scenarios, and for every state there is such a pixel.

    Midway between two states that are looked at, d rad apart, the best one is above both by
    1 - cos(d/2), d^2/8 but for d^4/384: with any less room the sum would be no bound.
    """
    palette = palette_of_levels(count, depth)
    wanted = np.arange(1, count, max(1, count // 3000))
    backs = palette.values[:, wanted]
    # the state asked for gains 1 in each of the scenarios, and none gains more
    best = float(len(SHARES) * wanted.size)
    if count <= 4097:
        assert every_state(palette, backs) == pytest.approx(best, rel=1e-13)
    bound = palette.highest(list(backs))
    assert bound >= best * (1 - 1e-13)
    assert bound <= best + most_added(palette, backs)

    # the pixels alone whose states lie midway: nothing of the room is left over
    stride = -(-count // MANY)
    middle = np.arange(stride // 2, count - stride, stride)
    backs = palette.values[:, middle]
    best = float(len(SHARES) * middle.size)
    bound = palette.highest(list(backs))
    assert bound >= best * (1 - 1e-13)
    if stride % 2 == 0:
        assert bound - best < 1e-3 * most_added(palette, backs)


@settings(max_examples=30, deadline=None)
@given(
    count=st.sampled_from([2, 9, 700, 1024, 1025, 1500, 2048, 3000]),
    alike=st.floats(0.0, 1.0),
    seed=st.integers(0, 2**31),
)
def test_the_bound_is_above_every_state(count: int, alike: float, seed: int) -> None:
    """Whatever the scenarios ask for: never below the best of all states, exact up to MANY."""
    palette = palette_of_levels(count)
    rng = np.random.default_rng(seed)
    noise = rng.normal(size=(len(SHARES), 60)) + 1j * rng.normal(size=(len(SHARES), 60))
    asked = palette.values[:, rng.integers(0, count, 60)] * rng.random(60)
    backs = alike * asked + (1 - alike) * noise
    best, bound = every_state(palette, backs), palette.highest(list(backs))
    room = most_added(palette, backs) if count > MANY else 0.0
    slack = 1e-12 * np.abs(backs).sum()
    assert best - slack <= bound <= best + room + slack
