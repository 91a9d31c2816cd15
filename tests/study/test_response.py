"""The single-precision responses against the launch in full."""

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from maskforge.launch.couplings import couplings, predict
from maskforge.launch.passage import Output, Passage
from maskforge.launch.prediction import judged
from maskforge.launch.targets import Target, all_targets
from maskforge.methods.problem import Problem
from maskforge.methods.simple import simple
from maskforge.study.tolerance.causes import CAUSES, Cause, Errors, cause_named
from maskforge.study.tolerance.disturbed import (
    Nominal,
    carried_over,
    disturbed_factors,
    nominal,
)
from maskforge.study.tolerance.frames import home
from maskforge.study.tolerance.response import couplings_of, figures, responses, sent, view_of
from tests.cli.errorbenches import bench_of, carried, disturbed_launch, small

SWEPT = np.array([1e-5, 1e-5, 3e-5])
"""How far purities and efficiency may be from those of the launch in full, within a sweep."""

FAR = 1e-4
"""The same for errors so large that hardly any light of the target is left."""

Masks = Sequence[NDArray[np.uint16]]


@cache
def simple_masks(start: Nominal) -> tuple[tuple[Target, ...], Masks]:
    """Some targets and their simple masks."""
    launch = disturbed_launch(start, Errors())
    targets = tuple(all_targets(start.basis, ["LP01", "LP11", "LP02", "LP21"], 1))
    return targets, [simple(Problem(launch, t)).states.astype(np.uint16) for t in targets]


@cache
def on_axis() -> Nominal:
    """All real: two states, no carrier, a beam that the mask catches."""
    return nominal(bench_of(small(modulator={"alphabet": "binary", "levels": None})))


@cache
def everything() -> Nominal:
    return carried()


def in_full(start: Nominal, errors: Errors) -> NDArray[np.float64]:
    """Purity, group purity, efficiency (masks, 3) by `prepare` and `judged`."""
    launch, rows = disturbed_launch(start, errors), []
    for target, states in zip(*simple_masks(start), strict=True):
        found = couplings(launch, disturbed_factors(start, errors, states))
        moved = replace(target, vector=target.vector @ carried_over(start, launch.basis))
        figure = judged(launch.basis, moved, found)
        rows.append([figure.purity, figure.group_purity, figure.efficiency])
    return np.array(rows)


@pytest.mark.parametrize("place", [on_axis, everything])
@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.field)
def test_every_cause_is_the_launch_in_full(place: object, cause: Cause) -> None:
    start = on_axis() if place is on_axis else everything()
    values = cause.values(5)[[0, 3]]
    errors = [cause.errors(float(value)) for value in values if value]
    found = responses(start, *simple_masks(start), errors)
    for one, row in zip(errors, found, strict=True):
        assert np.all(np.abs(row - in_full(start, one)) < SWEPT)


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.field)
def test_large_errors_too(cause: Cause) -> None:
    start = everything()
    errors = cause.errors(5 * cause.half_range)
    (found,) = responses(start, *simple_masks(start), [errors])
    np.testing.assert_allclose(found, in_full(start, errors), atol=FAR)


def test_all_errors_at_once() -> None:
    start = everything()
    size = {cause.field: 0.4 * cause.half_range * cause.factor for cause in CAUSES}
    errors = Errors(**size)
    (found,) = responses(start, *simple_masks(start), [errors])
    assert np.all(np.abs(found - in_full(start, errors)) < SWEPT)


def test_couplings_are_those_of_the_launch() -> None:
    """Not only their powers, but for one phase where the fibre is looked at from elsewhere."""
    start = everything()
    _, masks = simple_masks(start)
    for field in ("fiber_offset_x", "fiber_tilt_y", "defocus", "focal_length", "flatness"):
        errors = cause_named(field).errors(0.5 * cause_named(field).half_range)
        view = view_of(start, errors)
        found = couplings_of(view, sent(start, view, masks[0])[None])[0]
        wanted = couplings(
            disturbed_launch(start, errors), disturbed_factors(start, errors, masks[0])
        )
        turn = np.vdot(wanted, found) / abs(np.vdot(wanted, found))
        assert np.abs(found - turn * wanted).max() < 3e-5 * np.linalg.norm(wanted)


@pytest.mark.long
def test_errors_together_are_errors_one_by_one() -> None:
    """Sums of other views stand for some of the views; each alone has a transform of its own."""
    for start in (on_axis(), everything()):
        targets, masks = simple_masks(start)
        every = [c.errors(float(v)) for c in CAUSES for v in c.values(9)[::4]]
        together = responses(start, targets, masks, every)
        alone = [responses(start, targets, masks, [errors])[0] for errors in every]
        np.testing.assert_allclose(together, alone, atol=3e-6)


@pytest.mark.parametrize("alphabet", [{"levels": 256}, {"alphabet": "continuous", "levels": None}])
def test_errors_of_many_states(alphabet: dict[str, object]) -> None:
    """Only some states are looked at to see which errors are sums of which."""
    start = nominal(bench_of(small(modulator=alphabet)))
    targets, masks = simple_masks(start)
    for field in ("grey_table", "phase_depth", "wavelength"):
        every = [cause_named(field).errors(float(v)) for v in cause_named(field).values(9)]
        together = responses(start, targets, masks, every)
        alone = [responses(start, targets, masks, [errors])[0] for errors in every]
        np.testing.assert_allclose(together, alone, atol=3e-6)


