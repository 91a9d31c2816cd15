"""Lens, beam and carrier: the figures of a setting by hand, the choice, its files and its map."""

import csv
import io
import math
import re
import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray
from PIL import Image

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.base.safety import BRIEF
from maskforge.bench import Bench
from maskforge.bench.ready import prepared
from maskforge.cli import main as cli
from maskforge.launch.targets import gaussian_waist, lp_target
from maskforge.methods.by_name import design
from maskforge.methods.problem import Problem
from maskforge.report import FORMATS
from maskforge.report.figures.plan import CHOSEN, cells_of, plan_figure
from maskforge.study import plan, plan_file, plan_search
from maskforge.study.plan import Plan, PlannedBounds, PlannedSetting, Refused, Row
from tests.commands import ran
from tests.reference.optics_values import LEVELS_FIRST_ORDER, gaussian_coupling

TOML = """\
# A bench made up for the tests
[light]
wavelength_nm = 1310.0
waist_mm = 0.6                    # before the lens
power_mw = 4.0

[modulator]
pixels = [64, 64]
pitch_um = 40.0
alphabet = "binary"
damage_mw_per_mm2 = 100.0

[lens]
focal_length_mm = 8.0

[fiber]
preset = "six-mode-graded"

[targets]
orientations = 12
"""

CORE = 9e-6
WAVELENGTH = 1.31e-6
PITCH = 40e-6


def small(**changes: dict[str, Any]) -> Bench:
    raw = tomllib.loads(TOML)
    sections = {name: raw.get(name, {}) | changes.get(name, {}) for name in {*raw, *changes}}
    return benches.from_dict(
        {name: {k: v for k, v in keys.items() if v is not None} for name, keys in sections.items()},
        "small",
    )


def found_at(bench: Bench, **changes: Any) -> PlannedBounds:
    fixed = plan.fixed_of(bench)
    found = plan.evaluated(fixed, replace(plan.setting_of(fixed.bench), **changes))
    assert isinstance(found, PlannedBounds)
    return found


# --- one setting -----------------------------------------------------------------------------


def test_figures_by_hand() -> None:
    """Peak 2 P / (pi w^2); one fringe is lambda f / a on the mask; 1 - exp(-2 r^2 / w^2) caught."""
    found = found_at(small(), waists_mm=(0.5, 0.5))
    assert found.density == pytest.approx(2 / (math.pi * 0.5e-3**2))
    assert found.fringe == pytest.approx(WAVELENGTH * 8e-3 / (CORE * PITCH))
    half = 32 * PITCH
    assert found.share == pytest.approx(math.erf(math.sqrt(2) * half / 0.5e-3) ** 2, abs=3e-3)
    assert (found.zero_order, found.conjugate) == (0.0, 0.0)
    assert [label for label, _ in found.bounds] == ["LP01", "LP11", "LP02", "LP21"]
    assert found.worst[1] == min(bound for _, bound in found.bounds)
    assert found.mean == pytest.approx(sum(bound for _, bound in found.bounds) / 4)
    assert (found.merit("worst"), found.merit("mean")) == (found.worst[1], found.mean)


@pytest.mark.parametrize(
    ("period", "angle", "zero", "conjugate"),
    [
        (6.0, 0.0, 1 / 6, 1 / 3),
        (6.0, 30.0, 1 / 6, 1 / 3),
        # order -1 lies at -0.4 pixels' orders, and so at 0.6 too: 0.2 away
        (2.5, 0.0, 0.4, 0.2),
        # along both axes by turns: (0.25, 0.25), and (-0.25, -0.25) is nearest as it is
        (math.sqrt(8), 45.0, math.sqrt(2) / 4, math.sqrt(2) / 2),
    ],
)
def test_orders_by_the_grating_equation(
    period: float, angle: float, zero: float, conjugate: float
) -> None:
    """Order m at m lambda f / (period pitch); distances here in lambda f / pitch."""
    bench = small(design={"carrier_period_px": period, "carrier_angle_deg": angle})
    found = found_at(bench)
    unit = WAVELENGTH * 8e-3 / PITCH / CORE
    assert found.zero_order == pytest.approx(zero * unit, rel=1e-9)
    assert found.conjugate == pytest.approx(conjugate * unit, rel=1e-9)
    assert unit == pytest.approx(found.fringe)


