"""The two ways from the mask to the facet along an axis, and the choice between them."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from maskforge.launch.fourier import Folded, axis, folded, fourier_rows, matrix_transform
from maskforge.launch.planned import Planned, length_of, planned
from maskforge.launch.transform import (
    Side,
    fast_length,
    fft_cost,
    is_fast,
    padded_axis,
    product_cost,
    side_of,
    transform,
)

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

SCALE, PITCH = 1.55e-6 * 4.5e-3, (9e-6, 11e-6)

counts = st.integers(1, 9)
seeds = st.integers(0, 2**32 - 1)


def noise(shape: tuple[int, int], seed: int) -> Complex:
    rng = np.random.default_rng(seed)
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


def axes(mask: int, facet: int, length: int, pitch: float) -> tuple[Real, Real]:
    return axis(mask, pitch), axis(facet, SCALE / (length * pitch))


@settings(max_examples=60, deadline=None)
@given(data=st.data(), ways=st.tuples(st.booleans(), st.booleans()), seed=seeds)
def test_both_ways_are_the_plain_transform(
    data: st.DataObject, ways: tuple[bool, bool], seed: int
) -> None:
    """And its adjoint, real parts and real fields; even and odd, more samples on either side."""
    sides: list[Side] = []
    rows: list[Complex] = []
    for by_fft, pitch in zip(ways, PITCH, strict=True):
        mask, facet = data.draw(counts), data.draw(counts)
        length = data.draw(st.integers(max(mask, facet), 20))
        x, u = axes(mask, facet, length, pitch)
        sides.append(planned(mask, facet, length) if by_fft else folded(x, u, SCALE))
        rows.append(fourier_rows(x, u, SCALE))
    for side, plain_rows in zip(sides, rows, strict=True):
        # devices take them whole
        assert isinstance(side, Folded | Planned)
        assert np.allclose(side.rows, plain_rows, rtol=0, atol=1e-13)
        assert np.allclose(side.adjoint.rows, plain_rows.conj().T, rtol=0, atol=1e-13)
        assert np.allclose(side.single.rows, plain_rows, rtol=0, atol=1e-5)
        assert side.single.rows.dtype == np.complex64
    (over_x, over_y), (rows_x, rows_y) = sides, rows
    field = noise((rows_y.shape[1], rows_x.shape[1]), seed)
    facet_field = noise((rows_y.shape[0], rows_x.shape[0]), seed + 1)
    close = {"rtol": 0, "atol": 1e-13 * (np.abs(field).sum() + np.abs(facet_field).sum())}
    plain = matrix_transform(field, rows_y, rows_x)
    assert np.allclose(transform(field, over_y, over_x), plain, **close)
    assert np.allclose(transform(field, over_y, over_x, real=True), plain.real, **close)
    of_real = matrix_transform(field.real, rows_y, rows_x)
    assert np.allclose(transform(field.real, over_y, over_x), of_real, **close)
    back = matrix_transform(facet_field, rows_y.conj().T, rows_x.conj().T)
    found = transform(facet_field, over_y.adjoint, over_x.adjoint)
    assert np.allclose(found, back, **close)
    found = transform(facet_field, over_y.adjoint, over_x.adjoint, real=True)
    assert np.allclose(found, back.real, **close)
    for kind in (np.complex64, np.float32):
        given_field = field.astype(kind) if kind is np.complex64 else field.real.astype(kind)
        found = transform(given_field, over_y.single, over_x.single)
        assert found.dtype == np.complex64
        expected = matrix_transform(given_field, rows_y, rows_x)
        assert np.allclose(found, expected, rtol=0, atol=1e-5 * np.abs(field).sum())


@pytest.mark.parametrize(("mask", "facet", "length"), [(1080, 300, 2160), (1279, 1024, 2560)])
def test_a_long_fft_is_the_product(mask: int, facet: int, length: int) -> None:
    """1e-11 of the largest: see `planned.WHOLE`; more lines than a plan takes at once."""
    x, u = axes(mask, facet, length, PITCH[0])
    field = noise((mask, 37), 5)
    by_product = folded(x, u, SCALE).along(field)
    found = planned(mask, facet, length).along(field)
    assert np.abs(found - by_product).max() < 1e-11 * np.abs(by_product).max()


def test_length_of_the_grids_that_have_one() -> None:
    x, u = axes(1080, 200, 2160, 8e-6)
    assert length_of(x, u, SCALE) == 2160
    assert length_of(x * 0.997, u / 0.997, SCALE) == 2160
    assert length_of(x, u * (1 + 1e-9), SCALE) is None
    # the transform repeats after 2160 samples; more of them are left to the product
    assert length_of(x, axis(2161, u[1] - u[0]), SCALE) is None
    assert length_of(x, axis(1, 1e-6), SCALE) is None


@pytest.mark.parametrize("count", [512, 1080, 2048])
def test_the_cheaper_way_is_taken(count: int) -> None:
    """Few samples by the product, many by FFT, with one crossing between."""
    length = 2 * count
    by_fft = []
    for facet in range(2, count, 7):
        x, u = axes(count, facet, length, 8e-6)
        side = side_of(x, u, SCALE)
        assert side.samples == (facet, count)
        by_fft.append(isinstance(side, Planned))
        assert by_fft[-1] == (fft_cost(length) < product_cost(count, facet))
    assert not by_fft[0]
    assert by_fft[-1]
    assert sum(a != b for a, b in pairwise(by_fft)) == 1


def test_what_has_no_fast_fft_is_left_to_the_product() -> None:
    x, u = axes(1021, 1000, 2 * 1021, 8e-6)
    assert isinstance(side_of(x, u, SCALE), Folded)
    assert not is_fast(2 * 1021)
    assert is_fast(2160)


@settings(max_examples=60, deadline=None)
@given(count=st.integers(2, 3000), oversampling=st.floats(1, 3), half=st.floats(1e-6, 1e-3))
def test_a_padded_axis_has_a_fast_fft(count: int, oversampling: float, half: float) -> None:
    length = fast_length(oversampling * count)
    assert length >= oversampling * count * (1 - 1e-9)
    assert is_fast(length)
    assert length < 1.2 * oversampling * count + 4
    u = padded_axis(length, 8e-6, SCALE, half)
    if u.size > 1:
        assert length_of(axis(count, 8e-6), u, SCALE) == length
        assert u[-1] <= half
        assert u[-1] > min(half, SCALE / 8e-6 / 2) - 1.01 * (u[1] - u[0])


def test_transforms_of_a_plan_are_apart() -> None:
    """Plans work in place: a second transform must reach neither the first's result nor its
    input."""
    side, first = planned(6, 8, 16), noise((6, 5), 3)
    given_first = first.copy()
    found = side.along(first)
    kept = found.copy()
    side.along(noise((6, 21), 4))
    assert np.array_equal(found, kept)
    assert np.array_equal(first, given_first)
    assert np.array_equal(side.along(first), kept)
