"""Campaigns from the command line: sets as they would be alone, nothing lost, nothing twice."""

import csv
import json
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from statistics import median

import numpy as np
import pytest

from maskforge import bench as benches
from maskforge.base.errors import BenchError
from maskforge.bench.ready import prepared
from maskforge.cli import design_campaign
from maskforge.cli.exits import INTERRUPTED, SHORT
from tests.commands import SMALL, Sections, changed, files, ran, toml_text

LINE = "design small.toml --vary light.waist_mm=0.3,0.31 --vary lens.focal_length_mm=8,8.5"
PLACE = Path("out/small-by-waist_mm-focal_length_mm")


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    keys = changed(SMALL, targets={"labels": ["LP01", "LP11"]}, design={"purity": 0.51})
    Path("small.toml").write_text(toml_text(keys), "utf-8")
    return tmp_path


@contextmanager
def stopped_after(count: int, error: type[BaseException]) -> Iterator[list[str]]:
    """A run that ends before its set `count`, counted from 0; the names of those it made."""
    made: list[str] = []
    whole = design_campaign._made

    def some(member: object, folder: Path, *options: object) -> int:
        if len(made) == count:
            raise error
        name = str(getattr(member, "name", ""))
        made.append(name)
        return whole(member, folder, *options)  # type: ignore[arg-type]

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(design_campaign, "_made", some)
        yield made


def table() -> list[dict[str, str]]:
    return list(csv.DictReader((PLACE / "index.csv").read_text("utf-8").splitlines()))