def test_aslant_the_pixels_are_narrower() -> None:
    found = found_at(small(modulator={"incidence_deg": 60.0}, design={"carrier_period_px": 6.0}))
    assert found.zero_order == pytest.approx(WAVELENGTH * 8e-3 / (6 * PITCH / 2) / CORE, rel=1e-9)
    assert found.fringe == pytest.approx(WAVELENGTH * 8e-3 / (CORE * PITCH))


def test_bounds_hold_for_designed_masks() -> None:
    """Of the same setting, designed with the same bench: at most 1 % above what is reached here."""
    bench = small()
    launch = prepared(bench).launch
    for label, bound in found_at(bench).bounds:
        made = design(Problem(launch, lp_target(launch.basis, label), 0.999), "dual")
        assert made.bound is not None
        assert made.prediction.efficiency <= bound * (1 + 1e-9)
        assert bound == pytest.approx(made.bound, rel=1e-2)


LIMITED: dict[str, dict[str, Any]] = {
    "light": {"waist_mm": 1.16, "power_mw": None},
    "modulator": {
        **{"pixels": [256, 256], "pitch_um": 15.0, "fill_factor": 0.92},
        **{"alphabet": "levels", "levels": 16, "depth_deg": 250.0},
    },
}
"""Phases of 250 deg in all, before six modes."""

TWO: dict[str, Any] = {"name": "sum", "weights": {"LP11 cos": [1.0, 0.0], "LP21 cos": [1.0, 20.0]}}


@pytest.mark.parametrize(
    ("changes", "purity", "known"),
    [
        # bounds of one overall phase were 0.6242 and 0.3393
        ({"targets": {"family": "superposition", "superpositions": [TWO]}}, 0.99, 0.6670),
        (
            {
                "light": {"waist_mm": None, "waist_x_mm": 1.25, "waist_y_mm": 1.0},
                "targets": {"family": "lg", "labels": ["LG0-1"], "lg_waist_um": 4.95},
            },
            0.999,
            0.3709,
        ),
    ],
)
def test_bounds_are_above_masks_that_are_known(
    changes: dict[str, dict[str, Any]], purity: float, known: float
) -> None:
    """Masks of that purity, found at another overall phase than that of the most light."""
    made: dict[str, dict[str, Any]] = {"design": {"purity": purity}}
    for name in {*LIMITED, *changes}:
        made[name] = LIMITED.get(name, {}) | changes.get(name, {})
    made["targets"]["orientations"] = None
    ((_, bound),) = found_at(small(**made)).bounds
    assert known < bound < 1.01 * known


@pytest.mark.parametrize("step", [pytest.param(120.0, marks=pytest.mark.long), 150.0, 180.0])
def test_bounds_with_light_in_the_gaps(step: float) -> None:
    """Above the designs of the same targets at other overall phases; useless ones are told."""
    panel = {"phase_step_deg": step, "fill_factor": 0.85, "gap_reflectance": 0.6}
    bench = small(modulator=panel, design={"purity": 0.95})
    found, launch = found_at(bench), prepared(bench).launch
    for label, bound in found.bounds:
        target = lp_target(launch.basis, label)
        problem = Problem(launch, target, 0.95)
        for phase in (0.0, 0.8, 2.0):
            turned = replace(target, vector=target.vector * np.exp(1j * phase))
            made = design(replace(problem, target=turned), "dual")
            if made.prediction.purity >= 0.95:
                assert made.prediction.efficiency <= bound * (1 + 1e-6)
        assert (label in found.faint) >= (bound < 1e-3)


