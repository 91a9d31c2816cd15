"""The command line: exit codes and exact lines.  Common practice, no source."""

import csv
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from typer.testing import CliRunner

from maskforge import __version__
from maskforge import bench as benches
from maskforge.base.errors import LostProcessError
from maskforge.base.safety import BRIEF, CAUTION
from maskforge.bench.ready import Prepared
from maskforge.cli import common, presets, whole_set
from maskforge.cli import main as cli
from maskforge.cli.exits import SHORT
from maskforge.cli.print_masks import print_masks
from maskforge.fiber.modes import solve
from maskforge.sets.designing import Making, made_of_masks
from maskforge.sets.manifest import Record, RobustFigures, ScenarioFigures
from maskforge.study import tradeoff
from tests.commands import SMALL, changed, ran, toml_text

TINY = changed(
    SMALL,
    light={"power_mw": 100.0},
    modulator={"panel": [80, 72], "damage_mw_per_mm2": 10.0},
    fiber={"groups": 2},
    targets={"orientations": 2},
)


@pytest.fixture
def tiny(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A small bench file in the current folder."""
    monkeypatch.chdir(tmp_path)
    Path("tiny.toml").write_text(toml_text(TINY), "utf-8")
    return tmp_path


# --- bad input -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        ("design", "error: Missing argument 'BENCH...'."),
        ("unknown", "error: No such command 'unknown'."),
        ("modes tiny.toml --bad", "error: No such option: --bad"),
        ("design tiny.toml --jobs 0", "error: --jobs = 0: must be a whole number from 1"),
        ("design tiny.toml --jobs two", "error: --jobs = two: must be a whole number from 1"),
        (
            "design tiny.toml --orientations 1.5",
            "error: --orientations = 1.5: must be a whole number from 1",
        ),
        (
            "design tiny.toml --orientations 400",
            "error: tiny.toml: [targets] orientations = 400: "
            "must be a whole number from 1 to 360 orientations",
        ),
        (
            "design tiny.toml --labels LP01,LP21",
            'error: tiny.toml: [targets] labels = ["LP01", "LP21"]: '
            "no guided mode LP21; the basis holds LP01, LP11",
        ),
        ("design none.toml", "error: none.toml: no such file"),
        ("tradeoff tiny.toml", "error: Missing argument 'LABEL'."),
        ("tradeoff none.toml LP01", "error: none.toml: no such file"),
        (
            "tradeoff tiny.toml LP21",
            'error: tiny.toml: [targets] labels = ["LP21"]: '
            "no guided mode LP21; the basis holds LP01, LP11",
        ),
        (
            "tradeoff tiny.toml LP01 --purity 0.9,1.2 --csv a.csv",
            "error: --purity = 1.2: must be a number between 0.5 and 1",
        ),
        (
            "tradeoff tiny.toml LP01 --purity 99.9 --csv a.csv",
            "error: --purity = 99.9: must be a number between 0.5 and 1; did you mean 0.999?",
        ),
        (
            "tradeoff tiny.toml LP01 --alphabets 4,grey --csv a.csv",
            "error: --alphabets = grey: must be binary, continuous, own or a number of levels "
            "from 2 to 65536",
        ),
        (
            "tradeoff tiny.toml LP01 --csv a.csv --figure a.bmp",
            "error: --figure = a.bmp: the name must end in .png or .svg or .pdf",
        ),
        (
            "tradeoff tiny.toml LP01 --csv a.csv --figure none/a.png",
            "error: none/a.png: cannot be written (No such file or directory)",
        ),
        (
            "tradeoff tiny.toml LP01 --csv mine --figure a.png",
            "error: mine: cannot be written (Is a directory)",
        ),
        (
            "tradeoff tiny.toml LP11 --orientation 400",
            "error: --orientation = 400: must be a number from -360 to 360 deg",
        ),
        ("modes none.toml", "error: none.toml: no such file"),
        ("design tiny.toml --out tiny.toml", "error: tiny.toml: is a file; a set needs a folder"),
        (
            "design tiny.toml --out mine",
            "error: mine: holds files but no set of masks; choose an empty or a new folder",
        ),
        (
            "modes tiny.toml --csv none/modes.csv",
            "error: none/modes.csv: cannot be written (No such file or directory)",
        ),
        (
            "presets gi5O",
            'error: no preset "gi5O"; did you mean "gi50"? a path to a .toml file works too',
        ),
    ],
)
def test_bad_input_is_one_line(
    tiny: Path, capsys: pytest.CaptureFixture[str], arguments: str, line: str
) -> None:
    Path("mine").mkdir()
    Path("mine/notes.txt").write_text("mine", "utf-8")
    assert ran(capsys, *arguments.split()) == (2, "", line + "\n")
    assert sorted(path.name for path in tiny.rglob("*")) == ["mine", "notes.txt", "tiny.toml"]


def test_sections_and_line_ends_in_an_error_are_printed_plainly(
    tiny: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """[light] is no markup, and a name with a line end takes one line."""
    Path("a\nb.toml").write_text("[light]\n", "utf-8")
    code, out, err = ran(capsys, "modes", "a\nb.toml")
    assert (code, out) == (2, "")
    assert err == "error: a b.toml: [modulator]: missing; a bench needs this section\n"


# --- design ----------------------------------------------------------------------------------


def test_a_set_is_designed(tiny: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The table agrees with what was written; the caution and the warning follow it."""
    code, out, err = ran(capsys, "design", "tiny.toml")
    # it falls short of what the bench asks
    assert (code, err) == (SHORT, "")
    folder = Path("out/tiny")
    records = json.loads((folder / "manifest.json").read_text("utf-8"))["masks"]
    assert [(r["target"], r["orientation_deg"]) for r in records] == [
        ("LP01", 0.0),
        ("LP11", 0.0),
        ("LP11", 90.0),
    ]
    lines = out.splitlines()
    assert lines[1].split() == ["target", "deg", "method", "%", "power", "dB", "loss", "dB"]
    for line, record in zip(lines[3:6], records, strict=True):
        target, angle, method, purity, unwanted, loss = line.split()[:6]
        assert (target, method) == (record["target"], "simple")
        assert float(angle) == record["orientation_deg"]
        assert float(purity) == pytest.approx(100 * record["purity"], abs=0.5001e-4)
        assert float(loss) == pytest.approx(-10 * np.log10(record["efficiency"]), abs=0.5001e-3)
        if unwanted != ">150":
            assert float(unwanted) == pytest.approx(record["unwanted_db"], abs=0.5001e-2)
        assert line.rstrip().endswith("!") == (record["purity"] < 0.999)
    assert "3 masks in out/tiny (all of them in masks.csv)" in lines
    assert BRIEF in lines
    warning = benches.power_warning(benches.load(Path("tiny.toml")))
    assert warning is not None
    assert lines[-3:] == [
        f"Warning: {warning}",
        "",
        "Next: open out/tiny/report.html in a browser, then maskforge check out/tiny",
    ]
    assert tifffile.imread(folder / "masks.tif").shape == (3, 72, 80)


def test_the_page_written_anew_is_that_of_the_design(
    tiny: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Byte by byte, and called as the bench, whatever the folder."""
    assert ran(capsys, "design tiny.toml --labels LP01 --out mine/first")[0] == 0
    page = Path("mine/first/report.html").read_bytes()
    assert b"<title>tiny" in page
    assert ran(capsys, "report mine/first")[0] == 0
    assert Path("mine/first/report.html").read_bytes() == page


def test_options_win_over_the_bench(tiny: Path, capsys: pytest.CaptureFixture[str]) -> None:
    changed = ("--labels", "LP11", "--orientations", "3")
    assert ran(capsys, "design", "tiny.toml", "--out", "here", *changed)[0] <= SHORT
    content = json.loads(Path("here/manifest.json").read_text("utf-8"))
    assert [mask["orientation_deg"] for mask in content["masks"]] == [0.0, 60.0, 120.0]
    assert content["bench"]["targets"]["labels"] == ["LP11"]
    assert not Path("out").exists()


@pytest.mark.parametrize(
    ("text", "labels"),
    [
        ("all", "all"),
        ("LP01", ["LP01"]),
        ("LP01, LP21", ["LP01", "LP21"]),
        ("LP01,LP10,1,LP2,11,LP21", ["LP01", "LP10,1", "LP2,11", "LP21"]),
    ],
)
def test_labels_between_commas(text: str, labels: str | list[str]) -> None:
    """A label with an order of two digits has a comma of its own."""
    assert common.label_list(text) == labels


def test_processes_do_not_change_the_set(tiny: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ran(capsys, "design", "tiny.toml", "--out", "one")[0] <= SHORT
    command = ["-m", "maskforge", "design", "tiny.toml", "--out", "two", "--jobs", "2"]
    done = subprocess.run([sys.executable, *command], check=False, capture_output=True)
    assert done.returncode <= SHORT
    assert sorted(path.name for path in Path("two").iterdir()) == sorted(
        path.name for path in Path("one").iterdir()
    )
    for path in Path("one").iterdir():
        assert path.read_bytes() == (Path("two") / path.name).read_bytes()


def test_an_interrupt_leaves_the_earlier_set(
    tiny: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert ran(capsys, "design", "tiny.toml")[0] <= SHORT
    before = {path.name: path.read_bytes() for path in Path("out/tiny").iterdir()}

    def interrupted(ready: Prepared, making: Making[Any], **options: object) -> Iterator[Any]:
        yield next(made_of_masks(ready, making))
        raise KeyboardInterrupt

    monkeypatch.setattr(whole_set, "made_of_masks", interrupted)
    found = ran(capsys, "design", "tiny.toml", "--orientations", "5")
    assert found == (130, "", "interrupted; the earlier set is untouched\n")
    assert {path.name: path.read_bytes() for path in Path("out/tiny").iterdir()} == before
    assert [path.name for path in Path("out").iterdir()] == ["tiny"]


def test_a_full_disk_is_one_line(tiny: Path) -> None:
    """A limit of 500 bytes a file stands for the disk's end."""
    limit = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (500, 500));"
        "from maskforge.cli.main import main; sys.exit(main(['design', 'tiny.toml']))"
    )
    found = subprocess.run(
        [sys.executable, "-B", "-c", limit], capture_output=True, text=True, check=False
    )
    assert (found.returncode, found.stdout, found.stderr) == (
        2,
        "",
        "error: out/tiny/masks.tif: cannot be written (File too large)\n",
    )
    assert [path.name for path in tiny.iterdir()] == ["tiny.toml"]


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (MemoryError(), "not enough memory"),
        (LostProcessError("a process ended"), "a process ended"),
    ],
)
def test_too_little_memory_is_one_line(
    tiny: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    error: Exception,
    reason: str,
) -> None:
    def full(bench: benches.Bench, device: str) -> Prepared:
        raise error

    monkeypatch.setattr(whole_set, "outlined", full)
    line = f"error: {reason}; fewer pixels or fewer --jobs need less\n"
    assert ran(capsys, "design", "tiny.toml") == (2, "", line)
    assert [path.name for path in tiny.iterdir()] == ["tiny.toml"]


