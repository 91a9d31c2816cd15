"""The launch taken out: exact where the model is, against another solver, and on a device known in
all parts."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import lsq_linear

from maskforge.launch.basis import rotated
from maskforge.report.figures.sweep import SweepCurve, curve_of, groups_figure
from maskforge.sweep import simulate as devices
from maskforge.sweep.answer import Answer, Question, answered
from maskforge.sweep.deembed import (
    LOBES,
    DeviceModel,
    deembedded,
    group_transmission,
    model_of,
    raw_transmission,
    way_for,
)
from maskforge.sweep.groups import isolations
from maskforge.sweep.launched import Launched
from maskforge.sweep.passes import Blocks
from maskforge.sweep.simulate import DeviceDisturbance, splitter, transmissions, turned
from tests.sweep.sweeps import launches, readings


def blocks(power: np.ndarray) -> Blocks:
    """One reading of every mask in every block, `power` (blocks, masks, ports)."""
    return Blocks(power, np.ones(power.shape[:2]))


# --- the model -------------------------------------------------------------------------------


@pytest.mark.parametrize("way", ["group", "label", "mode"])
def test_what_the_model_holds_comes_out_exactly(way: str) -> None:
    """Half of every launch is unwanted; without noise the truth is the only solution."""
    launched = launches(4, 2, unwanted=1.0)
    model = model_of(launched, way)
    assert not model.coherent
    truth = np.random.default_rng(5).uniform(0.0, 0.9, (len(model.names), 2))
    solved, _ = deembedded(model, blocks((model.design @ truth)[None]), draws=3)
    np.testing.assert_allclose(solved.transmission, truth, atol=1e-12)
    assert solved.residual.max() < 1e-12


def test_unknowns_of_each_way() -> None:
    launched = launches(3, 4)
    assert model_of(launched, "group").names == ("group 1", "group 2", "group 3")
    assert sorted(model_of(launched, "label").names) == ["LP01", "LP02", "LP11", "LP21"]
    assert "LP11 sin" in model_of(launched, "mode").names
    for way in ("group", "label", "mode"):
        model = model_of(launched, way)
        assert model.modes.sum() == len(launched.basis)
        assert model.aimed.all()


def test_labels_are_solved_for_where_all_were_swept() -> None:
    """Without LP11's masks its group is known by nothing but what others launch into it."""
    launched = launches(3, 4)
    assert way_for(launched) == "label"
    some = replace(launched, labels=tuple(x for x in launched.labels if x.name != "LP11"))
    assert way_for(some) == "group"
    assert model_of(some, "group").aimed.tolist() == [True, False, True]
    assert not model_of(some, "label").aimed[model_of(some, "label").names.index("LP11")]


@pytest.mark.parametrize("angle", [0.0, 15.0, 40.0, 77.0])
def test_a_labels_matrix_is_found(angle: float) -> None:
    """R = T (1 + m cos 2(x - angle)) for fields at x, m up to cos(30 deg) at any angle."""
    launched = launches(2, 3, unwanted=0.3)
    model = model_of(launched, "label")
    assert model.coherent
    turn = 2 * np.deg2rad(angle)
    lobe = np.array([[np.cos(turn), np.sin(turn)], [np.sin(turn), -np.cos(turn)]])
    response = np.zeros((1, 3, 3))
    response[0, 0, 0] = 0.7
    response[0, 1:, 1:] = 0.4 * (np.eye(2) + np.cos(np.pi / LOBES) * lobe)
    power = devices.powers(devices.Splitter(("A",), response), launched.couplings)
    solved, _ = deembedded(model, blocks(power[None]), draws=3)
    np.testing.assert_allclose(solved.transmission[:, 0], [0.7, 0.4], atol=1e-9)


def test_what_nothing_reaches_is_zero_and_never_less() -> None:
    launched = launches(3, 2, unwanted=0.5)
    model = model_of(launched, "group")
    truth = np.array([[0.5], [0.0], [0.2]])
    chance = np.random.default_rng(2)
    power = model.design @ truth + 1e-3 * chance.standard_normal((len(model.design), 1))
    solved, _ = deembedded(model, blocks(power[None]))
    assert solved.transmission.min() >= 0
    assert solved.draws.min() >= 0
    np.testing.assert_allclose(solved.transmission, truth, atol=0.01)


