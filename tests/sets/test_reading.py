"""A set read back: every damaged manifest is one line that names file and key."""

import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import maskforge as mf
from maskforge.bench import from_dict
from maskforge.sets.reading import pages, read_set, robust_in, stack_pages

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


# --- several scenarios -----------------------------------------------------------------------

ROBUST: dict[str, Any] = {
    "index": 1,
    "scenarios": [
        {"name": "nominal", "purity": 0.99, "efficiency": 0.5, "purity_before": 1},
        {"name": "1320 nm", "purity": 0.98, "efficiency": 0.4, "purity_before": 0.9},
    ],
    "mean": 0.45,
    "bound": 0.5,
    "gap": 0.1,
    "bound_purity": 0.98,
    "bound_near": None,
    "gap_near": None,
    "near_deg": 5.0,
    "bound_asked": None,
}


def test_scenarios_come_back(folder: Path) -> None:
    edited(lambda c: c.update(robust=[ROBUST]))(folder)
    (found,) = robust_in(read_set(folder))
    assert asdict(found) == {**ROBUST, "scenarios": tuple(ROBUST["scenarios"])}
    assert (found.worst.name, found.worst.purity) == ("1320 nm", 0.98)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"index": 2}, r"robust\[0\] index = 2: must be that of a mask"),
        ({"index": True}, r"robust\[0\] index = true: must be a whole number"),
        ({"gap": "much"}, r'robust\[0\] gap = "much": must be a finite number or null'),
        ({"mean": None}, r"robust\[0\] mean = null: must be a finite number"),
        ({"gaps": 0.1}, r"robust\[0\] gaps: no such key; did you mean gap\?"),
        ({"scenarios": []}, r"robust\[0\] scenarios: must be a JSON array of objects"),
        ({"scenarios": [7]}, r"robust\[0\] scenarios\[0\] = 7: must be a JSON object"),
        (
            {"scenarios": [{**ROBUST["scenarios"][0], "purity": None}]},
            r"robust\[0\] scenarios\[0\] purity = null: must be a finite number",
        ),
    ],
)
def test_damaged_scenarios(folder: Path, changes: dict[str, Any], words: str) -> None:
    edited(lambda c: c.update(robust=[ROBUST | changes]))(folder)
    with pytest.raises(mf.BenchError, match=words):
        robust_in(read_set(folder))
