"""What pixels can do: alphabets, quantising, gratings, crosstalk, placement."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.launch.modulator import (
    CONTINUOUS_LEVELS,
    Alphabet,
    Carrier,
    Modulator,
    binary,
    continuous,
    emitted,
    levels,
    table,
    values_of,
)
from maskforge.launch.panel import rendered
from tests.reference import optics_values as ref

Complex = NDArray[np.complex128]

ALPHABETS = {
    **{f"levels {n}": levels(n) for n in [*range(2, 18), 256]},
    **{f"levels {n} of 5 rad": levels(n, 5.0) for n in (2, 3, 8, 256)},
    **{f"levels {n} of 2 rad": levels(n, 2.0) for n in (2, 5, 256)},
    "levels 7 of 9 rad": levels(7, 9.0),
    "binary": binary(),
    "binary 160 deg": binary(math.radians(160)),
    "binary 40 deg": binary(math.radians(40)),
    "shutter": table([0, 1], [0, 0], [0.0, 1.0]),
    "three on a line": table([0, 5, 9], [0, 0, math.pi], [0.2, 0.9, 0.7]),
    "amplitude": table([3, 1, 4, 15, 9], [0.1, 1.4, 3.0, 4.1, 5.9], [1.0, 0.9, 0.2, 0.8, 0.6]),
    "inside": table([0, 1, 2, 3], [0.0, 2.1, 4.2, 1.0], [1.0, 1.0, 1.0, 0.1]),
}

amplitudes = st.lists(st.floats(0.05, 1.0), min_size=2, max_size=9)
phases = st.lists(st.floats(-7.0, 7.0), min_size=9, max_size=9)
angles = st.floats(-math.pi, math.pi)


def directions(seed: int, count: int = 500) -> Complex:
    rng = np.random.default_rng(seed)
    return rng.normal(size=count) + 1j * rng.normal(size=count)


def gap_to_best(alphabet: Alphabet, towards: Complex) -> float:
    """How much less than the best state's Re(conj(v) s) the supporting state gives, at most."""
    gains = np.real(np.conj(towards)[..., None] * alphabet.values)
    found = np.take_along_axis(gains, alphabet.support(towards)[..., None], -1)[..., 0]
    return float((gains.max(-1) - found).max())


@pytest.mark.parametrize("name", ALPHABETS)
def test_support_is_the_best_of_all_states(name: str) -> None:
    """Compared by value, since two states may be equally good; 1e-12 of rounding."""
    alphabet = ALPHABETS[name]
    assert gap_to_best(alphabet, directions(1)) < 1e-12
    exact = np.exp(1j * np.linspace(-math.pi, math.pi, 721))
    assert gap_to_best(alphabet, exact.reshape(7, 103)) < 1e-12


@settings(max_examples=100, deadline=None)
@given(amplitude=amplitudes, phase=phases, angle=angles)
def test_support_of_any_table(amplitude: list[float], phase: list[float], angle: float) -> None:
    count = len(amplitude)
    alphabet = table(range(count), phase[:count], amplitude)
    assert gap_to_best(alphabet, np.array([np.exp(1j * angle)])) < 1e-9


@pytest.mark.parametrize("count", [2, 3, 4, 7, 16, 256])
def test_runner_up_is_the_second_best_of_equal_steps(count: int) -> None:
    """By value; states of one amplitude and equal steps, where the nearer boundary decides."""
    alphabet, towards = levels(count), directions(4)
    gains = np.real(np.conj(towards)[:, None] * alphabet.values)
    found = np.take_along_axis(gains, alphabet.runner_up(towards)[:, None], -1)[:, 0]
    assert np.abs(found - np.sort(gains, axis=-1)[:, -2]).max() < 1e-12
    assert np.all(alphabet.runner_up(towards) != alphabet.support(towards))