def record(angle: float, purity: float, gap: float | None, status: str = "") -> Record:
    return Record(
        index=0,
        page=0,
        target="LP21",
        orientation_deg=angle,
        method="dual",
        purity=purity,
        group_purity=purity,
        efficiency=0.1,
        bound=None,
        bound_purity=None,
        gap=gap,
        bound_asked=None,
        unwanted_db=None,
        sha256="",
        reached=not status,
        status=status,
    )


def test_masks_that_fall_short_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    masks = [record(0, 0.999123, 0.00123), record(45, 0.99, None, "more [pixels] would help")]
    print_masks(masks, 0.999)
    text = capsys.readouterr().out.splitlines()
    lines = [line.split() for line in text]
    assert lines[3] == ["LP21", "0", "dual", "99.9123", "30.57", "10.000", "0.1230"]
    assert lines[4] == ["LP21", "45", "dual", "99.0000", "19.96", "10.000", "-", "!"]
    assert text[6:] == [
        "! 1 of 2 masks did not reach the asked purity of 99.9 %:",
        "  LP21 45 deg: more [pixels] would help",
    ]


def test_a_long_set_has_a_row_a_label(capsys: pytest.CaptureFixture[str]) -> None:
    """Worst: least pure, most unwanted power, widest gap; many names are cut short."""
    short = [record(k, 0.99, 0.02, "try more") for k in range(10)]
    print_masks([*short, *(record(k, 0.9999, 0.01) for k in range(10, 41))], 0.999)
    lines = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert lines[4] == [
        "LP21", "41", "dual", "99.0000", "99.9900", "19.96", "40.00", "10.000", "10.000",
        "2.0000", "1.0000", "!", "10",
    ]  # fmt: skip
    assert lines[-1][-5:] == ["and", "4", "more:", "try", "more"]


