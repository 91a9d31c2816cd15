"""One page fixes axis order, centring and the sign of the phase: an F that no mistake leaves alone.

The F is asymmetric about both axes and both diagonals.  It lies off the centre, on arrays that are
not square, of even and of odd sizes.
"""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from maskforge.launch.basis import sampled
from maskforge.launch.couplings import back_propagated, couplings, prepare
from maskforge.launch.fourier import axis, fourier_rows
from maskforge.launch.fourier import matrix_transform as transform
from maskforge.launch.light import Light, illumination
from maskforge.launch.modulator import Carrier, Modulator, levels
from maskforge.launch.panel import rendered
from maskforge.launch.setup import Setup
from maskforge.launch.targets import lp_target, superposition, target_field
from tests.benches import FOCAL_LENGTH, MASK_WAIST, MODE_WAIST, SCALE, WAVELENGTH, beam, parabola
from tests.far_field import far_field

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]
Bits = NDArray[np.bool_]

LETTER = """
####.
#....
###..
#....
#....
#....
"""
F = np.array([[c == "#" for c in line] for line in LETTER.split()])
"""As it is read: the first row is the top."""

PITCH = (2e-5, 3e-5)
SHAPES = [(90, 120), (91, 120), (90, 121), (91, 121)]


def spots(at: tuple[float, float], apart: tuple[float, float]) -> list[tuple[float, float]]:
    """Places (u, v) of the F's dots, `at` being the lower left corner, v up."""
    rows = F.shape[0]
    return [
        (at[0] + column * apart[0], at[1] + (rows - 1 - row) * apart[1])
        for row, column in np.argwhere(F)
    ]


def tilts(shape: tuple[int, int], places: list[tuple[float, float]]) -> Complex:
    """A mask that sends a share of a plane wave to each place: exp(+2 pi i x.u/(lambda f)).

    That is what the lens's formula in DESIGN turns into a spot at +u.
    """
    x, y = axis(shape[1], PITCH[0]), axis(shape[0], PITCH[1])[:, None]
    return np.asarray(sum(np.exp(2j * math.pi / SCALE * (x * u + y * v)) for u, v in places))


def read(field: Complex) -> Bits:
    """A picture [row = y, y up] as it is looked at, top first."""
    power = np.abs(field[::-1]) ** 2
    return np.asarray(power > 0.5 * power.max())


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("size", [(96, 128), (97, 129), (128, 161)])
def test_the_far_field_of_tilts_is_the_letter(
    shape: tuple[int, int], size: tuple[int, int]
) -> None:
    """By FFT: dots on every fourth sample, from a corner right of and above the middle."""
    step = SCALE / (size[1] * PITCH[0]), SCALE / (size[0] * PITCH[1])
    places_u, places_v = axis(size[1], step[0]), axis(size[0], step[1])
    first = size[1] // 2 + 5, size[0] // 2 + 3
    corner = places_u[first[0]], places_v[first[1]]
    mask = tilts(shape, spots(corner, (4 * step[0], 4 * step[1])))
    facet, u, v = far_field(mask, size, PITCH, SCALE)
    assert u == pytest.approx(places_u, rel=1e-12)
    assert v == pytest.approx(places_v, rel=1e-12)
    cut = facet[first[1] : first[1] + 21 : 4, first[0] : first[0] + 17 : 4]
    assert np.array_equal(read(cut), F)
    # in phase with the middle of the mask: a pixel off in centring turns a dot by degrees
    dots = cut[::-1][F]
    assert np.abs(np.angle(dots)).max() < 0.25
    # and the F is there once, upright: its quadrant holds nearly all the light
    quadrant = facet[first[1] - 2 :, first[0] - 2 :]
    assert np.sum(np.abs(quadrant) ** 2) > 0.9 * np.sum(np.abs(facet) ** 2)


@pytest.mark.parametrize("shape", SHAPES)
def test_the_far_field_on_a_chosen_grid_is_the_letter(shape: tuple[int, int]) -> None:
    """By matrix transform on 6 rows and 5 columns only; phases to rounding, for one dot alone."""
    apart = 4e-5, 6e-5
    corner = 1.7e-5, -2.3e-5
    u = corner[0] + apart[0] * np.arange(5)
    v = corner[1] + apart[1] * np.arange(6)
    x, y = axis(shape[1], PITCH[0]), axis(shape[0], PITCH[1])
    rows_y, rows_x = fourier_rows(y, v, SCALE), fourier_rows(x, u, SCALE)
    places = spots(corner, apart)
    assert np.array_equal(read(transform(tilts(shape, places), rows_y, rows_x)), F)
    alone = transform(tilts(shape, places[:1]), rows_y, rows_x)[-1, 0]
    assert alone == pytest.approx(shape[0] * shape[1], rel=1e-12)


