"""The iterative design: purity by the full model on the mask as the panel shows it."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from maskforge import bench as benches
from maskforge.bench.ready import prepared
from maskforge.launch.basis import sampled
from maskforge.launch.couplings import Launch, predict
from maskforge.launch.fourier import axis
from maskforge.launch.light import illumination
from maskforge.launch.modulator import Alphabet, Carrier, binary, continuous, emitted, levels, table
from maskforge.launch.prediction import Prediction
from maskforge.launch.targets import Target, lg_target, lp_target
from maskforge.methods.ifta import ifta, relaxed
from maskforge.methods.problem import Design, Problem, Settings
from maskforge.methods.simple import simple
from tests.benches import MASK_WAIST, MODE_WAIST, beam, on_parabola
from tests.far_field import far_field
from tests.reference import optics_values as ref

Complex = NDArray[np.complex128]

LOSSY = table([0, 1, 2, 3, 4, 5], [0, 1.2, 2.2, 3.1, 4.2, 5.3], [1.0, 0.95, 0.9, 0.8, 0.9, 1.0])
OFF_AXIS = Carrier(6.0, 0.6)


def small(alphabet: Alphabet, carrier: Carrier | None = None, pixels: int = 128) -> Launch:
    """The reference's bench: a beam of 1.43 waists, here on a mask that is not square."""
    return on_parabola(
        beam(ref.IFTA_BEAM),
        groups=5,
        shape=(pixels, pixels - 8),
        pitch=MASK_WAIST * 8 / pixels,
        alphabet=alphabet,
        carrier=carrier,
        fill_factor=0.9,
    )


def options(launch: Launch, **changes: float | int | str | None) -> Settings:
    """A window of four waists, as the reference has."""
    window = 4 * MODE_WAIST / launch.core_radius
    return replace(Settings(window_factor=window), **changes)  # type: ignore[arg-type]


def target_of(launch: Launch, name: str) -> Target:
    if name.startswith("LG"):
        return lg_target(launch.basis, name, MODE_WAIST)
    return lp_target(launch.basis, name)


def found_by(launch: Launch, target: Target, made: Design) -> Prediction:
    """The full model on the quantised mask."""
    assert made.states.shape == launch.modulator.shape
    assert made.states.max() < launch.modulator.alphabet.size
    return predict(launch, target, emitted(launch.modulator, made.states))


# --- the main job --------------------------------------------------------------------------------


def by_fft(launch: Launch, light_on_pixels: Complex, factors: Complex) -> Complex:
    """Couplings from the whole far field by FFT and a sum over the facet, no carrier, no gaps."""
    (rows, columns), pitch = launch.modulator.shape, launch.modulator.pitch
    far, u, v = far_field(
        light_on_pixels * factors, (4 * rows, 4 * columns), (pitch, pitch), launch.scale
    )
    width = pitch * math.sqrt(launch.modulator.fill_factor)
    envelope = np.sinc(width * u / launch.scale) * np.sinc(width * v / launch.scale)[:, None]
    # the facet's middle only: modes end at 70 um
    keep_u, keep_v = np.abs(u) < 8e-5, np.abs(v) < 8e-5
    field = (width**2 / (1j * launch.scale) * far * envelope)[np.ix_(keep_v, keep_u)]
    area = (u[1] - u[0]) * (v[1] - v[0])
    modes = sampled(launch.basis, u[keep_u], v[keep_v])
    return np.asarray(area * np.tensordot(modes, field, axes=2))


def test_lp21_of_the_50_um_fibre() -> None:
    """DESIGN: 99.99 % pure at 23 % where the simple mask has 63 %; asked here: above 99.9 %.

    The prediction is done again by FFT, to DESIGN's 1e-5 a coupling.
    """
    bench = benches.load("gi50-1550", labels=["LP21"], orientations=1)
    ready = prepared(bench)
    launch, target = ready.launch, ready.targets[0]
    made = ifta(Problem(launch, target, 0.999))
    found = found_by(launch, target, made)
    assert made.reached
    assert len(launch.basis) == 45
    assert found.purity > 0.999
    assert found.efficiency > 0.2
    pitch = launch.modulator.pitch
    x = axis(512, pitch)
    factors = np.where(made.states == 1, -1.0, 1.0) + 0j
    again = by_fft(launch, illumination(benches.light(bench), x, x), factors)
    assert np.abs(again - found.couplings).max() < 1e-5
    power = np.abs(again) ** 2
    wanted = np.abs(np.vdot(target.vector, again)) ** 2
    assert wanted / power.sum() > 0.999
    assert 1 - wanted / power.sum() == pytest.approx(1 - found.purity, rel=0.05)


# --- every alphabet, on and off the axis ---------------------------------------------------------


PURITIES = {
    "binary": (binary(), 0.995),
    "4 levels": (levels(4), 0.999),
    "16 levels": (levels(16), 0.999),
    "table": (LOSSY, 0.99),
}


@pytest.mark.parametrize(
    ("kind", "carrier", "target"),
    [
        (kind, carrier, target)
        for kind in PURITIES
        for carrier in (None, OFF_AXIS)
        for target in ("LG0+1", "LP11", "LP21", "LP02")
        # two states on the axis show no vortex, see below
        if not (kind == "binary" and carrier is None and target == "LG0+1")
    ],
)
def test_reaches_what_is_asked(kind: str, carrier: Carrier | None, target: str) -> None:
    """More pure than the simple mask by far, or both are pure; and not for no light at all.

    Purities asked: those of the reference's design; of the table, common practice, no source.
    """
    alphabet, purity = PURITIES[kind]
    launch = small(alphabet, carrier)
    wanted = target_of(launch, target)
    problem = Problem(launch, wanted, purity)
    made = ifta(problem, options(launch))
    found = found_by(launch, wanted, made)
    assert made.reached
    assert found.purity >= purity
    plain = found_by(launch, wanted, simple(problem))
    assert plain.purity > purity or 1 - found.purity < 0.2 * (1 - plain.purity)
    assert 0.25 * plain.efficiency < found.efficiency < plain.efficiency


