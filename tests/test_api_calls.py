"""What each command does as one call: arrays out, and bad input in one line.

The whole path of a small bench; all readings are invented.
"""

import ast
import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import maskforge as mf
from maskforge.cli.main import main
from tests import api_page

BENCH = """
[light]
wavelength_nm = 1310.0
waist_mm = 0.3
power_mw = 1.0

[modulator]
pixels = [64, 64]
pitch_um = 20.0
fill_factor = 0.92
alphabet = "levels"
levels = 16

[lens]
focal_length_mm = 4.0

[fiber]
preset = "six-mode-graded"
groups = 2

[targets]
orientations = 3

[design]
method = "simple"
purity = 0.9
carrier_period_px = 6.0
carrier_angle_deg = 45.0
"""


@dataclass(frozen=True)
class Folder:
    """A folder with a bench, a set of it, and a sweep's readings."""

    folder: Path
    bench: Path
    set: Path
    sweep: Path


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Folder:
    folder = tmp_path_factory.mktemp("calls")
    bench, made, sweep = folder / "own.toml", folder / "set", folder / "sweep.csv"
    bench.write_text(BENCH, "utf-8")
    mf.design(bench).write(made)
    listed = mf.play(made, order="shuffled", repeat=3)
    assert len(listed.entries) == 3 * 4
    play = f"--playlist {made}/playlist.json --passes 1"
    assert main(f"simulate-device {made} {play} --out {sweep}".split()) == 0
    return Folder(folder, bench, made, sweep)


def test_a_set_is_read_and_checked(here: Folder) -> None:
    own = mf.read(here.set)
    assert own.couplings.shape == (4, 3)
    assert own.modes == ("LP01", "LP11 cos", "LP11 sin")
    assert [picture.shape for picture in own.pictures()] == [(64, 64)] * 4
    purity = np.abs(own.couplings[0, 0]) ** 2 / np.sum(np.abs(own.couplings[0]) ** 2)
    assert purity == pytest.approx(own.masks[0].purity, abs=1e-9)
    assert "<img" in own.launch_matrix._repr_html_()
    assert "LP11" in own._repr_html_()
    found = mf.check(own)
    assert found.agrees, found.problems
    assert found.couplings < 1e-9


def test_another_page_is_told(here: Folder, tmp_path: Path) -> None:
    copied = tmp_path / "copied"
    shutil.copytree(here.set, copied)
    assert main(["report", str(copied)]) == 0
    page = copied / "report.html"
    purity = f"{100 * mf.read(copied).masks[0].purity:.4f}"
    assert purity in page.read_text("utf-8")
    page.write_text(page.read_text("utf-8").replace(purity, "99.9999"), "utf-8")
    (copied / "SHA256SUMS").unlink()
    problems = mf.check(copied).problems
    assert any("not the page of this set: 99.9999" in one for one in problems), problems


def test_predictions_elsewhere(here: Folder) -> None:
    own = mf.read(here.set)
    same = mf.predict(own)
    assert same.purity == pytest.approx([mask.purity for mask in own.masks], abs=1e-9)
    there = mf.predict(here.set, wavelength_nm=1300, realign=True)
    over = mf.band(own, np.linspace(1300, 1320, 3), realign=True)
    assert over.purity.shape == over.efficiency.shape == (3, 4)
    assert over.purity[0] == pytest.approx(there.purity, abs=1e-12)
    assert over.purity[1] == pytest.approx(same.purity, abs=1e-9)


def test_questions_to_a_bench(here: Folder) -> None:
    planned = mf.plan(here.bench, focal_mm=[4.0, 5.0], waist_mm=0.3, labels=["LP01"])
    assert planned.choice().merit("worst") > 0
    entries = mf.compare(here.bench, methods=["simple"], labels=["LP01"])
    assert [one.mask.target for one in entries] == ["LP01"]
    (point,) = mf.tradeoff(here.bench, "LP01", purities=[0.99])
    assert 0 < point.efficiency <= point.bound * (1 + 1e-9)
    both = mf.compare_sets(here.set, mf.read(here.set))
    assert len(both.pairs) == 4
    assert both.bench == ()


@pytest.mark.long
def test_tolerances(here: Folder) -> None:
    found = mf.tolerance(here.set, deviations={"fiber_offset_um": 0.3, "defocus_um": 5}, draws=8)
    curve = found["defocus"]
    assert curve.purity.shape == (curve.values.size, 4)
    own = [mask.purity for mask in mf.read(here.set).masks]
    # errors are swept on fewer facet samples than masks are predicted on
    assert curve.purity[curve.unharmed] == pytest.approx(own, abs=1e-5)
    with pytest.raises(mf.BenchError, match="paint: no such cause; there are "):
        found["paint"]
    assert found.spread is not None
    assert found.spread.total.shape == (4, 2)
    assert "data:image/svg" in found._repr_html_()


