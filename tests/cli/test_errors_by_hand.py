"""Disturbed benches against benches with the error put in by hand; patterns, phases, fibres."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from maskforge import bench as benches
from maskforge.bench.elsewhere import at_wavelength
from maskforge.bench.ready import prepared
from maskforge.launch.couplings import couplings, moved
from maskforge.launch.modulator import emitted
from maskforge.launch.targets import lp_target
from maskforge.study.tolerance.causes import CAUSES, Errors, cause_named, causes_of, left_out
from maskforge.study.tolerance.disturbed import (
    carried_over,
    disturbed_factors,
    disturbed_fiber,
    guided,
    nominal,
    setup_of,
    state_phases,
)
from tests.cli.errorbenches import bench_of, carried, disturbed_launch, small, states_for

# --- benches with the error put in by hand ---------------------------------------------------


BY_HAND: dict[str, tuple[float, dict[str, dict[str, Any]]]] = {
    "beam_offset_x": (0.1, {"light": {"offset_mm": [0.1, 0.0]}}),
    "beam_offset_y": (-0.1, {"light": {"offset_mm": [0.0, -0.1]}}),
    "waist": (10.0, {"light": {"waist_mm": 0.99}}),
    "ellipticity": (
        21.0,
        {"light": {"waist_mm": None, "waist_x_mm": 0.9 * 1.1, "waist_y_mm": 0.9 / 1.1}},
    ),
    "focal_length": (3.0, {"lens": {"focal_length_mm": 8.24}}),
    "phase_depth": (-5.0, {"modulator": {"depth_deg": 342.0}}),
    "crosstalk": (0.7, {"modulator": {"crosstalk_px": 0.7}}),
    "core_radius": (2.0, {"fiber": {"core_radius_um": 9.18}}),
    "na": (-2.0, {"fiber": {"na": 0.153 * 0.98}}),
    "alpha": (0.2, {"fiber": {"alpha": 2.2}}),
}


@pytest.mark.parametrize("field", BY_HAND)
def test_the_error_put_in_by_hand(field: str) -> None:
    value, changes = BY_HAND[field]
    start = nominal(bench_of(small()))
    there = prepared(bench_of(small(**changes))).launch
    states = states_for(start.modulator.shape, 8)
    errors = cause_named(field).errors(value)
    found = couplings(disturbed_launch(start, errors), disturbed_factors(start, errors, states))
    wanted = couplings(there, emitted(there.modulator, states))
    assert np.linalg.norm(wanted) > 0.05
    np.testing.assert_allclose(found, wanted, atol=1e-9)
    before = couplings(disturbed_launch(start, Errors()), emitted(start.modulator, states))
    assert np.abs(found - before).max() > 1e-3


def test_a_moved_fibre_is_the_scenario_of_one() -> None:
    start = carried()
    states = states_for(start.modulator.shape, 8)
    errors = Errors(fiber_offset_x=1.5e-6, fiber_offset_y=-0.7e-6)
    there = moved(disturbed_launch(start, Errors()), 1.5e-6, -0.7e-6)
    wanted = couplings(there, emitted(start.modulator, states))
    found = couplings(disturbed_launch(start, errors), disturbed_factors(start, errors, states))
    turn = np.vdot(wanted, found) / abs(np.vdot(wanted, found))
    np.testing.assert_allclose(found, turn * wanted, atol=1e-6)


@pytest.mark.parametrize("period", [0.0, 6.0])
def test_another_wavelength_is_the_scenario_of_one(period: float) -> None:
    """Another way through the bench's own keys, dispersion and all."""
    bench = bench_of(small(light={"zernike": {"4": 0.1}}, design={"carrier_period_px": period}))
    start, states = nominal(bench), states_for((40, 48), 8)
    there = at_wavelength(bench, 1322.0)
    errors = Errors(wavelength=12e-9)
    wanted = couplings(there, emitted(there.modulator, states))
    found = couplings(disturbed_launch(start, errors), disturbed_factors(start, errors, states))
    turn = np.vdot(wanted, found) / abs(np.vdot(wanted, found))
    np.testing.assert_allclose(found, turn * wanted, atol=1e-6)


# --- patterns, phases, fibres ----------------------------------------------------------------


def test_without_errors_nothing_changes() -> None:
    """The launch is the bench's, and so is what its pixels do, blurred and all."""
    start = carried()
    states = states_for(start.modulator.shape, 8)
    plain = prepared(start.bench).launch
    assert couplings(
        disturbed_launch(replace(start, modulator=plain.modulator), Errors()),
        emitted(plain.modulator, states),
    ) == pytest.approx(couplings(plain, emitted(plain.modulator, states)), abs=1e-12)
    shown = disturbed_factors(start, Errors(), states)
    assert shown == pytest.approx(emitted(start.modulator, states), abs=1e-12)


