"""Disturbed benches against closed forms."""

import math
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from maskforge.bench.elsewhere import at_wavelength
from maskforge.launch.basis import sampled
from maskforge.launch.couplings import back_propagated, couplings, pixel_field
from maskforge.launch.fourier import axis, fourier_rows, matrix_transform
from maskforge.launch.targets import lp_target
from maskforge.study.tolerance.causes import Errors
from maskforge.study.tolerance.disturbed import Nominal, guided, nominal
from tests.align.bench import lab
from tests.benches import FOCAL_LENGTH, MODE_WAIST, POINT, SCALE, WAVELENGTH
from tests.cli.errorbenches import deep, disturbed_launch, matched
from tests.reference import optics_values as ref

Complex = NDArray[np.complex128]


@cache
def plain(rho: float) -> Nominal:
    return deep(rho)


@cache
def carrying(period: float, angle: float) -> Nominal:
    return deep(design={"carrier_period_px": period, "carrier_angle_deg": math.degrees(angle)})


def launched(start: Nominal, errors: Errors, factors: Complex | None = None) -> Complex:
    """Couplings per POINT of the blank mask, or of any factors."""
    blank = np.ones(start.modulator.shape, complex)
    found = couplings(disturbed_launch(start, errors), blank if factors is None else factors)
    return found / POINT


# --- Gaussian beams, closed forms ------------------------------------------------------------


@pytest.mark.parametrize("ratio", [1 / 1.4, 1.0, 1.4])
@pytest.mark.parametrize(("offset", "tilt"), [(0.6, 0.0), (0.0, 0.5), (-0.4, 0.3)])
def test_offset_and_tilt(ratio: float, offset: float, tilt: float) -> None:
    """Marcuse 1977, along different axes; `tilt` is pi theta w/lambda."""
    spot = ratio * MODE_WAIST
    theta = tilt * WAVELENGTH / (math.pi * MODE_WAIST)
    errors = Errors(fiber_offset_x=offset * spot, fiber_tilt_y=theta)
    found = abs(launched(plain(1 / ratio), errors)[0]) ** 2
    wanted = ref.gaussian_coupling(spot, MODE_WAIST, offset * spot, tilt / MODE_WAIST)
    assert found == pytest.approx(wanted, abs=1e-8)


@pytest.mark.parametrize("ratio", [1 / 1.4, 1.0])
@pytest.mark.parametrize("defocus", [-4.0, 1.0])
def test_defocus(ratio: float, defocus: float) -> None:
    """Marcuse 1977; `defocus` is lambda z/w^2, as in the reference's numbers."""
    spot = ratio * MODE_WAIST
    z = defocus * spot**2 / WAVELENGTH
    found = abs(launched(plain(1 / ratio), Errors(defocus=z))[0]) ** 2
    wanted = ref.defocused_coupling(spot, MODE_WAIST, defocus * spot**2 / math.pi)
    assert found == pytest.approx(wanted, abs=1e-8)


def test_a_curved_beam_is_focused_again() -> None:
    """A diverging beam of curvature c has its waist z = f^2 c behind the focal plane."""
    curvature = 0.8
    start = deep(light={"curvature_per_m": curvature})
    found = launched(start, Errors(defocus=FOCAL_LENGTH**2 * curvature))
    assert abs(found[0]) ** 2 == pytest.approx(1.0, abs=1e-8)
    assert abs(launched(start, Errors())[0]) ** 2 < 0.9


def mismatch(first: float, second: float) -> float:
    """Power that two Gaussians on one axis share, along one direction."""
    return 2 * first * second / (first**2 + second**2)


@pytest.mark.parametrize("error", [-0.3, 0.2])
def test_waist_and_ellipticity(error: float) -> None:
    """A waist of 1 + e on the mask is 1/(1 + e) on the facet, of each axis."""
    found = abs(launched(plain(1.0), Errors(waist=error))[0]) ** 2
    assert found == pytest.approx(mismatch(1 + error, 1) ** 2, abs=1e-8)
    found = abs(launched(plain(1.0), Errors(ellipticity=error))[0]) ** 2
    root = math.sqrt(1 + error)
    assert found == pytest.approx(mismatch(root, 1) * mismatch(1 / root, 1), abs=1e-8)


