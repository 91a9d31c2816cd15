"""The step index against its characteristic equation and published formulas."""

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.special import jn_zeros

from maskforge.fiber import NEAR_CUTOFF, RadialMode, solve
from maskforge.fiber.modes import about_how_many
from tests.fiber.makers import b_of, normalised
from tests.reference import fiber_values as ref


def by_label(v: float) -> dict[str, RadialMode]:
    return {mode.label: mode for mode in solve(normalised(v))}


def bessel_zero(order: int, index: int) -> float:
    """j_{order,index} from index 1; index 0 is the origin."""
    return float(jn_zeros(order, index)[-1]) if index else 0.0


def gloge(v: float, order: int, u: mpmath.mpf) -> mpmath.mpf:
    """U J_{l-1}(U) K_l(W) + W K_{l-1}(W) J_l(U), zero at a mode; Gloge 1971."""
    w = mpmath.sqrt(mpmath.mpf(v) ** 2 - u**2)
    inner = u * mpmath.besselj(order - 1, u) * mpmath.besselk(order, w)
    return inner + w * mpmath.besselk(order - 1, w) * mpmath.besselj(order, u)


def check_label(mode: RadialMode, v: float) -> None:
    fiber = normalised(v)
    cladding, aperture = mpmath.mpf(fiber.cladding_index), mpmath.mpf(fiber.na)
    with mpmath.workdps(30):
        sides = [mpmath.mpf(mode.n_eff) + shift for shift in (-1e-12, 1e-12)]
        u = [v * mpmath.sqrt(1 - (n**2 - cladding**2) / aperture**2) for n in sides]
        assert gloge(v, mode.l, u[0]) * gloge(v, mode.l, u[1]) < 0, mode.label
        cutoff = bessel_zero(mode.l - 1, mode.p) if mode.l else bessel_zero(1, mode.p - 1)
        assert cutoff < u[1] < u[0] < bessel_zero(mode.l, mode.p), mode.label
    assert mode.cutoff_v == pytest.approx(cutoff, abs=1e-9 * v)


