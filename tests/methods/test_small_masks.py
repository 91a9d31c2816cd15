"""On few pixels: the couplings as one matrix, and what changing pixels does with crosstalk.

Common practice, no source: both are held against the full model, which they stand in for.
"""

from functools import lru_cache

import numpy as np
import pytest

from maskforge.launch.couplings import Launch, back_propagated, couplings
from maskforge.launch.modulator import Carrier, binary, emitted, levels
from maskforge.methods.blurred_moves import moves
from maskforge.methods.coupling_matrix import matrix_of, quick_back, quick_couplings
from maskforge.methods.dual_function import complex_of
from maskforge.methods.last_pixels import changed
from tests.benches import MASK_WAIST, beam, on_parabola

BENCHES = {
    "two states on the axis": (binary(), Carrier(), 0.0),
    "levels on a carrier": (levels(16), Carrier(5.3, 0.6), 0.0),
    "crosstalk": (levels(16), Carrier(5.3, 0.6), 0.7),
    "wide crosstalk of two states": (binary(), Carrier(), 1.3),
}


@lru_cache(maxsize=4)
def bench(name: str) -> Launch:
    """Some 9 pixels a waist, so that the beam within them takes several layers."""
    alphabet, carrier, crosstalk = BENCHES[name]
    return on_parabola(
        beam(1.6),
        groups=3,
        shape=(64, 72),
        pitch=MASK_WAIST / 9,
        alphabet=alphabet,
        carrier=carrier,
        fill_factor=0.9,
        gap_reflectance=0.3,
        crosstalk=crosstalk,
    )


def some_states(launch: Launch, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.integers(launch.modulator.alphabet.size, size=launch.modulator.shape)


@pytest.mark.parametrize("name", list(BENCHES))
def test_the_matrix_is_the_full_model(name: str) -> None:
    launch = bench(name)
    assert matrix_of(launch) is not None
    factors = emitted(launch.modulator, some_states(launch, 1))
    full = couplings(launch, factors)
    assert quick_couplings(launch, factors) == pytest.approx(full, rel=0, abs=1e-13)
    rng = np.random.default_rng(2)
    vector = rng.normal(size=len(launch.basis)) + 1j * rng.normal(size=len(launch.basis))
    back = back_propagated(launch, vector)
    size = float(np.abs(back).max())
    assert quick_back(launch, vector) == pytest.approx(back, rel=0, abs=1e-12 * size)
    if launch.is_real:
        there = back_propagated(launch, vector, real=True)
        assert quick_back(launch, vector, real=True) == pytest.approx(there, abs=1e-12 * size)


@pytest.mark.parametrize("name", list(BENCHES))
def test_changes_of_single_pixels_are_the_full_models(name: str) -> None:
    """Those of the pixels that can move most: within a share of them, each changed by itself.

    With crosstalk the neighbours' modes are taken for a pixel's own, 9 of them a waist.
    """
    launch = bench(name)
    states = some_states(launch, 3)
    rng = np.random.default_rng(4)
    light = np.abs(launch.incident).ravel()
    pixels = rng.choice(np.argsort(light)[-600:], 40, replace=False)
    size = launch.modulator.alphabet.size
    others = (states.ravel()[pixels] + rng.integers(1, size, size=pixels.size)) % size
    found = changed(launch, states, pixels, others).astype(float)
    before = couplings(launch, emitted(launch.modulator, states))
    missed, whole = 0.0, 0.0
    for pixel, other, row in zip(pixels, others, found, strict=True):
        after = states.copy()
        after.ravel()[pixel] = other
        true = couplings(launch, emitted(launch.modulator, after)) - before
        missed += float(np.sum(np.abs(complex_of(row) - true) ** 2))
        whole += float(np.sum(np.abs(true) ** 2))
    share = 0.15 if launch.modulator.crosstalk > 0 else 1e-4
    assert missed < share**2 * whole


def test_without_crosstalk_a_factor_moves_as_its_states_do() -> None:
    launch = bench("levels on a carrier")
    states, values = some_states(launch, 5), launch.modulator.alphabet.values
    pixels, others = np.array([100, 2000]), np.array([3, 9])
    expected = values[others] - values[states.ravel()[pixels]]
    assert moves(launch, states, pixels, others) == pytest.approx(expected, abs=1e-6)
