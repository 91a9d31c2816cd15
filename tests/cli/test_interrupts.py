"""Interrupts before a command is at work: one line, 130, nothing left.  Common practice, no source.

A process that Python ends for an interrupt ends by the signal, which a shell shows as 130 too.
"""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from maskforge import bench as benches
from maskforge.cli.exits import INTERRUPTED
from tests.commands import SMALL, ran, toml_text

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="signals as of Linux")


class _WrappedError(RuntimeError):
    """As Python 3.11 puts what is raised while a class is made."""


def _among_classes() -> Exception:
    error = _WrappedError("Error calling __set_name__")
    error.__cause__ = KeyboardInterrupt()
    return error


@pytest.mark.parametrize("error", [KeyboardInterrupt(), _among_classes()])
def test_an_interrupt_that_nobody_waits_for_is_told(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    """The parser ends on it without a word."""

    def interrupted(name: str, **changes: object) -> None:
        raise error

    monkeypatch.setattr(benches, "load", interrupted)
    for line in ("design few-mode-1310", "modes few-mode-1310"):
        assert ran(capsys, line) == (INTERRUPTED, "", "interrupted\n")


def test_another_error_of_that_kind_is_a_bug(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(name: str, **changes: object) -> None:
        raise RuntimeError("no interrupt")

    monkeypatch.setattr(benches, "load", broken)
    with pytest.raises(RuntimeError, match="no interrupt"):
        ran(capsys, "modes few-mode-1310")


def test_while_modules_are_loaded_an_interrupt_ends_the_process_at_once() -> None:
    program = (
        "import os, signal, time; from maskforge.cli.exits import interrupted_at_once\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "with interrupted_at_once():\n"
        "    try: os.kill(os.getpid(), signal.SIGINT); time.sleep(600)\n"
        "    except BaseException: pass\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (INTERRUPTED, "", "interrupted\n")


@pytest.mark.long
def test_an_interrupt_at_any_moment_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "small.toml").write_text(toml_text(SMALL), "utf-8")
    line = [sys.executable, "-m", "maskforge", "design", "small.toml", "--jobs", "2"]
    chance = random.Random(1)
    # a shell's job in the background ignores interrupts, and so do its children
    handler = signal.signal(signal.SIGINT, signal.default_int_handler)
    for _ in range(30):
        process = subprocess.Popen(
            [*line, "--orientations", "40"],
            cwd=tmp_path,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        # once it has started another, Python itself is there
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
        while process.poll() is None and not children.read_text():
            time.sleep(0.005)
        time.sleep(chance.uniform(0.0, 1.0))
        os.killpg(process.pid, signal.SIGINT)
        out, err = process.communicate(timeout=60)
        if out:
            # it came too late: the set is there, and its table is being printed
            assert (tmp_path / "out" / "small" / "manifest.json").is_file()
            assert err in ("", "interrupted\n")
            continue
        assert process.returncode in (INTERRUPTED, -signal.SIGINT)
        assert (err.count("\n"), err[:11]) == (1, "interrupted"), err
    signal.signal(signal.SIGINT, handler)