@pytest.mark.parametrize("v", [1.6, 2.405, 3.9, 6.38, 10.0, 25.0])
def test_n_eff_of_labels(v: float) -> None:
    """The equation changes sign within 1e-12 of n_eff, between the Bessel zeros of the label.

    U of LPlp lies between its cut-off, j_{l-1,p} (j_{1,p-1} for l = 0), and j_{l,p}.  Where there
    are many labels 20 or so of all orders are looked at, and all are counted.
    """
    modes = solve(normalised(v))
    for mode in modes[:: max(1, len(modes) // 20)]:
        check_label(mode, v)
    for order in range(max(m.l for m in modes) + 2):
        zeros = jn_zeros(order - 1, 20) if order else np.append(0.0, jn_zeros(1, 20))
        assert sum(m.l == order for m in modes) == np.count_nonzero(zeros < v)


def test_high_orders() -> None:
    """Where the field is as good as 0 over the inner part of the core, which is left out there."""
    modes = solve(normalised(60.0))
    count = sum(2 if mode.l else 1 for mode in modes)
    assert about_how_many(normalised(60.0)) == 60.0**2 // 4 == pytest.approx(count, rel=0.02)
    for mode in modes:
        if mode.l in (45, 53):
            check_label(mode, 60.0)


@pytest.mark.parametrize("v", ref.STEP_B)
def test_published_b(v: float) -> None:
    fiber = normalised(v)
    found = {mode.label: b_of(mode, fiber) for mode in solve(fiber)}
    assert found == pytest.approx(ref.STEP_B[v], abs=1e-11, rel=0.0)


def test_cutoffs() -> None:
    modes = by_label(10.0)
    assert modes["LP01"].cutoff_v == 0.0
    for label, cutoff in ref.STEP_CUTOFFS.items():
        assert modes[label].cutoff_v == pytest.approx(cutoff, abs=1e-10), label
        assert modes[label].cutoff_margin == pytest.approx(1.0 - cutoff / 10.0, abs=1e-11)


@pytest.mark.parametrize("v", ref.STEP_COUNTS)
def test_label_counts(v: float) -> None:
    modes = solve(normalised(v))
    fields = sum(2 if mode.l else 1 for mode in modes)
    assert (len(modes), fields) == ref.STEP_COUNTS[v]


def test_edges_of_guidance() -> None:
    assert "LP41" not in by_label(6.38)
    assert "LP41" in by_label(6.3802)
    just = by_label(2.405)["LP11"]
    assert just.near_cutoff
    assert just.cutoff_margin == pytest.approx(1.0 - 2.404825557696 / 2.405, abs=1e-10)
    assert not by_label(2.405)["LP01"].near_cutoff
    assert by_label(2.404825557696 / (1.0 - 0.99 * NEAR_CUTOFF))["LP11"].near_cutoff
    assert not by_label(2.404825557696 / (1.0 - 1.01 * NEAR_CUTOFF))["LP11"].near_cutoff


@pytest.mark.parametrize(("v", "label"), ref.STEP_DVB)
def test_group_delay(v: float, label: str) -> None:
    """n_g n_eff = n_clad^2 + NA^2 <s> and d(Vb)/dV = 2 <s> - b for indices without dispersion."""
    fiber = normalised(v)
    mode = by_label(v)[label]
    mean_s = (mode.group_index * mode.n_eff - fiber.cladding_index**2) / fiber.na**2
    assert 2.0 * mean_s - b_of(mode, fiber) == pytest.approx(ref.STEP_DVB[v, label], abs=1e-7)


def best_gaussian(v: float) -> tuple[float, float]:
    """Radius over a of the Gaussian with the largest power overlap with LP01, and the overlap."""
    fiber = normalised(v)
    a = fiber.profile.core_radius
    field = by_label(v)["LP01"].field
    points, weights = np.polynomial.legendre.leggauss(60)
    cuts = np.array([0.0, 1.0, 3.0, 8.0, 20.0]) * a
    half = 0.5 * np.diff(cuts)[:, None]
    r = cuts[:-1, None] + half * (1.0 + points)
    measure = half * weights * r * field(r)

    def loss(w: float) -> float:
        overlap = np.sum(measure * np.exp(-((r / (w * a)) ** 2))) * 2.0 / (w * a)
        return -(float(overlap) ** 2)

    best = minimize_scalar(loss, bounds=(0.3, 4.0), method="bounded", options={"xatol": 1e-9})
    return float(best.x), -float(best.fun)


@pytest.mark.parametrize("v", ref.MARCUSE_SPOT)
def test_marcuse_spot(v: float) -> None:
    spot, overlap = best_gaussian(v)
    assert spot == pytest.approx(ref.MARCUSE_SPOT[v][0], abs=1e-5)
    assert overlap == pytest.approx(ref.MARCUSE_SPOT[v][1], abs=1e-6)
    assert spot == pytest.approx(0.65 + 1.619 * v**-1.5 + 2.879 * v**-6, rel=0.008)


@pytest.mark.parametrize("v", ref.PETERMANN_SPOT)
def test_petermann_spot(v: float) -> None:
    radius = normalised(v).profile.core_radius
    spot = by_label(v)["LP01"].mode_field_diameter / (2.0 * radius)
    assert spot == pytest.approx(ref.PETERMANN_SPOT[v], abs=1e-5)
    marcuse = 0.65 + 1.619 * v**-1.5 + 2.879 * v**-6
    assert spot == pytest.approx(marcuse - 0.016 - 1.567 * v**-7, rel=0.002)


@pytest.mark.parametrize("v", ref.RUDOLPH_NEUMANN_DIFFERENCE)
def test_rudolph_neumann(v: float) -> None:
    fiber = normalised(v)
    difference = (1.1428 - 0.996 / v) ** 2 - b_of(by_label(v)["LP01"], fiber)
    assert difference == pytest.approx(ref.RUDOLPH_NEUMANN_DIFFERENCE[v], abs=1e-7)


@settings(deadline=None, max_examples=40)
@given(v=st.floats(0.9, 15.0), factor=st.floats(1.001, 1.3))
def test_b_grows_with_v(v: float, factor: float) -> None:
    lower, upper = normalised(v), normalised(v * factor)
    wide = {mode.label: mode for mode in solve(upper)}
    for mode in solve(lower):
        assert lower.cladding_index < mode.n_eff < lower.core_index
        assert wide[mode.label].n_eff > mode.n_eff
