"""Light on the modulator, the lens, and the two transforms."""

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from maskforge.base.errors import BenchError
from maskforge.launch.fourier import (
    axis,
    fourier_rows,
    matrix_transform,
)
from maskforge.launch.light import (
    Light,
    illumination,
    noll_to_nm,
    pixel_envelope,
    zernike,
)
from tests.far_field import far_field
from tests.reference import optics_values as ref

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

SCALE = 1.55e-6 * 4.5e-3
PITCH = (9e-6, 11e-6)

shapes = st.tuples(st.integers(1, 9), st.integers(1, 9))
seeds = st.integers(0, 2**32 - 1)


def noise(shape: tuple[int, int], seed: int) -> Complex:
    rng = np.random.default_rng(seed)
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


def mask_axes(shape: tuple[int, int]) -> tuple[Real, Real]:
    return axis(shape[1], PITCH[0]), axis(shape[0], PITCH[1])


def by_matrix(field: Complex, u: Real, v: Real) -> Complex:
    x, y = mask_axes(field.shape)
    return matrix_transform(field, fourier_rows(y, v, SCALE), fourier_rows(x, u, SCALE))


def by_sum(field: Complex, u: Real, v: Real) -> Complex:
    """The sum as it is written, term by term, centres at (n - (count - 1)/2) pitch."""
    out = np.zeros((v.size, u.size), complex)
    rows, columns = field.shape
    for (j, k), value in np.ndenumerate(field):
        x, y = (k - (columns - 1) / 2) * PITCH[0], (j - (rows - 1) / 2) * PITCH[1]
        for m, n in product(range(v.size), range(u.size)):
            out[m, n] += value * np.exp(-2j * math.pi * (x * u[n] + y * v[m]) / SCALE)
    return out


@pytest.mark.parametrize("shape", [(4, 6), (5, 6), (4, 7), (5, 3), (1, 4)])
def test_both_transforms_are_the_direct_sum(shape: tuple[int, int]) -> None:
    """1e-12: some 30 terms of size 1, phases of at most a few turns, 2e-16 each."""
    field = noise(shape, 1)
    for size in [shape, (shape[0] + 3, shape[1] + 2), (shape[0] + 2, shape[1] + 5)]:
        facet, u, v = far_field(field, size, PITCH, SCALE)
        direct = by_sum(field, u, v)
        assert facet.shape == size
        assert np.abs(facet - direct).max() < 1e-12
        assert np.abs(by_matrix(field, u, v) - direct).max() < 1e-12
    u, v = np.array([1e-5, -3.3e-5]), np.array([0.0, 2.1e-5, 4e-5])
    assert np.abs(by_matrix(field, u, v) - by_sum(field, u, v)).max() < 1e-12


@pytest.mark.parametrize("shape", [(120, 200), (121, 200), (120, 201), (121, 201)])
@pytest.mark.parametrize("size", [(256, 300), (255, 301)])
def test_both_transforms_agree(shape: tuple[int, int], size: tuple[int, int]) -> None:
    """1e-10 of the largest sample: hundreds of turns of phase, each rounded to 2e-16."""
    field = noise(shape, 2)
    facet, u, v = far_field(field, size, PITCH, SCALE)
    assert np.abs(facet - by_matrix(field, u, v)).max() < 1e-10 * np.abs(facet).max()


@settings(max_examples=40, deadline=None)
@given(shape=shapes, size=shapes, seed=seeds)
def test_the_adjoint(shape: tuple[int, int], size: tuple[int, int], seed: int) -> None:
    """vdot(forward(x), y) == vdot(x, backward(y)), on any sample grid."""
    x, y = mask_axes(shape)
    rng = np.random.default_rng(seed)
    rows_y = fourier_rows(y, rng.normal(scale=1e-4, size=size[0]), SCALE)
    rows_x = fourier_rows(x, rng.normal(scale=1e-4, size=size[1]), SCALE)
    field, facet = noise(shape, seed), noise(size, seed + 1)
    forward = matrix_transform(field, rows_y, rows_x)
    backward = matrix_transform(facet, rows_y.conj().T, rows_x.conj().T)
    left, right = np.vdot(forward, facet), np.vdot(field, backward)
    assert abs(left - right) <= 1e-12 * np.linalg.norm(field) * np.linalg.norm(facet) * 9