def test_each_set_is_what_its_bench_alone_gives(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = ran(capsys, LINE)
    assert (code, err) == (0, "")
    assert "4 sets in out/small-by-waist_mm-focal_length_mm, a row each" in out
    keys = changed(SMALL, targets={"labels": ["LP01", "LP11"]}, design={"purity": 0.51})
    alone = changed(keys, light={"waist_mm": 0.31}, lens={"focal_length_mm": 8.5})
    Path("alone.toml").write_text(toml_text(alone), "utf-8")
    assert ran(capsys, "design alone.toml")[0] == 0
    own = files(Path("out/alone"))
    found = files(PLACE / "waist_mm=0.31_focal_length_mm=8.5")
    same = {name for name in own if own[name] == found[name]}
    assert set(found) == set(own)
    assert set(own) - same == {"manifest.json", "report.html", "SHA256SUMS"}
    assert ran(capsys, "check", PLACE / "waist_mm=0.31_focal_length_mm=8.5")[0] == 0


def by_chance(noise: np.random.Generator) -> Sections:
    """A bench of six modes or fewer, drawn over the keys; not each one can be used."""
    kinds: list[dict[str, object]] = [
        {"alphabet": "binary", "phase_step_deg": noise.uniform(120, 200)},
        {"alphabet": "levels", "levels": int(noise.integers(3, 20))},
        {"alphabet": "continuous"},
    ]
    fibers: list[dict[str, object]] = [
        {"preset": "six-mode-graded"},
        {"profile": "step", "core_radius_um": noise.uniform(5, 8), "na": noise.uniform(0.1, 0.14)},
        {"profile": "power-law", "core_radius_um": noise.uniform(7, 10), "na": 0.15, "alpha": 2.2},
    ]
    columns, rows = (int(n) for n in noise.integers(30, 50, 2))
    return {
        "light": {
            "wavelength_nm": noise.uniform(1280, 1340),
            "waist_mm": noise.uniform(0.5, 0.9),
            "offset_mm": list(noise.uniform(-0.1, 0.1, 2)),
        },
        "modulator": {
            "pixels": [columns, rows],
            "panel": [columns + int(noise.integers(8)), rows],
            "pitch_um": noise.uniform(60, 80),
            "fill_factor": noise.uniform(0.8, 1),
            "gap_reflectance": noise.uniform(0, 0.5),
            **kinds[noise.integers(3)],
        },
        "lens": {"focal_length_mm": noise.uniform(7, 10)},
        "fiber": fibers[noise.integers(3)],
        "targets": {"labels": ["LP11", "LP01"], "orientations": int(noise.integers(1, 4))},
        "design": {
            "method": str(noise.choice(["simple", "ifta", "dual"])),
            "purity": noise.uniform(0.6, 0.95),
            "iterations": 10,
            "carrier_period_px": float(noise.choice([0.0, 4.5])),
        },
    }


def folder_by_chance(count: int, seed: int) -> Path:
    """So many bench files, of which each can be used."""
    noise, folder = np.random.default_rng(seed), Path("drawn")
    folder.mkdir()
    made = 0
    while made < count:
        path = folder / f"b{made}.toml"
        path.write_text(toml_text(by_chance(noise)), "utf-8")
        with suppress(BenchError):
            prepared(benches.load(path))
            made += 1
    (folder / f"b{count}.toml").unlink(missing_ok=True)
    return folder


@pytest.mark.long
@pytest.mark.parametrize(("count", "seed"), [(2, 1), (6, 2)])
def test_benches_by_chance_give_what_each_gives_alone(
    capsys: pytest.CaptureFixture[str], count: int, seed: int
) -> None:
    """Byte for byte, over two processes and in one."""
    folder = folder_by_chance(count, seed)
    code, _, err = ran(capsys, "design --jobs 2 --out all", folder)
    assert (code in (0, SHORT), err) == (True, "")
    codes = set()
    for path in folder.glob("*.toml"):
        code, _, err = ran(capsys, "design --jobs 1", path, "--out", f"alone/{path.stem}")
        assert err == ""
        codes.add(code)
        assert files(Path("all") / path.stem) == files(Path("alone") / path.stem)
    assert codes <= {0, SHORT}


@pytest.mark.long
def test_processes_make_the_same_bytes(capsys: pytest.CaptureFixture[str]) -> None:
    """Whole sets a process, and all processes for one set after the other."""
    two = "design small.toml --vary light.waist_mm=0.3,0.31 --out all --jobs"
    for jobs in (1, 2, 3):
        assert ran(capsys, two, jobs)[0] == 0
        shutil.move("all", f"jobs{jobs}")
    found = [files(Path(f"jobs{jobs}")) for jobs in (1, 2, 3)]
    assert len([name for name in found[0] if name.endswith("manifest.json")]) == 2
    assert found[0] == found[1] == found[2]


def test_the_table_says_what_the_sets_say(capsys: pytest.CaptureFixture[str]) -> None:
    assert ran(capsys, LINE)[0] == 0
    rows = table()
    assert [(row["light.waist_mm"], row["lens.focal_length_mm"]) for row in rows] == [
        (waist, focal) for waist in ("0.3", "0.31") for focal in ("8", "8.5")
    ]
    for row in rows:
        masks = json.loads((PLACE / row["set"] / "manifest.json").read_text("utf-8"))["masks"]
        purities = [mask["purity"] for mask in masks]
        assert float(row["worst_purity"]) == min(purities)
        assert float(row["median_purity"]) == median(purities)
        assert int(row["masks"]) == len(masks)
    page = (PLACE / "index.html").read_text("utf-8")
    links = re.findall(r'<a href="([^"#]+/report.html)">', page)
    assert [link.replace("%3D", "=") for link in links] == [f"{r['set']}/report.html" for r in rows]
    assert page.count('class="grid map"') == 2


def test_one_bad_bench_and_nothing_begins(capsys: pytest.CaptureFixture[str]) -> None:
    Path("bad.toml").write_text(toml_text(changed(SMALL, targets={"labels": ["LP91"]})), "utf-8")
    before = files(Path())
    code, out, err = ran(capsys, "design small.toml bad.toml")
    assert (code, out) == (2, "")
    assert err.startswith('error: bad.toml: [targets] labels = ["LP91"]: no guided mode LP91')
    assert files(Path()) == before


def test_a_folder_of_something_else_is_left_alone(capsys: pytest.CaptureFixture[str]) -> None:
    assert ran(capsys, "design small.toml --out out/other")[0] == 0
    before = files(Path())
    code, _, err = ran(capsys, f"{LINE} --out out/other")
    assert (code, files(Path())) == (2, before)
    assert err == "error: out/other: holds files but no campaign; choose an empty or a new folder\n"
    assert ran(capsys, LINE)[0] == 0
    before = files(Path())
    code, _, err = ran(capsys, f"design small.toml --out {PLACE}")
    assert (code, files(Path())) == (2, before)


def test_one_that_falls_short_ends_with_its_code(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = ran(capsys, "design small.toml --vary design.purity=0.51,0.9999999")
    assert code == SHORT
    assert "did not reach the asked purity, in purity=0.9999999" in out


def test_an_interrupt_loses_no_finished_set(capsys: pytest.CaptureFixture[str]) -> None:
    with stopped_after(2, KeyboardInterrupt) as made:
        code, _, err = ran(capsys, LINE)
    assert code == INTERRUPTED
    assert err == f"interrupted; 2 sets finished in {PLACE}; --resume goes on\n"
    assert [row["set"] for row in table()] == made
    kept = {name: files(PLACE / name) for name in made}
    code, out, _ = ran(capsys, f"{LINE} --resume")
    assert code == 0
    assert "2 of 4 sets are finished" in out
    assert len(table()) == 4
    assert {name: files(PLACE / name) for name in made} == kept
    assert not [name for name in files(PLACE) if "/." in f"/{name}"]


def test_a_kill_between_two_sets_is_gone_on_with(capsys: pytest.CaptureFixture[str]) -> None:
    """Nobody tidied up: what a maker left beside its set is all there is."""
    with stopped_after(3, SystemExit) as made, pytest.raises(SystemExit):
        ran(capsys, LINE)
    assert [name for name in files(PLACE) if name.endswith(".finished")]
    shutil.rmtree(PLACE / made[0])
    with stopped_after(99, SystemExit) as again:
        code, _, _ = ran(capsys, f"{LINE} --resume")
    assert code == 0
    # the set that is gone is made again, those that lie there are not
    assert set(again) & set(made) == {made[0]}
    assert len(again) == 2


def test_a_changed_bench_is_designed_again(capsys: pytest.CaptureFixture[str]) -> None:
    assert ran(capsys, LINE)[0] == 0
    text = Path("small.toml").read_text("utf-8")
    Path("small.toml").write_text(text.replace("[design]", "[design]\nseed = 5"), "utf-8")
    code, out, _ = ran(capsys, f"{LINE} --resume")
    assert code == 0
    assert "0 of 4 sets are finished" in out


def test_compare_and_report_take_the_folder(capsys: pytest.CaptureFixture[str]) -> None:
    assert ran(capsys, LINE)[0] == 0
    before = files(PLACE)
    code, out, _ = ran(capsys, "compare", PLACE, "--csv", "table.csv")
    assert code == 0
    assert Path("table.csv").read_bytes() == before["index.csv"]
    assert ran(capsys, f"{LINE} --out out/other --orientations 2")[0] == 0
    code, out, _ = ran(capsys, "compare", PLACE, "out/other")
    assert code == 0
    assert "4 sets in both" in out
    (PLACE / "index.html").unlink()
    assert ran(capsys, "report", PLACE)[0] == 0
    assert files(PLACE) == before


@pytest.mark.parametrize(
    ("key", "value", "line"),
    [
        ("sets", 3, "sets: must be a JSON array"),
        ("keys", [1], "keys: must be a JSON array of texts"),
        ("sets", [{"name": "../x", "bench": "b", "values": {}}], "digest"),
        ("version", 9, "version = 9: this program reads 1"),
    ],
)
def test_a_damaged_list_is_one_line(
    key: str, value: object, line: str, capsys: pytest.CaptureFixture[str]
) -> None:
    place = Path("c")
    place.mkdir()
    content = {"format": "maskforge-campaign", "version": 1, "keys": [], "sets": []}
    (place / "campaign.json").write_text(json.dumps(content | {key: value}), "utf-8")
    for command in ("report", "compare"):
        code, _, err = ran(capsys, command, place)
        assert code == 2
        assert err.startswith("error: c/campaign.json: ")
        assert line in err
        assert err.count("\n") == 1
