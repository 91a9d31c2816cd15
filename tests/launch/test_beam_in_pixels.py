"""The beam inside the pixels, against integrals over their squares."""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from maskforge import bench as benches
from maskforge.bench import Bench
from maskforge.bench.ready import prepared
from maskforge.launch.basis import sampled
from maskforge.launch.beam_in_pixels import inner_envelope
from maskforge.launch.couplings import Launch, back_propagated, couplings, facet_field, prepare
from maskforge.launch.fourier import axis, fourier_rows
from maskforge.launch.light import Light, illumination
from maskforge.launch.modulator import Alphabet, Carrier, Modulator, binary, emitted, levels
from maskforge.launch.prediction import judged
from maskforge.launch.setup import Setup
from maskforge.launch.targets import lp_target
from maskforge.launch.transform import fast_length
from maskforge.methods.by_name import design
from maskforge.methods.draft import draft_of
from maskforge.methods.ifta import OVERSAMPLING, window_of
from maskforge.methods.problem import Problem
from maskforge.study.tolerance.causes import CAUSES, Errors
from maskforge.study.tolerance.disturbed import disturbed_factors, nominal
from maskforge.study.tolerance.response import couplings_of, sent, view_of
from tests.benches import FOCAL_LENGTH, WAVELENGTH, graded_50
from tests.cli.errorbenches import disturbed_launch

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

WAIST = 0.9e-3
AXIAL, CARRIED = Carrier(), Carrier(4.3, math.radians(35))

UPRIGHT = Light(WAVELENGTH, (WAIST, 0.7 * WAIST), offset=(0.2 * WAIST, -0.1 * WAIST), curvature=0.3)

BEAMS = {
    "round": Light(WAVELENGTH, (WAIST, WAIST)),
    "upright": UPRIGHT,
    "elliptic": Light(WAVELENGTH, (WAIST, 0.7 * WAIST), 0.5, offset=(0.2 * WAIST, -0.1 * WAIST)),
    "bent": Light(
        WAVELENGTH,
        (WAIST, 0.8 * WAIST),
        0.5,
        offset=(0.2 * WAIST, -0.1 * WAIST),
        curvature=0.3,
        zernike=((5, 0.1), (8, 0.05)),
        zernike_radius=1.5 * WAIST,
    ),
}


def coarse(
    light: Light, per_waist: float, carrier: Carrier = AXIAL, alphabet: Alphabet | None = None
) -> Launch:
    """Some 3 waists of pixels that are filled to 9/10, their gaps reflecting."""
    count = int(3.2 * per_waist)
    modulator = Modulator(
        (count - 1, count + 2),
        WAIST / per_waist,
        alphabet or levels(8),
        fill_factor=0.9,
        gap_reflectance=0.3,
    )
    return prepare(Setup(light, modulator, carrier, FOCAL_LENGTH, *graded_50()))


def noise(launch: Launch, seed: int = 1) -> Complex:
    """Phase factors (rows, columns) of which the fibre's place gets a part."""
    rows, columns = launch.modulator.shape
    tilt = [z / launch.scale for z in launch.centre]
    turns = tilt[0] * launch.x + tilt[1] * launch.y[:, None]
    rough = np.random.default_rng(seed).normal(size=(rows, columns))
    return np.asarray(np.exp(2j * math.pi * turns + 0.8j * rough))


def integrated(launch: Launch, light: Light, factors: Complex, nodes: int = 8) -> Complex:
    """Couplings of factors, and of the gaps, by Gauss-Legendre nodes in every square.

    The facet's samples are the launch's, which has its own tests.
    """
    modulator, (u, v) = launch.modulator, (launch.u, launch.v)
    points, weights = np.polynomial.legendre.leggauss(nodes)

    def transformed(share: float, values: Complex) -> Complex:
        places, sizes = [], []
        for centres, pitch in zip((launch.x, launch.y), modulator.pitch_seen, strict=True):
            half = pitch * math.sqrt(share) / 2
            places.append((centres[:, None] + points * half).ravel())
            sizes.append(np.tile(weights * half, centres.size))
        (x, y), (size_x, size_y) = places, sizes
        beam = illumination(light, x, y) * size_y[:, None] * size_x
        rows_x = fourier_rows(x, u + launch.centre[0], launch.scale)
        rows_y = fourier_rows(y, v + launch.centre[1], launch.scale)
        return np.asarray(rows_y @ (beam * np.kron(values, np.ones((nodes, nodes)))) @ rows_x.T)

    between = np.full(modulator.shape, math.sqrt(modulator.gap_reflectance), complex)
    field = transformed(modulator.fill_factor, factors - between) + transformed(1.0, between)
    step = (u[1] - u[0]) * (v[1] - v[0])
    return np.asarray(
        -1j / launch.scale * step * np.tensordot(sampled(launch.basis, u, v), field, axes=2)
    )


# --- couplings -----------------------------------------------------------------------------------


