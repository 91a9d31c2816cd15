"""The fits on simulated benches of known truth: noise, drift, offset, wild and missing readings.

All readings are invented; the full model makes them, the fits use models of their own.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from maskforge import bench as benches
from maskforge.align.bench_update import table_text
from maskforge.align.catalogue import NAMES, STEPS
from maskforge.align.fit import Fit, Wavefront, fitted
from maskforge.align.flatness_fits import unwrapped
from maskforge.align.readings import NO_PAGE, Readings
from maskforge.align.simulate import BenchDisturbance, disturbed, powers
from maskforge.align.step import Choices
from maskforge.base.errors import BenchError
from maskforge.bench.build import zernike_radius_mm
from maskforge.launch.light import Real, noll_to_nm, zernike
from maskforge.report import FORMATS
from maskforge.report.figures.wavefront import wavefront_figure
from tests.align.bench import BINARY, lab, stack_of
from tests.align.cases import EDGE, GREYS, NORMAL, PHASES, QUICK, SLOW, Case, name_of

SPARED = "grey-amplitude", "focus", "lp11-lobe", "beam-edge"
"""Steps whose intervals are tried with the long tests alone."""


def in_powers(disturbance: BenchDisturbance, clean: Real) -> BenchDisturbance:
    """Floor, offset and limit from shares of the highest power to mW."""
    top = float(clean.max())
    limit = disturbance.saturation
    return replace(
        disturbance,
        floor=disturbance.floor * top,
        offset=disturbance.offset * top,
        saturation=None if limit is None else limit * top,
    )


def hits(fit: Fit, wanted: tuple[float, ...]) -> list[bool]:
    """Whether the truth lies within each stated interval."""
    return [
        abs(found.value - true) <= found.uncertainty
        for found, true in zip(fit.values, wanted, strict=True)
    ]


def coverage(case: Case, folder: Path, repetitions: int) -> Real:
    """Share of the repetitions in which each value's interval holds the truth."""
    stack, clean = case.made(folder)
    put_in = in_powers(NORMAL, clean)
    fits = [fitted(stack, disturbed(stack, clean, put_in, seed)) for seed in range(repetitions)]
    return np.mean([hits(fit, case.wanted) for fit in fits], axis=0)


@pytest.mark.parametrize(
    "case",
    [pytest.param(case, marks=[pytest.mark.long] if case.step in SPARED else []) for case in QUICK],
    ids=name_of,
)
def test_the_truth_lies_in_the_stated_interval(case: Case, tmp_path: Path) -> None:
    """95 % intervals, 20 repetitions: 18 and more, which chance alone misses once in 13 times."""
    assert np.all(coverage(case, tmp_path, 20) >= 0.9)


@pytest.mark.long
@pytest.mark.parametrize("case", SLOW, ids=name_of)
def test_the_truth_lies_in_the_stated_interval_of_the_slower_fits(
    case: Case, tmp_path: Path
) -> None:
    assert np.all(coverage(case, tmp_path, 20) >= 0.9)


@pytest.mark.parametrize("case", [*QUICK, *SLOW], ids=name_of)
def test_without_disturbance_the_truth_is_found(case: Case, tmp_path: Path) -> None:
    """Within what the models are off by, a thousandth of the signal."""
    stack, clean = case.made(tmp_path)
    # as many digits as a meter has at most: values that repeat exactly pass for its limit
    fit = fitted(stack, disturbed(stack, clean, BenchDisturbance(noise=1e-6), 0))
    assert all(hits(fit, case.wanted))
    assert fit.residual < 2e-3
    assert fit.left_out == {"saturated": 0, "outliers": 0}
    assert fit.missing == fit.unseen == 0
    assert fit.used == fit.rows


def test_every_step_but_the_last_changes_the_bench_file() -> None:
    """An orientation is no key of it."""
    assert [step.name for step in STEPS if step.changes is None] == [NAMES[-1]] == ["lp11-lobe"]


# --- what readings suffer --------------------------------------------------------------------


def test_saturated_readings_are_left_out_and_counted(tmp_path: Path) -> None:
    """A detector that ends at 70 %: half of the readings are its limit."""
    stack, clean = EDGE.made(tmp_path)
    put_in = in_powers(replace(NORMAL, saturation=0.7), clean)
    rows = disturbed(stack, clean, put_in, 1)
    fit = fitted(stack, rows)
    full = int(np.count_nonzero(rows.power == rows.power.max()))
    assert full > 20
    assert fit.left_out["saturated"] == full
    assert fit.used + full + fit.left_out["outliers"] == fit.rows == len(rows)
    assert all(hits(fit, EDGE.wanted))
    told = fitted(stack, rows, saturation=0.6 * float(clean.max()))
    assert told.left_out["saturated"] > full
    assert all(hits(told, EDGE.wanted))


