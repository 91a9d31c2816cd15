"""Where the light goes: direct integration over the facet, closed forms on the panel, a grating.

The orders of a binary grating: Goodman, Introduction to Fourier Optics, problem 4-18 (citation
from memory); a Gaussian beam's power in a square is a product of error functions.
"""

from dataclasses import astuple
from math import erf, hypot, sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy.special import j1

from maskforge.launch.couplings import Launch, couplings
from maskforge.launch.fourier import axis
from maskforge.launch.light import illumination
from maskforge.launch.lit_panel import active_width, panel_axes
from maskforge.launch.modulator import Carrier, binary, emitted, table
from maskforge.launch.noise_budget import WINDOW, Budget, budget_of, ledger_of
from maskforge.launch.panel import background_light, mask_window
from maskforge.launch.targets import lp_target
from maskforge.launch.unguided import FINER, disc_axis, disc_weights
from tests.benches import MASK_WAIST, SCALE, beam, on_parabola

PITCH = MASK_WAIST / 12

BENCHES = {
    "on the axis": {},
    "gaps": {"fill_factor": 0.81, "gap_reflectance": 0.3, "alphabet": binary(2.0)},
    "carrier": {"fill_factor": 0.9, "carrier": Carrier(5.0, 0.6)},
    "zero order beside the core": {"fill_factor": 0.9, "carrier": Carrier(40.0, 0.3)},
    "panel": {"shape": (60, 40), "panel_shape": (90, 100), "at": (10, 25), "alphabet": binary()},
    "amplitudes": {"alphabet": table([0, 1, 2], [0.0, 2.0, 4.0], [1.0, 0.7, 0.2])},
}


def bench(name: str) -> Launch:
    keys = {"fill_factor": 1.0, "shape": (64, 72), "alphabet": binary()} | BENCHES[name]
    return on_parabola(beam(1.3, offset=(2 * PITCH, -PITCH)), **keys)


def random_factors(launch: Launch, seed: int = 1) -> np.ndarray:
    alphabet = launch.modulator.alphabet
    states = np.random.default_rng(seed).integers(0, alphabet.size, launch.modulator.shape)
    return emitted(launch.modulator, states)


# --- direct integration ----------------------------------------------------------------------


def squares(launch: Launch, factors: np.ndarray, nodes: int) -> list[tuple[np.ndarray, ...]]:
    """(light (y, x), x, y) of all that the panel sends: in the active squares, and of whole cells
    at the gaps' amplitude, which those lack."""
    modulator = launch.modulator
    x, y = panel_axes(modulator)
    shown, bent = background_light(modulator), np.ones(modulator.panel, complex)
    rows, columns = mask_window(modulator)
    shown[::-1][rows, columns] = factors[::-1]
    if modulator.flatness is not None:
        bent[::-1][rows, columns] = np.exp(2j * np.pi * modulator.flatness[::-1])
    gaps = sqrt(modulator.gap_reflectance) if modulator.fill_factor < 1 else 0.0
    points, weights = np.polynomial.legendre.leggauss(nodes)
    parts = []
    for (wide, tall), sends in (
        (active_width(modulator), (shown - gaps) * bent),
        (modulator.pitch_seen, gaps * bent),
    ):
        across, up = (
            (z[:, None] + points * width / 2).ravel() for z, width in ((x, wide), (y, tall))
        )
        light = illumination(launch.setup.light, across, up)
        light = light * np.kron(sends, np.outer(weights, weights) * wide * tall / 4)
        lit_y, lit_x = (np.any(np.abs(light) > 1e-9 * np.abs(light).max(), axis=k) for k in (1, 0))
        parts.append((light[np.ix_(lit_y, lit_x)], across[lit_x], up[lit_y]))
    return parts


def direct(
    launch: Launch, factors: np.ndarray, middle: tuple[float, float], radius: float
) -> float:
    """Power that is not guided in a disc about `middle`, in m from the fibre's axis.

    Row by row, v = R sin(t), by Gauss in t and along each row: as good as exact for a field of
    limited detail.
    """
    turns = radius * max(np.ptp(z) for z in panel_axes(launch.modulator)) / launch.scale
    points, weights = np.polynomial.legendre.leggauss(int(6 * turns) + 14)
    t, steps = np.pi / 2 * points, np.pi / 2 * weights * radius * np.cos(np.pi / 2 * points)
    points, weights = np.polynomial.legendre.leggauss(int(5 * turns) + 12)
    u = middle[0] + radius * np.outer(np.cos(t), points)
    v = middle[1] + radius * np.outer(np.sin(t), np.ones(points.size))
    field = np.zeros(u.shape, complex)
    for light, x, y in squares(launch, factors, 5):
        (over_x, over_y), scale = launch.lens_offset, launch.scale
        rows = np.exp(-2j * np.pi / scale * np.outer(v[:, 0] + launch.centre[1], y + over_y))
        for row, sent in enumerate(rows @ light):
            places = u[row] + launch.centre[0]
            wave = np.exp(-2j * np.pi / scale * np.outer(places, x + over_x))
            field[row] += wave @ sent / (1j * scale)
    # a launch's phase is that of a fibre where it stands
    field *= np.exp(2j * np.pi * np.dot(launch.lens_offset, launch.centre) / launch.scale)
    r, theta = np.hypot(u, v), np.arctan2(v, u)
    for mode, found in zip(launch.basis, couplings(launch, factors), strict=True):
        turn = {None: sqrt(0.5), "cos": np.cos(mode.l * theta), "sin": np.sin(mode.l * theta)}
        field -= found * mode.radial.field(r) * turn[mode.part] / sqrt(np.pi)
    return float((steps * radius * np.cos(t)) @ (np.abs(field) ** 2 @ weights))