@pytest.mark.parametrize("carrier", [AXIAL, CARRIED], ids=["axial", "carried"])
@pytest.mark.parametrize("beam", BEAMS)
@pytest.mark.parametrize("per_waist", [2.5, 4.0, 8.0, 19.0])
def test_couplings_are_integrals_over_the_pixels(
    per_waist: float, beam: str, carrier: Carrier
) -> None:
    """To the 1e-5 that DESIGN promises.  Light that is constant over a pixel is far from it."""
    light = BEAMS[beam]
    launch = coarse(light, per_waist, carrier)
    factors = noise(launch)
    wanted = integrated(launch, light, factors)
    assert np.sum(np.abs(wanted) ** 2) > 0.3
    assert np.abs(couplings(launch, factors) - wanted).max() < 1e-5
    dark = integrated(launch, light, np.zeros_like(factors))
    assert np.abs(launch.gaps - dark).max() < 1e-5
    mean = replace(launch, beam=replace(launch.beam, terms=()))
    assert np.abs(couplings(mean, factors) - wanted).max() > 1e-4


def preset(name: str, **keys: object) -> Bench:
    bench = benches.load(name)
    return bench.model_copy(update={"design": bench.design.model_copy(update=keys)})


@pytest.mark.parametrize(
    ("name", "keys"),
    [
        ("few-mode-1310", {}),
        ("few-mode-1310", {"carrier_period_px": 6.0, "carrier_angle_deg": 30.0}),
        ("gi50-1550", {}),
        pytest.param("gi50-850-phase", {}, marks=pytest.mark.long),
    ],
)
def test_ordinary_benches_take_one_transform(name: str, keys: dict[str, object]) -> None:
    """A round beam about the middle of the mask, 77 to 290 pixels a waist: to 1e-5 too, because
    the light in the pixels sits a little beside their centres."""
    launch = prepared(preset(name, **keys)).launch
    assert len(launch.facet.layers) == len(draft_of(launch).facet.layers) == 1
    factors = noise(launch)
    # what the panel shows around the mask is the same in both
    wanted = launch.gaps + integrated(launch, launch.setup.light, factors, nodes=3)
    assert np.abs(couplings(launch, factors) - wanted).max() < 3e-6
    centred = replace(launch, beam=replace(launch.beam, nearer=(1.0, 1.0)))
    if name == "few-mode-1310":
        assert np.abs(couplings(centred, factors) - wanted).max() > 1e-5


@pytest.mark.parametrize("carrier", [AXIAL, CARRIED])
def test_a_beam_of_two_sides_is_their_product(carrier: Carrier) -> None:
    """A wavefront of no height has it summed over the whole plane."""
    for light in (UPRIGHT, replace(UPRIGHT, curvature=0.0)):
        plane = replace(light, zernike=((5, 0.0),), zernike_radius=WAIST)
        found, wanted = (coarse(one, 4.0, carrier).beam for one in (light, plane))
        assert len(found.terms) == len(wanted.terms) > 0
        for one, other in zip((found, *found.terms), (wanted, *wanted.terms), strict=True):
            assert np.abs(one.light - other.light).max() < 1e-15


def test_a_measured_beam_is_the_beam() -> None:
    """The image of a Gaussian, finer than the pixels, to what interpolation leaves."""
    light = BEAMS["elliptic"]
    x = axis(600, 1e-5)
    image = np.abs(illumination(replace(light, offset=(0.0, 0.0)), x, x)) ** 2
    measured = Light(WAVELENGTH, offset=light.offset, image=image, image_pitch=1e-5)
    for carrier in (AXIAL, CARRIED):
        known, launch = coarse(light, 5.0, carrier), coarse(measured, 5.0, carrier)
        factors = noise(known)
        found = couplings(launch, factors)
        # linear interpolation is off by h^2/8 A'', and A'' is 2/w^2 at most
        assert np.abs(found - couplings(known, factors)).max() < 5e-5
        assert np.abs(found - integrated(launch, measured, factors)).max() < 5e-5


# --- the same everywhere -------------------------------------------------------------------------


def real_bench() -> Launch:
    light = Light(WAVELENGTH, (WAIST, 0.8 * WAIST), offset=(0.1 * WAIST, 0.0))
    return coarse(light, 5.0, alphabet=binary())


def test_the_adjoint_of_several_layers() -> None:
    """<t, c - c0> = sum over pixels of conj(v) s, complex and real."""
    rng = np.random.default_rng(3)
    for launch in (coarse(BEAMS["bent"], 4.0, CARRIED), real_bench()):
        assert len(launch.facet.layers) > 3
        vector = rng.normal(size=len(launch.basis)) + 1j * rng.normal(size=len(launch.basis))
        factors = noise(launch)
        forward = np.vdot(vector, couplings(launch, factors) - launch.gaps)
        back = back_propagated(launch, vector)
        assert abs(forward - np.vdot(back, factors)) < 1e-12 * abs(forward)
    assert launch.is_real
    np.testing.assert_allclose(
        back_propagated(launch, vector, real=True), back.real, atol=1e-14 * np.abs(back).max()
    )