@pytest.mark.parametrize("shape", SHAPES)
def test_a_moved_mask_turns_the_phase(shape: tuple[int, int]) -> None:
    """One lit pixel at (x, y): the far field is exp(-2 pi i (x u + y v)/(lambda f))."""
    row, column = 17, 33
    lit = np.zeros(shape, complex)
    lit[row, column] = 1
    x = (column - (shape[1] - 1) / 2) * PITCH[0]
    y = (row - (shape[0] - 1) / 2) * PITCH[1]
    facet, u, v = far_field(lit, (130, 140), PITCH, SCALE)
    wanted = np.exp(-2j * math.pi / SCALE * (x * u + y * v[:, None]))
    assert np.abs(facet - wanted).max() < 1e-11


@pytest.mark.parametrize("shape", [(60, 80), (61, 80), (60, 81), (61, 81)])
def test_a_camera_picture_of_the_beam_keeps_its_letter(shape: tuple[int, int]) -> None:
    """`image` is y up: its last row is the top; the mask's pixels are the camera's here."""
    image = np.zeros((8, 7))  # dark at its border, as a picture of a beam is
    image[1:-1, 1:-1][F[::-1]] = 1.0
    light = Light(WAVELENGTH, offset=(6e-4, 3e-4), image=image, image_pitch=1e-4)
    x, y = axis(shape[1], 5e-5), axis(shape[0], 5e-5)
    seen = np.abs(illumination(light, x, y)) ** 2
    power = seen / seen.sum()
    centre = np.sum(power * x), np.sum(power * y[:, None])
    dots = np.array(spots((-2e-4 + 6e-4, -2.5e-4 + 3e-4), (1e-4, 1e-4)))
    # two samples a camera pixel: the triangles of linear interpolation keep their centres
    assert np.abs(centre - dots.mean(axis=0)).max() < 1e-12
    columns = [int(np.argmin(np.abs(x - u))) for u in 4e-4 + 1e-4 * np.arange(5)]
    rows = [int(np.argmin(np.abs(y - v))) for v in 0.5e-4 + 1e-4 * np.arange(6)]
    # nearest samples lie within a quarter of a camera pixel along either axis: a lit one keeps 9/16
    # of its power density at least, a dark one gets 7/16 at most
    lit = 1 / (F.sum() * 1e-4**2)
    assert np.array_equal(seen[np.ix_(rows, columns)][::-1] > lit / 2, F)


