"""Benches on which the certified design once failed, by a letter each (see `zoo.py`)."""

from collections.abc import Mapping
from typing import Any

Keys = Mapping[str, Any]
Data = Mapping[str, Keys]

SIX_MODES: Keys = {
    "profile": "power-law",
    "core_radius_um": 9.0,
    "alpha": 2.0,
    "na": 0.153,
    "na_wavelength_nm": 1310.0,
    "glass": "silica",
}
"""The preset six-mode-graded, written out so that the zoo needs no presets."""

PANEL: Keys = {"pixels": [256, 256], "pitch_um": 15.0, "fill_factor": 0.92}
LENS: Keys = {"focal_length_mm": 8.0}


def _levels(depth: float) -> Keys:
    return {**PANEL, "alphabet": "levels", "levels": 16, "depth_deg": depth}


def _sum(**weights: tuple[float, float]) -> Keys:
    """A superposition: LP11_cos = (amplitude, phase in deg)."""
    named = {mode.replace("_", " "): list(weight) for mode, weight in weights.items()}
    return {"family": "superposition", "superpositions": [{"name": "sum", "weights": named}]}


KNOWN: Mapping[str, Data] = {
    # the bound was 62.42 %; a mask of 66.70 % exists
    "a": {
        "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
        "modulator": _levels(250.0),
        "lens": LENS,
        "fiber": SIX_MODES,
        "targets": _sum(LP11_cos=(1.0, 0.0), LP21_cos=(1.0, 20.0)),
        "design": {"purity": 0.99},
    },
    # the bound was beaten by 1.4 %
    "b": {
        "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
        "modulator": _levels(200.0),
        "lens": LENS,
        "fiber": SIX_MODES,
        "targets": {"labels": ["LP01"]},
        "design": {"purity": 0.98},
    },
    # the bound was 33.93 %; a mask of 37.09 % exists
    "c": {
        "light": {"wavelength_nm": 1310.0, "waist_x_mm": 1.25, "waist_y_mm": 1.0},
        "modulator": _levels(250.0),
        "lens": LENS,
        "fiber": SIX_MODES,
        "targets": {"family": "lg", "labels": ["LG0-1"], "lg_waist_um": 4.95},
        "design": {"purity": 0.999},
    },
    # the mask had 0.9728 at 21.9 %; one of 0.9990 at 39.3 % exists
    "d": {
        "light": {
            "wavelength_nm": 1310.0,
            "waist_x_mm": 1.25,
            "waist_y_mm": 0.9,
            "angle_deg": 30.0,
            "offset_mm": [0.25, -0.18],
        },
        "modulator": _levels(250.0),
        "lens": LENS,
        "fiber": SIX_MODES,
        "targets": _sum(LP11_cos=(1.0, 0.0), LP11_sin=(1.0, 90.0)),
        "design": {"purity": 0.999},
    },
    # the design crashed
    "e": {
        "light": {"wavelength_nm": 1310.0, "waist_mm": 1.3, "offset_mm": [0.05, 0.1]},
        "modulator": {
            "pixels": [300, 300],
            "pitch_um": 13.68,
            "fill_factor": 0.92,
            "gap_reflectance": 0.2,
            "alphabet": "binary",
            "phase_step_deg": 165.0,
        },
        "lens": {"focal_length_mm": 12.0},
        "fiber": {
            "profile": "power-law",
            "core_radius_um": 25.0,
            "alpha": 2.0,
            "na": 0.2,
            "groups": 7,
        },
        "targets": {"labels": ["LP11"]},
        "design": {"purity": 0.99},
    },
    "f": {
        "light": {
            "wavelength_nm": 1310.0,
            "waist_x_mm": 2.1122,
            "waist_y_mm": 2.3172,
            "angle_deg": 45.0,
        },
        "modulator": {
            "pixels": [300, 300],
            "pitch_um": 20.0,
            "fill_factor": 0.98,
            "gap_reflectance": 0.5,
            "alphabet": "binary",
            "phase_step_deg": 150.0,
        },
        "lens": {"focal_length_mm": 28.884},
        "fiber": {"profile": "step", "core_radius_um": 9.95, "na": 0.116},
        "targets": {"labels": ["LP11", "LP12", "LP31"], "orientations": 4},
        "design": {"purity": 0.999},
    },
    "g": {
        "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
        "modulator": {
            **PANEL,
            "fill_factor": 0.85,
            "gap_reflectance": 0.4,
            "alphabet": "binary",
            "phase_step_deg": 165.0,
        },
        "lens": LENS,
        "fiber": SIX_MODES,
        # two orientations, of which the second is at 45 deg
        "targets": {"labels": ["LP21"], "orientations": 2},
        "design": {"purity": 0.98},
    },
    "h": {
        "light": {
            "wavelength_nm": 1310.0,
            "waist_mm": 1.0995,
            "offset_mm": [0.0, 0.157],
            "curvature_per_m": -0.13,
        },
        "modulator": {
            "pixels": [192, 192],
            "pitch_um": 20.0,
            "fill_factor": 0.95,
            "alphabet": "binary",
        },
        "lens": {"focal_length_mm": 11.953},
        "fiber": {"profile": "power-law", "core_radius_um": 22.58, "alpha": 1.91, "na": 0.205},
        "targets": {"labels": ["LP11", "LP71"]},
        "design": {"purity": 0.99},
    },
    "i": {
        "light": {"wavelength_nm": 850.0, "waist_mm": 0.712},
        "modulator": {
            "pixels": [256, 192],
            "panel": [456, 292],
            "pitch_um": 12.5,
            "alphabet": "binary",
            "phase_step_deg": 120.0,
            "incidence_deg": 5.6,
            "background": "checkerboard",
        },
        "lens": {"focal_length_mm": 7.999},
        "fiber": {
            "profile": "trench",
            "core_radius_um": 12.61,
            "alpha": 2.0,
            "na": 0.174,
            "trench_inner_um": 13.87,
            "trench_outer_um": 18.92,
            "trench_delta_index": -0.0047,
        },
        "targets": {"labels": ["LP14"]},
        "design": {"purity": 0.999},
    },
}
