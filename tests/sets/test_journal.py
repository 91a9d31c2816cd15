"""A run that did not end is gone on with, to the bytes of one that did.

Common practice, no source.
"""

import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from unfinished import GREYS, UNFINISHED, contents, masks_of, ran, write, write_small

from maskforge import bench as benches
from maskforge.bench.ready import Prepared, prepared
from maskforge.cli import whole_set
from maskforge.cli.exits import SHORT
from maskforge.cli.main import main
from maskforge.sets import journal as progress
from maskforge.sets.designing import (
    Making,
    chains_of,
    finished_masks,
    made_of_masks,
)


@contextmanager
def interrupted_at(count: int) -> Iterator[None]:
    """Designs are interrupted before the mask `count`, counted from 0."""

    def until(ready: Prepared, making: Making[Any], **options: Any) -> Iterator[Any]:
        for index, made in enumerate(made_of_masks(ready, making, **options)):
            if index == count:
                raise KeyboardInterrupt
            yield made

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(whole_set, "made_of_masks", until)
        yield


def stopped(capsys: pytest.CaptureFixture[str], count: int) -> tuple[int, str, str]:
    """What `ran` gives of a run that is interrupted."""
    with interrupted_at(count):
        return ran(capsys)


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A whole run of the small bench, and one that was interrupted at mask 20 of 28."""
    folder = tmp_path_factory.mktemp("once")
    with pytest.MonkeyPatch.context() as patched:
        patched.chdir(folder)
        write_small()
        assert main(["design", "small.toml", "--out", "out/whole"]) <= SHORT
        with interrupted_at(20):
            assert main(["design", "small.toml"]) == 130
    return folder


@pytest.fixture
def halted(small: Path, once: Path) -> Path:
    """The small bench with what both runs left."""
    shutil.copytree(once / "out", "out")
    return small


# --- gone on with ----------------------------------------------------------------------------


def test_an_interrupted_run_is_gone_on_with(
    small: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Chains are kept as wholes: 1 and 12 masks of the first 20."""
    assert ran(capsys, "--out", "out/whole")[0] <= SHORT
    assert ran(capsys, "--labels", "LP01")[0] <= SHORT
    old = contents(Path("out/small"))
    line = "interrupted; the earlier set is untouched, --resume goes on from 15 masks\n"
    assert stopped(capsys, 20) == (130, "", line)
    assert contents(Path("out/small")) == old
    assert sorted(path.name for path in UNFINISHED.iterdir()) == [
        "000000-000000.masks",
        "000001-000012.masks",
        "000013-000013.masks",
        "000014-000014.masks",
        "lock",
        "run.json",
    ]
    designed = []
    made = progress.keep
    monkeypatch.setattr(
        progress,
        "keep",
        lambda journal, chain, masks: designed.append(chain) or made(journal, chain, masks),
    )
    code, out, err = ran(capsys, "--resume")
    assert (code <= SHORT, err) == (True, "")
    assert out.startswith("15 of 28 masks from the earlier run\n\n")
    assert [len(chain) for chain in designed] == [12, 1]
    assert contents(Path("out/small")) == contents(Path("out/whole"))
    assert not UNFINISHED.exists()
    assert ran(capsys)[1] == out.partition("\n\n")[2]


