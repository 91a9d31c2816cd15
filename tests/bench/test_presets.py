"""The presets in the package: they load, guide what their comments say, and write out whole."""

import json
import math

import pytest

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.bench import Bench
from maskforge.fiber.modes import RadialMode, solve
from maskforge.launch import basis as fields

BENCHES = [name for kind, name, _ in benches.preset_names() if kind == "bench"]
FIBERS = [name for kind, name, _ in benches.preset_names() if kind == "fiber"]
MODULATORS = [name for kind, name, _ in benches.preset_names() if kind == "modulator"]


def with_fiber(name: str, wavelength_nm: float) -> Bench:
    """A bench with a fibre preset; the beam and lens only have to pass the checks."""
    return benches.from_dict(
        {
            "light": {"wavelength_nm": wavelength_nm, "waist_mm": 2.0},
            "modulator": {"preset": "binary-512"},
            "lens": {"focal_length_mm": 16.0},
            "fiber": {"preset": name},
        },
        "trial",
    )


def guided(name: str, wavelength_nm: float) -> tuple[RadialMode, ...]:
    return solve(benches.fiber(with_fiber(name, wavelength_nm)))


def test_every_kind_has_presets_with_distinct_names_and_a_description() -> None:
    """Common practice, no source."""
    names = [name for _, name, _ in benches.preset_names()]
    assert {"few-mode-1310", "gi50-1550", "gi50-850-phase"} == set(BENCHES)
    assert len(set(names)) == len(names)
    assert all(0 < len(text) <= 100 for _, _, text in benches.preset_names())


@pytest.mark.parametrize("name", BENCHES + FIBERS + MODULATORS)
def test_the_text_of_a_preset_can_be_shown(name: str) -> None:
    """Common practice, no source."""
    assert benches.preset_text(name).startswith("# ")


def test_an_unknown_preset_names_the_nearest() -> None:
    """Common practice, no source."""
    with pytest.raises(BenchError, match='did you mean "gi50"'):
        benches.preset_text("gi5O")


@pytest.mark.parametrize("name", BENCHES)
def test_a_bench_preset_is_written_out_and_read_again(name: str) -> None:
    """Round trip; common practice, no source."""
    bench = benches.load(name)
    written = benches.resolved(bench)
    again = benches.from_dict(json.loads(json.dumps(written)), name)
    assert benches.resolved(again) == written
    assert benches.fiber(again) == benches.fiber(bench)
    assert benches.carrier(again) == benches.carrier(bench)
    assert benches.focal_length(again) == benches.focal_length(bench)
    assert benches.light(again).waist == benches.light(bench).waist
    assert benches.modulator(again).corner == benches.modulator(bench).corner
    assert "preset" not in written["fiber"] | written["modulator"]


@pytest.mark.parametrize(
    ("name", "modes", "masks"),
    [("few-mode-1310", 6, 6), ("gi50-1550", 45, 245), ("gi50-850-phase", 153, 15)],
)
def test_a_bench_preset_has_the_modes_and_masks_it_says(name: str, modes: int, masks: int) -> None:
    """Counting: g modes in group g; 5 labels of l = 0 and 20 of l > 0 in 12 orientations."""
    bench = benches.load(name)
    basis = fields.basis_of(solve(benches.fiber(bench), groups=bench.fiber.groups))
    assert len(basis) == modes
    assert len(benches.targets(bench, basis)) == masks


@pytest.mark.parametrize("name", BENCHES)
def test_a_bench_preset_clips_at_most_one_percent(name: str) -> None:
    """What the presets' comments say; share of a square: erf(sqrt(2) h / w)^2."""
    bench = benches.load(name)
    half = min(bench.modulator.pixels) * bench.modulator.pitch_um * 1e-3 / 2
    assert bench.light.waist_mm is not None
    exact = math.erf(math.sqrt(2) * half / bench.light.waist_mm) ** 2
    assert exact > 0.99
    assert benches.share_on_mask(bench) == pytest.approx(exact, abs=3e-3)


@pytest.mark.parametrize("name", ["six-mode-step", "six-mode-graded"])
def test_six_mode_fibres_guide_six_modes_well_away_from_cut_off(name: str) -> None:
    """What the presets' comments say: LP01, LP11, LP21, LP02 at 1310 nm."""
    modes = guided(name, 1310)
    assert sorted(mode.label for mode in modes) == ["LP01", "LP02", "LP11", "LP21"]
    assert min(mode.cutoff_margin for mode in modes) > 0.12


def test_single_mode_fibre_is_of_its_class() -> None:
    """ITU-T G.652: mode field diameter 8.6 to 9.2 um at 1310 nm, cut-off at most 1260 nm."""
    assert [mode.label for mode in guided("single-mode", 1260)] == ["LP01"]
    assert len(guided("single-mode", 1200)) == 2
    (mode,) = guided("single-mode", 1310)
    assert mode.mode_field_diameter == pytest.approx(9.2e-6, abs=0.1e-6)


@pytest.mark.parametrize(
    ("name", "wavelength_nm", "groups"),
    [("gi50", 1550, 10), ("gi50", 1310, 12), ("gi50", 850, 18), ("gi62", 1550, 17)],
)
def test_multimode_fibres_guide_the_groups_of_their_comments(
    name: str, wavelength_nm: float, groups: int
) -> None:
    """About V / 2 groups in a parabola (Gloge and Marcatili, BSTJ 52, 1563, 1973)."""
    bench = with_fiber(name, wavelength_nm)
    found = max(mode.group for mode in solve(benches.fiber(bench)))
    assert found == groups
    assert abs(found - benches.fiber(bench).v / 2) < 0.5


@pytest.mark.parametrize("name", MODULATORS)
def test_a_modulator_preset_builds(name: str) -> None:
    """Common practice, no source."""
    bench = benches.from_dict(
        {
            "light": {"wavelength_nm": 1550, "waist_mm": 2.0},
            "modulator": {"preset": name},
            "lens": {"focal_length_mm": 16},
            "fiber": {"preset": "gi50"},
        },
        "trial",
    )
    assert benches.modulator(bench).alphabet.bits == 8
