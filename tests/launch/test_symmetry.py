"""Turned masks: the couplings follow the modes, what is not symmetric is left alone, and no turned
mask passes for one that it is not."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from maskforge import bench as benches
from maskforge.bench.ready import Prepared, prepared
from maskforge.launch.couplings import Launch, couplings, predict
from maskforge.launch.modulator import emitted
from maskforge.launch.symmetry import TURNS, Turn, images, symmetries, turn_to
from maskforge.launch.targets import transferred
from maskforge.methods.by_name import design
from maskforge.methods.cover import STEPS, certified_bound
from maskforge.methods.problem import Certificate, Problem
from maskforge.methods.simple import simple
from maskforge.methods.turned_design import AGREED, turned, turned_proof
from maskforge.sets.designing import Finished, finished_masks

Sections = dict[str, dict[str, Any]]

FLIPS = {Turn(0, mirrored=True), Turn(2, mirrored=True), Turn(2, mirrored=False)}


def ready(**sections: dict[str, Any]) -> Prepared:
    data: Sections = {
        "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
        "modulator": {"pixels": [64, 64], "pitch_um": 60.0, "alphabet": "binary"},
        "lens": {"focal_length_mm": 8.0},
        "fiber": {"preset": "six-mode-graded"},
        "targets": {"orientations": 12},
        "design": {"method": "simple"},
    }
    for name, keys in sections.items():
        whole = {**data[name], **keys}
        data[name] = {key: value for key, value in whole.items() if value is not None}
    return prepared(benches.from_dict(data, "square"))


@pytest.mark.parametrize("turn", TURNS)
def test_couplings_turn_with_the_mask(turn: Turn) -> None:
    """Any mask, not a symmetric one: the couplings of the turned mask are the turned couplings."""
    launch = ready().launch
    states = np.random.default_rng(3).integers(0, 2, launch.modulator.shape)
    plain = couplings(launch, emitted(launch.modulator, states))
    after = couplings(launch, emitted(launch.modulator, turn.mask(states)))
    np.testing.assert_allclose(after, turn.vector(launch.basis, plain), atol=1e-14)


LENS_BESIDE: Sections = {"lens": {"offset_mm": [0.3, 0.2]}}
BEAM_BESIDE: Sections = {"light": {"offset_mm": [0.1, 0.2]}}
PANEL_BESIDE: Sections = {
    "light": {"waist_mm": 1.7},
    "modulator": {"panel": [100, 90], "at": [5, 2], "fill_factor": 0.8, "gap_reflectance": 0.3},
}
"""Light and lens of a square, and around it what the panel shows, more on one side."""

FRINGES = {"background": "carrier", "background_period_px": 5.0}

BENCHES: list[tuple[Sections, set[Turn]]] = [
    ({}, set(TURNS)),
    ({"modulator": {"pixels": [64, 60]}}, FLIPS),
    ({"modulator": {"incidence_deg": 10.0}}, FLIPS),
    ({"light": {"offset_mm": [0.1, 0.0]}}, {Turn(0, mirrored=True)}),
    (BEAM_BESIDE, set()),
    ({"light": {"offset_mm": [0.1, 0.1]}}, {Turn(1, mirrored=True)}),
    ({"design": {"carrier_period_px": 6.0}}, {Turn(0, mirrored=True)}),
    ({"design": {"carrier_period_px": 6.0, "carrier_angle_deg": 45.0}}, {Turn(1, mirrored=True)}),
    ({"design": {"carrier_period_px": 6.0, "carrier_angle_deg": 30.0}}, set()),
    # beside the lens's axis
    ({"lens": {"offset_mm": [0.3, 0.0]}}, {Turn(0, mirrored=True)}),
    ({"lens": {"offset_mm": [0.0, -0.3]}}, {Turn(2, mirrored=True)}),
    ({"lens": {"offset_mm": [0.3, 0.3]}}, {Turn(1, mirrored=True)}),
    ({"lens": {"offset_mm": [0.3, -0.3]}}, {Turn(3, mirrored=True)}),
    (LENS_BESIDE, set()),
    # light that no pixel changes: from between the pixels, and from around the mask
    ({"modulator": {"fill_factor": 0.8, "gap_reflectance": 0.3}}, set(TURNS)),
    ({"modulator": {"panel": [80, 80]}}, set(TURNS)),
    ({"modulator": {"panel": [80, 64]}}, FLIPS),
    ({"modulator": {"panel": [80, 64], "at": [0, 0]}}, {Turn(0, mirrored=True)}),
    ({"modulator": {"panel": [64, 80], "at": [0, 0]}}, {Turn(2, mirrored=True)}),
    ({"modulator": {"panel": [80, 80], "at": [0, 0]}}, {Turn(3, mirrored=True)}),
    (PANEL_BESIDE, set()),
    # fringes along y, even about the middle
    ({"modulator": {"panel": [80, 80]} | FRINGES}, FLIPS),
]
"""What is symmetric about them follows from the drawing of each bench."""


@pytest.mark.parametrize(("sections", "wanted"), BENCHES)
def test_what_leaves_a_bench_as_it_is(sections: Sections, wanted: set[Turn]) -> None:
    found = set(symmetries(ready(**sections).launch))
    assert found == wanted


def missed_by(launch: Launch, turn: Turn) -> float:
    """By how much the couplings of a turned mask of noise, as a share, are not the turned ones."""
    states = np.random.default_rng(4).integers(0, 2, launch.modulator.shape)
    if turn.mask(states).shape != states.shape:
        return np.inf
    plain = turn.vector(launch.basis, couplings(launch, emitted(launch.modulator, states)))
    after = couplings(launch, emitted(launch.modulator, turn.mask(states)))
    return float(np.linalg.norm(after - plain) / np.linalg.norm(plain))


@pytest.mark.parametrize("sections", [sections for sections, _ in BENCHES])
def test_the_symmetries_are_those_of_the_couplings(sections: Sections) -> None:
    """By the full model, whose couplings are the direct integral's: a turn leaves the bench as it
    is where, of a mask without any symmetry, the turned mask's couplings are the turned ones."""
    launch = ready(**sections).launch
    found = symmetries(launch)
    for turn in TURNS:
        missed = missed_by(launch, turn)
        assert (missed < 1e-11) if turn in found else (missed > 1e-5), (turn, missed)


