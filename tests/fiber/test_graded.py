"""Graded cores: closed forms of the parabola, mode counts, delays, an independent 2-D solution."""

import math
from typing import Any

import numpy as np
import pytest
import skfem
from numpy.typing import NDArray
from scipy.constants import c
from scipy.sparse.linalg import eigsh
from skfem.helpers import dot, grad

from maskforge.base.errors import BenchError
from maskforge.fiber import (
    Fiber,
    RadialMode,
    fiber_of_indices,
    germania_doped,
    power_law,
    solve,
    step,
)
from tests.fiber.makers import CLADDING, b_of, doped, graded_50, normalised, parabola
from tests.reference import fiber_values as ref


def fields(modes: tuple[RadialMode, ...]) -> int:
    return sum(2 if mode.l else 1 for mode in modes)


def test_infinite_parabola() -> None:
    """b = 1 - 2 g/V and w^2 = 2 a^2/V where the core's edge does not matter; Marcuse, Snyder."""
    fiber = normalised(60.0, parabola)
    modes = solve(fiber, groups=10)
    for mode in modes:
        exact = math.sqrt(fiber.core_index**2 - fiber.na**2 * 2.0 * mode.group / 60.0)
        assert mode.n_eff == pytest.approx(exact, abs=1e-12), mode.label
    waist = fiber.profile.core_radius * math.sqrt(2.0 / 60.0)
    first = modes[0]
    assert first.mode_field_diameter == pytest.approx(2.0 * waist, rel=1e-10)
    assert first.second_moment_diameter == pytest.approx(2.0 * waist, rel=1e-10)
    assert first.effective_area == pytest.approx(math.pi * waist**2, rel=1e-10)
    r = np.linspace(0.0, 4.0 * waist, 200)
    gaussian = 2.0 / waist * np.exp(-((r / waist) ** 2))
    assert first.field(r) == pytest.approx(gaussian, abs=1e-8 * gaussian[0])


def test_nominal_50_micrometre_core() -> None:
    fiber = graded_50(1.55e-6)
    modes = {mode.label: mode for mode in solve(fiber)}
    assert fiber.v == pytest.approx(ref.PARABOLA_V, abs=1e-8)
    assert fiber.core_index == pytest.approx(ref.PARABOLA_CORE_INDEX, abs=1e-8)
    assert fiber.delta == pytest.approx(ref.PARABOLA_DELTA, abs=1e-8)
    waist = 25e-6 * math.sqrt(2.0 / fiber.v)
    assert waist == pytest.approx(ref.PARABOLA_WAIST, rel=1e-8)
    assert modes["LP01"].mode_field_diameter == pytest.approx(2.0 * waist, rel=1e-8)
    k = 2.0 * math.pi / 1.55e-6
    splitting = k * (modes["LP01"].n_eff - modes["LP11"].n_eff)
    assert splitting == pytest.approx(ref.PARABOLA_FIRST_SPLITTING, rel=1e-6)
    beat = 2.0 * math.pi * 25e-6 / math.sqrt(2.0 * fiber.delta)
    assert beat == pytest.approx(ref.PARABOLA_BEAT_LENGTH, rel=1e-5)


def test_truncated_parabola() -> None:
    fiber = graded_50(1.55e-6)
    modes = solve(fiber)
    assert len({mode.group for mode in modes}) == 10
    assert (fields(modes), len(modes)) == ref.GROUP_COUNTS[10][:2]
    found = {mode.label: b_of(mode, fiber) for mode in modes}
    for label, b in ref.TRUNCATED_B.items():
        assert found[label] == pytest.approx(b, abs=2e-7), label
    assert all(mode.near_cutoff == (mode.group == 10) for mode in modes)


def test_at_850_nm() -> None:
    fiber = graded_50(0.85e-6)
    modes = solve(fiber)
    v, groups, labels, count = ref.TRUNCATED_850
    assert fiber.v == pytest.approx(v, abs=1e-4)
    assert (modes[-1].group, len(modes), fields(modes)) == (groups, labels, count)


@pytest.mark.parametrize("groups", ref.GROUP_COUNTS)
def test_groups(groups: int) -> None:
    modes = solve(graded_50(1.55e-6), groups=groups)
    circular = sum(mode.l == 0 for mode in modes)
    assert (fields(modes), len(modes), circular) == ref.GROUP_COUNTS[groups]
    order = [(mode.group, -round(mode.n_eff, 10), mode.l) for mode in modes]
    assert order == sorted(order)


def test_groups_that_are_not_there() -> None:
    fiber = graded_50(1.55e-6)
    with pytest.raises(BenchError, match="groups = 11, but only 10"):
        solve(fiber, groups=11)
    with pytest.raises(BenchError, match="at least 1"):
        solve(fiber, groups=0)
    with pytest.raises(BenchError, match="guides no mode"):
        solve(normalised(0.1))