@pytest.mark.parametrize("mask", [(6, 5), (8, 9), (9, 7)])
@pytest.mark.parametrize("at", [None, (3, 1), (0, 4)])
def test_the_rendered_panel_shows_the_letter(
    mask: tuple[int, int], at: tuple[int, int] | None
) -> None:
    """Row 0 of the file is the top; the mask's top left pixel lies at (column, row)."""
    panel = (13, 16)
    modulator = Modulator(mask, 1e-5, levels(4), panel_shape=panel, at=at)
    states = np.zeros(mask, int)
    bottom = mask[0] - 6  # the F in the upper left of the mask, y up
    states[bottom:, :5] = 3 * F[::-1]
    column, row = at or ((16 - mask[1]) // 2, (13 - mask[0]) // 2)
    wanted = np.zeros(panel, int)
    wanted[row : row + 6, column : column + 5] = 3 * F
    assert np.array_equal(rendered(modulator, states), wanted)


@pytest.mark.parametrize("shape", [(90, 120), (91, 121)])
def test_the_panel_in_front_of_the_lens_writes_the_letter(shape: tuple[int, int]) -> None:
    """From the file alone: grey to phase, the top row at the highest y, the lens's sum.

    One dot of the F at a time, each its own blazed mask of 256 levels.
    """
    alphabet = levels(256)
    modulator = Modulator(shape, 2e-5, alphabet, panel_shape=(130, 160), at=(30, 7))
    x, y = axis(shape[1], 2e-5), axis(shape[0], 2e-5)
    down = (shape[0] - 1) / 2 - np.arange(shape[0])
    across = np.arange(shape[1]) - (shape[1] - 1) / 2
    written = np.zeros_like(F)
    for u, v in spots((1.2e-4, -0.9e-4), (6e-5, 6e-5)):
        blaze = alphabet.support(np.exp(2j * math.pi / SCALE * (x * u + y[:, None] * v)))
        picture = rendered(modulator, blaze)
        phase = picture[7 : 7 + shape[0], 30 : 30 + shape[1]] * (2 * math.pi / 256)
        found = np.zeros(F.shape)
        for row, column in np.ndindex(*F.shape):
            there = 1.2e-4 + 6e-5 * column, -0.9e-4 + 6e-5 * (5 - row)
            turn = 2e-5 * (across * there[0] + down[:, None] * there[1])
            found[row, column] = abs(np.sum(np.exp(1j * phase - 2j * math.pi / SCALE * turn)))
        # 256 levels lose (pi/256)^2/6 of the amplitude
        assert found.max() == pytest.approx(shape[0] * shape[1], rel=1e-4)
        written |= found == found.max()
    assert np.array_equal(written, F)


LOBES = [
    ("LP11", "cos", (1, 0)),
    ("LP11", "sin", (0, 1)),
]


@pytest.mark.parametrize("shape", [(120, 130), (121, 130), (120, 131), (121, 131)])
@pytest.mark.parametrize(("label", "part", "side"), LOBES)
def test_a_spot_beside_the_axis_has_lobes_of_its_side(
    shape: tuple[int, int], label: str, part: str, side: tuple[int, int]
) -> None:
    """LP01 plus LP11 cos is brighter at +u, LP01 plus LP11 sin at +v: mask, launch and back.

    The tilted mask launches them in phase; and the back-propagated pair has the tilt's phase.
    """
    fiber, basis = parabola(2)
    modulator = Modulator(shape, MASK_WAIST / 12, levels(256), fill_factor=0.9)
    launch = prepare(Setup(beam(), modulator, Carrier(), FOCAL_LENGTH, fiber, basis))
    place = {(m.label, m.part): m.index for m in basis}[label, part]
    offset = 0.3 * MODE_WAIST
    tilt = 2 * math.pi / SCALE * offset * (side[0] * launch.x + side[1] * launch.y[:, None])
    found = couplings(launch, np.exp(1j * tilt))
    # moved by d = 0.3 w a Gaussian has d/w of LP01's amplitude in LP11, of its sign
    assert found[place] / found[0] == pytest.approx(0.3, abs=2e-3)
    mix = superposition(basis, "mix", {("LP01", None): 1, (label, part): 0.3})
    back = back_propagated(launch, mix.vector)
    # conj(v) s adds up when the phase of v is that of the tilt (to first order in the offset)
    middle = np.hypot(launch.x, launch.y[:, None]) < 0.5 * MASK_WAIST
    unturned = np.angle(np.sum(back))
    off = np.angle(back * np.exp(-1j * (tilt + unturned)))
    assert np.abs(off[middle]).max() < 0.5**3 / 3 * 0.6**3 * 8
    u = axis(41, 1e-6)
    power = np.abs(target_field(sampled(basis, u, u), mix)) ** 2
    centre = np.sum(power * u) / power.sum(), np.sum(power * u[:, None]) / power.sum()
    assert np.dot(centre, side) > 0.2 * MODE_WAIST
    assert abs(np.dot(centre, side[::-1])) < 1e-3 * MODE_WAIST


def test_an_orientation_turns_counter_clockwise_on_the_panel_too() -> None:
    """LP11 at 30 degrees: the mask's two halves meet along the line at 120 degrees."""
    fiber, basis = parabola(2)
    modulator = Modulator((120, 131), MASK_WAIST / 12, levels(2))
    launch = prepare(Setup(beam(), modulator, Carrier(), FOCAL_LENGTH, fiber, basis))
    back = back_propagated(launch, lp_target(basis, "LP11", 30.0).vector)
    line = math.cos(math.radians(30)) * launch.x + math.sin(math.radians(30)) * launch.y[:, None]
    # E carries 1/i and the transform of an odd field another i: sign and lobes agree
    clear = np.abs(line) > 0.1 * MASK_WAIST
    bright = np.abs(back) > 1e-3 * np.abs(back).max()
    sign = np.real(back / back.ravel()[np.argmax(np.abs(back))])
    same = np.sign(sign[clear & bright]) * np.sign(line[clear & bright])
    assert len({*same}) == 1