def test_phases_scale_with_depth_and_wavelength_from_state_0() -> None:
    start = nominal(bench_of(small()))
    step = 2 * math.pi / 8
    deeper = state_phases(start, Errors(phase_depth=0.1))
    assert deeper == pytest.approx(1.1 * step * np.arange(8), abs=1e-12)
    redder = state_phases(start, Errors(wavelength=131e-9))
    assert redder == pytest.approx(step * np.arange(8) / 1.1, abs=1e-12)
    rough = state_phases(start, Errors(grey_table=0.1)) - state_phases(start, Errors())
    half = state_phases(start, Errors(grey_table=0.05)) - state_phases(start, Errors())
    assert rough == pytest.approx(2 * half)
    assert len({*rough.round(12)}) == 8


def test_dead_pixels_are_nested_and_in_state_0() -> None:
    start, states = nominal(bench_of(small())), np.full((40, 48), 3, np.uint16)
    alive = disturbed_factors(start, Errors(), states)
    few, many = (
        disturbed_factors(start, Errors(dead_pixels=share), states) for share in (0.01, 0.03)
    )
    assert np.count_nonzero(few != alive) == round(0.01 * 1920)
    assert np.count_nonzero(many != alive) == round(0.03 * 1920)
    assert np.all((few == alive) | (many == few))
    assert np.all(many[many != alive] == start.modulator.alphabet.values[0])
    assert np.all(states == 3)


def test_the_residue_has_unit_rms_and_goes_with_the_seed() -> None:
    bench = bench_of(small())
    first, again, other = (nominal(bench, seed).residue for seed in (1, 1, 2))
    assert np.sqrt(np.mean(first**2)) == pytest.approx(1.0)
    assert np.array_equal(first, again)
    assert not np.allclose(first, other)
    waves = setup_of(nominal(bench, 1), Errors(flatness=0.05)).modulator.flatness
    assert waves == pytest.approx(0.05 * first)


PROFILES: dict[str, dict[str, Any]] = {
    "step": {"profile": "step", "core_radius_um": 7.0, "na": 0.14},
    "fixed": {"profile": "step", "core_radius_um": 7.0, "core_index": 1.46, "cladding_index": 1.45},
    "trench": {
        "profile": "trench",
        "core_radius_um": 9.0,
        "na": 0.15,
        "alpha": 2.0,
        "trench_inner_um": 10.0,
        "trench_outer_um": 13.0,
        "trench_delta_index": -0.003,
    },
}


@pytest.mark.parametrize("name", PROFILES)
def test_fibres_of_any_profile(name: str) -> None:
    keys = small()
    keys["fiber"] = PROFILES[name]
    bench = bench_of(keys)
    own, larger = benches.fiber(bench), disturbed_fiber(bench, Errors(core_radius=0.02))
    assert np.array(larger.profile.edges) == pytest.approx(1.02 * np.array(own.profile.edges))
    assert larger.na == pytest.approx(own.na, rel=1e-12)
    wider = disturbed_fiber(bench, Errors(na=-0.03))
    assert wider.na == pytest.approx(0.97 * own.na, rel=1e-12)
    assert wider.cladding_index == own.cladding_index
    redder = disturbed_fiber(bench, Errors(wavelength=10e-9))
    assert redder.wavelength == pytest.approx(1320e-9, rel=1e-12)
    assert (redder.cladding_index == own.cladding_index) == (name == "fixed")
    assert ("alpha" in left_out(bench)) == (name != "trench")
    assert len(causes_of(bench)) == len(CAUSES) - (name != "trench")


def test_a_measured_profile(tmp_path: Any) -> None:
    r = np.linspace(0, 9, 31)
    index = 1.447 + 0.008 * (1 - (r / 9) ** 2)
    text = "\n".join(f"{a:.6f},{b:.9f}" for a, b in zip(r, index, strict=True))
    (tmp_path / "profile.csv").write_text(text)
    keys = small()
    keys["fiber"] = {"profile": "table", "table": "profile.csv"}
    bench = benches.from_dict(keys, "table", tmp_path)
    own = benches.fiber(bench)
    changed = disturbed_fiber(bench, Errors(core_radius=-0.02, na=0.01))
    assert changed.na == pytest.approx(1.01 * own.na, rel=1e-9)
    assert changed.profile.core_radius == pytest.approx(0.98 * own.profile.core_radius, rel=1e-12)
    inside = np.linspace(0, 8e-6, 20)
    assert changed.profile.at(0.98 * inside) == pytest.approx(own.profile.at(inside), abs=1e-9)


def test_modes_that_are_lost_drop_out() -> None:
    start = nominal(bench_of(small()))
    fiber, basis = guided(start, Errors(core_radius=-0.3))
    assert fiber.v < 6
    labels = {mode.label for mode in basis}
    assert labels < {mode.label for mode in start.basis}
    lost = next(mode for mode in start.basis if mode.label not in labels)
    same = carried_over(start, basis)
    assert not (lp_target(start.basis, lost.label).vector @ same).any()
    assert (lp_target(start.basis, "LP01").vector @ same).tolist() == [1] + [0] * (len(basis) - 1)
    assert guided(start, Errors(core_radius=-0.95))[1] == ()
