"""What would help is told by bounds, definition: those of bench files that differ in one key."""

from typing import Any

import pytest

from maskforge import bench as benches
from maskforge.bench import Bench
from maskforge.bench.ready import prepared
from maskforge.methods.problem import Problem
from maskforge.methods.quick_bound import quick_bound
from maskforge.sets.remedies import remedies

KEYS: dict[str, dict[str, Any]] = {
    "light": {"wavelength_nm": 1310.0, "waist_mm": 1.0},
    "modulator": {
        "pixels": [48, 40],
        "pitch_um": 80.0,
        "fill_factor": 0.9,
        "gap_reflectance": 0.3,
        "alphabet": "binary",
        "crosstalk_px": 0.2,
    },
    "lens": {"focal_length_mm": 8.0},
    "fiber": {"preset": "six-mode-graded"},
    "targets": {"labels": ["LP11"], "orientations": 1},
    "design": {"purity": 0.99, "carrier_period_px": 0.0},
}

OTHERS: dict[str, dict[str, dict[str, Any]]] = {
    "with a carrier of 6 px": {"design": {"carrier_period_px": 6.0, "carrier_angle_deg": 45.0}},
    "with 16 levels": {"modulator": {"alphabet": "levels", "levels": 16}},
    "without the gaps' light": {"modulator": {"gap_reflectance": 0.0}},
}


def bench_with(changes: dict[str, dict[str, Any]]) -> Bench:
    merged = {name: part | changes.get(name, {}) for name, part in KEYS.items()}
    return benches.from_dict(merged, "tiny")


def told_by(changes: dict[str, dict[str, Any]]) -> str:
    bench = bench_with(changes)
    ready = prepared(bench)
    return remedies(bench, ready.launch, ready.targets[0])


def test_the_bounds_are_those_of_other_bench_files() -> None:
    """Without crosstalk, for which alone a bound is proven."""
    expected = []
    for words, changes in OTHERS.items():
        sharp = {"crosstalk_px": 0.0} | changes.get("modulator", {})
        ready = prepared(bench_with(changes | {"modulator": sharp}))
        limit = quick_bound(Problem(ready.launch, ready.targets[0], 0.99))
        expected.append(f"{words} {100 * limit.efficiency:.3g} %")
    assert told_by({}) == f"; bounds at 0.99: {', '.join(expected)}"


@pytest.mark.parametrize("words", OTHERS)
def test_what_a_bench_has_is_not_told(words: str) -> None:
    told = told_by(OTHERS[words])
    assert words not in told
    assert all(other in told for other in OTHERS if other != words)


def test_nothing_is_left_to_help() -> None:
    changes: dict[str, dict[str, Any]] = {
        "modulator": {"alphabet": "levels", "levels": 16, "gap_reflectance": 0.0},
        "design": {"carrier_period_px": 6.0},
    }
    assert told_by(changes) == ""