def test_support_of_the_continuous_alphabet() -> None:
    """Never further than half a step of 2 pi/65536 from the wanted phase."""
    towards = directions(2)
    found = continuous().values[continuous().support(towards)]
    off = np.abs(np.angle(found * np.conj(towards)))
    assert off.max() < math.pi / CONTINUOUS_LEVELS * (1 + 1e-6)


@pytest.mark.parametrize("name", ALPHABETS)
def test_nearest_is_the_nearest_of_all_states(name: str) -> None:
    alphabet = ALPHABETS[name]
    wanted = 0.8 * directions(3).reshape(20, 25)
    distance = np.abs(wanted[..., None] - alphabet.values)
    found = np.take_along_axis(distance, alphabet.nearest(wanted)[..., None], -1)[..., 0]
    assert (found - distance.min(-1)).max() < 1e-12


@pytest.mark.parametrize("kind", [np.complex64, np.complex128])
@pytest.mark.parametrize("name", ALPHABETS)
def test_large_panels_get_the_states_of_small_ones(name: str, kind: type) -> None:
    """A few rows at a time; no state is worse than the best one by more than the precision of an
    angle."""
    rng, alphabet = np.random.default_rng(4), ALPHABETS[name]
    wanted = (rng.normal(size=(400, 401)) + 1j * rng.normal(size=(400, 401))).astype(kind)
    states, others = alphabet.support(wanted), alphabet.runner_up(wanted)
    assert np.array_equal(states.ravel(), alphabet.support(wanted.ravel()))
    assert np.array_equal(others.ravel(), alphabet.runner_up(wanted.ravel()))
    assert np.all(states != others)
    few = wanted.ravel()[:3000].astype(complex)
    best = np.real(np.conj(few)[:, None] * alphabet.values).max(axis=1)
    got = np.real(np.conj(few) * alphabet.values[states.ravel()[:3000]])
    assert np.max(best - got) < 8 * float(np.finfo(kind).eps) * np.abs(few).max()


@settings(max_examples=100, deadline=None)
@given(
    amplitude=amplitudes,
    phase=phases,
    wanted=st.complex_numbers(max_magnitude=2, allow_nan=False),
)
def test_nearest_of_any_table(amplitude: list[float], phase: list[float], wanted: complex) -> None:
    count = len(amplitude)
    alphabet = table(range(count), phase[:count], amplitude)
    found = alphabet.nearest(np.array([wanted]))[0]
    least = np.abs(wanted - alphabet.values).min()
    assert abs(wanted - alphabet.values[found]) <= least + 1e-9


@pytest.mark.parametrize("name", ALPHABETS)
def test_hull_and_line(name: str) -> None:
    """Every state lies on the inner side of each hull edge; a line has just its two ends."""
    alphabet = ALPHABETS[name]
    corners = alphabet.values[alphabet.hull]
    lines = {"levels 2", "levels 2 of 5 rad", "levels 2 of 2 rad", "binary", "binary 160 deg"}
    lines |= {"binary 40 deg", "shutter", "three on a line"}
    assert alphabet.is_line == (name in lines)
    if alphabet.is_line:
        assert len(corners) == 2
    edge = np.roll(corners, -1) - corners
    inward = np.imag(np.conj(edge)[:, None] * (alphabet.values - corners[:, None]))
    assert inward.min() > -1e-12


def orders(factors: Complex) -> NDArray[np.float64]:
    """Powers of the diffraction orders of one period, each sample a flat pixel of its width."""
    count = factors.size
    number = np.fft.fftfreq(count, 1 / count)
    powers = np.abs(np.fft.fft(factors) / count) ** 2 * np.sinc(number / count) ** 2
    return np.asarray(powers)


@pytest.mark.parametrize("count", ref.LEVELS_FIRST_ORDER)
def test_blazed_grating_of_levels(count: int) -> None:
    """First order sinc^2(1/N); Goodman and Silvestri 1970.  4 N samples, none on a boundary."""
    period = 4 * count
    ramp = np.exp(2j * math.pi * (np.arange(period) + 0.5) / period)
    alphabet = levels(count)
    found = orders(alphabet.values[alphabet.support(ramp)])
    assert found[1] == pytest.approx(ref.LEVELS_FIRST_ORDER[count], abs=1e-9)


