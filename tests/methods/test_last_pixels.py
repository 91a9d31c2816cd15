"""The last pixels: what a flip does, which pixels may flip, and that they bring the purity.

Common practice, no source: every statement is the definition, done again by plain sums.
"""

from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maskforge.launch.couplings import Launch, couplings, predict
from maskforge.launch.modulator import Carrier, binary, emitted, levels, table
from maskforge.launch.prediction import judged
from maskforge.launch.targets import lp_target
from maskforge.methods import single_pixels
from maskforge.methods.attempts import OwnLaunch
from maskforge.methods.draft import draft_of
from maskforge.methods.dual_function import complex_of, real_of, side_of
from maskforge.methods.flips import flipped
from maskforge.methods.last_pixels import refined, undecided
from maskforge.methods.problem import Problem
from maskforge.methods.simple import simple
from maskforge.methods.single_pixels import pixel_couplings, table_of
from tests.benches import MASK_WAIST, beam, on_parabola

ALPHABETS = {
    "binary": binary(),
    "4 levels": levels(4),
    "16 levels": levels(16),
    "table": table([0, 1, 2, 3, 4], [0.0, 1.2, 2.5, 3.7, 5.0], [1.0, 0.9, 0.8, 0.9, 1.0]),
}
CARRIERS = {"on axis": Carrier(), "carrier": Carrier(5.3, 0.6)}

SHAPE = 320, 280
"""With 67 pixels a waist, as on the gi50-1550 preset: their envelope hardly falls over the core."""

FAST = 1e-5
"""Relative: couplings in single precision, some hundred of them added."""

SQUARES = 1e-6
"""Of a squared length: a few roundings in single precision."""


@lru_cache(maxsize=8)
def bench(alphabet: str, carrier: str) -> Launch:
    return on_parabola(
        beam(1.8),
        groups=4,
        shape=SHAPE,
        pitch=MASK_WAIST / 67,
        alphabet=ALPHABETS[alphabet],
        carrier=CARRIERS[carrier],
        fill_factor=0.9,
    )


every_bench = pytest.mark.parametrize(
    ("alphabet", "carrier"), [(name, tilt) for name in ALPHABETS for tilt in CARRIERS]
)


# --- flips -----------------------------------------------------------------------------------


@settings(max_examples=150, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    changes=st.integers(1, 400),
    size=st.integers(1, 24),
    scale=st.floats(1e-3, 10),
    share=st.floats(0, 2),
)
def test_flips_never_lead_away(
    seed: int, changes: int, size: int, scale: float, share: float
) -> None:
    """The distance to the goal never grows, and falls where one change alone would shorten it."""
    rng = np.random.default_rng(seed)
    rest, goal = rng.normal(size=(2, size))
    matrix = (scale * rng.normal(size=(changes, size))).astype(np.float32)
    limit = share * float(np.linalg.norm(goal))
    done = flipped(rest, goal, matrix, limit)
    assert done.shape == (changes,)
    before = float(np.linalg.norm(rest - goal))
    # the sum of the changes made, nothing else, is where it ends
    ended = rest + matrix[done].astype(np.float64).sum(axis=0)
    after = float(np.linalg.norm(ended - goal))
    if np.linalg.norm(rest) <= limit:
        assert not done.any()
    # gains are squares in single precision, and of lengths such as `before`
    assert after**2 <= before**2 * (1 + SQUARES)
    alone = np.linalg.norm(rest - goal + matrix, axis=1).min()
    if np.linalg.norm(rest) > limit and alone**2 < before**2 * (1 - SQUARES):
        assert done.any()
        assert after**2 <= alone**2 + SQUARES * before**2


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**31), size=st.integers(2, 24))
def test_many_small_flips_get_anywhere(seed: int, size: int) -> None:
    """Two thousand changes a twentieth as long as the way, in all directions: within the limit."""
    rng = np.random.default_rng(seed)
    goal = np.zeros(size)
    rest = rng.normal(size=size)
    matrix = rng.normal(size=(2000, size))
    matrix *= 0.05 * np.linalg.norm(rest) / np.linalg.norm(matrix, axis=1)[:, None]
    limit = 0.1 * float(np.linalg.norm(rest))
    done = flipped(rest, goal, matrix.astype(np.float32), limit)
    assert np.linalg.norm(rest + matrix[done].sum(axis=0)) <= limit * (1 + FAST)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**31), size=st.integers(1, 12), even=st.booleans())