def test_files_for_the_panel(here: Folder, tmp_path: Path) -> None:
    header = mf.pack(here.set, "png", tmp_path / "pack")
    assert len(header.masks) == 4
    assert (tmp_path / "pack" / header.masks[0].file).is_file()
    listed = mf.play(tmp_path / "pack", reference="LP01", every=2)
    assert listed.entries[0].reference


def test_a_bring_up(here: Folder, tmp_path: Path) -> None:
    stack = mf.bringup(here.bench, "beam-edge", tmp_path / "edge", points=15)
    truth = tmp_path / "truth.toml"
    truth.write_text(BENCH.replace("waist_mm = 0.3", "waist_mm = 0.32"), "utf-8")
    readings = tmp_path / "edge.csv"
    assert main(f"simulate-bench {stack.folder} --truth {truth} --out {readings}".split()) == 0
    found = mf.fit((stack, readings))
    assert found[0].fit.curves[0].x.size > 0
    assert mf.updated(found, here.bench).bench.light.waist_mm == pytest.approx(0.32, abs=0.004)
    told = mf.write_update(found, here.bench, tmp_path / "new.toml")
    assert told[-1] == f"new bench file {tmp_path / 'new.toml'}"
    assert mf.load(tmp_path / "new.toml").light.waist_mm == pytest.approx(0.32, abs=0.004)


def test_the_answer_of_a_sweep(here: Folder) -> None:
    found = mf.answer(mf.read(here.set), here.sweep, playlist=here.set / "playlist.json", draws=20)
    assert found.corrected.share.shape == (2, 2)
    assert found.corrected.isolation.shape == (2,)
    page = found._repr_html_()
    assert "data:image/svg" in page
    assert "isolation" in page


# --- bad input -------------------------------------------------------------------------------

