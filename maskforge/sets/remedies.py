"""What would help where a purity cannot be had: its bound on benches that differ in one thing."""

from dataclasses import replace

import numpy as np
from threadpoolctl import threadpool_limits

from maskforge import bench as benches
from maskforge.bench import Bench
from maskforge.launch.basis import Basis
from maskforge.launch.couplings import Launch, prepare
from maskforge.launch.lit_panel import has_gaps
from maskforge.launch.modulator import Carrier, Modulator, levels
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
    for words, other in _others(bench, launch):
        with threadpool_limits(1):
            limit = quick_bound(Problem(other, target, purity))
        told.append(f"{words} {100 * limit.efficiency:.3g} %")
    return f"; bounds at {purity:g}: {', '.join(told)}" if told else ""


def _others(bench: Bench, launch: Launch) -> list[tuple[str, Launch]]:
    """(what is other, the launch) of benches that differ in one thing."""
    modulator, basis, found = launch.modulator, launch.basis, []
    carrier = benches.carrier(bench)
    if carrier.period == 0.0:
        tilt = Carrier(PERIOD, np.pi / 4)
        found.append((f"with a carrier of {PERIOD:g} px", _launch(bench, basis, modulator, tilt)))
    if modulator.alphabet.size < LEVELS:
        other = replace(modulator, alphabet=levels(LEVELS))
        found.append((f"with {LEVELS} levels", _launch(bench, basis, other, carrier)))
    if has_gaps(modulator):
        dark = replace(modulator, gap_reflectance=0.0)
        found.append(("without the gaps' light", _launch(bench, basis, dark, carrier)))
    return found


def _launch(bench: Bench, basis: Basis, modulator: Modulator, carrier: Carrier) -> Launch:
    setup, panel = benches.setup(bench, basis), replace(modulator, crosstalk=0.0)
    return prepare(replace(setup, modulator=panel, carrier=carrier))
