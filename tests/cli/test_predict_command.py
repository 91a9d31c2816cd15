"""The pixels of a set on another bench."""

import csv
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from maskforge import bench as benches
from maskforge.bench import Bench
from maskforge.bench.elsewhere import lit_at
from maskforge.bench.ready import guided_basis, prepared
from maskforge.cli import print_replays
from maskforge.fiber import SILICA, germania_doped, germania_fraction
from maskforge.launch.couplings import predict, standing_at
from maskforge.launch.modulator import emitted
from maskforge.launch.noise_budget import SHARES
from maskforge.launch.prediction import Prediction
from maskforge.launch.targets import gaussian_waist
from maskforge.sets.designing import Finished, finished_masks
from maskforge.sets.reading import read_set
from maskforge.sets.rebuilding import bench_of
from maskforge.sets.writing import Head, write_set
from tests.commands import SIX_MODES, changed, ran, toml_text

KEYS = changed(
    SIX_MODES,
    modulator={"alphabet": "levels", "levels": 4},
    targets={"labels": ["LP21", "LP01", "LP11"]},
    design={"method": "simple", "carrier_period_px": 7.0},
)
"""With a carrier."""


def bench_with(**changes: dict[str, Any]) -> Bench:
    """The bench with keys of its sections changed; None leaves one out."""
    return benches.from_dict(changed(KEYS, **changes), "tiny")


def written(folder: Path, bench: Bench) -> list[Finished]:
    """The masks of the bench, also written as a set into a new folder."""
    ready = prepared(bench)
    masks = list(finished_masks(ready))
    folder.mkdir()
    resolved = benches.resolved(bench, start=folder)
    head = Head(folder, resolved, ready.launch.modulator, ready.launch.basis, len(masks))
    write_set(folder, head, masks)
    return masks


def toml(path: Path, **changes: dict[str, Any]) -> Path:
    path.write_text(toml_text(changed(KEYS, **changes)), "utf-8")
    return path


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text("utf-8").splitlines()))


def direct(bench: Bench, masks: list[Finished], place: float | None = None) -> list[Prediction]:
    """What the same states launch on a bench, for its own targets of the same order.

    `place`: where on the facet's x axis the fibre stands, in m, instead of on the carrier's order.
    """
    ready = prepared(bench)
    launch = ready.launch if place is None else standing_at(ready.launch, (place, 0.0))
    return [
        predict(launch, target, emitted(launch.modulator, mask.design.states))
        for target, mask in zip(ready.targets, masks, strict=True)
    ]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Finished]]:
    folder = tmp_path_factory.mktemp("made") / "set"
    return folder, written(folder, bench_with())


# --- the same bench, and others --------------------------------------------------------------