def test_directions_that_nothing_moves_in_change_nothing(seed: int, size: int, even: bool) -> None:
    """As half of them are where light and states are real; what is left there stays."""
    rng = np.random.default_rng(seed)
    rest, goal = rng.normal(size=(2, size))
    matrix = (0.2 * rng.normal(size=(200, size))).astype(np.float32)
    alone = flipped(rest, goal, matrix, 0.0, even=even)
    place = np.sort(rng.permutation(2 * size)[:size])
    wide, far, there = np.zeros((200, 2 * size), np.float32), np.ones(2 * size), np.zeros(2 * size)
    wide[:, place], far[place], there[place] = matrix, rest, goal
    done = flipped(far, there, wide, 0.0, even=even)
    ends = [np.linalg.norm(rest - goal + matrix[made].sum(axis=0)) for made in (alone, done)]
    # sums over more numbers round otherwise, so that ties may fall the other way
    assert ends[1] == pytest.approx(ends[0], abs=0.05 * np.linalg.norm(rest - goal))


# --- which pixels ----------------------------------------------------------------------------


@every_bench
def test_undecided_pixels_are_what_they_say(alphabet: str, carrier: str) -> None:
    """Cost: h(v) less what the other state gives; change: of the couplings, to the 1 % that single
    pixels are known to; no listed pixel is dearer, for what it moves, than one left out."""
    launch = bench(alphabet, carrier)
    values = launch.modulator.alphabet.values
    # of an even mode on the axis i times the field is real on the pixels, and two states show it
    back = draft_of(launch).back(1j * lp_target(launch.basis, "LP21", 20.0).vector)
    states = launch.modulator.alphabet.support(back)
    some = undecided(launch, back, states, 500, np.inf)
    assert len(set(some.pixels.tolist())) == some.pixels.size == 500
    v, now = back.ravel()[some.pixels], states.ravel()[some.pixels]
    assert np.all(some.other != now)
    best = np.max(np.real(np.conj(v)[:, None] * values), axis=1)
    costs = best - np.real(np.conj(v) * values[some.other])
    largest = float(np.abs(back).max())
    assert np.abs(some.cost - costs).max() < FAST * largest
    assert some.cost.min() >= -FAST * largest
    middle = couplings(launch, emitted(launch.modulator, states))
    for place in range(0, 500, 61):
        changed = states.copy()
        changed.ravel()[some.pixels[place]] = some.other[place]
        moved = real_of(couplings(launch, emitted(launch.modulator, changed)) - middle)
        assert np.linalg.norm(some.change[place] - moved) < 0.02 * np.linalg.norm(moved)


@every_bench
def test_a_changed_pixel_may_change_back(alphabet: str, carrier: str) -> None:
    """Its other state is then the supporting one, which costs less than nothing."""
    launch = bench(alphabet, carrier)
    back = draft_of(launch).back(1j * lp_target(launch.basis, "LP21", 20.0).vector)
    support = launch.modulator.alphabet.support(back)
    first = undecided(launch, back, support, 50, np.inf)
    states = support.copy()
    states.ravel()[first.pixels] = first.other
    again = undecided(launch, back, states, 50, np.inf)
    assert set(again.pixels.tolist()) == set(first.pixels.tolist())
    assert np.array_equal(again.other, support.ravel()[again.pixels])
    assert np.all(again.cost <= 0)