def check_directly(launch: Launch, factors: np.ndarray, found: Budget, most: float) -> None:
    """Core, window and zero order, where the zero order's disc meets neither."""
    radius, apart = launch.core_radius, hypot(*launch.centre)
    core = direct(launch, factors, (0, 0), radius)
    assert found.core == pytest.approx(core, abs=most)
    if not radius < apart < (1 + WINDOW) * radius:
        both = direct(launch, factors, (0, 0), WINDOW * radius)
        assert found.window == pytest.approx(both - core, abs=most)
    assert (found.zero_order is None) == (apart <= radius)
    if apart > 2 * radius:
        middle = -launch.centre[0], -launch.centre[1]
        there = direct(launch, factors, middle, radius)
        assert found.zero_order == pytest.approx(there, abs=most)


def check_shares(found: Budget) -> None:
    assert found.sum == pytest.approx(1, abs=1e-12)
    assert all(share is None or share > -1e-6 for share in astuple(found))


@pytest.mark.parametrize("name", BENCHES)
def test_discs_are_those_of_a_direct_integration(name: str) -> None:
    launch = bench(name)
    factors = random_factors(launch)
    found = budget_of(ledger_of(launch), lp_target(launch.basis, "LP01"), factors)
    check_shares(found)
    check_directly(launch, factors, found, 1e-6)


