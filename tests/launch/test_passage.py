"""A device behind the modes: its algebra against numpy, closed forms and quadrature."""

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import eval_genlaguerre

from maskforge.base.errors import BenchError
from maskforge.launch.basis import mode_name, sampled
from maskforge.launch.couplings import (
    Launch,
    back_propagated,
    couplings,
    launched,
    predict,
    prepare,
)
from maskforge.launch.fourier import axis
from maskforge.launch.modulator import Carrier, emitted, levels
from maskforge.launch.output_targets import output_targets
from maskforge.launch.passage import NOTHING, Output, Passage
from maskforge.launch.targets import Target
from maskforge.methods import single_pixels
from maskforge.methods.draft import draft_of
from maskforge.methods.single_pixels import pixel_couplings
from tests.benches import MODE_WAIST, beam, on_parabola, parabola

Complex = NDArray[np.complex128]


def passage_of(matrix: Complex) -> Passage:
    return Passage(tuple(Output(f"port {j}", j + 1) for j in range(len(matrix))), matrix)


def some_matrix(outputs: int, inputs: int, seed: int = 1) -> Complex:
    """Random, its largest singular value 1."""
    rng = np.random.default_rng(seed)
    found = rng.normal(size=(outputs, inputs)) + 1j * rng.normal(size=(outputs, inputs))
    return np.asarray(found / np.linalg.svd(found, compute_uv=False)[0])


@lru_cache
def plain() -> Launch:
    return on_parabola(
        beam(1.8),
        shape=(48, 48),
        alphabet=levels(8),
        carrier=Carrier(4.0, 0.4),
        fill_factor=0.9,
        gap_reflectance=0.04,
    )


def behind(matrix: Complex) -> Launch:
    return prepare(replace(plain().setup, passage=passage_of(matrix)))


def some_factors(launch: Launch, seed: int = 2) -> Complex:
    states = np.random.default_rng(seed).integers(8, size=launch.modulator.shape).astype(np.uint16)
    return np.asarray(emitted(launch.modulator, states))


@pytest.mark.parametrize("outputs", [3, 6, 9])
def test_what_arrives_is_the_matrix_times_the_launch(outputs: int) -> None:
    matrix = some_matrix(outputs, 6)
    launch, factors = behind(matrix), some_factors(plain())
    own = couplings(plain(), factors)
    assert np.abs(own).max() > 1e-3
    np.testing.assert_allclose(couplings(launch, factors), matrix @ own, rtol=0, atol=1e-14)
    np.testing.assert_array_equal(launched(launch, factors), own)
    assert np.abs(plain().gaps).max() > 0
    np.testing.assert_allclose(launch.gaps, matrix @ plain().gaps, rtol=0, atol=1e-15)


def test_multipliers_go_back_by_the_adjoint() -> None:
    launch = behind(some_matrix(4, 6))
    factors, rng = some_factors(launch), np.random.default_rng(3)
    mu = rng.normal(size=4) + 1j * rng.normal(size=4)
    pixels = np.vdot(back_propagated(launch, mu), factors)
    assert pixels == pytest.approx(np.vdot(mu, couplings(launch, factors) - launch.gaps))


def test_the_draft_and_single_pixels_pass_it_too() -> None:
    matrix = some_matrix(4, 6)
    launch, rng = behind(matrix), np.random.default_rng(4)
    states = rng.integers(8, size=launch.modulator.shape).astype(np.uint16)
    found, own = draft_of(launch).couplings(states), draft_of(plain()).couplings(states)
    np.testing.assert_allclose(found, matrix @ own, atol=1e-6)
    some = rng.integers(states.size, size=20)
    changes, before = pixel_couplings(launch, some), pixel_couplings(plain(), some)
    np.testing.assert_allclose(changes, before @ matrix.T, atol=1e-6 * np.abs(before).max())


