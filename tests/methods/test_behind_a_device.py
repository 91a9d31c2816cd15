"""Designs behind a device against designs without one, closed forms, and sums of this file's own.

With M unitary, output e_k is the launch of M^H e_k: the same problem over other unknowns.
"""

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray

from maskforge.launch.basis import mode_name, sampled
from maskforge.launch.couplings import Launch, facet_field, prepare
from maskforge.launch.fourier import axis
from maskforge.launch.modulator import Alphabet, Carrier, binary, emitted, levels
from maskforge.launch.passage import Output, Passage
from maskforge.launch.targets import Target, lp_target
from maskforge.methods.by_name import design
from maskforge.methods.cover import certified_bound
from maskforge.methods.problem import Design, Problem
from tests.benches import MODE_WAIST, beam, on_parabola
from tests.launch.test_passage import between_fibers, some_matrix

Complex = NDArray[np.complex128]

PURITY = 0.98


@lru_cache
def plain(two_states: bool = False) -> Launch:
    alphabet: Alphabet = binary(math.pi) if two_states else levels(16)
    return on_parabola(
        beam(1.8),
        shape=(64, 64),
        alphabet=alphabet,
        carrier=None if two_states else Carrier(5.0, 0.3),
        fill_factor=0.9,
    )


def behind(matrix: Complex, launch: Launch | None = None) -> Launch:
    launch = launch or plain()
    names = [mode_name(mode) for mode in launch.basis]
    if len(matrix) != len(names):
        names = [f"port {j}" for j in range(len(matrix))]
    outputs = tuple(Output(name, place) for place, name in enumerate(names))
    return prepare(replace(launch.setup, passage=Passage(outputs, matrix)))


def made(launch: Launch, vector: Complex, method: str = "dual") -> Design:
    return design(Problem(launch, Target("wanted", 0.0, vector), PURITY), method)


def unit(size: int, place: int) -> Complex:
    return np.eye(size, dtype=complex)[place]


@pytest.mark.parametrize("two_states", [False, True])
@pytest.mark.parametrize("method", ["simple", pytest.param("ifta", marks=pytest.mark.long), "dual"])
def test_the_identity_changes_nothing(method: str, two_states: bool) -> None:
    launch = plain(two_states)
    other = behind(np.eye(6, dtype=complex), launch)
    for place in (0, 4):
        one, two = (made(each, unit(6, place), method) for each in (launch, other))
        np.testing.assert_array_equal(one.states, two.states)
        assert one.bound == two.bound
        assert one.prediction.purity == two.prediction.purity
        assert one.prediction.efficiency == two.prediction.efficiency


def test_a_unitary_device_is_the_launch_of_a_superposition() -> None:
    """The bounds are of the same problem; masks differ where the search took another way."""
    unitary, _ = np.linalg.qr(some_matrix(6, 6, seed=5))
    other = behind(unitary)
    for place in range(3):
        through = made(other, unit(6, place))
        alone = made(plain(), unitary.conj().T[:, place])
        assert through.reached
        assert alone.reached
        assert through.bound == pytest.approx(alone.bound, rel=2e-3)
        assert through.prediction.efficiency == pytest.approx(alone.prediction.efficiency, rel=5e-3)
        # the launch that it found, judged as the other one's target
        own = through.prediction.couplings
        share = abs(np.vdot(unitary.conj().T[:, place], own)) ** 2 / np.linalg.norm(own) ** 2
        assert share == pytest.approx(through.prediction.purity, rel=1e-12)


def test_a_turned_fiber_gives_the_turned_mode() -> None:
    """A fibre turned by an angle: cos and sin of each label mix by l times the angle."""
    angle = math.radians(20)
    matrix = np.zeros((6, 6), dtype=complex)
    for into in plain().basis:
        for out in plain().basis:
            turn = into.l * angle
            parts = {
                (None, None): 1.0,
                ("cos", "cos"): math.cos(turn),
                ("cos", "sin"): -math.sin(turn),
                ("sin", "cos"): math.sin(turn),
                ("sin", "sin"): math.cos(turn),
            }
            if into.label == out.label:
                matrix[out.index, into.index] = parts[out.part, into.part]
    launch = behind(matrix)
    for label, l in (("LP11", 1), ("LP21", 2)):
        first = next(mode.index for mode in launch.basis if mode.label == label)
        through = made(launch, unit(6, first))
        # what is to arrive at 0 deg is launched at -20 deg
        turned = design(Problem(plain(), lp_target(plain().basis, label, -20.0), PURITY), "dual")
        assert through.prediction.purity >= PURITY
        assert through.bound == pytest.approx(turned.bound, rel=2e-3), l
        assert through.prediction.efficiency == pytest.approx(
            turned.prediction.efficiency, rel=5e-3
        )


def test_light_of_the_mask_arrives_in_a_displaced_fiber() -> None:
    """What the design says of the outputs, by sums over fields: of the facet field of its mask what
    the first fibre keeps, and of that what a fibre whose axis lies at -0.2 w gets."""
    launch = behind(between_fibers(0.2, 0.0))
    found = made(launch, unit(6, 0))
    assert found.reached
    u = axis(161, 12 * MODE_WAIST / 160)
    area = (u[1] - u[0]) ** 2
    field = facet_field(launch, emitted(launch.modulator, found.states), u, u)
    first = sampled(launch.basis, u, u)
    kept = np.tensordot(np.tensordot(first, field, axes=2) * area, first, axes=1)
    arrives = np.tensordot(sampled(launch.basis, u + 0.2 * MODE_WAIST, u), kept, axes=2) * area
    assert found.prediction.outputs is not None
    np.testing.assert_allclose(found.prediction.outputs, arrives, atol=1e-5)
    purity = abs(arrives[0]) ** 2 / np.sum(np.abs(arrives) ** 2)
    assert purity == pytest.approx(found.prediction.purity, abs=1e-5)


@pytest.mark.parametrize(("outputs", "least"), [(3, 0.05), (6, 0.2), (9, 0.5)])
def test_lossy_and_not_square(outputs: int, least: float) -> None:
    """Purity is had at the outputs, and the bound is proven by sums over the pixels."""
    left, sizes, right = np.linalg.svd(some_matrix(outputs, 6), full_matrices=False)
    matrix = (left * np.geomspace(1.0, least, sizes.size)) @ right
    launch = behind(matrix)
    passage = launch.setup.passage
    assert passage is not None
    for number in (1, sizes.size):
        found = made(launch, passage.channel(number))
        assert found.reached
        assert found.certificate is not None
        assert found.bound == pytest.approx(certified_bound(launch, found.certificate) ** 2)
        assert found.bound is not None
        assert 0.97 * found.bound < found.prediction.efficiency <= found.bound * (1 + 1e-9)
        assert found.prediction.outputs is not None
        np.testing.assert_allclose(
            found.prediction.outputs, matrix @ found.prediction.couplings, atol=1e-14
        )