def test_a_set_is_designed_once_for_each_image() -> None:
    """On a square bench LP11 has 4 orientations of 12 that are no image of another, LP21 has 7."""
    bench = ready(design={"method": "dual", "purity": 0.99})
    launch, turns = bench.launch, symmetries(bench.launch)
    own: dict[str, list[Any]] = {}
    for target in bench.targets:
        before = own.setdefault(target.name, [])
        if all(turn_to(turns, vectors, target) is None for vectors in before):
            before.append(images(launch.basis, turns, target))
    assert {name: len(found) for name, found in own.items()} == {
        "LP01": 1,
        "LP11": 4,
        "LP21": 7,
        "LP02": 1,
    }
    for done in finished_masks(bench):
        assert done.design.reached
        assert done.prediction.purity >= 0.99
        assert done.design.certificate is not None
        bound = certified_bound(launch, done.design.certificate) ** 2
        assert bound == pytest.approx(done.design.bound, rel=1e-12)
        assert done.design.certificate.target is done.target


# --- proofs ----------------------------------------------------------------------------------

PROVEN: list[Sections] = [
    {
        "modulator": {"alphabet": "levels", "levels": 3},
        "targets": {"labels": ["LP11"], "orientations": 2},
    },
    {
        "modulator": {"phase_step_deg": 150.0, "fill_factor": 0.8, "gap_reflectance": 0.5},
        "targets": {"labels": ["LP11"], "orientations": 2},
    },
    {
        "modulator": {"alphabet": "levels", "levels": 3},
        "targets": {"family": "lg", "labels": ["LG0+1", "LG0-1"], "orientations": None},
    },
]
"""Covers of many spans, with light of the gaps, and targets whose images have other phases."""