def test_against_another_solver() -> None:
    """Bounded least squares by a trust region (scipy's lsq_linear) on the same weighted misfit;
    two masks of a port have no light, so that zeros are among the solution."""
    launched = launches(3, 2, unwanted=2.0)
    model = model_of(launched, "mode")
    chance = np.random.default_rng(8)
    truth = (
        chance.uniform(0, 0.5, (len(model.names), 1)) * (np.arange(len(model.names)) % 2)[:, None]
    )
    power = model.design @ truth * (1 + 0.1 * chance.standard_normal((len(model.design), 1)))
    solved, _ = deembedded(model, blocks(power[None]), draws=3, trust=0.5)
    noise = np.hypot(0.5 * power[:, 0], 1e-6 * power.max())
    found = lsq_linear(model.design / noise[:, None], power[:, 0] / noise, (0, np.inf), tol=1e-14).x
    np.testing.assert_allclose(solved.transmission[:, 0], found, atol=1e-6)


def test_masks_that_were_not_read_are_left_out() -> None:
    launched = launches(3, 4, unwanted=0.4)
    model = model_of(launched, "group")
    truth = np.array([[0.6, 0.1], [0.3, 0.3], [0.05, 0.7]])
    power = np.repeat((model.design @ truth)[None], 6, axis=0)
    count = np.ones(power.shape[:2])
    power[:, 3], count[:, 3] = 0.0, 0.0
    power[2, 5], count[2, 5] = 0.0, 0.0
    solved, drawn = deembedded(model, Blocks(power, count), draws=20, trust=0.0)
    np.testing.assert_allclose(solved.transmission, truth, atol=1e-12)
    np.testing.assert_allclose(solved.draws, np.broadcast_to(truth, solved.draws.shape), atol=1e-9)
    assert np.isnan(drawn[:, 3]).all()


# --- uncertainties ---------------------------------------------------------------------------


def test_the_bootstrap_over_passes_tells_the_standard_error() -> None:
    """One mode, one mask: the mean of n readings has the standard deviation s/sqrt(n), and 5 % to
    95 % of a normal distribution are 3.29 of it apart."""
    launched = launches(1, 1)
    model = model_of(launched, "group")
    chance = np.random.default_rng(3)
    power = launched.efficiency[0] * (0.5 + 0.02 * chance.standard_normal((60, 1, 1)))
    solved, _ = deembedded(model, blocks(power), draws=2000, trust=0.0)
    low, high = np.percentile(solved.draws[:, 0, 0], (5, 95))
    scatter = power.std(ddof=1) / launched.efficiency[0]
    assert high - low == pytest.approx(3.29 * scatter / np.sqrt(60), rel=0.1)


def test_the_trust_in_the_prediction_is_in_the_draws() -> None:
    launched = launches(1, 1)
    power = np.full((10, 1, 1), 0.4 * launched.efficiency[0])
    solved, _ = deembedded(model_of(launched, "group"), blocks(power), draws=2000, trust=0.03)
    assert solved.draws.std() == pytest.approx(0.4 * 0.03, rel=0.1)


def test_a_single_pass_draws_from_its_residuals() -> None:
    """One transmission for 20 masks, each 5 % off by chance: its standard error is 5 %/sqrt(20).

    20 values tell a standard deviation to 1/sqrt(38) = 16 %, and the check allows two of that.
    """
    chance = np.random.default_rng(4)
    design = chance.uniform(0.3, 0.5, (20, 1))
    model = DeviceModel(
        design=design,
        owner=np.zeros(1, dtype=int),
        part=np.ones(1),
        names=("group 1",),
        labels=("",),
        groups=np.array([1]),
        modes=np.array([1]),
        aimed=np.array([True]),
        coherent=False,
        own=np.zeros(1, dtype=int),
        together=None,
    )
    power = 0.5 * design * (1 + 0.05 * chance.standard_normal((20, 1)))
    solved, _ = deembedded(model, blocks(power[None]), draws=2000, trust=1e-6)
    assert solved.draws.std() == pytest.approx(0.5 * 0.05 / np.sqrt(20), rel=0.35)


def test_readings_without_residuals_tell_no_uncertainty() -> None:
    launched = launches(2, 2)
    model = model_of(launched, "mode")
    solved, drawn = deembedded(model, blocks(np.ones((1, 3, 1))), draws=50)
    assert solved.draws.shape == (0, 3, 1)
    assert drawn.shape == (0, 3, 1)


def test_the_same_seed_draws_the_same() -> None:
    launched = launches(3, 3, unwanted=0.5)
    model = model_of(launched, "label")
    power = np.random.default_rng(1).uniform(0.1, 0.2, (8, len(model.design), 2))
    one, other, third = (
        deembedded(model, blocks(power), draws=10, seed=seed)[0].draws for seed in (1, 1, 2)
    )
    assert np.array_equal(one, other)
    assert not np.array_equal(one, third)


