"""The reference that everyone knows: the phase of the back-propagated target, quantised."""

import numpy as np

from maskforge.base.arrays import on_host
from maskforge.launch.couplings import back_propagated, predict
from maskforge.launch.modulator import emitted
from maskforge.methods.problem import Design, Problem, Settings, overall_phase, supported

TURNS, AGREED = 20, 1e-6
"""Turns of the overall phase at most, and how small (rad) the last one is."""


def simple(
    problem: Problem, settings: Settings | None = None, previous: Design | None = None
) -> Design:
    """Every pixel takes the state that adds most to the target's coupling, whatever the purity.

    For one overall phase of the target no mask launches more of it; the phase is then turned to
    that of the coupling found, which can only raise it, until the two agree.
    """
    launch = problem.launch
    vector = problem.target.vector
    back = on_host(back_propagated(launch, vector))
    phase = overall_phase(launch, vector, back)
    back, gap = back * phase, np.vdot(vector * phase, launch.gaps)
    for _ in range(TURNS):
        turn = float(np.angle(np.vdot(back, supported(launch, back)) + gap))
        if abs(turn) < AGREED:
            break
        back, gap = back * np.exp(1j * turn), gap * np.exp(-1j * turn)
    states = launch.modulator.alphabet.support(back).astype(np.uint16)
    found = predict(launch, problem.target, emitted(launch.modulator, states))
    reached = found.purity >= problem.purity
    status = "done" if reached else 'the simple mask asks for no purity; method = "dual" does'
    return Design(states, found, "simple", reached, status)
