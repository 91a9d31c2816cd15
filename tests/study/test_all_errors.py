"""All errors at once: what is drawn, distribution and shares against closed forms, the command."""

import csv
import io
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy.stats import kstest

from maskforge.base.csv_text import csv_text
from maskforge.base.errors import BenchError
from maskforge.bench.ready import prepared
from maskforge.cli.main import main
from maskforge.cli.print_tolerance import print_spread, sample_cells, sample_columns
from maskforge.launch.targets import lp_target
from maskforge.report import FORMATS
from maskforge.report.figures.tolerance import spread_figure
from maskforge.study.tolerance.all_errors import (
    Factor,
    Spread,
    drawn,
    errors_of,
    evaluations,
    exchanged,
    known_keys,
    read_factors,
    spread_of,
    usual_draws,
)
from maskforge.study.tolerance.causes import CAUSES
from maskforge.study.tolerance.mask_file import Study, stored
from maskforge.study.tolerance.one_error import swept
from tests.benches import MODE_WAIST, WAVELENGTH
from tests.cli.errorbenches import deep_bench
from tests.study.test_one_error import TOML

OFFSET_UM, TILT_DEG = 0.9, 0.45
"""Deviations: (0.11 waists)^2 and (0.13 far-field angles)^2."""


def factors(**deviations: float) -> tuple[Factor, ...]:
    keys = known_keys()
    return tuple(Factor(key, keys[key], value) for key, value in deviations.items())


# --- what is drawn ---------------------------------------------------------------------------


def test_draws_are_normal_amounts_are_not_negative() -> None:
    own = factors(fiber_offset_um=0.3, waist_percent=2.0, flatness_waves=0.02)
    first, second = drawn(own, 512, 3)
    assert first.shape == second.shape == (512, 4)
    for column, deviation in enumerate((0.3, 0.3, 2.0)):
        for one in (first, second):
            assert kstest(one[:, column] / deviation, "norm").pvalue > 0.5
    assert kstest(first[:, 3] / 0.02, "halfnorm").pvalue > 0.5
    both = np.c_[first, second]
    assert np.abs(np.corrcoef(both.T) - np.eye(8)).max() < 0.1
    again, other = drawn(own, 512, 3)[0], drawn(own, 512, 4)[0]
    assert np.array_equal(first, again)
    assert not np.allclose(first, other)


def test_a_pair_is_exchanged_as_one() -> None:
    own = factors(fiber_tilt_deg=0.1, na_percent=1.0)
    first, second = drawn(own, 8, 0)
    pair, single = exchanged(own, first, second)
    assert np.array_equal(pair, np.c_[second[:, :2], first[:, 2:]])
    assert np.array_equal(single, np.c_[first[:, :2], second[:, 2:]])
    assert [factor.name for factor in own] == ["fibre tilt x and y", "fibre NA"]


def test_rows_are_errors_in_si() -> None:
    own = factors(fiber_offset_um=0.3, alpha=0.02)
    causes = [cause for factor in own for cause in factor.causes]
    errors = errors_of(causes, np.array([1.0, -2.0, 0.01]))
    assert errors.fiber_offset_x == pytest.approx(1e-6)
    assert errors.fiber_offset_y == pytest.approx(-2e-6)
    assert errors.alpha == pytest.approx(0.01)
    assert sum(value != 0 for value in vars(errors).values()) == 3


def test_usual_draws_are_fewer_for_larger_panels() -> None:
    own = factors(fiber_offset_um=0.3, alpha=0.02)
    counts = [usual_draws(own, side**2) for side in (64, 512, 1080, 4000)]
    assert counts == sorted(counts, reverse=True)
    assert all(count & (count - 1) == 0 for count in counts)
    assert evaluations(own, 16) == 64


