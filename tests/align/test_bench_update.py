"""What a fit changes in a bench file.  All readings are invented."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from maskforge import bench as benches
from maskforge.align.beam_fits import beam_left, changed_beam
from maskforge.align.bench_update import changes, differing
from maskforge.align.fit import Results, fitted, rounded
from maskforge.align.grey_fits import changed_phase_step
from maskforge.align.simulate import BenchDisturbance, disturbed, powers
from maskforge.align.stack import Stack
from maskforge.align.step import Choices
from tests.align.bench import BINARY, lab, scene, stack_of
from tests.align.cases import EDGE, QUICK, SLOW, Case, name_of


def changed(case: Case, folder: Path) -> tuple[Stack, dict[tuple[str, str], Any]]:
    stack, clean = case.made(folder)
    fit = fitted(stack, disturbed(stack, clean, BenchDisturbance(noise=0.002), 0))
    return stack, changes(stack.bench, stack, fit, "t.csv")


def test_the_new_carrier_sends_the_order_to_the_fibre(tmp_path: Path) -> None:
    stack, found = changed(SLOW[0], tmp_path)
    keys = {key: value for (_, key), value in found.items()}
    there = scene(design=keys)
    place = there.place_of(benches.carrier(there.bench))
    x, y = stack.detector.order
    assert np.subtract(place, (x, y)) == pytest.approx((3e-6, -2e-6), abs=0.05e-6)


@pytest.mark.parametrize(
    ("case", "wanted"),
    [
        (EDGE, {"offset_mm": [0.05, -0.08], "waist_x_mm": 0.32, "waist_y_mm": 0.27}),
        (QUICK[4], {"phase_step_deg": 140.0}),
        (QUICK[5], {"curvature_per_m": 2.0}),
        (SLOW[3], {"focal_length_mm": 4.2}),
        (SLOW[4], {"offset_mm": [0.04, -0.03]}),
        (SLOW[1], {"carrier_angle_deg": SLOW[1].wanted[0], "carrier_period_px": 6.0}),
    ],
    ids=lambda given: name_of(given) if isinstance(given, Case) else "",
)
def test_what_a_fit_changes(case: Case, wanted: dict[str, Any], tmp_path: Path) -> None:
    _, found = changed(case, tmp_path)
    keys = {key: value for (_, key), value in found.items() if value is not None}
    assert keys.keys() == wanted.keys()
    for key, value in wanted.items():
        assert keys[key] == pytest.approx(value, rel=0.02, abs=0.002)


def test_measured_phases_hold_in_the_light_of_the_stack(tmp_path: Path) -> None:
    """Whatever the bench says of others; named where the bench has another light."""
    stack = stack_of(tmp_path, "phase-depth", **BINARY)
    key = ("modulator", "phase_wavelength_nm")
    step: Results = {"phase step": (140.0, 1.0)}
    for nm, wanted in ((stack.bench.light.wavelength_nm, None), (1350.0, 1310.0)):
        light = {"light": {"wavelength_nm": nm}}
        found = changed_phase_step(lab(**{**BINARY, **light}), stack, step)
        assert found == {("modulator", "phase_step_deg"): 140.0, key: wanted}


def test_coefficients_join_those_of_the_bench(tmp_path: Path) -> None:
    """The nominal wavefront is in the masks and in the result; a tilt is none."""
    nominal = {"light": {"zernike": {"6": 0.04, "4": 0.02}}}
    stack = stack_of(tmp_path, "zernike-scan", Choices(points=7, noll=(4, 5)), **nominal)
    true = lab(light={"zernike": {"4": 0.06, "5": -0.05, "6": 0.04}})
    clean = powers(stack, true)
    fit = fitted(stack, disturbed(stack, clean, BenchDisturbance(noise=0.001), 0))
    found = changes(stack.bench, stack, fit, None)
    assert found["light", "zernike"] == pytest.approx({"6": 0.04, "4": 0.06, "5": -0.05}, abs=5e-3)
    assert found["light", "zernike_radius_mm"] == pytest.approx(0.72)


def test_one_waist_stays_one() -> None:
    results = {f"offset {axis}": (0.01, 0.001) for axis in "xy"}
    results |= {"waist x": (0.301, 0.002), "waist y": (0.303, 0.002)}
    found = changed_beam(lab(), None, results)  # type: ignore[arg-type]
    assert found == {("light", "offset_mm"): [0.01, 0.01], ("light", "waist_mm"): 0.302}


@pytest.mark.parametrize("angle", [-70.0, 20.0, 45.0])
def test_edges_across_a_turned_beam(angle: float) -> None:
    """Variances along x and y by hand: w1^2 cos^2 + w2^2 sin^2; at 45 deg they are the same."""
    cos, sin = np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))
    seen = {"waist x": np.hypot(0.3 * cos, 0.2 * sin), "waist y": np.hypot(0.3 * sin, 0.2 * cos)}
    results = {name: (float(value), 1e-6) for name, value in seen.items()}
    results |= {"offset x": (0.1, 1e-6), "offset y": (-0.05, 1e-6)}
    light = {"waist_mm": None, "waist_x_mm": 0.31, "waist_y_mm": 0.22, "angle_deg": angle}
    bench = lab(light=light)
    found = changed_beam(bench, None, results)  # type: ignore[arg-type]
    assert found["light", "offset_mm"] == pytest.approx([0.1, -0.05])
    (told,) = beam_left(bench, results)
    assert f"angle_deg = {angle:g}" in told
    if angle == 45.0:
        assert len(found) == 1
        assert "waist_x_mm and waist_y_mm are as they were" in told
    else:
        assert found["light", "waist_x_mm"] == pytest.approx(0.3, abs=1e-5)
        assert found["light", "waist_y_mm"] == pytest.approx(0.2, abs=1e-5)


@pytest.mark.parametrize(
    ("value", "uncertainty", "wanted"),
    [(1.23456, 0.012, 1.235), (123456.0, 1200.0, 123500.0), (-0.0123456, 9.6e-4, -0.01235)],
)
def test_results_are_rounded_to_two_digits_of_their_uncertainty(
    value: float, uncertainty: float, wanted: float
) -> None:
    assert rounded(value, uncertainty) == pytest.approx(wanted, rel=1e-12)
    assert rounded(value, 0.0) == value


def test_benches_differ_where_they_do() -> None:
    assert differing(lab(), lab()) == ()
    other = lab(light={"waist_mm": 0.31}, design={"method": "ifta", "carrier_angle_deg": 40.0})
    assert differing(lab(), other) == ("[light] waist_mm", "[design] carrier_angle_deg")