def test_a_run_without_resume_starts_anew(halted: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = "interrupted; the earlier set is untouched, --resume goes on from 1 mask\n"
    assert stopped(capsys, 1) == (130, "", line)
    code, out, _ = ran(capsys)
    assert code <= SHORT
    assert "earlier run" not in out
    assert {path.name for path in Path("out").iterdir()} == {"small", "whole"}


def test_nothing_to_go_on_from(small: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = ran(capsys, "--resume")
    assert (code <= SHORT, err) == (True, "")
    assert out.startswith("out/small: no unfinished run to go on from: all masks are designed\n\n")


def damage(kind: str) -> None:
    """Of the chain of masks 1 to 12, or of what stands beside it."""
    path = UNFINISHED / "000001-000012.masks"
    found = path.read_bytes()
    if kind == "half":
        path.write_bytes(found[: len(found) // 2])
    elif kind == "empty":
        path.write_bytes(b"")
    elif kind == "one bit":
        place = len(found) // 2
        path.write_bytes(found[:place] + bytes([found[place] ^ 16]) + found[place + 1 :])
    elif kind == "another's":
        path.write_bytes((UNFINISHED / "000013-000013.masks").read_bytes())
    elif kind == "a folder":
        path.unlink()
        path.mkdir()
    elif kind == "run.json":
        path.write_bytes(found[:-1])
        (UNFINISHED / "run.json").write_bytes(b"[")


@pytest.mark.parametrize("kind", ["half", "empty", "one bit", "another's", "a folder", "run.json"])
def test_what_is_damaged_is_designed_anew(
    halted: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    damage(kind)
    code, out, err = ran(capsys, "--resume")
    assert (code <= SHORT, err) == (True, "")
    assert out.startswith("3 of 28 masks from the earlier run\n\n")
    assert contents(Path("out/small")) == contents(Path("out/whole"))


@pytest.mark.parametrize("change", ["greys.csv", "small.toml", "program"])
def test_other_masks_are_not_taken(
    halted: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, change: str
) -> None:
    """The contents of a data file under the same name count as well."""
    if change == "greys.csv":
        Path(change).write_text(GREYS.replace("95", "96"), "utf-8")
    elif change == "small.toml":
        Path(change).write_text(Path(change).read_text("utf-8").replace("1.16", "1.17"), "utf-8")
    else:
        monkeypatch.setattr("maskforge.__version__", "0.0.0")
    code, out, err = ran(capsys, "--resume")
    assert (code <= SHORT, err) == (True, "")
    assert out.startswith(
        "out/small: the bench or the program changed since the unfinished run: "
        "all masks are designed\n\n"
    )
    assert ran(capsys, "--out", "out/whole")[0] <= SHORT
    assert contents(Path("out/small")) == contents(Path("out/whole"))
    assert not UNFINISHED.exists()


@pytest.mark.parametrize("resume", [[], ["--resume"]])
def test_a_bench_that_cannot_be_made_ready_leaves_an_unfinished_run(
    halted: Path, capsys: pytest.CaptureFixture[str], resume: list[str]
) -> None:
    """Common practice, no source."""
    kept, bench = contents(UNFINISHED), Path("small.toml")
    bench.write_text(bench.read_text("utf-8").replace("= 8.0", "= 0.5"), "utf-8")
    code, out, err = ran(capsys, *resume)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert "focal_length_mm = 0.5" in err
    assert contents(UNFINISHED) == kept


def test_a_path_that_moved_is_no_change(small: Path) -> None:
    """What stands in the files counts, and not the folder that they are in."""
    first = progress.journal_of(Path("set"), benches.load("small.toml"))
    Path("there").mkdir()
    for name in ("greys.csv", "small.toml"):
        Path(name).rename(Path("there") / name)
    assert progress.journal_of(Path("set"), benches.load("there/small.toml")) == first


# --- whose it is -----------------------------------------------------------------------------


@pytest.mark.parametrize("options", [(), ("--resume",)])
def test_a_journal_of_a_living_run_is_left_alone(
    halted: Path, capsys: pytest.CaptureFixture[str], options: Sequence[str]
) -> None:
    before = contents(UNFINISHED)
    journal = progress.journal_of(Path("out/small"), benches.load("small.toml"))
    with progress.opened(journal, resume=True) as found:
        assert found is progress.Earlier.SAME
        code, out, err = ran(capsys, *options)
        assert contents(UNFINISHED) == before
    assert (code <= SHORT, err) == (True, "")
    line = "out/small: another run for it is not over, or what it keeps cannot be used: all masks"
    assert out.startswith(line) == bool(options)
    assert contents(Path("out/small")) == contents(Path("out/whole"))
    assert ran(capsys, "--resume")[1].startswith("15 of 28 masks from the earlier run\n\n")


def test_files_of_others_in_a_journal_stay(small: Path, capsys: pytest.CaptureFixture[str]) -> None:
    UNFINISHED.mkdir(parents=True)
    (UNFINISHED / "notes.txt").write_text("mine", "utf-8")
    assert ran(capsys)[0] <= SHORT
    assert [path.name for path in UNFINISHED.iterdir()] == ["notes.txt"]


def test_a_file_in_the_journals_place_is_no_hindrance(
    small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("out").mkdir()
    UNFINISHED.write_text("mine", "utf-8")
    assert ran(capsys)[0] <= SHORT
    assert UNFINISHED.read_text("utf-8") == "mine"
    assert masks_of(Path("out/small")) == 28


# --- what is kept ----------------------------------------------------------------------------


def same(one: Any, other: Any) -> bool:
    """Equal in every field, to the last bit and of the same types."""
    if type(one) is not type(other):
        return False
    if isinstance(one, np.ndarray):
        alike = (one.dtype, one.shape) == (other.dtype, other.shape)
        return alike and one.tobytes() == other.tobytes()
    if is_dataclass(one):
        return all(same(getattr(one, f.name), getattr(other, f.name)) for f in fields(one))
    if isinstance(one, tuple):
        return len(one) == len(other) and all(map(same, one, other))
    return bool(one == other)


KEPT: dict[str, dict[str, Any]] = {
    "one bit and a proof": {"modulator": {"alphabet": "binary"}, "design": {"method": "dual"}},
    "several scenarios": {
        "modulator": {"alphabet": "binary"},
        "design": {"method": "dual", "fiber_offset_um": [0.2, 0.0]},
    },
    "one byte": {
        "modulator": {"alphabet": "levels", "levels": 7},
        "design": {"method": "ifta", "iterations": 20},
    },
    "two bytes": {"modulator": {"alphabet": "continuous"}, "design": {"method": "simple"}},
}


@pytest.mark.parametrize("kind", KEPT)
def test_masks_come_back_as_they_were(tmp_path: Path, kind: str) -> None:
    changed = KEPT[kind]
    bench = benches.from_dict(
        {
            "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
            "modulator": {"pixels": [37, 41], "pitch_um": 90.0} | changed["modulator"],
            "lens": {"focal_length_mm": 8.0},
            "fiber": {"preset": "six-mode-graded"},
            "targets": {"labels": ["LP21", "LP01"], "orientations": 2},
            "design": {"purity": 0.95} | changed["design"],
        },
        "kept",
    )
    ready = prepared(bench)
    journal = progress.journal_of(tmp_path / "set", bench)
    journal.folder.mkdir()
    chains = chains_of(ready)
    masks = list(finished_masks(ready))
    assert (masks[0].design.certificate is None) == (bench.design.method != "dual")
    assert (masks[0].design.robust is None) == (kind != "several scenarios")
    for chain in chains:
        progress.keep(journal, chain, [masks[index] for index in chain])
    assert progress.finished_chains(journal, [*chains, range(9, 12)]) == frozenset(chains)
    again = [mask for c in chains for mask in progress.recalled(journal, ready.targets, c)]
    assert len(again) == len(masks)
    assert all(map(same, masks, again))


def test_proofs_come_back_as_they_were(tmp_path: Path) -> None:
    """Of covers of many rows, of two purities, of the asked one alone, and of none."""
    bench = benches.from_dict(
        {
            "light": {"wavelength_nm": 1310.0, "waist_mm": 0.8},
            "modulator": {"pixels": [48, 48], "pitch_um": 50.0, "alphabet": "levels", "levels": 3},
            "lens": {"focal_length_mm": 8.0},
            "fiber": {"preset": "six-mode-graded"},
            "targets": {"labels": ["LP21"], "orientations": 4},
            "design": {"purity": 0.95},
        },
        "proofs",
    )
    ready = prepared(bench)
    masks = list(finished_masks(ready))
    proofs = [mask.design.certificate for mask in masks]
    assert any(proof is not None and len(proof.multipliers) > 1 for proof in proofs)
    changes: list[dict[str, Any]] = [
        {},
        {"excluded": proofs[1], "bound_asked": 0.0, "asked": 0.95},
        {"excluded": proofs[2], "bound_asked": 0.25, "certificate": None, "bound": None},
        {"certificate": None, "bound": None, "asked": None},
    ]
    masks = [
        replace(mask, design=replace(mask.design, **change))
        for mask, change in zip(masks, changes, strict=True)
    ]
    journal = progress.journal_of(tmp_path / "set", bench)
    journal.folder.mkdir()
    (chain,) = chains_of(ready)
    progress.keep(journal, chain, masks)
    again = list(progress.recalled(journal, ready.targets, chain))
    assert all(map(same, masks, again))


@pytest.mark.parametrize(
    ("section", "key", "value"),
    [("light", "wavelength_nm", [1300.0, 1310.0, 1320.0]), ("design", "purity", 0.96)],
)
def test_a_key_that_changes_masks_changes_the_digest(
    small: Path, section: str, key: str, value: object
) -> None:
    """A list of wavelengths is another bench than its middle one alone."""
    write("small.toml", orientations=13, method="dual")
    written = benches.resolved(benches.load("small.toml"))
    changed = written | {section: written[section] | {key: value}}
    first, other = (
        progress.journal_of(Path("set"), benches.from_dict(keys, "keys"))
        for keys in (written, changed)
    )
    assert first.folder == other.folder
    assert first.digest != other.digest


def test_what_is_loaded_beside_changes_no_digest(small: Path) -> None:
    """Libraries that come with a BLAS or threads of their own, as tests and FFTs load them."""
    text = (
        "from pathlib import Path\n"
        "from maskforge import bench\n"
        "from maskforge.sets.journal import journal_of\n"
        "def tell(): print(journal_of(Path('set'), bench.load('small.toml')).digest)\n"
        "tell()\n"
        "import pyfftw, scipy.special, matplotlib.pyplot\n"
        "tell()\n"
    )
    found = subprocess.run([sys.executable, "-c", text], capture_output=True, text=True, check=True)
    first, later = found.stdout.split()
    assert first == later == progress.journal_of(Path("set"), benches.load("small.toml")).digest
