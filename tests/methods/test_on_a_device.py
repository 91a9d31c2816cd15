"""The same mathematics on arrays of another library: one that keeps to the array API standard to
the letter, so that nothing that only NumPy has creeps in, and the GPU's where there is one."""

from dataclasses import replace
from functools import lru_cache

import array_api_strict
import numpy as np
import pytest

from maskforge import bench as benches
from maskforge.base.arrays import Array, on_host
from maskforge.base.device import CPU, Device, device_of
from maskforge.base.ranges import BadValueError
from maskforge.bench.ready import Prepared, prepared
from maskforge.launch.couplings import Launch, back_propagated, couplings, prepare
from maskforge.launch.modulator import emitted
from maskforge.launch.noise_budget import budget_of, ledger_of
from maskforge.launch.passage import Output, Passage
from maskforge.launch.targets import Target
from maskforge.methods.cover import certified_bound
from maskforge.methods.dual import dual
from maskforge.methods.flips import flipped
from maskforge.methods.problem import Design, Problem
from maskforge.methods.quick_bound import quick_bound
from maskforge.report.page.thumbnails import camera_of, factors_of, field_seen, mask_picture
from maskforge.sets.designing import finished_masks
from maskforge.study.tolerance.causes import Errors
from maskforge.study.tolerance.disturbed import nominal
from maskforge.study.tolerance.response import responses
from tests.benches import Complex

STRICT = Device("strict", array_api_strict)


def the_gpu() -> Device:
    try:
        return device_of("cuda")
    except BadValueError as error:
        pytest.skip(error.text)


@pytest.fixture(params=["strict", "cuda"])
def device(request: pytest.FixtureRequest) -> Device:
    return STRICT if request.param == "strict" else the_gpu()


LEVELS = {"alphabet": "levels", "pixels": [96, 80], "panel": [96, 80], "pitch_um": 40.0}
SIX = {"profile": "power-law", "core_radius_um": 9.0, "na": 0.12}
CARRIED = {"carrier_period_px": 4.0, "carrier_angle_deg": 45.0, "purity": 0.99}
BENCHES = {
    "two states on the axis": ({"pixels": [96, 64]}, {"purity": 0.99}),
    "levels": ({**LEVELS, "levels": 16}, CARRIED),
    "gaps and a flat wavefront": (
        {"pixels": [96, 64], "fill_factor": 0.8, "gap_reflectance": 0.5},
        {**CARRIED, "carrier_period_px": 3.0},
    ),
    "a few levels of a short stroke": (
        {**LEVELS, "levels": 5, "depth_deg": 300.0},
        {"purity": 0.97, "carrier_period_px": 0.0},
    ),
    "crosstalk": ({**LEVELS, "levels": 8, "crosstalk_px": 0.4}, CARRIED),
}


@lru_cache(maxsize=8)
def ready(name: str) -> Prepared:
    modulator, part = BENCHES[name]
    return prepared(
        benches.from_dict(
            {
                "light": {"wavelength_nm": 1550.0, "waist_mm": 1.0},
                "modulator": {"alphabet": "binary", "pitch_um": 40.0, **modulator},
                "lens": {"focal_length_mm": 16.0},
                "fiber": SIX,
                "targets": {"labels": ["LP01", "LP11"], "orientations": 1},
                "design": part,
            },
            name,
        )
    )


def on(launch: Launch, device: Device) -> Launch:
    return prepare(replace(launch.setup, device=device))


def noise(shape: tuple[int, ...], seed: int) -> Complex:
    rng = np.random.default_rng(seed)
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


@pytest.mark.parametrize("name", BENCHES)
def test_the_launch_is_the_same(name: str, device: Device) -> None:
    here = ready(name).launch
    there = on(here, device)
    size = here.modulator.alphabet.size
    states = np.random.default_rng(1).integers(0, size, here.modulator.shape)
    found = couplings(there, emitted(there.modulator, device.put(states)))
    assert found == pytest.approx(couplings(here, emitted(here.modulator, states)), abs=1e-13)
    vector = noise((len(here.basis),), 2)
    back = back_propagated(there, vector)
    factors = noise(here.modulator.shape, 3)
    along = complex(np.vdot(vector, couplings(there, factors) - there.gaps))
    assert complex(np.vdot(on_host(back), factors)) == pytest.approx(along)


@pytest.mark.parametrize("name", BENCHES)
def test_a_mask_is_as_good_and_its_figures_are_the_hosts(name: str, device: Device) -> None:
    """Its figures, and its bound, are found again on the host, in double precision."""
    here = ready(name)
    there = on(here.launch, device)
    for target in here.targets:
        made = {
            at: dual(Problem(launch, target, here.bench.design.purity))
            for at, launch in (("here", here.launch), ("there", there))
        }
        same_figures(here.launch, made["there"])
        as_good(made["here"], made["there"])


def test_a_mask_for_several_scenarios_is_as_good(device: Device) -> None:
    bench = ready("levels").bench
    wide = bench.model_copy(
        update={"design": bench.design.model_copy(update={"fiber_offset_um": (0.3, 0.0)})}
    )
    here = prepared(wide)
    made = []
    for at in (CPU, device):
        there = replace(here, launch=on(here.launch, at), targets=here.targets[:1])
        assert all(one.launch.setup.device == at for one in there.others)
        made += [done.design for done in finished_masks(there)]
    as_good(*made)
    first, second = (one.robust for one in made)
    assert first is not None
    assert second is not None
    assert second.bound == pytest.approx(first.bound, rel=1e-3)
    assert min(second.purities) >= wide.design.purity