def test_missing_frames_are_counted(tmp_path: Path) -> None:
    stack, clean = EDGE.made(tmp_path)
    rows = disturbed(stack, clean, in_powers(replace(NORMAL, dropped=0.6), clean), 2)
    fit = fitted(stack, rows)
    light = rows.page != NO_PAGE
    assert fit.missing == len(stack.order) - np.count_nonzero(light) > 0
    assert fit.unseen == len(stack.frames) - np.unique(rows.page[light]).size > 0
    assert all(hits(fit, EDGE.wanted))


def test_many_wild_readings_do_no_harm(tmp_path: Path) -> None:
    stack, clean = EDGE.made(tmp_path)
    found = []
    for seed in range(10):
        rows = disturbed(stack, clean, in_powers(replace(NORMAL, outliers=0.08), clean), seed)
        fit = fitted(stack, rows)
        assert 0 < fit.left_out["outliers"] <= 0.1 * fit.rows + 1
        found.append(hits(fit, EDGE.wanted))
    assert np.mean(found) >= 0.9


def test_drift_is_told_from_the_scan(tmp_path: Path) -> None:
    """A third over all readings: an edge of its own, were it not for the frames by chance and the
    drift in the fit."""
    stack, clean = EDGE.made(tmp_path)
    much = BenchDisturbance(noise=0.003, drift=0.35)
    found = [hits(fitted(stack, disturbed(stack, clean, much, k)), EDGE.wanted) for k in range(20)]
    assert np.all(np.mean(found, axis=0) >= 0.9)


def test_a_model_that_does_not_fit_says_so_in_its_uncertainty(tmp_path: Path) -> None:
    """A second beam beside the first: no reading is wild, the residual is large."""
    stack, clean = EDGE.made(tmp_path)
    ghost = np.array([values["axis"] == "x" for values in stack.frames])
    steps = np.array([float(values["edge_mm"] or 0) for values in stack.frames])
    odd = clean + 0.1 * clean.max() * (ghost & (steps > 0.2))
    plain, fit = (
        fitted(stack, disturbed(stack, power, BenchDisturbance(noise=0.003), 0))
        for power in (clean, odd)
    )
    assert fit.residual > 5 * plain.residual
    assert fit.values[0].uncertainty > 5 * plain.values[0].uncertainty
    assert fit.left_out["outliers"] <= 0.1 * fit.rows + 1


def test_readings_without_a_dark_one(tmp_path: Path) -> None:
    stack, clean = EDGE.made(tmp_path)
    rows = disturbed(stack, clean, in_powers(NORMAL, clean), 0)
    shown = rows.page != NO_PAGE
    fit = fitted(stack, Readings(rows.time[shown], rows.page[shown], rows.power[shown]))
    assert any("no readings with the beam blocked" in note for note in fit.notes)
    assert all(hits(fit, EDGE.wanted))


def test_readings_that_tell_nothing(tmp_path: Path) -> None:
    stack, clean = EDGE.made(tmp_path)
    rows = disturbed(stack, clean, in_powers(NORMAL, clean), 0)
    chance = np.random.default_rng(0)
    noise = replace(rows, power=1 + 0.01 * chance.standard_normal(len(rows)))
    with pytest.raises(BenchError, match="do not tell what is sought"):
        fitted(stack, noise)
    few = Readings(rows.time[8:14], rows.page[8:14], rows.power[8:14])
    with pytest.raises(BenchError, match=r"readings that count, more than \d+ are needed"):
        fitted(stack, few)
    with pytest.raises(BenchError, match="all are dark or saturated"):
        fitted(stack, rows, saturation=1e-9)
    one = replace(rows, page=np.where(rows.page == NO_PAGE, NO_PAGE, 0))
    with pytest.raises(BenchError, match="do not tell what is sought"):
        fitted(stack, one)


def test_places_that_were_not_read(tmp_path: Path) -> None:
    stack = stack_of(tmp_path, "flatness")
    clean = powers(stack, stack.bench)
    rows = disturbed(stack, clean, BenchDisturbance(noise=0.01), 0)
    some = (rows.page < 14) | (rows.page == 17)
    few = Readings(rows.time[some], rows.page[some], rows.power[some])
    with pytest.raises(BenchError, match="3 places have readings of all their four frames"):
        fitted(stack, few)