def test_the_fibres_errors_take_no_new_light() -> None:
    """So do not focal lengths on the axis; through a carrier the order moves out of the frame."""
    start = on_axis()
    for field in ("fiber_offset_x", "fiber_tilt_x", "core_radius", "na", "alpha", "focal_length"):
        cause = cause_named(field)
        assert view_of(start, cause.errors(cause.half_range)).frame is home(start)
    assert view_of(start, Errors(fiber_offset_x=2e-5)).frame is not home(start)
    start, cause = everything(), cause_named("focal_length")
    assert view_of(start, cause.errors(15.0)).frame is not home(start)


@pytest.mark.parametrize("start", [on_axis, everything])
def test_figures_are_judged(start: object) -> None:
    here = on_axis() if start is on_axis else everything()
    targets, _ = simple_masks(here)
    rng = np.random.default_rng(1)
    found = rng.normal(size=(len(targets), len(here.basis))) * np.exp(1j * rng.normal())
    rows = figures(here, here.basis, targets, found)
    for target, own, row in zip(targets, found, rows, strict=True):
        wanted = judged(here.basis, target, own)
        assert row == pytest.approx([wanted.purity, wanted.group_purity, wanted.efficiency])
    dark = figures(here, here.basis, targets, 0 * found)
    assert not dark.any()


def test_a_target_that_is_lost_has_no_purity() -> None:
    """And a fibre that guides nothing launches nothing."""
    start = on_axis()
    targets, masks = simple_masks(start)
    few, none = responses(
        start, targets, masks, [Errors(core_radius=-0.3), Errors(core_radius=-0.95)]
    )
    assert few[0, 0] > 0.5
    assert np.all(few[2:, 0] < 1e-12)
    assert not none.any()


def mirrored(mask: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """A mask of an even number of rows and columns by its first quarter."""
    above = mask[: len(mask) // 2, : mask.shape[1] // 2]
    half = np.hstack([above, above[:, ::-1]])
    return np.vstack([half, half[::-1]])


def test_plus_and_minus_are_alike_on_a_symmetric_bench() -> None:
    """A mask even in x and y does not know which way the fibre, the beam or a tilt went."""
    start = on_axis()
    targets, masks = simple_masks(start)
    even = [k for k, target in enumerate(targets) if target.name in ("LP01", "LP02", "LP21")]
    symmetric = [mirrored(masks[k]) for k in even]
    rows, columns = (np.abs(2 * np.arange(n) - n + 1) for n in symmetric[0].shape)
    # LP21 is dark on the diagonals, where rounding decides
    lit = rows[:, None] != columns
    assert all(np.array_equal(m[lit], masks[k][lit]) for k, m in zip(even, symmetric, strict=True))
    for field in ("fiber_offset", "fiber_tilt", "beam_offset"):
        for axis in "xy":
            cause = cause_named(f"{field}_{axis}")
            plus, minus = responses(
                start,
                [targets[k] for k in even],
                symmetric,
                [cause.errors(cause.half_range), cause.errors(-cause.half_range)],
            )
            np.testing.assert_allclose(plus, minus, atol=1e-6)
            assert plus[0, 0] < responses(start, targets, masks, [Errors()])[0, 0, 0]


def test_deg_and_um() -> None:
    """Units of the causes in SI."""
    assert cause_named("fiber_tilt_x").errors(180.0).fiber_tilt_x == pytest.approx(math.pi)
    assert cause_named("fiber_offset_y").errors(2.0).fiber_offset_y == pytest.approx(2e-6)
    assert cause_named("wavelength").errors(1.0).wavelength == pytest.approx(1e-9)
    assert cause_named("waist").errors(1.0).waist == pytest.approx(0.01)


def test_behind_a_device_outputs_are_judged() -> None:
    """Of a random matrix, for errors of place, beam and panel, by the launch in full."""
    rng = np.random.default_rng(3)
    matrix = rng.normal(size=(4, 6)) + 1j * rng.normal(size=(4, 6))
    outputs = tuple(Output(f"port {j}", 1 + j % 2) for j in range(4))
    passage = Passage(outputs, 0.9 * matrix / np.linalg.svd(matrix, compute_uv=False)[0])
    start = replace(everything(), passage=passage)
    targets = tuple(Target(f"port {j}", 0.0, np.eye(4, dtype=complex)[j]) for j in range(4))
    launch = disturbed_launch(start, Errors())
    masks = [simple(Problem(launch, one)).states.astype(np.uint16) for one in targets]
    errors = [Errors(), Errors(fiber_offset_x=1e-6, fiber_tilt_y=2e-3), Errors(waist=0.05)]
    found = responses(start, targets, masks, errors)
    for one, row in zip(errors, found, strict=True):
        there = disturbed_launch(start, one)
        for target, states, figures_there in zip(targets, masks, row, strict=True):
            full = predict(there, target, disturbed_factors(start, one, states))
            expected = [full.purity, full.group_purity, full.efficiency]
            assert np.all(np.abs(figures_there - expected) < SWEPT)
    assert np.ptp(found[:, :, 0], axis=0).max() > 1e-3