def test_levels_lose_what_they_lose_by_a_grating() -> None:
    """sinc^2(1/N) of continuous phase, on the mean target (Goodman and Silvestri 1970)."""
    means = {
        levels: found_at(
            small(
                modulator={"alphabet": "levels", "levels": levels},
                design={"carrier_period_px": 5.3, "carrier_angle_deg": 20.0},
            )
        ).mean
        for levels in (3, 4, 256)
    }
    for levels in (3, 4):
        expected = LEVELS_FIRST_ORDER[levels] / LEVELS_FIRST_ORDER[256]
        assert means[levels] / means[256] == pytest.approx(expected, rel=0.02)


def test_crosstalk_is_left_out() -> None:
    assert found_at(small(modulator={"crosstalk_px": 1.0})) == found_at(small())


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"waists_mm": (5.0, 5.0)}, r"\[light\] waist_mm = 5.0: only .* % of the beam's power"),
        ({"waists_mm": (0.05, 0.05)}, r"\[light\] waist_mm = 0.05: the beam is narrower than"),
        ({"focal_length_mm": 0.5}, r"\[lens\] focal_length_mm = 0.5: pixels of 40 um leave"),
        ({"carrier_period_px": 2.0}, r"\[design\] carrier_period_px = 2.0: must be longer than 2"),
        ({"waists_mm": (0.15, 0.15)}, r"\[light\] power_mw = 4: the peak .* is 113 mW/mm2, above"),
    ],
)
def test_refused_with_the_benchs_words(changes: dict[str, Any], reason: str) -> None:
    fixed = plan.fixed_of(small())
    setting = replace(plan.setting_of(fixed.bench), **changes)
    refused = plan.evaluated(fixed, setting)
    assert isinstance(refused, Refused)
    assert refused.setting == setting
    assert re.match(f"small: {reason}", refused.reason)


# --- the grid --------------------------------------------------------------------------------


def test_default_grid() -> None:
    """Seven lenses around the bench's own; waists around the one of LP01, lambda f / (pi w)."""
    fixed = plan.fixed_of(small())
    rows = plan.rows_of(fixed)
    assert [row[0].focal_length_mm for row in rows] == [4, 5.04, 6.35, 8, 10.1, 12.7, 16]
    for row in rows:
        length = row[0].focal_length_mm * 1e-3
        matched = WAVELENGTH * length / (math.pi * gaussian_waist(fixed.basis))
        waists = [setting.waists_mm[0] for setting in row if setting.waists_mm]
        assert waists[0] == pytest.approx(0.7e3 * matched, rel=5e-3)
        assert waists[-1] == pytest.approx(4e3 * matched, rel=5e-3)
        assert len(waists) == 10
        np.testing.assert_allclose(np.diff(np.log(waists)), math.log(4 / 0.7) / 9, atol=0.01)


def test_grid_of_lists() -> None:
    fixed = plan.fixed_of(small())
    rows = plan.rows_of(fixed, (5.0, 6.0), (0.4, 0.5, 0.6), (0.0, 6.0))
    settings = [setting for row in rows for setting in row]
    assert len(settings) == len(set(settings)) == 12
    assert [row[0].row for row in rows] == [(5.0, 0.0), (6.0, 0.0), (5.0, 6.0), (6.0, 6.0)]
    assert all([s.waists_mm for s in row] == [(w, w) for w in (0.4, 0.5, 0.6)] for row in rows)


def test_elliptic_beams_keep_their_ratio() -> None:
    bench = small(light={"waist_mm": None, "waist_x_mm": 0.8, "waist_y_mm": 0.4})
    fixed = plan.fixed_of(bench)
    for row in (*plan.rows_of(fixed), *plan.rows_of(fixed, waist=(0.5, 0.7))):
        for setting in row:
            assert setting.waists_mm is not None
            assert setting.waists_mm[0] == pytest.approx(2 * setting.waists_mm[1], rel=1e-3)
    round_waists = plan.rows_of(plan.fixed_of(small()))[3][0].waists_mm
    oval = plan.rows_of(fixed)[3][0].waists_mm
    assert round_waists is not None
    assert oval is not None
    assert math.sqrt(oval[0] * oval[1]) == pytest.approx(round_waists[0], rel=5e-3)
    changed = plan.changes(bench, PlannedSetting(8.0, (0.6, 0.3), 0.0))
    assert changed == {("light", "waist_x_mm"): 0.6, ("light", "waist_y_mm"): 0.3}


