"""Bounds without a mask: by the certified design, by closed forms, and by what symmetry leaves."""

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from maskforge.fiber import fiber_of_indices, solve, step
from maskforge.launch.basis import basis_of
from maskforge.launch.couplings import Launch, prepare
from maskforge.launch.light import Light
from maskforge.launch.modulator import (
    Alphabet,
    Carrier,
    Modulator,
    binary,
    continuous,
    levels,
    table,
)
from maskforge.launch.setup import Setup
from maskforge.launch.targets import lg_target, lp_target
from maskforge.methods.best_phase import Ground, solved_from
from maskforge.methods.blocks import model_of
from maskforge.methods.cover import STEPS, certified_bound, proof_of
from maskforge.methods.dual import dual
from maskforge.methods.dual_function import complex_of, side_of
from maskforge.methods.problem import Problem
from maskforge.methods.quick_bound import quick_bound, unknowns
from tests.benches import FOCAL_LENGTH, MASK_WAIST, MODE_WAIST, WAVELENGTH, beam, on_parabola
from tests.reference.optics_values import LEVELS_FIRST_ORDER, gaussian_coupling

FILL = 0.9
SHORT = table([0, 1, 2, 3], [0.0, 1.2, 2.4, 3.6], [1.0, 0.9, 0.8, 0.9])
BENCHES: dict[str, tuple[Alphabet, Carrier, dict[str, Any]]] = {
    "binary": (binary(), Carrier(), {}),
    "binary, carrier": (binary(), Carrier(5.3, 0.6), {}),
    "4 levels, carrier": (levels(4), Carrier(6.0, 0.0), {}),
    "table, carrier": (SHORT, Carrier(5.3, 0.6), {}),
    "continuous": (continuous(), Carrier(), {}),
    "off centre, curved": (continuous(), Carrier(), {"offset": (2e-4, 1e-4), "curvature": 0.5}),
}


@cache
def launch_of(name: str, groups: int = 4) -> Launch:
    alphabet, carrier, light = BENCHES[name]
    return on_parabola(
        beam(1.8, **light), groups=groups, alphabet=alphabet, carrier=carrier, fill_factor=FILL
    )


@pytest.mark.parametrize("name", BENCHES)
@pytest.mark.parametrize("label", ["LP01", "LP21", "LG0+1"])
def test_near_the_certified_designs_bound(name: str, label: str) -> None:
    """Above every mask that is as pure as asked, and not far above the design's own bound.

    1 %: this mask's 128 x 128 pixels are blocks of 2 x 2.
    """
    launch = launch_of(name)
    target = lp_target(launch.basis, label) if label[1] == "P" else None
    target = target or lg_target(launch.basis, label, MODE_WAIST)
    problem = Problem(launch, target, 0.99)
    limit, design = quick_bound(problem), dual(problem)
    assert design.bound is not None
    assert design.certificate is not None
    if design.certificate.purity < 0.99:
        # two states on the axis cannot form a vortex: they send as much light the other way
        assert (name, label) == ("binary", "LG0+1")
        assert not limit.worthwhile
        return
    assert design.reached
    assert design.prediction.efficiency <= limit.efficiency * (1 + 1e-9)
    assert limit.efficiency == pytest.approx(design.bound, rel=1e-2)
    assert limit.worthwhile


@pytest.mark.parametrize("name", BENCHES)
def test_the_certificate_proves_the_number(name: str) -> None:
    """Evaluated anew, and around the full turn of the target's phase."""
    launch = launch_of(name)
    target = lp_target(launch.basis, "LP11", 20.0)
    limit = quick_bound(Problem(launch, target, 0.99))
    proof = limit.certificate
    assert (proof.target, proof.purity) == (target, 0.99)
    assert limit.efficiency == pytest.approx(certified_bound(launch, proof) ** 2, rel=1e-12)
    assert sum(int(last - first) for first, last in proof.spans) == STEPS