def robust(index: int, worst: float, gap: float, gap_near: float) -> RobustFigures:
    scenarios = (
        ScenarioFigures("the nominal scenario", 0.995, 0.5, 0.999),
        ScenarioFigures("1320 nm", worst, 0.4, 0.9),
    )
    return RobustFigures(index, scenarios, 0.45, 0.5, gap, 0.98, 0.48, gap_near, 5.0, None)


def test_masks_for_several_scenarios_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    """The bound of near phases is told of the masks only where it is the lower one."""
    masks = [record(0, 0.995, 0.01), record(45, 0.995, 0.01)]
    known = [robust(0, 0.99, 0.03, 0.04), robust(1, 0.98, 0.05, 0.02)]
    print_masks(masks, 0.98, known)
    assert capsys.readouterr().out.splitlines()[6:] == [
        "Over 2 scenarios: least pure LP21 45 deg at 1320 nm, 98.0000 %; masks for the nominal one "
        "alone go down to 90.0000 %",
        "Gap of the mean over the scenarios to its own bound, whatever their phases: worst "
        "5.0000 %, median 4.0000 %",
        "Gap to the bound of masks with phases within 5 deg of its own, of 1 mask: worst "
        "2.0000 %, median 2.0000 %",
        "The gap in the table is to the bound of the nominal scenario",
    ]