# --- closed forms ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """The blank mask of a matched beam on six modes of a deep parabola; small pixels, whose
    envelope hardly matters."""
    ready = prepared(deep_bench(groups=3, modulator={"fill_factor": 0.1}))
    blank = np.zeros(ready.launch.modulator.shape, np.uint16)
    masks = [(lp_target(ready.launch.basis, "LP01"), blank)]
    folder = tmp_path_factory.mktemp("study")
    return stored(folder, ready.bench, ready.launch.modulator, masks)


@pytest.fixture(scope="module")
def spread(study: Study) -> Spread:
    return spread_of(study, [0], factors(fiber_offset_um=OFFSET_UM, fiber_tilt_deg=TILT_DEG), 128)


@pytest.mark.parametrize("count", [0, -8, 4, 12, 2**15])
def test_draws_that_cannot_be(study: Study, count: int) -> None:
    """Where a script asks for them; the command has a line of its own."""
    own = factors(fiber_offset_um=OFFSET_UM)
    with pytest.raises(BenchError, match=f"count = {count}: must be a power of 2 from 8 to 16384"):
        spread_of(study, [0], own, count)


@pytest.mark.parametrize("limit", [-1.0, 0.0, 0.6, math.nan, math.inf])
def test_a_limit_that_cannot_be(study: Study, limit: float) -> None:
    with pytest.raises(BenchError, match=r"limit = .*: must be a number from 1e-05 to 0.5"):
        next(swept(study, [], limit=limit))


def strengths() -> tuple[float, float]:
    """Variance of d/w and of pi w theta/lambda, along one axis."""
    tilt = math.radians(TILT_DEG) * math.pi * MODE_WAIST / WAVELENGTH
    return (OFFSET_UM * 1e-6 / MODE_WAIST) ** 2, tilt**2


def purity_at(s: np.ndarray) -> np.ndarray:
    """LP01's share of the first three groups: Poisson, Saijonmaa et al. 1980."""
    return np.asarray(1 / (1 + s + s**2 / 2))


def grid(strength: float) -> tuple[np.ndarray, np.ndarray]:
    """Values and weights of x^2 + y^2, exponential with the mean 2 strength."""
    points, weights = np.polynomial.laguerre.laggauss(40)
    return 2 * strength * points, weights


def test_samples_have_the_purity_of_the_closed_form(spread: Spread) -> None:
    units = np.array([1e-6, 1e-6, math.radians(1), math.radians(1)])
    scale = np.array([1 / MODE_WAIST] * 2 + [math.pi * MODE_WAIST / WAVELENGTH] * 2)
    s = np.sum((spread.samples * units * scale) ** 2, axis=1)
    np.testing.assert_allclose(spread.figures[:, 0, 0], purity_at(s), atol=2e-5)
    assert spread.unharmed == pytest.approx(1, abs=1e-6)
    assert np.array_equal(
        spread.figures[:, :, 1] >= spread.figures[:, :, 0] - 1e-6, np.ones((256, 1))
    )


def test_the_distribution_is_that_of_the_closed_form(spread: Spread) -> None:
    """s is a sum of two exponentials; so many of the purities lie below its percentiles, within
    twice the scatter of a binomial of 256."""
    first, second = (2 * strength for strength in strengths())
    s = np.linspace(0, 0.6, 60001)
    below = 1 - (second * np.exp(-s / second) - first * np.exp(-s / first)) / (second - first)
    purity = spread.figures[:, 0, 0]
    for share in (0.05, 0.25, 0.5, 0.75, 0.95):
        least = float(purity_at(s[np.searchsorted(below, 1 - share)]))
        assert np.mean(purity < least) == pytest.approx(
            share, abs=2 * math.sqrt(share * (1 - share) / 256)
        )
    assert spread.bands[0] == pytest.approx(np.percentile(purity, [5, 50, 95]))


