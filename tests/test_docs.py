"""The documentation: it builds without a broken link, and its programs run."""

import re
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

import maskforge as mf
from maskforge.bench import from_dict
from maskforge.sets.manifest import Record
from tests import tutorial

ROOT = Path(__file__).parent.parent
PAGE = (ROOT / "docs/bench-scripts.md").read_text("utf-8")

BENCH = {
    "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
    "modulator": {"pixels": [64, 60], "panel": [90, 70], "pitch_um": 60.0, "alphabet": "binary"},
    "lens": {"focal_length_mm": 8.0},
    "fiber": {"preset": "six-mode-graded"},
    "targets": {"labels": ["LP21", "LP01"], "orientations": 2},
    "design": {"method": "simple", "purity": 0.501},
}


@pytest.mark.long
def test_the_site_builds(tmp_path: Path) -> None:
    """Every page is in the contents, every link and anchor leads somewhere: --strict."""
    done = subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "--strict", "--site-dir", str(tmp_path / "site")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "site/index.html").is_file()


def test_the_reader_of_the_page_reads_a_set(tmp_path: Path) -> None:
    """As it stands, in a Python of its own; 15 lines without blank ones."""
    (program,) = re.findall(r"```python\n(.*?)```", PAGE, re.S)
    assert len([line for line in program.splitlines() if line.strip()]) <= 15
    mf.design(from_dict(BENCH, "small")).write(tmp_path / "set")
    (tmp_path / "reader.py").write_text(program, "utf-8")
    done = subprocess.run(
        [sys.executable, "reader.py", "set"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    lines = done.stdout.splitlines()
    assert [line.split()[:2] for line in lines] == [
        ["LP21", "0.0"],
        ["LP21", "45.0"],
        ["LP01", "0.0"],
    ]
    assert all(line.endswith("(70, 90)") for line in lines)


def rows_after(heading: str) -> list[list[str]]:
    """First cells of the table below a line of the page."""
    part = PAGE[PAGE.index(heading) :]
    table = re.search(r"(?:^\|.*\n)+", part, re.M)
    assert table is not None
    return [re.findall(r"`([^`]+)`", line.split("|")[1]) for line in table[0].splitlines()[2:]]


def test_every_key_of_a_mask_is_described() -> None:
    names = [name for row in rows_after("Each of `masks`:") for name in row]
    assert names == [field.name for field in fields(Record)]


# --- the tutorial ----------------------------------------------------------------------------

NUMBER = re.compile(r"-?\d+(?:\.\d+)?(?:e[-+]?\d+)?")


@pytest.mark.long
@pytest.mark.parametrize("page", [tutorial.PAGE, tutorial.DEVICE], ids=["tutorial", "device"])
def test_pages_run_as_they_are_written(tmp_path: Path, page: Path) -> None:
    """Every command: the words as they stand, and the numbers but for a few.

    The last pixels of a mask fall differently on other processors, and where masks are equally
    bad another one may be named as the worst.
    """
    text = page.read_text("utf-8")
    for command, written, real in tutorial.play(text, tmp_path):
        words = [re.split(r"[\s─]+", NUMBER.sub("#", output)) for output in (written, real)]
        assert words[0] == words[1], command
        pairs = zip(NUMBER.findall(written), NUMBER.findall(real), strict=True)
        right = [float(one) == pytest.approx(float(b), rel=0.1, abs=0.02) for one, b in pairs]
        assert np.mean(right) > 0.9, command


def test_every_command_ends_with_what_to_do_next() -> None:
    for command, output in tutorial.CONSOLE.findall(tutorial.PAGE.read_text("utf-8")):
        assert output.splitlines()[-1].startswith("Next: "), command


# --- the Python interface --------------------------------------------------------------------


def test_every_public_name_is_described() -> None:
    """And every name that is described is there."""
    page = (ROOT / "docs/api.md").read_text("utf-8")
    assert all(
        f"`mf.{name}`" in page or f"`{name}" in page or f"## {name}" in page
        for name in mf.__all__
        if not name.startswith("_") and name != "ConvergenceError"
    )
    for kind in (mf.Mask, mf.Result):
        part = page.partition(f"## {kind.__name__}\n")[2].partition("\n## ")[0]
        told = {
            name
            for row in re.findall(r"^\| (`.*?) \|", part, re.M)
            for name in re.findall(r"`(\w+)", row)
        }
        public = {name for name in dir(kind) if not name.startswith("_")} | {"masks"}
        assert told - public == set()
        assert public - told - {"found", "launch", "ready", "masks"} == set()


def test_the_program_of_the_page_runs(tmp_path: Path) -> None:
    page = (ROOT / "docs/api.md").read_text("utf-8")
    (program,) = re.findall(r"```python\n(.*?)```", page, re.S)
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert [line.split()[0] for line in done.stdout.splitlines()] == ["LP21", "LP21"]
    assert (tmp_path / "out/lp21/manifest.json").is_file()


INNER = {"Result": {"ready"}, "Mask": {"found", "launch"}, "MaskSet": {"written"}}
"""What scripts have no need of."""


@pytest.mark.parametrize("name", INNER)
def test_every_name_of_a_class_is_on_the_page(name: str) -> None:
    """And nothing else is."""
    page = (ROOT / "docs/api.md").read_text("utf-8")
    part = page.partition(f"\n## {name}\n")[2].partition("\n## ")[0]
    rows = [line.split("|")[1] for line in part.splitlines() if line.startswith("| `")]
    told = {word.partition("(")[0] for row in rows for word in re.findall("`(.*?)`", row)}
    known = getattr(mf, name)
    own = {*dir(known), *(field.name for field in fields(known))}
    assert told | {"masks"} == {word for word in own if word[0] != "_"} - INNER[name] | {"masks"}