@settings(max_examples=40, deadline=None)
@given(shape=shapes, more=shapes, seed=seeds)
def test_parseval(shape: tuple[int, int], more: tuple[int, int], seed: int) -> None:
    """The sum over the whole far field is rows * columns times the sum over the mask."""
    size = (shape[0] + more[0] - 1, shape[1] + more[1] - 1)
    field = noise(shape, seed)
    facet, u, v = far_field(field, size, PITCH, SCALE)
    power = size[0] * size[1] * np.sum(np.abs(field) ** 2)
    assert np.sum(np.abs(facet) ** 2) == pytest.approx(power, rel=1e-12)
    assert np.sum(np.abs(by_matrix(field, u, v)) ** 2) == pytest.approx(power, rel=1e-12)


def test_a_transform_keeps_its_result_and_its_input() -> None:
    """The plan works in place: a second transform of the shape must not reach the first result."""
    first, second = noise((5, 6), 3), noise((5, 6), 4)
    given_first = first.copy()
    facet, _, _ = far_field(first, (8, 8), PITCH, SCALE)
    kept = facet.copy()
    far_field(second, (8, 8), PITCH, SCALE)
    assert np.array_equal(facet, kept)
    assert np.array_equal(first, given_first)


def test_gaussian_through_the_lens() -> None:
    """Second moment w_f^2/4 with w_f = lambda f/(pi w), power kept; Kogelnik and Li 1966.

    Sums of Gaussians over 20 samples a waist are the integrals to rounding.
    """
    waist, count, step = 1e-3, 201, 5e-5
    x = axis(count, step)
    field = illumination(Light(1.55e-6, (waist, waist)), x, x)
    u = axis(161, ref.FOCAL_WAIST / 20)
    rows = fourier_rows(x, u, SCALE)
    facet = step**2 / (1j * SCALE) * matrix_transform(field, rows, rows)
    power = np.abs(facet) ** 2 * (u[1] - u[0]) ** 2
    assert power.sum() == pytest.approx(1, abs=1e-10)
    for moment in (np.sum(power * u**2), np.sum(power * u[:, None] ** 2)):
        assert 2 * math.sqrt(moment) == pytest.approx(ref.FOCAL_WAIST, rel=1e-9)


@pytest.mark.parametrize("ratio", ref.POWER_IN_CIRCLE)
def test_power_in_a_circle(ratio: float) -> None:
    """Kogelnik and Li 1966.  Of the 2 pi R/h samples on the rim each is wrong by h^2/sqrt(12)
    times the rim's intensity, at random: five standard deviations are allowed."""
    waist, step = 1e-3, 1e-3 / 250
    x = axis(1200, step)
    intensity = np.abs(illumination(Light(1.55e-6, (waist, waist)), x, x)) ** 2
    radius = ratio * waist
    inside = np.hypot(x, x[:, None]) < radius
    rim = 2 / (math.pi * waist**2) * math.exp(-2 * ratio**2)
    spread = math.sqrt(2 * math.pi * radius / step / 12) * step**2 * rim
    found = np.sum(intensity[inside]) * step**2
    assert found == pytest.approx(ref.POWER_IN_CIRCLE[ratio], abs=5 * spread)


def test_noll_indices() -> None:
    """Noll 1976, table I; beyond it n and abs(m) rise with the index, even indices are cosines."""
    assert {index: noll_to_nm(index) for index in ref.NOLL} == ref.NOLL
    order = [noll_to_nm(index) for index in range(1, 400)]
    assert len(set(order)) == len(order)
    assert [(n, abs(m)) for n, m in order] == sorted((n, abs(m)) for n, m in order)
    assert all((n - abs(m)) % 2 == 0 and abs(m) <= n for n, m in order)
    assert all(m == 0 or (m > 0) == (index % 2 == 0) for index, (_, m) in enumerate(order, 1))
    with pytest.raises(BenchError, match="Noll index 0"):
        noll_to_nm(0)


def test_zernike_orthonormal_on_the_disc() -> None:
    """Mean over the disc, by a rule exact for the degrees at hand; Noll 1976, eq. 3."""
    points, weights = np.polynomial.legendre.leggauss(12)
    rho = (points + 1) / 2
    measure = (weights / 2 * rho)[:, None] * np.full(32, 2 / 32)
    theta, rho = np.meshgrid(np.arange(32) * 2 * math.pi / 32, rho)
    terms = np.stack([zernike(i, rho, theta) for i in range(1, 37)])
    gram = np.einsum("iab,jab,ab->ij", terms, terms, measure)
    assert np.abs(gram - np.eye(36)).max() < 1e-12