def test_shares_are_those_of_the_closed_form(spread: Spread) -> None:
    """Sobol' indices of 1/(1 + s + s^2/2) by quadrature."""
    (one, weight), (two, other) = (grid(strength) for strength in strengths())
    purity = purity_at(one[:, None] + two)
    mean = weight @ purity @ other
    variance = weight @ purity**2 @ other - mean**2
    alone = [
        (weight @ (purity @ other - mean) ** 2) / variance,
        (other @ (weight @ purity - mean) ** 2) / variance,
    ]
    assert spread.first[0] == pytest.approx(alone, abs=0.1)
    assert spread.total[0] == pytest.approx([1 - alone[1], 1 - alone[0]], abs=0.1)
    # the interval is 1.64 standard errors to either side
    assert np.all(np.abs(spread.first[0] - alone) < 2 * spread.first_half[0])
    assert np.all(spread.total_half < 0.2)
    assert spread.shares.sum() == pytest.approx(1)


def test_one_factor_does_it_all_and_none_does_nothing(
    study: Study, capsys: pytest.CaptureFixture[str]
) -> None:
    alone = spread_of(study, [0], factors(fiber_offset_um=1.0), 8)
    assert alone.first.tolist() == alone.total.tolist() == [[1.0]]
    # all pixels are in state 0 already
    dead = spread_of(study, [0], factors(dead_pixels_percent=1.0), 8)
    assert np.isnan(dead.total).all()
    print_spread(dead, study.names, 0.01)
    assert "No error changes the purity of these masks." in capsys.readouterr().out


@pytest.mark.long
def test_the_same_on_any_number_of_processes(study: Study) -> None:
    own = factors(fiber_offset_um=1.0, flatness_waves=0.02)
    told: list[int] = []
    one, two = (
        spread_of(study, [0], own, 8, seed=5, jobs=jobs, done=told.append) for jobs in (1, 2)
    )
    assert np.array_equal(one.figures, two.figures)
    assert np.array_equal(one.total, two.total)
    assert sum(told) == 2 * (evaluations(own, 8) + 1)


# --- files -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "error"),
    [
        (
            "[deviations]\nfiber_ofset_um = 1",
            "fiber_ofset_um: no such key; did you mean fiber_offset_um?",
        ),
        (
            "[deviations]\nfiber_offset_um = -1",
            "fiber_offset_um = -1: must be a number from 0 to 50 um",
        ),
        ("[deviations]\nfiber_offset_um = 1000", "did you mean 1 (um)?"),
        (
            "[deviations]\nwaist_percent = nan",
            "waist_percent = NaN: must be a number from 0 to 20 %",
        ),
        ("[deviations]\nwaist_percent = true", "waist_percent = true: must be a number"),
        ('[deviations]\nwaist_percent = "2"', "without quotes"),
        ("[deviations]\nalpha = 0.1", "alpha: this bench has no such error: none"),
        ("[deviations]\nwaist_percent = 0", "[deviations]: at least one deviation above 0"),
        ("[deviations]", "[deviations]: at least one deviation above 0"),
        ("[deviation]\nwaist_percent = 1", "deviation: only the section [deviations] is allowed"),
        ("waist_percent = 1", "waist_percent: only the section [deviations] is allowed"),
        ("", "[deviations]: missing"),
        ("deviations = 1", "[deviations]: missing"),
        ("[deviations", "not TOML"),
    ],
)
def test_files_that_cannot_be_used(text: str, error: str, tmp_path: Path) -> None:
    path = tmp_path / "some.toml"
    path.write_text(text)
    with pytest.raises(BenchError) as raised:
        read_factors(path, {"alpha": "none"})
    assert str(raised.value).startswith(str(path))
    assert error in str(raised.value)
    assert "\n" not in str(raised.value)


def test_a_file_of_deviations(tmp_path: Path) -> None:
    path = tmp_path / "some.toml"
    path.write_text("[deviations]\ncrosstalk_px = 0.2\nfiber_tilt_deg = 0.1\nna_percent = 0\n")
    found = read_factors(path, {})
    assert [(factor.key, factor.deviation) for factor in found] == [
        ("fiber_tilt_deg", 0.1),
        ("crosstalk_px", 0.2),
    ]
    assert sum(len(causes) for causes in known_keys().values()) == len(CAUSES)