@pytest.mark.long
def test_numbers_that_mean_nothing(tmp_path: Path) -> None:
    """Chance, zeros, one value, huge and negative ones: one line, no traceback."""
    chance = np.random.default_rng(1)
    odd = (
        chance.random(150),
        1e3 * chance.standard_cauchy(150),
        np.zeros(150),
        np.ones(150) * 1e14,
        -chance.random(150) * 1e-12,
    )
    for name, some in (("beam-square", 2), ("grey-amplitude", 2), ("lp11-lobe", 5)):
        stack = stack_of(tmp_path, name, Choices(points=5))
        page = chance.integers(-1, len(stack.frames), 150)
        for power in odd[:some]:
            with pytest.raises(BenchError) as caught:
                fitted(stack, Readings(chance.random(150), page, power))
            assert len(str(caught.value).splitlines()) == 1


def test_a_result_beyond_its_scan_is_told(tmp_path: Path) -> None:
    stack = stack_of(tmp_path, "focus", Choices(points=9, span=4.0))
    clean = powers(stack, lab(light={"curvature_per_m": 4.0}))
    fit = fitted(stack, disturbed(stack, clean, BenchDisturbance(noise=0.002), 0))
    assert any("beyond the scan of curvature_per_m" in note for note in fit.notes)


# --- flatness --------------------------------------------------------------------------------


@pytest.mark.long
def test_sub_apertures_tell_the_polynomials_of_a_wavefront(tmp_path: Path) -> None:
    """Put in one by one, found one by one: Noll's polynomials are independent on the places."""
    stack = stack_of(tmp_path, "flatness")
    for index in (4, 7, 10):
        clean = powers(stack, lab(light={"zernike": {str(index): 0.1}}))
        fit = fitted(stack, disturbed(stack, clean, BenchDisturbance(noise=1e-6), 0))
        found = {value.name: value.value for value in fit.values}
        assert found.pop(f"Noll {index}") == pytest.approx(0.1, abs=2e-3)
        assert list(found.values()) == pytest.approx([0.0] * len(found), abs=3e-3)
        seen = fit.wavefront
        assert seen is not None
        radius = zernike_radius_mm(stack.bench) * 1e-3
        rho, theta = np.hypot(seen.x, seen.y) / radius, np.arctan2(seen.y, seen.x)
        plane = np.linalg.qr(np.column_stack([np.ones(seen.x.size), seen.x, seen.y]))[0]
        # over the middle of each sub-aperture, where its mean lies up to a few thousandths beside
        for off in (seen.measured - 0.1 * zernike(index, rho, theta), seen.measured - seen.fitted):
            assert off - plane @ (plane.T @ off) == pytest.approx(np.zeros(off.size), abs=8e-3)


@pytest.mark.long
def test_the_truth_lies_in_the_stated_interval_of_sub_apertures(tmp_path: Path) -> None:
    stack = stack_of(tmp_path, "flatness")
    true = {"4": 0.06, "5": -0.08, "7": 0.05, "11": 0.03}
    clean = powers(stack, lab(light={"zernike": true}))
    wanted = tuple(true.get(str(index), 0.0) for index in range(2, 12))
    put_in = in_powers(replace(NORMAL, floor=1e-3), clean)
    fits = [fitted(stack, disturbed(stack, clean, put_in, seed)) for seed in range(5)]
    assert np.mean([hits(fit, wanted) for fit in fits]) >= 0.9


@pytest.mark.parametrize(
    ("kind", "y"),
    [
        pytest.param(kind, y, marks=[] if kind == FORMATS[0] else [pytest.mark.long])
        for kind, y in zip(FORMATS, ([0, 0], [0, 0, 1], [0]), strict=True)
    ],
)
def test_the_figure_of_a_wavefront(kind: str, y: list[int]) -> None:
    """Places in one row, in two, and one alone, with nothing in them: the same bytes each time."""
    x, none = np.minimum(np.arange(len(y)), 1), np.zeros(len(y))
    wavefront = Wavefront(1e-3 * x, 1e-3 * np.array(y), none, none)
    once, twice = (wavefront_figure(wavefront, "flatness", kind) for _ in range(2))
    assert once == twice