def test_measured_beams_keep_their_width(tmp_path: Path) -> None:
    y, x = np.mgrid[-40:41, -40:41] * 0.05
    spot = np.exp(-2 * (x**2 + y**2) / 0.6**2).astype(np.float32)
    tifffile.imwrite(tmp_path / "beam.tif", spot)
    text = TOML.replace("waist_mm = 0.6 ", 'image = "beam.tif"\nimage_pixel_um = 50.0 ')
    (tmp_path / "measured.toml").write_text(text)
    fixed = plan.fixed_of(benches.load(tmp_path / "measured.toml"))
    assert [[s.waists_mm for s in row] for row in plan.rows_of(fixed, (6.0, 8.0))] == [[None]] * 2
    found = plan.evaluated(fixed, plan.rows_of(fixed, (8.0,))[0][0])
    assert isinstance(found, PlannedBounds)
    assert found.mean == pytest.approx(found_at(small()).mean, rel=2e-2)
    assert found.density == pytest.approx(found_at(small()).density, rel=2e-2)
    with pytest.raises(BenchError, match=r"^--waist: .* has a measured beam"):
        plan.rows_of(fixed, waist=(0.5,))


@cache
def row_of_lp01() -> tuple[Row, float]:
    """Waists in front of one lens for LP01 alone, at no purity to speak of; the matched one."""
    bench = small(
        modulator={"alphabet": "continuous", "pixels": [128, 128], "pitch_um": 20.0},
        light={"power_mw": None},
        targets={"labels": ["LP01"]},
        design={"purity": 0.51},
    )
    fixed = plan.fixed_of(bench)
    (row,) = plan_search.explored(fixed, plan.rows_of(fixed, (8.0,)), "worst", fine=True)
    return row, 1e3 * WAVELENGTH * 8e-3 / (math.pi * gaussian_waist(fixed.basis))


@pytest.mark.long
def test_the_matched_waist_is_the_best_for_lp01() -> None:
    """Without unwanted modes that count the bound is the overlap of two Gaussians (Marcuse 1977),
    largest where the beam is the image of the mode (Kogelnik and Li 1966), and there all light.

    2 %: LP01 of this fibre is a Gaussian to 99 %, and its pixels' envelope takes the rest.
    """
    row, matched = row_of_lp01()
    best = Plan((row,), row.grid[0], "worst").choice()
    assert best.setting.waists_mm is not None
    assert best.setting.waists_mm[0] == pytest.approx(matched, rel=0.02)
    assert 0.98 < best.worst[1] < 1
    for outcome in (*row.grid, *row.between):
        if isinstance(outcome, PlannedBounds) and outcome.setting.waists_mm:
            overlap = gaussian_coupling(outcome.setting.waists_mm[0], matched)
            if overlap > 0.55:
                assert outcome.worst[1] == pytest.approx(overlap, rel=0.02)


def test_waists_between_those_of_the_grid() -> None:
    """Only in the two steps around the grid's best, rounded to what can be set."""
    row, _ = row_of_lp01()
    merits = [one.merit("worst") if isinstance(one, PlannedBounds) else 0.0 for one in row.grid]
    best = int(np.argmax(merits))
    low, high = (row.grid[k].setting.waists_mm for k in (best - 1, best + 1))
    assert low is not None
    assert high is not None
    assert 3 <= len(row.between) <= plan_search.MOST_TRIALS + 2
    for outcome in row.between:
        assert outcome.setting.waists_mm is not None
        waist = outcome.setting.waists_mm[0]
        assert low[0] <= waist <= high[0]
        assert waist == float(f"{waist:.3g}")


# --- the choice ------------------------------------------------------------------------------