def test_zernike_closed_forms() -> None:
    """Noll 1976, table I: tilt 2 rho cos, defocus sqrt(3)(2 rho^2 - 1), spherical."""
    rho, theta = np.array([0.0, 0.3, 0.9]), np.array([0.2, 1.1, -2.0])
    assert zernike(2, rho, theta) == pytest.approx(2 * rho * np.cos(theta), abs=1e-14)
    assert zernike(3, rho, theta) == pytest.approx(2 * rho * np.sin(theta), abs=1e-14)
    assert zernike(4, rho, theta) == pytest.approx(math.sqrt(3) * (2 * rho**2 - 1), abs=1e-14)
    fourth = math.sqrt(5) * (6 * rho**4 - 6 * rho**2 + 1)
    assert zernike(11, rho, theta) == pytest.approx(fourth, abs=1e-14)


def centre_of(light: Light) -> tuple[float, float]:
    """Centre of the far field's intensity (u, v) in m."""
    x, y = axis(160, 5e-5), axis(161, 5e-5)
    u, v = axis(121, 1e-6), axis(120, 1e-6)
    field = illumination(light, x, y)
    facet = matrix_transform(field, fourier_rows(y, v, SCALE), fourier_rows(x, u, SCALE))
    power = np.abs(facet) ** 2
    return float(np.sum(power * u) / power.sum()), float(np.sum(power * v[:, None]) / power.sum())


@pytest.mark.parametrize(("index", "along"), [(2, 0), (3, 1)])
def test_a_positive_tilt_moves_the_far_field_to_positive_coordinates(
    index: int, along: int
) -> None:
    """2 rms x/R waves are exp(2 pi i x d/(lambda f)), d = 2 rms lambda f/R: E(u) -> E(u - d)."""
    rms, radius = 1.5, 1.3e-3
    light = Light(1.55e-6, (1e-3, 1e-3), zernike=((index, rms),), zernike_radius=radius)
    wanted = [0.0, 0.0]
    wanted[along] = 2 * rms * SCALE / radius
    assert centre_of(light) == pytest.approx(wanted, abs=1e-11)


def test_a_diverging_beam_sends_its_right_side_to_the_right() -> None:
    """Rays of a wavefront of curvature c leave x at the angle c x, the lens puts them at f c x."""
    focal_length, curvature, offset = SCALE / 1.55e-6, 2.0, (0.4e-3, -0.3e-3)
    whole = axis(160, 5e-5)
    light = Light(1.55e-6, (1e-3, 1e-3), curvature=curvature)
    assert centre_of(light) == pytest.approx((0, 0), abs=1e-11)
    # the same wavefront around the axis, seen by a beam beside it
    phase = np.pi * curvature * (whole**2 + whole[:, None] ** 2) / light.wavelength
    beside = illumination(Light(1.55e-6, (1e-3, 1e-3), offset=offset), whole, whole)
    angles = np.angle(illumination(light, whole, whole) * np.exp(-1j * phase))
    assert np.abs(angles).max() < 1e-9
    u = axis(121, 1e-6)
    rows = fourier_rows(whole, u, SCALE)
    power = np.abs(matrix_transform(beside * np.exp(1j * phase), rows, rows)) ** 2
    found = np.sum(power * u) / power.sum(), np.sum(power * u[:, None]) / power.sum()
    wanted = [focal_length * curvature * at for at in offset]
    assert found == pytest.approx(wanted, abs=1e-10)


def test_the_wavefront_goes_with_the_beam() -> None:
    """Curvature and Zernike disc lie around the beam's centre, not the mask's."""
    x = axis(40, 1e-4)
    shape = {"curvature": 1.7, "zernike": ((2, 0.3), (7, 0.1)), "zernike_radius": 1e-3}
    plain = illumination(Light(1.55e-6, (1e-3, 6e-4), 0.3, **shape), x, x)
    moved = illumination(Light(1.55e-6, (1e-3, 6e-4), 0.3, (3e-4, -2e-4), **shape), x, x)
    assert np.abs(moved[:-2, 3:] - plain[2:, :-3]).max() < 1e-9 * np.abs(plain).max()


@settings(max_examples=30, deadline=None)
@given(
    waists=st.tuples(st.floats(2e-4, 5e-4), st.floats(2e-4, 5e-4)),
    angle=st.floats(-4, 4),
    offset=st.tuples(st.floats(-3e-4, 3e-4), st.floats(-3e-4, 3e-4)),
)
def test_moments_of_an_elliptic_beam(
    waists: tuple[float, float], angle: float, offset: tuple[float, float]
) -> None:
    """Power 1, centre at the offset, covariance R diag(w^2/4) R^T with R the turn by `angle`.

    Sums over 8 samples of the least waist and 4 widest waists: Gaussian sums, exact to 1e-9.
    """
    step = 2.5e-5
    x, y = axis(190, step), axis(191, step)
    field = illumination(Light(1.55e-6, waists, angle, offset), x, y)
    power = np.abs(field) ** 2 * step**2
    assert power.sum() == pytest.approx(1, abs=1e-9)
    across, up = np.meshgrid(x - offset[0], y - offset[1])
    assert (np.sum(power * across), np.sum(power * up)) == pytest.approx((0, 0), abs=1e-12)
    points = np.stack([across, up])
    found = np.einsum("iab,jab,ab->ij", points, points, power)
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    wanted = turn @ np.diag(np.square(waists) / 4) @ turn.T
    assert np.abs(found - wanted).max() < 1e-9 * max(waists) ** 2


