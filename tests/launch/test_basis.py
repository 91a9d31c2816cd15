"""LP and LG fields, orientations, superpositions."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from maskforge.base.errors import BenchError
from maskforge.fiber import Fiber
from maskforge.launch.basis import Basis, groups_of, labels_of, rotated, sampled
from maskforge.launch.fourier import axis
from maskforge.launch.targets import (
    all_lg_targets,
    all_targets,
    gaussian_waist,
    lg_label,
    lg_radial,
    lg_target,
    lp_target,
    orientations_of,
    parse_lg,
    superposition,
    target_field,
)
from tests.benches import MODE_WAIST, graded_50, parabola, step_of
from tests.reference import fiber_values
from tests.reference import optics_values as ref


def gram_error(bench: tuple[Fiber, Basis], samples: int) -> float:
    """Of the sampled modes' Gram matrix, `samples` a core radius, out to 1e-12 of the power."""
    fiber, basis = bench
    half = max(mode.radial.field.radius_enclosing(1e-12) for mode in basis)
    step = fiber.profile.core_radius / samples
    u = axis(2 * math.ceil(half / step) + 1, step)
    v = axis(2 * math.ceil(half / step) + 2, step)
    fields = sampled(basis, u, v).reshape(len(basis), -1)
    return float(np.abs(step**2 * fields @ fields.T - np.eye(len(basis))).max())


def test_sampled_modes_are_orthonormal() -> None:
    """Smooth fields to the power left outside; the 50 um fibre as its core's edge lets a sum be.

    The slope of the index jumps there, so the third derivative of the field does: the sum's error
    falls as h^4.  At 24 samples a core radius it is below the 1e-6 that the launch counts on.
    """
    assert gram_error(parabola(9), 24) < 1e-11
    errors = [gram_error(graded_50(9), samples) for samples in (12, 24, 48)]
    assert errors[1] < 1e-6
    assert math.log2(errors[0] / errors[2]) / 2 > 3.5


def test_axes_and_parts_of_sampled_modes() -> None:
    """[row = v, column = u]; cos is even in v, sin odd; on a non-square grid."""
    _, basis = graded_50(3)
    u, v = np.array([-3e-6, 1e-6, 4e-6]), np.array([-2e-6, 5e-6])
    fields = sampled(basis, u, v)
    assert fields.shape == (6, 2, 3)
    assert [(m.label, m.part) for m in basis[:3]] == [
        ("LP01", None),
        ("LP11", "cos"),
        ("LP11", "sin"),
    ]
    for mode in basis:
        for j, k in np.ndindex(2, 3):
            angle = math.atan2(v[j], u[k])
            turn = {None: math.sqrt(0.5), "cos": math.cos(mode.l * angle)}.get(
                mode.part, math.sin(mode.l * angle)
            )
            radial = float(mode.radial.field(math.hypot(u[k], v[j])))
            assert fields[mode.index, j, k] == pytest.approx(
                radial * turn / math.sqrt(math.pi), rel=1e-12
            )
    assert np.sign(fields[1]).tolist() == [[-1, 1, 1], [-1, 1, 1]]
    assert np.sign(fields[2]).tolist() == [[-1, -1, -1], [1, 1, 1]]


@settings(max_examples=30, deadline=None)
@given(
    label=st.sampled_from(["LP11", "LP21", "LP12", "LP81", "LP32", "LP02"]),
    orientation=st.floats(-400, 400),
    r=st.floats(1e-7, 3e-5),
    angle=st.floats(-math.pi, math.pi),
)
def test_orientation_turns_the_field(
    label: str, orientation: float, r: float, angle: float
) -> None:
    """The turned target at a point is the unturned one at the point turned back."""
    _, basis = graded_50(9)

    def at(degrees: float, theta: float) -> complex:
        point = np.array([r * math.cos(theta)]), np.array([r * math.sin(theta)])
        target = lp_target(basis, label, degrees)
        assert np.linalg.norm(target.vector) == pytest.approx(1, abs=1e-12)
        return complex(target_field(sampled(basis, *point), target)[0, 0])

    found = at(orientation, angle)
    assert abs(found - at(0.0, angle - math.radians(orientation))) < 1e-9 / 8e-6


