"""maskforge play: exit codes, exact lines and what is left on the disk.

Common practice, no source.
"""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from maskforge.base.safety import BRIEF
from maskforge.cli import main as cli
from maskforge.cli.play import clock
from maskforge.playing.playlist_file import read_playlist
from tests.commands import SMALL, changed, files, ran, toml_text

FEW = changed(SMALL, fiber={"groups": 2}, targets={"orientations": 4})


@pytest.fixture(scope="module")
def designed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A set of 5 masks: LP01, and LP11 at 0, 45, 90 and 135 deg."""
    folder = tmp_path_factory.mktemp("designed")
    (folder / "small.toml").write_text(toml_text(FEW), "utf-8")
    assert cli.main(["design", str(folder / "small.toml"), "--out", str(folder / "small")]) == 0
    return folder / "small"


@pytest.fixture
def here(designed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The set as `small` in the current folder, beside a file."""
    monkeypatch.chdir(tmp_path)
    shutil.copytree(designed, "small")
    Path("notes.txt").write_text("mine", "utf-8")
    return tmp_path


def test_a_list_goes_beside_the_masks(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """5 masks twice, a reference after every 4: R 4 R 4 R 2 R, 14 steps of 30 ms, and 5 steps or
    150 ms from one reference to the next."""
    before = files(here)
    found = ran(capsys, "play small --repeat 2 --reference LP01 --every 4")
    lines = [
        "10 frames of masks and 4 references: 14 steps",
        "30 ms a step, 0.42 s in all",
        "at most 0.15 s from one reference to the next",
        "playlist.csv and playlist.json in small",
        "",
        BRIEF,
        "",
        "Next: show the pictures by small/playlist.csv, write down time_s, step and the powers; "
        "then maskforge readings sweep small readings.csv --playlist small/playlist.json",
    ]
    assert found == (0, "\n".join(lines) + "\n", "")
    after = files(here)
    assert set(after) - set(before) == {"small/playlist.csv", "small/playlist.json"}
    before.pop("small/SHA256SUMS")
    assert {name: after[name] for name in before} == before
    made = read_playlist(Path("small/playlist.json"))
    assert made.entries == read_playlist(Path("small/playlist.csv")).entries
    assert made.plan is not None
    assert made.plan.duration_s == pytest.approx(0.42)
    assert (made.plan.order, made.plan.seed) == ("mode", None)


def test_options_arrive(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """6 ms + 1.5 ms at 400 Hz are 3 periods of 2.5 ms; the folder is made."""
    command = "play small --order shuffled --seed 9 --reference LP11@135 --dwell-ms 6"
    code, out, err = ran(capsys, f"{command} --settle-ms 1.5 --frame-rate-hz 400 --out lists")
    assert (code, err) == (0, "")
    assert out.splitlines()[:4] == [
        "5 frames of masks and 2 references: 7 steps",
        "7.5 ms a step (3 frame periods), 0.0525 s in all",
        "at most 0.045 s from one reference to the next",
        "playlist.csv and playlist.json in lists",
    ]
    plan = read_playlist(Path("lists/playlist.json")).plan
    assert plan is not None
    assert (plan.source, plan.order, plan.seed, plan.repeat) == ("small", "shuffled", 9, 1)
    assert (plan.reference, plan.every) == ("LP11@135", None)
    assert (plan.dwell_ms, plan.settle_ms, plan.frame_rate_hz) == (6.0, 1.5, 400.0)
    assert not Path("small/playlist.json").exists()


def test_what_is_left_out(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A seed of 0 where one is needed, and a word on drift."""
    code, out, _ = ran(capsys, "play small --order shuffled")
    assert code == 0
    assert "no references: drift of the bench will not show (--reference)" in out.splitlines()
    plan = read_playlist(Path("small/playlist.json")).plan
    assert plan is not None
    assert (plan.seed, plan.reference, plan.dwell_ms, plan.settle_ms) == (0, None, 20.0, 10.0)


def test_a_pack_is_played(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its files are named, and the list lies beside them."""
    assert cli.main(["pack", "small", "--as", "planes", "--out", "packed"]) == 0
    assert ran(capsys, "play packed")[0] == 0
    steps = read_playlist(Path("packed/playlist.csv")).entries
    assert [(step.file, step.plane) for step in steps] == [("frame-0000.png", k) for k in range(5)]
    assert Path("packed/frame-0000.png").is_file()


def replaced(out: str) -> list[str]:
    return [line for line in out.splitlines() if "earlier play list" in line]


def test_an_earlier_list_keeps_its_settings(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is left out stays, what is given is changed, and both are told."""
    had = "--order shuffled --seed 4 --reference LP01 --every 2 --dwell-ms 6.0"
    assert replaced(ran(capsys, f"play small {had}")[1]) == []
    first = Path("small/playlist.json").read_bytes()
    again = "the earlier play list is replaced, its settings kept: "
    assert replaced(ran(capsys, "play small")[1]) == [again + had]
    assert Path("small/playlist.json").read_bytes() == first
    now = "--order mode --reference LP11@45 --every 2 --dwell-ms 6.0"
    assert replaced(ran(capsys, "play small --order mode --reference LP11@45")[1]) == [
        f"the earlier play list is replaced: it had {had}; now {now.removeprefix('--order mode ')}"
    ]
    assert replaced(ran(capsys, "play small --anew")[1]) == [
        "the earlier play list is replaced, nothing is taken from it; now no options"
    ]


def test_settings_that_do_not_go_with_the_set(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The line names the earlier list, not an option that nobody gave; a damaged list stays."""
    assert ran(capsys, "play small --reference LP11@45 --out lists")[0] == 0
    (here / "few.toml").write_text(toml_text(changed(FEW, targets={"orientations": 1})), "utf-8")
    assert ran(capsys, "design few.toml --out few")[0] == 0
    line = (
        'error: lists/playlist.json: reference = "LP11@45": no mask of this orientation; near it: '
        "LP11@0; --anew leaves its settings out\n"
    )
    assert ran(capsys, "play few --out lists") == (2, "", line)
    assert ran(capsys, "play few --reference LP11 --out lists")[0] == 0
    Path("lists/playlist.json").write_text("mine", "utf-8")
    code, _, err = ran(capsys, "play few --out lists")
    assert (code, err.endswith("; --anew replaces it\n")) == (2, True)
    assert Path("lists/playlist.json").read_text("utf-8") == "mine"
    assert ran(capsys, "play few --out lists --anew")[0] == 0


def test_too_much_power_is_told_wherever_it_is_played(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By play, of a pack too, by pack and by the text of a bring-up; and where it is not known."""
    strong = changed(FEW, light={"power_mw": 100.0}, modulator={"damage_mw_per_mm2": 10.0})
    (here / "strong.toml").write_text(toml_text(strong), "utf-8")
    told = "[light] power_mw = 100: the peak on the modulator is 707 mW/mm2, above"
    for line in (
        "design strong.toml --out strong",
        "play strong",
        "pack strong --as png",
        "play strong-png",
        "bringup strong.toml --step phase-depth --period 8 --out steps",
    ):
        code, out, _ = ran(capsys, line)
        assert (code, f"\nWarning: strong{'.toml' * ('toml' in line)}: {told}" in out) == (0, True)
    assert told in " ".join((here / "steps/WATCH.txt").read_text("utf-8").split())
    manifest = here / "strong/manifest.json"
    manifest.write_text(manifest.read_text("utf-8").replace("waist_mm", "wast_mm"), "utf-8")
    code, out, _ = ran(capsys, "play strong")
    assert (code, "strong: the power on the modulator is not checked: " in out) == (0, True)


@pytest.mark.parametrize(
    ("options", "line"),
    [
        ("", "error: Missing argument 'SET'."),
        ("none", "error: none: no such folder; a set of masks is needed"),
        ("notes.txt", "error: notes.txt: no such folder; a set of masks is needed"),
        (".", "error: .: holds no manifest.json; a set of masks is needed"),
        (
            "small --order shufled",
            'error: --order = shufled: must be one of "mode", "orientation", "shuffled"; did you '
            'mean "shuffled"?',
        ),
        ("small --seed 1", 'error: --seed = 1: goes with the order "shuffled" only'),
        (
            "small --order shuffled --seed -1",
            "error: --seed = -1: must be a whole number from 0 to 4294967295",
        ),
        ("small --repeat 0", "error: --repeat = 0: must be a whole number from 1"),
        (
            "small --repeat 20001",
            "error: --repeat = 20001: makes more than 100000 steps; play a shorter list several "
            "times",
        ),
        ("small --every 3", "error: --every = 3: needs a reference"),
        (
            "small --reference LP11",
            "error: --reference = LP11: 4 masks; say which, as in LP11@0, LP11@45, LP11@90, "
            "LP11@135",
        ),
        (
            "small --reference LP11@50",
            "error: --reference = LP11@50: no mask of this orientation; near it: LP11@45, "
            "LP11@90, LP11@0, LP11@135",
        ),
        (
            "small --reference LP21@45",
            "error: --reference = LP21@45: no mask of this label; near it: LP11, LP01",
        ),
        ("small --dwell-ms 0", "error: --dwell-ms = 0.0: must be a number from 0.01 to 1e+06 ms"),
        ("small --dwell-ms nan", "error: --dwell-ms = NaN: must be a number from 0.01 to 1e+06 ms"),
        ("small --settle-ms -1", "error: --settle-ms = -1.0: must be a number from 0 to 1e+06 ms"),
        (
            "small --frame-rate-hz 0",
            "error: --frame-rate-hz = 0.0: must be a number from 0.1 to 1e+06 Hz",
        ),
        (
            "small --out notes.txt",
            "error: notes.txt: is a file; a play list needs a folder",
        ),
        (
            "small --out no/lists",
            "error: no/lists: cannot be written (No such file or directory)",
        ),
    ],
)
def test_bad_input_is_one_line(
    here: Path, capsys: pytest.CaptureFixture[str], options: str, line: str
) -> None:
    before = files(here)
    assert ran(capsys, f"play {options}") == (2, "", line + "\n")
    assert files(here) == before


@pytest.mark.parametrize("out", ["small", "lists"])
def test_a_full_disk_is_one_line(here: Path, capsys: pytest.CaptureFixture[str], out: str) -> None:
    """A limit of 500 bytes a file stands for the disk's end; an earlier list stays."""
    assert ran(capsys, "play small --repeat 3")[0] == 0
    before = files(here)
    limit = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (500, 500));"
        f"from maskforge.cli.main import main; sys.exit(main(['play', 'small', '--out', '{out}']))"
    )
    found = subprocess.run(
        [sys.executable, "-B", "-c", limit], capture_output=True, text=True, check=False
    )
    line = f"error: {out}/playlist.json: cannot be written (File too large)\n"
    assert (found.returncode, found.stdout, found.stderr) == (2, "", line)
    assert files(here) == before


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0003, "0.0003 s"),
        (7.35, "7.35 s"),
        (59.94, "59.94 s"),
        (59.96, "1 min 0 s"),
        (59.9999, "1 min 0 s"),
        (60.0, "1 min 0 s"),
        (754.25, "12 min 34.2 s"),
        (3599.97, "1 h 0 min 0 s"),
        (3723.4, "1 h 2 min 3.4 s"),
        (360000.0, "100 h 0 min 0 s"),
    ],
)
def test_durations_in_words(seconds: float, text: str) -> None:
    assert clock(seconds) == text