def test_beam_offset_is_a_tilt_on_the_facet() -> None:
    """theta = d/f, which spreads over the groups as Poisson; Saijonmaa 1980, Grau 1980."""
    moved_by = math.sqrt(0.7) * SCALE / (math.pi * MODE_WAIST)
    found = launched(matched(), Errors(beam_offset_y=moved_by))
    for group in range(1, 11):
        own = [mode.index for mode in matched().basis if mode.group == group]
        assert np.sum(np.abs(found[own]) ** 2) == pytest.approx(ref.poisson(0.7, group), abs=1e-8)
    # a beam that comes from +y leans against a fibre that is turned by as much
    turned = Errors(beam_offset_y=moved_by, fiber_tilt_y=-moved_by / FOCAL_LENGTH)
    assert abs(launched(matched(), turned)[0]) ** 2 == pytest.approx(1.0, abs=1e-8)


@pytest.mark.parametrize("error", [-0.1, 0.15])
def test_focal_length_and_wavelength_scale_the_facet_field(error: float) -> None:
    """The spot is lambda f/(pi w); the mode's waist goes as sqrt(lambda) in a parabola."""
    found = abs(launched(plain(1.0), Errors(focal_length=error))[0]) ** 2
    assert found == pytest.approx(mismatch(1 + error, 1) ** 2, abs=1e-8)
    found = abs(launched(plain(1.0), Errors(wavelength=error * WAVELENGTH))[0]) ** 2
    assert found == pytest.approx(mismatch(1 + error, math.sqrt(1 + error)) ** 2, abs=1e-7)


@pytest.mark.parametrize("field", ["focal_length", "wavelength"])
@pytest.mark.parametrize("error", [-0.004, 0.004])
def test_the_carriers_order_moves_away_from_the_fibre(field: str, error: float) -> None:
    """By e lambda f/(pitch period), outwards where the scale grows; Marcuse 1977."""
    angle, period = 0.3, 4.0
    start = carrying(period, angle)
    frequency = start.carrier.frequency
    x, y = axis(128, 1.0), axis(128, 1.0)[:, None]
    mask = np.exp(2j * math.pi * (x * frequency[0] + y * frequency[1]))
    amount = error * (WAVELENGTH if field == "wavelength" else 1.0)
    found = launched(start, Errors(**{field: amount}), mask)
    away = error * SCALE / (start.modulator.pitch * period)
    mode = MODE_WAIST * math.sqrt(1 + error if field == "wavelength" else 1.0)
    wanted = ref.gaussian_coupling(MODE_WAIST * (1 + error), mode, away)
    assert abs(found[0]) ** 2 == pytest.approx(wanted, abs=1e-7)
    # the light lies beside the fibre's axis: LP11's sign is the side
    sideways = np.real(found[1:3] / found[0]) * math.copysign(1, error)
    assert sideways / np.linalg.norm(sideways) == pytest.approx(
        [math.cos(angle), math.sin(angle)], abs=1e-5
    )
    # and is there again once the fibre has followed
    followed = Errors(
        **{field: amount},
        fiber_offset_x=away * math.cos(angle),
        fiber_offset_y=away * math.sin(angle),
    )
    spot = mismatch(1 + error, mode / MODE_WAIST) ** 2
    assert abs(launched(start, followed, mask)[0]) ** 2 == pytest.approx(spot, abs=1e-7)


# --- displaced modes -------------------------------------------------------------------------


def pure(start: Nominal, label: str, orientation: float = 0.0) -> Complex:
    """Factors (of any modulus) that launch just this mode on the bench without errors."""
    launch = disturbed_launch(start, Errors())
    back = back_propagated(launch, lp_target(start.basis, label, orientation).vector)
    return np.asarray(back / np.maximum(np.abs(launch.incident), 1e-12) ** 2)


