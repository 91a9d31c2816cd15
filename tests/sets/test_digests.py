"""SHA256SUMS covers every file of a set, and no damage to one goes unnoticed."""

import hashlib
import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from spoiling import Check

from maskforge.cli import main as cli
from maskforge.playing.playlist_file import TABLE, WHOLE
from maskforge.sets.check.files import file_problems
from maskforge.sets.digests import read_sums
from tests.commands import SMALL, toml_text

FLIPS = 500


def lines(folder: Path) -> dict[str, str]:
    """SHA256SUMS as anyone would read it: digests by name."""
    pairs = (line.split("  ") for line in (folder / "SHA256SUMS").read_text("ascii").splitlines())
    return {name: digest for digest, name in pairs}


def assert_covers(folder: Path, *others: str) -> None:
    """By hashlib, and by the coreutils program where there is one; `others` are not covered."""
    found = lines(folder)
    names = {path.name for path in folder.iterdir()} - {"SHA256SUMS", *others}
    assert found.keys() == names
    for name, digest in found.items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest
    program = shutil.which("sha256sum")
    if program:
        command = [program, "--strict", "-c", "SHA256SUMS"]
        subprocess.run(command, cwd=folder, check=True, capture_output=True)


@pytest.mark.long
def test_every_file_has_its_digest_after_every_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Commands that add to a finished set, a new design over it, and the user's own files."""
    monkeypatch.chdir(tmp_path)
    Path("small.toml").write_text(toml_text(SMALL), "utf-8")
    design = ["design", "small.toml", "--labels", "LP01", "--out", "set"]
    assert cli.main(design) in (0, 1)
    folder = Path("set")
    assert_covers(folder)
    Path("set/notes.txt").write_text("mine", "utf-8")
    for command in (
        ["play", "set"],
        ["tolerance", "set", "--keep", "--jobs", "1"],
        ["report", "set"],
        ["report", "set", "--out", "set/my.html"],
        ["play", "set", "--order", "shuffled"],
    ):
        assert cli.main(command) == 0
        assert_covers(folder, "notes.txt", "my.html")
    assert {TABLE, WHOLE, "tolerance.json"} <= lines(folder).keys()
    assert cli.main(design) in (0, 1)
    assert_covers(folder, "notes.txt", "my.html")


def test_any_flipped_bit_is_noticed(spoilt: Path) -> None:
    """500 at random places of random files, SHA256SUMS itself among them."""
    noise = np.random.default_rng(7)
    files = sorted(spoilt.iterdir())
    assert list(file_problems(spoilt)) == []
    for _ in range(FLIPS):
        path = files[noise.integers(len(files))]
        whole = path.read_bytes()
        wrong = bytearray(whole)
        wrong[noise.integers(len(wrong))] ^= 1 << int(noise.integers(8))
        path.write_bytes(wrong)
        assert list(file_problems(spoilt)) != [], path
        path.write_bytes(whole)


def swapped(folder: Path) -> None:
    """The digests of two files."""
    text = (folder / "SHA256SUMS").read_text("utf-8")
    first, second, *rest = text.splitlines()
    one, other = first[:64], second[:64]
    text = "\n".join([other + first[64:], one + second[64:], *rest])
    (folder / "SHA256SUMS").write_text(text + "\n", "utf-8")


def unlisted(name: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        kept = [line for line in lines(folder).items() if line[0] != name]
        text = "".join(f"{digest}  {each}\n" for each, digest in kept)
        (folder / "SHA256SUMS").write_text(text, "utf-8")

    return change


def gone(folder: Path) -> None:
    unlisted("masks.csv")(folder)
    (folder / "masks.csv").unlink()


DAMAGES: dict[str, tuple[Callable[[Path], object], str]] = {
    "no digests": (lambda f: (f / "SHA256SUMS").unlink(), "SHA256SUMS: no such file"),
    "a file of another set": (
        lambda f: (f / "report.html").write_text("<h1>all is well</h1>", "utf-8"),
        "report.html: has no digest in SHA256SUMS",
    ),
    "a line less": (unlisted("coupling.csv"), "coupling.csv: has no digest in SHA256SUMS"),
    "a file and its line less": (gone, "masks.csv: is missing in SHA256SUMS"),
    "a file less": (
        lambda f: (f / "coupling.csv").unlink(),
        "coupling.csv: no such file; SHA256SUMS has its digest",
    ),
    "digests swapped": (swapped, "certificate.npz: was damaged or changed after it was written"),
    "a digest of another place": (
        lambda f: (f / "SHA256SUMS").write_text(f"{'0' * 64}  ../set/masks.tif\n", "utf-8"),
        "SHA256SUMS: line 1: must be a digest and a file of a set",
    ),
    "a space at an end": (
        lambda f: (f / "masks.csv").write_text((f / "masks.csv").read_text() + "\n", "utf-8"),
        "masks.csv: was damaged or changed after it was written",
    ),
    "another status": (
        lambda f: (f / "manifest.json").write_bytes(
            (f / "manifest.json").read_bytes().replace(b'"status": "', b'"status": "un')
        ),
        "manifest.json: was damaged or changed after it was written",
    ),
    "a folder in its place": (
        lambda f: ((f / "masks.csv").unlink(), (f / "masks.csv").mkdir()),
        "masks.csv: cannot be read (Is a directory)",
    ),
}


@pytest.mark.parametrize("kind", DAMAGES)
def test_a_damaged_set(spoilt: Path, check: Check, kind: str) -> None:
    change, words = DAMAGES[kind]
    change(spoilt)
    code, output = check(spoilt)
    assert code == 1
    assert words in output


def test_a_damaged_file_is_not_covered_anew(spoilt: Path, check: Check) -> None:
    """What adds to the set leaves the digests of its other files alone."""
    before = lines(spoilt)
    (spoilt / "coupling.csv").write_bytes(b"damaged")
    assert cli.main(["play", str(spoilt)]) == 0
    after = lines(spoilt)
    assert after.keys() - before.keys() == {TABLE, WHOLE}
    assert {name: after[name] for name in before} == before
    capture = check(spoilt)[1]
    assert "coupling.csv: was damaged or changed after it was written" in capture


def test_a_set_without_digests_gets_none_later(spoilt: Path) -> None:
    """They would speak for files that nothing is known of."""
    (spoilt / "SHA256SUMS").unlink()
    assert cli.main(["play", str(spoilt)]) == 0
    assert not (spoilt / "SHA256SUMS").exists()


def test_a_play_list_elsewhere_has_no_digest(spoilt: Path, tmp_path: Path) -> None:
    before = read_sums(spoilt)
    other = tmp_path / "other"
    assert cli.main(["play", str(spoilt), "--out", str(other)]) == 0
    assert sorted(path.name for path in other.iterdir()) == [TABLE, WHOLE]
    assert read_sums(spoilt) == before
    assert json.loads((other / WHOLE).read_text("utf-8"))["entries"]
