"""Sellmeier glasses against published numbers."""

import math

import pytest
from scipy.constants import c
from scipy.optimize import brentq

from maskforge.base.errors import BenchError
from maskforge.fiber import GERMANIA, SILICA, germania_doped, germania_fraction
from tests.reference import fiber_values as ref


@pytest.mark.parametrize("wavelength", ref.SILICA_INDEX)
def test_silica_index(wavelength: float) -> None:
    assert SILICA.index(wavelength) == pytest.approx(ref.SILICA_INDEX[wavelength], abs=1e-8)


@pytest.mark.parametrize("wavelength", ref.SILICA_GROUP_INDEX)
def test_silica_group_index(wavelength: float) -> None:
    expected = ref.SILICA_GROUP_INDEX[wavelength]
    assert SILICA.group_index(wavelength) == pytest.approx(expected, abs=1e-8)


def dispersion(wavelength: float) -> float:
    """ps/(nm km), as the central difference of the group index."""
    h = 1e-9
    change = SILICA.group_index(wavelength + h) - SILICA.group_index(wavelength - h)
    return change / (2.0 * h) / c * 1e6


def test_silica_dispersion() -> None:
    assert dispersion(1.55e-6) == pytest.approx(ref.SILICA_DISPERSION_1550, abs=1e-4)
    zero = brentq(dispersion, 1.2e-6, 1.35e-6, xtol=1e-14)
    assert zero == pytest.approx(ref.SILICA_ZERO_DISPERSION, abs=1e-12)


def test_germania_and_mixture() -> None:
    assert GERMANIA.index(1.55e-6) == pytest.approx(ref.GERMANIA_INDEX_1550, abs=1e-8)
    mixed = germania_doped(0.135).index(1.55e-6)
    assert mixed == pytest.approx(ref.DOPED_13_5_INDEX_1550, abs=1e-8)
    assert germania_doped(0.0) == SILICA
    assert germania_doped(1.0) == GERMANIA


@pytest.mark.parametrize("wavelength", ref.FRACTION_FOR_NA_02)
def test_fraction_for_an_aperture(wavelength: float) -> None:
    core = math.hypot(SILICA.index(wavelength), 0.2)
    expected = ref.FRACTION_FOR_NA_02[wavelength]
    assert germania_fraction(wavelength, core) == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("fraction", [0.0, 0.05, 0.3, 1.0])
def test_fraction_is_the_inverse(fraction: float) -> None:
    index = germania_doped(fraction).index(1.31e-6)
    assert germania_fraction(1.31e-6, index) == pytest.approx(fraction, abs=1e-12)


def test_group_index_is_the_derivative() -> None:
    glass, at, h = germania_doped(0.1), 1.0e-6, 1e-10
    slope = (glass.index(at + h) - glass.index(at - h)) / (2.0 * h)
    assert glass.group_index(at) == pytest.approx(glass.index(at) - at * slope, abs=1e-9)


def test_wrong_input() -> None:
    with pytest.raises(BenchError, match=r"wavelength 1550\.?.* um is outside"):
        SILICA.index(1550e-6)
    with pytest.raises(BenchError, match=r"fraction 1\.2 is outside 0 to 1"):
        germania_doped(1.2)
    with pytest.raises(BenchError, match=r"index 1\.4 at 1550 nm"):
        germania_fraction(1.55e-6, 1.4)
    with pytest.raises(BenchError, match="nan"):
        SILICA.index(math.nan)
