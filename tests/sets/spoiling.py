"""A small set, and what spoils it, for the tests of `check`.

Who spoils a set here writes its digests anew: its numbers alone give it away.
"""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from maskforge import bench as benches
from maskforge.bench.ready import prepared
from maskforge.sets.designing import finished_masks
from maskforge.sets.digests import write_sums
from maskforge.sets.writing import Head, write_set

Check = Callable[[Path], tuple[int, str]]
"""Checks the set in a folder."""

SMALL: dict[str, dict[str, Any]] = {
    "light": {"wavelength_nm": 1310.0, "waist_mm": 0.8, "offset_mm": [0.05, -0.03]},
    "modulator": {
        "pixels": [64, 64],
        "panel": [72, 72],
        "at": [6, 2],
        "pitch_um": 40.0,
        "alphabet": "levels",
        "levels": 8,
        "fill_factor": 0.9,
    },
    "lens": {"focal_length_mm": 8.0},
    "fiber": {"preset": "six-mode-graded"},
    "targets": {"labels": ["LP21", "LP01", "LP11"], "orientations": 2},
    "design": {
        "method": "dual",
        "purity": 0.99,
        "carrier_period_px": 6.0,
        "carrier_angle_deg": 30.0,
    },
}
"""Six modes, 64 x 64 pixels off centre on a panel; nothing symmetric, so that every turn shows."""

NAMES = ("LP21 0 deg", "LP21 45 deg", "LP01 0 deg", "LP11 0 deg", "LP11 90 deg")


def write(folder: Path, **changes: dict[str, Any]) -> Path:
    """The small bench's set, with keys of its sections changed."""
    keys = {name: part | changes.get(name, {}) for name, part in SMALL.items()}
    ready = prepared(benches.from_dict(keys, "small"))
    folder.mkdir()
    resolved = benches.resolved(ready.bench, start=folder)
    count = len(ready.targets)
    power = benches.safety(ready.bench)
    head = Head(folder, resolved, ready.launch.modulator, ready.launch.basis, count, safety=power)
    write_set(folder, head, finished_masks(ready))
    return folder


def edit(folder: Path, change: Callable[[dict[str, Any]], object]) -> None:
    """Changes the manifest."""
    content = json.loads((folder / "manifest.json").read_text("utf-8"))
    change(content)
    (folder / "manifest.json").write_text(json.dumps(content), "utf-8")
    write_sums(folder, folder)


def edit_arrays(folder: Path, name: str, key: str, at: tuple[int, ...], value: complex) -> None:
    """Changes one number of a npz file."""
    with np.load(folder / name) as file:
        arrays = {each: file[each] for each in file.files}
    arrays[key][at] = value
    np.savez(folder / name, **arrays)
    write_sums(folder, folder)


def lines_of(output: str, start: str) -> list[str]:
    return [line for line in output.splitlines() if line.startswith(start)]


def mask_start(index: int) -> str:
    return f"mask {index} ({NAMES[index]}): "
