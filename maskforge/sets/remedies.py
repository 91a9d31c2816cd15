"""What would help where a purity cannot be had: its bound on benches that differ in one thing."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
from threadpoolctl import threadpool_limits

from maskforge.bench import Bench
from maskforge.launch.couplings import Launch, prepare
from maskforge.launch.lit_panel import has_gaps
from maskforge.launch.modulator import Carrier, levels
from maskforge.launch.targets import Target
from maskforge.methods.problem import Problem
from maskforge.methods.quick_bound import quick_bound

PERIOD = 6.0
"""px: of the carrier that is tried, along the diagonal."""

LEVELS = 16
"""Of the panel that is tried: more gain 1 % of the light at most, (sin(pi/N)/(pi/N))^2."""


def remedies(bench: Bench, launch: Launch, target: Target) -> str:
    """The bounds of a target at the asked purity, in words; one line.

    With a carrier, with more levels, without the gaps' light: whichever the bench has not.
    """
    purity = bench.design.purity
    told = []
    for words, other in _others(launch):
        with threadpool_limits(1):
            limit = quick_bound(Problem(other, target, purity))
        told.append(f"{words} {100 * limit.efficiency:.3g} %")
    return f"; bounds at {purity:g}: {', '.join(told)}" if told else ""


@lru_cache(maxsize=1)
def _others(launch: Launch) -> tuple[tuple[str, Launch], ...]:
    """(what is other, the launch) of benches that differ in one thing."""
    setup, found = launch.setup.with_panel(crosstalk=0.0), []
    panel = setup.modulator
    if setup.carrier.period == 0.0:
        tilted = replace(setup, carrier=Carrier(PERIOD, np.pi / 4))
        found.append((f"with a carrier of {PERIOD:g} px", tilted))
    if panel.alphabet.size < LEVELS:
        finer = setup.with_panel(alphabet=levels(LEVELS))
        found.append((f"with {LEVELS} levels", finer))
    if has_gaps(panel):
        dark = setup.with_panel(gap_reflectance=0.0)
        found.append(("without the gaps' light", dark))
    return tuple((words, prepare(other)) for words, other in found)