@pytest.mark.parametrize("kind", ["offset", "tilt"])
@pytest.mark.parametrize("s", [0.1, 0.8])
def test_displaced_modes_are_those_of_the_oscillator(kind: str, s: float) -> None:
    """<m|D|n> of the displaced harmonic oscillator, mean s = (d/w)^2 or (pi w theta/lambda)^2.

    Cahill and Glauber, Phys. Rev. 177, 1857 (1969), eq. B2 (citation from memory): for n = 1 the
    powers are s, (1 - s)^2 and s (2 - s)^2/2 times exp(-s) for m = 0, 1, 2.
    """
    start = matched()
    amount = math.sqrt(s) * (
        MODE_WAIST if kind == "offset" else WAVELENGTH / (math.pi * MODE_WAIST)
    )
    errors = Errors(**{f"fiber_{kind}_x": amount})
    place = {(mode.label, mode.part): mode.index for mode in start.basis}

    def powers(label: str, orientation: float = 0.0) -> NDArray[np.float64]:
        factors = pure(start, label, orientation)
        scale = np.linalg.norm(launched(start, Errors(), factors))
        return np.abs(launched(start, errors, factors) / scale) ** 2

    along, across = powers("LP11"), powers("LP11", 90.0)
    assert along[place["LP01", None]] == pytest.approx(s * math.exp(-s), abs=1e-7)
    assert along[place["LP11", "cos"]] == pytest.approx((1 - s) ** 2 * math.exp(-s), abs=1e-7)
    second = along[[place["LP21", "cos"], place["LP02", None], place["LP21", "sin"]]].sum()
    assert second == pytest.approx(s * (2 - s) ** 2 / 2 * math.exp(-s), abs=1e-7)
    assert across[place["LP11", "sin"]] == pytest.approx(math.exp(-s), abs=1e-7)
    assert across[place["LP21", "sin"]] == pytest.approx(s * math.exp(-s), abs=1e-7)
    # LP02 is (HG20 + HG02)/sqrt(2) but for its sign, of which the first is displaced
    ring = powers("LP02")[place["LP02", None]]
    assert ring == pytest.approx((1 - s + s**2 / 4) ** 2 * math.exp(-s), abs=1e-7)


# --- defocus by another way ------------------------------------------------------------------


def test_defocus_is_fresnels_integral() -> None:
    """Off the lens's axis, through a carrier and with a beam off centre: the facet field carried on
    by E(u; z) = 1/(i lambda z) * integral of E(u') exp(i pi |u - u'|^2/(lambda z))."""
    start = deep(
        1 / 1.3,
        light={"offset_mm": [0.15, -0.1]},
        lens={"offset_mm": [0.5, 0.3]},
        design={"carrier_period_px": 6.0, "carrier_angle_deg": 20.0},
        groups=4,
    )
    rng = np.random.default_rng(3)
    rows, columns = start.modulator.shape
    x, y = axis(columns, 1.0), axis(rows, 1.0)[:, None]
    frequency = start.carrier.frequency
    smooth = sum(
        rng.normal() * np.cos(2 * math.pi * (k * x + m * y) / 128 + rng.normal())
        for k in range(2)
        for m in range(2)
    )
    mask = np.exp(1j * (2 * math.pi * (x * frequency[0] + y * frequency[1]) + smooth))
    z = 180e-6
    launch = disturbed_launch(start, Errors())
    u = axis(401, 0.35e-6)
    rows_y, rows_x = fourier_rows(launch.y, u, SCALE), fourier_rows(launch.x, u, SCALE)
    field = -1j * matrix_transform(launch.incident * mask, rows_y, rows_x)
    field = field * pixel_field(launch.modulator, launch.centre, SCALE, u, u)
    assert launch.facet.slant is not None
    turn_u, turn_v = (np.exp(-2j * math.pi / SCALE * offset * u) for offset in launch.lens_offset)
    field = field * turn_v[:, None] * turn_u
    w = axis(161, 0.5e-6)
    kernel = np.exp(1j * math.pi * (w[:, None] - u) ** 2 / (WAVELENGTH * z)) * (u[1] - u[0])
    carried = kernel @ field @ kernel.T / (1j * WAVELENGTH * z)
    wanted = (w[1] - w[0]) ** 2 * np.tensordot(sampled(start.basis, w, w), carried, axes=2)
    found = couplings(disturbed_launch(start, Errors(defocus=z)), mask)
    wanted, found = wanted / POINT, found / POINT
    turn = np.vdot(wanted, found) / abs(np.vdot(wanted, found))
    before = launched(start, Errors(), mask)
    assert np.linalg.norm(found - before) > 0.3
    assert np.abs(found - turn * wanted).max() < 2e-5 * np.linalg.norm(found)


@pytest.mark.parametrize("groups", [None, 3])
def test_modes_are_counted_as_by_predict_and_band(groups: int | None) -> None:
    """At a shorter wavelength the fibre guides more: they count, unless the bench limits them."""
    bench = lab(fiber={"preset": "six-mode-graded", "groups": groups})
    errors = Errors(wavelength=-200e-9)
    _, basis = guided(nominal(bench), errors)
    other = at_wavelength(bench, 1110.0).basis
    assert [(mode.label, mode.part) for mode in basis] == [(m.label, m.part) for m in other]
    assert (len(basis) > 6) is (groups is None)