@pytest.mark.parametrize("name", ["levels", "gaps and a flat wavefront", "crosstalk"])
def test_errors_of_the_bench_cost_the_same(name: str, device: Device) -> None:
    bench, targets = ready(name).bench, ready(name).targets
    size = ready(name).launch.modulator.alphabet.size
    masks = np.random.default_rng(4).integers(0, size, (2, *ready(name).launch.modulator.shape))
    errors = [
        Errors(),
        Errors(fiber_offset_x=1e-6, defocus=3e-6),
        Errors(waist=0.05, phase_depth=0.1),
        Errors(crosstalk=0.3, dead_pixels=0.01),
        Errors(fiber_tilt_x=2e-3, flatness=0.02),
    ]
    found = [
        responses(nominal(bench, device=at), targets, masks.astype(np.uint8), errors)
        for at in (CPU, device)
    ]
    assert found[1] == pytest.approx(found[0], abs=2e-6)


@pytest.mark.parametrize("name", ["two states on the axis", "a few levels of a short stroke"])
def test_a_quick_bound_is_the_same(name: str, device: Device) -> None:
    here, target = ready(name).launch, ready(name).targets[1]
    found = [
        quick_bound(Problem(launch, target, 0.99)).efficiency for launch in (here, on(here, device))
    ]
    assert found[1] == pytest.approx(found[0], rel=1e-4)


@pytest.mark.parametrize(
    "name", ["two states on the axis", "gaps and a flat wavefront", "crosstalk"]
)
def test_a_mask_looks_the_same(name: str, device: Device) -> None:
    """Where its light goes, and all of its pictures but for pixels beside a step of the colours."""
    here, target = ready(name).launch, ready(name).targets[1]
    size = here.modulator.alphabet.size
    states = np.random.default_rng(5).integers(0, size, here.modulator.shape).astype(np.uint16)
    found = couplings(here, emitted(here.modulator, states))
    budgets, views = [], []
    for launch in (here, on(here, device)):
        camera, ledger = camera_of(launch), ledger_of(launch, np.float32).on(launch.setup.device)
        factors = factors_of(camera, states)
        budgets.append(budget_of(ledger, target, factors, found, by_order=False))
        views.append((field_seen(camera, factors), mask_picture(camera, factors)))
    assert vars(budgets[1]) == pytest.approx(vars(budgets[0]), abs=1e-6)
    assert views[1][0] == pytest.approx(views[0][0], abs=1e-5 * float(np.max(np.abs(views[0][0]))))
    apart = views[1][1].astype(int) - views[0][1]
    assert np.mean(apart != 0) < 0.01


@pytest.mark.parametrize(("tolled", "even"), [(False, False), (False, True), (True, False)])
def test_flips_leave_about_as_little(tolled: bool, even: bool, device: Device) -> None:
    """Greedy, so that the order of what is tried shows in what is left."""
    rng = np.random.default_rng(6)
    count, n = 4096, 40
    changes = (1e-3 * rng.normal(size=(count, n))).astype(np.float32)
    rest, goal = 3e-3 * rng.normal(size=n), 2e-4 * rng.normal(size=n)
    tolls = np.abs(1e-6 * rng.normal(size=count)).astype(np.float32) if tolled else None

    def left(there: Array, limit: float) -> float:
        made = flipped(rest, goal, there, limit, even=even, tolls=tolls)
        return float(np.linalg.norm(rest + made.astype(float) @ changes))

    here, there = (left(one, 0.0) for one in (changes, device.put(changes)))
    assert max(here, there) < 0.5 * np.linalg.norm(rest)
    assert there == pytest.approx(here, rel=0.5)
    # no more than is asked for
    limit = 0.5 * float(np.linalg.norm(rest))
    assert there < left(device.put(changes), limit) <= limit


def same_figures(launch: Launch, made: Design) -> None:
    found = couplings(launch, emitted(launch.modulator, made.states))
    own = made.prediction
    counted = own.couplings if own.outputs is None else own.outputs
    assert counted == pytest.approx(found, abs=1e-13)
    if made.certificate is not None:
        assert made.bound is not None
        bound = max(certified_bound(launch, made.certificate), 0.0) ** 2
        assert made.bound == pytest.approx(bound, rel=1e-12)


def as_good(here: Design, there: Design) -> None:
    assert there.reached == here.reached
    assert there.prediction.purity == pytest.approx(here.prediction.purity, abs=1e-3)
    assert there.prediction.efficiency == pytest.approx(here.prediction.efficiency, rel=2e-3)
    if here.bound is not None:
        assert there.bound == pytest.approx(here.bound, rel=1e-4)


def test_what_passes_a_matrix_is_the_same(device: Device) -> None:
    """Outputs of a measured device, from the states on a GPU's arrays to the mask and its proof."""
    here = ready("levels")
    matrix = noise((4, len(here.launch.basis)), 5)
    passage = Passage(
        tuple(Output(f"port {j}", j + 1) for j in range(4)),
        matrix / np.linalg.svd(matrix, compute_uv=False)[0],
    )
    setup = replace(here.launch.setup, passage=passage)
    target = Target("channel 1", 0.0, passage.channel(1))
    launches = [prepare(replace(setup, device=at)) for at in (CPU, device)]
    made = [dual(Problem(launch, target, 0.98)) for launch in launches]
    same_figures(launches[0], made[1])
    as_good(*made)
