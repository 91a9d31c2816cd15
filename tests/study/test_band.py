"""Purity of a finished set over a band: against one prediction at a time, and what is printed.

Common practice, no source: every statement is the definition, done again mask by mask.
"""

import csv
import json
from pathlib import Path

import pytest

from maskforge import bench as benches
from maskforge.bench.elsewhere import at_wavelength
from maskforge.cli import main as cli
from maskforge.launch.couplings import predict
from maskforge.launch.modulator import emitted
from maskforge.launch.panel import states_of
from maskforge.launch.targets import lp_target
from maskforge.report import FORMATS
from maskforge.report.figures.band import band_figure
from maskforge.sets.reading import pages, read_set
from maskforge.study.band import seen_over, worst_of

BENCH = """
[light]
wavelength_nm = 1310.0
waist_mm = 0.8
[modulator]
pixels = [64, 64]
panel = [72, 80]
pitch_um = 40.0
alphabet = "levels"
levels = 32
[lens]
focal_length_mm = 8.0
[fiber]
profile = "step"
core_radius_um = 5.0
na = 0.14
[targets]
orientations = 2
[design]
purity = 0.99
carrier_period_px = 7.0
carrier_angle_deg = 20.0
"""

NM = (1290.0, 1310.0, 1325.0)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A set of LP01, LP11 in two orientations."""
    place = tmp_path_factory.mktemp("band")
    (place / "few.toml").write_text(BENCH)
    assert cli.main(["design", str(place / "few.toml"), "--out", str(place / "few")]) == 0
    return place / "few"


@pytest.mark.parametrize("realign", [False, True])
def test_every_mask_at_every_wavelength(made: Path, realign: bool) -> None:
    """By `couplings.predict` on the states of the pages, targets by name."""
    written = read_set(made)
    bench = benches.from_dict(written.bench, "few", made)
    panel = benches.modulator(bench)
    states = [states_of(panel, page) for page in pages(written)]
    found = list(seen_over(written, NM, realign=realign))
    assert [len(seen) for seen in found] == [3, 3, 3]
    for nm, seen in zip(NM, found, strict=True):
        launch = at_wavelength(bench, nm, realign=realign)
        for one, mask, own in zip(seen, written.masks, states, strict=True):
            assert one.mask == mask
            assert one.wavelength_nm == nm
            target = lp_target(launch.basis, mask.target, mask.orientation_deg)
            expected = predict(launch, target, emitted(launch.modulator, own))
            assert one.purity == pytest.approx(expected.purity, abs=1e-12)
            assert one.efficiency == pytest.approx(expected.efficiency, abs=1e-12)
    own = found[NM.index(1310.0)]
    assert [one.purity for one in own] == [mask.purity for mask in written.masks]
    worst = worst_of(own)
    assert list(worst) == ["LP01", "LP11"]
    assert worst["LP11"].purity == min(own[1].purity, own[2].purity)


def test_a_fibre_that_follows_the_order_is_better_off(made: Path) -> None:
    written = read_set(made)
    stays, follows = (
        min(one.purity for seen in seen_over(written, NM, realign=realign) for one in seen)
        for realign in (False, True)
    )
    assert follows > stays + 0.005


def test_what_is_printed_and_written(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table, drawing = tmp_path / "b.csv", tmp_path / "b.svg"
    asked = ["--wavelengths", "1290:1330:5", "--csv", str(table), "--figure", str(drawing)]
    assert cli.main(["band", str(made), *asked]) == 0
    lines = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert lines[0][:5] == ["1290", "1300", "1310", "1320", "1330"]
    rows = list(csv.DictReader(table.read_text().splitlines()))
    assert [row["target"] for row in rows] == ["LP01", "LP11"] * 5
    for label, line in (("LP01", lines[3]), ("LP11", lines[4])):
        own = [row for row in rows if row["target"] == label]
        assert line[0] == label
        assert line[1] == str(1 if label == "LP01" else 2)
        assert line[2:7] == [f"{100 * float(row['purity']):.3f}" for row in own]
        least = min(own, key=lambda row: float(row["purity"]))
        assert line[7:] == [f"{100 * float(least['purity']):.3f}", least["wavelength_nm"][:4]]
    assert drawing.read_bytes().startswith(b"<?xml")
    least = min(rows, key=lambda row: float(row["purity"]))
    assert lines[6][-2] == f"{100 * float(least['purity']):.4f}"


def test_many_wavelengths_leave_some_out_of_the_table(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "b.csv"
    asked = ["--wavelengths", "1300:1320:9", "--csv", str(table)]
    assert cli.main(["band", str(made), *asked]) == 0
    first = capsys.readouterr().out.splitlines()[0].split()
    assert first[0] == "1300"
    assert first[7] == "1320"
    assert len(list(csv.DictReader(table.read_text().splitlines()))) == 18


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["nowhere", "--wavelengths", "1290:1330:3"], "no such folder"),
        ([".", "--wavelengths", "1290:1330:3"], "holds no manifest.json"),
        (["SET", "--wavelengths", "1290"], "--wavelengths = 1290"),
        (["SET", "--wavelengths", "1290:2200:2"], "guides LP11 at 1310 nm but not at 2200 nm"),
        (["SET", "--wavelengths", "1290:1330:3", "--figure", "x.bmp"], "must end in .png"),
        (["SET", "--wavelengths", "1290:1330:3", "--csv", "no/b.csv"], "cannot be written"),
        (["SET"], "--wavelengths"),
    ],
)
def test_bad_input_is_one_line(
    made: Path,
    tmp_path: Path,
    arguments: list[str],
    text: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    given = [str(made) if word == "SET" else word for word in arguments]
    assert cli.main(["band", *given]) == 2
    told = capsys.readouterr().err
    assert text in told
    assert told.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_changed_page_is_told(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = tmp_path / "set"
    place.mkdir()
    for file in made.iterdir():
        (place / file.name).write_bytes(file.read_bytes())
    content = json.loads((place / "manifest.json").read_text())
    content["masks"][1]["sha256"] = "0" * 64
    (place / "manifest.json").write_text(json.dumps(content))
    assert cli.main(["band", str(place), "--wavelengths", "1290:1330:2"]) == 2
    assert "is not the page that manifest.json lists" in capsys.readouterr().err


@pytest.mark.parametrize("kind", FORMATS)
def test_figures_are_the_same_bytes_each_time(kind: str) -> None:
    curves = {f"LP{k}1": [(1300.0, 1 - 10.0**-k), (1320.0, 0.0), (1340.0, 1.0)] for k in range(9)}
    once, twice = (band_figure(curves, "a $ in a title" * 9, kind) for _ in range(2))
    assert once == twice
    assert len(once) > 1000


def test_a_robust_set_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Designed for the band that is then predicted: pure at its ends; the set reads back."""
    text = BENCH.replace("1310.0", "[1300, 1310, 1318]").replace("period_px = 7", "period_px = 0")
    (tmp_path / "r.toml").write_text(text.replace("orientations = 2", 'labels = ["LP01"]'))
    assert cli.main(["design", str(tmp_path / "r.toml"), "--out", str(tmp_path / "r")]) == 0
    told = capsys.readouterr().out
    assert "Over 3 scenarios: least pure LP01" in told
    assert "Gap of the mean over the scenarios to its own bound" in " ".join(told.split())
    written = read_set(tmp_path / "r")
    assert written.bench["light"]["wavelength_nm"] == [1300.0, 1310.0, 1318.0]
    found = list(seen_over(written, (1300.0, 1310.0, 1318.0)))
    assert min(one.purity for seen in found for one in seen) >= 0.99
    assert found[1][0].purity == written.masks[0].purity