# --- raw, and means over groups --------------------------------------------------------------


def test_means_over_a_group_count_modes() -> None:
    """LP21 is two modes, LP02 one."""
    values = np.array([[0.1, 0.4], [0.3, 0.6], [0.9, 0.0]])
    groups, modes = np.array([1, 3, 3]), np.array([1, 2, 1])
    found = group_transmission(values, groups, modes, (1, 3))
    np.testing.assert_allclose(found, [[0.1, 0.4], [0.5, 0.4]])


def test_raw_is_power_over_what_is_launched() -> None:
    launched = launches(2, 2)
    power = 0.25 * launched.efficiency[:, None] * np.array([[1.0, 2.0]])
    power[2] = np.nan
    found = raw_transmission(power, launched.labels, launched.efficiency)
    np.testing.assert_allclose(found, [[0.25, 0.5], [0.25, 0.5]])


# --- a device known in all parts -------------------------------------------------------------


def test_a_device_gives_no_more_than_it_gets() -> None:
    """Both ports together pass at most what is launched, each at least nothing."""
    _, basis = launches(4, 2).labels, launches(4, 2).basis
    device = splitter(basis, dependence=0.2, mixing=0.05)
    for response in (*device.response, np.eye(len(basis)) - device.response.sum(axis=0)):
        assert np.linalg.eigvalsh(response).min() > -1e-12


def test_a_turned_device_sees_the_launch_turned_back() -> None:
    launched = launches(4, 3, unwanted=0.6)
    found = turned(launched.basis, launched.couplings, np.full(len(launched.couplings), 0.4))
    wanted = [rotated(launched.basis, row, -np.rad2deg(0.4)) for row in launched.couplings]
    np.testing.assert_allclose(found, wanted, atol=1e-12)


def judged(launched: Launched, device: devices.Splitter, seed: int) -> Answer:
    """The answer of a sweep whose launch is not quite as the set says: each coupling is off by
    0.3 % of the mask's amplitude."""
    chance = np.random.default_rng(seed)
    shape = launched.couplings.shape
    off = chance.standard_normal(shape) + 1j * chance.standard_normal(shape)
    amplitude = np.sqrt(launched.efficiency)[:, None]
    real = replace(launched, couplings=launched.couplings + 0.003 / np.sqrt(2) * amplitude * off)
    noise = DeviceDisturbance(turn=20.0, noise=1e-3, floor=1e-6)
    return answered(readings(device, real, 20, disturbance=noise), launched, Question(draws=50))


@pytest.mark.long
@pytest.mark.parametrize("seed", [0, 1])
def test_de_embedding_comes_closer_and_pure_masks_need_it_less(
    sets: dict[str, Launched], seed: int, tmp_path: Path
) -> None:
    """A splitter of six groups of a 50 um fibre.  Isolations in dB, mean error over the groups: the
    corrected one of `simple` masks below a third of the raw one, the raw one of `dual` masks too.
    """
    basis = sets["simple"].basis
    device = splitter(basis, seed=seed)
    found = {name: judged(launched, device, seed) for name, launched in sets.items()}
    groups = found["simple"].groups
    shares = transmissions(device)
    each = np.array([mode.group for mode in basis])
    ones = np.ones(len(basis), dtype=np.intp)
    truth = group_transmission(shares, each, ones, groups)
    right = isolations(truth, truth.argmax(axis=1))

    def error(isolation: np.ndarray) -> float:
        return float(np.abs(isolation - right).mean())

    simple, dual = found["simple"], found["dual"]
    raw = error(simple.raw.isolation)
    assert raw > 3.0
    assert error(simple.corrected.isolation) < raw / 3
    assert error(dual.raw.isolation) < raw / 10
    assert error(dual.corrected.isolation) < 0.2
    # levels as well: the raw ones of `simple` masks hold light of other groups
    level = np.log10(truth)
    off = [np.abs(np.log10(x.share) - level).max() for x in (simple.raw, simple.corrected)]
    assert off[1] < off[0] / 2
    assert simple.guard == dual.guard
    curves = (
        curve_of("simple, raw", simple.raw, 0),
        curve_of("simple, corrected", simple.corrected, 1),
        curve_of("dual, raw", dual.raw, 2),
        SweepCurve("truth", 10 * level, right, 3),
    )
    drawn = groups_figure(curves, (groups, ("A", "B")), "Simulated, invented data", "png")
    (tmp_path / "claim.png").write_bytes(drawn)
    assert drawn.startswith(b"\x89PNG")