@pytest.mark.parametrize(
    "sections", [*PROVEN[:-1], pytest.param(PROVEN[-1], marks=pytest.mark.long)]
)
def test_a_turned_proof_proves_the_same_bound(sections: Sections) -> None:
    """For every image of a target, whatever its phase beside that of the turned vector."""
    bench = ready(**sections, design={"method": "dual", "purity": 0.99})
    launch, turns = bench.launch, symmetries(bench.launch)
    assert set(turns) == set(TURNS)
    ahead: list[float] = []
    made = design(Problem(launch, bench.targets[0], 0.99), "dual")
    assert made.certificate is not None
    before = certified_bound(launch, made.certificate)
    for turn, vector in zip(turns, images(launch.basis, turns, bench.targets[0]), strict=True):
        for other in bench.targets:
            along = np.vdot(vector, other.vector)
            if abs(along) < 1 - 1e-12:
                continue
            ahead.append(round(float(np.degrees(np.angle(along))) % 360))
            proof = turned_proof(launch.basis, made.certificate, turn, other)
            assert proof.target is other
            assert certified_bound(launch, proof) == pytest.approx(before, rel=1e-9)
    assert len(set(ahead)) > 1


def test_spans_shift_where_the_target_has_another_phase() -> None:
    """LP11 turned by half a turn is itself with the other sign: 180 degrees are half of STEPS."""
    bench = ready(targets={"labels": ["LP11"], "orientations": 1})
    launch, (target,) = bench.launch, bench.targets
    spans = np.array([[100, 5000], [5000, STEPS + 100]])
    proof = Certificate(target, 0.9, np.array([target.vector, 1j * target.vector]), spans)
    half = turned_proof(launch.basis, proof, Turn(2, mirrored=False), target)
    np.testing.assert_array_equal(half.spans, [[3700, 8600], [1400, 3700]])
    np.testing.assert_allclose(half.multipliers, -proof.multipliers, atol=1e-15)
    same = turned_proof(launch.basis, proof, Turn(0, mirrored=True), target)
    np.testing.assert_array_equal(same.spans, proof.spans)


@pytest.mark.long
def test_both_proofs_turn_with_the_mask() -> None:
    """That of the asked purity too; a turned bound is what its own proof gives."""
    bench = ready(
        modulator={"alphabet": "levels", "levels": 3},
        targets={"labels": ["LP11"], "orientations": 2},
        design={"method": "dual", "purity": 0.99},
    )
    launch = bench.launch
    low, high = (design(Problem(launch, bench.targets[0], p), "dual") for p in (0.9, 0.99))
    made = replace(
        low, reached=False, asked=0.99, excluded=high.certificate, bound_asked=high.bound
    )
    problem = Problem(launch, bench.targets[1], 0.9999)
    image = turned(problem, made, Turn(1, mirrored=False))
    assert image is not None
    for proof, bound, before in (
        (image.certificate, image.bound, low.bound),
        (image.excluded, image.bound_asked, high.bound),
    ):
        assert proof is not None
        assert proof.target is problem.target
        assert bound == certified_bound(launch, proof) ** 2
        assert bound == pytest.approx(before, rel=1e-9)

    # a proof that does not turn is of another bench than it seemed
    assert made.certificate is not None
    holed = replace(made.certificate, spans=made.certificate.spans - [0, 1])
    assert turned(problem, replace(made, certificate=holed), Turn(1, mirrored=False)) is None


# --- the guard -------------------------------------------------------------------------------


def assert_true(bench: Prepared, masks: Sequence[Finished]) -> None:
    """What is told of the masks is what the full model finds of their pixels."""
    for done in masks:
        factors = emitted(bench.launch.modulator, done.design.states)
        again = predict(bench.launch, done.target, factors)
        assert np.array_equal(done.prediction.couplings, again.couplings)
        assert (done.prediction.purity, done.prediction.efficiency) == (
            again.purity,
            again.efficiency,
        )
        assert done.design.reached == (again.purity >= bench.bench.design.purity)
        if done.design.reached:
            assert done.design.status == "done"