def made_up(focal: float, waist: float, worst: float, mean: float, density: float) -> PlannedBounds:
    """The mean of two targets, one of them the worst; numbers made up."""
    bounds = (("LP01", worst), ("LP11", 2 * mean - worst))
    return PlannedBounds(
        PlannedSetting(focal, (waist, waist), 0.0), bounds, (), 10 * focal, 0, 0, density, 1
    )


def plan_of(
    *found: PlannedBounds | Refused, own: PlannedBounds | Refused | None = None, by: str = "worst"
) -> Plan:
    lengths = dict.fromkeys(one.setting.focal_length_mm for one in found)
    rows = [
        Row(tuple(one for one in found if one.setting.focal_length_mm == length))
        for length in lengths
    ]
    return Plan(tuple(rows), own or made_up(1.0, 1.0, 0.9, 0.9, 1.0), by)


def test_the_best_lens_by_worst_or_mean() -> None:
    one, other = made_up(8, 1, 0.3, 0.4, 1.0), made_up(16, 1, 0.2, 0.5, 1.0)
    assert plan_of(one, other).choice() is one
    assert plan_of(one, other, by="mean").choice() is other


def test_equal_ones_go_to_less_density_then_to_more_pixels() -> None:
    best, near, far = (
        made_up(8, 1, 0.3000, 0.4, 2.0),
        made_up(11, 1, 0.2987, 0.4, 1.0),
        made_up(16, 1, 0.2980, 0.4, 0.5),
    )
    assert plan_of(best, near, far).choice() is near
    assert plan_of(best, replace(near, density=2.0), far).choice().setting.focal_length_mm == 11


def test_the_waist_of_a_lens_is_its_best() -> None:
    """Whatever its density: it can be set."""
    best, near = made_up(8, 1, 0.3000, 0.4, 2.0), made_up(8, 2, 0.2999, 0.4, 1.0)
    assert plan_of(best, near).choice() is best


def test_never_less_than_the_bench_as_it_is() -> None:
    """Where its lens is among those asked for."""
    best, near = made_up(8, 1, 0.3000, 0.4, 2.0), made_up(11, 1, 0.2987, 0.4, 1.0)
    own = made_up(8, 1.1, 0.2995, 0.4, 1.9)
    assert plan_of(best, near, own=own).choice() is best
    better = made_up(8, 1.1, 0.31, 0.4, 1.9)
    assert plan_of(best, near, own=better).choice() is better
    assert replace(plan_of(best, near, own=better), fine=False).choice() is near
    elsewhere = made_up(9, 1.1, 0.35, 0.4, 1.9)
    assert plan_of(best, near, own=elsewhere).choice() is near


def test_nothing_to_choose() -> None:
    refused = Refused(PlannedSetting(8, (9, 9), 0.0), "small: [light] waist_mm = 9: too wide")
    assert plan_of(refused).best(Row((refused,))) is None
    with pytest.raises(BenchError, match=r"^nothing can be planned: small: \[light\] waist_mm"):
        plan_of(refused).choice()


@pytest.mark.long
def test_the_45_mode_preset_planned_again() -> None:
    """By the worst target far above what was chosen by hand, 2.7 mm before 16 mm.

    Four of its 25 labels: the ones that get least light from a wide and from a narrow beam.
    """
    bench = benches.load("gi50-1550", labels=["LP01", "LP23", "LP13", "LP81"])
    fixed = plan.fixed_of(bench)
    own = plan.evaluated(fixed, plan.setting_of(bench))
    assert isinstance(own, PlannedBounds)
    assert own.setting == PlannedSetting(16.0, (2.7, 2.7), 0.0)
    rows = plan.rows_of(fixed, (16.0,), (1.8, 2.2, 2.6))
    (row,) = plan_search.explored(fixed, rows, "worst", fine=True)
    assert Plan((row,), own, "worst").choice().worst[1] > 1.4 * own.worst[1]


