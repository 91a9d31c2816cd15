"""The highest density on the panel, against the light that the launch itself puts there."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maskforge.launch.light import Light, illumination
from maskforge.launch.lit_panel import panel_axes
from maskforge.launch.modulator import Modulator, binary
from maskforge.launch.power_density import peak_density, surface_share

PANEL = Modulator((40, 60), 1e-5, binary(), panel_shape=(50, 100), at=(30, 0))


def peak(light: Light, modulator: Modulator = PANEL) -> float:
    found = peak_density(light, modulator)
    assert found is not None
    return found


def test_a_gaussian_and_an_image() -> None:
    """2 P/(pi w_x w_y), the Gaussian's peak; of an image, the brightest pixel's share an area."""
    light = Light(1.55e-6, (1e-3, 2e-3), power=3e-3)
    assert peak(light) == pytest.approx(3e-3 * 2 / (math.pi * 2e-6), rel=1e-14)
    image = np.array([[1.0, 0.0], [0.0, 3.0]])
    measured = Light(1.55e-6, image=image, image_pitch=1e-4, power=2e-3)
    assert peak(measured) == pytest.approx(2e-3 * 0.75 / 1e-8, rel=1e-14)
    assert peak_density(Light(1.55e-6), PANEL) is None


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    measured=st.booleans(),
    degrees=st.floats(0, 75),
    offset=st.tuples(st.floats(-6e-4, 6e-4), st.floats(-6e-4, 6e-4)),
)
def test_it_is_never_below_what_a_pixel_gets(
    seed: int, measured: bool, degrees: float, offset: tuple[float, float]
) -> None:
    """The panel lit as for a launch, sampled finer than its pixels: no sample is brighter."""
    rng = np.random.default_rng(seed)
    panel = replace(PANEL, incidence=math.radians(degrees))
    light = Light(1.55e-6, tuple(rng.uniform(5e-5, 1e-3, 2)), rng.uniform(0, 3), offset, power=2.0)
    if measured:
        image = rng.random(rng.integers(1, 30, 2)) ** 4 + 1e-3
        light = replace(light, image=image, image_pitch=rng.uniform(5e-6, 6e-5))
    x, y = panel_axes(panel)
    fine = [
        np.linspace(z[0] - p / 2, z[-1] + p / 2, 301)
        for z, p in zip((x, y), panel.pitch_seen, strict=True)
    ]
    density = 2.0 * np.abs(illumination(light, *fine)) ** 2
    assert np.max(density) <= peak(light, panel) * (1 + 1e-12)
    assert surface_share(panel) == pytest.approx(math.cos(math.radians(degrees)), rel=1e-14)


def test_a_hot_pixel_beside_the_panel_does_not_count() -> None:
    """x of the panel's pixels goes from -0.6 to 0.4 mm, y from -0.3 to 0.2 mm."""
    image = np.ones((3, 60))
    for column, counts in ((0, False), (18, False), (20, True), (54, True), (55, False)):
        hot = image.copy()
        hot[1, column] = 9
        # the picture's columns lie every 0.03 mm, from -1.2 mm on
        light = Light(1.55e-6, offset=(-3.15e-4, 0), image=hot, image_pitch=3e-5, power=1.0)
        found = peak(light) * np.sum(hot) * 3e-5**2
        assert found == pytest.approx(9 if counts else 1, rel=1e-12), column


def test_the_clipped_beam_keeps_its_peak() -> None:
    """A beam ten times the panel; half of it beside the panel."""
    wide = Light(1.55e-6, (1e-2, 1e-2), power=1.0)
    assert peak(wide) == pytest.approx(2 / (math.pi * 1e-4), rel=1e-14)
    assert peak(replace(wide, offset=(5e-3, 0))) == peak(wide)
