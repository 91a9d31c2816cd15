"""Masks that are searched for with all means against the quick bound: none may be above it.

A bound that is proven for one overall phase of the target alone was beaten by several per cent, on
modulators of a limited stroke, with light in the gaps, and by superpositions.
"""

from dataclasses import replace

import numpy as np
import pytest

from maskforge.launch.couplings import Launch, back_propagated, predict
from maskforge.launch.modulator import Alphabet, Carrier, binary, emitted, levels, table
from maskforge.launch.prediction import Prediction
from maskforge.launch.targets import Target, lg_target, lp_target, superposition
from maskforge.methods.dual import dual
from maskforge.methods.problem import Problem
from maskforge.methods.quick_bound import QuickBound, quick_bound
from tests.benches import MODE_WAIST, beam, on_parabola

ROUNDING = 1e-6
"""Of an efficiency: the design's masks are judged on the same samples as the bound."""


def _alphabet(kind: str, rng: np.random.Generator) -> Alphabet:
    if kind == "stroke":
        return levels(16, np.radians(rng.uniform(200, 250)))
    if kind == "step":
        return binary(np.radians(rng.uniform(120, 180)))
    count = int(rng.integers(3, 7))
    phases = np.sort(rng.uniform(0, 5, count))
    return table(list(range(count)), phases.tolist(), rng.uniform(0.6, 1, count).tolist())


def _target(launch: Launch, which: int, rng: np.random.Generator) -> Target:
    basis = launch.basis
    if which == 0:
        label = str(rng.choice(["LP01", "LP02", "LP11", "LP21"]))
        return lp_target(basis, label, 0.0 if label[2] == "0" else 20.0)
    if which == 1:
        return lg_target(basis, str(rng.choice(["LG0+1", "LG0+2", "LG1+0"])), MODE_WAIST)
    turn = np.exp(1j * rng.uniform(0, 2 * np.pi))
    return superposition(basis, "two", {("LP01", None): 1.0, ("LP02", None): complex(0.7 * turn)})


def drawn(kind: str, seed: int) -> Problem:
    """A small bench, a target and a purity at random."""
    rng = np.random.default_rng(seed)
    carrier = Carrier() if rng.random() < 0.7 else Carrier(5.3, 0.6)
    light = beam(rng.uniform(1.0, 2.2), offset=(rng.choice([0.0, 1e-4]), 0.0))
    launch = on_parabola(
        light,
        shape=(48, 40),
        pitch=light.waist[0] / 12,
        alphabet=_alphabet(kind, rng),
        carrier=carrier,
        fill_factor=0.85,
        gap_reflectance=0.0 if kind == "stroke" else float(rng.uniform(0, 0.8)),
    )
    return Problem(launch, _target(launch, seed % 3, rng), float(rng.choice([0.8, 0.95, 0.99])))


def turned(problem: Problem, phase: float) -> Problem:
    vector = problem.target.vector * np.exp(1j * phase)
    return replace(problem, target=replace(problem.target, vector=vector))


def simple_masks(problem: Problem) -> list[Prediction]:
    """The simple mask at 24 phases of the target."""
    launch, target = problem.launch, problem.target
    back = back_propagated(launch, target.vector)
    found = []
    for turn in np.exp(2j * np.pi * np.arange(24) / 24):
        states = launch.modulator.alphabet.support(back * turn)
        found.append(predict(launch, target, emitted(launch.modulator, states)))
    return found


def assert_above(limit: QuickBound, found: Prediction, purity: float) -> None:
    if found.purity >= purity:
        assert found.efficiency <= limit.efficiency * (1 + ROUNDING)


@pytest.mark.parametrize("kind", ["stroke", "step", "table"])
@pytest.mark.parametrize(
    "seed", [0, *(pytest.param(seed, marks=pytest.mark.long) for seed in (1, 2, 3, 4, 5))]
)
def test_no_mask_is_above(kind: str, seed: int) -> None:
    """Neither the design's, nor those of the target at other phases, nor a simple one."""
    problem = drawn(kind, seed)
    limit = quick_bound(problem)
    designs = [dual(problem), *(dual(turned(problem, phase)) for phase in (0.9, 2.2))]
    masks = [made.prediction for made in designs] + simple_masks(problem)
    for found in masks:
        assert_above(limit, found, problem.purity)
    # 24 phases: the best one is no more than 7.5 deg away, cos^2 of which is 0.983
    assert limit.efficiency <= max(m.efficiency for m in simple_masks(problem)) / 0.98
    # what falls short is held against the bound of the purity that it has
    best = max(masks, key=lambda one: one.purity)
    if 0.5 < best.purity < problem.purity:
        lower = quick_bound(replace(problem, purity=best.purity))
        assert_above(lower, best, best.purity)
        assert lower.efficiency >= limit.efficiency * (1 - 5e-3)


@pytest.mark.parametrize("seed", range(12))
def test_never_more_than_there_is_light(seed: int) -> None:
    problem = drawn(("stroke", "step", "table")[seed % 3], 100 + seed)
    for purity in (0.51, 0.9, 0.999999):
        limit = quick_bound(replace(problem, purity=purity))
        assert 0 <= limit.efficiency <= 1
