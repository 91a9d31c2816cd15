"""A set whose masks are for the outputs of a device: what it holds, and what `check` sees."""

import csv
import json
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from spoiling import Check, edit

import maskforge as mf
from maskforge.base.errors import BenchError
from maskforge.bench import from_dict, load_changed, override, resolved
from maskforge.bench.elsewhere import without_device
from maskforge.bench.ready import prepared
from maskforge.report.page.set_page import page_of_set
from maskforge.sets.digests import write_sums
from maskforge.sets.journal_file import packed, unpacked
from maskforge.sets.reading import couplings_of, read_set
from maskforge.study.replay import replayed
from maskforge.study.set_comparison import sets_compared
from maskforge.sweep.launched import launched_by
from tests.bench.test_device_matrix import bench_at, npz, random_matrix
from tests.commands import ran

DOCS = Path(__file__).parents[2] / "docs"


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> mf.Result:
    folder = tmp_path_factory.mktemp("bench")
    npz(folder / "M.npz", random_matrix(4, 3), output=["a", "b", "c", "d"])
    return mf.design(
        bench_at(folder, targets='family = "output"\nlabels = ["channel 1", "channel 3"]')
    )


@pytest.fixture(scope="module")
def good(result: mf.Result, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return result.write(tmp_path_factory.mktemp("good") / "set")


@pytest.fixture
def spoilt(good: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(good, tmp_path / "set"))


def test_the_set_says_what_arrives_and_what_is_launched(result: mf.Result, good: Path) -> None:
    written, matrix = read_set(good), random_matrix(4, 3)
    assert written.bench["device"] == {"matrix": "inputs/M.npz", "purity_at": "matrix"}
    assert [one["name"] for one in written.outputs] == ["a", "b", "c", "d"]
    launched, arrives = couplings_of(written), couplings_of(written, "outputs")
    np.testing.assert_allclose(arrives, launched @ matrix.T, atol=1e-15)
    left, _, right = np.linalg.svd(matrix, full_matrices=False)
    for at, number in ((0, 0), (1, 2)):
        mask, own, power = written.masks[at], written.launches[at], np.abs(arrives[at]) ** 2
        wanted = abs(np.vdot(left[:, number], arrives[at])) ** 2
        assert mask.purity == pytest.approx(wanted / power.sum())
        assert mask.efficiency == pytest.approx(wanted)
        assert mask.purity >= 0.98
        guided = np.linalg.norm(launched[at]) ** 2
        share = abs(right[number] @ launched[at]) ** 2
        assert own.guided == pytest.approx(guided)
        assert own.efficiency == pytest.approx(share)
        assert own.purity == pytest.approx(share / guided)
        assert own.passed == pytest.approx(power.sum() / guided)
        assert result.masks[at].own_launch == own
        np.testing.assert_allclose(result.masks[at].outputs, arrives[at], atol=1e-15)
    rows = list(csv.reader((good / "output.csv").read_text("utf-8").splitlines()))
    assert rows[0] == ["mask", "target", "orientation_deg", "a", "b", "c", "d"]
    np.testing.assert_allclose(np.array(rows[1])[3:].astype(float), np.abs(arrives[0]) ** 2)
    sums = (good / "SHA256SUMS").read_text("utf-8")
    assert "  inputs/M.npz\n" in sums
    assert "  output.csv\n" in sums


def test_a_good_one_agrees(good: Path, check: Check) -> None:
    code, told = check(good)
    assert code == 0, told


def edit_npz(folder: Path, key: str, change: Callable[[Any], Any]) -> None:
    path = folder / "coupling.npz"
    arrays = dict(np.load(path))
    arrays[key] = change(arrays[key])
    np.savez(path, **arrays)


def edit_launch(key: str, value: float) -> Callable[[Path], None]:
    def change(content: dict[str, Any]) -> None:
        content["launches"][1][key] = value

    return lambda folder: edit(folder, change)


def swapped(folder: Path) -> None:
    """Another device's matrix in the place of the set's."""
    npz(folder / "inputs/M.npz", random_matrix(4, 3, seed=9), output=["a", "b", "c", "d"])


def drop(key: str) -> Callable[[Path], None]:
    return lambda folder: edit(folder, lambda content: content.pop(key))


SPOILED: dict[str, tuple[Callable[[Path], None], str]] = {
    "launch purity": (edit_launch("purity", 0.5), "launches purity 0.5 in manifest.json"),
    "passed": (edit_launch("passed", 0.5), "launches passed 0.5 in manifest.json"),
    "index": (edit_launch("index", 7), "launches index 7 in manifest.json, 1 by coupling.npz"),
    "launches": (drop("launches"), "launches: must have an object for each mask"),
    "outputs": (drop("outputs"), "outputs = [], the bench's device has"),
    "array": (
        lambda folder: edit_npz(folder, "outputs", lambda found: found * 1.01),
        "outputs in coupling.npz have",
    ),
    "shape": (
        lambda folder: edit_npz(folder, "outputs", lambda found: found[:, :3]),
        "outputs is complex128 of shape (2, 3)",
    ),
    "table": (
        lambda folder: (folder / "output.csv").write_text("mask\n"),
        "output.csv: the first line must be",
    ),
    "matrix": (swapped, "purity"),
}


QUICK = "launch purity", "array", "matrix"


@pytest.mark.parametrize(
    "what", [pytest.param(one, marks=[] if one in QUICK else pytest.mark.long) for one in SPOILED]
)
def test_what_is_spoilt_is_told(spoilt: Path, check: Check, what: str) -> None:
    spoil, told = SPOILED[what]
    spoil(spoilt)
    write_sums(spoilt, spoilt)
    code, lines = check(spoilt)
    assert code == 1
    assert told in lines
    assert "Traceback" not in lines


@pytest.mark.long
def test_anyone_can_check_the_bounds(good: Path, tmp_path: Path) -> None:
    """The program of the docs, as it stands."""
    (program,) = re.findall(r"```python\n(.*?)```", (DOCS / "proof.md").read_text("utf-8"), re.S)
    (tmp_path / "prove.py").write_text(program, "utf-8")
    done = subprocess.run(
        [sys.executable, "prove.py", str(good)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    for line in done.stdout.splitlines():
        proven, told = map(float, line.split()[-2:])
        assert proven == pytest.approx(told, rel=1e-9)
    assert len(done.stdout.splitlines()) == 2


def test_the_page_speaks_of_the_outputs(good: Path) -> None:
    page = page_of_set(read_set(good))
    for text in ("Output matrix", "<code>output.csv</code>", "purity % of the launch", "M.npz"):
        assert text in page


def test_what_was_finished_is_recalled(result: mf.Result) -> None:
    masks = [mask.found for mask in result.masks]
    again = list(unpacked(packed(masks), range(2), [mask.target for mask in masks]))
    for one, two in zip(masks, again, strict=True):
        np.testing.assert_array_equal(one.prediction.couplings, two.prediction.couplings)
        np.testing.assert_array_equal(one.prediction.outputs, two.prediction.outputs)


def test_a_set_is_predicted_behind_another_device(good: Path, tmp_path: Path) -> None:
    """Outputs in another order are the same ones; others, or none, are refused in one line."""
    written, matrix, order = read_set(good), random_matrix(4, 3), [2, 0, 3, 1]
    names = np.array(["a", "b", "c", "d"])
    npz(tmp_path / "M.npz", matrix[order], output=names[order])
    found = list(replayed(written, bench_at(tmp_path)))
    for mask, one in zip(written.masks, found, strict=True):
        assert one.prediction is not None
        assert one.prediction.purity == pytest.approx(mask.purity, abs=1e-12)
    npz(tmp_path / "M.npz", matrix, output=["a", "b", "c", "e"])
    with pytest.raises(BenchError, match="the set's targets are at the outputs a, b, c, d, here"):
        list(replayed(written, bench_at(tmp_path)))
    with pytest.raises(BenchError, match="here there are launches, and no device"):
        list(replayed(written, without_device(bench_at(tmp_path))))


def test_what_knows_no_device_says_so(good: Path, tmp_path: Path) -> None:
    written = read_set(good)
    with pytest.raises(BenchError, match="a sweep knows no device"):
        launched_by(written)
    plain = mf.design(load_changed("few-mode-1310", {("design", "method"): "simple"})).write(
        tmp_path / "plain"
    )
    with pytest.raises(BenchError, match=r"at the outputs of a device, those of .* do not compare"):
        sets_compared(read_set(plain), written)


def test_a_device_at_two_wavelengths(tmp_path: Path, check: Check) -> None:
    """One mask, pure at the output at both, each with its own matrix; proven and checked."""
    first = random_matrix(seed=4)
    second = first @ np.diag(np.exp(1j * np.array([0.0, 0.1, -0.1])))
    for name, matrix in (("a.npz", first), ("b.npz", second)):
        npz(tmp_path / name, matrix)
    bench = bench_at(
        tmp_path,
        '["a.npz", "b.npz"]',
        'family = "output"\nlabels = ["LP01"]',
        "[1305.0, 1310.0]",
    )
    folder = mf.design(bench).write(tmp_path / "set")
    written = read_set(folder)
    assert written.bench["device"]["matrix"] == ["inputs/a.npz", "inputs/b.npz"]
    (scenarios,) = (one["scenarios"] for one in written.robust)
    assert len(scenarios) == 2
    assert all(one["purity"] >= 0.98 for one in scenarios)
    code, told = check(folder)
    assert code == 0, told
    # each scenario passes its own matrix: without a difference the figures would be others
    assert prepared(bench).others[0].launch.setup.passage is not None
    assert json.loads((folder / "manifest.json").read_text("utf-8"))["outputs"][0]["name"] == "LP01"


def test_a_set_of_launches_is_judged_at_outputs_of_their_names(tmp_path: Path) -> None:
    matrix = random_matrix(seed=6)
    npz(tmp_path / "M.npz", matrix)
    bench = bench_at(tmp_path)
    keys = {key: own for key, own in resolved(bench).items() if key not in ("device", "targets")}
    plain = mf.design(from_dict(keys | {"targets": {"labels": ["LP01"]}}, "plain"))
    written = read_set(plain.write(tmp_path / "set"))
    (found,) = replayed(written, bench)
    arrives = matrix @ couplings_of(written)[0]
    assert found.prediction is not None
    assert found.prediction.purity == pytest.approx(
        abs(arrives[0]) ** 2 / np.sum(np.abs(arrives) ** 2)
    )
    npz(tmp_path / "M.npz", matrix, output=["LP01", "LP11 cos", "port C"])
    with pytest.raises(BenchError, match="targets are of the modes LP01, LP11 cos, LP11 sin, here"):
        list(replayed(written, bench_at(tmp_path)))


@pytest.fixture(scope="module")
def unsure(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A set whose masks are to be pure for 95 % of the matrices."""
    folder = tmp_path_factory.mktemp("unsure")
    npz(folder / "M.npz", standard_error=np.full((3, 3), 0.003))
    device = '"M.npz"\npurity_at = "lower"'
    bench = bench_at(folder, device, 'family = "output"\nlabels = ["LP01", "LP11 sin"]')
    return mf.design(bench).write(folder / "set")


def test_a_set_that_is_pure_within_the_errors(unsure: Path, check: Check) -> None:
    written = read_set(unsure)
    assert len(written.bands) == 2
    for mask, band in zip(written.masks, written.bands, strict=True):
        assert mask.reached
        assert 0.98 <= band.low <= band.median <= band.high
        assert band.designed_for > 0.98
        assert mask.bound_purity == pytest.approx(band.designed_for)
    assert "Purity with the standard errors" in page_of_set(written)
    code, told = check(unsure)
    assert code == 0, told


def edit_band(key: str, value: float) -> Callable[[Path], None]:
    def change(content: dict[str, Any]) -> None:
        content["purity_bands"][0][key] = value

    return lambda folder: edit(folder, change)


@pytest.mark.long
@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (edit_band("low", 0.99), "purity_bands low 0.99 in manifest.json"),
        (edit_band("low", 0.9), "reached in manifest.json, with a purity of 0.9"),
        (
            edit_band("designed_for", 0.9),
            "designed_for 0.9 in manifest.json, the bench asks for 0.98",
        ),
        (edit_band("designed_for", 0.981), "in manifest.json, the bench asks for 0.981"),
        (drop("purity_bands"), "purity_bands: are not there"),
    ],
)
def test_a_spoilt_band_is_told(
    unsure: Path, tmp_path: Path, check: Check, spoil: Callable[[Path], None], told: str
) -> None:
    folder = Path(shutil.copytree(unsure, tmp_path / "set"))
    spoil(folder)
    code, lines = check(folder)
    assert code == 1
    assert told in lines


def test_errors_must_be_known_to_count(tmp_path: Path) -> None:
    npz(tmp_path / "M.npz")
    with pytest.raises(
        BenchError, match='purity_at = "lower": needs a matrix with standard errors'
    ):
        bench_at(tmp_path, '"M.npz"\npurity_at = "lower"')
    with pytest.raises(
        BenchError, match=r'purity_at = "upper": must be one of "matrix", "median", "lower"'
    ):
        bench_at(tmp_path, '"M.npz"\npurity_at = "upper"')


@pytest.mark.long
def test_a_band_at_the_wavelengths_that_are_known(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for nm in (1300, 1310):
        npz(tmp_path / f"{nm}.npz", random_matrix(seed=nm))
    bench = bench_at(
        tmp_path,
        '["1300.npz", "1310.npz"]',
        'family = "output"\nlabels = ["LP11 cos"]',
        "[1300.0, 1310.0]",
    )
    folder = mf.design(override(bench, purity=0.6)).write(tmp_path / "set")
    code, out, err = ran(capsys, "band", folder, "--wavelengths", "1300:1310:2")
    assert (code, err) == (0, "")
    assert "Figures are those at the outputs of the device: LP01, LP11 cos, LP11 sin\n" in out
    (scenarios,) = (one["scenarios"] for one in read_set(folder).robust)
    for one in scenarios:
        assert f"{100 * one['purity']:.3f}" in out
    code, _, err = ran(capsys, "band", folder, "--wavelengths", "1300:1310:3")
    assert code == 2
    assert "the device's matrix is known at 1300, 1310 nm, not at 1305 nm" in err
    code, out, _ = ran(capsys, "tolerance", folder, "--jobs", "1")
    assert code == 0
    assert "Left out: wavelength, the device's matrix is of this fibre and light." in out
    assert "Figures are those at the outputs" in out
    code, _, err = ran(capsys, "bringup", tmp_path / "b.toml")
    assert code == 2
    assert "bringup knows no device; without [device] it speaks of the launch" in err
    asked = {
        "plan": ["--focal", "8", "--waist", "1.1"],
        "compare": ["--methods", "simple"],
        "tradeoff": ["LP11 cos", "--purity", "0.6", "--alphabets", "own"],
    }
    for command, more in asked.items():
        code, out, err = ran(capsys, command, tmp_path / "b.toml", *more)
        assert (code, err) == (0, ""), command
        assert "Figures are those at the outputs of the device: LP01, LP11 cos, LP11 sin\n" in out


def test_scripts_are_refused_what_knows_no_device(tmp_path: Path) -> None:
    npz(tmp_path / "M.npz", random_matrix(4, 3), output=["a", "b", "c", "d"])
    bench = bench_at(tmp_path, targets='family = "output"\nlabels = ["channel 1"]')
    told = r"\[device\] matrix.*: bringup knows no device; without \[device\] it speaks"
    with pytest.raises(BenchError, match=told):
        mf.bringup(bench, "beam-square", tmp_path / "out")
    assert not (tmp_path / "out").exists()