@pytest.mark.parametrize("launch", [coarse(BEAMS["bent"], 4.0, CARRIED), real_bench()])
def test_the_draft_has_the_same_terms(launch: Launch) -> None:
    draft = draft_of(launch)
    assert len(draft.facet.layers) > 3
    rng = np.random.default_rng(4)
    values = launch.modulator.alphabet.values
    states = rng.integers(0, values.size, launch.modulator.shape)
    found, wanted = draft.couplings(states), couplings(launch, values[states])
    assert np.abs(found - wanted).max() < 3e-4
    vector = rng.normal(size=len(launch.basis)) + 1j * rng.normal(size=len(launch.basis))
    back = draft.back(vector)
    assert np.isrealobj(back) == launch.is_real
    along = np.real(np.vdot(vector, found - launch.gaps))
    assert along == pytest.approx(np.real(np.vdot(back, values[states])), abs=1e-4)


def test_the_facet_field_and_the_iterative_designs_window() -> None:
    """Both are the facet field of which the couplings are the overlaps with the modes."""
    launch = coarse(BEAMS["bent"], 5.0, CARRIED)
    factors = noise(launch)
    field = facet_field(launch, factors, launch.u, launch.v)
    found = launch.kernel @ field.ravel()
    np.testing.assert_allclose(found, couplings(launch, factors), atol=1e-12)
    window = window_of(launch, 1.2)
    seen = window.forward(factors.astype(np.complex64))
    rows, columns = (fast_length(OVERSAMPLING * count) for count in launch.modulator.shape)
    pitch = launch.modulator.pitch_seen
    u, v = window.facet.u, window.facet.v
    for side, count, step in ((u, columns, pitch[0]), (v, rows, pitch[1])):
        assert side.size > 1
        expected = axis(side.size, launch.scale / (count * step))
        np.testing.assert_allclose(side, expected, rtol=0, atol=1e-12 * launch.core_radius)
    wanted = 1j * facet_field(launch, factors, u, v) / window.envelope
    wanted = wanted * window.inside / math.sqrt(rows * columns)
    assert np.abs(seen - wanted).max() < 1e-5 * np.abs(wanted).max()


@cache
def errors_bench() -> Bench:
    keys: dict[str, dict[str, object]] = {
        "light": {"wavelength_nm": 1310.0, "waist_mm": 0.9, "curvature_per_m": 0.3},
        "modulator": {
            "pixels": [20, 18],
            "pitch_um": 200.0,
            "alphabet": "levels",
            "levels": 8,
            "fill_factor": 0.9,
            "gap_reflectance": 0.3,
        },
        "lens": {"focal_length_mm": 8.0},
        "fiber": {"preset": "six-mode-graded"},
        "targets": {"orientations": 2},
        "design": {"carrier_period_px": 5.0, "carrier_angle_deg": 40.0},
    }
    return benches.from_dict(keys, "coarse")


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.field)
def test_errors_on_coarse_pixels(cause: object) -> None:
    """The tolerances' single precision against the launch in full, at 4.5 pixels a waist."""
    start = nominal(errors_bench())
    errors: Errors = cause.errors(cause.half_range)  # type: ignore[attr-defined]
    states = np.random.default_rng(5).integers(0, 8, start.modulator.shape)
    view = view_of(start, errors)
    assert len(view.frame.lights) > 3
    found = couplings_of(view, sent(start, view, states)[None])[0]
    launch = disturbed_launch(start, errors)
    wanted = couplings(launch, disturbed_factors(start, errors, states))
    turn = np.vdot(wanted, found) / abs(np.vdot(wanted, found))
    assert np.abs(found - turn * wanted).max() < 1e-4


# --- masks ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("carrier", [AXIAL, Carrier(3.0, 0.6)], ids=["axial", "carried"])
def test_a_mask_of_coarse_pixels_is_as_pure_as_it_says(carrier: Carrier) -> None:
    """Designed, and judged by integrals over its pixels."""
    light = Light(WAVELENGTH, (1.5 * WAIST, 1.2 * WAIST), 0.3)
    modulator = Modulator((36, 40), WAIST / 5, levels(16), fill_factor=0.9)
    launch = prepare(Setup(light, modulator, carrier, FOCAL_LENGTH, *graded_50(4)))
    target = lp_target(launch.basis, "LP11", 20.0)
    made = design(Problem(launch, target, 0.98), "dual")
    assert made.reached
    found = integrated(launch, light, emitted(modulator, made.states))
    seen = judged(launch.basis, target, found)
    assert seen.purity > 0.98 - 1e-5
    assert seen.purity == pytest.approx(made.prediction.purity, abs=1e-5)
    assert made.bound is not None
    assert 0.9 * made.bound < seen.efficiency < made.bound + 1e-5


@pytest.mark.parametrize("k", [0.0, 1e3, -3e3])
def test_the_place_in_a_pixel(k: float) -> None:
    """Mean of the place in a pixel times the wave in a direction k."""
    points, weights = np.polynomial.legendre.leggauss(20)
    place = 1e-4 * points / 2
    wanted = np.sum(weights / 2 * place * np.exp(-2j * math.pi * k * place))
    assert inner_envelope(1e-4, np.array([k]))[0] == pytest.approx(wanted, abs=1e-18)