def test_the_own_bench_gives_the_manifests_numbers(
    made: tuple[Path, list[Finished]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for option in (("--bench", toml(tmp_path / "own.toml")), ("--wavelength-nm", 1310)):
        code, output, errors = ran(
            capsys, "predict", made[0], *option, "--csv", tmp_path / "now.csv"
        )
        assert (code, errors) == (0, "")
        masks = read_set(made[0]).masks
        rows = rows_of(tmp_path / "now.csv")
        assert [(row["target"], float(row["orientation_deg"])) for row in rows] == [
            (mask.target, mask.orientation_deg) for mask in masks
        ]
        for row, mask in zip(rows, masks, strict=True):
            assert row["guided"] == "yes"
            for key in ("purity", "group_purity", "efficiency"):
                assert float(row[f"{key}_before"]) == getattr(mask, key)
                assert float(row[key]) == pytest.approx(getattr(mask, key), abs=1e-12)
            assert abs(float(row["purity_change"])) < 1e-12
        assert len(output.splitlines()) == 3 + 5 + 4


def test_where_the_light_goes(
    made: tuple[Path, list[Finished]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """On the own bench, where nothing else is said: the efficiency and all the rest of the beam."""
    now = tmp_path / "now.csv"
    code, output, errors = ran(capsys, "predict", made[0], "--budget", "--csv", now)
    assert (code, errors) == (0, "")
    for row in rows_of(now):
        shares = {name: float(row[f"share_{name}"]) for name in SHARES}
        assert shares["target"] == pytest.approx(float(row["efficiency_before"]), abs=1e-12)
        assert sum(shares.values()) == pytest.approx(1, abs=1e-12)
        assert min(shares.values()) > -1e-9
    printed = [line.split()[2:] for line in output.splitlines()[-7:-2]]
    assert [len(row) for row in printed] == [len(SHARES)] * 5
    assert all(abs(sum(map(float, row)) - 100) < 0.06 for row in printed)

    # of a long set the medians of each label; '-' for what is not guided
    monkeypatch.setattr(print_replays, "LONG_SET", 4)
    other = toml(tmp_path / "other.toml", fiber={"groups": 2})
    _, output, _ = ran(capsys, "predict", made[0], "--budget", "--bench", other)
    rows = [line.split() for line in output.splitlines()[-5:-2]]
    assert [row[0] for row in rows] == ["LP21", "LP01", "LP11"]
    assert rows[0][2:] == ["-"] * len(SHARES)


@pytest.mark.parametrize("realign", [False, True])
def test_another_wavelength_is_the_states_predicted_there(
    made: tuple[Path, list[Finished]],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    realign: bool,
) -> None:
    """A bench file for that light by hand: the depth that 360 deg at 1310 nm are, the same glass.

    The order of a carrier of 7 px lies at lambda f / (7 pitch) (grating equation, small angles):
    the fibre stays at that of 1310 nm, or follows.
    """
    nm, options = 1280.0, ["--realign"] if realign else []
    table = tmp_path / "now.csv"
    code, output, _ = ran(
        capsys, "predict", made[0], "--wavelength-nm", nm, *options, "--csv", table
    )
    there = bench_with(
        light={"wavelength_nm": nm},
        modulator={"depth_deg": 360.0 * 1310.0 / nm},
        fiber={"na_wavelength_nm": 1310.0},
    )
    place = (nm if realign else 1310.0) * 1e-9 * 8e-3 / (7 * 60e-6)
    expected = direct(there, made[1], place)
    assert code == 0
    for row, found in zip(rows_of(table), expected, strict=True):
        for key in ("purity", "group_purity", "efficiency"):
            assert float(row[key]) == pytest.approx(getattr(found, key), abs=1e-9)
        assert abs(float(row["purity_change"])) > 1e-7
    worst = min(range(5), key=lambda index: expected[index].purity)
    assert f"the least pure now mask {worst} " in output


def test_the_light_that_moves_off_the_fibre(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """exp(-(d / w)^2) of a beam imaged onto LP01's waist w is left where it falls d beside it.

    D. Marcuse, Bell Syst. Tech. J. 56, 703 (1977), citation from memory; d is how far the carrier's
    order moves, (1350 - 1310) nm f / (7 pitch), 0.76 um.  The pixels' sinc^2 is larger where the
    fibre stays; LP01 of a graded core falls faster than its Gaussian, by some 10 % in d^2.
    """
    waist = gaussian_waist(guided_basis(bench_with()))
    imaged = 1310e-9 * 8e-3 / (math.pi * waist)
    written(tmp_path / "set", bench_with(light={"waist_mm": imaged * 1e3}))
    shares = []
    for option in ([], ["--realign"]):
        table = tmp_path / "now.csv"
        ran(capsys, "predict", tmp_path / "set", "--wavelength-nm", 1350, *option, "--csv", table)
        shares += [float(r["efficiency"]) for r in rows_of(table) if r["target"] == "LP01"]
    moved = 40e-9 * 8e-3 / (7 * 60e-6)
    envelope = 2 * math.log(np.sinc(1310 / 1350 / 7) / np.sinc(1 / 7))
    assert -math.log(shares[0] / shares[1]) + envelope == pytest.approx(
        (moved / waist) ** 2, rel=0.15
    )


@pytest.mark.parametrize("realign", [False, True])
def test_band_tells_the_same(
    made: tuple[Path, list[Finished]],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    realign: bool,
) -> None:
    options = ["--realign"] if realign else []
    table = tmp_path / "band.csv"
    arguments = [made[0], "--wavelengths", "1290:1340:2", *options, "--csv", table]
    code, printed, _ = ran(capsys, "band", *arguments)
    assert code == 0
    over = {(row["wavelength_nm"], row["index"]): row for row in rows_of(table)}
    for nm in (1290, 1340):
        _, output, _ = ran(
            capsys,
            "predict",
            made[0],
            "--wavelength-nm",
            nm,
            *options,
            "--csv",
            tmp_path / "now.csv",
        )
        mine = [row for row in rows_of(tmp_path / "now.csv") if (f"{nm}.0", row["index"]) in over]
        assert [row["target"] for row in mine] == ["LP21", "LP01", "LP11"]
        for row in mine:
            for key in ("purity", "efficiency", "unwanted_db"):
                assert row[key] == over[f"{nm}.0", row["index"]][key]
        # what is printed of the least pure mask of all, where it is at this wavelength
        least = output.splitlines()[-3].partition("now mask ")[2].partition(" %, before")[0]
        if f" at {nm} nm: " in printed:
            assert f" {least.split(': ')[1]} %\n" in printed


def test_another_bench_changes_all_that_may_change(
    made: tuple[Path, list[Finished]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Beam, lens, fibre, carrier and what the greys do; the pixels and targets are the set's."""
    changes: dict[str, dict[str, Any]] = {
        "light": {"waist_mm": 1.0, "offset_mm": [0.1, 0.0], "zernike": {"4": 0.03}},
        "modulator": {"depth_deg": 330.0, "fill_factor": 0.9, "gap_reflectance": 0.4},
        "lens": {"focal_length_mm": 8.2},
        "fiber": {"preset": "six-mode-step"},
        "design": {"carrier_period_px": 7.1},
        "targets": {"labels": ["LP01"], "orientations": 1},
    }
    (tmp_path / "other.toml").write_text(
        toml_text(
            {n: part | changes[n] for n, part in KEYS.items()}
            | {"light": KEYS["light"] | {"waist_mm": 1.0, "offset_mm": [0.1, 0.0]}}
        ).replace("offset_mm", 'zernike = { "4" = 0.03 }\noffset_mm'),
        "utf-8",
    )
    code, _, _ = ran(
        capsys,
        "predict",
        made[0],
        "--bench",
        tmp_path / "other.toml",
        "--csv",
        tmp_path / "now.csv",
    )
    expected = direct(bench_with(**{**changes, "targets": KEYS["targets"]}), made[1])
    assert code == 0
    for row, found in zip(rows_of(tmp_path / "now.csv"), expected, strict=True):
        assert float(row["purity"]) == pytest.approx(found.purity, abs=1e-12)
        assert float(row["efficiency"]) == pytest.approx(found.efficiency, abs=1e-12)


def test_what_only_the_product_of_wavelength_and_focal_length_does(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The facet field depends on lambda f alone, scalar modes on V = 2 pi a NA / lambda.

    Goodman, Introduction to Fourier Optics, sec. 5.2; Gloge, Appl. Opt. 10, 2252 (1971); citations
    from memory.  Light of 1.1 times the wavelength behind a lens of 1/1.1 times the focal length,
    into a fibre of 1.1 times the NA, launches the same.
    """
    fixed = {"profile": "power-law", "core_radius_um": 9.0, "na": 0.153, "cladding_index": 1.447}
    base: dict[str, dict[str, Any]] = {**KEYS, "fiber": fixed}
    written(tmp_path / "set", benches.from_dict(base, "fixed"))
    other = base | {
        "light": base["light"] | {"wavelength_nm": 1310.0 * 1.1},
        "lens": {"focal_length_mm": 8.0 / 1.1},
        "fiber": fixed | {"na": 0.153 * 1.1},
    }
    (tmp_path / "other.toml").write_text(toml_text(other), "utf-8")
    arguments = (tmp_path / "set", "--bench", tmp_path / "other.toml", "--csv", tmp_path / "a.csv")
    assert ran(capsys, "predict", *arguments)[0] == 0
    for row in rows_of(tmp_path / "a.csv"):
        assert abs(float(row["purity_change"])) < 1e-9
        assert float(row["efficiency"]) == pytest.approx(float(row["efficiency_before"]), abs=1e-9)
    arguments = (tmp_path / "set", "--wavelength-nm", 1441, "--csv", tmp_path / "a.csv")
    assert ran(capsys, "predict", *arguments)[0] == 0
    assert max(abs(float(row["purity_change"])) for row in rows_of(tmp_path / "a.csv")) > 1e-3


@pytest.mark.parametrize(
    "fiber",
    [
        {"na": 0.153, "na_wavelength_nm": 1250.0},
        {"na": 0.153},
        {"delta_percent": 0.56},
        {"core_index": 1.4555, "glass": "silica"},
    ],
)
def test_the_glass_stays_the_same(tmp_path: Path, fiber: dict[str, Any]) -> None:
    """Indices by Sellmeier of the glass that the set's wavelength, or na_wavelength_nm, fixes."""
    keys = KEYS | {"fiber": {"profile": "power-law", "core_radius_um": 9.0, **fiber}}
    bench = benches.from_dict(keys, "glass")
    written(tmp_path / "set", bench)
    there = fiber.get("na_wavelength_nm", 1310.0) * 1e-9
    silica = SILICA.index(there)
    core = {
        "na": lambda: np.hypot(silica, 0.153),
        "delta_percent": lambda: silica / np.sqrt(1 - 2 * 0.0056),
        "core_index": lambda: 1.4555,
    }[next(iter(fiber))]()
    glass = germania_doped(germania_fraction(there, float(core)))
    found = benches.indices(lit_at(bench_of(read_set(tmp_path / "set")), 1400.0))[:2]
    assert found == pytest.approx((glass.index(1.4e-6), SILICA.index(1.4e-6)), abs=1e-12)


def test_fixed_indices_have_no_dispersion(tmp_path: Path) -> None:
    fixed = {"profile": "step", "core_radius_um": 6.0, "na": 0.16, "cladding_index": 1.45}
    bench = benches.from_dict(KEYS | {"fiber": fixed}, "fixed")
    written(tmp_path / "set", bench)
    other = lit_at(bench_of(read_set(tmp_path / "set")), 1280.0)
    assert benches.indices(other) == benches.indices(bench)


def test_groups_that_are_not_guided_any_more(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A basis of 3 groups, of which the light at 1650 nm has two: those count."""
    written(tmp_path / "set", bench_with(fiber={"groups": 3}))
    code, output, _ = ran(capsys, "predict", tmp_path / "set", "--wavelength-nm", 1900)
    assert code == 0
    assert "! 2 masks for what the other fibre does not guide: LP21" in output


# --- what is not guided, and what is printed -------------------------------------------------


def test_a_fibre_that_does_not_guide_the_target(
    made: tuple[Path, list[Finished]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = toml(tmp_path / "one.toml", fiber={"preset": "single-mode"}, targets={"labels": "all"})
    code, output, _ = ran(
        capsys, "predict", made[0], "--bench", other, "--csv", tmp_path / "now.csv"
    )
    lines = output.splitlines()
    assert code == 0
    for line in lines[3:5]:
        assert line.split()[3:] == ["-", "-", line.split()[5], "-", "!", "not", "guided"]
    assert lines[-4].startswith("1 mask, the least pure now mask 2 (LP01 0 deg): 100.0000 %")
    assert lines[-3] == "! 4 masks for what the other fibre does not guide: LP21, LP11"
    rows = rows_of(tmp_path / "now.csv")
    assert [row["guided"] for row in rows] == ["no", "no", "yes", "no", "no"]
    assert [row["purity"] for row in rows if row["guided"] == "no"] == [""] * 4


def test_a_long_set_is_printed_by_label(
    made: tuple[Path, list[Finished]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(print_replays, "LONG_SET", 4)
    _, output, _ = ran(
        capsys, "predict", made[0], "--wavelength-nm", 1280, "--csv", tmp_path / "now.csv"
    )
    rows = [line.split() for line in output.splitlines() if line.startswith("LP")]
    assert [row[:2] for row in rows] == [["LP21", "2"], ["LP01", "1"], ["LP11", "2"]]
    pure = [float(row["purity"]) for row in rows_of(tmp_path / "now.csv")[:2]]
    assert rows[0][4:6] == [f"{100 * min(pure):.4f}", f"{50 * sum(pure):.4f}"]


def test_greys_are_mapped_by_value(
    made: tuple[Path, list[Finished]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A measured table whose rows are in another order, one grey more than needed."""
    (tmp_path / "grey.csv").write_text("3,250\n0,10\n9,300\n1,100\n2,170\n", "utf-8")
    other = toml(tmp_path / "other.toml")
    text = other.read_text("utf-8").replace("levels = 4\n", 'table = "grey.csv"\n')
    other.write_text(text.replace('alphabet = "levels"', 'alphabet = "table"'), "utf-8")
    code, _, errors = ran(
        capsys, "predict", made[0], "--bench", other, "--csv", tmp_path / "now.csv"
    )
    assert (code, errors) == (0, "")
    ready = prepared(bench_with())
    phases = np.deg2rad([10, 100, 170, 250])
    for row, mask, target in zip(
        rows_of(tmp_path / "now.csv"), made[1], ready.targets, strict=True
    ):
        found = predict(ready.launch, target, np.exp(1j * phases)[mask.design.states])
        assert float(row["purity"]) == pytest.approx(found.purity, abs=1e-12)


# --- bad input -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"modulator": {"levels": 2}},
            "[modulator]: mask 0 (LP21 0 deg): 1",
        ),
        ({"modulator": {"pixels": [60, 60]}}, "[modulator] pixels = [60, 60]: must be [64, 60]"),
        ({"modulator": {"panel": [70, 60]}}, "[modulator] panel = [70, 60]: must be [64, 60]"),
    ],
)
def test_a_bench_that_the_masks_do_not_fit(
    made: tuple[Path, list[Finished]],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    changes: dict[str, dict[str, Any]],
    words: str,
) -> None:
    other = toml(tmp_path / "other.toml", **changes)
    code, output, errors = ran(
        capsys, "predict", made[0], "--bench", other, "--csv", tmp_path / "now.csv"
    )
    assert (code, output, errors.count("\n")) == (2, "", 1)
    assert errors.startswith(f"error: {other}: {words}")
    assert not (tmp_path / "now.csv").exists()


def test_a_grey_that_is_missing_is_named(
    made: tuple[Path, list[Finished]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = toml(tmp_path / "other.toml", modulator={"levels": 2})
    _, _, errors = ran(capsys, "predict", made[0], "--bench", other)
    assert errors.endswith("have a grey that is no state's, such as 2\n")


@pytest.mark.parametrize(
    ("option", "words"),
    [
        ([], "--bench or --wavelength-nm: one of them is needed, and not both"),
        (["--bench", "few-mode-1310", "--wavelength-nm", "1300"], "needed, and not both"),
        (["--wavelength-nm", "1.31"], "--wavelength-nm = 1.31: must be a number from 200 to 3000"),
        (["--wavelength-nm", "nan"], "--wavelength-nm = nan: must be a number from 200 to 3000 nm"),
        (["--wavelength-nm", "red"], "--wavelength-nm = red: must be a number from 200 to 3000 nm"),
        (["--bench", "none"], 'no preset "none"'),
        (["--wavelength-nm", "1300", "--csv", "no/now.csv"], "no/now.csv: cannot be written"),
        (
            ["--wavelength-nm", "205"],
            "bench: [fiber] glass: wavelength 0.205 um",
        ),
        (["--bench", "few-mode-1310", "--realign"], "--realign: goes with --wavelength-nm"),
    ],
)
def test_options_that_cannot_be(
    made: tuple[Path, list[Finished]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    option: list[str],
    words: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    code, output, errors = ran(capsys, "predict", made[0], *option)
    assert (code, output, errors.count("\n")) == (2, "", 1)
    assert words in errors


def test_a_set_whose_pages_are_not_its_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What a spoilt set launches would be compared with what another one launched."""
    written(tmp_path / "set", bench_with())
    path = tmp_path / "set/masks.tif"
    found = tifffile.imread(path)
    tifffile.imwrite(path, found[::-1], photometric="minisblack")
    code, output, errors = ran(capsys, "predict", tmp_path / "set", "--wavelength-nm", 1300)
    assert (code, output, errors.count("\n")) == (2, "", 1)
    assert f"{path}: page 0" in errors
