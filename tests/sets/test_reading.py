"""A set read back: every damaged manifest is one line that names file and key."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import maskforge as mf
from maskforge.bench import from_dict
from maskforge.sets.reading import pages, read_set, stack_pages

BENCH = {
    "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
    "modulator": {"pixels": [64, 60], "pitch_um": 60.0, "alphabet": "binary"},
    "lens": {"focal_length_mm": 8.0},
    "fiber": {"preset": "six-mode-graded"},
    "targets": {"labels": ["LP21", "LP01"]},
    "design": {"method": "simple"},
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return mf.design(from_dict(BENCH, "small")).write(tmp_path / "set")


def test_what_was_written_comes_back(folder: Path) -> None:
    written = read_set(folder)
    content = json.loads((folder / "manifest.json").read_bytes())
    assert [vars(record) for record in written.masks] == content["masks"]
    assert written.bench == content["bench"]
    assert len(written.modes) == 6
    result = mf.design(from_dict(dict(written.bench), "again", folder))
    for mask, picture in zip(result, pages(written), strict=True):
        assert np.array_equal(mask.picture, picture)


def edited(change: Callable[[Any], object]) -> Callable[[Path], None]:
    def edit(folder: Path) -> None:
        path = folder / "manifest.json"
        content = json.loads(path.read_bytes())
        change(content)
        path.write_text(json.dumps(content), encoding="utf-8")

    return edit


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda folder: (folder / "manifest.json").unlink(), "holds no manifest.json"),
        (lambda folder: (folder / "manifest.json").write_text("{"), "is not JSON"),
        (lambda folder: (folder / "manifest.json").write_bytes(b"\xff"), "is not JSON"),
        (edited(lambda c: c.update(format="x")), 'must have format = "maskforge-set"'),
        (edited(lambda c: c.update(version=7)), "version = 7: this program reads 2"),
        (edited(lambda c: c.pop("bench")), "bench: must be a JSON object"),
        (edited(lambda c: c.update(masks=3)), "masks: must be a JSON array"),
        (edited(lambda c: c["masks"].append(3)), r"masks\[2\] = 3: must be a JSON object"),
        (edited(lambda c: c["masks"][0].pop("purity")), "purity = .*must be a finite number"),
        (edited(lambda c: c["masks"][0].update(page=1.5)), "page = 1.5: must be a whole number"),
        (edited(lambda c: c["masks"][0].update(page=True)), "page = .*must be a whole number"),
        (
            edited(lambda c: c["masks"][1].update(orientation_deg=10**400)),
            r"masks\[1\] orientation_deg = .*must be a finite number",
        ),
        (edited(lambda c: c["masks"][1].update(purity=float("nan"))), "purity = .*finite"),
        (
            edited(lambda c: c["masks"][1].update(puritty=1)),
            "puritty: no such key; did you mean purity",
        ),
    ],
)
def test_a_damaged_manifest(folder: Path, damage: Callable[[Path], None], words: str) -> None:
    damage(folder)
    with pytest.raises(mf.BenchError, match=words) as caught:
        read_set(folder)
    assert str(folder) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_no_folder(tmp_path: Path) -> None:
    with pytest.raises(mf.BenchError, match="no such folder"):
        read_set(tmp_path / "none")


@pytest.mark.parametrize("kept", [0, 10, 100, 400])
def test_a_truncated_stack(folder: Path, kept: int) -> None:
    path = folder / "masks.tif"
    path.write_bytes(path.read_bytes()[:kept])
    with pytest.raises(mf.BenchError, match=r"masks\.tif: page \d+ cannot be read"):
        list(stack_pages(path))
