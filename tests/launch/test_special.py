"""Special functions against SciPy's (Cephes; Amos, ACM TOMS 644), a general reference library."""

import numpy as np
import pytest
from scipy import special

from maskforge.launch.special import disc_spectrum, erfc, spherical_bessel

LARGEST = 0.01, 1.0, 10.0, 30.0, 100.0, 1000.0


@pytest.mark.parametrize("largest", LARGEST)
def test_spherical_bessel_functions_of_either_sign(largest: float) -> None:
    z = np.linspace(-largest, largest, 301)
    orders = np.arange(9)
    wanted = special.spherical_jn(orders[:, None], np.abs(z)) * np.sign(z) ** (orders[:, None] % 2)
    found = spherical_bessel(orders, z)
    np.testing.assert_allclose(found, wanted, atol=1e-13)
    np.testing.assert_array_equal(spherical_bessel(3, z), spherical_bessel(np.array([3]), z)[0])
    assert spherical_bessel(orders, np.array(z[7])) == pytest.approx(wanted[:, 7], abs=1e-13)


@pytest.mark.parametrize("largest", LARGEST)
def test_the_spectrum_of_a_disc(largest: float) -> None:
    """R J_1(2 pi R k) / k; pi R^2, its area, at k = 0."""
    radius = 0.7
    k = np.linspace(0, largest / (2 * np.pi * radius), 301).reshape(-1, 1)
    found = disc_spectrum(radius, k)
    assert found.shape == k.shape
    assert found[0] == pytest.approx(np.pi * radius**2, rel=1e-14)
    wanted = radius * special.j1(2 * np.pi * radius * k[1:]) / k[1:]
    np.testing.assert_allclose(found[1:], wanted, atol=1e-13)


def test_the_error_function_of_every_element() -> None:
    z = np.linspace(-6, 6, 121).reshape(11, 11)
    np.testing.assert_allclose(erfc(z), special.erfc(z), rtol=1e-14)
