"""maskforge readings sweep and simulate-device: what is printed, written, and said of bad input.

Common practice, no source.
"""

import csv
import re
import shutil
from pathlib import Path

import pytest

from maskforge.cli import main as cli
from maskforge.cli.exits import SHORT
from tests.commands import SMALL, files, ran, toml_text


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A set, a play list of it, and invented readings of both."""
    folder = tmp_path_factory.mktemp("swept")
    (folder / "small.toml").write_text(toml_text(SMALL), "utf-8")
    small = str(folder / "small")
    for command in (
        ["design", str(folder / "small.toml"), "--out", small],
        ["play", small, "--reference", "LP01", "--every", "3", "--order", "shuffled"],
        ["simulate-device", small, "--out", str(folder / "plain.csv"), "--passes", "30"],
        [
            *("simulate-device", small, "--out", str(folder / "steps.csv"), "--fade", "50"),
            *("--playlist", f"{small}/playlist.csv", "--passes", "30"),
        ],
    ):
        assert cli.main(command) <= SHORT
    return folder


@pytest.fixture
def here(swept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(swept, tmp_path / "x")
    monkeypatch.chdir(tmp_path / "x")
    return tmp_path / "x"


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def test_a_sweep_is_told_and_written(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = files(here)
    command = "readings sweep small plain.csv --isolation-db 6 --length-m 100 --csv tables"
    code, out, err = ran(capsys, f"{command} --figure groups.svg --page sweep.html")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert re.search(
        r"^port A: best in group 1, -3 dB at group \d\.\d toward higher groups$", out, re.M
    )
    assert "guard band (isolation below 6 dB): group 2" in lines
    assert any(line.startswith("1 at A, 3 at B") for line in lines)
    for line in (
        "simulated, invented data",
        "240 readings in 30 passes",
        "drift of the light is not divided out: no references",
    ):
        assert line in lines
    after = files(here)
    assert set(after) - set(before) == {
        *("tables", "groups.svg", "sweep.html"),
        *(f"tables/{name}.csv" for name in ("labels", "groups", "deembedded", "pairs", "times")),
        "tables/histogram.csv",
    }
    labels, groups = table(here / "tables" / "labels.csv"), table(here / "tables" / "groups.csv")
    assert [row["label"] for row in labels] == ["LP01", "LP11", "LP02", "LP21"]
    assert [row["group"] for row in groups] == ["1", "2", "3"]
    assert len(table(here / "tables" / "times.csv")) == 4 * 30
    found = table(here / "tables" / "histogram.csv")
    assert sum(int(row["passes"]) for row in found) == 4 * 30
    pair = table(here / "tables" / "pairs.csv")[0]
    assert (pair["first_group"], pair["second_port"]) == ("1", "B")
    page = (here / "sweep.html").read_text("utf-8")
    assert "Simulated, invented data." in page
    assert page.count('<figure class="spark">') == 3 * 4
    assert '<a href="#label-LP11">2</a>' in page
    assert not re.search(r"(src|href)=\"(?!#)", page.replace('xlink:href="#', ""))


def test_corrected_comes_closer_to_the_written_truth(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ran(capsys, "simulate-device small --out r.csv --truth truth.csv")[0] == 0
    text = (here / "truth.csv").read_text("utf-8")
    assert text.startswith("# simulated, invented data\n")
    assert (here / "r.csv").read_text("utf-8").startswith("# simulated, invented data: ")
    # the beam of simulate-device has 1 mW where the bench gives no power
    assert ran(capsys, "readings sweep small r.csv --csv tables --beam-mw 1")[0] == 0
    right = {row["label"]: row for row in table(here / "truth.csv")}
    for row in table(here / "tables" / "deembedded.csv"):
        for port in "AB":
            truth = float(right[row["unknown"]][port])
            assert float(row[f"transmission_{port}"]) == pytest.approx(truth, abs=0.02)


def test_the_same_input_gives_the_same_files(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = "readings sweep small plain.csv --figure g.png --page p.html --csv"
    outs = []
    for name in ("one", "two"):
        assert ran(capsys, f"{command} {name}")[0] == 0
        outs.append(
            [files(here / name), (here / "g.png").read_bytes(), (here / "p.html").read_bytes()]
        )
    assert outs[0] == outs[1]


def test_steps_and_references(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = "readings sweep small steps.csv"
    code, out, err = ran(capsys, f"{command} --playlist small/playlist.json")
    assert (code, err) == (0, "")
    assert "drift of the light divided out with the reference masks" in out.splitlines()
    # LP01 is shown first, last and after every third of 8 masks too
    assert "360 readings in 30 passes" in out.splitlines()
    line = "the header must have the column page or mask; step needs the play list"
    assert ran(capsys, command) == (2, "", f"error: steps.csv: {line}\n")


def test_another_sets_list_and_readings_are_told(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (here / "small" / "playlist.json").read_text("utf-8")
    digest = re.search(r'"sha256": "(\w+)"', text)
    assert digest is not None
    (here / "other.json").write_text(text.replace(digest[1], "0" * 64), "utf-8")
    out = ran(capsys, "readings sweep small steps.csv --playlist other.json")[1]
    assert "! other.json was made for other files than small: for a pack of it?" in out
    (here / "list.csv").write_text(
        (here / "small" / "playlist.csv").read_text("utf-8").replace("LP21", "LP31"), "utf-8"
    )
    code, _, err = ran(capsys, "readings sweep small steps.csv --playlist list.csv")
    assert code == 2
    assert re.fullmatch(
        r"error: list\.csv: entries\[\d+\] mask = \d, LP31 \d+ deg: small has no such mask\n", err
    )
    rows = (here / "plain.csv").read_text("utf-8").splitlines()
    moved = [re.sub(r"^([\d.]+),(\d+)", lambda m: f"{m[1]},{7 - int(m[2])}", row) for row in rows]
    (here / "moved.csv").write_text("\n".join(moved) + "\n", "utf-8")
    out = ran(capsys, "readings sweep small moved.csv")[1]
    assert "! the readings do not fit what this set launches" in out


def test_bad_rows_are_told(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = (here / "plain.csv").read_text("utf-8").splitlines()
    for at in range(10, 17):
        rows[at] = "a,b"
    (here / "bad.csv").write_text("\n".join(rows) + "\n", "utf-8")
    named = "; ".join(f"line {at}: has 2 cells, the header has 4" for at in range(11, 16))
    out = ran(capsys, "readings sweep small bad.csv")[1]
    assert f"! 7 of 240 rows left out: {named}; and 2 more" in out.splitlines()
    line = "error: bad.csv: line 11: has 2 cells, the header has 4\n"
    assert ran(capsys, "readings sweep small bad.csv --strict") == (2, "", line)


@pytest.mark.parametrize(
    ("command", "line"),
    [
        ("readings sweep none plain.csv", "none: no such folder; a set of masks is needed"),
        ("readings sweep small none.csv", "none.csv: cannot be read (No such file or directory)"),
        ("readings sweep small small", "small: cannot be read (Is a directory)"),
        ("readings sweep small plain.csv --by port", "--by = port: must be group or label or mode"),
        (
            "readings sweep small plain.csv --isolation-db nan",
            "--isolation-db = nan: must be a number from 0 to 100 dB",
        ),
        (
            "readings sweep small plain.csv --length-m 0",
            "--length-m = 0: must be a number from 0.001 to 1e+07 m",
        ),
        (
            "readings sweep small plain.csv --beam-mw -1",
            "--beam-mw = -1: must be a number from 1e-09 to 1e+06 mW",
        ),
        (
            "readings sweep small plain.csv --trust-percent 101",
            "--trust-percent = 101: must be a number from 0 to 100 %",
        ),
        (
            "readings sweep small plain.csv --draws 0",
            "--draws = 0: must be a whole number from 1 to 10000",
        ),
        (
            "readings sweep small plain.csv --seed -1",
            "--seed = -1: must be a whole number from 0 to 4294967295",
        ),
        (
            "readings sweep small plain.csv --figure a.gif",
            "--figure = a.gif: the name must end in .png or .svg or .pdf",
        ),
        (
            "readings sweep small plain.csv --page no/a.html",
            "no/a.html: cannot be written (No such file or directory)",
        ),
        (
            "readings sweep small plain.csv --csv small",
            "small: holds files but no sweep of masks; choose an empty or a new folder",
        ),
        (
            "readings sweep small plain.csv --csv plain.csv",
            "plain.csv: is a file; a sweep needs a folder",
        ),
        (
            "simulate-device small --out a.csv --passes 900000",
            "--passes = 900000: makes 7200000 readings; at most 2000000",
        ),
        (
            "simulate-device small --out a.csv --noise -1",
            "--noise = -1: must be a number from 0 to 100 %",
        ),
        (
            "simulate-device small --out a.csv --turn nan",
            "--turn = nan: must be a number from -1e+06 to 1e+06 deg/h",
        ),
        ("simulate-device small --out small", "small: cannot be written (Is a directory)"),
    ],
)
def test_bad_input_is_one_line(
    here: Path, capsys: pytest.CaptureFixture[str], command: str, line: str
) -> None:
    before = files(here)
    assert ran(capsys, command) == (2, "", f"error: {line}\n")
    assert files(here) == before


@pytest.mark.parametrize(
    ("name", "change", "line"),
    [
        ("coupling.npz", b"nothing", "small/coupling.npz: cannot be read ("),
        ("manifest.json", b"{}", 'small/manifest.json: must have format = "maskforge-set"'),
        ("coupling.npz", None, "small/coupling.npz: no such file"),
    ],
)
def test_a_damaged_set_is_one_line(
    here: Path, capsys: pytest.CaptureFixture[str], name: str, change: bytes | None, line: str
) -> None:
    path = here / "small" / name
    path.unlink()
    if change is not None:
        path.write_bytes(change)
    code, out, err = ran(capsys, "readings sweep small plain.csv")
    assert (code, out) == (2, "")
    assert err.startswith(f"error: {line}")
    assert err.count("\n") == 1
