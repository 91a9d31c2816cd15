"""The way from pixels to the facet: a plain sum over the pixels, and the law of the adjoint.

Goodman, Introduction to Fourier Optics, sec. 5.2 (the lens) and the shift theorem of sec. 2.1;
citations from memory.
"""

import numpy as np
import pytest

from maskforge.launch.beam_in_pixels import Beam, Term, layers_of
from maskforge.launch.facet import Facet, facet_of
from maskforge.launch.fourier import axis

SCALE, PITCH, WIDTH = 1.3e-6 * 8e-3, (40e-6, 37e-6), (36e-6, 30e-6)
SHAPE = 13, 18
U, V = axis(9, 1.1e-6), axis(6, 1.7e-6)
AREA = PITCH[0] * PITCH[1]
AXES = axis(SHAPE[1], PITCH[0]), axis(SHAPE[0], PITCH[1])
ASIDE = AXES[0] + 7.5 * PITCH[0], AXES[1] - 3 * PITCH[1]


def noise(shape: tuple[int, ...], seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


def beam(*, real: bool = False, tilt: tuple[float, float] = (900.0, -400.0)) -> Beam:
    """Three terms of noise, their centres a little nearer to the middle."""
    lights = [noise(SHAPE, seed) for seed in range(3)]
    mean, *others = [light.real + 0j for light in lights] if real else lights
    terms = [Term(o, light, 1.0) for o, light in zip(((1, 0), (0, 2)), others, strict=True)]
    return Beam(WIDTH, tilt, mean, (0.998, 0.996), tuple(terms))


PLACES = {
    "centred": (AXES, (0.0, 0.0)),
    "beside the lens's axis": (AXES, (3e-4, -1e-4)),
    "part of a panel": (ASIDE, (0.0, 0.0)),
    "both": (ASIDE, (3e-4, -1e-4)),
}


def facet(name: str, light: Beam) -> Facet:
    axes, offset = PLACES[name]
    return facet_of(light, axes, AREA, SCALE, U, V, offset)


@pytest.mark.parametrize("name", PLACES)
def test_the_field_is_a_sum_over_the_pixels(name: str) -> None:
    """Pixel by pixel: its light and factor times the wave from where it sits."""
    light, factors = beam(), noise(SHAPE, 7)
    axes, offset = PLACES[name]
    x, y = (z * n + o for z, n, o in zip(axes, light.nearer, offset, strict=True))
    wanted = np.zeros((V.size, U.size), complex)
    for layer in layers_of(light, AREA, SCALE, U, V):
        for row in range(SHAPE[0]):
            for column in range(SHAPE[1]):
                path = x[column] * U + (y[row] * V)[:, None]
                wave = np.exp(-2j * np.pi * path / SCALE)
                wanted += layer.field * layer.light[row, column] * factors[row, column] * wave
    found = facet(name, light).field(factors)
    assert np.abs(found - wanted).max() < 1e-12 * np.abs(wanted).max()


@pytest.mark.parametrize("name", PLACES)
@pytest.mark.parametrize("single", [False, True])
def test_there_and_back_are_adjoint(name: str, single: bool) -> None:
    """vdot(y, field(s)) == vdot(back(y), s), and so for the layers apart."""
    made, factors, there = facet(name, beam()), noise(SHAPE, 8), noise((V.size, U.size), 9)
    parts = [noise((V.size, U.size), seed) for seed in (10, 11, 12)]
    close = 1e-13
    if single:
        made, close = made.single, 1e-5
        factors, there = factors.astype(np.complex64), there.astype(np.complex64)
        parts = [part.astype(np.complex64) for part in parts]
        assert made.field(factors).dtype == made.back(there).dtype == np.complex64
    size = np.linalg.norm(made.field(factors)) * np.linalg.norm(there)
    forward = np.vdot(there, made.field(factors))
    assert abs(forward - np.vdot(made.back(there), factors)) < close * size
    sent = list(made.sent(factors))
    size = sum(np.linalg.norm(a) * np.linalg.norm(b) for a, b in zip(parts, sent, strict=True))
    apart = sum(np.vdot(part, one) for part, one in zip(parts, sent, strict=True))
    assert abs(apart - np.vdot(made.returned(parts), factors)) < close * size


def test_single_precision_is_the_same_field() -> None:
    made, factors = facet("both", beam()), noise(SHAPE, 13)
    found = made.single.field(factors.astype(np.complex64))
    wanted = made.field(factors)
    assert np.abs(found - wanted).max() < 1e-6 * np.abs(wanted).max()


def test_real_light_stays_real_and_so_does_what_comes_back() -> None:
    """Its real part alone is what a real mask needs, at half the price."""
    made = facet("centred", beam(real=True))
    assert all(np.isrealobj(layer.light) for layer in made.layers)
    assert all(layer.light.dtype == np.float32 for layer in made.single.layers)
    there = noise((V.size, U.size), 14)
    found, whole = made.back(there, real=True), made.back(there)
    assert np.isrealobj(found)
    assert np.abs(found - whole.real).max() < 1e-13 * np.abs(whole).max()
