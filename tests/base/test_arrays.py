"""Blurs on a device's arrays against SciPy's filter, a general reference library."""

import array_api_strict
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from maskforge.base.arrays import blurred, on_host


@pytest.mark.parametrize("width", [0.05, 0.3, 1.0, 2.7, 40.0])
def test_a_blur_of_a_devices_array_is_that_of_the_hosts(width: float) -> None:
    values = np.random.default_rng(1).standard_normal((2, 30, 41))
    wanted = gaussian_filter(values, (0, width, width), mode="nearest")
    found = blurred(array_api_strict.asarray(values), width)
    np.testing.assert_allclose(on_host(found), wanted, atol=1e-14)
