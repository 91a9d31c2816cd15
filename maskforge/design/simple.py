"""The reference that everyone knows: the phase of the back-propagated target, quantised."""

import numpy as np

from maskforge.design.problem import Design, Problem, Settings, turned
from maskforge.launch import back_propagated, predict
from maskforge.modulator import emitted


def simple(problem: Problem, settings: Settings | None = None) -> Design:
    """Every pixel takes the state that adds most to the target's coupling.

    No mask of a lossless alphabet launches more of the target; its purity is what comes.
    """
    launch = problem.launch
    back = turned(launch, back_propagated(launch, problem.target.vector))
    states = launch.modulator.alphabet.support(back).astype(np.uint16)
    found = predict(launch, problem.target, emitted(launch.modulator, states))
    reached = found.purity >= problem.purity
    status = "done" if reached else 'the simple mask asks for no purity; method = "ifta" does'
    return Design(states, "simple", reached, status)
