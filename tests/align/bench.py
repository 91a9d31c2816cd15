"""A small bench for bring-ups: a lab that qualifies patch cords.  All numbers are invented."""

import json
from functools import lru_cache
from pathlib import Path
from typing import Any

from maskforge import bench as benches
from maskforge.align.catalogue import shots_of, step_of
from maskforge.align.scene import Scene, scene_of
from maskforge.align.stack import Stack
from maskforge.align.stack_file import read_stack, write_stack
from maskforge.align.step import Choices
from maskforge.bench import Bench
from maskforge.playing.playlist import Timing

LAB: dict[str, dict[str, Any]] = {
    "light": {"wavelength_nm": 1310.0, "waist_mm": 0.3},
    "modulator": {
        "pixels": [96, 96],
        "panel": [112, 100],
        "pitch_um": 15.0,
        "fill_factor": 0.92,
        "alphabet": "levels",
        "levels": 64,
    },
    "lens": {"focal_length_mm": 4.0},
    "fiber": {"preset": "six-mode-graded"},
    "design": {"carrier_period_px": 6.0, "carrier_angle_deg": 45.0},
}

BINARY: dict[str, dict[str, Any]] = {"modulator": {"alphabet": "binary", "levels": None}}


def lab(folder: Path = Path(), /, **sections: dict[str, Any]) -> Bench:
    """The bench with keys of sections replaced; None takes a key away."""
    raw = {name: dict(keys) for name, keys in LAB.items()}
    for name, keys in sections.items():
        raw[name] = raw.get(name, {}) | keys
    kept = {
        name: {key: value for key, value in keys.items() if value is not None}
        for name, keys in raw.items()
    }
    return benches.from_dict(kept, "lab.toml", folder)


@lru_cache(maxsize=4)
def _scene(text: str) -> Scene:
    return scene_of(lab(**json.loads(text)))


def scene(**sections: dict[str, Any]) -> Scene:
    """Its scene; the fibre is solved once."""
    return _scene(json.dumps(sections))


def stack_of(
    folder: Path, name: str, choices: Choices | None = None, **sections: dict[str, Any]
) -> Stack:
    """A step's stack in a folder, written and read back."""
    step, here = step_of(name), scene(**sections)
    out = folder / name
    write_stack(out, here, step, shots_of(step, here, choices or Choices()), Timing())
    return read_stack(out)
