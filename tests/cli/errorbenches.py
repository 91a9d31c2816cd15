"""Benches that the tests of errors share: a parabola of closed forms, and small ones."""

import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maskforge import bench as benches
from maskforge.bench import Bench
from maskforge.launch.couplings import Launch, prepare
from maskforge.study.tolerance.causes import Errors
from maskforge.study.tolerance.disturbed import Nominal, nominal, setup_of
from tests.benches import FOCAL_LENGTH, MASK_WAIST, MODE_WAIST, POINT, WAVELENGTH

DEEP_V = 60.0


def deep_bench(rho: float = 1.0, groups: int = 2, **sections: dict[str, Any]) -> Bench:
    """The parabola of tests/benches.py as a bench, `rho` times the matched beam; its modes are
    Laguerre-Gauss to 1e-8, its index without dispersion."""
    radius = MODE_WAIST * math.sqrt(DEEP_V / 2)
    keys: dict[str, dict[str, Any]] = {
        "light": {"wavelength_nm": WAVELENGTH * 1e9, "waist_mm": rho * MASK_WAIST * 1e3},
        "modulator": {
            "pixels": [128, 128],
            "pitch_um": MASK_WAIST / 12 * 1e6,
            "alphabet": "continuous",
        },
        "lens": {"focal_length_mm": FOCAL_LENGTH * 1e3},
        "fiber": {
            "profile": "power-law",
            "core_radius_um": radius * 1e6,
            "na": DEEP_V * WAVELENGTH / (2 * math.pi * radius),
            "cladding_index": 1.444,
            "groups": groups,
        },
        "targets": {},
        "design": {},
    }
    merged = {name: keys[name] | sections.get(name, {}) for name in keys}
    return benches.from_dict(merged, "deep")


def deep(rho: float = 1.0, groups: int = 2, **sections: dict[str, Any]) -> Nominal:
    """The same with pixels that are points."""
    start = nominal(deep_bench(rho, groups, **sections))
    return replace(start, modulator=replace(start.modulator, fill_factor=POINT))


@cache
def matched() -> Nominal:
    return deep(groups=10)


def small(**sections: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Keys of a bench of six modes, 48 x 40 pixels."""
    keys: dict[str, dict[str, Any]] = {
        "light": {"wavelength_nm": 1310.0, "waist_mm": 0.9},
        "modulator": {"pixels": [48, 40], "pitch_um": 70.0, "alphabet": "levels", "levels": 8},
        "lens": {"focal_length_mm": 8.0},
        "fiber": {"preset": "six-mode-graded"},
        "targets": {"orientations": 2},
        "design": {},
    }
    return {name: keys[name] | sections.get(name, {}) for name in keys}


def bench_of(keys: dict[str, dict[str, Any]]) -> Bench:
    return benches.from_dict(keys, "small")


def states_for(shape: tuple[int, int], count: int, seed: int = 2) -> NDArray[np.uint16]:
    """Patches of states, so that some light lands on the core."""
    rng = np.random.default_rng(seed)
    rough = rng.integers(0, count, (-(-shape[0] // 8), -(-shape[1] // 8)))
    return np.kron(rough, np.ones((8, 8), int))[: shape[0], : shape[1]].astype(np.uint16)


@cache
def carried() -> Nominal:
    """A bench that has everything at once, its mask off centre on the panel."""
    keys = small(
        light={
            "waist_mm": None,
            "waist_x_mm": 0.9,
            "waist_y_mm": 0.8,
            "angle_deg": 20.0,
            "offset_mm": [0.1, 0.05],
            "curvature_per_m": 0.2,
            "zernike": {"5": 0.05},
        },
        modulator={
            "panel": [60, 52],
            "at": [3, 7],
            "fill_factor": 0.85,
            "gap_reflectance": 0.3,
            "incidence_deg": 10.0,
            "crosstalk_px": 0.2,
        },
        lens={"offset_mm": [0.3, -0.2]},
        design={"carrier_period_px": 6.0, "carrier_angle_deg": 40.0},
    )
    start = nominal(bench_of(keys))
    waves = 0.05 * np.random.default_rng(4).normal(size=start.modulator.shape)
    return replace(start, modulator=replace(start.modulator, flatness=waves))


def disturbed_launch(start: Nominal, errors: Errors) -> Launch:
    """The disturbed bench in double precision: couplings of `disturbed_factors` by `launch`.

    Raises BenchError where the errors leave nothing that can be predicted.
    """
    return prepare(setup_of(start, errors))