@settings(max_examples=20, deadline=None)
@given(angle=st.floats(-400, 400), seed=st.integers(0, 2**31))
def test_rotated_is_the_field_turned(angle: float, seed: int) -> None:
    """Any complex field, at points turned back; 1e-9 of the 15 modes' 1/(8 um); nothing is lost."""
    _, basis = graded_50(5)
    rng = np.random.default_rng(seed)
    vector = rng.normal(size=15) + 1j * rng.normal(size=15)
    turned = rotated(basis, vector, angle)
    assert np.linalg.norm(turned) == pytest.approx(np.linalg.norm(vector), rel=1e-12)
    for r, theta in [(4e-6, 0.3), (1e-5, -2.5), (2e-5, 1.9)]:
        back = theta - math.radians(angle)
        here = sampled(
            basis, np.array([r * math.cos(theta)]), np.array([r * math.sin(theta)])
        ).ravel()
        there = sampled(
            basis, np.array([r * math.cos(back)]), np.array([r * math.sin(back)])
        ).ravel()
        assert abs(turned @ here - vector @ there) < 1e-9 * 15 / 8e-6


@pytest.mark.parametrize("order", [1, 2, 3, 8])
@pytest.mark.parametrize("count", [1, 2, 12])
def test_orientations(order: int, count: int) -> None:
    """Spaced 180/(l n) degrees from 0, so that n more would be the first with the sign changed."""
    angles = orientations_of(order, count)
    assert angles == pytest.approx([k * 180 / (order * count) for k in range(count)], abs=1e-12)
    assert angles[0] == 0
    _, basis = graded_50(9)
    last = 180.0 / order
    first = lp_target(basis, f"LP{order}1", 0.0).vector
    assert np.abs(lp_target(basis, f"LP{order}1", last).vector + first).max() < 1e-12
    assert orientations_of(0, count).tolist() == [0.0]


def test_two_orientations_are_the_two_parts() -> None:
    _, basis = graded_50(9)
    parts = np.stack([target.vector for target in all_targets(basis, None, 2)])
    assert np.abs(parts - np.eye(45)).max() < 1e-12


@pytest.mark.parametrize("groups", ref.MASK_COUNTS)
def test_counts(groups: int) -> None:
    """Degeneracy g of group g; enumeration."""
    basis = graded_50(groups)[1]
    modes, labels, circular, masks = ref.MASK_COUNTS[groups]
    assert len(basis) == modes
    assert len(labels_of(basis)) == labels
    assert sum(mode.l == 0 for mode in basis) == circular
    assert len(all_targets(basis, None, 12)) == masks
    assert [mode.index for mode in basis] == list(range(modes))
    assert np.bincount(groups_of(basis))[1:].tolist() == list(range(1, groups + 1))
    every = all_lg_targets(basis, None, 25e-6 * math.sqrt(2 / fiber_values.PARABOLA_V))
    assert len({target.name for target in every}) == modes


def test_play_order_follows_the_labels_asked() -> None:
    _, basis = graded_50(9)
    order = [(t.name, t.orientation) for t in all_targets(basis, ["LP21", "LP01", "LP11"], 3)]
    assert order == [
        ("LP21", 0.0),
        ("LP21", 30.0),
        ("LP21", 60.0),
        ("LP01", 0.0),
        ("LP11", 0.0),
        ("LP11", 60.0),
        ("LP11", 120.0),
    ]