BAD: dict[str, Callable[[Folder], object]] = {
    "limit -1": lambda here: mf.tolerance(here.set, limit=-1),
    "limit nan": lambda here: mf.tolerance(here.set, limit=float("nan")),
    "limit text": lambda here: mf.tolerance(here.set, limit="0.1"),  # type: ignore[arg-type]
    "jobs 0": lambda here: mf.tolerance(here.set, jobs=0),
    "jobs of a design": lambda here: mf.design(here.bench, jobs=-3),
    "seed": lambda here: mf.tolerance(here.set, seed=-1),
    "draws": lambda here: mf.tolerance(here.set, deviations={"defocus_um": 1}, draws=7),
    "deviation": lambda here: mf.tolerance(here.set, deviations={"defocus": 1}),
    "deviations": lambda here: mf.tolerance(here.set, deviations=[1]),  # type: ignore[arg-type]
    "device": lambda here: mf.tolerance(here.set, device="tpu"),
    "no folder": lambda here: mf.read(here.folder / "none"),
    "a number for a folder": lambda here: mf.read(3),  # type: ignore[arg-type]
    "nothing": lambda here: mf.check(None),  # type: ignore[arg-type]
    "no bench": lambda here: mf.load(None),  # type: ignore[arg-type]
    "a list for a bench": lambda here: mf.design(["few-mode-1310"]),  # type: ignore[arg-type]
    "a folder for a bench": lambda here: mf.design(here.folder),
    "label": lambda here: mf.design(here.bench, labels=["LP99"]),
    "labels a number": lambda here: mf.design(here.bench, labels=5),  # type: ignore[arg-type]
    "method": lambda here: mf.design(here.bench, method="paint"),
    "purity": lambda here: mf.design(here.bench, purity=2.0),
    "wavelength": lambda here: mf.predict(here.set, wavelength_nm=-1),
    "both": lambda here: mf.predict(here.set, bench=here.bench, wavelength_nm=1300),
    "predict on a number": lambda here: mf.predict(here.set, bench=4),  # type: ignore[arg-type]
    "band of nothing": lambda here: mf.band(here.set, []),
    "band of text": lambda here: mf.band(here.set, ["x"]),  # type: ignore[list-item]
    "band of none": lambda here: mf.band(here.set, None),  # type: ignore[arg-type]
    "plan by": lambda here: mf.plan(here.bench, by="paint"),
    "focal": lambda here: mf.plan(here.bench, focal_mm=[-4]),
    "focal none": lambda here: mf.plan(here.bench, focal_mm=[]),
    "plan labels": lambda here: mf.plan(here.bench, labels=["LP77"]),
    "methods": lambda here: mf.compare(here.bench, methods=["paint"]),
    "methods a number": lambda here: mf.compare(here.bench, methods=3),  # type: ignore[arg-type]
    "compare nothing": lambda here: mf.compare(),
    "tradeoff label": lambda here: mf.tradeoff(here.bench, "LP77"),
    "tradeoff label none": lambda here: mf.tradeoff(here.bench, None),  # type: ignore[arg-type]
    "tradeoff purity": lambda here: mf.tradeoff(here.bench, "LP01", purities=[1.5]),
    "tradeoff pixels": lambda here: mf.tradeoff(here.bench, "LP01", alphabets=["paint"]),
    "tradeoff pixels 3": lambda here: mf.tradeoff(here.bench, "LP01", alphabets=3),  # type: ignore[arg-type]
    "tradeoff angle": lambda here: mf.tradeoff(here.bench, "LP11", orientation="x"),  # type: ignore[arg-type]
    "pack kind": lambda here: mf.pack(here.set, "bmp", here.folder / "p"),
    "pack bits": lambda here: mf.pack(here.set, "png", here.folder / "p", bits=3),
    "pack into the set": lambda here: mf.pack(here.set, "png", here.set),
    "pack no place": lambda here: mf.pack(here.set, "png", None),  # type: ignore[arg-type]
    "play word": lambda here: mf.play(here.set, colour="red"),
    "play order": lambda here: mf.play(here.set, order="backwards"),
    "play repeat": lambda here: mf.play(here.set, repeat=-1),
    "play repeat text": lambda here: mf.play(here.set, repeat="x"),
    "play reference": lambda here: mf.play(here.set, reference="LP77"),
    "play reference 3": lambda here: mf.play(here.set, reference=3),
    "play dwell": lambda here: mf.play(here.set, dwell_ms="x"),
    "step": lambda here: mf.bringup(here.bench, "paint", here.folder / "b"),
    "step none": lambda here: mf.bringup(here.bench, None, here.folder / "b"),  # type: ignore[arg-type]
    "points": lambda here: mf.bringup(here.bench, "focus", here.folder / "b", points=1),
    "noll": lambda here: mf.bringup(here.bench, "zernike-scan", here.folder / "b", noll=[1]),
    "noll 4": lambda here: mf.bringup(here.bench, "zernike-scan", here.folder / "b", noll=4),  # type: ignore[arg-type]
    "passes": lambda here: mf.bringup(here.bench, "focus", here.folder / "b", passes=0),
    "dwell": lambda here: mf.bringup(here.bench, "focus", here.folder / "b", dwell_ms="x"),  # type: ignore[arg-type]
    "fit nothing": lambda here: mf.fit(),
    "fit a path": lambda here: mf.fit(here.folder),  # type: ignore[arg-type]
    "fit no stack": lambda here: mf.fit((here.folder, here.sweep)),
    "saturation": lambda here: mf.fit((here.folder, here.sweep), saturation_mw=-1),
    "update nothing": lambda here: mf.write_update((), here.bench, here.folder / "n.toml"),
    "update on a number": lambda here: mf.updated((), 3),  # type: ignore[arg-type]
    "answer word": lambda here: mf.answer(here.set, here.sweep, colour="red"),
    "answer trust": lambda here: mf.answer(here.set, here.sweep, trust=-1),
    "answer by": lambda here: mf.answer(here.set, here.sweep, by="paint"),
    "answer draws": lambda here: mf.answer(here.set, here.sweep, draws=1e9),
    "answer no file": lambda here: mf.answer(here.set, here.folder / "none.csv"),
    "answer of a list": lambda here: mf.answer(here.set, []),  # type: ignore[arg-type]
    "answer playlist": lambda here: mf.answer(here.set, here.sweep, playlist=here.bench),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_ends_in_one_line(name: str, here: Folder) -> None:
    before = {path: path.stat().st_mtime_ns for path in here.folder.rglob("*")}
    with pytest.raises(mf.MaskforgeError) as caught:
        BAD[name](here)
    assert len(str(caught.value).splitlines()) == 1
    assert {path: path.stat().st_mtime_ns for path in here.folder.rglob("*")} == before


# --- the page, and the notebook --------------------------------------------------------------


def test_the_page_agrees_with_the_docstrings() -> None:
    text = api_page.PAGE.read_text("utf-8")
    assert text == api_page.written(text), "python -m tests.api_page writes it anew"


@pytest.mark.long
def test_the_notebook_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its cells one after the other, in an empty folder; the last value of each shows itself."""
    text = (api_page.PAGE.parent / "notebook.ipynb").read_text("utf-8")
    notebook = json.loads(text)
    assert notebook["nbformat"] == 4
    monkeypatch.chdir(tmp_path)
    known: dict[str, object] = {}
    shown = 0
    for cell in notebook["cells"]:
        if cell["cell_type"] != "code":
            continue
        tree = ast.parse("".join(cell["source"]))
        last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
        exec(compile(tree, "cell", "exec"), known)
        if isinstance(last, ast.Expr):
            value = eval(compile(ast.Expression(last.value), "cell", "eval"), known)
            shown += hasattr(value, "_repr_html_")
    assert shown >= 4
