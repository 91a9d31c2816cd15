"""maskforge bringup, simulate-bench and readings fit: exit codes, lines, and what is written."""

import shutil
from pathlib import Path

import pytest

from maskforge import bench as benches
from maskforge.align import stack_file as stackfile
from maskforge.align.catalogue import NAMES
from maskforge.base.errors import BenchError
from maskforge.base.safety import BRIEF
from maskforge.cli import main as cli
from tests.commands import ran

LAB = """\
# a lab that qualifies patch cords: invented
[light]
wavelength_nm = 1310.0
waist_mm = 0.3      # as bought
power_mw = 1.5

[modulator]
pixels = [96, 96]
panel = [112, 100]
pitch_um = 15.0
alphabet = "levels"
levels = 16

[lens]
focal_length_mm = 4.0

[fiber]
preset = "six-mode-graded"

[design]
carrier_period_px = 6.0
carrier_angle_deg = 45.0
"""


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A bench file, and one of what is true, in the current folder."""
    monkeypatch.chdir(tmp_path)
    write_benches()
    return tmp_path


def write_benches() -> None:
    Path("lab.toml").write_text(LAB, "utf-8")
    true = LAB.replace("waist_mm = 0.3 ", "waist_mm = 0.33\noffset_mm = [0.04, -0.06]")
    Path("truth.toml").write_text(true, "utf-8")


def files(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


MADE = "bringup lab.toml --step beam-edge --points 15 --out edge"
SIMULATED = "simulate-bench edge --truth truth.toml --out r.csv --seed 3 --dropped 4"


@pytest.fixture(scope="module")
def stack_and_readings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Made once, not to be written to."""
    folder = tmp_path_factory.mktemp("read")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        write_benches()
        for text in (MADE, SIMULATED):
            assert cli.main(text.split()) == 0
    return folder


@pytest.fixture
def read(stack_and_readings: Path, here: Path) -> Path:
    """A stack and its readings."""
    shutil.copytree(stack_and_readings, here, dirs_exist_ok=True)
    return here


# --- what they do ----------------------------------------------------------------------------


@pytest.mark.usefixtures("here")
def test_the_steps_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = ran(capsys, "bringup lab.toml")
    assert code == 0
    assert all(name in out for name in NAMES)


