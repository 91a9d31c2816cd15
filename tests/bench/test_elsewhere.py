"""The launch at another wavelength and before a moved fibre, by sums that share nothing with it.

Numbers without a source are common practice, or computed here by direct integration.
"""

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.bench.elsewhere import at_wavelength, lit_at, scenarios
from maskforge.bench.ready import prepared
from maskforge.fiber import SILICA, germania_doped, germania_fraction, solve
from maskforge.launch.couplings import Launch, couplings, moved, prepare
from maskforge.launch.modulator import Carrier, emitted
from maskforge.launch.panel import background_states
from maskforge.launch.setup import Setup
from maskforge.study.tolerance.disturbed import nominal

NOMINAL, NA, RADIUS = 1310.0, 0.14, 5.0
FOCAL, PITCH, PIXELS, WAIST = 8e-3, 40e-6, 64, 0.8e-3
FILL, GAPS = 0.8, 0.3


def bench_of(folder: Path = Path(), /, **sections: dict[str, Any]) -> Bench:
    whole: dict[str, dict[str, Any]] = {
        "light": {"wavelength_nm": NOMINAL, "waist_mm": WAIST * 1e3},
        "modulator": {
            "pixels": [PIXELS, PIXELS],
            "pitch_um": PITCH * 1e6,
            "fill_factor": FILL,
            "gap_reflectance": GAPS,
            "alphabet": "levels",
            "levels": 16,
        },
        "lens": {"focal_length_mm": FOCAL * 1e3},
        "fiber": {"profile": "step", "core_radius_um": RADIUS, "na": NA},
        "targets": {"labels": ["LP01"]},
        "design": {"carrier_period_px": 7.0, "carrier_angle_deg": 35.0},
    }
    for name, keys in sections.items():
        whole[name] = {**whole[name], **keys}
    return benches.from_dict(whole, "bench.toml", folder)


def frequency() -> tuple[float, float]:
    angle = math.radians(35.0)
    return math.cos(angle) / 7.0, math.sin(angle) / 7.0


def place(nm: float) -> tuple[float, float]:
    """Grating equation, small angles: order 1 of a carrier lies at lambda f / (period pitch)."""
    x, y = frequency()
    return nm * 1e-9 * FOCAL * x / PITCH, nm * 1e-9 * FOCAL * y / PITCH