# --- the command -----------------------------------------------------------------------------


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "small.toml").write_text(TOML, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


QUICK = ("small.toml", "--focal", "8,6,8", "--waist", "0.4,.5,9", "--jobs", "1")


@pytest.mark.usefixtures("here")
def test_table_and_files(capsys: pytest.CaptureFixture[str]) -> None:
    files = ("--csv", "map.csv", "--figure", "map.png", "--write", "new.toml")
    code, out, err = ran(capsys, "plan", *QUICK, *files)
    assert (code, err) == (0, "")
    lines = [line.rstrip() for line in out.splitlines()]
    rows = list(csv.DictReader(io.StringIO(Path("map.csv").read_text("utf-8"))))
    assert len(rows) == 2 * 3 + 1
    assert {row["proven"] for row in rows} == {"yes", ""}
    assert [row["kind"] for row in rows if row["refused"]] == ["grid", "grid"]
    (choice,) = (row for row in rows if row["kind"].endswith("chosen"))
    (line,) = (line for line in lines if line.endswith("chosen"))
    cells = line.split()
    assert float(cells[0]) == float(choice["focal_length_mm"])
    assert float(cells[1]) == float(choice["waist_x_mm"])
    assert cells[4] == choice["worst_target"]
    assert float(cells[5]) == pytest.approx(100 * float(choice["worst_bound"]), abs=0.501e-2)
    assert float(cells[6]) == pytest.approx(100 * float(choice["mean_bound"]), abs=0.501e-2)
    assert float(cells[7]) == pytest.approx(float(choice["pixels_a_fringe"]), abs=0.0501)
    # 4 mW; the CSV is of 1 W
    assert float(cells[10]) == pytest.approx(4 * float(choice["peak_per_mm2"]), rel=5e-3)
    assert float(cells[11]) == pytest.approx(100 * float(choice["share_on_mask"]), abs=0.0501)
    bounds = [float(value) for key, value in choice.items() if key.startswith("bound_")]
    assert min(bounds) == float(choice["worst_bound"])
    assert lines[5].split()[-3:] == ["as", "it", "is"]
    assert "- 2 of 7 settings cannot be:" in lines
    assert any(line.startswith("  2, such as [light] waist_mm = 9.0: only ") for line in lines)
    assert BRIEF in out
    assert lines[-1] == "Next: maskforge design new.toml"


@pytest.mark.usefixtures("here")
def test_the_new_bench_is_the_old_one_but_for_the_choice(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert ran(capsys, "plan", *QUICK, "--write", "new.toml", "--carrier", "6")[0] == 0
    before, after = benches.load("small.toml"), benches.load("new.toml")
    assert (after.design.carrier_period_px, after.lens.focal_length_mm) in [(6, 6), (6, 8)]
    assert after.light.waist_mm in (0.4, 0.5)
    back = plan.with_setting(after, plan.setting_of(before))
    assert benches.resolved(back) == benches.resolved(before)
    text = Path("new.toml").read_text("utf-8")
    assert text.startswith("# small, planned: at most ")
    assert f"waist_mm = {after.light.waist_mm} " in text
    assert "# before the lens" in text
    assert cli.main(["design", "new.toml", "--labels", "LP01", "--orientations", "1"]) == 0


def test_data_files_are_found_from_elsewhere(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (here / "table.csv").write_text("grey,phase_deg\n0,0\n1,170\n")
    text = TOML.replace('alphabet = "binary"', 'alphabet = "table"\ntable = "table.csv"')
    (here / "small.toml").write_text(text)
    (here / "other").mkdir()
    assert ran(capsys, "plan", *QUICK, "--write", "other/new.toml")[0] == 0
    assert benches.load("other/new.toml").modulator.table == replace(
        benches.load("small.toml").modulator.table, path="../table.csv"
    )


@pytest.mark.usefixtures("here")
def test_without_a_file_it_says_how_to_get_one(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = ran(capsys, "plan", *QUICK, "--labels", "LP01")
    assert code == 0
    assert out.splitlines()[-1].startswith("Next: the same with --write NEW.toml, then maskforge")
    assert sorted(path.name for path in Path().iterdir()) == ["small.toml"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--focal", "8,x"), "--focal = x: must be a number from 0.5 to 2000 mm"),
        (("--focal", "inf"), "--focal = inf: must be a number from 0.5 to 2000 mm"),
        (("--focal", " ,"), "--focal: at least one number"),
        (("--waist", "0"), "--waist = 0: must be a number from 0.01 to 100 mm"),
        (("--carrier", "1.5"), "--carrier = 1.5: must be 0 (on the axis) or from 2 pixels on"),
        (("--by", "best"), "--by = best: must be worst or mean"),
        (("--labels", "LP55"), "small.toml: [targets] labels"),
        (("--write", "small.toml"), "--write = small.toml: is there already; a new file is needed"),
        (("--write", "new.txt"), "--write = new.txt: the name must end in .toml"),
        (("--write", "none/new.toml"), "none/new.toml: cannot be written"),
        (("--csv", "a.toml", "--write", "a.toml"), "--write, --csv, --figure: must be different"),
        (("--figure", "map.gif"), "--figure = map.gif: the name must end in"),
        (("--waist", "9"), "nothing can be planned: small.toml: [light] waist_mm = 9.0: only"),
    ],
)
@pytest.mark.usefixtures("here")
def test_bad_input(
    arguments: tuple[str, ...], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line, and no file."""
    code, out, err = ran(capsys, "plan", "small.toml", "--jobs", "1", *arguments)
    assert (code, out) == (2, "")
    assert err.startswith(f"error: {message}")
    assert err.count("\n") == 1
    assert sorted(path.name for path in Path().iterdir()) == ["small.toml"]


def test_a_bench_that_cannot_be_changed_is_told_before_the_work(
    here: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object) -> str:
        raise BenchError("small.toml: [lens] focal_length_mm: cannot be changed")

    monkeypatch.setattr(plan_file, "with_keys", refused)
    monkeypatch.setattr(plan_search, "explored", None)
    code, _, err = ran(capsys, "plan", *QUICK, "--write", "new.toml")
    assert code == 2
    assert err == "error: small.toml: [lens] focal_length_mm: cannot be changed\n"
    assert not Path("new.toml").exists()


@pytest.mark.usefixtures("here")
def test_unreachable_purity_and_crosstalk_are_told(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """States 40 deg apart on the axis: most of the light cannot be taken off LP01."""
    text = TOML.replace("pitch_um", "phase_step_deg = 40.0\ncrosstalk_px = 0.3\npitch_um")
    (here / "small.toml").write_text(text)
    code, out, _ = ran(capsys, "plan", *QUICK, "--labels", "LP01,LP21,LP11")
    assert code == 0
    assert any(line.rstrip().endswith("as it is ! 3") for line in out.splitlines())
    assert "\n! so many targets for which 99.9 % purity costs so much light" in out
    assert "The bounds are for pixels without crosstalk" in out


def test_robust_benches_are_planned_where_they_are_aligned(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ran(capsys, "plan", *QUICK, "--csv", "one.csv")
    text = TOML.replace("1310.0", "[1300, 1310, 1320]") + "[design]\nfiber_offset_um = [1, 1]\n"
    (here / "small.toml").write_text(text)
    code, out, _ = ran(capsys, "plan", *QUICK, "--csv", "more.csv")
    assert code == 0
    assert "The bounds are at 1310 nm with the fibre in its place" in out
    assert Path("more.csv").read_bytes() == Path("one.csv").read_bytes()


@pytest.mark.long
def test_estimates_find_the_best_beam_of_a_large_panel(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, here: Path
) -> None:
    """As good as when every beam is proven, and what is listed is proven."""
    grid = ("small.toml", "--focal", "8", "--labels", "LP01,LP21", "--jobs", "1", "--csv")
    proven = _chosen(capsys, *grid, "proven.csv")
    monkeypatch.setattr(plan_search, "LARGE", 0)
    found = _chosen(capsys, *grid, "estimated.csv")
    rows = list(csv.DictReader(io.StringIO((here / "estimated.csv").read_text("utf-8"))))
    kinds = [row["kind"] for row in rows if row["proven"] == "yes"]
    assert sorted(kinds) == ["as it is", "best", "best", "best", "best, chosen"]
    assert found == pytest.approx(proven, rel=plan.EQUAL)


def _chosen(capsys: pytest.CaptureFixture[str], *words: str) -> float:
    """The worst bound of the choice."""
    assert ran(capsys, "plan", *words)[0] == 0
    rows = csv.DictReader(io.StringIO(Path(words[-1]).read_text("utf-8")))
    (choice,) = (row for row in rows if row["kind"].endswith("chosen"))
    return float(choice["worst_bound"])


@pytest.mark.long
def test_processes_do_not_change_the_plan() -> None:
    fixed = plan.fixed_of(small(targets={"labels": ["LP01", "LP21"]}))
    rows = plan.rows_of(fixed, (6.0, 8.0), (0.4, 0.5))
    one, two = (tuple(plan_search.explored(fixed, rows, "mean", fine=True, jobs=n)) for n in (1, 2))
    assert one == two


# --- the map ---------------------------------------------------------------------------------


def drawn(made: Plan) -> NDArray[np.uint8]:
    with Image.open(io.BytesIO(plan_figure(made, "small", "png"))) as image:
        return np.asarray(image.convert("RGB"))


def seen(image: NDArray[np.uint8], colour: str) -> int:
    wanted = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
    return int(np.all(image == wanted, axis=-1).sum())


def some() -> Plan:
    rows = [made_up(f, w, 0.1 * f / 8 + w / 20, 0.4, 1.0) for f in (8, 16) for w in (1, 2, 3)]
    refused = Refused(PlannedSetting(16, (5, 5), 0.0), "small: [light] waist_mm = 5: too wide")
    return plan_of(*rows, refused)


def test_cells_tile_the_waists() -> None:
    """Each around its waist, the next one beginning where it ends."""
    cells = cells_of(some().rows)
    assert [cell.column for cell in cells] == [0, 0, 0, 1, 1, 1, 1]
    for cell in cells:
        assert cell.outcome.setting.waists_mm is not None
        assert cell.low < cell.outcome.setting.waists_mm[0] < cell.high
    assert cells[0].high == cells[1].low == pytest.approx(math.sqrt(2))
    assert cells[0].low == pytest.approx(1 / math.sqrt(2))
    assert cells[-1].high == pytest.approx(5 * math.sqrt(5 / 3))


def test_the_map_marks_the_choice() -> None:
    """A frame in both maps, nothing touching the page's edge."""
    image = drawn(some())
    half, top = image.shape[1] // 2, image.shape[0] * 9 // 10
    assert min(seen(image[:top, :half], CHOSEN), seen(image[:top, half:], CHOSEN)) > 200
    for edge in (image[0], image[-1], image[:, 0], image[:, -1]):
        assert np.all(edge == 255)


def test_the_map_prints_what_was_chosen() -> None:
    """With its bounds; the cell's own number is not covered (no patch is filled above it)."""
    text = plan_figure(some(), "small", "svg").decode()
    assert "<!-- chosen: 16 mm lens, waist 3 mm, on the axis -->" in text
    assert "<!-- bound of the worst target, LP01: 35.0 %; mean 40.0 % -->" in text


@pytest.mark.parametrize("kind", FORMATS)
def test_odd_plans_can_be_drawn(kind: str) -> None:
    """One waist and a bound of 0; measured beams, several carriers; the same bytes each time."""
    zero = made_up(8, 1, 0.0, 0.0, 1.0)
    plain = replace(zero, setting=PlannedSetting(8, None, 0.0))
    other = replace(plain, setting=PlannedSetting(8, None, 6.0))
    title = "a $name$ & <more> " + 60 * "n"
    made = Plan((Row((plain,)), Row((other,))), plain, "mean")
    if kind == "png":
        made = Plan((Row((zero,)),), zero, "worst")
    assert plan_figure(made, title, kind) == plan_figure(made, title, kind)
