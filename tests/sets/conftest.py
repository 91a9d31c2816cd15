"""The bench of runs that do not end."""

from pathlib import Path

import pytest
from unfinished import GREYS, write


@pytest.fixture
def small(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A bench of 28 masks in 6 chains that takes no time, in the current folder."""
    monkeypatch.chdir(tmp_path)
    Path("greys.csv").write_text(GREYS, "utf-8")
    write("small.toml", orientations=13, method="simple")
    return tmp_path