def facet(nm: float, values: np.ndarray, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Field at facet points (u, v from the zero order) of pixels' factors, by plain sums.

    Active squares at their values, the rest of each pixel at the gaps' amplitude; five
    Gauss-Legendre nodes along each side of both.
    """
    scale = nm * 1e-9 * FOCAL
    nodes, weights = np.polynomial.legendre.leggauss(5)
    centres = (np.arange(PIXELS) - (PIXELS - 1) / 2) * PITCH

    def sent(width: float, factors: np.ndarray) -> np.ndarray:
        x = (centres[:, None] + nodes * width / 2).ravel()
        line = np.exp(-((x / WAIST) ** 2)) * np.tile(weights * width / 2, PIXELS)
        beam = math.sqrt(2 / math.pi) / WAIST * np.outer(line, line)
        across, up = (np.exp(-2j * math.pi / scale * np.outer(w, x)) for w in (u, v))
        return up @ (beam * np.kron(factors, np.ones((5, 5)))) @ across.T

    between = np.ones((PIXELS, PIXELS)) * math.sqrt(GAPS)
    active = sent(PITCH * math.sqrt(FILL), values - between)
    return (active + sent(PITCH, between)) / (1j * scale)


def by_integration(
    bench: Bench, launch: Launch, nm: float, at: tuple[float, float], values: np.ndarray
) -> np.ndarray:
    """Couplings by a sum over a fine facet grid around the fibre's place `at`."""
    w = np.linspace(-40e-6, 40e-6, 401)
    field = facet(nm, values, at[0] + w, at[1] + w)
    r, theta = np.hypot(w, w[:, None]), np.arctan2(w[:, None], w)
    out = []
    for mode in launch.basis:
        turn = {None: math.sqrt(0.5), "cos": np.cos(mode.l * theta), "sin": np.sin(mode.l * theta)}
        shape = mode.radial.field(r) * turn[mode.part] / math.sqrt(math.pi)
        out.append(np.sum(shape * field) * (w[1] - w[0]) ** 2)
    return np.array(out)


def some_states(seed: int = 1) -> np.ndarray:
    """A carrier with noise, so that every order and the gaps count."""
    rng = np.random.default_rng(seed)
    x, y = np.arange(PIXELS), np.arange(PIXELS)[:, None]
    fx, fy = frequency()
    return (np.rint(16 * (fx * x + fy * y)) + rng.integers(-2, 3, (PIXELS, PIXELS))).astype(
        int
    ) % 16


def close(found: np.ndarray, expected: np.ndarray, share: float = 1e-5) -> None:
    """But for one phase of the whole: the place of the pixels' middle is a convention."""
    turn = np.vdot(found, expected)
    assert np.linalg.norm(found * turn / abs(turn) - expected) < share * np.linalg.norm(expected)


# --- another wavelength ----------------------------------------------------------------------


@pytest.mark.parametrize("realign", [False, True])
@pytest.mark.parametrize("nm", [1270.0, NOMINAL, 1345.0])
def test_couplings_by_integration(nm: float, realign: bool) -> None:
    """Light, lens, phases, place and modes of another wavelength, put together by hand.

    The modes are the package's (their own tests compare them with others), of indices by hand.
    """
    bench = bench_of()
    launch = at_wavelength(bench, nm, realign=realign)
    own = NOMINAL * 1e-9
    glass = germania_doped(germania_fraction(own, math.hypot(SILICA.index(own), NA)))
    guide = benches.fiber(lit_at(bench, nm))
    assert guide.core_index == pytest.approx(glass.index(nm * 1e-9), abs=1e-12)
    assert guide.cladding_index == pytest.approx(SILICA.index(nm * 1e-9), abs=1e-12)
    states = some_states()
    values = np.exp(2j * math.pi * states / 16 * NOMINAL / nm)
    found = couplings(launch, emitted(launch.modulator, states))
    at = place(nm if realign else NOMINAL)
    close(found, by_integration(bench, launch, nm, at, values))


def test_the_own_wavelength_is_the_bench() -> None:
    """Bit by bit, and so is a bench that names more wavelengths."""
    one, more = bench_of(), bench_of(light={"wavelength_nm": [1290, NOMINAL, 1330]})
    launch = prepared(one).launch
    for again in (at_wavelength(one, NOMINAL), at_wavelength(more, NOMINAL), prepared(more).launch):
        assert again.centre == launch.centre
        for name in ("incident", "kernel", "gaps", "u"):
            assert np.array_equal(getattr(again, name), getattr(launch, name))


def test_the_order_moves_by_the_grating_equation() -> None:
    """Where the first order is brightest, against where the fibre stays and where it follows."""
    bench, nm = bench_of(modulator={"alphabet": "continuous", "levels": None}), 1340.0
    launch, follows = at_wavelength(bench, nm), at_wavelength(bench, nm, realign=True)
    assert launch.centre == pytest.approx(place(NOMINAL), rel=1e-12)
    assert follows.centre == pytest.approx(place(nm), rel=1e-12)
    x, y = np.arange(PIXELS), np.arange(PIXELS)[:, None]
    fx, fy = frequency()
    values = np.exp(2j * math.pi * (fx * x + fy * y))
    w = np.linspace(-12e-6, 12e-6, 241)
    field = facet(nm, values, launch.centre[0] + w, launch.centre[1] + w)
    row, column = np.unravel_index(np.argmax(np.abs(field)), field.shape)
    shift = np.array([w[column], w[row]])
    # the pixels' envelope pulls the maximum a little towards the axis
    expected = np.array(place(nm)) - np.array(place(NOMINAL))
    assert np.linalg.norm(expected) > 0.5e-6
    assert np.linalg.norm(shift - expected) < 0.15e-6


PANELS: dict[str, dict[str, Any]] = {
    "binary": {"alphabet": "binary", "levels": None, "phase_step_deg": 175.0},
    "levels": {"depth_deg": 700.0},
    "continuous": {"alphabet": "continuous", "levels": None},
}


def phases(name: str) -> np.ndarray:
    if name == "binary":
        return np.radians([0.0, 175.0])
    if name == "levels":
        return np.radians(700.0) * np.arange(16) / 16
    return 2 * math.pi * np.arange(65536) / 65536


@pytest.mark.parametrize("name", PANELS)
def test_phases_are_paths(name: str) -> None:
    bench, nm = bench_of(modulator=PANELS[name]), 1250.0
    alphabet = at_wavelength(bench, nm).modulator.alphabet
    expected = np.exp(1j * phases(name) * NOMINAL / nm)
    assert np.allclose(alphabet.values, expected, rtol=0, atol=1e-12)
    assert np.array_equal(alphabet.greys, prepared(bench).launch.modulator.alphabet.greys)


@pytest.mark.parametrize("name", ["binary", "levels", "table"])
def test_phases_measured_at_another_wavelength(name: str, tmp_path: Path) -> None:
    """Used at L2, phases of L1 are those times L1/L2; in light of L1 they are as they are given."""
    rng = np.random.default_rng(len(name))
    measured, turns = rng.uniform(900, 1700), rng.uniform(50, 300, 5)
    degrees = {"binary": turns[:1], "levels": turns[:1], "table": turns}[name]

    def panel(degrees: np.ndarray, **keys: float) -> Bench:
        (tmp_path / "t.csv").write_text(
            "grey,phase_deg\n" + "".join(f"{g},{d:.15g}\n" for g, d in enumerate(degrees))
        )
        given = {
            "binary": {"levels": None, "phase_step_deg": float(degrees[0])},
            "levels": {"depth_deg": float(degrees[0])},
            "table": {"levels": None, "table": "t.csv"},
        }[name]
        return bench_of(tmp_path, modulator={"alphabet": name, **given, **keys})

    own, there = panel(degrees), panel(degrees, phase_wavelength_nm=measured)
    as_given = benches.modulator(own).alphabet.values
    used = benches.modulator(there).alphabet.values
    again = benches.from_dict(benches.resolved(there), "again", tmp_path)
    assert np.array_equal(benches.modulator(again).alphabet.values, used)
    scaled = panel(degrees * measured / NOMINAL)
    assert used == pytest.approx(benches.modulator(scaled).alphabet.values, abs=1e-12)
    assert nominal(there).phases == pytest.approx(nominal(scaled).phases, rel=1e-12)
    assert at_wavelength(there, measured).modulator.alphabet.values == pytest.approx(as_given)
    assert benches.resolved(own)["modulator"]["phase_wavelength_nm"] == NOMINAL


def test_paths_of_files_and_wavefronts(tmp_path: Path) -> None:
    """A table keeps its amplitudes; a flatness map and Zernike coefficients are waves of light."""
    (tmp_path / "t.csv").write_text("grey,phase_deg,amplitude\n0,0,1\n7,200,0.8\n9,500,0.9\n")
    flat = np.linspace(0, 1, PIXELS**2).reshape(PIXELS, PIXELS)
    np.savetxt(tmp_path / "f.csv", flat, delimiter=",")
    raw = benches.resolved(bench_of(light={"zernike": {"4": 0.2}}))
    raw["modulator"] |= {
        "alphabet": "table",
        "table": "t.csv",
        "flatness": "f.csv",
        "levels": None,
        "depth_deg": None,
    }
    bench = benches.from_dict(raw, "b", tmp_path)
    there = lit_at(bench, 1250.0)
    ratio = NOMINAL / 1250.0
    values = benches.modulator(there).alphabet.values
    expected = np.array([1, 0.8, 0.9]) * np.exp(1j * np.radians([0, 200, 500]) * ratio)
    assert np.allclose(values, expected, rtol=0, atol=1e-12)
    own, scaled = benches.modulator(bench).flatness, benches.modulator(there).flatness
    assert own is not None
    assert scaled is not None
    assert np.allclose(scaled, own * ratio, rtol=1e-12)
    assert there.light.zernike == ((4, pytest.approx(0.2 * ratio)),)


def test_fixed_indices_stay() -> None:
    bench = bench_of(fiber={"na": None, "core_index": 1.4535, "cladding_index": 1.4468})
    there = benches.fiber(lit_at(bench, 1280.0))
    assert (there.core_index, there.cladding_index) == (1.4535, 1.4468)
    assert there.wavelength == pytest.approx(1280e-9)


def test_a_core_index_is_the_glass_of_the_own_wavelength() -> None:
    """With the glass given the core's index disperses too."""
    bench = bench_of(fiber={"na": None, "core_index": 1.4535})
    glass = germania_doped(germania_fraction(NOMINAL * 1e-9, 1.4535))
    there = benches.fiber(lit_at(bench, 1280.0))
    assert there.core_index == pytest.approx(glass.index(1280e-9), abs=1e-12)


def test_the_background_stays_the_same_pattern() -> None:
    """What is drawn for one wavelength is seen at another: states do not change, values do."""
    panel = {"panel": [96, 96], "background": "carrier", "background_period_px": 3.7}
    bench = bench_of(modulator=panel, light={"waist_mm": 1.3})
    own, there = prepared(bench).launch, at_wavelength(bench, 1250.0)
    assert np.array_equal(background_states(own.modulator), background_states(there.modulator))


@pytest.mark.long
def test_a_mode_that_is_no_longer_guided_is_named() -> None:
    bench = bench_of()
    kept = {mode.label for mode in prepared(bench).launch.basis}
    there = {mode.label for mode in solve(benches.fiber(lit_at(bench, 2200.0)))}
    lost = sorted(kept - there)
    assert lost
    assert {mode.label for mode in at_wavelength(bench, 2200.0).basis} == there
    # LP11 is cut off at V = 2.405, here at 1335 nm
    few = bench_of(light={"wavelength_nm": [1290, NOMINAL, 1380]}, fiber={"core_radius_um": 3.65})
    with pytest.raises(BenchError, match="guides LP11 at 1310 nm but not at 1380 nm"):
        scenarios(few)


def test_more_modes_count_where_they_are_guided() -> None:
    """Light in them is unwanted; within `groups` where the bench limits them."""
    bench, limited = bench_of(), bench_of(fiber={"groups": 2})
    count = len(prepared(bench).launch.basis)
    assert len(at_wavelength(bench, 900.0).basis) > count
    assert {mode.group for mode in at_wavelength(limited, 900.0).basis} == {1, 2}


# --- a moved fibre ---------------------------------------------------------------------------


@pytest.mark.long
@settings(max_examples=15, deadline=None)
@given(dx=st.floats(-3e-6, 3e-6), dy=st.floats(-3e-6, 3e-6), seed=st.integers(0, 100))
def test_a_moved_fibre_by_integration(dx: float, dy: float, seed: int) -> None:
    bench = bench_of()
    launch = prepared(bench).launch
    there = moved(launch, dx, dy)
    states = some_states(seed)
    x, y = place(NOMINAL)
    expected = by_integration(
        bench, launch, NOMINAL, (x + dx, y + dy), np.exp(2j * math.pi * states / 16)
    )
    close(couplings(there, emitted(there.modulator, states)), expected)


PARTS: list[dict[str, dict[str, Any]]] = [
    {},
    {"lens": {"offset_mm": [0.4, -0.2]}},
    {"modulator": {"panel": [96, 80], "background": "checkerboard", "at": [3, 9]}},
]


@pytest.mark.parametrize("part", PARTS)
def test_moving_is_another_carrier(part: dict[str, dict[str, Any]]) -> None:
    """A launch is prepared for the place of its carrier's order: the same place, the same launch.

    Moved back it is what it was.
    """
    bench = bench_of(**part)
    launch = prepared(bench).launch
    dx, dy = 2.1e-6, -1.3e-6
    there = moved(launch, dx, dy)
    fx, fy = (c * PITCH / launch.scale for c in there.centre)
    tilt = Carrier(1 / math.hypot(fx, fy), math.atan2(fy, fx))
    again = prepare(
        Setup(
            benches.light(bench),
            benches.modulator(bench),
            tilt,
            FOCAL,
            benches.fiber(bench),
            launch.basis,
            benches.lens_offset(bench),
        )
    )
    factors = emitted(launch.modulator, some_states())
    close(couplings(there, factors), couplings(again, factors), 1e-11)
    back = moved(there, -dx, -dy)
    close(couplings(back, factors), couplings(launch, factors), 1e-11)


# --- what a bench asks for -------------------------------------------------------------------


def test_scenarios_are_the_same_on_several_threads() -> None:
    bench = bench_of(
        light={"wavelength_nm": [NOMINAL, 1330.0], "waist_mm": WAIST * 1e3},
        design={"fiber_offset_um": [0.3, 0.2]},
    )
    alone, several = scenarios(bench), scenarios(bench, threads=4)
    assert len(alone) == 9
    for one, other in zip(alone, several, strict=True):
        assert one.name == other.name
        assert np.array_equal(one.launch.gaps, other.launch.gaps)
        assert np.array_equal(one.launch.incident, other.launch.incident)


def test_which_scenarios() -> None:
    """All but the bench as it is aligned: wavelengths, corners of the box, or each at each."""
    several = {"light": {"wavelength_nm": [1330, 1310, 1290]}}
    assert scenarios(bench_of()) == ()
    assert [one.name for one in scenarios(bench_of(**several))] == ["1290 nm", "1330 nm"]
    box = scenarios(bench_of(design={"fiber_offset_um": [0.5, 0.2], "carrier_period_px": 0.0}))
    places = {one.launch.centre for one in box}
    assert places == {(x * 0.5e-6, y * 0.2e-6) for x in (-1, 1) for y in (-1, 1)}
    assert box[0].name == "-0.5, -0.2 um"
    line = scenarios(bench_of(design={"fiber_offset_um": [0.0, 0.2], "carrier_period_px": 0.0}))
    assert [one.launch.centre for one in line] == [(0.0, -0.2e-6), (0.0, 0.2e-6)]
    both = scenarios(bench_of(**several, design={"fiber_offset_um": [0.5, 0.2]}))
    assert len(both) == 3 * 5 - 1
    assert both[1].name == "1290 nm, -0.5, -0.2 um"


@pytest.mark.parametrize(
    ("given_nm", "own"),
    [([1330, 1290, 1310], 1310.0), ([1290, 1330], 1290.0), ([1300], 1300.0), (1300, 1300.0)],
)
def test_the_middle_wavelength_is_the_own(given_nm: Any, own: float) -> None:
    bench = bench_of(light={"wavelength_nm": given_nm})
    assert bench.light.wavelength_nm == own
    assert list(bench.light.wavelengths_nm) == sorted(np.atleast_1d(given_nm).tolist())
    again = benches.from_dict(benches.resolved(bench), bench.name)
    assert again.light.wavelengths_nm == bench.light.wavelengths_nm
    assert benches.override(bench, purity=0.9).light.wavelengths_nm == bench.light.wavelengths_nm


BAD: list[tuple[dict[str, dict[str, Any]], str]] = [
    ({"light": {"wavelength_nm": []}}, "a list must hold 1 to 7 different wavelengths"),
    ({"light": {"wavelength_nm": [1310, 1310]}}, "a list must hold 1 to 7 different wavelengths"),
    ({"light": {"wavelength_nm": [1300 + k for k in range(8)]}}, "a list must hold 1 to 7"),
    ({"light": {"wavelength_nm": [1310, 1500]}}, "1310 and 1500 are farther apart"),
    ({"light": {"wavelength_nm": [1310, "x"]}}, "each must be a number from 200 to 3000 nm"),
    ({"light": {"wavelength_nm": [1310, math.nan]}}, "each must be a number from 200 to 3000 nm"),
    ({"light": {"wavelength_nm": [1.31]}}, "did you mean 1310 (nm)?"),
    ({"design": {"fiber_offset_um": [1]}}, "must be [x, y], each a number from 0 to 20 um"),
    ({"design": {"fiber_offset_um": [0, -1]}}, "each a number from 0 to 20 um"),
    (
        {"light": {"wavelength_nm": [1310, 1320]}, "design": {"method": "simple"}},
        'wavelength_nm = [1310.0, 1320.0]: a robust design takes [design] method = "dual"',
    ),
    (
        {"design": {"fiber_offset_um": [0, 1], "method": "ifta"}},
        'fiber_offset_um = [0.0, 1.0]: a robust design takes [design] method = "dual"',
    ),
]


@pytest.mark.parametrize(("sections", "text"), BAD)
def test_what_cannot_be_asked_for(sections: dict[str, dict[str, Any]], text: str) -> None:
    with pytest.raises(BenchError) as caught:
        bench_of(**sections)
    assert text in str(caught.value)
    assert "\n" not in str(caught.value)
