"""Small invented benches, and what a run of them leaves, for the tests of unfinished runs."""

import csv
import hashlib
import json
from pathlib import Path

import numpy as np
import pytest
import tifffile

from maskforge.sets.digests import digest_of
from tests import commands

BENCH = """\
[light]
wavelength_nm = 1310.0
waist_mm = 1.16

[modulator]
pixels = [64, 60]
pitch_um = 60.0
alphabet = "table"
table = "greys.csv"

[lens]
focal_length_mm = 8.0

[fiber]
preset = "six-mode-graded"

[targets]
orientations = {orientations}

[design]
method = "{method}"
purity = 0.95
iterations = {iterations}
"""

GREYS = "grey,phase_deg\n0,0\n100,95\n180,190\n255,280\n"

UNFINISHED = Path("out/.small.unfinished")


def write(path: str | Path, *, orientations: int, method: str, iterations: int = 40) -> None:
    text = BENCH.format(orientations=orientations, method=method, iterations=iterations)
    Path(path).write_text(text, "utf-8")


def write_small() -> None:
    """A bench of 28 masks in 6 chains that takes no time, in the current folder."""
    Path("greys.csv").write_text(GREYS, "utf-8")
    write("small.toml", orientations=13, method="simple")


def contents(folder: Path) -> dict[str, str]:
    """SHA-256 of every file by its name: a test that fails tells which files differ."""
    files = (path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): digest_of(path) for path in files}


def ran(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of a design of the small bench."""
    return commands.ran(capsys, "design small.toml", *arguments)


def masks_of(folder: Path) -> int:
    """How many masks a set holds, all of whose files agree with each other."""
    masks = json.loads((folder / "manifest.json").read_text("utf-8"))["masks"]
    with tifffile.TiffFile(folder / "masks.tif") as file:
        found = [hashlib.sha256(page.asarray().tobytes()).hexdigest() for page in file.pages]
    assert found == [mask["sha256"] for mask in masks]
    for name in ("masks.csv", "coupling.csv"):
        rows = list(csv.DictReader((folder / name).read_text("utf-8").splitlines()))
        assert len(rows) == len(masks)
    with np.load(folder / "coupling.npz") as file:
        assert len(file["couplings"]) == len(masks)
    return len(masks)