@pytest.mark.parametrize("kind", [np.float32, np.float64, np.complex64, np.complex128])
@pytest.mark.parametrize("values", [(1.0, -1.0), (0.0, 1.0), (0.1, 0.7), (0.3, -0.9), (1, 0, -1)])
def test_values_of_states_are_the_values_to_the_last_bit(
    kind: type[np.inexact], values: tuple[float, ...]
) -> None:
    rng = np.random.default_rng(1)
    states = rng.integers(len(values), size=(7, 9)).astype(np.uint16)
    own = np.array(values).astype(kind)
    found = values_of(own, states)
    assert found.dtype == own.dtype
    assert np.array_equal(found, own[states])


def test_binary_depth() -> None:
    """(4/pi^2) sin^2(phi/2) in the first orders, cos^2(phi/2) in the zeroth; Goodman."""
    period = 64
    alphabet = binary(ref.BINARY_DEPTH)
    ramp = np.exp(2j * math.pi * (np.arange(period) + 0.5) / period)
    for turn in (1, 1j, np.exp(0.7j)):
        found = orders(alphabet.values[alphabet.support(turn * ramp)])
        assert (found[1], found[-1], found[0]) == pytest.approx(
            (ref.BINARY_DEPTH_ORDERS[0], *ref.BINARY_DEPTH_ORDERS), abs=1e-7
        )


def test_depth_of_a_blazed_grating() -> None:
    """Depth 0.9 of a wave: sinc^2(m - 0.9) in order m; 4096 steps for a smooth ramp, within
    (pi/4096)^2/3 of it."""
    found = orders(levels(4096, ref.BLAZED_SCALE * 2 * math.pi).values)
    assert (found[1], found[0]) == pytest.approx(ref.BLAZED_SCALE_ORDERS, abs=3e-7)


def test_levels_and_table_values() -> None:
    assert np.abs(levels(4).values - [1, 1j, -1, -1j]).max() < 1e-15
    assert np.abs(levels(2, math.pi).values - [1, 1j]).max() < 1e-15
    assert np.abs(binary(math.pi / 2).values - [1, 1j]).max() < 1e-15
    made = table([7, 300], [math.pi, 0.0], [0.5, 1.0])
    assert np.abs(made.values - [-0.5, 1.0]).max() < 1e-15
    assert made.greys.tolist() == [7, 300]
    assert (made.bits, levels(256).bits, levels(257).bits, continuous().bits) == (16, 8, 16, 16)


@pytest.mark.parametrize("kind", [levels(16), table([0, 1, 2], [0, 2.0, 4.0], [1.0, 0.7, 0.9])])
def test_crosstalk_keeps_a_flat_phase(kind: Alphabet) -> None:
    """A blur of a constant is the constant; amplitudes are not blurred."""
    modulator = Modulator((9, 12), 1e-5, kind, crosstalk=0.7)
    for state in range(kind.size):
        flat = np.full((9, 12), state)
        assert np.abs(emitted(modulator, flat) - kind.values[state]).max() < 1e-12


def test_crosstalk_blurs_a_phase_step() -> None:
    """The phase beside an edge is the step times the sampled Gaussian's sum over the higher side.

    Weights beyond 4 standard deviations are left out: 6e-5 of the step.
    """
    sigma, step = 0.8, 2 * math.pi * 3 / 8
    modulator = Modulator((5, 20), 1e-5, levels(8), crosstalk=sigma)
    states = np.zeros((5, 20), int)
    states[:, 10:] = 3
    weights = np.exp(-0.5 * (np.arange(-40, 41) / sigma) ** 2)
    weights /= weights.sum()
    found = np.angle(emitted(modulator, states))
    for column in range(20):
        share = weights[40 + 10 - column :].sum()
        assert found[:, column] == pytest.approx(np.full(5, step * share), abs=1e-4 * step)