@pytest.mark.parametrize(
    ("name", "most"), [("binary", 5), ("continuous", 5), ("4 levels, carrier", 8)]
)
def test_symmetry_leaves_few_unknowns(name: str, most: int) -> None:
    """F is least where it is least among multipliers that are as symmetric as light and target.

    With all unknowns the same solver finds the same.
    """
    launch = launch_of(name, groups=5)
    for label in ("LP01", "LP21", "LP12"):
        problem = Problem(launch, lp_target(launch.basis, label), 0.99)
        limit = quick_bound(problem)
        along = np.vdot(problem.target.vector, limit.certificate.multipliers[0])
        side = side_of(problem.target.vector * along / abs(along), 0.99)
        few = unknowns(launch, side)
        assert 0 < few.shape[1] <= most
        whole = np.column_stack([problem.target.vector, few])
        np.testing.assert_allclose(np.conj(whole.T) @ whole, np.eye(whole.shape[1]), atol=1e-9)
        solved = solved_from(Ground(model_of(launch)), side, None)
        full = proof_of(launch, problem.target, 0.99, complex_of(side.certificate(solved.point)))
        assert limit.efficiency == pytest.approx(full.limits.max() ** 2, rel=3e-3)


def test_without_symmetry_all_unknowns_stay() -> None:
    """Two states before a curved beam beside the axis.  (Continuous phase undoes the curvature.)"""
    light = beam(1.8, offset=(2e-4, 1e-4), curvature=0.5)
    launch = on_parabola(light, groups=4, alphabet=binary(), fill_factor=FILL)
    side = side_of(lp_target(launch.basis, "LP21").vector, 0.99)
    assert unknowns(launch, side).shape == (len(launch.basis), len(launch.basis) - 1)


@pytest.mark.parametrize("ratio", [0.7, 1.0, 1.5])
def test_gaussian_onto_lp01(ratio: float) -> None:
    """The most a phase mask can do is nothing: the overlap of two waists, at any purity allowed.

    Marcuse 1977; times fill^2, the share of the light of pixels that is in the order zero.
    """
    launch = on_parabola(
        beam(ratio), groups=3, pitch=MASK_WAIST / 20, shape=(128, 128), fill_factor=FILL
    )
    limit = quick_bound(Problem(launch, lp_target(launch.basis, "LP01"), 0.51))
    caught = np.sqrt(np.sum(np.abs(launch.incident) ** 2))
    expected = FILL**2 * gaussian_coupling(ratio, 1.0)
    # the envelope of the pixels over the mode, and what the mask clips
    assert limit.efficiency == pytest.approx(expected, rel=5e-3 + (1 - caught))


@pytest.mark.parametrize("count", [2, 4, 8, 16])
def test_levels_through_a_carrier(count: int) -> None:
    """sinc^2(1/N) of what continuous phase can do (Goodman and Silvestri 1970)."""

    def bound(alphabet: Alphabet) -> float:
        launch = on_parabola(
            beam(1.8), groups=4, alphabet=alphabet, carrier=Carrier(5.3, 0.6), fill_factor=FILL
        )
        return quick_bound(Problem(launch, lp_target(launch.basis, "LP21"), 0.99)).efficiency

    assert bound(levels(count)) / bound(continuous()) == pytest.approx(
        LEVELS_FIRST_ORDER[count], rel=1e-2
    )


def test_out_of_reach() -> None:
    """States 40 deg apart on the axis: most of the light cannot be taken off LP01."""
    launch = on_parabola(beam(1.8), groups=4, alphabet=binary(0.7), fill_factor=FILL)
    limit = quick_bound(Problem(launch, lp_target(launch.basis, "LP21"), 0.999))
    assert not limit.worthwhile
    assert limit.efficiency == 0.0
    assert certified_bound(launch, limit.certificate) < 0


def test_single_mode_fibre() -> None:
    """Nothing to keep light out of: no unknowns."""
    fiber = fiber_of_indices(step(4e-6), WAVELENGTH, 1.45, 1.444)
    basis = basis_of(solve(fiber))
    assert len(basis) == 1
    panel = Modulator((64, 64), 4e-5, binary())
    light = Light(WAVELENGTH, (1e-3, 1e-3))
    launch = prepare(Setup(light, panel, Carrier(), FOCAL_LENGTH, fiber, basis))
    problem = Problem(launch, lp_target(basis, "LP01"), 0.999)
    design = dual(problem)
    assert design.bound is not None
    assert quick_bound(problem).efficiency == pytest.approx(design.bound, rel=1e-6)
    assert quick_bound(replace(problem, purity=0.6)).efficiency == pytest.approx(design.bound)