# --- tradeoff --------------------------------------------------------------------------------


def test_a_tradeoff_is_printed_and_saved(tiny: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The files and the table tell the same; nothing else is written."""
    command = ("tradeoff", "tiny.toml", "LP11", "--orientation", "45", "--purity", "0.9,0.8")
    files = ("--csv", "points.csv", "--figure", "points.svg")
    code, out, err = ran(capsys, *command, "--alphabets", "own,continuous", *files)
    assert (code, err) == (0, "")
    rows = list(csv.DictReader(Path("points.csv").read_text("utf-8").splitlines()))
    assert [(row["alphabet"], row["asked_purity"]) for row in rows] == [
        ("own", "0.8"),
        ("own", "0.9"),
        ("continuous", "0.8"),
        ("continuous", "0.9"),
    ]
    assert {(row["target"], row["orientation_deg"]) for row in rows} == {("LP11", "45.0")}
    for line, row in zip(out.splitlines()[3:7], rows, strict=True):
        cells = line.split()
        assert cells[0] == row["alphabet"]
        assert float(cells[2]) == pytest.approx(100 * float(row["bound"]), abs=0.501e-3)
        assert float(cells[6]) == pytest.approx(100 * float(row["efficiency"]), abs=0.501e-3)
        # equal but for rounding where the simple mask is enough
        assert float(row["efficiency"]) <= float(row["bound"]) * (1 + 1e-9)
        assert row["reached"] == ("yes" if float(row["purity"]) >= float(cells[1]) / 100 else "no")
    assert "<svg" in Path("points.svg").read_text("utf-8")
    assert sorted(path.name for path in tiny.iterdir()) == ["points.csv", "points.svg", "tiny.toml"]


def test_a_tradeoff_that_is_interrupted_writes_nothing(
    tiny: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*arguments: object) -> Iterator[tradeoff.Point]:
        raise KeyboardInterrupt
        yield

    monkeypatch.setattr(tradeoff, "walked", interrupted)
    found = ran(capsys, "tradeoff", "tiny.toml", "LP01", "--csv", "a.csv", "--figure", "a.png")
    assert found == (130, "", "interrupted; nothing is written\n")
    assert [path.name for path in tiny.iterdir()] == ["tiny.toml"]


# --- modes and presets -----------------------------------------------------------------------


def test_modes_are_those_of_the_solver(tiny: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = ran(capsys, "modes", "few-mode-1310", "--csv", "modes.csv")
    assert (code, err) == (0, "")
    bench = benches.load("few-mode-1310")
    modes = solve(benches.fiber(bench), groups=bench.fiber.groups)
    rows = list(csv.DictReader(Path("modes.csv").read_text("utf-8").splitlines()))
    lines = out.splitlines()
    for mode, row, line in zip(modes, rows, lines[3 : 3 + len(modes)], strict=True):
        assert (row["label"], int(row["group"])) == (mode.label, mode.group)
        assert float(row["n_eff"]) == mode.n_eff
        assert float(row["delay_ps_per_m"]) == pytest.approx(mode.delay * 1e12, rel=1e-12)
        assert float(row["cutoff_margin_percent"]) == pytest.approx(100 * mode.cutoff_margin)
        assert float(row["mode_field_diameter_um"]) == mode.mode_field_diameter * 1e6
        assert float(row["second_moment_diameter_um"]) == mode.second_moment_diameter * 1e6
        assert float(row["effective_area_um2"]) == mode.effective_area * 1e12
        assert (row["near_cutoff"], row["fields"]) == ("no", "2" if mode.l else "1")
        cells = line.split()
        assert cells[:3] == [mode.label, str(mode.group), f"{mode.n_eff:.9f}"]
        assert cells[-1] == row["fields"]
    assert lines[-3].startswith("6 modes, 4 labels, 3 groups; V = 6.6045 at 1310 nm")


def test_fields_of_modes_are_arrays_with_axes(
    tiny: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Orthonormal on the grid, y up: the gradient of LP11's two lobes points along x and y."""
    code, out, err = ran(capsys, "modes few-mode-1310 --fields modes.npz")
    assert (code, err) == (0, "")
    with np.load("modes.npz") as file:
        found = {name: file[name] for name in file.files}
    fields, x, y = found["fields_per_um"], found["x_um"], found["y_um"]
    assert f"\nfields out to {x.max():.3g} um along x and y in modes.npz\n" in out
    assert fields.shape == (len(found["names"]), len(y), len(x)) == (6, len(y), len(x))
    gram = np.einsum("ayx,byx->ab", fields, fields) * np.diff(x)[0] * np.diff(y)[0]
    assert gram == pytest.approx(np.eye(6), abs=1e-5)
    names = found["names"].tolist()
    assert names[:3] == ["LP01", "LP11 cos", "LP11 sin"]
    assert np.sum(fields[1] * x) > 10 * abs(np.sum(fields[1] * y[:, None]))
    assert np.sum(fields[2] * y[:, None]) > 10 * abs(np.sum(fields[2] * x))
    assert float(found["wavelength_nm"]) == pytest.approx(1310)
    line = "error: --fields = modes.csv: the name must end in .npz\n"
    assert ran(capsys, "modes few-mode-1310 --fields modes.csv") == (2, "", line)


def test_modes_tell_what_groups_leave_out(tiny: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert ran(capsys, "modes", "tiny.toml")[1].splitlines()[-3] == (
        "groups = 2 leaves out 2 guided labels: LP02, LP21"
    )


def test_modes_near_cutoff_are_marked(tiny: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A step-index fibre at V = 2.45: LP11, cut off at 2.405, has 2 % left."""
    fiber = {"profile": "step", "core_radius_um": 5.108, "na": 0.1}
    Path("near.toml").write_text(toml_text({**TINY, "fiber": fiber}), "utf-8")
    code, out, _ = ran(capsys, "modes", "near.toml")
    marked = [line.split()[0] for line in out.splitlines()[3:5] if " ! " in line]
    assert (code, marked) == (0, ["LP11"])
    assert "! near its cut-off, margin below 5 %: a real fibre may lack it" in out


def test_presets_are_listed_and_printed(capsys: pytest.CaptureFixture[str]) -> None:
    """In a pipe nothing is cut, however long the line."""
    code, out, _ = ran(capsys, "presets")
    assert code == 0
    for kind, name, text in benches.preset_names():
        assert [kind, name, *text.split()] in [line.split() for line in out.splitlines()]
    assert ran(capsys, "presets", "gi50") == (0, benches.preset_text("gi50"), "")


@pytest.mark.parametrize("columns", ["20", "200"])
def test_tables_are_not_cut_in_a_narrow_window(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, columns: str
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    out = ran(capsys, "modes", "few-mode-1310")[1]
    assert "…" not in out
    assert "1.452435597" in out


# --- around them -----------------------------------------------------------------------------


def test_version_and_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert ran(capsys, "--version") == (0, f"maskforge {__version__}\n", "")
    code, out, err = ran(capsys)
    assert (code, err) == (0, "")
    for command in ("design", "tradeoff", "modes", "presets", "--install-completion"):
        assert f"  {command}" in out
    found = CliRunner().invoke(cli.app_for(["design"]), ["design", "-h"])
    assert found.exit_code == 0
    assert "worst and the median" in " ".join(found.output.split())


def test_the_shell_completes_benches(tiny: Path) -> None:
    """Presets, bench files and folders that may hold them."""
    Path("few").mkdir()
    Path("few/x.toml").write_text("", "utf-8")
    assert common.bench_names("few") == ["few-mode-1310", "few/"]
    assert common.bench_names("few/") == ["few/x.toml"]
    assert common.bench_names("t") == ["tiny.toml"]
    assert common.bench_names("none/x") == []
    assert presets.preset_names("grey") == ["grey-1080"]


def test_a_reader_that_has_seen_enough(tmp_path: Path) -> None:
    """A pipe closed at its far end: no traceback, no line."""
    reader, writer = os.pipe()
    os.close(reader)
    try:
        found = subprocess.run(
            [sys.executable, "-m", "maskforge", "presets"],
            stdout=writer,
            stderr=subprocess.PIPE,
            check=False,
        )
    finally:
        os.close(writer)
    assert (found.returncode, found.stderr) == (1, b"")


def test_the_caution_is_two_lines_and_on_the_screen_one() -> None:
    assert (len(CAUTION.splitlines()), len(BRIEF.splitlines())) == (2, 1)