@pytest.mark.long
def test_benches_that_nobody_chose(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Over all keys of a bench file; a mask of the target's phase with some noise in it."""
    monkeypatch.syspath_prepend(str(Path(__file__).parents[2] / "benchmarks"))
    from zoo_benches import drawn

    from maskforge.launch.couplings import back_propagated

    for seed in range(8000, 8010):
        ready = drawn(seed, tmp_path, small=True).ready
        launch, target = ready.launch, ready.targets[0]
        alphabet, rng = launch.modulator.alphabet, np.random.default_rng(seed)
        states = alphabet.support(back_propagated(launch, target.vector))
        noise = rng.integers(0, alphabet.size, states.shape)
        factors = emitted(launch.modulator, np.where(rng.random(states.shape) < 0.1, noise, states))
        found = budget_of(ledger_of(launch), target, factors)
        check_shares(found)
        check_directly(launch, factors, found, 2e-5)


# --- all of the light ------------------------------------------------------------------------


def test_the_whole_facet_holds_what_the_panel_sends() -> None:
    """A few pixels whose field is a sum of products of a field along x and one along y, out to 161
    periods of their spectrum; beyond, the power falls as a series in 1 / the distance."""
    shape, pitch, periods = (7, 6), MASK_WAIST / 4, (10, 20, 40, 80)
    keys = {"alphabet": binary(), "fill_factor": 0.64, "gap_reflectance": 0.25}
    launch = on_parabola(beam(), shape=shape, pitch=pitch, **keys)
    signs = [np.random.default_rng(5).choice([-1.0, 1.0], count) for count in shape]
    points, weights = np.polynomial.legendre.leggauss(300)
    u = axis((2 * periods[-1] + 1) * 16, SCALE / pitch / 16)
    inside = [np.abs(u) < (n + 0.5) * SCALE / pitch for n in periods]
    grams = []
    for own in signs:
        fields = []
        for width, factors in ((0.8 * pitch, [own, np.ones(own.size)]), (pitch, [own**2])):
            x = (axis(own.size, pitch)[:, None] + points * width / 2).ravel()
            light = sqrt(sqrt(2 / np.pi) / MASK_WAIST) * np.exp(-((x / MASK_WAIST) ** 2))
            light = light * np.kron(factors, weights * width / 2)
            fields += list(light @ np.exp(-2j * np.pi / SCALE * np.outer(x, u)))
        step, sent = (u[1] - u[0]) / SCALE, np.array(fields)
        grams.append([sent[:, k] @ sent[:, k].conj().T * step for k in inside])
    # active squares, and half of the amplitude in whole cells without them
    mix = np.array([1.0, -0.5, 0.5])
    powers = [
        np.real(mix @ (along_y * along_x) @ mix) for along_y, along_x in zip(*grams, strict=True)
    ]
    series = (np.array(periods)[:, None] + 0.5) ** -np.arange(4.0)
    total = np.linalg.solve(series, powers)[0]

    target, factors = lp_target(launch.basis, "LP01"), np.outer(*signs) + 0j
    found = budget_of(ledger_of(launch), target, factors)
    check_shares(found)
    assert 1 - found.edge - found.not_reflected == pytest.approx(total, abs=1e-6)


def in_squares(count: int, pitch: float, width: float, waist: float, offset: float) -> np.ndarray:
    """A Gaussian beam's share in strips of `width` about centres `pitch` apart."""
    far = [(axis(count, pitch) + side * width / 2 - offset) / waist for side in (-1, 1)]
    low, high = ([erf(sqrt(2) * z) for z in side] for side in far)
    return (np.array(high) - np.array(low)) / 2


def test_what_stays_on_the_panel_is_a_product_of_error_functions() -> None:
    """States that take light, gaps that reflect a part of it, a beam beside the middle."""
    alphabet, waist, offset = table([0, 1], [0.0, 3.0], [1.0, 0.6]), 1.3 * MASK_WAIST, 3 * PITCH
    launch = on_parabola(
        beam(1.3, offset=(offset, 0.0)),
        shape=(24, 30),
        alphabet=alphabet,
        fill_factor=0.81,
        gap_reflectance=0.2,
    )
    factors = random_factors(launch)
    found = budget_of(ledger_of(launch), lp_target(launch.basis, "LP01"), factors)
    active, cells = (
        np.outer(
            in_squares(24, PITCH, width, waist, 0.0), in_squares(30, PITCH, width, waist, offset)
        )
        for width in (0.9 * PITCH, PITCH)
    )
    sent = np.abs(factors) ** 2 * active + 0.2 * (cells - active)
    assert found.edge == pytest.approx(1 - cells.sum(), abs=1e-9)
    assert found.not_reflected == pytest.approx(cells.sum() - sent.sum(), abs=1e-9)


def test_orders_of_a_binary_grating() -> None:
    """(2/pi)^2 of the light in either first order, none in the zero order."""
    launch = on_parabola(
        beam(1.6), shape=(128, 128), alphabet=binary(), fill_factor=1.0, carrier=Carrier(4.0)
    )
    factors = np.tile(np.repeat([1.0, -1.0], 2), (128, 32)) + 0j
    found = budget_of(ledger_of(launch), lp_target(launch.basis, "LP01"), factors)
    assert found.zero_order is not None
    assert found.order is not None
    assert found.zero_order < 1e-4
    own = found.target + found.other_modes + found.core + found.window + found.order
    assert own / (1 - found.edge) == pytest.approx(4 / np.pi**2, abs=2e-3)
    # flat: all of it in the zero order, but for what the mask's edge throws out of its disc
    flat = budget_of(ledger_of(launch), lp_target(launch.basis, "LP01"), np.abs(factors) + 0j)
    assert flat.zero_order is not None
    assert flat.zero_order > 0.99 * (1 - flat.edge)


# --- parts -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", BENCHES)
def test_the_same_without_orders_and_in_single_precision(name: str) -> None:
    launch = bench(name)
    factors, target = random_factors(launch), lp_target(launch.basis, "LP11")
    ledger = ledger_of(launch)
    whole = budget_of(ledger, target, factors)
    quick = budget_of(
        ledger_of(launch, np.float32),
        target,
        factors.astype(np.complex64),
        couplings(launch, factors),
        by_order=False,
    )
    assert quick.order is None
    assert whole.order is not None
    assert quick.sum == pytest.approx(1, abs=1e-12)
    assert quick.other_orders == pytest.approx(whole.other_orders + whole.order, abs=2e-7)
    for share in ("target", "other_modes", "core", "window", "zero_order", "not_reflected", "edge"):
        assert getattr(quick, share) == pytest.approx(getattr(whole, share), abs=2e-7), share


def test_the_weights_of_a_disc_integrate_waves() -> None:
    """R J_1(2 pi k R) / k of a wave of k periods a metre, up to a period a detail."""
    radius, detail = 1.3, 0.4
    u = disc_axis(radius, detail / FINER)
    weights = disc_weights(u, u, radius, detail / FINER) * (detail / FINER) ** 2
    for k in ((0.3, 0.0), (1.0, -1.4), (2.4, 2.4), (2.5, 0.1)):
        wave = np.exp(2j * np.pi * (k[0] * u + (k[1] * u)[:, None]))
        size = hypot(*k)
        wanted = radius * j1(2 * np.pi * size * radius) / size
        assert np.sum(weights * wave) == pytest.approx(wanted, abs=1e-5 * radius**2)
