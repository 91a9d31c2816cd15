"""Modes near their cut-off, held in two parts: the same couplings, and a bounded number of samples.

The plain sum over one set of close samples is the other way to the same integral.
"""

import math

import numpy as np
import pytest

from maskforge.fiber import Fiber, solve, step
from maskforge.launch import mode_samples, tails
from maskforge.launch.basis import basis_of
from maskforge.launch.couplings import Launch, back_propagated, couplings, modes_cut, prepare
from maskforge.launch.light import Light
from maskforge.launch.modulator import Carrier, Modulator, levels
from maskforge.launch.setup import Setup

WAVELENGTH, RADIUS, CLADDING = 1310e-9, 5e-6, 1.4468
LP11, LP21 = 2.404825557695773, 3.831705970207512
"""Cut-offs of a step index: zeros of J_0 and J_1 (Abramowitz and Stegun, table 9.5)."""


def launch_at(v: float, focal_length: float, shape: tuple[int, int] = (40, 48)) -> Launch:
    """Off the axis, with light of the gaps and of the panel around the mask."""
    na = v * WAVELENGTH / (2 * math.pi * RADIUS)
    fiber = Fiber(step(RADIUS), WAVELENGTH, math.hypot(CLADDING, na), CLADDING, 1.46, 1.46)
    rows, columns = shape
    panel = Modulator(
        shape,
        60e-6,
        levels(8),
        fill_factor=0.85,
        gap_reflectance=0.3,
        panel_shape=(rows + 8, columns + 4),
        at=(3, 1),
    )
    light = Light(WAVELENGTH, (0.9e-3, 0.9e-3), offset=(0.1e-3, 0.0))
    return prepare(
        Setup(light, panel, Carrier(6.0, 0.5), focal_length, fiber, basis_of(solve(fiber)))
    )


def test_two_parts_are_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """Couplings, the light that no pixel changes, and the adjoint."""
    monkeypatch.setattr(tails, "TAIL_POWER", 1e-13)
    monkeypatch.setattr(tails, "SAMPLES_PER_CORE_RADIUS", (10, 10))
    monkeypatch.setattr(tails, "WHOLE", 2**24)
    whole = launch_at(1.05 * LP11, 8e-3)
    monkeypatch.setattr(tails, "WHOLE", 0)
    parted = launch_at(1.05 * LP11, 8e-3)
    assert whole.tails is None
    assert parted.tails is not None
    assert modes_cut(whole) is modes_cut(parted) is None
    assert parted.kernel.size + parted.tails.kernel.size < whole.kernel.size / 2
    assert parted.reach == pytest.approx(whole.reach, rel=0.02)
    factors = np.exp(2j * np.pi * np.random.default_rng(1).random((40, 48)))
    found, expected = couplings(parted, factors), couplings(whole, factors)
    assert np.linalg.norm(expected) > 0.01
    assert found == pytest.approx(expected, abs=1e-10)
    assert parted.gaps == pytest.approx(whole.gaps, abs=1e-10)
    vector = np.random.default_rng(2).normal(size=(3, 2)) @ [1, 1j]
    back = back_propagated(parted, vector)
    assert np.vdot(back, factors) == pytest.approx(np.vdot(vector, found - parted.gaps), abs=1e-12)


@pytest.mark.parametrize(("cutoff", "label"), [(LP11, "LP11"), (LP21, "LP21")])
def test_what_is_held_is_bounded(
    cutoff: float, label: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At 1e-9 of the cut-off, where the tail reaches thousands of core radii; it is told."""
    assert (mode_samples.LONGEST_SIDE, mode_samples.MOST_SAMPLES) == (1536, 2**25)
    monkeypatch.setattr(mode_samples, "LONGEST_SIDE", 150)
    monkeypatch.setattr(tails, "SAMPLES_PER_CORE_RADIUS", (10, 10))
    monkeypatch.setattr(tails, "WHOLE", 2**14)
    launch = launch_at((1 + 1e-9) * cutoff, 8e-3, (16, 16))
    assert launch.tails is not None
    assert launch.tails.u.size in range(140, 151)
    told = modes_cut(launch)
    assert told is not None
    far = f"{1e6 * launch.reach:.0f} um from the axis"
    assert told.startswith(f"light of {label}, so near to cut-off, is left out beyond {far}: ")
    assert " % of it, at an n_eff " in told
