"""A set is whole: the data files of its bench lie in it.  Common practice, no source."""

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

import maskforge as mf
from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.sets.names import inputs_in
from tests.commands import SMALL, changed, files, ran, toml_text

GREYS = "grey,phase_deg\n" + "".join(f"{5 * k},{22.5 * k}\n" for k in range(16))
OTHER = GREYS.replace("22.5", "22.6")


def bench(folder: Path, **panel: Any) -> Path:
    """A bench of four data files, two of them of one name."""
    (folder / "beam").mkdir(parents=True)
    x = np.linspace(-1.5, 1.5, 81)
    beam = np.exp(-2 * (x**2 + x[:, None] ** 2))
    tifffile.imwrite(folder / "beam/map.tif", beam.astype(np.float32))
    bend = 0.02 * x[:64] * x[:64, None]
    tifffile.imwrite(folder / "map.tif", bend.astype(np.float32))
    (folder / "greys.csv").write_text(GREYS, "utf-8")
    r = np.linspace(0, 12, 49)
    n = 1.447 + 0.012 * np.maximum(1 - (r / 8.5) ** 2, 0)
    np.savetxt(folder / "index.csv", np.c_[r, n], "%.6f", ",", header="r_um,n", comments="")
    keys = changed(
        SMALL,
        modulator={"pitch_um": 12.0, "flatness": "map.tif"} | panel,
        targets={"labels": ["LP01", "LP11"], "orientations": 1},
    )
    keys["light"] = {"wavelength_nm": 1310.0, "image": "beam/map.tif", "image_pixel_um": 9.0}
    keys["modulator"] |= {"alphabet": "table", "table": "greys.csv"}
    keys["fiber"] = {"profile": "table", "table": "index.csv"}
    (folder / "own.toml").write_text(toml_text(keys), "utf-8")
    return folder / "own.toml"


@pytest.fixture
def lab(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    bench(tmp_path / "lab")
    return tmp_path


def test_a_set_is_moved_and_checked(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With nothing left of where it was made; the page is the same to the byte."""
    assert ran(capsys, "design lab/own.toml --out out/own")[0] in (0, 1)
    names = {"greys.csv", "index.csv", "map.tif", "modulator-flatness-map.tif"}
    assert inputs_in(lab / "out/own") == {f"inputs/{name}" for name in names}
    assert {path.name for path in (lab / "out/own/inputs").iterdir()} == names
    sums = (lab / "out/own/SHA256SUMS").read_text("utf-8")
    assert all(f"  inputs/{name}\n" in sums for name in names)
    (lab / "elsewhere").mkdir()
    (lab / "out/own").rename(lab / "elsewhere/moved")
    shutil.rmtree(lab / "lab")
    code, out, _ = ran(capsys, "check elsewhere/moved")
    assert (code, out.splitlines()[0].startswith("2 masks: ")) == (0, True)
    before = files(lab / "elsewhere")
    assert ran(capsys, "report elsewhere/moved")[0] == 0
    assert files(lab / "elsewhere") == before
    table = lab / "elsewhere/moved/inputs/greys.csv"
    table.write_text(OTHER, "utf-8")
    code, out, _ = ran(capsys, "check elsewhere/moved")
    assert (code, "inputs/greys.csv: was damaged or changed" in out) == (1, True)
    table.unlink()
    code, _, err = ran(capsys, "check elsewhere/moved")
    assert (code, '"inputs/greys.csv": no such file' in err) == (2, True)


def test_a_new_set_has_its_own_inputs(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the earlier one had is gone, what the user laid beside it is kept."""
    assert ran(capsys, "design lab/own.toml --out own")[0] in (0, 1)
    (lab / "own/inputs/mine.txt").write_text("mine", "utf-8")
    # also of a bench whose files are in the set that is replaced
    text = (lab / "lab/own.toml").read_text("utf-8").replace("greys.csv", "../own/inputs/greys.csv")
    text = "\n".join(line for line in text.splitlines() if not line.startswith("flatness"))
    (lab / "lab/own.toml").write_text(text, "utf-8")
    assert ran(capsys, "design lab/own.toml --out own")[0] in (0, 1)
    names = {"greys.csv", "index.csv", "map.tif", "mine.txt"}
    assert {path.name for path in (lab / "own/inputs").iterdir()} == names
    assert ran(capsys, "check own")[0] == 0
    assert ran(capsys, "design few-mode-1310 --method simple --labels LP01 --out own")[0] in (0, 1)
    assert [path.name for path in (lab / "own/inputs").iterdir()] == ["mine.txt"]


def test_a_file_that_is_changed_meanwhile(lab: Path) -> None:
    """The set would not hold what its masks were designed for."""
    result = mf.design(benches.load(lab / "lab/own.toml"))
    (lab / "lab/greys.csv").write_text(OTHER, "utf-8")
    with pytest.raises(BenchError, match=r'\[modulator\] table = "greys.csv": was changed after'):
        result.write(lab / "out")
    assert not (lab / "out").exists()


def test_a_set_of_an_earlier_version(lab: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its manifest names files outside, which are read there."""
    assert ran(capsys, "design lab/own.toml --out own")[0] in (0, 1)
    path = lab / "own/manifest.json"
    content = json.loads(path.read_text("utf-8"))
    content["bench"]["modulator"]["table"] = "../lab/greys.csv"
    path.write_text(json.dumps(content), "utf-8")
    assert ran(capsys, "report own")[0] == 0