@pytest.mark.parametrize(("alpha", "v"), ref.MODE_COUNTS)
def test_mode_counts(alpha: float, v: float) -> None:
    count = 2 * fields(solve(normalised(v, lambda a: power_law(a, alpha))))
    assert count == ref.MODE_COUNTS[alpha, v]
    assert count == pytest.approx(alpha / (alpha + 2.0) * v**2 / 2.0, rel=0.1)


def test_large_mode_count() -> None:
    """One large core of the list; the rest of it takes the same path."""
    count = 2 * fields(solve(normalised(80.0, lambda a: power_law(a, 1.0))))
    assert count == ref.MODE_COUNTS_V80[1.0, 80.0]
    assert count == pytest.approx(80.0**2 / 6.0, rel=0.03)


@pytest.mark.parametrize("alpha", [2.0, 5.0, None])
def test_group_delay_is_the_slope_of_beta(alpha: float | None) -> None:
    """Five-point difference of beta over angular frequency, dispersive glass."""
    profile = step(12e-6) if alpha is None else power_law(12e-6, alpha)

    def beta(omega: float) -> dict[str, float]:
        wavelength = 2.0 * math.pi * c / omega
        modes = solve(doped(profile, wavelength, 0.06))
        return {mode.label: mode.n_eff * omega / c for mode in modes}

    centre = 2.0 * math.pi * c / 1.31e-6
    h = 1e-3 * centre
    far, near = (beta(centre - 2 * h), beta(centre + 2 * h)), (beta(centre - h), beta(centre + h))
    modes = [m for m in solve(doped(profile, 1.31e-6, 0.06)) if not m.near_cutoff]
    first = modes[0].group_index
    for mode in modes:
        label = mode.label
        slope = 8.0 * (near[1][label] - near[0][label]) - (far[1][label] - far[0][label])
        assert mode.group_index == pytest.approx(c * slope / (12.0 * h), abs=1e-8), label
        assert mode.delay == pytest.approx((mode.group_index - first) / c, abs=1e-22)


def test_best_alpha() -> None:
    """Least spread of delays at alpha = 2 sqrt(1 - 2 Delta); Gloge and Marcatili 1973.

    The law counts modes as a continuum; at V = 43 the least spread lies at 1.985, so the list below
    is no finer than 0.02.
    """
    core = CLADDING / math.sqrt(1.0 - 0.02)
    wavelength = 0.75e-6

    def spread(alpha: float) -> float:
        fiber = fiber_of_indices(power_law(25e-6, alpha), wavelength, core, CLADDING)
        # Modes near their cut-off feel the cladding, which the law leaves out.
        delays = [mode.delay for mode in solve(fiber) if b_of(mode, fiber) > 0.2]
        return max(delays) - min(delays)

    alphas = [1.96, 1.98, 2.0]
    best = min(alphas, key=spread)
    assert best == pytest.approx(ref.BEST_ALPHA_SPREAD, abs=1e-3)  # the list's 1.98


def disc_levels(fiber: Fiber, refinements: int, count: int) -> NDArray[np.float64]:
    """n_eff of the highest `count` modes, quadratic triangles on a disc of three core radii."""
    mesh = skfem.MeshTri.init_circle(refinements).scaled(3.0)
    basis = skfem.Basis(skfem.MeshTri2.from_mesh(mesh), skfem.ElementTriP2(), intorder=6)
    v = fiber.v

    @skfem.BilinearForm
    def energy(u: Any, w: Any, at: Any) -> Any:
        radius_squared = at.x[0] ** 2 + at.x[1] ** 2
        return dot(grad(u), grad(w)) - v**2 * np.maximum(0.0, 1.0 - radius_squared) * u * w

    @skfem.BilinearForm
    def product(u: Any, w: Any, _: Any) -> Any:
        return u * w

    stiff, mass, _, _ = skfem.condense(
        energy.assemble(basis), product.assemble(basis), D=basis.get_dofs()
    )
    w2 = -np.sort(eigsh(stiff, k=count, M=mass, sigma=-(v**2), return_eigenvectors=False))
    return np.sqrt(fiber.cladding_index**2 + fiber.na**2 * w2 / v**2)


@pytest.mark.long
def test_against_finite_elements_in_the_plane() -> None:
    """Fourth order, as theory has it for quadratic triangles, and its extrapolation is ours."""
    fiber = normalised(9.0, parabola)
    modes = solve(fiber)
    ours = sorted((m.n_eff for m in modes for _ in range(2 if m.l else 1)), reverse=True)[:6]
    coarse, middle, fine = (disc_levels(fiber, n, 6) for n in (4, 5, 6))
    step_before, last_step = middle - coarse, fine - middle
    order = np.log2(step_before / last_step)
    assert order == pytest.approx(np.full(6, 4.0), abs=0.25)
    extrapolated = fine + last_step / 15.0
    assert np.all(np.abs(np.array(ours) - extrapolated) < 0.01 * np.abs(last_step))


def test_doped_core_is_the_glass() -> None:
    fiber = graded_50(1.55e-6)
    glass = germania_doped(ref.FRACTION_FOR_NA_02[1.55e-6])
    assert fiber.core_group_index == pytest.approx(glass.group_index(1.55e-6), abs=1e-9)
