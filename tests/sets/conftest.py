"""The bench of runs that do not end, and the command that checks a set."""

import shutil
from pathlib import Path

import pytest
from spoiling import Check, write
from unfinished import write_small

from tests.commands import ran


@pytest.fixture
def small(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A bench of 28 masks in 6 chains that takes no time, in the current folder."""
    monkeypatch.chdir(tmp_path)
    write_small()
    return tmp_path


@pytest.fixture
def check(capsys: pytest.CaptureFixture[str]) -> Check:
    """Exit code and all that is printed."""

    def run(folder: Path) -> tuple[int, str]:
        code, out, err = ran(capsys, "check", folder)
        return code, out + err

    return run


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small set; one for a module, not to be written to."""
    return write(tmp_path_factory.mktemp("good") / "set")


@pytest.fixture
def spoilt(good: Path, tmp_path: Path) -> Path:
    """A copy of the good one to spoil."""
    return Path(shutil.copytree(good, tmp_path / "set"))