def test_the_table_and_the_samples(
    study: Study, spread: Spread, capsys: pytest.CaptureFixture[str]
) -> None:
    print_spread(spread, study.names, 0.01)
    out = capsys.readouterr().out
    for value in spread.bands[0]:
        assert f"{100 * value:.3f}" in out
    assert f"{round(100 * spread.total[0, 0])} ±" in out
    text = csv_text(sample_columns(spread), list(sample_cells(spread, study.targets)))
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == 256
    assert float(rows[7]["fiber_tilt_y_deg"]) == spread.samples[7, 3]
    assert float(rows[7]["purity"]) == spread.figures[7, 0, 0]


def test_a_share_as_vague_as_itself_is_not_told(
    study: Study, spread: Spread, capsys: pytest.CaptureFixture[str]
) -> None:
    """117 +- 59 % says nothing; 3 +- 3 % says that it is little."""
    index, half = np.array([[1.17, 0.03]]), np.array([[0.59, 0.03]])
    vague = replace(spread, first=index, first_half=half, total=index, total_half=half / 10)
    assert vague.told(index, half).tolist() == [[False, True]]
    print_spread(vague, study.names, 0.01)
    out = capsys.readouterr().out
    assert " ? " in out
    assert "3 ±3" in out
    assert "117 ±6" in out
    assert "? : the interval is as wide as the share itself" in out


@pytest.mark.parametrize("kind", FORMATS)
def test_the_figure(study: Study, spread: Spread, kind: str) -> None:
    drawn_once = spread_figure(spread, study.names, "All $at$ once", kind)
    assert drawn_once == spread_figure(spread, study.names, "All $at$ once", kind)
    if kind == "png":
        with Image.open(io.BytesIO(drawn_once)) as picture:
            assert picture.size[0] > 1000


# --- the command -----------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "bench.toml").write_text(TOML)
    (tmp_path / "some.toml").write_text(
        "[deviations]\nfiber_offset_um = 0.5\ngrey_table_deg = 4\nflatness_waves = 0.02\n"
    )
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.long
def test_the_command(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["tolerance", "bench.toml", "--deviations", "some.toml", "--monte-carlo", "8"]
    files = ["--samples", "samples.csv", "--samples-figure", "all.svg", "--masks", "LP11@90,LP01"]
    assert main([*arguments, *files]) == 0
    out = capsys.readouterr().out
    assert "All errors at once (N = 8): the distribution is of 16 benches" in out
    assert "fibre offset x and y" in out
    rows = list(csv.DictReader((folder / "samples.csv").read_text().splitlines()))
    assert [(row["target"], row["orientation_deg"]) for row in rows[:2]] == [
        ("LP11", "90.0"),
        ("LP01", "0.0"),
    ]
    assert len(rows) == 32
    assert (folder / "all.svg").read_text().startswith("<?xml")
    # another seed, other digits; that the same gives the same is tested of `spread_of`
    assert main([*arguments, *files[:2], "--masks", "LP01", "--seed", "1"]) == 0
    other = next(csv.DictReader((folder / "samples.csv").read_text().splitlines()))
    assert other["target"] == rows[1]["target"]
    assert other["purity"] != rows[1]["purity"]


@pytest.mark.parametrize(
    ("options", "text"),
    [
        (["--monte-carlo", "100"], "must be a power of 2 from 8 to 16384; did you mean 128?"),
        (["--monte-carlo", "4"], "did you mean 8?"),
        (["--monte-carlo", "many"], "--monte-carlo = many: must be a power of 2"),
        (["--masks", "LP12"], "--masks = LP12: no such mask; there are LP01, LP11"),
        (["--masks", "LP11@45"], "--masks = LP11@45: LP11 has the orientations 0, 90 deg"),
        (["--masks", "all"], "--masks = all: must be names"),
        (["--masks", ","], "--masks = ,: must be 1 to 12 masks"),
    ],
)
def test_what_cannot_be_drawn(
    folder: Path, options: list[str], text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["tolerance", "bench.toml", "--deviations", "some.toml", *options]) == 2
    found = capsys.readouterr()
    assert text in found.err
    assert len(found.err.splitlines()) == 1
    assert not found.out