@pytest.mark.parametrize("sections", [BEAM_BESIDE, LENS_BESIDE, PANEL_BESIDE])
def test_a_turn_that_the_bench_does_not_have(
    sections: Sections, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Taken for symmetric, a bench that is not gets the masks that it gets without any turn.

    By the full model the turned masks are not what their sources are.
    """
    bench = ready(
        **sections, design={"method": "dual", "purity": 0.99}, targets={"orientations": 4}
    )
    alone = list(finished_masks(bench))
    assert_true(bench, alone)
    source, wrong = alone[1], Turn(1, mirrored=False)
    image = next(done.target for done in alone if done.target.orientation == 90.0)
    assert (source.target.name, source.target.orientation, image.name) == ("LP11", 0.0, "LP11")
    pixels = wrong.mask(source.design.states)
    found = predict(bench.launch, image, emitted(bench.launch.modulator, pixels))
    assert found.efficiency != pytest.approx(source.prediction.efficiency, rel=1e-4)

    monkeypatch.setattr("maskforge.sets.designing.symmetries", lambda launch: TURNS)
    guarded = list(finished_masks(bench))
    assert_true(bench, guarded)
    for one, other in zip(alone, guarded, strict=True):
        assert one.target is other.target
        assert np.array_equal(one.design.states, other.design.states)
        assert one.design.bound == other.design.bound
        assert one.design.reached
        assert other.design.reached


def test_a_turned_mask_is_judged_by_its_own_prediction() -> None:
    """It is an image where it is as pure and as efficient as its source, and where both are, or
    both are not, as pure as asked."""
    bench = ready(targets={"labels": ["LP11"], "orientations": 12})
    launch, turn = bench.launch, Turn(1, mirrored=False)
    first, second = (Problem(launch, bench.targets[k], 0.6) for k in (1, 7))
    assert second.target.orientation == first.target.orientation + 90
    made = simple(first)
    seen, share = made.prediction, 1 + 3 * AGREED
    assert made.reached
    image = turned(second, made, turn)
    assert image is not None
    assert np.array_equal(image.states, turn.mask(made.states))
    again = predict(launch, second.target, emitted(launch.modulator, image.states))
    assert image.prediction.purity == again.purity == pytest.approx(seen.purity, rel=AGREED)
    assert image.prediction.efficiency == again.efficiency
    assert (image.reached, image.status) == (True, made.status)

    # a source that was purer, less pure, more or less efficient than what its turned mask is
    for changed in (
        replace(seen, purity=seen.purity * share),
        replace(seen, purity=seen.purity / share),
        replace(seen, efficiency=seen.efficiency * share),
        replace(seen, efficiency=seen.efficiency / share),
    ):
        assert turned(second, replace(made, prediction=changed), turn) is None

    # nor is a mask told to be pure enough which is not, even if by the last digit only
    above = replace(second, purity=float(np.nextafter(again.purity, 1)))
    assert turned(above, made, turn) is None
    missed = replace(made, reached=False, status="not as pure")
    assert turned(second, missed, turn) is None
    kept = turned(above, missed, turn)
    assert kept is not None
    assert (kept.reached, kept.status) == (False, "not as pure")


def test_the_masks_of_several_scenarios_are_never_turned() -> None:
    """What turns the bench into itself need not turn its scenarios into each other: of a fibre
    moved along x only, each mask is as pure as the full model finds it there."""
    design = {"method": "dual", "purity": 0.95, "fiber_offset_um": [1.0, 0.0]}
    bench = ready(design=design, targets={"labels": ["LP11"], "orientations": 2})
    assert set(symmetries(bench.launch)) == set(TURNS)
    launches = [bench.launch, *(other.launch for other in bench.others)]
    moved: list[list[float]] = []
    for done in finished_masks(bench):
        known = done.design.robust
        assert known is not None
        for launch, purity in zip(launches, known.purities, strict=True):
            target = transferred(done.target.vector, bench.launch.basis, launch.basis)
            found = couplings(launch, emitted(launch.modulator, done.design.states))
            power = np.sum(np.abs(found) ** 2)
            assert purity == pytest.approx(abs(np.vdot(target, found)) ** 2 / power, abs=1e-9)
        moved.append(list(known.purities))
    # a node along y is not what a node along x is to a fibre that moves along x
    assert moved[0] != pytest.approx(moved[1], abs=1e-6)
