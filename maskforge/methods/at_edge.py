"""A mask whose purity holds though a device's matrix is known with errors only: at an edge of them.

What the errors add to the unwanted light, against the target's, is nearly the same for masks of one
target, so that it is measured on one mask and the next is designed for so much less.
"""

from dataclasses import replace

from maskforge.launch.purity_band import band_of
from maskforge.methods.by_name import design
from maskforge.methods.dual_function import kappa_of
from maskforge.methods.problem import Design, Problem, Settings

EDGE = {"lower": 0, "median": 1}
"""Which number of a band is to be as pure as asked."""

ROUNDS = 5
SPARE = 0.02
"""Of what is left to the unwanted light: it is aimed at less by so much."""

LEAST = 1e-3
"""Of the unwanted light that is asked for: what the errors must leave."""


def design_at_edge(
    problem: Problem, method: str, edge: str, *, settings: Settings, previous: Design | None
) -> Design:
    """The mask whose purity at an edge of EDGE is the asked one, by the method; `aim` says which
    purity by the matrix as measured it is designed for, and bounds are for that one.

    Where the errors leave no room, or pixels do not get that far, it is the best that was found.
    """
    passage, vector = problem.launch.setup.passage, problem.target.vector
    assert passage is not None
    allowed = kappa_of(problem.purity) ** 2
    aim, best, most, added = problem.purity, None, -1.0, 0.0
    for _ in range(ROUNDS):
        made = design(replace(problem, purity=aim), method, settings=settings, previous=previous)
        launched = made.prediction.couplings
        got = band_of(passage, vector, launched)[EDGE[edge]]
        if best is None or got > most:
            best, most = made, got
        if got >= problem.purity or not made.prediction.purity > 0:
            break
        added = kappa_of(got) ** 2 - kappa_of(made.prediction.purity) ** 2
        left = (1 - SPARE) * (allowed - added)
        if left < LEAST * allowed:
            break
        aim = 1 / (1 + left)
    assert best is not None
    if most >= problem.purity:
        return replace(best, reached=True, status="done")
    floor = 1 / (1 + max(added, 0.0))
    words = {"lower": "5 % of the matrices leave", "median": "the median matrix leaves"}[edge]
    status = (
        f"{words} purity {most:.6f} instead of {problem.purity:g}; its standard errors alone "
        f"leave {floor:.6f} here: a lower purity, or a better measurement of the device"
    )
    return replace(best, reached=False, status=status)