@pytest.mark.parametrize("groups", [1, 2, 5, 9])
def test_play_order_of_all_lg_targets(groups: int) -> None:
    """Groups rising (g = 2p + abs(l) + 1, a parabola's), in a group the larger l first, + before -;
    as many as modes, and of every LP(l,p) just LG p-1 with either sign of l."""
    _, basis = parabola(groups)
    order = [target.name for target in all_lg_targets(basis, None, MODE_WAIST)]
    parsed = [parse_lg(name) for name in order]
    assert parsed == sorted(parsed, key=lambda pl: (2 * pl[0] + abs(pl[1]), -abs(pl[1]), pl[1] < 0))
    assert set(parsed) == {(mode.p - 1, sign * mode.l) for mode in basis for sign in (1, -1)}
    assert len(order) == len(basis)
    written = "LG0+0 LG0+1 LG0-1 LG0+2 LG0-2 LG1+0 LG0+3 LG0-3 LG1+1 LG1-1 LG0+4 LG0-4 LG1+2 LG1-2"
    assert order[:14] == written.split()[: len(basis)]


def test_play_order_of_lg_targets_follows_the_labels_asked() -> None:
    _, basis = parabola(5)
    asked = ["LG1-2", "LG0+0", "LG0-1", "LG0+1", "LG1+2"]
    targets = all_lg_targets(basis, asked, MODE_WAIST)
    assert [target.name for target in targets] == asked
    for target in targets:
        assert np.array_equal(target.vector, lg_target(basis, target.name, MODE_WAIST).vector)


def over_radius(first: tuple[int, int, float], second: tuple[int, int, float]) -> float:
    """Integral of two LG radial parts times r, adaptive quadrature, radii in waists."""

    def product(r: float) -> float:
        at = np.array([r])
        return float(lg_radial(*first, at)[0] * lg_radial(*second, at)[0] * r)

    return float(quad(product, 0, 14, epsabs=1e-13, epsrel=1e-12, limit=200)[0])


@pytest.mark.parametrize(("p", "l"), [(0, 0), (0, 1), (2, 0), (1, -3), (3, 2)])
def test_lg_radial_is_normalised(p: int, l: int) -> None:
    assert over_radius((p, l, 1.3), (p, l, 1.3)) == pytest.approx(1, abs=1e-10)
    assert over_radius((p, l, 1.3), (p + 1, l, 1.3)) == pytest.approx(0, abs=1e-10)


def test_lg_waist_mismatch() -> None:
    """(1 - xi) xi^p; derived, cf. Grau 1980."""
    for p, power in enumerate(ref.WAIST_MISMATCH_POWERS):
        found = over_radius((0, 0, ref.WAIST_MISMATCH), (p, 0, 1.0)) ** 2
        assert found == pytest.approx(power, abs=1e-9)


@pytest.mark.parametrize("order", ref.VORTEX)
@pytest.mark.parametrize("rho", [1.0, None])
def test_lg_vortex_overlap(order: int, rho: float | None) -> None:
    """A Gaussian's amplitude with the vortex's phase onto LG_0l; derived, cf. Vallone."""
    wide = rho or math.sqrt(order + 1)
    found = over_radius((0, 0, wide), (0, order, 1.0)) ** 2
    assert found == pytest.approx(ref.VORTEX[order][0 if rho else 1], abs=1e-9)


@pytest.mark.parametrize("label", ["LG0+0", "LG0+1", "LG0-1", "LG1+0", "LG0-3", "LG1+2"])
def test_lg_targets_of_a_parabola(label: str) -> None:
    """In an infinite parabola an LG mode of the matched waist is one LP mode's cos + i sin.

    V = 60 is infinite to 1e-8 (the field at its edge is exp(-30) of the axis).
    """
    _, basis = parabola(5)
    p, order = parse_lg(label)
    target = lg_target(basis, label, MODE_WAIST)
    assert target.name == label == lg_label(p, order)
    assert target.held == pytest.approx(1, abs=1e-7)
    place = {(m.label, m.part): m.index for m in basis}
    wanted = np.zeros(len(basis), complex)
    lp = f"LP{abs(order)}{p + 1}"
    if order == 0:
        wanted[place[lp, None]] = 1
    else:
        wanted[place[lp, "cos"]] = math.sqrt(0.5)
        wanted[place[lp, "sin"]] = 1j * math.copysign(math.sqrt(0.5), order)
    phase = np.vdot(wanted, target.vector)
    assert abs(phase) == pytest.approx(1, abs=1e-7)
    assert np.abs(target.vector - phase * wanted).max() < 1e-6
    if p == 0:
        assert phase == pytest.approx(1, abs=1e-7)