def test_pixels_of_large_panels_pass_it_by_their_table(monkeypatch: pytest.MonkeyPatch) -> None:
    """Which is right to some 10 % at few pixels a waist."""
    launch, some = behind(some_matrix(4, 6)), np.arange(0, 48 * 48, 7)
    kept = pixel_couplings(launch, some)
    monkeypatch.setattr(single_pixels, "MOST_KEPT", 0)
    found = pixel_couplings(launch, some)
    assert np.abs(found - kept).max() < 0.1 * np.abs(kept).max()


def test_figures_are_those_of_the_outputs_and_couplings_the_launch() -> None:
    matrix = some_matrix(4, 6)
    launch, factors = behind(matrix), some_factors(plain())
    vector = some_matrix(4, 1, seed=7)[:, 0]
    vector /= np.linalg.norm(vector)
    found = predict(launch, Target("any", 0.0, vector), factors)
    arrives = matrix @ couplings(plain(), factors)
    assert found.outputs is not None
    np.testing.assert_allclose(found.outputs, arrives, atol=1e-14)
    np.testing.assert_array_equal(found.couplings, couplings(plain(), factors))
    wanted = abs(np.vdot(vector, arrives)) ** 2
    assert found.efficiency == pytest.approx(wanted)
    assert found.purity == pytest.approx(wanted / np.linalg.norm(arrives) ** 2)


@pytest.mark.parametrize(("outputs", "inputs"), [(4, 6), (6, 6), (9, 6)])
def test_channels_are_those_of_numpy(outputs: int, inputs: int) -> None:
    matrix = some_matrix(outputs, inputs, seed=outputs)
    passage = passage_of(matrix)
    sizes = np.linalg.svd(matrix, compute_uv=False)
    np.testing.assert_allclose(passage.singular_values, sizes, rtol=1e-12)
    assert passage.rank == min(outputs, inputs)
    for number, size in enumerate(sizes, start=1):
        vector = passage.channel(number)
        launch = passage.launch_for(vector)
        # the launch of a channel arrives as that channel, with its singular value
        np.testing.assert_allclose(
            np.abs(np.vdot(vector, passage.through(launch))), size, rtol=1e-9
        )
        assert passage.passed(launch) == pytest.approx(size**2)
        assert passage.reach(vector) == pytest.approx(1.0)


def test_least_squares_gives_the_launch() -> None:
    matrix = some_matrix(4, 6)
    vector = np.eye(4, dtype=complex)[1]
    expected, *_ = np.linalg.lstsq(matrix, vector, rcond=None)
    found = passage_of(matrix).launch_for(vector)
    np.testing.assert_allclose(found, expected / np.linalg.norm(expected), atol=1e-12)


def test_what_no_launch_gives_is_told_with_its_singular_value() -> None:
    left, sizes, right = np.linalg.svd(some_matrix(6, 6))
    sizes[-1] = 1e-9
    matrix = (left * sizes) @ right
    passage = passage_of(matrix)
    assert passage.rank == 5
    assert sizes[-1] < NOTHING * sizes[0]
    # of an output all that is not along the lost direction can be had
    reach = 1 - abs(left[2, -1]) ** 2
    assert passage.reach(np.eye(6, dtype=complex)[2]) == pytest.approx(reach)
    with pytest.raises(
        BenchError, match=r'"channel 6" cannot be reached: .* the next one is 1e-09'
    ):
        output_targets(passage, ["channel 6"], {}, 0.99)
    with pytest.raises(BenchError, match=f"purer than {100 * reach:.4g} %"):
        output_targets(passage, ["port 2"], {}, 0.9999)


def test_labels_of_outputs() -> None:
    passage = passage_of(some_matrix(4, 6))
    weights = {"both": {"port 0": 1.0 + 0j, "port 3": 1j}}
    names = [one.name for one in output_targets(passage, None, weights, 0.9)]
    assert names == ["port 0", "port 1", "port 2", "port 3", "both"]
    both, first = output_targets(passage, ["both", "channel 1"], weights, 0.9)
    np.testing.assert_allclose(both.vector, np.array([1, 0, 0, 1j]) / math.sqrt(2))
    np.testing.assert_array_equal(first.vector, passage.channel(1))
    with pytest.raises(BenchError, match=r'"port 9" is no output .* did you mean "port 3"'):
        output_targets(passage, ["port 9"], {}, 0.9)
    with pytest.raises(BenchError, match="has the name of an output"):
        output_targets(passage, None, {"port 1": {"port 0": 1.0}}, 0.9)


