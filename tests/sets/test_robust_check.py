"""The proofs of a robust set, forged: every number that is none, or too large, is told."""

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from spoiling import Check, edit, write

from maskforge.sets.digests import write_sums

NUMBERS = ((float("nan"), False), (1e308, True), (1e200, False), (1e16, False))
"""And whether a whole row has it."""


@pytest.fixture(scope="module")
def robust(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One mask for three places of the fibre."""
    return write(
        tmp_path_factory.mktemp("robust") / "set",
        targets={"labels": ["LP01"], "orientations": 1},
        design={"purity": 0.97, "fiber_offset_um": [0.3, 0.0]},
    )


def stated(folder: Path) -> dict[str, float]:
    (entry,) = json.loads((folder / "manifest.json").read_text("utf-8"))["robust"]
    return {key: entry[key] for key in ("bound", "bound_near")}


def test_a_robust_set_agrees(robust: Path, check: Check) -> None:
    code, output = check(robust)
    assert (code, output.splitlines()[0].rpartition(" ")[2]) == (0, "agree")
    assert all(stated(robust).values())


@pytest.mark.long
@pytest.mark.parametrize("key", ["multipliers", "purity", "sectors", "weights"])
def test_a_forged_proof_of_several_scenarios(
    robust: Path, tmp_path: Path, check: Check, key: str
) -> None:
    """Each number in turn at a random place, and in a whole row, with a digest of its own.  What
    may be a looser proof of the same bound is none: the bound differs."""
    noise = np.random.default_rng(len(key))
    folder = Path(shutil.copytree(robust, tmp_path / "set"))
    with np.load(robust / "robust.npz") as file:
        whole = {name: file[name] for name in file.files}
    # rows of single scenarios alone need not decide the bound
    rows = np.flatnonzero(whole["alone"] == 0) if key in ("multipliers", "purity") else None
    for number, every in NUMBERS:
        arrays = {name: one.copy() for name, one in whole.items()}
        own = arrays[key] if rows is None else arrays[key][rows]
        row = int(noise.integers(len(own)))
        row = row if rows is None else int(rows[row])
        if every or own.ndim == 1:
            arrays[key][row] = number
        else:
            arrays[key][row, noise.integers(own.shape[1])] = number
        np.savez(folder / "robust.npz", **arrays)
        write_sums(folder, folder)
        code, output = check(folder)
        assert (code, "mask 0 (LP01 0 deg): " in output) == (1, True), (number, every, output)


@pytest.mark.parametrize("key", ["bound", "bound_near", "mean", "near_deg", "gap"])
def test_a_forged_figure(robust: Path, tmp_path: Path, check: Check, key: str) -> None:
    folder = Path(shutil.copytree(robust, tmp_path / "set"))
    edit(folder, lambda content: content["robust"][0].update({key: 0.123}))
    code, output = check(folder)
    assert code == 1
    assert f"robust: {key} 0.123 in manifest.json" in output


@pytest.mark.parametrize("inner", [False, True])
def test_a_key_of_nothing(robust: Path, tmp_path: Path, check: Check, inner: bool) -> None:
    """What nothing is computed for is not there at all."""
    folder = Path(shutil.copytree(robust, tmp_path / "set"))

    def change(content: dict[str, Any]) -> None:
        (entry,) = content["robust"]
        (entry["scenarios"][1] if inner else entry)["worst"] = 0.99

    edit(folder, change)
    code, output = check(folder)
    assert code == 1
    assert "manifest.json: robust: its keys must be " in output


def test_reached_is_that_of_the_worst_scenario(robust: Path, tmp_path: Path, check: Check) -> None:
    folder = Path(shutil.copytree(robust, tmp_path / "set"))
    edit(folder, lambda content: content["masks"][0].update(reached=False))
    code, output = check(folder)
    assert code == 1
    assert "mask 0 (LP01 0 deg): not reached in manifest.json, with a purity of 0.9" in output
