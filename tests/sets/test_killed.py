"""Runs that are killed, interrupted or out of disk: the old set or the new one is whole.

Common practice, no source.
"""

import errno
import io
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from unfinished import GREYS, UNFINISHED, contents, masks_of, ran, write

from maskforge.cli.exits import SHORT

# --- killed ----------------------------------------------------------------------------------


def begun(*arguments: str) -> "subprocess.Popen[str]":
    """A design in a process group of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "maskforge", "design", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
    )


def killed(process: "subprocess.Popen[str]") -> None:
    os.killpg(process.pid, signal.SIGKILL)
    process.communicate()


@dataclass(frozen=True)
class Runs:
    """An old set and one that an uninterrupted run of one process made in `seconds`."""

    old: Path
    whole: Path
    seconds: float


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Runs:
    folder = tmp_path_factory.mktemp("runs")
    (folder / "greys.csv").write_text(GREYS, "utf-8")
    write(folder / "slow.toml", orientations=24, method="ifta")
    command = (str(folder / "slow.toml"), "--jobs", "1", "--out")
    begun(*command, str(folder / "old"), "--labels", "LP01").communicate()
    started = time.monotonic()
    begun(*command, str(folder / "whole")).communicate()
    return Runs(folder / "old", folder / "whole", time.monotonic() - started)


@pytest.mark.long
@pytest.mark.skipif(os.name != "posix", reason="kills a process group")
@pytest.mark.parametrize(("jobs", "kills"), [("1", 6), ("2", 2)])
def test_killed_at_any_moment_and_gone_on_with(
    small: Path, runs: Runs, jobs: str, kills: int
) -> None:
    """The set in the folder is the old or the new one, and in the end that of one run's bytes."""
    write("slow.toml", orientations=24, method="ifta")
    shutil.copytree(runs.old, "set")
    old, whole = contents(runs.old), contents(runs.whole)
    assert (masks_of(runs.old), masks_of(runs.whole)) == (1, 50)
    command = ("slow.toml", "--out", "set", "--jobs", jobs, "--resume")
    first = begun(*command)
    while first.poll() is None and not list(Path().glob(".set.unfinished/*.masks")):
        time.sleep(0.01)
    killed(first)
    moments = random.Random(f"kills {jobs}")
    for _ in range(kills - 1):
        assert contents(Path("set")) in (old, whole)
        process = begun(*command)
        try:
            process.wait(moments.uniform(0.3, 1.1) * runs.seconds)
        except subprocess.TimeoutExpired:
            killed(process)
        else:
            process.communicate()
    last = begun(*command)
    out, err = last.communicate()
    assert (last.returncode <= SHORT, err) == (True, "")
    assert contents(Path("set")) == whole
    assert "of 50 masks from the earlier run\n" in out or "no unfinished run" in out
    assert {path.name for path in Path().glob("*set*")} == {"set"}


@pytest.mark.long
@pytest.mark.skipif(os.name != "posix", reason="sends signals")
def test_a_real_interrupt_over_two_processes(small: Path) -> None:
    """From the terminal it reaches the whole group: one line, at once, and no process left."""
    write("small.toml", orientations=80, method="ifta", iterations=100)
    # a shell's job in the background ignores interrupts, and so do its children
    handler = signal.signal(signal.SIGINT, signal.default_int_handler)
    process = begun("small.toml", "--jobs", "2")
    signal.signal(signal.SIGINT, handler)
    while process.poll() is None and not list(Path("out").glob(".small.unfinished/*.masks")):
        time.sleep(0.01)
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert (process.returncode, out) == (130, "")
    start = "interrupted; the earlier set is untouched, --resume goes on from "
    assert err.startswith(start)
    assert err.endswith(" masks\n") or err == f"{start}1 mask\n"
    assert [path.name for path in Path("out").iterdir()] == [UNFINISHED.name]


# --- a full disk -----------------------------------------------------------------------------


class Full(io.FileIO):
    """A file on a disk without room."""

    def write(self, data: Any, /) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def fill_up(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """No byte fits into new files whose name has this in it."""
    opening = io.open

    def opened(path: Any, mode: str = "r", *arguments: Any, **options: Any) -> Any:
        if isinstance(path, str | Path) and name in Path(path).name and set(mode) & set("wx+"):
            raw = Full(path, mode.replace("b", ""))
            file = io.BufferedRandom(raw) if "+" in mode else io.BufferedWriter(raw)
            return file if "b" in mode else io.TextIOWrapper(file, encoding="utf-8", newline="")
        return opening(path, mode, *arguments, **options)

    monkeypatch.setattr(io, "open", opened)
    monkeypatch.setattr("builtins.open", opened)


@pytest.mark.parametrize(
    "name",
    ["masks.tif", "manifest.json", "masks.csv", "coupling.csv", "coupling.npz", "certificate.npz"],
)
def test_a_full_disk_leaves_the_old_set_and_the_journal(
    small: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    write("small.toml", orientations=1, method="dual")
    assert ran(capsys, "--out", "out/whole")[0] <= SHORT
    assert ran(capsys, "--method", "simple")[0] <= SHORT
    old = contents(Path("out/small"))
    with monkeypatch.context() as full:
        fill_up(full, name)
        found = ran(capsys)
    told = f"error: out/small/{name}: cannot be written (No space left on device)"
    kept = 1 if name == "masks.tif" else 4
    line = f"{told}; --resume goes on from {kept} mask{'s' if kept > 1 else ''}\n"
    assert found == (2, "", line)
    assert contents(Path("out/small")) == old
    assert sorted(path.name for path in Path("out").iterdir()) == [
        UNFINISHED.name,
        "small",
        "whole",
    ]
    assert ran(capsys, "--resume")[1].startswith(f"{kept} of 4 masks from the earlier run\n")
    assert contents(Path("out/small")) == contents(Path("out/whole"))


@pytest.mark.parametrize("name", [".masks", "run.json"])
def test_a_journal_without_room_costs_nothing(
    small: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """The set may fit even so."""
    with monkeypatch.context() as full:
        fill_up(full, name)
        code, _, err = ran(capsys)
    assert (code <= SHORT, err) == (True, "")
    assert masks_of(Path("out/small")) == 28
    assert [path.name for path in Path("out").iterdir()] == ["small"]
