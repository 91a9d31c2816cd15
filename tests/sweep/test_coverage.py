"""Whether stated intervals hold the truth, on readings of devices that another program made.

The devices mix: unitary within groups, some of the power between them, losses by mode; the readings
have noise and a drift.  All of it is invented.
"""

import numpy as np
import pytest

from maskforge.launch.basis import groups_of
from maskforge.sweep.answer import Question, answered
from maskforge.sweep.labels import decibel
from maskforge.sweep.launched import Launched
from maskforge.sweep.passes import SweepReadings
from maskforge.sweep.together import Mixing, Together
from tests.sweep.another_device import MixingDevice, mixing_device
from tests.sweep.sweeps import gathered, launches

PASSES = 12


def read(launched: Launched, device: MixingDevice, seed: int) -> SweepReadings:
    """Readings of a launch that is not quite the set's: 0.3 % of the amplitude off, noise of 0.1 %,
    a drift of 1 %."""
    chance = np.random.default_rng([3, seed])
    couplings = launched.couplings
    off = chance.standard_normal(couplings.shape) + 1j * chance.standard_normal(couplings.shape)
    real = couplings + 0.003 / np.sqrt(2) * np.sqrt(launched.efficiency)[:, None] * off
    masks = len(launched.efficiency)
    shown = np.tile(np.arange(masks), PASSES)
    times = np.arange(shown.size) * 0.03
    power = device.powers(real)[shown] * (1 - 0.01 * times / times[-1])[:, None]
    power = power * (1 + 1e-3 * chance.standard_normal(power.shape))
    power = power + 1e-6 * chance.standard_normal(power.shape)
    return gathered(shown, times, np.maximum(power, 0.0) * (launched.power_mw or 1.0))


def held(launched: Launched, device: MixingDevice, seed: int, question: Question) -> np.ndarray:
    """Which of the groups' levels (groups, ports), then of their isolations, lie in their
    intervals."""
    answer = answered(read(launched, device, seed), launched, question)
    each = groups_of(launched.basis)
    passed = device.passed()
    truth = np.array([passed[each == group].mean(axis=0) for group in answer.groups])
    side = answer.corrected
    own = truth[np.arange(len(truth)), side.own] / truth[np.arange(len(truth)), 1 - side.own]
    levels, isolation = side.band(), side.band(isolation=True)
    assert levels is not None
    assert isolation is not None
    inside = [
        (low <= value) & (value <= high)
        for (low, high), value in ((levels, decibel(truth)), (isolation, decibel(own)))
    ]
    return np.concatenate([part.ravel() for part in inside])


def coverage(
    launched: Launched, between: float, loss_db: float, runs: int, question: Question
) -> float:
    groups = groups_of(launched.basis)
    devices = (
        mixing_device(groups, between=between, loss_db=loss_db, seed=seed) for seed in range(runs)
    )
    return float(
        np.mean([held(launched, device, seed, question) for seed, device in enumerate(devices)])
    )


def test_a_device_of_the_other_program_moves_what_it_says() -> None:
    """Lossless but for the port's split: 0.8 of all power arrives, a tenth leaves its group."""
    groups = groups_of(launches(4, 3).basis)
    device = mixing_device(groups, between=0.1, loss_db=0.0, seed=1)
    assert device.passed().sum(axis=1) == pytest.approx(np.full(groups.size, 0.8))
    way = device.ports[0] / np.linalg.norm(device.ports[0], axis=1, keepdims=True)
    left = np.abs(way) ** 2 * (groups[:, None] != groups)
    assert left.sum(axis=1).mean() == pytest.approx(0.1, abs=0.03)


def test_intervals_hold_the_truth_of_devices_that_mix() -> None:
    """Masks of which a third of the light is beside the target: without an assumption of what
    labels do together the intervals are far too narrow."""
    launched = launches(4, 3, unwanted=0.5)
    found = coverage(launched, 0.02, 0.3, 8, Question(draws=60))
    alone = coverage(launched, 0.02, 0.3, 8, Question(draws=60, mixing=Mixing(0.0, 0.0)))
    assert found >= 0.92
    assert alone < 0.8


def test_what_is_drawn_is_what_first_order_mixing_does() -> None:
    """D + i(DH - HD) of a weak H: light between groups alone, of the size that is assumed."""
    launched = launches(3, 1, unwanted=0.8)
    groups = groups_of(launched.basis) - 1
    together = Together(launched.couplings, np.arange(groups.size), groups)
    passed = np.array([[0.9], [0.5], [0.1]])[groups]
    drawn = np.array(
        [
            together.drawn(passed, Mixing(0.04, 0.0), np.random.default_rng(seed))[:, 0]
            for seed in range(400)
        ]
    )
    chance = np.random.default_rng(5)
    wanted = []
    for _ in range(400):
        real, imaginary = chance.standard_normal((2, groups.size, groups.size))
        h = np.triu(real + 1j * imaginary, 1) / np.sqrt(2)
        others = np.array([np.count_nonzero(groups != group) for group in groups])
        h = (h + h.conj().T) * np.sqrt(np.sqrt(0.04 / others)[:, None] * np.sqrt(0.04 / others))
        d = np.diag(passed[:, 0])
        response = 1j * (d @ h - h @ d)
        c = launched.couplings
        wanted.append(np.sum(c.conj() * (c @ response.T), axis=1).real)
    assert drawn.mean(axis=0) == pytest.approx(np.zeros(drawn.shape[1]), abs=0.02)
    # a standard deviation of 400 draws is known to 4 %
    assert drawn.std(axis=0) == pytest.approx(np.std(wanted, axis=0), rel=0.25)
    assert np.mean(drawn.std(axis=0) / np.std(wanted, axis=0)) == pytest.approx(1.0, abs=0.06)


@pytest.mark.long
@pytest.mark.parametrize(("between", "loss_db"), [(0.02, 0.3), (0.1, 1.0)])
def test_intervals_of_designed_sets(
    sets: dict[str, Launched], between: float, loss_db: float
) -> None:
    """25 devices behind a 50 um fibre of six groups, for masks of both kinds."""
    for method, launched in sets.items():
        found = coverage(launched, between, loss_db, 25, Question(draws=100))
        assert found >= 0.9, method
