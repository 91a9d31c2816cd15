"""Masks that stay pure within the errors of a device's matrix; what cannot be had is told."""

from dataclasses import replace

import numpy as np
import pytest

from maskforge.launch.couplings import prepare
from maskforge.launch.purity_band import band_of
from maskforge.launch.targets import Target
from maskforge.methods.at_edge import design_at_edge
from maskforge.methods.problem import Problem, Settings
from tests.methods.test_behind_a_device import PURITY, behind, some_matrix, unit


def problem_with(error: float) -> Problem:
    launch = behind(some_matrix(6, 6, seed=5))
    passage = launch.setup.passage
    assert passage is not None
    known = replace(passage, errors=np.full((6, 6), error))
    launch = prepare(replace(launch.setup, passage=known))
    return Problem(launch, Target("wanted", 0.0, unit(6, 1)), PURITY)


@pytest.mark.parametrize(("edge", "place"), [("lower", 0), ("median", 1)])
def test_the_edge_is_as_pure_as_asked(edge: str, place: int) -> None:
    problem = problem_with(0.004)
    made = design_at_edge(problem, "dual", edge, settings=Settings(), previous=None)
    passage = problem.launch.setup.passage
    assert passage is not None
    band = band_of(passage, problem.target.vector, made.prediction.couplings)
    assert made.reached
    assert band[place] >= PURITY
    # and not by much more than it takes
    assert band[place] < 1 - 0.7 * (1 - PURITY)
    assert made.aim is not None
    assert made.aim > PURITY
    assert made.certificate is not None
    assert made.certificate.purity <= made.aim
    assert made.bound is not None
    assert made.prediction.efficiency <= made.bound * (1 + 1e-9)


def test_errors_that_leave_no_room_are_told() -> None:
    made = design_at_edge(problem_with(0.05), "dual", "lower", settings=Settings(), previous=None)
    assert not made.reached
    assert "instead of 0.98; its standard errors alone leave 0." in made.status