def test_a_stack_readings_and_a_fit(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = ran(capsys, MADE)
    assert (code, err) == (0, "")
    assert "31 frames, 104 readings" in out
    fit = "maskforge readings fit edge readings.csv"
    assert out.endswith(f"{BRIEF}\n\nNext: read edge/WATCH.txt, play the frames, then {fit}\n")
    assert files(here / "edge") == stackfile.OWN
    code, out, err = ran(capsys, SIMULATED)
    assert (code, err) == (0, "")
    assert "invented readings in r.csv" in out
    assert Path("r.csv").read_text("utf-8").startswith("# simulated, invented data: ")
    code, out, err = ran(
        capsys, "readings fit edge r.csv --figure f.svg --update lab.toml --write new.toml"
    )
    assert (code, err) == (0, "")
    for text in ("offset x", "waist y", "+- (95 %)", "readings used", "residual 0.", "missing"):
        assert text in out
    assert "differ" not in out
    assert f"new bench file new.toml\n\n{BRIEF}\n" in out
    last = "maskforge bringup new.toml for the next step, or maskforge design new.toml"
    assert out.endswith(f"\nNext: {last}\n")
    assert Path("f.svg").read_text("utf-8").startswith("<?xml")
    new = benches.load("new.toml")
    assert new.light.waist_mm == pytest.approx(0.33, abs=0.003)
    assert new.light.offset_mm == pytest.approx((0.04, -0.06), abs=0.003)
    assert "# as bought" in Path("new.toml").read_text("utf-8")
    assert Path("lab.toml").read_text("utf-8") == LAB


@pytest.mark.usefixtures("read")
def test_the_same_readings_give_the_same_bytes(capsys: pytest.CaptureFixture[str]) -> None:
    found = []
    for name in ("a", "b"):
        assert ran(capsys, SIMULATED.replace("r.csv", f"{name}.csv"))[0] == 0
        assert ran(capsys, f"readings fit edge {name}.csv --figure {name}.png")[0] == 0
        found.append(tuple(Path(f"{name}.{kind}").read_bytes() for kind in ("csv", "png")))
    assert found[0] == found[1]


def test_the_greys_go_into_a_table_beside_the_new_bench(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("new").mkdir()
    for text in (
        "bringup lab.toml --step phase-depth --out grey",
        "simulate-bench grey --out r.csv",
        "readings fit grey r.csv --table own.csv",
        "readings fit grey r.csv --update lab.toml --write new/lab.toml",
    ):
        code, out, err = ran(capsys, text)
        assert (code, err) == (0, ""), text
    assert "greys and their phases in new/lab-greys.csv" in out
    assert Path("own.csv").read_bytes() == Path("new/lab-greys.csv").read_bytes()
    assert Path("own.csv").read_text("utf-8").startswith("grey,phase_deg\n0,0.0\n1,")
    new = benches.load("new/lab.toml")
    assert new.modulator.alphabet == "table"
    assert new.modulator.table is not None
    assert new.modulator.table.data[:, 1] == pytest.approx([22.5 * k for k in range(16)], abs=1.0)
    assert files(here / "new") == {"lab.toml", "lab-greys.csv"}


def test_several_steps_go_into_one_bench_file(
    read: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A lobe, whose result no key holds, keeps nothing of the others back."""
    for text in (
        "bringup lab.toml --step lp11-lobe --points 9 --out lobe",
        "bringup lab.toml --step phase-depth --points 5 --out grey",
        "simulate-bench lobe --out l.csv",
        "simulate-bench grey --out g.csv",
    ):
        assert ran(capsys, text)[0] == 0
    fits = "readings fit lobe l.csv edge r.csv grey g.csv"
    code, out, err = ran(capsys, f"{fits} --update lab.toml --write new.toml")
    assert (code, err) == (0, "")
    places = [out.index(name) for name in ("phase-depth: ", "beam-edge: ", "lp11-lobe: ")]
    assert places == sorted(places)
    assert "! lp11-lobe changes nothing: no key of the bench file holds" in out
    new = benches.load("new.toml")
    assert new.light.waist_mm == pytest.approx(0.33, abs=0.003)
    assert new.modulator.alphabet == "table"
    assert {"new.toml", "new-greys.csv"} <= files(read)


@pytest.mark.usefixtures("read")
def test_a_bench_that_is_not_the_stacks_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    Path("other.toml").write_text(LAB.replace("4.0", "5.0"), "utf-8")
    code, out, _ = ran(capsys, "readings fit edge r.csv --update other.toml --write new.toml")
    assert code == 0
    assert "! other.toml is not the bench of the stack: [lens] focal_length_mm differ" in out


# --- bad input -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("bringup", "error: Missing argument 'BENCH'."),
        ("bringup none.toml --step focus", "error: none.toml: no such file"),
        ("bringup lab.toml --step paint", 'error: --step = "paint": must be one of '),
        ("bringup lab.toml --step focus --points 0", "error: --points = 0: must be a whole number"),
        ("bringup lab.toml --step focus --points 3", "error: --points = 3: must be a whole number"),
        ("bringup lab.toml --step focus --span nan", "error: --span = NaN: must be a number from"),
        ("bringup lab.toml --step focus --span -1", "error: --span = -1.0: must be a number from"),
        ("bringup lab.toml --step focus --span x", "error: Invalid value for '--span'"),
        ("bringup lab.toml --step focus --noll 4", "error: --noll = [4]: not for --step focus"),
        ("bringup lab.toml --step zernike-scan --noll 1", "error: --noll = 1: must be different"),
        ("bringup lab.toml --step zernike-scan --noll 4,4", "error: --noll = 4,4: must be"),
        ("bringup lab.toml --step focus --dwell-ms 0", "error: --dwell-ms = 0.0: must be"),
        ("bringup lab.toml --step focus --passes 99999", "error: --passes = 99999: makes"),
        ("bringup lab.toml --step focus --out lab.toml", "error: lab.toml: is a file"),
        ("bringup lab.toml --step focus --out .", "error: .: is, or holds, the current folder"),
        ("simulate-bench none --out a.csv", "error: none: no such folder"),
        ("simulate-bench . --out a.csv", "error: .: holds no bringup.json"),
        ("simulate-bench edge --out none/a.csv", "error: none/a.csv: cannot be written"),
        ("simulate-bench edge --out a.csv --noise -1", "error: --noise = -1: must be a number"),
        ("simulate-bench edge --out a.csv --dropped nan", "error: --dropped = nan: must be"),
        ("simulate-bench edge --out a.csv --shift-um 3", "error: --shift-um = 3: must be X,Y"),
        ("simulate-bench edge --out a.csv --shift-um a,b", "error: --shift-um = a,b: must be X,Y"),
        ("simulate-bench edge --out a.csv --seed -1", "error: --seed = -1: must be a whole"),
        (
            "simulate-bench edge --out a.csv --truth few-mode-1310",
            "error: few-mode-1310: [modulator] 112 x 100 pixels, the panel has 512 x 512",
        ),
        ("readings fit edge none.csv", "error: none.csv: no such file"),
        ("readings fit edge r.csv edge", "error: edge: a stack without readings; they come in"),
        ("readings fit edge r.csv edge r.csv", "error: beam-edge: 2 stacks of this step; give"),
        ("readings fit edge lab.toml", "error: lab.toml: its first line must name the columns"),
        ("readings fit edge r.csv --saturation 0", "error: --saturation = 0: must be a number"),
        (
            "readings fit edge r.csv --saturation 1e-9",
            "error: r.csv: the readings do not tell what",
        ),
        ("readings fit edge r.csv --figure f.gif", "error: --figure = f.gif: the name must end"),
        ("readings fit edge r.csv --figure none/f.png", "error: none/f.png: cannot be written"),
        ("readings fit edge r.csv --table t.csv", "error: --table = t.csv: goes with stacks of"),
        ("readings fit edge r.csv --update lab.toml", "error: --update: goes with --write, which"),
        ("readings fit edge r.csv --write new.toml", "error: --write: goes with --update, which"),
        (
            "readings fit edge r.csv --update lab.toml --write lab.toml",
            "error: lab.toml: is there already; a bench is never written over",
        ),
        (
            "readings fit edge r.csv --update none --write new.toml",
            'error: no preset "none"; there are',
        ),
    ],
)
def test_bad_input_is_one_line_and_nothing_is_written(
    read: Path, capsys: pytest.CaptureFixture[str], text: str, line: str
) -> None:
    before = files(read)
    code, out, err = ran(capsys, text)
    assert (code, out) == (2, "")
    assert err.startswith(line), err
    assert len(err.splitlines()) == 1
    assert files(read) == before


def test_a_bench_that_cannot_be_changed_leaves_nothing(
    here: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The table of greys is written before the bench file that names it."""

    def refused(*_: object) -> str:
        raise BenchError("odd.toml: [modulator] table: cannot be changed")

    monkeypatch.setattr("maskforge.align.new_bench.with_keys", refused)
    Path("odd.toml").write_text(LAB, "utf-8")
    for text in (
        "bringup odd.toml --step phase-depth --out grey",
        "simulate-bench grey --out r.csv",
    ):
        assert ran(capsys, text)[0] == 0
    before = files(here)
    code, _, err = ran(capsys, "readings fit grey r.csv --update odd.toml --write new.toml")
    assert code == 2
    assert err == "error: odd.toml: [modulator] table: cannot be changed\n"
    assert files(here) == before


def test_a_step_without_a_key(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for text in ("bringup lab.toml --step lp11-lobe --out lobe", "simulate-bench lobe --out r.csv"):
        assert ran(capsys, text)[0] == 0
    code, out, err = ran(capsys, "readings fit lobe r.csv --update lab.toml --write new.toml")
    assert code == 2
    assert "zero of the orientation" in out
    no_key = "no key of the bench file holds the result of lp11-lobe"
    assert err == f"error: new.toml: not written: lp11-lobe changes nothing: {no_key}\n"
    assert "new.toml" not in files(here)
    code, out, _ = ran(capsys, "readings fit lobe r.csv")
    assert code == 0
    assert "zero of the orientation" in out


def test_help(capsys: pytest.CaptureFixture[str]) -> None:
    for text in ("bringup -h", "simulate-bench -h", "readings -h", "readings fit --help"):
        code, out, _ = ran(capsys, text)
        assert code == 0
        assert "Usage: maskforge" in out
