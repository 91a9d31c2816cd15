"""What a mode carries: norms, orthogonality, widths, evaluation, independence of the mesh."""

import math
import pickle
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import kv

from maskforge.base.errors import BenchError
from maskforge.fiber import Profile, RadialMode, power_law, solve, step, table, trench
from maskforge.fiber.radial import cutoffs, discretise, guided, log_k, ratio, tail_power
from tests.fiber.makers import normalised, parabola


def with_trench(a: float) -> Profile:
    return trench(power_law(a, 2.05), 1.1 * a, 1.5 * a, 0.4)


def ring(a: float) -> Profile:
    """A core with a dip on the axis, as a table."""
    x = np.linspace(0.0, 1.0, 21)
    s = np.sin(math.pi * x) ** 2
    return table(a * x, s / s.max())


def coarse_parabola(a: float) -> Profile:
    x = np.linspace(0.0, 1.0, 31)
    return table(a * x, 1.0 - x**2)


def fine_table(a: float) -> Profile:
    x = np.linspace(0.0, 1.1, 401)
    return table(a * x, np.maximum(0.0, 1.0 - x**3))


PROFILES = [step, parabola, with_trench, ring, fine_table]


def quadrature(modes: tuple[RadialMode, ...]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Gauss points and weights times r over the whole plane: kinks at edges, tail to exp(-60)."""
    edges = modes[0].field.edges
    slowest = min(mode.field.kappa for mode in modes)
    outer = edges[-1] * np.geomspace(1.0, 1.0 + 30.0 / (slowest * edges[-1]), 60)
    cuts = np.concatenate((edges[:-1], outer))
    points, weights = np.polynomial.legendre.leggauss(30)
    half = 0.5 * np.diff(cuts)[:, None]
    r = cuts[:-1, None] + half * (1.0 + points)
    return r, half * weights * r


@pytest.mark.parametrize("maker", PROFILES)
def test_orthonormal(maker: Callable[[float], Profile]) -> None:
    modes = solve(normalised(9.0, maker))
    r, measure = quadrature(modes)
    for order in {mode.l for mode in modes}:
        fields = np.stack([m.field(r) for m in modes if m.l == order])
        gram = np.einsum("iab,jab,ab->ij", fields, fields, measure)
        assert gram == pytest.approx(np.eye(len(fields)), abs=1e-8)


@pytest.mark.parametrize("maker", PROFILES)
def test_widths_by_quadrature(maker: Callable[[float], Profile]) -> None:
    modes = solve(normalised(9.0, maker))
    r, measure = quadrature(modes)
    for mode in modes:
        f = mode.field(r)
        h = 1e-4 * r
        slope = (8 * (mode.field(r + h) - mode.field(r - h))) / (12 * h)
        slope -= (mode.field(r + 2 * h) - mode.field(r - 2 * h)) / (12 * h)
        gradient = float(np.sum(measure * (slope**2 + (mode.l / r * f) ** 2)))
        petermann = 2.0 * math.sqrt(2.0 / gradient)
        assert mode.mode_field_diameter == pytest.approx(petermann, rel=1e-5)
        second = 2.0 * math.sqrt(2.0 * float(np.sum(measure * r**2 * f**2)))
        assert mode.second_moment_diameter == pytest.approx(second, rel=1e-8)
        # Angular integrals of cos^2 and cos^4: pi and 3 pi/4; 2 pi both for l = 0.
        one, two = (math.pi, 0.75 * math.pi) if mode.l else (2 * math.pi, 2 * math.pi)
        area = one**2 / (two * float(np.sum(measure * f**4)))
        assert mode.effective_area == pytest.approx(area, rel=1e-8)


@pytest.mark.parametrize("maker", PROFILES)
def test_sign_nodes_and_continuity(maker: Callable[[float], Profile]) -> None:
    for mode in solve(normalised(9.0, maker)):
        edge = mode.field.edges[-1]
        r = np.linspace(0.0, 3.0 * edge, 4000)
        f = mode.field(r)
        seen = f[np.abs(f) > 1e-6 * np.abs(f).max()]
        assert seen[0] > 0.0
        assert np.count_nonzero(np.diff(np.sign(seen))) == mode.p - 1
        for at in mode.field.edges[1:]:
            left, right = mode.field(np.array([at * (1 - 1e-12), at * (1 + 1e-12)]))
            assert left == pytest.approx(right, abs=1e-9 * np.abs(f).max())
        if mode.l:
            assert abs(float(mode.field(0.0))) < 1e-9 * np.abs(f).max()


def test_shape_of_the_input_is_kept() -> None:
    field = solve(normalised(5.0))[0].field
    grid = np.hypot(*np.meshgrid(np.linspace(-9e-6, 9e-6, 7), np.linspace(-9e-6, 9e-6, 5)))
    values = field(grid)
    assert values.shape == (5, 7)
    assert values[2, 3] == float(field(0.0))
    many = np.tile(grid.ravel(), 1000)
    assert np.array_equal(field(many), np.tile(values.ravel(), 1000))
    assert field(np.array([])).shape == (0,)
    assert float(field(1.0)) == 0.0


def test_tail_is_the_bessel_function() -> None:
    for mode in solve(normalised(6.0)):
        field, edge = mode.field, mode.field.edges[-1]
        r = edge * np.geomspace(1.0, 8.0, 50)
        exact = float(field(edge)) * kv(mode.l, field.kappa * r) / kv(mode.l, field.kappa * edge)
        assert field(r) == pytest.approx(exact, rel=1e-10, abs=0.0)


def test_bessel_helpers() -> None:
    x = np.array([1e-3, 0.1, 1.0, 10.0, 300.0])
    for order in (0, 1, 2, 7):
        for one in x[:4]:
            exact = kv(abs(order - 1), one) / kv(order, one)
            assert ratio(order, float(one)) == pytest.approx(exact)
        assert log_k(order, x[:4]) == pytest.approx(np.log(kv(order, x[:4])), abs=1e-12)
    assert np.all(np.isfinite(log_k(200, x)))
    points, weights = np.polynomial.legendre.leggauss(400)
    t = 1.5 + 20.0 * (1.0 + points)
    integral = 20.0 * float(np.sum(weights * kv(3, t) ** 2 * t)) / kv(3, 1.5) ** 2
    assert tail_power(3, 1.5) == pytest.approx(integral, rel=1e-12)


@pytest.mark.parametrize("share", [0.9, 0.5, 0.1, 1e-3, 1e-8])
def test_radius_enclosing(share: float) -> None:
    modes = solve(normalised(4.0))
    r, measure = quadrature(modes)
    for mode in modes:
        radius = mode.field.radius_enclosing(share)
        assert mode.field.power_outside(radius) == pytest.approx(share, rel=1e-8)
    # The closed form of the tail against quadrature from the core's edge on.
    for mode in modes:
        outside = float(np.sum((measure * mode.field(r) ** 2)[r > mode.field.edges[-1]]))
        assert mode.field.power_outside(mode.field.edges[-1]) == pytest.approx(outside, abs=1e-9)


def test_radius_enclosing_refuses() -> None:
    with pytest.raises(BenchError, match=r"share of power 1\.5"):
        solve(normalised(4.0))[0].field.radius_enclosing(1.5)


@pytest.mark.parametrize(
    ("maker", "v"),
    [(step, 2.405), (step, 25.0), (parabola, 25.0), (ring, 12.0), (coarse_parabola, 12.0)],
)
def test_doubling_the_elements_changes_nothing(maker: Callable[[float], Profile], v: float) -> None:
    """Pieces that are polynomials: spectral accuracy, so 1e-12 in n_eff (b: 1e-10)."""
    fiber = normalised(v, maker)
    coarse = discretise(fiber.profile, fiber.v)
    fine = discretise(fiber.profile, fiber.v, refine=2)
    for order in (0, 1, 5, 12):
        pairs = zip(guided(coarse, order), guided(fine, order), strict=True)
        for (w2, _), (finer, _) in pairs:
            change = fiber.na**2 * abs(w2 - finer) / fiber.v**2 / (2.0 * fiber.cladding_index)
            assert change < 1e-12


@pytest.mark.parametrize("alpha", [0.7, 1.9, 2.3, 11.3, 80.0])
def test_any_exponent_is_resolved(alpha: float) -> None:
    """A fractional power is singular on the axis: what the design asks, 1e-9 in n_eff."""
    fiber = normalised(20.0, lambda a: power_law(a, alpha))
    coarse = discretise(fiber.profile, fiber.v)
    fine = discretise(fiber.profile, fiber.v, refine=2)
    for order in (0, 1, 4):
        pairs = zip(guided(coarse, order), guided(fine, order), strict=True)
        for (w2, _), (finer, _) in pairs:
            change = fiber.na**2 * abs(w2 - finer) / fiber.v**2 / (2.0 * fiber.cladding_index)
            assert change < 1e-10


def test_error_falls_spectrally() -> None:
    """Steep power laws tend to the step; the difference must fall with 1/alpha."""
    exact = solve(normalised(6.0))[0].n_eff
    errors = [
        abs(solve(normalised(6.0, lambda a, n=alpha: power_law(a, n)))[0].n_eff - exact)
        for alpha in (100.0, 200.0, 400.0)
    ]
    assert errors[0] / errors[1] == pytest.approx(2.0, rel=0.05)
    assert errors[1] / errors[2] == pytest.approx(2.0, rel=0.05)


def test_table_of_a_parabola_tends_to_it() -> None:
    """Cubic pieces through exact samples: the error falls at least as the square of the spacing."""
    exact = solve(normalised(12.0, parabola))
    errors = []
    for samples in (11, 21, 41):
        x = np.linspace(0.0, 1.0, samples)
        found = solve(normalised(12.0, lambda a, x=x: table(a * x, 1.0 - x**2)))
        assert [m.label for m in found] == [m.label for m in exact]
        errors.append(max(abs(m.n_eff - e.n_eff) for m, e in zip(found, exact, strict=True)))
    assert errors[0] / errors[1] > 3.5
    assert errors[1] / errors[2] > 3.5


def test_table_of_a_step() -> None:
    """600 samples, one steep interval: the step of its middle, to the square of its width."""
    x = np.linspace(0.0, 1.2, 601)
    found = solve(normalised(10.0, lambda a: table(a * x, np.where(x < 0.999, 1.0, 0.0))))
    middle = solve(normalised(10.0 * 0.999))
    for mode, exact in zip(found, middle, strict=True):
        assert mode.n_eff == pytest.approx(exact.n_eff, abs=2e-7)


def test_trench_lowers_n_eff_and_raises_cutoffs() -> None:
    """Both follow from the min-max principle, since s is nowhere higher."""
    plain = {mode.label: mode for mode in solve(normalised(9.0, parabola))}
    lowered = solve(normalised(9.0, lambda a: trench(parabola(a), a, 1.5 * a, 0.4)))
    assert len(lowered) > 3
    for mode in lowered:
        assert mode.n_eff < plain[mode.label].n_eff
        assert mode.cutoff_v > plain[mode.label].cutoff_v or mode.label == "LP01"


def test_deep_trench_cuts_the_fundamental_off() -> None:
    """LP01 is guided at every V only if the area integral of s is not negative.

    Just above this cut-off W is exponentially small, exp(-const/(V - V_c)): tested well above it.
    """

    def deep(a: float) -> Profile:
        return trench(step(a), a, 2.0 * a, 0.5)

    mesh = discretise(deep(1.0), 3.0)
    limit = float(cutoffs(mesh, 0)[0])
    assert limit > 0.0
    assert solve(normalised(limit * 1.5, deep))[0].cutoff_v == pytest.approx(limit, abs=1e-8)
    with pytest.raises(BenchError, match="guides no mode"):
        solve(normalised(limit * 0.99, deep))


def test_mean_shape_of_zero() -> None:
    """A trench of area (4 - 1)/3 cancels the core's: LP01 is still never cut off (Simon 1976)."""

    def limits(depth: float) -> NDArray[np.float64]:
        return cutoffs(discretise(trench(step(1.0), 1.0, 2.0, depth), 3.0), 0)[:3]

    below, zero, above = (limits(1.0 / 3.0 + change) for change in (-1e-5, 0.0, 1e-5))
    assert below[0] == zero[0] == 0.0
    assert 0.0 < above[0] < 0.05
    assert zero[1:] == pytest.approx(0.5 * (below + above)[1:], abs=1e-7)


def test_labels_are_unambiguous() -> None:
    modes = solve(normalised(37.0, parabola))
    labels = [mode.label for mode in modes]
    assert len(set(labels)) == len(labels)
    assert "LP10,1" in labels
    assert "LP21" in labels


def test_pickles() -> None:
    modes = solve(normalised(5.0, with_trench))
    again = pickle.loads(pickle.dumps(modes))
    r = np.linspace(0.0, 1e-5, 100)
    for mode, copy in zip(modes, again, strict=True):
        assert (copy.label, copy.n_eff, copy.group_index) == (
            mode.label,
            mode.n_eff,
            mode.group_index,
        )
        assert np.array_equal(copy.field(r), mode.field(r))