def test_lg_targets_of_the_truncated_parabola() -> None:
    """Low groups of the 50 um fibre feel its edge little: V = 20, edge field exp(-10)."""
    _, basis = graded_50(9)
    for label in ("LG0+1", "LG0-2", "LG1+0"):
        target = lg_target(basis, label, fiber_values.PARABOLA_WAIST)
        assert 1 - 1e-4 < target.held <= 1 + 1e-12


def test_lg_field_turns_with_its_index() -> None:
    """exp(i l theta): positive l, phase rising counter-clockwise."""
    _, basis = parabola(3)
    at = np.array([3e-6]), np.array([4e-6])
    theta = math.atan2(4, 3)
    for l in (1, -1, 2, -2):
        field = target_field(sampled(basis, *at), lg_target(basis, f"LG0{l:+d}", MODE_WAIST))[0, 0]
        amplitude = float(lg_radial(0, l, MODE_WAIST, np.array([5e-6]))[0]) / math.sqrt(2 * math.pi)
        assert abs(field - amplitude * np.exp(1j * l * theta)) < 1e-6 * amplitude


def test_lg_held_share_of_a_mismatched_waist() -> None:
    """A waist 1.3 times the matched one, three circular modes in the basis: 1 - xi^3; Grau 1980."""
    _, basis = parabola(5)
    target = lg_target(basis, "LG0+0", ref.WAIST_MISMATCH * MODE_WAIST)
    assert target.held == pytest.approx(sum(ref.WAIST_MISMATCH_POWERS), abs=1e-7)
    assert np.linalg.norm(target.vector) == pytest.approx(1, abs=1e-12)


def test_gaussian_waist() -> None:
    """Of the parabola its own; of the step index, Marcuse's best spot (exact digits, 1e-5)."""
    assert gaussian_waist(parabola(3)[1]) == pytest.approx(MODE_WAIST, rel=1e-5)
    for v, (ratio, _) in fiber_values.MARCUSE_SPOT.items():
        fiber, basis = step_of(v)
        found = gaussian_waist(basis) / fiber.profile.core_radius
        assert found == pytest.approx(ratio, abs=1e-5)


@settings(max_examples=30, deadline=None)
@given(
    weights=st.lists(
        st.complex_numbers(max_magnitude=5, min_magnitude=1e-3), min_size=1, max_size=6
    )
)
def test_superpositions_have_unit_power(weights: list[complex]) -> None:
    _, basis = graded_50(3)
    named = {(m.label, m.part): w for m, w in zip(basis, weights, strict=False)}
    vector = superposition(basis, "mix", named).vector
    assert np.linalg.norm(vector) == pytest.approx(1, abs=1e-12)
    for mode, weight in zip(basis, weights, strict=False):
        share = weight / math.sqrt(sum(abs(w) ** 2 for w in weights))
        assert vector[mode.index] == pytest.approx(share, abs=1e-12)


def test_what_cannot_be_launched() -> None:
    _, basis = graded_50(3)
    with pytest.raises(BenchError, match="no guided mode LP31; the basis holds LP01, LP11, LP"):
        lp_target(basis, "LP31")
    with pytest.raises(BenchError, match=r"mix: no guided mode LP01 cos; .*LP11 cos"):
        superposition(basis, "mix", {("LP01", "cos"): 1})
    with pytest.raises(BenchError, match="weights are all 0"):
        superposition(basis, "mix", {("LP01", None): 0})
    with pytest.raises(BenchError, match="label LG01: an LG label is"):
        parse_lg("LG01")
    with pytest.raises(BenchError, match=r"holds 0 % of LG0\+7"):
        lg_target(basis, "LG0+7", MODE_WAIST)