# --- an offset and a tilt between two fibres ---------------------------------------------------


def displaced(alpha: complex, count: int = 3) -> Complex:
    """<m|D(alpha)|n> of Hermite-Gauss modes: Cahill and Glauber, Phys. Rev. 177, 1857 (1969), eq.
    B4 (citation from memory; checked by quadrature below)."""
    out = np.empty((count, count), dtype=complex)
    size = abs(alpha) ** 2
    for m in range(count):
        for n in range(count):
            low, high = min(m, n), max(m, n)
            step = alpha if m >= n else -np.conj(alpha)
            out[m, n] = (
                math.sqrt(math.factorial(low) / math.factorial(high))
                * step ** (high - low)
                * math.exp(-size / 2)
                * eval_genlaguerre(low, high - low, size)
            )
    return out


TO_HERMITE = {
    "LP01": {(0, 0): 1.0},
    "LP11 cos": {(1, 0): 1.0},
    "LP11 sin": {(0, 1): 1.0},
    "LP21 cos": {(2, 0): math.sqrt(0.5), (0, 2): -math.sqrt(0.5)},
    "LP21 sin": {(1, 1): 1.0},
    # the program's LP02 is above 0 on the axis, where h_2 is below
    "LP02": {(2, 0): -math.sqrt(0.5), (0, 2): -math.sqrt(0.5)},
}
"""LP modes of a parabola as sums of Hermite-Gauss modes (Siegman, Lasers, 1986, sec. 16.4)."""


def between_fibers(along_x: complex, along_y: complex) -> Complex:
    """M between two parabolas whose fields are displaced by w times the real parts, and tilted by
    the imaginary ones."""
    x, y = displaced(along_x), displaced(along_y)
    names = [mode_name(mode) for mode in parabola(3)[1]]
    return np.array(
        [
            [
                sum(
                    a * b * x[m[0], n[0]] * y[m[1], n[1]]
                    for m, a in TO_HERMITE[output].items()
                    for n, b in TO_HERMITE[into].items()
                )
                for into in names
            ]
            for output in names
        ]
    )


def test_two_fibers_apart_and_tilted() -> None:
    """Closed forms against sums over the program's own fields; the lowest mode against Marcuse,
    Bell Syst. Tech. J. 56, 703 (1977): exp(-(d/w)^2) and exp(-(pi w theta/lambda)^2)."""
    basis = parabola(3)[1]
    w, d, turns = MODE_WAIST, 0.3 * MODE_WAIST, 0.2 / MODE_WAIST
    u = axis(161, 8 * w / 160)
    fields = sampled(basis, u, u).reshape(6, -1) * (u[1] - u[0])
    moved = sampled(basis, u - d, u).reshape(6, -1) * (u[1] - u[0])
    # the second fibre, moved by -d, sees the first one's field moved by d
    offset = between_fibers(0.3, 0.0)
    np.testing.assert_allclose(offset, fields @ moved.T, atol=1e-6)
    assert abs(offset[0, 0]) ** 2 == pytest.approx(math.exp(-((d / w) ** 2)))
    wave = np.exp(2j * math.pi * turns * np.broadcast_to(u[:, None], (161, 161)).ravel())
    tilt = between_fibers(0.0, 1j * math.pi * turns * w)
    np.testing.assert_allclose(tilt, (fields * wave) @ fields.T, atol=1e-6)
    # theta / lambda is the number of turns of the phase a metre
    assert abs(tilt[0, 0]) ** 2 == pytest.approx(math.exp(-((math.pi * w * turns) ** 2)))