@every_bench
def test_couplings_of_a_single_pixel(alphabet: str, carrier: str) -> None:
    """All pixels dark but one, by the full model: the same to 1 % of what it couples."""
    launch = bench(alphabet, carrier)
    rng = np.random.default_rng(2)
    # darker ones than this are never chosen
    weight = table_of(launch).weight.ravel()
    pixels = rng.choice(np.flatnonzero(weight > weight.max() / 800), 40)
    near = pixel_couplings(launch, pixels)
    assert near.shape == (40, len(launch.basis))
    for pixel, found in zip(pixels, near, strict=True):
        lit = np.zeros(weight.size, dtype=complex)
        lit[pixel] = 1
        exact = couplings(launch, lit.reshape(SHAPE)) - launch.gaps
        assert np.linalg.norm(found - exact) < 0.01 * np.linalg.norm(exact)


@pytest.mark.parametrize("angle", [0.0, 33.0])
def test_what_is_rounding_is_zero(angle: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where light and states are real half of the directions are not moved in; rounding there would
    have squares below 1.2e-38, the least normal number in single precision (IEEE 754), and products
    of those take a hundred times as long."""
    launch = bench("binary", "on axis")
    assert launch.is_real
    monkeypatch.setattr(single_pixels, "MOST_KEPT", 0)
    target = lp_target(launch.basis, "LP21", angle)
    side = side_of(np.exp(1j * np.pi) * target.vector, 0.99)
    back = draft_of(launch).back(complex_of(side.target))
    states = launch.modulator.alphabet.support(back)
    change = undecided(launch, back, states, 2000, np.inf).change
    for numbers in (change, side.reduced(change)):
        most = np.abs(numbers).max(axis=0)
        assert np.count_nonzero(most) in (most.size // 2, most.size // 2 + 1)
        assert np.all((most == 0) | (most > 1e-7 * most.max()))


# --- all of it -------------------------------------------------------------------------------


@every_bench
def test_a_slightly_impure_mask_gets_pure(alphabet: str, carrier: str) -> None:
    """The simple mask with a few pixels wrong: purity as asked, by the full model."""
    launch = bench(alphabet, carrier)
    target = lp_target(launch.basis, "LP21", 20.0)
    back = draft_of(launch).back(target.vector)
    wrong = simple(Problem(launch, target)).states.copy()
    phase = np.angle(np.vdot(target.vector, couplings(launch, emitted(launch.modulator, wrong))))
    rng = np.random.default_rng(4)
    some = rng.integers(wrong.size, size=wrong.size // 50)
    wrong.ravel()[some] = rng.integers(launch.modulator.alphabet.size, size=some.size)
    before = predict(launch, target, emitted(launch.modulator, wrong))
    purity = 1 - 0.5 * (1 - before.purity)
    side = side_of(target.vector * np.exp(1j * phase), purity)
    back = draft_of(launch).back(complex_of(side.target))
    states, found = refined(
        OwnLaunch(launch, target), side, np.zeros(side.complement.shape[1]), back, wrong
    )
    after = predict(launch, target, emitted(launch.modulator, states))
    assert np.allclose(complex_of(found), after.couplings, rtol=0, atol=1e-12)
    assert judged(launch.basis, target, complex_of(found)).purity >= purity
    assert after.efficiency > 0.95 * before.efficiency


def test_a_pure_mask_stays() -> None:
    launch: Launch = bench("4 levels", "carrier")
    target = lp_target(launch.basis, "LP21", 20.0)
    pure = simple(Problem(launch, target)).states
    found = predict(launch, target, emitted(launch.modulator, pure))
    side = side_of(target.vector, 0.99 * found.purity)
    back = draft_of(launch).back(target.vector)
    states, _ = refined(
        OwnLaunch(launch, target), side, np.zeros(side.complement.shape[1]), back, pure
    )
    assert np.array_equal(states, pure)


def test_seeds_decide() -> None:
    """The same seed, the same states; numbers are drawn only where thousands of pixels change."""
    launch = bench("binary", "on axis")
    target = lp_target(launch.basis, "LP11", 20.0)
    side = side_of(target.vector, 0.9999)
    back = draft_of(launch).back(target.vector)
    states = launch.modulator.alphabet.support(back)
    origin = np.zeros(side.complement.shape[1])
    one, other = (
        refined(OwnLaunch(launch, target), side, origin, back, states, seed=3)[0] for _ in range(2)
    )
    assert np.array_equal(one, other)
