"""What tests of commands share: benches as files, a command run, and what lies in a folder."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from maskforge.cli import main as cli

Sections = Mapping[str, dict[str, Any]]

SMALL: Sections = {
    "light": {"wavelength_nm": 1310.0, "waist_mm": 0.3},
    "modulator": {"preset": "binary-512", "pixels": [64, 64], "panel": [64, 64]},
    "lens": {"focal_length_mm": 8.0},
    "fiber": {"preset": "six-mode-graded"},
    "targets": {"orientations": 3},
    "design": {"method": "simple"},
}
"""Six modes and a panel of 64 x 64 pixels, designed in no time."""

SIX_MODES: Sections = {
    "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
    "modulator": {"pixels": [64, 60], "pitch_um": 60.0, "alphabet": "binary"},
    "lens": {"focal_length_mm": 8.0},
    "fiber": {"preset": "six-mode-graded"},
    "targets": {"orientations": 2},
    "design": {"purity": 0.99},
}
"""64 x 60 pixels; the purity asked for is in reach of so few."""


def changed(keys: Sections, **changes: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Sections with some of their keys changed, or more of them."""
    return {name: part | changes.get(name, {}) for name, part in keys.items()}


def toml_text(sections: Sections) -> str:
    """A bench file; JSON's numbers, texts and lists are TOML's too."""
    return "\n".join(
        f"[{name}]\n" + "".join(f"{key} = {json.dumps(value)}\n" for key, value in part.items())
        for name, part in sections.items()
    )


def ran(capsys: pytest.CaptureFixture[str], line: str = "", *more: object) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of a command: a line, and more arguments."""
    capsys.readouterr()
    code = cli.main([*line.split(), *map(str, more)])
    found = capsys.readouterr()
    return code, found.out, found.err


def files(folder: Path) -> dict[str, bytes | None]:
    """What lies in a folder and below; None for folders."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in folder.rglob("*")
    }