def test_a_measured_gaussian_is_the_gaussian() -> None:
    """On the image's own pixels exactly; between them the intensity is interpolated linearly, off
    by at most h^2/8 (I_xx + I_yy), where abs(I_xx) <= 4 I_0/w^2."""
    waist, step, offset = 1e-3, 4e-5, (2e-4, -3e-4)
    model = Light(1.55e-6, (waist, 0.7e-3), 0.4)
    rows, columns = axis(151, step), axis(150, step)
    image = np.abs(illumination(model, columns, rows)) ** 2
    seen = Light(1.55e-6, offset=offset, image=137.0 * image, image_pitch=step)
    there = illumination(seen, columns + offset[0], rows + offset[1])
    scale = np.abs(there).max()
    assert np.abs(there - illumination(model, columns, rows)).max() < 1e-6 * scale
    x, y = axis(37, 5.3e-5), axis(41, 6.1e-5)
    between = np.abs(illumination(seen, x + offset[0], y + offset[1])) ** 2
    exact = np.abs(illumination(model, x, y)) ** 2
    bound = step**2 / 8 * 4 * (1 / waist**2 + 1 / 0.7e-3**2)
    assert np.abs(between - exact).max() < bound * exact.max()


@settings(max_examples=30, deadline=None)
@given(
    image_shape=st.tuples(st.integers(2, 12), st.integers(2, 12)),
    gain=st.floats(1e-3, 1e3),
    seed=seeds,
)
def test_a_measured_beam_has_power_one(
    image_shape: tuple[int, int], gain: float, seed: int
) -> None:
    """On the image's own pixels the sum is exact, whatever the camera's gain."""
    image = gain * np.random.default_rng(seed).random(image_shape)
    light = Light(1.55e-6, image=image, image_pitch=3e-5)
    field = illumination(light, axis(image_shape[1], 3e-5), axis(image_shape[0], 3e-5))
    assert np.sum(np.abs(field) ** 2) * 3e-5**2 == pytest.approx(1, rel=1e-9)
    assert np.argmax(np.abs(field)) == np.argmax(image)


def test_a_measured_beam_is_dark_outside_its_image() -> None:
    light = Light(1.55e-6, image=np.ones((3, 4)), image_pitch=1e-5)
    field = illumination(light, np.array([-3e-5, 0.0, 3e-5]), np.array([-2.1e-5, 0.0, 2.1e-5]))
    assert np.count_nonzero(field) == 1


def test_pixel_envelope() -> None:
    """sinc^2 at half an order, one axis and both; Goodman."""
    pitch = 15e-6
    edge = pixel_envelope(pitch, np.array([SCALE / (2 * pitch)]), SCALE)[0] ** 2
    assert edge == pytest.approx(ref.ENVELOPE_EDGE, abs=1e-9)
    assert edge**2 == pytest.approx(ref.ENVELOPE_CORNER, abs=1e-9)
    # a square of the pixel's width, by quadrature of the transform
    points, weights = np.polynomial.legendre.leggauss(20)
    u = np.array([0.0, 1e-4, 3e-4, -5e-4])
    turn = np.exp(-2j * math.pi * np.outer(u, points * pitch / 2) / SCALE)
    direct = turn @ weights / 2
    assert pixel_envelope(pitch, u, SCALE) == pytest.approx(direct.real, abs=1e-12)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"zernike": ((4, 0.1),)}, "radius of their disc"),
        ({"image": np.ones((2, 2))}, "size of its pixels"),
        ({"image": np.array([[1.0, -1.0]]), "image_pitch": 1e-5}, "not negative"),
        ({"image": np.array([[1.0, np.nan]]), "image_pitch": 1e-5}, "finite"),
        ({"image": np.zeros((2, 2)), "image_pitch": 1e-5}, "dark"),
    ],
)
def test_light_that_cannot_be(changes: dict[str, object], words: str) -> None:
    with pytest.raises(BenchError, match=words):
        Light(1.55e-6, **changes)  # type: ignore[arg-type]