@pytest.mark.parametrize("target", [pytest.param("LG0+1", marks=pytest.mark.long), "LP11"])
def test_continuous_phase_at_a_given_efficiency(target: str) -> None:
    """Impurity below 1e-4 at an efficiency of 0.3, with the reference's pixels and iterations."""
    launch = small(continuous(), pixels=256)
    wanted = target_of(launch, target)
    problem = Problem(launch, wanted, 1 - ref.IFTA_IMPURITY[0])
    most = found_by(launch, wanted, simple(problem)).efficiency
    share = math.sqrt(ref.IFTA_EFFICIENCY / most)
    made = ifta(problem, options(launch, amplitude=share, iterations=300))
    found = found_by(launch, wanted, made)
    assert made.reached
    assert 1 - found.purity < ref.IFTA_IMPURITY[0]
    # the window's amplitude is the one asked for, within the impurity of what is left over
    assert found.efficiency == pytest.approx(ref.IFTA_EFFICIENCY, rel=0.02)


@pytest.mark.parametrize("target", ["LG0+1", "LP11"])
@pytest.mark.parametrize("count", [2, 4, 8, 16])
def test_levels_off_the_axis(count: int, target: str) -> None:
    """Impurity below 1e-3 with 4 levels or more, 5e-3 with two, as the reference's design has."""
    launch = small(levels(count), OFF_AXIS, pixels=256)
    wanted = target_of(launch, target)
    limit = ref.IFTA_IMPURITY[count]
    made = ifta(Problem(launch, wanted, 1 - limit), options(launch))
    found = found_by(launch, wanted, made)
    assert made.reached
    assert 1 - found.purity < limit


# --- how it goes about it ------------------------------------------------------------------------


def test_the_seed_decides() -> None:
    launch = small(binary(), OFF_AXIS)
    problem = Problem(launch, target_of(launch, "LP11"), 0.99)
    runs = [ifta(problem, options(launch, seed=seed)).states for seed in (0, 0, 1)]
    assert np.array_equal(runs[0], runs[1])
    assert not np.array_equal(runs[0], runs[2])


def test_a_random_start_gets_there_too() -> None:
    launch = small(levels(16), OFF_AXIS)
    wanted = target_of(launch, "LP11")
    settings = options(launch, start="random", seed=3, iterations=400)
    made = ifta(Problem(launch, wanted, 0.999), settings)
    assert found_by(launch, wanted, made).purity > 0.999


@pytest.mark.long
def test_two_states_160_degrees_apart_on_the_axis() -> None:
    """The beam's own spot, (1 + exp(i phi))/2 of the light, cannot be shaped; it lands in LP modes.

    Not reached is said, in one line that names what would help.
    """
    launch = small(binary(math.radians(160)))
    wanted = target_of(launch, "LP21")
    made = ifta(Problem(launch, wanted, 0.999), options(launch))
    assert not made.reached
    assert found_by(launch, wanted, made).purity < 0.999
    assert len(made.status.splitlines()) == 1
    assert made.status.startswith("purity 0.")
    assert "instead of 0.999" in made.status
    # the carrier is the remedy: the spot is left on the axis
    beside = small(binary(math.radians(160)), OFF_AXIS)
    moved = ifta(Problem(beside, target_of(beside, "LP21"), 0.995), options(beside))
    assert moved.reached


def test_a_vortex_of_two_states_on_the_axis() -> None:
    """A real mask gives as much LG0-1 as LG0+1: purity 1/2 at most; abs(F(u)) = abs(F(-u))."""
    launch = small(binary())
    wanted = target_of(launch, "LG0+1")
    made = ifta(Problem(launch, wanted, 0.99), options(launch))
    assert not made.reached
    assert found_by(launch, wanted, made).purity <= 0.5 + 1e-9


@pytest.mark.parametrize("alphabet", [binary(), binary(2.8), levels(5), LOSSY])
def test_relaxed_values_are_the_nearest_of_the_line_or_circle(alphabet: Alphabet) -> None:
    """Brute force over a line of 4001 points, or the circle of the largest amplitude."""
    rng = np.random.default_rng(8)
    wanted = (rng.normal(size=60) + 1j * rng.normal(size=60)).astype(np.complex64)
    if alphabet.is_line:
        ends = alphabet.values
        hull = ends[0] + (ends[1] - ends[0]) * np.linspace(0, 1, 4001)
    else:
        largest = np.abs(alphabet.values).max()
        rings = largest * np.linspace(0, 1, 201)[:, None]
        hull = (rings * np.exp(1j * np.linspace(0, 2 * math.pi, 1000))).ravel()
    found = relaxed(alphabet, wanted)
    distance = np.abs(wanted[:, None] - hull).min(1)
    # on the grid the nearest is at most its spacing (1e-3 or 6e-3) further off
    assert np.abs(np.abs(wanted - found) - distance).max() < 6e-3
    assert np.abs(hull - found[:, None]).min(1).max() < 6e-3