def test_unwrapping_undoes_wrapping() -> None:
    """Steps up to a third of a turn, over places with a gap."""
    x, y = (z.ravel() for z in np.meshgrid(np.arange(9.0), np.arange(7.0)))
    kept = ~((x == 5) & (y > 3))
    x, y = x[kept], y[kept]
    true = 1.3 * x - 0.2 * (y - 3) ** 2 + 0.1 * x * y
    found = unwrapped(x, y, np.angle(np.exp(1j * true)))
    assert found - found[0] == pytest.approx(true - true[0], abs=1e-9)


def test_noll_polynomials_are_orthonormal_on_the_disc() -> None:
    """Noll, J. Opt. Soc. Am. 66, 207 (1976), eq. 3: Gauss rule in rho^2, even angles."""
    rho2, weight = np.polynomial.legendre.leggauss(12)
    rho = np.sqrt((rho2 + 1) / 2)[:, None]
    theta = np.arange(24) * 2 * np.pi / 24
    values = np.array([zernike(j, rho, theta) + 0 * theta for j in range(1, 12)])
    products = np.einsum("irt,jrt,r->ij", values, values, weight) / (2 * 24)
    assert products == pytest.approx(np.eye(11), abs=1e-12)
    assert noll_to_nm(11) == (4, 0)


# --- greys -----------------------------------------------------------------------------------


def test_the_table_is_one_that_the_bench_file_takes(tmp_path: Path) -> None:
    case = QUICK[2]
    stack, clean = case.made(tmp_path)
    fit = fitted(stack, disturbed(stack, clean, in_powers(NORMAL, clean), 7))
    assert fit.table is not None
    inside = np.abs(fit.table.phase_deg - PHASES[fit.table.greys]) <= fit.table.uncertainty_deg
    assert np.mean(inside) >= 0.85
    (tmp_path / "new.csv").write_text(table_text(stack.bench, fit.table), "utf-8")
    keys = {"alphabet": "table", "table": "new.csv", "levels": None}
    alphabet = benches.modulator(lab(tmp_path, modulator=keys)).alphabet
    assert alphabet.greys.tolist() == GREYS.tolist()
    off = np.rad2deg(np.angle(alphabet.values * np.exp(-1j * np.deg2rad(PHASES))))
    # 17 greys measured, the others between them
    assert np.max(np.abs(off)) < 2.0


def test_a_table_that_falls_is_found_falling(tmp_path: Path) -> None:
    """Powers alone do not tell a phase's sign; the bench file's greys do."""
    nominal = np.column_stack([GREYS, -360 * GREYS / 64])
    np.savetxt(tmp_path / "n.csv", nominal, "%.9g", ",", header="grey,phase_deg", comments="")
    keys = {"alphabet": "table", "table": str(tmp_path / "n.csv"), "levels": None}
    stack = stack_of(tmp_path, "phase-depth", Choices(points=9), modulator=keys)
    clean = powers(stack, lab(modulator=keys))
    fit = fitted(stack, disturbed(stack, clean, BenchDisturbance(noise=0.002), 0))
    assert fit.values[0].value == pytest.approx(-360 * 63 / 64, abs=1.0)


@pytest.mark.parametrize("greys", [[0, 255], [9, 3]])
def test_a_step_of_more_than_half_a_wave(greys: list[int], tmp_path: Path) -> None:
    """Whichever state has the lower grey: 260 deg where the bench says 270."""
    panel = BINARY["modulator"] | {"phase_step_deg": 270.0, "greys": greys}
    true = {"modulator": {"phase_step_deg": 260.0}}
    case = Case("phase-depth", lambda folder: true, (260.0, 1.0), nominal={"modulator": panel})
    stack, clean = case.made(tmp_path)
    fit = fitted(stack, disturbed(stack, clean, BenchDisturbance(noise=1e-6), 0))
    assert fit.values[0].value == pytest.approx(260, abs=0.1)


def test_half_a_wave_of_two_states(tmp_path: Path) -> None:
    """Where the power is least the phase is hardest to tell: a wide interval, and it holds."""
    stack = stack_of(tmp_path, "phase-depth", **BINARY)
    clean = powers(stack, lab(**BINARY))
    fits = [
        fitted(stack, disturbed(stack, clean, in_powers(NORMAL, clean), seed)) for seed in range(10)
    ]
    assert (
        np.mean([abs(fit.values[0].value - 180) <= fit.values[0].uncertainty for fit in fits]) > 0.8
    )
    assert all(0.1 < fit.values[0].uncertainty < 10 for fit in fits)
    assert all("explains the readings as well" in fit.notes[0] for fit in fits)