def test_crosstalk_of_the_flyback() -> None:
    """From the last level to the first the phase runs back through all levels, not on by a step."""
    modulator = Modulator((3, 20), 1e-5, levels(16), crosstalk=0.8)
    states = np.zeros((3, 20), int)
    states[:, :10] = 15
    phase = np.mod(np.angle(emitted(modulator, states)[1]), 2 * math.pi)
    middle = phase[8:12]
    assert np.all(np.diff(middle) < 0)
    assert 0.5 * (phase[9] + phase[10]) == pytest.approx(math.pi * 15 / 16, abs=1e-3)


def test_without_crosstalk_the_values_stand() -> None:
    modulator = Modulator((2, 3), 1e-5, levels(8))
    states = np.array([[0, 1, 2], [3, 4, 7]])
    assert np.array_equal(emitted(modulator, states), levels(8).values[states])


def test_placement() -> None:
    """The mask is centred, or its top left pixel lies at (column, row)."""
    plain = Modulator((4, 6), 1e-5, binary())
    assert (plain.panel, plain.corner) == ((4, 6), (0, 0))
    centred = Modulator((4, 6), 1e-5, binary(), panel_shape=(10, 20))
    assert centred.corner == (3, 7)
    placed = Modulator((4, 6), 1e-5, binary(), panel_shape=(10, 20), at=(13, 1))
    assert placed.corner == (1, 13)
    alphabet = table([9, 200], [0, 3.0])
    odd = Modulator((2, 3), 1e-5, alphabet, panel_shape=(5, 6), at=(2, 1))
    picture = rendered(odd, np.array([[1, 0, 0], [0, 0, 1]]))
    wanted = np.full((5, 6), 9)
    wanted[1, 4] = wanted[2, 2] = 200
    assert picture.dtype == np.uint8
    assert np.array_equal(picture, wanted)
    wide = Modulator((1, 2), 1e-5, table([1000, 300], [0, 3.0]))
    assert rendered(wide, np.array([[0, 1]])).dtype == np.uint16


def test_tilted_light_sees_a_shorter_pitch_along_x() -> None:
    modulator = Modulator((2, 3), 1e-5, binary(), incidence=math.radians(60))
    assert modulator.pitch_seen == pytest.approx((5e-6, 1e-5), rel=1e-12)


def test_carrier() -> None:
    assert Carrier().frequency == (0.0, 0.0)
    assert Carrier(5.0, math.radians(30)).frequency == pytest.approx(
        (math.sqrt(3) / 10, 0.1), rel=1e-12
    )


def test_what_cannot_be() -> None:
    with pytest.raises(BenchError, match="at least 2 states, got 1"):
        table([0], [0.0])
    with pytest.raises(BenchError, match="2 states but 3 grey"):
        Alphabet("odd", np.array([1, -1 + 0j]), np.array([1, 2, 3], dtype=np.uint16))
    with pytest.raises(BenchError, match=r"amplitude of 1\.2: .*at most 1"):
        table([0, 1], [0, 1.0], [1.0, 1.2])
    with pytest.raises(BenchError, match="levels = 1: from 2 to 65536"):
        levels(1)
    with pytest.raises(BenchError, match="mask of 6 x 4 pixels at column 15, row 0 does not fit"):
        Modulator((4, 6), 1e-5, binary(), panel_shape=(10, 20), at=(15, 0))
    with pytest.raises(BenchError, match="panel of 5 x 4 pixels"):
        Modulator((4, 6), 1e-5, binary(), panel_shape=(4, 5))
    with pytest.raises(BenchError, match="flatness map has 4 x 6 pixels, the mask 6 x 4"):
        Modulator((4, 6), 1e-5, binary(), flatness=np.zeros((6, 4)))
