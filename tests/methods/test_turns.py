"""Sums of supports at all turns, and smoothed maxima over corners: against the sums themselves.

Every expected value is a direct sum or a finite difference; the laws are those of support functions
(Rockafellar, Convex Analysis, sec. 13) and of log-sum-exp (Boyd and Vandenberghe, sec. 3.1.5).
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maskforge.launch.modulator import binary, levels
from maskforge.methods.polygon_blocks import CornerModel
from maskforge.methods.turns import at_all_turns, directions, histogram, limits, shares_around

STEPS = 720


def supports(values: np.ndarray) -> np.ndarray:
    return np.real(np.conj(directions(STEPS))[:, None] * values).max(axis=1)


@pytest.mark.parametrize("values", [binary(2.5).values, levels(5, 4.4).values])
def test_a_histogram_is_never_below_the_sum_and_hardly_above(values: np.ndarray) -> None:
    rng = np.random.default_rng(3)
    pixels = rng.normal(size=500) + 1j * rng.normal(size=500)
    found = at_all_turns(histogram(pixels, STEPS), supports(values))
    for step in range(0, STEPS, 7):
        turned = pixels * np.exp(2j * math.pi * step / STEPS)
        exact = float(np.real(np.conj(turned)[:, None] * values).max(axis=1).sum())
        assert exact <= found[step] * (1 + 1e-12)
        assert found[step] == pytest.approx(exact, rel=1e-4)


def test_real_pixels_are_in_two_directions() -> None:
    pixels = np.array([2.0, -3.0, 0.0, 0.5])
    found = histogram(pixels, STEPS)
    assert found[0] == 2.5
    assert found[STEPS // 2] == 3.0
    assert found.sum() == 5.5
    assert histogram(pixels.astype(complex), STEPS) == pytest.approx(found, abs=1e-12)


@settings(max_examples=50, deadline=None)
@given(
    seed=st.integers(0, 2**31),
    place=st.floats(0, STEPS, exclude_max=True),
    lost=st.floats(0, 3),
    phase=st.floats(0, 2 * math.pi, exclude_max=True),
)
def test_limits_hold_at_every_phase(seed: int, place: float, lost: float, phase: float) -> None:
    """(|a| cos x - kappa |z|) |<t, c>| <= F for every c of the pixels, whatever its phase.

    A model of one target and one other mode, with random weights of the pixels.
    """
    rng = np.random.default_rng(seed)
    weights = rng.normal(size=(2, 40)) + 1j * rng.normal(size=(2, 40))
    values = levels(4, 4.0).values
    along = (1 + lost) * np.exp(2j * math.pi * place / STEPS)
    kappa = 0.7
    multipliers = np.array([along, lost / kappa])
    back = weights.conj().T @ multipliers
    proven = limits(at_all_turns(histogram(back, STEPS), supports(values)), place, 1 + lost, lost)
    # the mask that launches most at this phase, and random ones
    wanted = weights[0].conj() * np.exp(1j * phase)
    best = values[np.argmax(np.real(np.conj(wanted)[:, None] * values), axis=1)]
    for states in (best, *(rng.choice(values, size=40) for _ in range(20))):
        found = weights @ states
        if abs(found[1]) > kappa * abs(found[0]):
            continue
        cell = int(np.mod(np.angle(found[0]), 2 * math.pi) / (2 * math.pi / STEPS)) % STEPS
        assert abs(found[0]) <= proven[cell] * (1 + 1e-9)


def model(seed: int = 1) -> CornerModel:
    rng = np.random.default_rng(seed)
    back = rng.normal(size=(300, 6)) + 1j * rng.normal(size=(300, 6))
    real = np.hstack([back.real, -back.imag]).astype(np.float32)
    imag = np.hstack([back.imag, back.real]).astype(np.float32)
    corners = levels(7, 4.5).values.astype(np.complex64)
    return CornerModel(real, imag, corners, rng.normal(size=12))


def test_corners_without_smoothing_are_the_best_states() -> None:
    pixels = model()
    multipliers = np.random.default_rng(2).normal(size=12)
    back = (pixels.real + 1j * pixels.imag) @ multipliers
    exact = np.real(np.conj(back)[:, None] * pixels.corners).max(axis=1).sum()
    value, _ = pixels.value(multipliers, 1e-12)
    assert value == pytest.approx(exact + pixels.fixed @ multipliers, rel=1e-5)
    smooth, _ = pixels.value(multipliers, 0.3)
    assert 0 <= smooth - value <= 0.3 * math.log(7) * len(back)


@pytest.mark.parametrize("width", [1.0, 0.2])
def test_corners_slope_and_curvature_by_differences(width: float) -> None:
    pixels = model()
    rng = np.random.default_rng(4)
    multipliers, step = rng.normal(size=12), rng.normal(size=12)
    step *= 3e-2 / np.linalg.norm(step)
    (below, down), (above, up) = (
        pixels.value(multipliers + sign * step, width) for sign in (-1, 1)
    )
    _, slope = pixels.value(multipliers, width)
    assert (above - below) / 2 == pytest.approx(slope @ step, rel=2e-2, abs=1e-2)
    curvature = pixels.curvature(multipliers, width)
    change = (up - down) / 2
    # small curvatures are left out of the second derivative
    assert curvature @ step == pytest.approx(change, abs=0.1 * np.linalg.norm(change))
    assert np.linalg.eigvalsh(curvature).min() > -1e-3


def test_shares_of_the_angles_around_interpolate_a_cubic_wherever_the_turn_begins() -> None:
    angles = np.array([2.0, 6.2, 0.15, 0.4, 5.9])
    near = np.angle(np.exp(1j * angles))
    shares = shares_around(angles)
    assert set(shares) == {1, 2, 3, 4}
    assert sum(shares.values()) == pytest.approx(1)
    for power in (1, 2, 3):
        values = (near - 0.7) ** power
        assert sum(share * values[i] for i, share in shares.items()) == pytest.approx(
            (-0.7) ** power
        )


def test_nothing_is_guessed_where_one_side_has_no_solution() -> None:
    assert shares_around(np.array([0.1, 0.2, 3.0])) == {}
    assert shares_around(np.zeros(0)) == {}
    assert set(shares_around(np.array([0.1, 0.1, -0.1]))) == {0, 2}


def test_angles_next_to_each_other_do_not_throw_a_guess_far_away() -> None:
    shares = shares_around(np.array([0.5, 0.5001, -0.5, -0.6]))
    assert set(shares) == {0, 2}
    assert shares[0] == pytest.approx(0.5)
